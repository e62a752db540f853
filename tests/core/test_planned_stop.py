"""Planned stops: whom they cover, and what is none."""

from dataclasses import replace
from typing import Any

import pytest

from service.core.drive import Drive
from service.core.fields import FieldsRefusedError
from service.core.planned_stop import DAY_NS, PlannedStop, stops_of

DRIVE = Drive(drive_id="press-3", site="Talheim", area="Presses", line="3")
STOP = PlannedStop(
    name="August", site="Talheim", starts_ns=10 * DAY_NS, ends_ns=12 * DAY_NS, by="H. Brandt", recorded_ns=0
)


@pytest.mark.parametrize(
    ("place", "covers"),
    [
        ({"site": ""}, True),
        ({"site": "Talheim"}, True),
        ({"area": "Presses", "line": "3"}, True),
        ({"site": "", "line": "3"}, True),
        ({"line": "4"}, False),
        ({"site": "Elsewhere"}, False),
        ({"area": "Kilns"}, False),
    ],
)
def test_what_is_left_empty_is_all_of_it(place: dict[str, str], *, covers: bool) -> None:
    assert replace(STOP, **place).covers(DRIVE) is covers  # type: ignore[arg-type]


def test_the_stops_of_a_drive_come_by_start_and_only_those_to_come() -> None:
    early, late = replace(STOP, number=1), replace(STOP, starts_ns=11 * DAY_NS, number=2)
    other, past = replace(STOP, line="4", number=3), replace(STOP, starts_ns=DAY_NS, number=4)
    assert stops_of(DRIVE, [late, other, past, early], 2 * DAY_NS) == (early, late)
    assert stops_of(DRIVE, [early], early.starts_ns) == ()


def test_a_stop_says_where_it_is() -> None:
    assert replace(STOP, area="Presses", line="3").place == "Talheim / Presses / 3"
    assert replace(STOP, site="").place == "everywhere"


@pytest.mark.parametrize(
    ("fields", "said"),
    [
        ({"name": ""}, "give the stop a name"),
        ({"ends_ns": 10 * DAY_NS}, "ends before it starts"),
        ({"ends_ns": 1000 * DAY_NS}, "over a year"),
        ({"starts_ns": -1}, "not within"),
        ({"note": "x" * 5000}, "too many"),
    ],
)
def test_what_is_no_stop_is_refused(fields: dict[str, Any], said: str) -> None:
    with pytest.raises(FieldsRefusedError, match=said):
        replace(STOP, **fields)
