"""What an entry of the audit log holds: what differs, and no secret."""

from dataclasses import dataclass, replace
from enum import StrEnum
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.core.audit import AuditEntry, entry_of
from service.core.fields import FieldsRefusedError
from service.core.people import Role


class Colour(StrEnum):
    RED = "red"


@dataclass(frozen=True)
class Thing:
    name: str = "a"
    count: int = 1
    role: Role = Role.VIEWER
    colour: Colour = Colour.RED
    sites: tuple[str, ...] = ()
    password_hash: str = ""
    secret: str = ""


THINGS = st.builds(
    Thing,
    name=st.text(max_size=5),
    count=st.integers(0, 3),
    role=st.sampled_from(Role),
    password_hash=st.text(),
)
SAID: dict[str, Any] = {"at_ns": 1, "by": "m.brandt", "what": "thing changed", "subject": "thing a"}


@given(old=THINGS, new=THINGS)
def test_only_what_differs_is_told_with_both_values(old: Thing, new: Thing) -> None:
    entry = entry_of(**SAID, old=old, new=new)
    differs = {name for name in ("name", "count", "role") if getattr(old, name) != getattr(new, name)}
    assert set(entry.old) == set(entry.new) == differs
    assert all(entry.new[name] == getattr(new, name) for name in differs - {"role"})


def test_what_was_added_or_removed_is_told_in_full() -> None:
    values = {"name": "a", "count": 1, "role": "viewer", "colour": "red", "sites": ""}
    assert entry_of(**SAID, new=Thing()).new == values
    assert entry_of(**SAID, new=Thing()).old == {}
    assert entry_of(**SAID, old=Thing()).old == values


@given(THINGS)
def test_a_secret_is_never_told(thing: Thing) -> None:
    changed = replace(thing, secret=thing.name + "1", password_hash=thing.name, name="b")
    for entry in (entry_of(**SAID, new=thing), entry_of(**SAID, old=thing, new=changed)):
        assert not {name for name in {**entry.old, **entry.new} if "secret" in name or "password" in name}


def test_a_list_and_a_long_text_are_told_so_that_they_can_be_read() -> None:
    entry = entry_of(**SAID, new={"sites": ("Talheim", "Lauf"), "note": "x" * 5000})
    assert entry.new["sites"] == "Talheim, Lauf"
    assert len(str(entry.new["note"])) == 4000


@pytest.mark.parametrize("field", ["by", "what", "subject"])
def test_an_entry_says_who_did_what_to_what(field: str) -> None:
    with pytest.raises(FieldsRefusedError, match=field):
        AuditEntry(**SAID | {field: ""})


def test_what_has_no_fields_is_a_mistake_of_ours() -> None:
    with pytest.raises(TypeError, match="int"):
        entry_of(**SAID, new=3)
