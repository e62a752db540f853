"""The pages of setting a drive up, as a browser without scripts gets them."""

import re
from pathlib import Path

import pytest

from service.adapters import web
from service.adapters.web.pages_commission import NOT_LEARNT_WORDS, STATE_WORDS, Asked
from service.core.commission import StepState
from service.core.drive import Drive
from service.core.learn import NotLearnt
from service.core.reading import Last, convert
from service.core.steps import TITLES
from service.set_up import E0
from tests.adapters.web.plant import add
from tests.adapters.web.set_up_plant import SENT, SENT_AT_TWO, TWO_SPEEDS, being_set_up, register
from tests.adapters.web.test_pages import CAUTIONS, Page, seen
from tests.contracts.given import STORES
from tests.core.running import Running, exchanged
from tests.core.test_commission import SHAFT
from tests.test_set_up import loaded

PAGE = "/drives/d/commission"
NAMED = {"by": "A. Kern", "why": "new chain fitted"}


def prefixed(prefix: str, **more: str) -> dict[str, str]:
    return {f"{prefix}{name}": text for name, text in NAMED.items()} | more


@pytest.mark.parametrize("kind", STORES)
def test_cautions_come_first_and_every_step_with_its_state_and_reason(kind: str) -> None:
    with being_set_up(kind=kind) as plant:
        text = seen(plant, PAGE)
        for caution in CAUTIONS:
            assert text.index(caution) < text.index(TITLES[next(iter(TITLES))])
        for title in TITLES.values():
            assert title in text
        assert "Ready: take the baseline." in text
        assert "24 batches since" in text
        assert "passed" in text
        assert "A new chain: 0.075 % u 0.043 %; new chain, 0 to +0.15 % by ISO 606" in text
        assert "A. Kern" not in text


def test_a_fault_stands_on_top_with_its_mend_and_the_lock() -> None:
    with being_set_up(batches=exchanged(SENT)) as plant:
        text = seen(plant, PAGE)
        assert "To be mended: up comes before down." in text
        assert "Exchange the plugs of up and down" in text
        assert "At the drive: lock out and tag out first." in text
        assert "Ready" not in text


def test_a_drive_without_anything_waits_and_says_for_what() -> None:
    with being_set_up(batches=[]) as plant:
        text = seen(plant, PAGE)
        assert "Waiting for: Both sensors pulse" in text
        assert "…/d/pulses" in text or ".../d/pulses" in text
        plant.ports.register.add_drive(Drive(drive_id="bare", whole_pitches=20))
        assert "No chain is on the drive." in seen(plant, "/drives/bare/commission")
        assert "registered without sensors" in seen(plant, _by_hand_only(plant))
        seen(plant, "/drives/nobody/commission", 404)


def _by_hand_only(plant: object) -> str:
    plant.ports.register.add_drive(Drive(drive_id="handy"))  # type: ignore[attr-defined]
    return "/drives/handy/commission"


def test_the_drives_page_leads_to_it() -> None:
    with being_set_up() as plant:
        assert PAGE in Page(plant.page("/drives/d")).links()
        assert "/drives/d/learnt" in Page(plant.page(PAGE)).links()


def test_the_baseline_is_taken_by_the_form_and_shown() -> None:
    with being_set_up() as plant:
        answer = plant.post_form(f"{PAGE}/baseline", **prefixed("base-", **{"base-e0": "new"}))
        assert answer.status_code == 303, answer.text
        assert answer.headers["location"] == f"{PAGE}#steps"
        (made,) = plant.ports.register.baselines("d/1")
        assert made.recorded_by == "A. Kern"
        text = seen(plant, PAGE)
        assert "recorded by A. Kern" in text
        assert "All that the baseline needs has passed, and it is taken." in text
        assert "new chain fitted" in seen(plant, "/drives/d")


def test_a_form_that_lacks_something_comes_back_with_what_was_typed() -> None:
    with being_set_up() as plant:
        answer = plant.post_form(
            f"{PAGE}/baseline", **{"base-e0": "value", "base-elongation_pct": "0,4", "base-by": "A. Kern"}
        )
        assert answer.status_code == 422
        text = Page(answer.text).text
        assert "Nothing was stored yet." in text
        assert "fill this in: New chain fitted" in text
        assert "give the value and its standard uncertainty" in text
        assert 'value="0,4"' in answer.text
        assert 'value="A. Kern"' in answer.text
        assert re.search(r'value="value" checked', answer.text)
        none = plant.post_form(f"{PAGE}/baseline", **prefixed("base-"))
        assert "say what the elongation of the chain is now" in Page(none.text).text
        assert plant.ports.register.baselines() == []


def test_a_value_with_a_decimal_comma_is_taken() -> None:
    with being_set_up() as plant:
        given = {"base-e0": "value", "base-elongation_pct": "0,1", "base-elongation_u_pct": "0,02"}
        assert plant.post_form(f"{PAGE}/baseline", **prefixed("base-", **given)).status_code == 303
        assert plant.ports.register.baselines("d/1")[0].elongation_pct == 0.1


def test_a_baseline_too_early_says_which_step_is_in_the_way() -> None:
    with being_set_up(batches=SENT[:3]) as plant:
        answer = plant.post_form(f"{PAGE}/baseline", **prefixed("base-", **{"base-e0": "new"}))
        assert answer.status_code == 422
        text = Page(answer.text).text
        assert "the drive is not ready for a baseline. Both sensors pulse: The newest batch is" in text
        assert "The lag is steady: 3 of 5 lags so far" in text


def test_shaft_and_since_stay_in_the_address_and_in_the_forms() -> None:
    with being_set_up() as plant:
        path = f"{PAGE}?shaft={SHAFT:.2f}"
        text = seen(plant, path)
        assert "make 78.74" in text
        page = Page(plant.page(path))
        (again,) = [link for link in page.links() if link.startswith(f"{PAGE}?since=")]
        assert f"shaft={SHAFT:.2f}" in again
        later = seen(plant, again.partition("#")[0])
        assert "0 batches since" in later
        kept = plant.post_form(f"{PAGE}/touched", **prefixed("touch-", shaft=f"{SHAFT:.2f}"))
        assert kept.headers["location"] == f"{PAGE}?shaft={SHAFT:.2f}#steps"


@pytest.mark.parametrize(
    ("query", "said"),
    [
        ("shaft=fast", "no number of revolutions"),
        ("shaft=-3", "give revolutions a minute"),
        ("since=today", "RFC 3339"),
    ],
)
def test_what_was_typed_wrongly_is_told_beside_its_field(query: str, said: str) -> None:
    with being_set_up() as plant:
        text = seen(plant, f"{PAGE}?{query}", 422)
        assert said in text
        assert TITLES[next(iter(TITLES))] in text  # the steps stand all the same


def test_the_delay_is_shown_and_taken_off_by_the_form() -> None:
    with being_set_up(TWO_SPEEDS, SENT_AT_TWO) as plant:
        text = seen(plant, PAGE)
        assert "To be mended: Both switch equally fast." in text
        assert re.search(r"\+9\d\.\d µs", text)
        assert "Nothing is taken off now." in text
        assert plant.post_form(f"{PAGE}/delay", **prefixed("delay-")).status_code == 303
        after = seen(plant, PAGE)
        assert "Taken off now: 9" in after
        assert "A. Kern: switching delay of" in plant.ports.register.drive("d").note
    with being_set_up() as plant:
        refused = plant.post_form(f"{PAGE}/delay", **prefixed("delay-"))
        assert refused.status_code == 422
        assert "two clearly different speeds" in Page(refused.text).text


def test_a_touched_bracket_is_noted_by_the_form() -> None:
    with being_set_up() as plant:
        plant.post_form(f"{PAGE}/baseline", **prefixed("base-", **{"base-e0": "new"}))
        assert plant.post_form(f"{PAGE}/touched", **prefixed("touch-")).status_code == 303
        text = seen(plant, PAGE)
        assert "A bracket was touched after the last baseline: that one no longer holds." in text
        assert "Last: " in text
        assert plant.post_form(f"{PAGE}/touched", **{"touch-why": "", "touch-by": "x"}).status_code == 422


def test_nothing_that_people_type_becomes_markup() -> None:
    hostile = "<script>alert(1)</script>\"'&"
    with being_set_up() as plant:
        for path, prefix in (("baseline", "base-"), ("delay", "delay-"), ("touched", "touch-")):
            fields = {f"{prefix}by": hostile, f"{prefix}why": hostile, "since": hostile, "shaft": hostile}
            page = plant.post_form(f"{PAGE}/{path}", **fields).text
            assert "<script>alert" not in page
        plant.ports.register.add_drive(Drive(drive_id="odd", name=hostile, whole_pitches=20))
        assert "<script>alert" not in plant.page("/drives/odd/commission")
        assert "<script>alert" not in plant.page("/drives/odd/learnt")


def test_what_a_drive_teaches_is_shown_and_taken_off_by_the_form() -> None:
    running, batches = loaded()
    with being_set_up(running, batches) as plant:
        plant.ports.readings.store(
            [
                convert(each, drive=running.drive, chain=running.chain, baseline=None, last=Last(0.07, 0))
                for each in batches
            ]
        )
        text = seen(plant, "/drives/d/learnt")
        assert "From 40 measured readings" in text
        assert re.search(r"0\.0\d+ ± 0\.000\d % per kN", text)
        assert "At loads from 500 to 3425 N" in text
        assert "They are of one speed only" in text
        assert plant.post_form("/drives/d/learnt/strain", **prefixed("strain-"), last="7d").status_code == 303
        assert "Taken off now: 0.0" in seen(plant, "/drives/d/learnt?last=1y")
        assert plant.post_form("/drives/d/learnt/strain", last="ages").status_code == 422


def test_a_drive_that_teaches_nothing_yet_says_so() -> None:
    with being_set_up() as plant:
        add(plant, "a", 1.0)
        text = seen(plant, "/drives/a/learnt")
        assert "There are too few readings yet. Let the device send load_n." in text
        assert "Nothing is taken off now." in text
        register(plant, Running(registered={"drive_id": "twin", "chain_id": "twin/1"}))
        assert "too few" in seen(plant, "/drives/twin/learnt")


def test_words_are_complete() -> None:
    assert set(STATE_WORDS) == set(StepState)
    assert set(NOT_LEARNT_WORDS) == set(NotLearnt)
    assert Asked().query == ""
    assert Asked("2026-11-25T08:15:00Z", "248").query == "?since=2026-11-25T08%3A15%3A00Z&shaft=248"
    templates = Path(web.__file__).with_name("templates")
    assert "ala" + "rm" not in (templates / "commission.html").read_text().lower()
    assert len(E0) == 4
