"""What was done to a drive: what has to be said with each kind."""

from dataclasses import replace
from typing import Any

import pytest

from service.core.fields import FieldsRefusedError
from service.core.upkeep import Upkeep, UpkeepKind

DONE = Upkeep(drive_id="a", kind=UpkeepKind.LUBRICATED, at_ns=5, by="K", recorded_ns=6)


def test_what_was_struck_does_not_count() -> None:
    assert DONE.counts
    assert not replace(DONE, struck_ns=9).counts


@pytest.mark.parametrize(
    ("field", "wrong", "fix"),
    [
        ({"kind": UpkeepKind.LUBRICANT_CHANGED}, "lubricant", "which lubricant"),
        ({"kind": UpkeepKind.METHOD_CHANGED}, "note", "what was done"),
        ({"kind": UpkeepKind.OTHER}, "note", "what was done"),
        ({"kind": "oiled"}, "kind", "lubricant_changed"),
        ({"at_ns": -1}, "at_ns", "nanoseconds"),
        ({"lubricant": "a\nb"}, "lubricant", "take them out"),
    ],
)
def test_what_cannot_be_is_refused_with_the_fix(field: dict[str, Any], wrong: str, fix: str) -> None:
    with pytest.raises(FieldsRefusedError) as refused:
        replace(DONE, **field)
    assert set(refused.value.problems) == {wrong}
    assert fix in refused.value.problems[wrong]
