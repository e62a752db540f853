"""Many drives at once, by page and by API: looked at first, and then just that is stored, or nothing."""

import html
import re
from collections.abc import Iterator
from dataclasses import replace
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from service.adapters.register_files import write_csv
from service.adapters.web.importing import BYTES_MAX
from service.core.drive import Baseline, Chain, Drive, Registration
from tests.adapters.test_register_files import registrations
from tests.adapters.web.plant import API, NOW_NS, ORIGIN, Plant, a_plant, with_press
from tests.contracts.given import A_CHAIN, A_DRIVE, A_SIGHTING, STORES

HEAD = "drive_id,whole_pitches,site\n"
TWO = HEAD + "saw-1,20,Talheim\nnail-1,,Eschbach\n"


@pytest.fixture(params=STORES)
def plant(request: pytest.FixtureRequest) -> Iterator[Plant]:
    with a_plant(request.param) as made:
        with_press(made)
        yield made


def look(plant: Plant, text: str | bytes, status: int = 200) -> Any:
    answer = plant.client.post(
        f"{API}/drives/import", params={"dry_run": "true"}, content=text, headers={"Content-Type": "text/csv"}
    )
    assert answer.status_code == status, answer.text
    return answer.json()


def store(plant: Plant, text: str | bytes, key: str, status: int = 200) -> Any:
    answer = plant.client.post(
        f"{API}/drives/import",
        params={"key": key, "why": "from the sheet"},
        content=text,
        headers={"Content-Type": "text/csv"},
    )
    assert answer.status_code == status, answer.text
    return answer.json()


def counts(found: Any) -> tuple[int, ...]:
    return tuple(found[name] for name in ("added", "changed", "left_alone", "refused"))


def exported(plant: Plant) -> str:
    answer = plant.client.get(f"{API}/drives.csv")
    assert answer.status_code == 200
    return answer.text


def test_a_look_stores_nothing(plant: Plant) -> None:
    before = (plant.ports.register.version(), plant.ports.audit_log.entries())
    found = look(plant, TWO)
    assert (counts(found), found["stored"]) == ((2, 0, 0, 0), False)
    assert [(each["line"], each["drive_id"], each["fate"]) for each in found["lines"]] == [
        (2, "saw-1", "added"),
        (3, "nail-1", "added"),
    ]
    assert (plant.ports.register.version(), plant.ports.audit_log.entries()) == before


def test_what_was_looked_at_is_stored_with_who_and_why(plant: Plant) -> None:
    plant.ports.refused.keep([], [replace(A_SIGHTING, drive_id="saw-1")])
    key = look(plant, TWO)["key"]
    assert counts(store(plant, TWO, key)) == (2, 0, 0, 0)
    assert plant.ports.register.drive("saw-1") == Drive(drive_id="saw-1", whole_pitches=20, site="Talheim")
    assert plant.ports.register.drive("nail-1").whole_pitches is None
    assert plant.ports.refused.sightings() == []
    whole, *each = plant.ports.audit_log.entries()
    assert (whole.what, whole.why, whole.new["added"]) == ("drives imported", "from the sheet", 2)
    assert sorted((entry.what, entry.subject) for entry in each[:2]) == [
        ("drive added", "drive nail-1"),
        ("drive added", "drive saw-1"),
    ]


def test_a_change_is_shown_from_what_to_what_and_all_else_stays(plant: Plant) -> None:
    text = HEAD + "press-3,20,Eschbach\n"
    [line] = look(plant, text)["lines"]
    assert line["changes"] == [{"column": "site", "old": "Talheim", "new": "Eschbach"}]
    store(plant, text, look(plant, text)["key"])
    assert plant.ports.register.drive("press-3") == replace(A_DRIVE, site="Eschbach")
    entry = plant.ports.audit_log.entries(subject="drive press-3")[0]
    assert (entry.what, dict(entry.old), dict(entry.new), entry.why) == (
        "drive changed",
        {"site": "Talheim"},
        {"site": "Eschbach"},
        "from the sheet",
    )


def test_an_empty_cell_puts_a_setting_back_to_what_is_usual(plant: Plant) -> None:
    [line] = look(plant, "drive_id,whole_pitches,own_limit_pct\npress-3,20,\n")["lines"]
    assert line["changes"] == [{"column": "own_limit_pct", "old": "1.25", "new": ""}]


def test_the_register_as_csv_brought_in_again_changes_nothing(plant: Plant) -> None:
    text = exported(plant)
    found = look(plant, text)
    assert counts(found) == (0, 0, 1, 0)
    version = plant.ports.register.version()
    store(plant, text, found["key"])
    assert plant.ports.register.version() == version


@pytest.mark.parametrize(
    "written",
    [
        lambda text: text.encode("utf-8-sig"),
        lambda text: text.encode("utf-16"),
        lambda text: text.replace(",", ";").encode(),
        lambda text: text.replace(",", "\t").replace("\n", "\r\n").encode(),
        lambda text: ("sep=;\n" + text.replace(",", ";")).encode(),
    ],
    ids=["utf-8 with its mark", "utf-16", "semicolons", "tabs and crlf", "sep"],
)
def test_what_spreadsheets_write_is_read(plant: Plant, written: Any) -> None:
    assert counts(look(plant, written(TWO))) == (2, 0, 0, 0)


def test_decimal_commas_are_taken_between_semicolons_alone(plant: Plant) -> None:
    text = "drive_id;whole_pitches;own_limit_pct\nsaw-1;20;1,5\n"
    store(plant, text, look(plant, text)["key"])
    assert plant.ports.register.drive("saw-1").own_limit_pct == 1.5
    [line] = look(plant, 'drive_id,whole_pitches,own_limit_pct\nnail-1,20,"1,5"\n')["lines"]
    [problem] = line["problems"]
    assert problem["column"] == "own_limit_pct"
    assert "write 1.5" in problem["detail"]


def test_each_wrong_line_is_told_with_its_column_beside_the_right_ones(plant: Plant) -> None:
    rows = (
        "drive_id,whole_pitches,site,chain_designation,chain_fitted_utc",
        "saw-1,twenty,,,",
        "nail-1,20,,,",
        ",20,,,",
        "nail-1,20,,,",
        "bit-1,20,,16B-1,2099-01-01",
        "press-3,20,,16B-1,2026-09-10",
    )
    text = "\n".join(rows)
    found = look(plant, text)
    told = {
        (line["line"], problem["column"]): problem["detail"]
        for line in found["lines"]
        for problem in line["problems"]
    }
    assert set(told) == {
        (2, "whole_pitches"), (4, "drive_id"), (5, "drive_id"), (6, "chain_fitted_utc"), (7, "chain_fitted_utc"),
    }  # fmt: skip
    assert "is no number" in told[2, "whole_pitches"]
    assert "line 3 already" in told[5, "drive_id"]
    assert "ahead of now" in told[6, "chain_fitted_utc"]
    assert "press-3-a" in told[7, "chain_fitted_utc"]
    before = plant.ports.register.version()
    refused = store(plant, text, found["key"], 422)
    assert "nothing was stored" in refused["detail"]
    assert plant.ports.register.version() == before


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("", "empty"),
        ("name,site\nSaw,Talheim\n", "drive_id"),
        (HEAD + 'saw-1,"20,Talheim\n', "quotation marks"),
        (b"drive_id,whole_pitches\ns\xe4ge,20\n", "UTF-8"),
        (HEAD + "x" * BYTES_MAX, "divide it"),
        ("drive_id,whole_pitches,sit\nsaw-1,20,Talheim\n", "did you mean site"),
    ],
)
def test_a_file_that_cannot_be_taken_says_how_to_mend_it(plant: Plant, text: str | bytes, said: str) -> None:
    assert said in look(plant, text, 422)["detail"]


def test_nothing_is_stored_that_was_not_looked_at(plant: Plant) -> None:
    key = look(plant, TWO)["key"]
    assert "not what was looked at" in store(plant, TWO.replace("20", "22"), key, 409)["detail"]
    assert "dry_run=true" in store(plant, TWO, "", 422)["detail"]
    assert store(plant, TWO, "1-nonsense", 409)
    assert [each.drive_id for each in plant.ports.register.drives()] == ["press-3"]


def test_nothing_is_stored_where_the_register_changed_meanwhile(plant: Plant) -> None:
    key = look(plant, TWO)["key"]
    plant.ports.register.change_drive(replace(A_DRIVE, note="new guard"))
    assert "register has changed" in store(plant, TWO, key, 409)["detail"]
    assert [each.drive_id for each in plant.ports.register.drives()] == ["press-3"]


def test_a_chain_is_put_on_and_its_history_is_not_overwritten(plant: Plant) -> None:
    text = "drive_id,whole_pitches,chain_designation,chain_fitted_utc\nsaw-1,20,16B-1,2026-09-01\n"
    [line] = look(plant, text)["lines"]
    assert line["chain_id"] == "saw-1/2026-09-01"
    store(plant, text, look(plant, text)["key"])
    assert counts(look(plant, text)) == (0, 0, 1, 0)
    [line] = look(plant, text.replace("16B-1", "12B-1"))["lines"]
    assert {each["column"] for each in line["problems"]} >= {"chain_designation"}
    assert all("history is not overwritten" in each["detail"] for each in line["problems"])


def test_a_chain_is_known_by_the_time_it_was_fitted_where_the_file_gives_no_id(plant: Plant) -> None:
    text = (
        "drive_id,whole_pitches,chain_designation,chain_fitted_utc\npress-3,20,16B-1,2026-09-10T12:00:00Z\n"
    )
    assert counts(look(plant, text)) == (0, 0, 1, 0)


@settings(max_examples=15, deadline=None)
@given(st.lists(registrations(), max_size=5, unique_by=lambda each: each.drive.drive_id))
def test_any_register_goes_out_as_csv_and_comes_back_the_same(given_: list[Registration]) -> None:
    wanted = [_of_now(each, number) for number, each in enumerate(given_)]
    with a_plant() as plant:
        text = write_csv(wanted)
        found = look(plant, text)
        assert counts(found) == (len(wanted), 0, 0, 0), found
        store(plant, text, found["key"])
        register = plant.ports.register
        assert register.drives(retired=True) == sorted(
            (each.drive for each in wanted), key=lambda drive: drive.drive_id
        )
        assert {each.chain_id: each for each in register.chains()} == {
            each.chain.chain_id: each.chain for each in wanted if each.chain
        }
        again = plant.client.get(f"{API}/drives.csv", params={"retired": "true"}).text
        assert counts(look(plant, again)) == (0, 0, len(wanted), 0)


def _of_now(registration: Registration, number: int) -> Registration:
    """The same with a chain that is on now and an id of its own, as a register has it."""
    chain, baseline = registration.chain, registration.baseline
    if chain is None:
        return registration
    chain = replace(
        chain, chain_id=f"c-{number}", fitted_ns=chain.fitted_ns % NOW_NS, removed_ns=None, removed_why=""
    )
    if baseline is not None:
        baseline = replace(baseline, chain_id=chain.chain_id)
    return Registration(registration.drive, chain, baseline)


# The page


def posted(plant: Plant, text: str, **more: str) -> Any:
    return plant.client.post(
        "/import",
        files={"file": ("drives.csv", text.encode(), "text/csv")},
        data=more,
        headers={"Accept": "text/html", "Origin": ORIGIN, "Sec-Fetch-Site": "same-origin"},
    )


def hidden(page: str) -> dict[str, str]:
    found = re.findall(r'<input type="hidden" name="(\w+)" value="([^"]*)">', page)
    return {name: html.unescape(value) for name, value in found}


def confirmed(plant: Plant, fields: dict[str, str]) -> Any:
    return plant.client.post(
        "/import/confirm",
        files={name: (None, value) for name, value in fields.items()},
        headers={"Accept": "text/html", "Origin": ORIGIN, "Sec-Fetch-Site": "same-origin"},
        follow_redirects=False,
    )


def test_the_page_shows_what_would_change_and_stores_it_when_confirmed(plant: Plant) -> None:
    text = TWO + "press-3,20,<b>Eschbach</b>\n"
    page = posted(plant, text)
    assert page.status_code == 200
    assert "<b>2</b> added" in page.text
    assert "<b>1</b> changed" in page.text
    assert "&lt;b&gt;Eschbach&lt;/b&gt;" in page.text
    assert [each.drive_id for each in plant.ports.register.drives()] == ["press-3"]
    answer = confirmed(plant, hidden(page.text))
    assert (answer.status_code, answer.headers["location"]) == (303, "/import?added=2&changed=1")
    assert plant.ports.register.drive("press-3").site == "<b>Eschbach</b>"
    assert plant.ports.audit_log.entries()[0].new["source"] == "drives.csv"
    assert "2 added, 1 changed" in plant.page("/import?added=2&changed=1")


def test_the_page_shows_what_would_change_now_where_somebody_was_first(plant: Plant) -> None:
    fields = hidden(posted(plant, TWO).text)
    plant.ports.register.add_drive(Drive(drive_id="saw-1", whole_pitches=20, site="Bruchtal"))
    answer = confirmed(plant, fields)
    assert answer.status_code == 409
    assert "The register has changed since this was looked at" in answer.text
    assert "Bruchtal" in answer.text
    assert hidden(answer.text)["key"] != fields["key"]
    assert confirmed(plant, hidden(answer.text)).status_code == 303
    assert plant.ports.register.drive("saw-1").site == "Talheim"


def test_the_page_names_wrong_lines_and_offers_nothing_to_store(plant: Plant) -> None:
    page = posted(plant, HEAD + "saw-1,twenty,\nnail-1,20,\n")
    assert page.status_code == 422
    assert "is no number" in page.text
    assert "/import/confirm" not in page.text
    assert "whole_pitches" in page.text


def test_the_page_takes_rows_that_were_typed_in(plant: Plant) -> None:
    answer = plant.post_form("/import", text=TWO)
    assert "<b>2</b> added" in answer.text
    assert "Choose a file, or put its rows" in plant.post_form("/import", text=" ").text
    assert "did not come along" in confirmed(plant, {"content": "%%", "key": "1"}).text


def test_a_file_over_the_limit_of_other_requests_is_taken_and_one_over_its_own_is_not(
    fake_plant: Plant,
) -> None:
    rows = "".join(f"drive-{n},20,{'Talheim' * 20}\n" for n in range(2500))
    assert 256 * 1024 < len(HEAD + rows) < BYTES_MAX
    page = posted(fake_plant, HEAD + rows)
    assert "<b>2500</b> added" in page.text
    assert confirmed(fake_plant, hidden(page.text)).status_code == 303
    assert len(fake_plant.ports.register.drives()) == 2500
    assert posted(fake_plant, "x" * 1_300_000).status_code == 413


def test_a_chain_and_a_baseline_go_with_their_drive(plant: Plant) -> None:
    drive = Drive(drive_id="saw-1", whole_pitches=20)
    chain = Chain(
        chain_id="saw-1-a", drive_id="saw-1", designation="16B-1", pitch_mm=25.4, fitted_ns=A_CHAIN.fitted_ns
    )
    baseline = Baseline(
        chain_id="saw-1-a", pitches_between=20.25, pitches_between_u=0.01, elongation_pct=0.075, elongation_u_pct=0.043,
        taken_ns=A_CHAIN.fitted_ns + 1, recorded_ns=A_CHAIN.fitted_ns + 1, recorded_by="", why="new",
    )  # fmt: skip
    text = write_csv([Registration(drive, chain, baseline)])
    page = posted(plant, text).text
    assert "Puts chain <b>saw-1-a</b> on" in page
    assert "N0 = 20.25" in page
    confirmed(plant, hidden(page))
    assert plant.ports.register.chains("saw-1") == [chain]
    [stored] = plant.ports.register.baselines("saw-1-a")
    assert stored == replace(baseline, recorded_by="web testclient")
