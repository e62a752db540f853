"""Shifts that hand over: frozen to the second, also late; signed and never changed; nothing falls between two of them."""

import random
import threading
from collections.abc import Iterator, Sequence
from contextlib import ExitStack
from dataclasses import replace
from datetime import UTC, datetime, time
from itertools import pairwise
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from service import hand_over
from service.core.alert import Act, Event, advance, applied, begin
from service.core.fields import FieldsRefusedError
from service.core.handover import Content, Handover, SignRole
from service.core.prognosis import Outcome
from service.core.reading import NotMeasured
from service.core.setpoint import ConditionKind, Facts
from service.core.shift import Pattern, Shift, Site, Slot
from service.core.work import WorkKind
from service.hand_over import LINKLAG, ROUTES, HandOver
from service.ports import (
    ConflictError,
    DeviceState,
    KeptPrognosis,
    NotFoundError,
    Span,
    StoreUnavailableError,
)
from tests.contracts.given import (
    A_BASELINE,
    A_CHAIN,
    A_DRIVE,
    A_HAND_VALUE,
    FAKE,
    SQLITE,
    STORES,
    Ports,
    S,
    a_store,
)
from tests.contracts.given import a_reading as reading_at_noon
from tests.fakes import FakeReadings

MIN = 60 * S
H = 60 * MIN
WEEKDAYS = frozenset(range(1, 6))
SITE = Site(
    site="Talheim",
    zone="Europe/Berlin",
    pattern=Pattern(
        (
            Slot(name="Early", starts=time(6), ends=time(14)),
            Slot(name="Late", starts=time(14), ends=time(22)),
            Slot(name="Night", starts=time(22), ends=time(6)),
        )
    ),
)


def utc(text: str) -> int:
    return int(datetime.fromisoformat(text).replace(tzinfo=UTC).timestamp()) * S


EARLY_NS = (utc("2026-09-10T04:00:00"), utc("2026-09-10T12:00:00"))  # 06:00 to 14:00 in Berlin
OLD_CHAIN = replace(A_CHAIN, fitted_ns=EARLY_NS[0] - 90 * 24 * H)


@pytest.fixture(params=STORES)
def ports(request: pytest.FixtureRequest) -> Iterator[Ports]:
    """A store in which press-3 of Talheim has a chain, and Talheim three shifts."""
    with a_store(request.param) as store:
        store.register.add_drive(A_DRIVE)
        store.register.fit_chain(OLD_CHAIN)
        store.register.record_baseline(
            replace(A_BASELINE, taken_ns=OLD_CHAIN.fitted_ns, recorded_ns=OLD_CHAIN.fitted_ns)
        )
        store.sites.put(SITE)
        yield store


@pytest.fixture
def door(ports: Ports) -> HandOver:
    return HandOver(ports)


def happen(ports: Ports, event: Event, t_ns: int, *, recorded_ns: int | None = None, **more: Any) -> None:
    """Record a transition of the alert near the limit of press-3."""
    alert = ports.alert_log.alert("press-3.near") or begin("press-3", ConditionKind.NEAR)
    told = Facts(cause="Elongation is 2.7 %", mend="Plan the change.") if event is Event.OCCUR else None
    act = Act(event=event, true_ns=t_ns, recorded_ns=recorded_ns or t_ns, facts=told, **more)
    step = advance(alert, act)
    ports.alert_log.record(step, applied(alert, step))


def ran(ports: Ports, from_ns: int, to_ns: int, start_pct: float, end_pct: float, **more: Any) -> None:
    """Store a reading a minute of a chain that wears evenly, and bring the roll-ups up to date."""
    count = (to_ns - from_ns) // MIN
    for n in range(1, count + 1):
        t_ns = from_ns + n * MIN
        pct = start_pct + (end_pct - start_pct) * n / count
        one = replace(reading_at_noon(0, pct, seq=n), t_ns=t_ns, t0_ns=t_ns - 10 * S, **more)
        ports.readings.store([one])
    while ports.readings.roll_up():
        pass


def due(door: HandOver, t_ns: int) -> list[Handover]:
    return door.freeze_due(t_ns, after_s=60)


def told(handover: Handover) -> Content:
    return handover.told


def frozen(door: HandOver, to_ns: int) -> Handover:
    """The one handover that is due a minute after an end."""
    (found,) = due(door, to_ns + MIN)
    return found


# To the second


@pytest.mark.parametrize(
    ("from_utc", "to_utc", "name"),
    [
        ("2026-03-28T21:00:00", "2026-03-29T04:00:00", "Night"),  # clocks go forward: 7 h
        ("2026-10-24T20:00:00", "2026-10-25T05:00:00", "Night"),  # and back: 9 h
        ("2026-12-31T21:00:00", "2027-01-01T05:00:00", "Night"),  # over midnight, and the year
        ("2026-09-10T04:00:00", "2026-09-10T12:00:00", "Early"),
    ],
)
def test_a_shift_is_frozen_at_its_end_and_covers_it_to_the_nanosecond(
    door: HandOver, from_utc: str, to_utc: str, name: str
) -> None:
    from_ns, to_ns = utc(from_utc), utc(to_utc)
    due(door, from_ns + MIN)  # the shift before
    for t_ns in (from_ns, from_ns + 1, to_ns, to_ns + 1):
        door.add_note("Talheim", f"at {t_ns}", at_ns=t_ns, by="M. Brandt")
    assert due(door, to_ns + MIN - 1) == []
    handover = frozen(door, to_ns)
    head = handover.head
    assert (head.shift, head.from_ns, head.to_ns, head.frozen_by) == (name, from_ns, to_ns, LINKLAG)
    assert [row["text"] for row in told(handover)["notes"]] == [f"at {from_ns + 1}", f"at {to_ns}"]
    assert due(door, to_ns + 2 * MIN) == []  # once


def test_a_year_of_shifts_is_frozen_one_after_the_other_without_gap_or_overlap(
    door: HandOver,
) -> None:
    """Every hour somebody looks; of the nights in which clocks change one is 7 h long and one 9 h."""
    first, last = utc("2026-10-20T00:00:00"), utc("2026-11-02T00:00:00")
    found = [each.head for t_ns in range(first, last, H) for each in due(door, t_ns + MIN)]
    found += [
        each.head
        for t_ns in range(utc("2027-03-22T00:00:00"), utc("2027-04-02T00:00:00"), H)
        for each in due(door, t_ns + MIN)
    ]
    hours = [(head.to_ns - head.from_ns) // H for head in found if head.shift == "Night"]
    assert (hours.count(9), hours.count(7)) == (1, 1)
    pairs = [(a, b) for a, b in pairwise(found) if b.from_ns - a.to_ns < 24 * H]
    assert len(pairs) > 60
    assert all(a.to_ns == b.from_ns for a, b in pairs)


# Late


def test_a_late_event_shows_in_the_next_handover_and_is_marked_late(ports: Ports, door: HandOver) -> None:
    from_ns, to_ns = EARLY_NS
    first = frozen(door, to_ns)
    happen(ports, Event.OCCUR, to_ns - H, recorded_ns=to_ns + 2 * MIN)
    value = replace(A_HAND_VALUE, measured_ns=from_ns + H, recorded_ns=to_ns + 3 * MIN)
    ports.hand_values.record(value)
    door.add_note("Talheim", "forgotten", true_ns=from_ns + H, at_ns=to_ns + 4 * MIN, by="M. Brandt")
    assert told(ports.handovers.handover(first.head.number)) == told(first)
    second = told(frozen(door, to_ns + 8 * H))
    for name in ("raised", "hand_values", "notes"):
        assert [row["late"] for row in second[name]] == [True], name
        assert told(first)[name] == []
    third = told(frozen(door, to_ns + 16 * H))
    assert third["raised"] == third["hand_values"] == third["notes"] == []


def test_a_handover_that_is_frozen_late_says_what_was_known_at_its_end(ports: Ports, door: HandOver) -> None:
    """linklag was down at the end of the shift; somebody acknowledged in the next one."""
    from_ns, to_ns = EARLY_NS
    due(door, from_ns + MIN)
    happen(ports, Event.OCCUR, to_ns - H)
    happen(ports, Event.ACKNOWLEDGE, to_ns + H, by="A. Vogt")
    work = door.open_work(
        "press-3", kind=WorkKind.REPAIR, why="bearings", at_ns=to_ns - 2 * H, by="M. Brandt"
    )
    door.close_work(work.work_id, at_ns=to_ns + H, by="A. Vogt")
    (first,) = due(door, to_ns + 3 * H)
    content = told(first)
    assert [row["state"] for row in content["standing"]] == ["unacknowledged"]
    assert [row["open"] for row in content["work"]] == [True]
    (second,) = due(door, to_ns + 8 * H + MIN)
    assert [row["state"] for row in told(second)["standing"]] == ["acknowledged"]
    assert [(row["open"], row["closed_by"]) for row in told(second)["work"]] == [(False, "A. Vogt")]


def test_after_days_away_the_last_twelve_shifts_are_frozen_and_nothing_is_left_out(
    door: HandOver,
) -> None:
    _, to_ns = EARLY_NS
    due(door, to_ns + MIN)
    door.add_note("Talheim", "long ago", at_ns=to_ns + H, by="M. Brandt")
    later = due(door, to_ns + 10 * 24 * H + MIN)
    assert len(later) == 12
    assert [row["text"] for row in told(later[0])["notes"]] == ["long ago"]
    assert told(later[0])["covers_from"] == "2026-09-10T12:00:00.000000Z"
    assert all(each.told["notes"] == [] for each in later[1:])


def test_what_happens_between_shifts_is_in_the_next_one(ports: Ports, door: HandOver) -> None:
    """No shift works on the weekend of 12 September 2026."""
    ports.sites.put(
        replace(SITE, pattern=Pattern((Slot(name="Day", starts=time(6), ends=time(14), days=WEEKDAYS),)))
    )
    friday, monday = utc("2026-09-11T12:00:00"), utc("2026-09-14T12:00:00")
    frozen(door, friday)
    door.add_note("Talheim", "on Sunday", at_ns=friday + 40 * H, by="M. Brandt")
    content = told(frozen(door, monday))
    assert (content["from"], content["covers_from"]) == (
        "2026-09-14T04:00:00.000000Z",
        "2026-09-11T12:00:00.000000Z",
    )
    assert [(row["text"], row["late"]) for row in content["notes"]] == [("on Sunday", False)]


def test_a_site_that_never_had_a_handover_gets_that_of_its_last_shift(door: HandOver) -> None:
    (only,) = due(door, EARLY_NS[1] + 5 * H)
    assert (only.head.from_ns, only.head.to_ns) == EARLY_NS


def test_a_site_without_shifts_freezes_nothing_by_itself(ports: Ports, door: HandOver) -> None:
    ports.sites.put(Site(site="Talheim"))
    assert due(door, EARLY_NS[1] + 5 * H) == []


# Signed


def test_a_signed_handover_never_changes_whatever_comes_after(ports: Ports, door: HandOver) -> None:
    from_ns, to_ns = EARLY_NS
    ran(ports, to_ns - 20 * MIN, to_ns, 0.80, 0.81)
    first = frozen(door, to_ns)
    number = first.head.number
    door.sign(number, role=SignRole.GIVER, name="M. Brandt", at_ns=to_ns + 2 * MIN, by="brandt")
    door.sign(number, role=SignRole.TAKER, name="A. Vogt", read_back=True, at_ns=to_ns + 3 * MIN, by="vogt")
    signed = door.shown(number)
    happen(ports, Event.OCCUR, to_ns - H, recorded_ns=to_ns + H)
    ran(ports, to_ns - 60 * MIN, to_ns - 30 * MIN, 2.0, 2.1, device_id="late")
    ports.register.take_off_chain(OLD_CHAIN.chain_id, to_ns - 2 * H, "entered late")
    ports.register.change_drive(replace(A_DRIVE, name="Renamed", own_limit_pct=0.5))
    ports.sites.put(Site(site="Talheim", zone="UTC"))
    again, new = door.freeze("Talheim", from_ns=from_ns, to_ns=to_ns, at_ns=to_ns + 2 * H, by="brandt")
    assert not new
    assert again == first
    assert door.shown(number) == signed
    assert first.intact
    assert {each.sha256 for each in signed.signatures} == {first.head.sha256}
    for role in SignRole:
        with pytest.raises(ConflictError, match="signed already"):
            door.sign(number, role=role, name="Somebody", read_back=True, at_ns=to_ns + 3 * H, by="x")


def test_the_giver_signs_first_and_another_person_takes(ports: Ports, door: HandOver) -> None:
    number = frozen(door, EARLY_NS[1]).head.number
    how: dict[str, Any] = {"at_ns": EARLY_NS[1] + 2 * MIN, "by": "x"}
    with pytest.raises(ConflictError, match="the giver has not signed yet"):
        door.sign(number, role=SignRole.TAKER, name="A. Vogt", read_back=True, **how)
    door.sign(number, role=SignRole.GIVER, name="M. Brandt", remark="quiet", **how)
    with pytest.raises(FieldsRefusedError, match="read it back"):
        door.sign(number, role=SignRole.TAKER, name="A. Vogt", **how)
    with pytest.raises(FieldsRefusedError, match="another person takes it"):
        door.sign(number, role=SignRole.TAKER, name="M. Brandt", read_back=True, **how)
    door.sign(number, role=SignRole.TAKER, name="A. Vogt", read_back=True, **how)
    assert [(each.role, each.name) for each in door.shown(number).signatures] == [
        (SignRole.GIVER, "M. Brandt"),
        (SignRole.TAKER, "A. Vogt"),
    ]
    assert [each.what for each in ports.audit_log.entries(subject=f"handover {number}")] == [
        "signed as taker",
        "signed as giver",
    ]
    with pytest.raises(NotFoundError, match="no handover 99"):
        door.sign(99, role=SignRole.GIVER, name="M. Brandt", **how)


def test_a_handover_that_was_tampered_with_is_not_signed(ports: Ports, door: HandOver) -> None:
    stored = frozen(door, EARLY_NS[1])
    head = replace(stored.head, from_ns=stored.head.from_ns + 1, sha256="00" * 32)
    wrong = ports.handovers.freeze(Handover(head, stored.content))
    with pytest.raises(ConflictError, match="is not what was frozen"):
        door.sign(wrong.head.number, role=SignRole.GIVER, name="M. Brandt", at_ns=1, by="x")


def test_the_next_shift_is_told_that_the_handover_before_is_not_signed(door: HandOver) -> None:
    frozen(door, EARLY_NS[1])
    content = told(frozen(door, EARLY_NS[1] + 8 * H))
    assert [row["kind"] for row in content["to_do"]] == ["sign"]


# What is in it


def test_wear_is_told_over_a_stop_at_either_end_and_says_from_when_to_when(
    ports: Ports, door: HandOver
) -> None:
    from_ns, to_ns = EARLY_NS
    ran(ports, from_ns + 2 * H, from_ns + 5 * H, 0.80, 0.83)
    (row,) = told(frozen(door, to_ns))["wear"]
    assert row["gained_pct"] == pytest.approx(0.02, abs=2e-3)
    assert "06:00:00" < row["start"][11:19] <= "07:00:00"
    assert row["end"][11:19] == "09:00:00"


def test_nobody_looks_for_the_ends_of_a_shift_where_nothing_was_measured(
    ports: Ports, door: HandOver, monkeypatch: pytest.MonkeyPatch
) -> None:
    from_ns, to_ns = EARLY_NS
    ran(ports, from_ns + 2 * H, from_ns + 5 * H, 0.80, 0.83)
    asked: list[tuple[int, int]] = []
    raw_of = ports.readings.raw_of

    def noted(spans: Sequence[Span], *more: Any, **named: Any) -> Any:
        asked.extend((each.from_ns, each.to_ns) for each in spans)
        return raw_of(spans, *more, **named)

    monkeypatch.setattr(ports.readings, "raw_of", noted)
    frozen(door, to_ns)
    hours = [(each[0] - from_ns) // H for each in asked if each[0] >= from_ns and each[1] - each[0] == H]
    assert hours == [
        2,
        7,
        4,
    ]  # the first of the shift; the newest, whose roll-ups may be on their way; the last


def lived(store: Ports, name: str, rng: random.Random) -> None:
    """A drive at Talheim that ran and stood, had a chain or two, and was measured by hand, somehow around a shift."""
    from_ns, to_ns = EARLY_NS
    store.register.add_drive(replace(A_DRIVE, drive_id=name))
    fitted_ns = [from_ns - 90 * 24 * H, rng.randrange(from_ns - 2 * H, to_ns)][: rng.randrange(3)]
    for number, each_ns in enumerate(fitted_ns):
        if number:
            store.register.take_off_chain(f"{name}-{number - 1}", each_ns, "worn")
        store.register.fit_chain(
            replace(A_CHAIN, drive_id=name, chain_id=f"{name}-{number}", fitted_ns=each_ns)
        )
    for _ in range(rng.randrange(4)):
        start_ns = rng.randrange(from_ns - 30 * H, to_ns + 2 * H)
        pct = rng.choice([None, 0.8, 1.2])
        reason = NotMeasured.STOPPED if pct is None else None
        u_pct = None if pct is None else 0.01
        store.readings.store(
            [
                replace(
                    reading_at_noon(0, pct, seq=number),
                    drive_id=name,
                    chain_id=f"{name}-{rng.randrange(2)}",
                    t_ns=start_ns + number * MIN,
                    t0_ns=start_ns + (number - 1) * MIN,
                    reason=reason,
                    elongation_u_pct=u_pct,
                )
                for number in range(rng.choice([1, 3, 6, 100, 260]))
            ]
        )
    if fitted_ns and rng.random() < 0.5:
        measured_ns = rng.randrange(from_ns, to_ns + H)
        value = replace(A_HAND_VALUE, drive_id=name, chain_id=f"{name}-0", key=None)
        store.hand_values.record(
            replace(value, measured_ns=measured_ns, recorded_ns=measured_ns + rng.choice([1, 2 * H]))
        )


@settings(deadline=None, max_examples=30)
@given(st.randoms(use_true_random=False), st.sampled_from([1, 2, 100]))
def test_many_drives_looked_at_together_say_what_each_says_by_itself(
    rng: random.Random, at_once: int
) -> None:
    names = [f"press-{number}" for number in range(10, 15)]
    with pytest.MonkeyPatch.context() as patch, a_store(SQLITE) as together, ExitStack() as stack:
        patch.setattr(hand_over, "DRIVES_AT_ONCE", at_once)
        alone = [stack.enter_context(a_store(FAKE)) for _ in names]
        for store, name in zip(alone, names, strict=True):
            seed = rng.getrandbits(32)
            for each in (together, store):
                lived(each, name, random.Random(seed))
        contents = []
        for store in (together, *alone):
            store.sites.put(SITE)
            while store.readings.roll_up():
                pass
            contents.append(told(frozen(HandOver(store), EARLY_NS[1])))
        for part in ("limit", "sensing", "wear", "hand_values", "chains"):
            rows = [row for each in contents[1:] for row in each[part]]
            assert sorted(map(repr, contents[0][part])) == sorted(map(repr, rows))


def test_wear_gained_and_joints_passed_are_those_of_the_shift(ports: Ports, door: HandOver) -> None:
    from_ns, to_ns = EARLY_NS
    ran(ports, from_ns - H, to_ns, 0.80, 0.845)  # 0.045 % in 9 h
    content = told(frozen(door, to_ns))
    (row,) = content["wear"]
    # Means of an hour at both ends: half an hour before the start and half an hour before the end, 8 h apart.
    assert row["gained_pct"] == pytest.approx(0.04, abs=1e-4)
    assert 0 < row["u_pct"] < 0.04
    assert row["readings"] == 480
    assert row["joints"] == 480 * 197
    assert content["said_otherwise"] == []


def test_of_a_chain_that_was_fitted_in_the_shift_the_wear_is_told_from_then_on(
    ports: Ports, door: HandOver
) -> None:
    from_ns, to_ns = EARLY_NS
    ran(ports, from_ns - H, from_ns + H, 2.9, 3.0)
    ports.register.take_off_chain(OLD_CHAIN.chain_id, from_ns + H, "worn")
    ports.register.fit_chain(replace(A_CHAIN, chain_id="press-3-b", fitted_ns=from_ns + 2 * H))
    ran(ports, from_ns + 2 * H, to_ns, 0.05, 0.05, chain_id="press-3-b")
    content = told(frozen(door, to_ns))
    (row,) = content["wear"]
    assert (row["chain_id"], row["gained_pct"]) == ("press-3-b", 0.0)
    assert [(each["what"], each["chain_id"]) for each in content["chains"]] == [
        ("taken_off", "press-3-a"),
        ("fitted", "press-3-b"),
    ]
    assert content["limit"] == []


def test_readings_that_came_late_are_told_as_said_otherwise(ports: Ports, door: HandOver) -> None:
    _, to_ns = EARLY_NS
    ran(ports, to_ns - H, to_ns, 0.80, 0.80)
    first = told(frozen(door, to_ns))
    assert first["wear"][0]["why"] == ""
    ran(ports, to_ns - 30 * MIN, to_ns, 0.90, 0.90, device_id="late")
    ran(ports, to_ns, to_ns + 8 * H, 0.9, 0.9)
    second = told(frozen(door, to_ns + 8 * H))
    (row,) = second["said_otherwise"]
    assert row["said_pct"] == 0.8
    assert row["now_pct"] > 0.82


def test_a_chain_change_entered_late_is_in_the_next_handover(ports: Ports, door: HandOver) -> None:
    from_ns, to_ns = EARLY_NS
    frozen(door, to_ns)
    ports.register.take_off_chain(OLD_CHAIN.chain_id, from_ns + H, "worn")
    ports.register.fit_chain(replace(A_CHAIN, chain_id="press-3-b", fitted_ns=from_ns + 2 * H))
    content = told(frozen(door, to_ns + 8 * H))
    assert [(each["what"], each["chain_id"], each["late"]) for each in content["chains"]] == [
        ("taken_off", "press-3-a", True),
        ("fitted", "press-3-b", True),
    ]


def test_an_old_reading_is_no_elongation_of_another_time(ports: Ports, door: HandOver) -> None:
    """A range of last week does not show what is known only today."""
    from_ns, to_ns = EARLY_NS
    ran(ports, to_ns + H, to_ns + 2 * H, 1.24, 1.24)  # at its limit of 1.25 by now
    content = door.freeze("Talheim", from_ns=from_ns, to_ns=to_ns, at_ns=to_ns + 5 * H, by="x")[0].told
    assert content["limit"] == []
    value = replace(A_HAND_VALUE, measured_ns=to_ns - H, recorded_ns=to_ns + H)
    ports.hand_values.record(value)
    later = door.freeze("Talheim", from_ns=from_ns, to_ns=to_ns + 3 * H, at_ns=to_ns + 5 * H, by="x")[0].told
    assert [(row["drive_id"], row["state"], row["by"]) for row in later["limit"]] == [
        ("press-3", "within_uncertainty", "live")
    ]


def test_work_that_makes_readings_no_witness_is_a_function_check(ports: Ports, door: HandOver) -> None:
    _, to_ns = EARLY_NS
    clean = {f"{sensor}_{what}": 0 for sensor in ("up", "down") for what in ("missed", "extra")}
    ran(ports, to_ns - H, to_ns, 0.80, 0.80, **clean, by_alternation=False)
    assert door.preview("Talheim", at_ns=to_ns)["sensing"] == []
    for kind, what in (
        (WorkKind.COMMISSIONING, "Being commissioned"),
        (WorkKind.SIMULATION, "Simulated data"),
    ):
        work = door.open_work("press-3", kind=kind, why="x", at_ns=to_ns - H, by="M. Brandt")
        (row,) = door.preview("Talheim", at_ns=to_ns)["sensing"]
        assert (row["letter"], row["what"]) == ("C", what)
        door.close_work(work.work_id, at_ns=to_ns - S, by="M. Brandt")
    door.open_work("press-3", kind=WorkKind.REPAIR, why="x", at_ns=to_ns - H, by="M. Brandt")
    assert door.preview("Talheim", at_ns=to_ns)["sensing"] == []


def test_a_device_that_went_offline_is_a_sensing_to_see_to(ports: Ports, door: HandOver) -> None:
    _, to_ns = EARLY_NS
    ran(ports, to_ns - H, to_ns - 10 * MIN, 0.80, 0.80)
    ports.devices.note([DeviceState(drive_id="press-3", online=False, since_ns=to_ns - 9 * MIN)])
    content = told(frozen(door, to_ns))
    assert [(row["letter"], row["what"]) for row in content["sensing"]] == [("F", "The device is offline")]
    assert [row["kind"] for row in content["to_do"]] == ["sensing"]


def test_only_drives_and_notes_of_the_site_are_in_its_handover(ports: Ports, door: HandOver) -> None:
    ports.register.add_drive(replace(A_DRIVE, drive_id="saw-1", site="Adorf"))
    door.open_work("saw-1", kind=WorkKind.LOCKED_OUT, why="x", at_ns=EARLY_NS[0] + H, by="M. Brandt")
    door.add_note("Adorf", "elsewhere", at_ns=EARLY_NS[0] + H, by="M. Brandt")
    content = told(frozen(door, EARLY_NS[1]))
    assert (list(content["drives"]), content["work"], content["notes"]) == (["press-3"], [], [])


# By people


def test_the_shift_that_is_on_can_be_read_before_it_ends(ports: Ports, door: HandOver) -> None:
    from_ns = EARLY_NS[0]
    now_ns = from_ns + 2 * H
    assert door.shift_now(SITE, now_ns) == Shift(name="Early", from_ns=from_ns, to_ns=now_ns)
    happen(ports, Event.OCCUR, from_ns + H)
    content = door.preview("Talheim", at_ns=now_ns)
    assert (content["shift"], content["to"]) == ("Early", "2026-09-10T06:00:00.000000Z")
    assert len(content["raised"]) == 1
    assert content["next_shift"]["from"] == "2026-09-10T12:00:00.000000Z"
    assert ports.handovers.newest() == []


def test_between_shifts_the_time_since_the_last_one_can_be_read(door: HandOver) -> None:
    site = replace(SITE, pattern=Pattern(SITE.pattern.slots[:1]))
    t_ns = EARLY_NS[1] + 3 * H
    assert door.shift_now(site, t_ns) == Shift(name="", from_ns=EARLY_NS[1], to_ns=t_ns)
    bare = Site(site="Talheim")
    assert door.shift_now(bare, t_ns) == Shift(name="", from_ns=t_ns - 24 * H, to_ns=t_ns)


def test_any_range_can_be_frozen_and_a_shift_by_its_bounds_is_that_shift(
    ports: Ports, door: HandOver
) -> None:
    from_ns, to_ns = EARLY_NS
    how: dict[str, Any] = {"at_ns": to_ns + H, "by": "M. Brandt"}
    a_range, new = door.freeze("Talheim", from_ns=from_ns + 1, to_ns=to_ns, **how)
    assert new
    assert a_range.head.shift == ""
    shift, new = door.freeze("Talheim", from_ns=from_ns, to_ns=to_ns, **how)
    assert new
    assert shift.head.shift == "Early"
    assert due(door, to_ns + 2 * H) == []  # it is frozen already
    entries = ports.audit_log.entries(subject="site Talheim")
    assert [(each.what, each.by) for each in entries] == [("handover frozen", "M. Brandt")] * 2


@pytest.mark.parametrize(
    ("from_h", "to_h", "told_"),
    [(8, 0, "must be later than from"), (0, 9.1, "lies ahead of now"), (-24 * 32, 0, "31 days at most")],
)
def test_a_range_that_cannot_be_is_refused(door: HandOver, from_h: float, to_h: float, told_: str) -> None:
    start = EARLY_NS[0]
    with pytest.raises(FieldsRefusedError, match=told_):
        door.freeze(
            "Talheim",
            from_ns=start + int(from_h * H),
            to_ns=start + int(to_h * H),
            at_ns=start + 9 * H,
            by="x",
        )


def test_sites_are_those_that_drives_name_and_those_that_were_set(ports: Ports, door: HandOver) -> None:
    ports.register.add_drive(replace(A_DRIVE, drive_id="saw-1", site="Adorf"))
    ports.register.add_drive(replace(A_DRIVE, drive_id="saw-2", site=""))
    door.put_site(Site(site="Zell"), at_ns=1, by="A. Vogt")
    assert [each.site for each in door.sites()] == ["", "Adorf", "Talheim", "Zell"]
    assert door.site("Adorf") == Site(site="Adorf")
    assert door.site("Talheim") == SITE
    with pytest.raises(NotFoundError, match="no site 'Nowhere'"):
        door.site("Nowhere")
    with pytest.raises(NotFoundError, match="no site 'Nowhere'"):
        door.freeze("Nowhere", from_ns=1, to_ns=2, at_ns=3, by="x")


def test_a_change_of_shifts_is_in_the_audit_log_with_old_and_new(ports: Ports, door: HandOver) -> None:
    changed = replace(SITE, pattern=Pattern(SITE.pattern.slots[:1]))
    door.put_site(changed, at_ns=5, by="A. Vogt", why="summer")
    (entry,) = ports.audit_log.entries(subject="site Talheim")
    assert (entry.what, entry.by, entry.why) == ("shifts changed", "A. Vogt", "summer")
    assert entry.new == {"shifts": "Early 06:00-14:00 on 1,2,3,4,5,6,7"}
    assert "Night 22:00-06:00" in str(entry.old["shifts"])


def test_work_of_one_kind_is_in_hand_once_on_a_drive(ports: Ports, door: HandOver) -> None:
    how: dict[str, Any] = {
        "kind": WorkKind.LOCKED_OUT,
        "why": "guard is off",
        "at_ns": 100,
        "by": "M. Brandt",
    }
    work = door.open_work("press-3", work_order="4711", since_ns=90, **how)
    assert (work.since_ns, work.recorded_ns, work.work_order) == (90, 100, "4711")
    with pytest.raises(ConflictError, match=r"locked out in hand already \(number 1, M\. Brandt\)"):
        door.open_work("press-3", **how)
    door.open_work("press-3", **how | {"kind": WorkKind.OTHER})
    door.open_work("press-3", **how | {"kind": WorkKind.OTHER})
    with pytest.raises(FieldsRefusedError, match="done before it was begun"):
        door.close_work(work.work_id, closed_ns=80, at_ns=200, by="A. Vogt")
    with pytest.raises(FieldsRefusedError, match="lies ahead of now"):
        door.close_work(work.work_id, closed_ns=200 + 11 * MIN, at_ns=200, by="A. Vogt")
    done = door.close_work(work.work_id, why="guard is on", at_ns=200, by="A. Vogt")
    assert ports.work_in_hand.work(work.work_id) == done
    assert not done.is_open
    with pytest.raises(ConflictError, match="closed by A"):
        door.close_work(work.work_id, at_ns=300, by="x")
    with pytest.raises(NotFoundError, match="mill-9"):
        door.open_work("mill-9", **how)
    assert [each.what for each in ports.audit_log.entries(subject="drive press-3")][:2] == [
        "locked out done",
        "other begun",
    ]


def test_a_note_is_of_a_site_or_of_a_drive_of_it(ports: Ports, door: HandOver) -> None:
    ports.register.add_drive(replace(A_DRIVE, drive_id="saw-1", site="Adorf"))
    note = door.add_note("Talheim", "oil", drive_id="press-3", true_ns=50, at_ns=100, by="M. Brandt")
    assert (note.true_ns, note.recorded_ns) == (50, 100)
    (entry,) = ports.audit_log.entries(subject="drive press-3")
    assert (entry.what, entry.by, entry.new) == ("note left", "M. Brandt", {"text": "oil"})
    with pytest.raises(FieldsRefusedError, match="saw-1 is at Adorf, not at Talheim"):
        door.add_note("Talheim", "x", drive_id="saw-1", at_ns=1, by="x")
    with pytest.raises(NotFoundError, match="no site"):
        door.add_note("Nowhere", "x", at_ns=1, by="x")
    with pytest.raises(FieldsRefusedError, match="write something"):
        door.add_note("Talheim", "", at_ns=1, by="x")


# Out


class Pushed:
    """Takes handovers for other systems; refuses while `down`."""

    def __init__(self) -> None:
        self.down = False
        self.numbers: list[int] = []

    def __call__(self, handover: Handover, _: int) -> int:
        if self.down:
            raise StoreUnavailableError("down")
        self.numbers.append(handover.head.number)
        return 2


def test_a_frozen_shift_is_put_on_its_way_once_and_again_where_that_failed(ports: Ports) -> None:
    pushed = Pushed()
    door = HandOver(ports, push=pushed)
    _, to_ns = EARLY_NS
    pushed.down = True
    with pytest.raises(StoreUnavailableError):
        due(door, to_ns + MIN)
    assert len(ports.handovers.newest()) == 1  # frozen all the same
    pushed.down = False
    assert due(door, to_ns + 2 * MIN) == []
    due(HandOver(ports, push=pushed), to_ns + 3 * MIN)  # after a restart
    due(door, to_ns + 8 * H + MIN)
    assert pushed.numbers == [1, 2]
    receipts = door.shown(1).receipts
    assert [(each.system, each.reference) for each in receipts] == [(ROUTES, "2 routes")]


def test_what_people_freeze_is_not_pushed(ports: Ports) -> None:
    pushed = Pushed()
    door = HandOver(ports, push=pushed)
    from_ns, to_ns = EARLY_NS
    door.freeze("Talheim", from_ns=from_ns + 1, to_ns=to_ns, at_ns=to_ns + H, by="x")
    ports.sites.put(Site(site="Talheim"))
    due(door, to_ns + 2 * H)
    assert pushed.numbers == []


def test_another_system_confirms_once_and_the_first_receipt_stays(ports: Ports, door: HandOver) -> None:
    number = frozen(door, EARLY_NS[1]).head.number
    first = door.receive(number, system="plant office", reference="doc-9", at_ns=10, by="token office")
    again = door.receive(number, system="plant office", reference="doc-10", at_ns=20, by="token office")
    assert again == first
    (entry,) = ports.audit_log.entries(subject=f"handover {number}")
    assert (entry.what, entry.by, entry.new) == ("handover taken", "token office", {"system": "plant office"})
    with pytest.raises(FieldsRefusedError, match="own name"):
        door.receive(number, system=ROUTES.title(), at_ns=1, by="x")
    with pytest.raises(NotFoundError, match="no handover 77"):
        door.receive(77, system="plant office", at_ns=1, by="x")


def test_handing_over_runs_until_it_is_told_to_stop_and_outlives_a_store_that_is_away() -> None:
    with a_store("fake") as ports:
        ports.register.add_drive(A_DRIVE)
        ports.sites.put(SITE)
        readings = ports.readings
        assert isinstance(readings, FakeReadings)
        readings.down = "the disk is full"
        stop, turns = threading.Event(), []

        def now_ns() -> int:
            turns.append(1)
            if len(turns) == 3:
                readings.down = None
            if len(turns) == 5:
                stop.set()
            return EARLY_NS[1] + MIN

        HandOver(ports).run(stop, 0.001, after_s=60, now_ns=now_ns)
        assert len(turns) == 5
        assert len(ports.handovers.newest()) == 1


# Forecasts that moved


def told_at(t_ns: int, p50_days: float, **changes: Any) -> KeptPrognosis:
    """A prognosis whose interval reaches ten days to either side."""
    day_ns = 24 * H
    middle_ns = EARLY_NS[0] + round(p50_days * day_ns)
    kept = KeptPrognosis(
        drive_id="press-3",
        chain_id="press-3-a",
        made_ns=t_ns,
        outcome=Outcome.FORECAST,
        set_point_pct=1.25,
        p10_ns=middle_ns - 10 * day_ns,
        p50_ns=middle_ns,
        p90_ns=middle_ns + 10 * day_ns,
        version="a test",
        document={"data": {"by_hand": 0, "epochs": 1}, "duty": None, "bend": None},
    )
    return replace(kept, **changes)


def test_a_forecast_that_moved_in_the_shift_is_told_with_what_moved_it(ports: Ports, door: HandOver) -> None:
    by_hand = {"data": {"by_hand": 1, "epochs": 2}, "duty": None, "bend": None}
    ports.prognoses.keep([told_at(EARLY_NS[0] - 8 * H, 100), told_at(EARLY_NS[1] - H, 70, document=by_hand)])
    (row,) = told(frozen(door, EARLY_NS[1]))["forecasts"]
    assert (row["drive_id"], row["why"]) == ("press-3", "it was measured by hand")
    assert (row["before"], row["after"]) == (
        "2026-12-19T04:00:00.000000Z",
        "2026-11-19T04:00:00.000000Z",
    )


def test_one_that_stayed_or_moved_after_the_cut_off_is_not_told(ports: Ports, door: HandOver) -> None:
    ports.prognoses.keep([told_at(EARLY_NS[0] - 8 * H, 100), told_at(EARLY_NS[1] - H, 95)])
    ports.prognoses.keep([told_at(EARLY_NS[1] + 13 * H, 20)])
    assert told(frozen(door, EARLY_NS[1]))["forecasts"] == []


def test_before_there_is_any_forecast_nothing_is_said_of_them(door: HandOver) -> None:
    assert "forecasts" not in told(frozen(door, EARLY_NS[1]))
