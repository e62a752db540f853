"""The page of what people did: changes and answers to alerts as one list, page by page, each once."""

import re

import pytest

from service.adapters.web import audit_view
from service.adapters.web.audit_view import page_of
from service.core.alert import Event
from service.core.audit import AuditEntry
from service.core.drive import Drive
from tests.adapters.web.alerted import K, happen, occur, with_drives
from tests.adapters.web.plant import NOW_NS, Plant
from tests.contracts.given import S

WEEK_NS = 7 * 86_400 * S


def entry(plant: Plant, at_ns: int, what: str = "drive changed", by: str = "h.brandt") -> None:
    plant.ports.audit_log.record(AuditEntry(at_ns=at_ns, by=by, what=what, subject="drive saw-1"))


def test_answers_to_alerts_stand_among_the_changes(plant: Plant) -> None:
    with_drives(plant)
    occur(plant)
    happen(plant, "kiln-car-2", K.NEAR, Event.ACKNOWLEDGE, by="m.kern", at_ns=NOW_NS - 50 * S)
    happen(
        plant, "kiln-car-2", K.NEAR, Event.SHELVE, by="m.kern", why="chain <b>is</b> on its way",
        until_ns=NOW_NS + WEEK_NS, at_ns=NOW_NS - 30 * S,
    )  # fmt: skip
    entry(plant, NOW_NS - 40 * S)
    page = plant.page("/audit")
    rows = [
        " ".join(re.sub("<[^>]+>", " ", row).split()) for row in re.findall("<tr>(.*?)</tr>", page, re.DOTALL)
    ]
    assert [next(word for word in ("shelved", "drive changed", "acknowledged") if word in row) for row in rows[1:]] == [
        "shelved", "drive changed", "acknowledged",
    ]  # fmt: skip
    assert "until 17 Sep 2026" in rows[1]
    assert "chain &lt;b&gt;is" in page
    assert 'href="/alerts/kiln-car-2.near"' in page
    assert "occurred" not in page.split("<main", 1)[1]


def test_answers_are_found_by_who_and_by_alert(plant: Plant) -> None:
    with_drives(plant)
    occur(plant)
    happen(plant, "kiln-car-2", K.NEAR, Event.ACKNOWLEDGE, by="m.kern")
    entry(plant, NOW_NS)
    assert "m.kern" in plant.page("/audit?by=m.kern").split("<tbody", 1)[1]
    assert "m.kern" not in plant.page("/audit?by=h.brandt")
    assert "h.brandt" not in plant.page("/audit?subject=alert%20kiln-car-2.near")
    assert "m.kern" in plant.page("/audit?subject=alert%20kiln-car-2.near")
    assert "m.kern" not in plant.page("/audit?subject=drive%20saw-1")


def test_turning_pages_shows_each_change_and_each_answer_once(
    plant: Plant, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(audit_view, "ENTRIES_SHOWN", 3)
    plant.ports.register.add_drive(Drive(drive_id="kiln-car-2"))
    occur(plant, at_ns=NOW_NS)
    for number in range(8):
        entry(plant, NOW_NS + number * 10 * S, what=f"change {number}")
    for number in range(-1, 9):
        happen(
            plant, "kiln-car-2", K.NEAR, Event.COMMENT, by="m.kern", why=f"comment {number}",
            at_ns=NOW_NS + (number * 10 + (5 if number % 2 else 0)) * S,
        )  # fmt: skip
    seen, before = [], None
    for _ in range(10):
        page = page_of(plant.ports.audit_log, plant.ports.alert_log, before=before)
        assert [each.at_ns for each in page.done] == sorted((each.at_ns for each in page.done), reverse=True)
        seen += [
            each.entry.what if each.entry else each.answer.act.why if each.answer else ""
            for each in page.done
        ]
        if page.older is None:
            break
        before = page.older
    assert sorted(seen) == sorted(
        [*(f"change {n}" for n in range(8)), *(f"comment {n}" for n in range(-1, 9))]
    )


def test_answers_that_are_left_out_are_told(plant: Plant, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(audit_view, "ANSWERS_SHOWN", 2)
    plant.ports.register.add_drive(Drive(drive_id="kiln-car-2"))
    occur(plant)
    for number in range(3):
        happen(plant, "kiln-car-2", K.NEAR, Event.COMMENT, by="m.kern", why=f"comment {number}")
    page = plant.page("/audit")
    assert "comment 0" not in page
    assert "comment 2" in page
    assert "Not all answers to alerts are shown" in page
