"""What every adapter of the port `Register` keeps to."""

from collections.abc import Callable, Iterator
from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from service.core.audit import AuditEntry
from service.core.drive import Chain, Drive
from service.ports import ConflictError, NotFoundError, Register, RegisterChange
from tests.contracts.given import A_BASELINE, A_CHAIN, A_DRIVE, ALL_STORES, NOON_NS, S, a_store

pytestmark = pytest.mark.parametrize("kind", ALL_STORES)


@pytest.fixture
def register(kind: str) -> Iterator[Register]:
    with a_store(kind) as store:
        yield store.register


@pytest.fixture
def filled(register: Register) -> Register:
    """A drive with a chain on it."""
    register.add_drive(A_DRIVE)
    register.fit_chain(A_CHAIN)
    return register


def test_a_drive_comes_back_with_every_field(register: Register) -> None:
    bare = Drive(drive_id="a", whole_pitches=8)
    register.add_drive(A_DRIVE)
    register.add_drive(bare)
    assert register.drives() == [bare, A_DRIVE]
    assert register.drive("press-3") == A_DRIVE


def test_a_drive_may_be_without_sensors_and_get_them_later(register: Register) -> None:
    bare = Drive(drive_id="hoist-1")
    register.add_drive(bare)
    assert register.drives() == [bare]
    register.change_drive(replace(bare, whole_pitches=8))
    assert register.drive("hoist-1").whole_pitches == 8
    register.change_drive(bare)
    assert register.drive("hoist-1") == bare


def test_a_drive_id_is_given_once_even_when_retired(register: Register) -> None:
    register.add_drive(A_DRIVE)
    register.retire_drive("press-3", NOON_NS)
    with pytest.raises(ConflictError, match=r"press-3.*choose another id"):
        register.add_drive(A_DRIVE)


@pytest.mark.parametrize(
    "ask",
    [
        lambda register: register.drive("saw-1"),
        lambda register: register.change_drive(replace(A_DRIVE, drive_id="saw-1")),
        lambda register: register.retire_drive("saw-1", NOON_NS),
        lambda register: register.fit_chain(replace(A_CHAIN, drive_id="saw-1")),
    ],
    ids=["drive", "change_drive", "retire_drive", "fit_chain"],
)
def test_an_unknown_drive_is_named(filled: Register, ask: Callable[[Register], None]) -> None:
    version = filled.version()
    with pytest.raises(NotFoundError, match=r"'saw-1' is not registered"):
        ask(filled)
    assert filled.version() == version


@pytest.mark.parametrize(
    "ask",
    [
        lambda register: register.take_off_chain("saw-1-a", NOON_NS, "worn"),
        lambda register: register.record_baseline(replace(A_BASELINE, chain_id="saw-1-a")),
    ],
    ids=["take_off_chain", "record_baseline"],
)
def test_an_unknown_chain_is_named(filled: Register, ask: Callable[[Register], None]) -> None:
    version = filled.version()
    with pytest.raises(NotFoundError, match=r"'saw-1-a' is not registered"):
        ask(filled)
    assert filled.version() == version


def test_a_changed_drive_has_its_new_settings(filled: Register) -> None:
    changed = replace(A_DRIVE, own_limit_pct=None, fixed_centres=False, note="")
    filled.change_drive(changed)
    assert filled.drives() == [changed]
    assert filled.chains() == [A_CHAIN]


def test_a_retired_drive_leaves_the_list_but_not_the_register(filled: Register) -> None:
    filled.retire_drive("press-3", NOON_NS)
    filled.retire_drive("press-3", NOON_NS + S)
    assert filled.drives() == []
    assert filled.drives(retired=True) == [replace(A_DRIVE, retired_ns=NOON_NS)]
    assert filled.drive("press-3").retired_ns == NOON_NS
    assert filled.chains("press-3") == [A_CHAIN]


def test_a_drive_can_be_taken_back_from_retirement(filled: Register) -> None:
    filled.retire_drive("press-3", NOON_NS)
    filled.change_drive(A_DRIVE)
    assert filled.drives() == [A_DRIVE]


def test_every_change_raises_the_version_and_nothing_else_does(register: Register) -> None:
    changes: list[Callable[[], None]] = [
        lambda: register.add_drive(A_DRIVE),
        lambda: register.change_drive(replace(A_DRIVE, note="")),
        lambda: register.fit_chain(A_CHAIN),
        lambda: register.record_baseline(A_BASELINE),
        lambda: register.take_off_chain("press-3-a", NOON_NS + S, "worn"),
        lambda: register.retire_drive("press-3", NOON_NS),
    ]
    versions = [register.version()]
    for change in changes:
        change()
        versions.append(register.version())
    assert sorted(set(versions)) == versions
    register.change_drive(register.drive("press-3"))
    register.retire_drive("press-3", NOON_NS + S)
    with pytest.raises(ConflictError):
        register.take_off_chain("press-3-a", NOON_NS + 2 * S, "again")
    with pytest.raises(ConflictError):
        register.add_drive(A_DRIVE)
    assert register.version() == versions[-1]


# Chains


def test_chains_come_by_the_time_they_were_fitted(filled: Register) -> None:
    filled.add_drive(replace(A_DRIVE, drive_id="saw-1"))
    filled.take_off_chain("press-3-a", NOON_NS + 9 * S, "worn, 2.1 %")
    later = replace(A_CHAIN, chain_id="b", fitted_ns=NOON_NS + 9 * S)
    earlier = replace(
        A_CHAIN, chain_id="c", fitted_ns=NOON_NS - 9 * S, removed_ns=NOON_NS, removed_why="broke"
    )
    other = replace(A_CHAIN, chain_id="d", drive_id="saw-1", fitted_ns=NOON_NS + 5 * S)
    for chain in (later, earlier, other):
        filled.fit_chain(chain)
    first = replace(A_CHAIN, removed_ns=NOON_NS + 9 * S, removed_why="worn, 2.1 %")
    assert filled.chains() == [earlier, first, other, later]
    assert filled.chains("press-3") == [earlier, first, later]
    assert filled.chains("nothing") == []


def test_a_chain_id_is_given_once_in_the_register(filled: Register) -> None:
    filled.add_drive(replace(A_DRIVE, drive_id="saw-1"))
    with pytest.raises(ConflictError, match=r"'press-3-a' is registered already"):
        filled.fit_chain(replace(A_CHAIN, drive_id="saw-1"))


def test_a_second_chain_is_refused_while_one_is_on(filled: Register) -> None:
    with pytest.raises(ConflictError, match=r"has chain 'press-3-a' on at that time.*take it off first"):
        filled.fit_chain(replace(A_CHAIN, chain_id="b", fitted_ns=NOON_NS + S))
    assert filled.chains() == [A_CHAIN]


stretch = st.tuples(st.integers(1, 12), st.integers(1, 6) | st.none())


@settings(deadline=None, max_examples=30)
@given(st.lists(stretch, min_size=1, max_size=6))
def test_a_drive_has_one_chain_at_a_time(kind: str, stretches: list[tuple[int, int | None]]) -> None:
    """Checked hour by hour: a chain goes on where no other is on in any hour of its own."""
    forever = 40
    taken: set[int] = set()
    with a_store(kind) as store:
        store.register.add_drive(A_DRIVE)
        for number, (start, length) in enumerate(stretches):
            hours = set(range(start, forever if length is None else start + length))
            end_ns = None if length is None else (start + length) * 3600 * S
            chain = replace(A_CHAIN, chain_id=str(number), fitted_ns=start * 3600 * S, removed_ns=end_ns)
            if hours & taken:
                with pytest.raises(ConflictError):
                    store.register.fit_chain(chain)
            else:
                store.register.fit_chain(chain)
                taken |= hours


def test_a_chain_is_taken_off_once(filled: Register) -> None:
    filled.take_off_chain("press-3-a", NOON_NS + S, "worn")
    with pytest.raises(ConflictError, match="taken off already"):
        filled.take_off_chain("press-3-a", NOON_NS + 2 * S, "again")
    (chain,) = filled.chains()
    assert (chain.removed_ns, chain.removed_why) == (NOON_NS + S, "worn")


@pytest.mark.parametrize("at_ns", [NOON_NS - S, NOON_NS])
def test_a_chain_is_not_taken_off_before_it_was_fitted(filled: Register, at_ns: int) -> None:
    with pytest.raises(ConflictError, match=rf"fitted at {NOON_NS} ns: give a later time"):
        filled.take_off_chain("press-3-a", at_ns, "worn")
    assert filled.chains() == [A_CHAIN]


# Baselines


def test_baselines_come_by_the_time_they_were_taken_then_recorded(filled: Register) -> None:
    corrected = replace(A_BASELINE, recorded_ns=NOON_NS + 9 * S, pitches_between=20.25, why="misread")
    older = replace(A_BASELINE, taken_ns=NOON_NS, recorded_ns=NOON_NS + 10 * S)
    for baseline in (corrected, A_BASELINE, older):
        filled.record_baseline(baseline)
    assert filled.baselines() == [older, A_BASELINE, corrected]
    assert filled.baselines("press-3-a") == [older, A_BASELINE, corrected]
    assert filled.baselines("other") == []


def test_the_chain_of_a_drive_may_be_any(filled: Register) -> None:
    bare = Chain(chain_id="free", drive_id="saw-1", designation="", pitch_mm=80.0, fitted_ns=NOON_NS)
    filled.add_drive(Drive(drive_id="saw-1", whole_pitches=9))
    filled.fit_chain(bare)
    assert filled.chains("saw-1") == [bare]


def test_a_drive_that_is_not_what_it_was_is_not_changed(register: Register) -> None:
    register.add_drive(A_DRIVE)
    first, second = replace(A_DRIVE, name="Feed"), replace(A_DRIVE, note="greased")
    register.change_drive(first, was=A_DRIVE)
    version = register.version()
    with pytest.raises(ConflictError, match="look at it again"):
        register.change_drive(second, was=A_DRIVE)
    assert (register.drive(A_DRIVE.drive_id), register.version()) == (first, version)
    register.change_drive(second, was=first)
    assert register.drive(A_DRIVE.drive_id) == second


# Many at once

SAW = replace(A_DRIVE, drive_id="saw-1", note="")
MANY = [
    RegisterChange(SAW),
    RegisterChange(replace(A_DRIVE, name="Another name")),
    RegisterChange(replace(A_CHAIN, chain_id="saw-1-a", drive_id="saw-1")),
    RegisterChange(replace(A_BASELINE, chain_id="saw-1-a")),
]


def test_many_changes_are_made_in_their_order(filled: Register) -> None:
    before = filled.version()
    filled.change_many(MANY, version=before)
    assert filled.version() > before
    assert [each.name for each in filled.drives()] == ["Another name", SAW.name]
    assert [each.chain_id for each in filled.chains("saw-1")] == ["saw-1-a"]
    assert filled.baselines("saw-1-a") == [replace(A_BASELINE, chain_id="saw-1-a")]


@pytest.mark.parametrize(
    "last",
    [
        RegisterChange(replace(A_CHAIN, chain_id="press-3-b")),
        RegisterChange(replace(A_CHAIN, chain_id="nail-1-a", drive_id="nail-1")),
        RegisterChange(replace(A_BASELINE, chain_id="nail-1-a")),
    ],
    ids=["beside another chain", "on no drive", "of no chain"],
)
def test_of_many_changes_none_is_made_where_one_cannot_be(filled: Register, last: RegisterChange) -> None:
    before = (filled.version(), filled.drives(), filled.chains(), filled.baselines())
    with pytest.raises((ConflictError, NotFoundError)):
        filled.change_many([*MANY, last], version=filled.version())
    assert (filled.version(), filled.drives(), filled.chains(), filled.baselines()) == before


def test_many_changes_to_a_register_of_another_version_are_refused(filled: Register) -> None:
    version = filled.version()
    filled.add_drive(replace(SAW, drive_id="nail-1"))
    with pytest.raises(ConflictError, match=r"changed meanwhile.*look at it again"):
        filled.change_many(MANY, version=version)
    assert [each.drive_id for each in filled.drives()] == ["nail-1", "press-3"]


def test_a_drive_that_is_so_already_among_many_raises_no_version(filled: Register) -> None:
    version = filled.version()
    filled.change_many([RegisterChange(A_DRIVE)], version=version)
    assert filled.version() == version


@pytest.mark.parametrize("fails", [False, True])
def test_many_changes_stand_in_the_audit_log_each_and_as_a_whole_or_not_at_all(
    kind: str,
    fails: bool,  # noqa: FBT001 - given by parametrize
) -> None:
    def said(what: str) -> AuditEntry:
        return AuditEntry(at_ns=NOON_NS, by="h.brandt", what=what, subject="register")

    with a_store(kind) as store:
        changes = [RegisterChange(A_DRIVE, said("one"))]
        if fails:
            changes.append(RegisterChange(replace(A_CHAIN, drive_id="nail-1"), said("another")))
            with pytest.raises(NotFoundError):
                store.register.change_many(changes, version=0, entry=said("all"))
        else:
            store.register.change_many(changes, version=store.register.version(), entry=said("all"))
        found = [each.what for each in store.audit_log.entries()]
    assert found == ([] if fails else ["all", "one"])
