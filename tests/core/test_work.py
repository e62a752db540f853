"""Work in hand and notes: what is refused, and when work counts as open."""

from typing import Any

import pytest

from service.core.fields import FieldsRefusedError
from service.core.work import Note, Work, WorkKind

BASE: dict[str, Any] = {
    "drive_id": "press-3",
    "kind": WorkKind.REPAIR,
    "since_ns": 100,
    "by": "M. Brandt",
    "why": "new bearings",
    "recorded_ns": 120,
}
NOTE: dict[str, Any] = {
    "site": "Talheim",
    "text": "oil is low",
    "true_ns": 1,
    "recorded_ns": 2,
    "by": "M. Brandt",
}


@pytest.mark.parametrize(
    ("wrong", "told"),
    [
        ({"drive_id": "Press 3"}, "drive_id"),
        ({"kind": "repair"}, "kind: give one of commissioning, inspection"),
        ({"why": ""}, "why: say what is being done"),
        ({"closed_ns": 99}, "closed_ns: it was done before it was begun"),
        ({"by": " x"}, "by"),
        ({"since_ns": -1}, "since_ns"),
        ({"work_order": "a\nb"}, "work_order"),
    ],
)
def test_work_that_cannot_be_is_refused_with_its_field(wrong: dict[str, Any], told: str) -> None:
    with pytest.raises(FieldsRefusedError, match=told):
        Work(**BASE | wrong)


def test_work_is_open_from_when_it_was_recorded_until_its_end_was() -> None:
    work = Work(**BASE, closed_ns=150, closed_recorded_ns=200, closed_by="A. Vogt")
    assert [work.open_at(t_ns) for t_ns in (100, 119, 120, 150, 199, 200)] == [
        False, False, True, True, True, False,
    ]  # fmt: skip
    assert not work.is_open
    assert Work(**BASE).is_open
    assert Work(**BASE).open_at(10**18)


@pytest.mark.parametrize(
    ("wrong", "told"),
    [({"text": ""}, "write something"), ({"drive_id": "X Y"}, "drive_id"), ({"site": "a\nb"}, "site")],
)
def test_a_note_that_cannot_be_is_refused(wrong: dict[str, Any], told: str) -> None:
    with pytest.raises(FieldsRefusedError, match=told):
        Note(**NOTE | wrong)
    assert Note(**NOTE).drive_id == ""
