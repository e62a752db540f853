"""The pages, as a browser without scripts gets them; on both stores."""

import re
from dataclasses import replace
from html.parser import HTMLParser
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import pytest

from service.adapters import web
from service.adapters.web import forms
from service.adapters.web.pages import hex_dump
from service.adapters.web.window import SPANS
from service.core.batch import RejectionReason
from service.core.commission import BRACKET_TOUCHED, note_line
from service.core.drive import Drive
from service.core.reading import NotMeasured
from tests.adapters.web.plant import (
    Plant,
    a_plant,
    add,
    not_measured,
    reading_of,
    with_press,
)
from tests.contracts.given import A_CHAIN, A_DRIVE, A_REJECTION, A_SIGHTING, NOON_NS, S

HOSTILE = "<script>alert(1)</script>\"'&<img src=x onerror=alert(2)>"
CAUTIONS = (
    "Lock out and tag out",
    "stored energy",
    "Guards stay on",
    "Lifting chain",
    "Local codes",
    "no safety function",
)


class Page(HTMLParser):
    """The tags, links and text of a page."""

    def __init__(self, html: str) -> None:
        super().__init__()
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.words: list[str] = []
        self._hidden = 0
        self._open: list[tuple[str, bool]] = []
        self.feed(html)

    VOID = frozenset({"meta", "link", "input", "br", "rect", "circle", "use", "path", "line", "img", "i"})

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        found = dict(attrs)
        self.tags.append((tag, found))
        if tag not in {"meta", "link", "input", "br", "img"}:
            self._open.append((tag, "hidden" in found))

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))

    def handle_endtag(self, tag: str) -> None:
        while self._open and self._open.pop()[0] != tag:
            pass

    def handle_data(self, data: str) -> None:
        if not any(hidden for _, hidden in self._open):
            self.words.append(data)

    @property
    def text(self) -> str:
        """What a person can see, with single blanks."""
        return re.sub(r"\s+", " ", "".join(self.words))

    def links(self) -> set[str]:
        return {found["href"] or "" for tag, found in self.tags if tag == "a"}


def seen(plant: Plant, path: str, status: int = 200) -> str:
    return Page(plant.page(path, status)).text


# One drive


def test_a_drives_page_shows_all_that_is_known_of_it(plant: Plant) -> None:
    with_press(plant)
    plant.ports.readings.store(
        [reading_of("press-3", 3000 + 10 * n, 0.8, seq=n, chain_id="press-3-a") for n in range(50)]
    )
    while plant.ports.readings.roll_up():
        pass
    html = plant.page("/drives/press-3?span=hour")
    text = Page(html).text
    assert "Feed chain" in text
    assert '<svg class="trend"' in html
    assert "0.800 ± 0.022 %" in text
    assert "64 % of 1.25 % (value given for this drive)" in text
    assert "16B-1, 25.4 mm pitch, 98 pitches in the loop" in text
    assert "Baseline of 10 Sep 2026, 12:00: 0.050 %" in text
    assert "Second bracket from the left." in text
    assert "Coherence 0.998" in text
    assert "514.4 mm" in text  # (20 + 0.25) pitches of 25.4 mm
    assert "Every reading of the last day gave an elongation" in text
    for caution in CAUTIONS:
        assert caution in text


def test_a_drives_page_tells_how_many_readings_of_the_span_were_made_anew_when_and_why(plant: Plant) -> None:
    add(plant, "a")
    readings = plant.ports.readings
    readings.store([reading_of("a", 3000 + 60 * n, 1.0, seq=n) for n in range(8)])
    assert "made anew" not in seen(plant, "/drives/a?span=hour")
    for at_s, numbers, pct in ((3500, (0, 1, 2, 3, 4, 5), 1.5), (3550, (5,), 1.6)):
        anew = [reading_of("a", 3000 + 60 * n, pct, seq=n) for n in numbers]
        readings.supersede(anew, NOON_NS + at_s * S, f"<i>to {pct}")
    page = plant.page("/drives/a?span=hour")
    said = Page(page).text
    assert "1 reading of this span was made anew on 10 Sep 2026, 12:59: <i>to 1.6." in said
    assert "6 readings of this span were made anew on 10 Sep 2026, 12:58: <i>to 1.5." in said
    (link,) = (each for each in Page(page).links() if "/superseded?" in each)
    assert len(plant.client.get(link).text.splitlines()) == 1 + 7
    assert "1 reading of this span was made anew" in seen(plant, "/drives/a?span=minutes")


@pytest.mark.parametrize(
    ("baseline_at_s", "touched_at_s", "read_at_s", "outdated"),
    [
        (1, 100, 3599, True),
        (200, 100, 3599, False),  # taken anew
        (1, None, 3599, False),
        (1, 3000, 2000, False),  # nothing was measured since: the number was right when it was taken
        (None, 100, 3599, False),  # by the spacing: there is no baseline that could be outdated
    ],
)
def test_a_number_whose_baseline_is_from_before_the_sensors_were_touched_says_so(
    fake_plant: Plant,
    baseline_at_s: int | None,
    touched_at_s: int | None,
    read_at_s: int,
    outdated: bool,  # noqa: FBT001 - as the table has it
) -> None:
    with_press(fake_plant)
    taken_ns = None if baseline_at_s is None else NOON_NS + baseline_at_s * S
    since_pct = None if baseline_at_s is None else 0.9
    reading = reading_of("press-3", read_at_s, 1.2, since_pct=since_pct, baseline_taken_ns=taken_ns)
    fake_plant.ports.readings.store([replace(reading, chain_id=A_CHAIN.chain_id)])
    if touched_at_s is not None:
        note = note_line(NOON_NS + touched_at_s * S, "J. Ode", f"{BRACKET_TOUCHED}: gap set anew")
        fake_plant.ports.register.change_drive(replace(A_DRIVE, note=note))
    (newest,) = fake_plant.get("/readings/newest")["drives"]
    assert (newest["measured"]["elongation_pct"], newest["baseline_outdated"]) == (1.2, outdated)
    for path in ("/", "/drives/press-3"):
        said = Page(fake_plant.page(path)).text.lower()
        assert ("baseline from before the sensors were touched" in said) is outdated, path


@pytest.mark.parametrize(
    ("first_ago_s", "span"),
    [(500, "10 minutes"), (700, "hour"), (3500, "hour"), (4000, "day"), (80_000, "day"), (90_000, "week")],
)
def test_the_trend_spans_all_there_is_up_to_a_week(plant: Plant, first_ago_s: int, span: str) -> None:
    """Of a drive that measures for a minute a week is an empty picture."""
    add(plant, "a")
    plant.ports.readings.store(
        [reading_of("a", 3600 - ago_s, 1.0, seq=ago_s) for ago_s in (first_ago_s, 60, 20)]
    )
    while plant.ports.readings.roll_up():
        pass
    assert f'aria-current="true">{span}<' in plant.page("/drives/a")
    assert 'aria-current="true">30 days<' in plant.page("/drives/a?span=month")


@pytest.mark.parametrize("span", [*SPANS, "nonsense"])
@pytest.mark.parametrize("scale", ["limit", "data"])
def test_every_span_and_scale_is_drawn(fake_plant: Plant, span: str, scale: str) -> None:
    add(fake_plant, "a")
    fake_plant.ports.readings.store([reading_of("a", 3000 + 10 * n, 1.0, seq=n) for n in range(60)])
    while fake_plant.ports.readings.roll_up():
        pass
    html = fake_plant.page(f"/drives/a?span={span}&scale={scale}")
    assert 'class="mean"' in html
    assert ("is above this view" in html) == (scale == "data")


def test_the_interval_that_is_not_over_yet_is_drawn_up_to_now() -> None:
    with a_plant(now_ns=lambda: 1_789_045_530 * S) as plant:  # 13:05:30, within a minute and an hour
        add(plant, "a")
        plant.ports.readings.store([reading_of("a", 3600 + 320, 1.0)])
        while plant.ports.readings.roll_up():
            pass
        for span in ("day", "month"):
            html = plant.page(f"/drives/a?span={span}")
            assert 'cx="100.00%"' in html


def test_reasons_are_told_once_each_the_newest_first(plant: Plant) -> None:
    add(plant, "a")
    plant.ports.readings.store(
        [
            *(not_measured("a", 1000 + 10 * n, NotMeasured.STOPPED, seq=n) for n in range(5)),
            reading_of("a", 1100, 1.0, seq=20),
            not_measured("a", 1200, NotMeasured.STOPPED, seq=21),
            not_measured("a", 1300, NotMeasured.SPEED_CHANGE, seq=22),
        ]
    )
    text = seen(plant, "/drives/a")
    assert "Of the newest 8 readings" in text
    assert text.index("Speed changed too much, last") < text.index("Drive stands still, last")
    assert "6 readings in 2 stretches" in text


def test_pulse_rates_of_the_last_hour_are_shown_for_each_sensor(plant: Plant) -> None:
    add(plant, "a")
    plant.ports.readings.store(
        [
            reading_of("a", 3000 + 10 * n, 1.0, seq=n, **FAULTY)  # 0.25 m/s for 10 s: 97 joints of 25.4 mm
            for n in range(3)
        ]
    )
    text = seen(plant, "/drives/a")
    assert "up2855.00 %0.00 %" in text
    assert "down3120.00 %3.85 %" in text


FAULTY: dict[str, Any] = {
    "speed_m_s": 0.25,
    "up_pulses": 95,
    "up_missed": 5,
    "down_pulses": 104,
    "down_extra": 4,
}


def test_windows_that_hold_a_stop_count_no_pulse_as_missed(plant: Plant) -> None:
    """The joint that came late looks missed. What came of pulses is told all the same."""
    add(plant, "a")
    stop = {"up_pulses": 40, "up_missed": 8, "down_pulses": 48, "down_extra": 2}
    plant.ports.readings.store(
        [
            *(reading_of("a", 3000 + 10 * n, 1.0, seq=n, **FAULTY) for n in range(3)),
            reading_of("a", 3030, 1.0, seq=3, **FAULTY | stop),
        ]
    )
    text = seen(plant, "/drives/a")
    assert "up3255.00 %0.00 %" in text
    assert "down3600.00 %3.85 %" in text


def test_without_a_window_at_steady_speed_no_rate_is_shown(plant: Plant) -> None:
    add(plant, "a")
    plant.ports.readings.store([reading_of("a", 3000, 1.0, **FAULTY | {"up_pulses": 40})])
    text = seen(plant, "/drives/a")
    assert "up40\N{EN DASH}\N{EN DASH}" in text


def test_a_drive_without_chain_or_readings_says_what_to_do(plant: Plant) -> None:
    plant.ports.register.add_drive(A_DRIVE)
    text = seen(plant, "/drives/press-3")
    assert "No chain yet" in text
    assert "No chain was ever entered" in text
    assert "Nothing came over this span" in text
    add(plant, "a")
    assert "publish pulses to the topic …/a/pulses" in seen(plant, "/drives/a")


def test_a_retired_drive_is_said_to_be_so_and_can_be_put_back(plant: Plant) -> None:
    add(plant, "a")
    assert plant.post_form("/drives/a/retire").status_code == 303
    assert "Retired on 10 Sep 2026, 13:00" in seen(plant, "/drives/a")
    assert plant.post_form("/drives/a/bring-back").status_code == 303
    assert plant.ports.register.drive("a").retired_ns is None


def test_times_are_local_to_the_site_and_say_their_zone() -> None:
    with a_plant(zone=ZoneInfo("Europe/Berlin")) as plant:
        with_press(plant)
        text = seen(plant, "/drives/press-3")
        assert "fitted 10 Sep 2026, 14:00" in text
        assert "CEST, UTC+02:00" in text


# Forms

NEW = {
    "drive_id": "saw-1",
    "whole_pitches": "24",
    "offset_pitches": "0,25",
    "name": " Saw ",
    "fixed_centres": "yes",
}


def test_a_drive_and_its_chain_are_registered_by_a_form(plant: Plant) -> None:
    answer = plant.post_form("/drives/new", **NEW, **{"chain-designation": "16B-1"})
    assert (answer.status_code, answer.headers["location"]) == (303, "/drives/saw-1")
    drive = plant.ports.register.drive("saw-1")
    assert drive == Drive(
        drive_id="saw-1", whole_pitches=24, offset_pitches=0.25, name="Saw", fixed_centres=True
    )
    (chain,) = plant.ports.register.chains("saw-1")
    assert (chain.designation, chain.pitch_mm, chain.chain_id) == ("16B-1", 25.4, "saw-1-2026-09-10")


@pytest.mark.parametrize(
    ("fields", "said"),
    [
        ({"whole_pitches": "many"}, "is not a whole number"),
        ({"whole_pitches": "-4"}, "-4 is not within"),
        ({"drive_id": ""}, "fill this in"),
        ({"offset_pitches": "1.5"}, "1.5 is not within"),
        ({"offset_pitches": "nan"}, "nan is not within"),
        ({"drive_id": "Saw 1"}, "small letters"),
        ({"chain-designation": "99Z"}, "99Z"),
        ({"chain-pitch_mm": "25.4", "chain-fitted": "2030-01-01T00:00"}, "lies ahead of now"),
        ({"chain-pitch_mm": "25.4", "chain-fitted": "soon"}, "no date and time"),
        ({"driver_teeth": "1", "driven_teeth": "2"}, "count the teeth"),
    ],
)
def test_a_form_that_is_refused_comes_back_with_all_that_was_typed(
    plant: Plant, fields: dict[str, str], said: str
) -> None:
    typed = NEW | {"chain-note": "a note <b>"} | fields
    answer = plant.post_form("/drives/new", **typed)
    assert answer.status_code == 422
    page = Page(answer.text)
    assert "Nothing was stored yet" in page.text
    assert said in page.text
    values = {found.get("name"): found.get("value") for tag, found in page.tags if tag == "input"}
    for name, text in typed.items():
        if name == "chain-note":
            assert text in page.text
        elif name != "fixed_centres":
            assert values[name] == text
    assert ("checked", None) in [item for tag, found in page.tags for item in found.items() if tag == "input"]
    assert plant.ports.register.drives() == []


def test_a_drive_without_sensors_is_registered_by_leaving_the_pitches_empty(plant: Plant) -> None:
    answer = plant.post_form("/drives/new", **NEW | {"whole_pitches": ""}, **{"chain-designation": "16B-1"})
    assert answer.status_code == 303
    assert plant.ports.register.drive("saw-1").whole_pitches is None
    seen(plant, "/drives/saw-1")


def test_an_id_that_is_taken_is_told_on_the_form(plant: Plant) -> None:
    add(plant, "saw-1")
    answer = plant.post_form("/drives/new", **NEW)
    assert answer.status_code == 422
    assert "registered already" in answer.text


def test_a_form_with_the_settings_as_they_are_changes_nothing_when_stored(plant: Plant) -> None:
    with_press(plant)
    page = Page(plant.page("/drives/press-3/edit"))
    typed = {
        found["name"] or "": found.get("value") or ""
        for tag, found in page.tags
        if tag == "input" and (found.get("type") != "checkbox" or "checked" in found)
    } | {"note": A_DRIVE.note}
    version = plant.ports.register.version()
    assert plant.post_form("/drives/press-3/edit", **typed).status_code == 303
    assert plant.ports.register.drive("press-3") == A_DRIVE
    assert plant.ports.register.version() == version


def test_a_form_that_somebody_has_overtaken_says_who_was_first_and_what_it_is_now(plant: Plant) -> None:
    with_press(plant)
    page = Page(plant.page("/drives/press-3/edit"))
    typed = {found["name"] or "": found.get("value") or "" for tag, found in page.tags if tag == "input"}
    plant.client.patch("/api/v1/drives/press-3", json={"line": "Line 9 <b>", "own_limit_pct": None})
    before = plant.ports.register.drive("press-3")

    overtaken = plant.post_form("/drives/press-3/edit", **typed | {"name": "Mine"})
    assert overtaken.status_code == 412
    page = Page(overtaken.text)
    assert "Nothing was stored yet." in page.text
    assert "changed this drive on 10 Sep 2026, 13:00, after this form was opened" in page.text
    assert "Changed meanwhile; it is now: Line 9 <b>" in page.text
    assert "Changed meanwhile; it is now: empty" in page.text
    assert page.text.count("Changed meanwhile") == 2
    assert plant.ports.register.drive("press-3") == before

    again = {found["name"] or "": found.get("value") or "" for tag, found in page.tags if tag == "input"}
    assert again["name"] == "Mine"
    assert plant.post_form("/drives/press-3/edit", **again).status_code == 303
    assert (plant.ports.register.drive("press-3").name, plant.ports.register.drive("press-3").line) == (
        "Mine",
        typed["line"],
    )


def test_moving_the_sensors_by_form_asks_for_a_new_baseline(plant: Plant) -> None:
    with_press(plant)
    answer = plant.post_form("/drives/press-3/edit", whole_pitches="22")
    assert answer.status_code == 303
    assert "record a new baseline now" in seen(plant, answer.headers["location"]).replace("  ", " ")


def test_every_setting_of_a_drive_is_in_the_form() -> None:
    in_form = {field.name for group in forms.DRIVE_GROUPS for field in group.fields}
    assert in_form == set(Drive.__dataclass_fields__) - {"drive_id", "retired_ns"}


def test_a_chain_is_taken_off_and_the_next_one_fitted_by_forms(plant: Plant) -> None:
    with_press(plant)
    off = {"off-why": "worn", "off-removed": "2026-09-10T12:59"}
    assert plant.post_form("/drives/press-3/chain/take-off", **off).status_code == 303
    page = seen(plant, "/drives/press-3/chain")
    assert "Enter the chain that is on it" in page
    answer = plant.post_form("/drives/press-3/chain/fit", **{"chain-designation": "ANSI 80"})
    assert answer.status_code == 303
    old, new = plant.ports.register.chains("press-3")
    assert (old.removed_why, new.designation, new.removed_ns) == ("worn", "ANSI 80", None)


def test_a_chain_form_left_empty_says_what_is_needed(plant: Plant) -> None:
    plant.ports.register.add_drive(A_DRIVE)
    answer = plant.post_form("/drives/press-3/chain/fit")
    assert answer.status_code == 422
    assert "Nothing was stored yet" in answer.text
    assert "give the pitch" in answer.text


def test_a_baseline_is_recorded_by_form_in_words_of_the_site(plant: Plant) -> None:
    with_press(plant)
    typed = {
        "base-elongation_pct": "0,075",
        "base-elongation_u_pct": "0.043",
        "base-pitches_between": "20.24",
        "base-pitches_between_u": "0.004",
        "base-taken": "2026-09-10T12:30",
        "base-why": "new chain",
        "base-by": "H. Brandt",
    }
    assert plant.post_form("/drives/press-3/chain/baseline", **typed).status_code == 303
    baseline = plant.ports.register.baselines("press-3-a")[-1]
    assert (baseline.elongation_pct, baseline.pitches_between) == (0.075, 20.24)
    assert (baseline.recorded_by, baseline.why) == ("H. Brandt", "new chain")
    refused = plant.post_form("/drives/press-3/chain/baseline", **typed | {"base-pitches_between": ""})
    assert refused.status_code == 422
    assert "or neither" in refused.text


# Refused


def test_the_page_of_what_was_refused_says_so_when_there_is_nothing(plant: Plant) -> None:
    text = seen(plant, "/refused")
    assert "Every message that came could be used" in text
    assert "shows up here" in text


def test_refused_messages_and_unregistered_drives_are_shown_with_what_would_mend_them(plant: Plant) -> None:
    plant.ports.refused.keep([A_REJECTION, replace(A_REJECTION, drive_id="b", payload=b"{}")], [A_SIGHTING])
    text = seen(plant, "/refused")
    assert "saw-1" in text
    assert "50.5 and 50.2" in text
    assert "Not readable" in text
    assert "send the JSON or the CBOR of the contract" in text
    assert seen(plant, "/refused?drive_id=b").count("Not readable") == 1


def test_what_an_unregistered_drive_sends_on_and_on_hides_no_other_refusal(plant: Plant) -> None:
    """A device that nobody registered sends more in ten minutes than the page shows."""
    endless = replace(A_REJECTION, drive_id="saw-1", reason=RejectionReason.UNREGISTERED)
    plant.ports.refused.keep([A_REJECTION], [A_SIGHTING])
    plant.ports.refused.keep([replace(endless, payload=b"%d" % number) for number in range(120)], [])
    text = seen(plant, "/refused")
    assert "Not readable" in text
    assert "Drive not registered" not in text
    assert 'href="/refused?drive_id=saw-1"' in plant.page("/refused")
    assert seen(plant, "/refused?drive_id=saw-1").count("Drive not registered") > 50
    assert "Drive not registered" in seen(plant, "/refused?unregistered=true")


def test_a_payload_can_be_looked_at(plant: Plant) -> None:
    plant.ports.refused.keep([A_REJECTION], [])
    number = plant.ports.refused.rejections()[0].number
    assert "00 ff 61 62 63" in seen(plant, f"/refused/{number}")
    assert seen(plant, "/refused/999", 404)


def test_a_drive_that_was_seen_is_registered_from_the_list_in_one_step(plant: Plant) -> None:
    plant.ports.refused.keep([], [A_SIGHTING])
    page = Page(plant.page("/refused"))
    (form,) = (found for tag, found in page.tags if tag == "form")
    answer = plant.post_form(
        form["action"] or "", whole_pitches="24", offset_pitches="", **{"chain-designation": "16B-1"}
    )
    assert (answer.status_code, answer.headers["location"]) == (303, "/drives/saw-1")
    assert plant.ports.register.chains("saw-1")[0].pitch_mm == 25.4
    assert plant.ports.refused.sightings() == []


def test_a_drive_that_was_seen_has_sensors_so_their_place_is_asked_for(plant: Plant) -> None:
    plant.ports.refused.keep([], [A_SIGHTING])
    answer = plant.post_form("/refused/saw-1/register", whole_pitches="", **{"chain-designation": "16B-1"})
    assert answer.status_code == 422
    assert "fill this in" in answer.text
    body = {"chain": {"designation": "16B-1"}}
    assert plant.client.post("/api/v1/sightings/saw-1/register", json=body).status_code == 422


def test_what_is_missing_for_a_seen_drive_is_asked_for_on_the_full_form(plant: Plant) -> None:
    plant.ports.refused.keep([], [A_SIGHTING])
    answer = plant.post_form("/refused/saw-1/register", whole_pitches="x", **{"chain-designation": "16B-1"})
    assert answer.status_code == 422
    assert 'value="16B-1"' in answer.text
    assert "Register saw-1" in seen(plant, "/refused/saw-1/register")
    assert seen(plant, "/refused/nobody/register", 404)


def test_a_drive_that_was_seen_under_an_id_that_is_none_says_so(plant: Plant) -> None:
    plant.ports.refused.keep([], [replace(A_SIGHTING, drive_id="Saw 1")])
    answer = plant.post_form("/refused/Saw%201/register", whole_pitches="24")
    assert answer.status_code == 422
    assert "small letters" in Page(answer.text).text


def test_bytes_are_dumped_as_usual() -> None:
    assert hex_dump(b"AB\x00" + b"z" * 14) == (
        "000000  41 42 00 7a 7a 7a 7a 7a 7a 7a 7a 7a 7a 7a 7a 7a  AB.zzzzzzzzzzzzz\n"
        "000010  7a                                               z"
    )


# What holds of every page


def full_plant(plant: Plant) -> list[str]:
    """Fill the store with one of everything, under hostile names; return the pages."""
    add(
        plant,
        "a",
        2.0,
        name=HOSTILE,
        site=HOSTILE,
        area=HOSTILE,
        line=HOSTILE,
        note=HOSTILE,
        drive_class=HOSTILE,
    )
    add(plant, "b")
    with_press(plant)
    chain = replace(plant.ports.register.chains("press-3")[0], chain_id="c-1", drive_id="b", note=HOSTILE)
    plant.ports.register.take_off_chain("b-a", chain.fitted_ns + S, HOSTILE)
    plant.ports.register.fit_chain(replace(chain, fitted_ns=chain.fitted_ns + S, designation=HOSTILE))
    rejection = replace(
        A_REJECTION, drive_id=HOSTILE, topic=HOSTILE, detail=HOSTILE, payload=HOSTILE.encode()
    )
    sighting = replace(A_SIGHTING, drive_id=HOSTILE, topic=HOSTILE, device_id=HOSTILE)
    plant.ports.refused.keep([rejection], [sighting, A_SIGHTING])
    number = plant.ports.refused.rejections()[0].number
    return [
        "/", "/refused", f"/refused/{number}", "/drives/new", "/api", "/refused/saw-1/register",
        *(f"/drives/{each}{page}" for each in ("a", "b", "press-3") for page in ("", "/edit", "/chain")),
    ]  # fmt: skip


def test_hostile_names_stay_text_on_every_page(plant: Plant) -> None:
    for path in full_plant(plant):
        html = plant.page(path)
        page = Page(html)
        assert "<img" not in html
        scripts = [found for tag, found in page.tags if tag == "script"]
        assert {"type": "module", "src": "/static/linklag.js"} in scripts
        assert all(re.fullmatch(r"/static/\w+\.js", found.get("src") or "") for found in scripts)
        assert all(found.keys() == {"type", "src"} for found in scripts)
        assert not [name for _, found in page.tags for name in found if name.startswith("on")]
    assert HOSTILE in "".join(Page(plant.page("/")).words)


def test_no_page_has_inline_styles_or_asks_for_anything_from_elsewhere(plant: Plant) -> None:
    for path in full_plant(plant):
        for tag, found in Page(plant.page(path)).tags:
            assert "style" not in found
            assert tag != "style"
            for name in ("src", "href", "action"):
                assert not re.match(r"[a-z]+:|//", found.get(name) or ""), (path, found)


def test_every_link_of_every_page_leads_somewhere(plant: Plant) -> None:
    pages = full_plant(plant)
    links = {link for path in pages for link in Page(plant.page(path)).links()}
    assert len(links) > 30
    for link in sorted(links):
        if not link.startswith("#"):
            answer = plant.client.get(link, headers={"Accept": "text/html"})
            assert answer.status_code == 200, link


def test_every_page_sends_people_to_a_drive_with_cautions(plant: Plant) -> None:
    for path in full_plant(plant):
        text = Page(plant.page(path)).text
        assert "lock out and tag out" in text
        assert "no safety function" in text
        if re.fullmatch(r"/drives/(a|b|press-3)(/chain)?", path):
            assert all(caution in text for caution in CAUTIONS)


def test_every_page_is_marked_up_for_people_who_do_not_see_it(plant: Plant) -> None:
    for path in full_plant(plant):
        page = Page(plant.page(path))
        tags = [tag for tag, _ in page.tags]
        assert tags.count("h1") == 1
        assert ("html", {"lang": "en"}) in page.tags
        labels = {found["for"] for tag, found in page.tags if tag == "label" and "for" in found}
        for tag, found in page.tags:
            if tag in {"input", "textarea"} and found.get("type") not in {"checkbox", "hidden"}:
                assert found["id"] in labels
        ids = [found["id"] for _, found in page.tags if "id" in found]
        assert len(ids) == len(set(ids)), path


def test_the_word_is_alert_and_no_word_of_marketing_is_used() -> None:
    here = Path(web.__file__).parent
    for file in [*here.rglob("*.html"), *here.rglob("*.js"), *here.rglob("*.css"), *here.rglob("*.py")]:
        assert not re.search(r"\bala" + "rm", file.read_text(encoding="utf-8"), re.IGNORECASE), file


def test_the_list_of_routes_names_every_route(fake_plant: Plant) -> None:
    text = seen(fake_plant, "/api")
    document: dict[str, Any] = fake_plant.client.get("/api/v1/openapi.json").json()
    for path in document["paths"]:
        assert path in text


def test_static_files_come_with_their_types(fake_plant: Plant) -> None:
    for name, kind in (
        ("linklag.css", "text/css"),
        ("linklag.js", "text/javascript"),
        ("favicon.svg", "image/svg+xml"),
    ):
        answer = fake_plant.client.get(f"/static/{name}")
        assert answer.status_code == 200
        assert answer.headers["content-type"].startswith(kind)
    assert fake_plant.client.get("/static/../app.py").status_code == 404
    assert fake_plant.client.get("/static/%2e%2e/app.py").status_code == 404
