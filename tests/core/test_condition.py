"""Conditions as a fold: nothing from noise, nothing twice, nothing missed, and nothing that hangs on the order of arrival."""

import json
import random
from collections.abc import Iterable, Sequence
from dataclasses import replace
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from service.core.chain_faults import Fault
from service.core.chain_faults import Finding as ChainFault
from service.core.condition import (
    BY_CLOCK,
    DAY_NS,
    HOUR_NS,
    STANDS_NS,
    Around,
    By,
    ByHand,
    ChainOn,
    Change,
    Clock,
    Forecast,
    Judgement,
    Seen,
    SetAnew,
    State,
    Strand,
    at_clock,
    fold,
    quiet_because,
    stands,
)
from service.core.findings import Finding, FindingKind, Size
from service.core.hand import HandElongation
from service.core.health import Sign, SignKind, Status
from service.core.not_measured import NotMeasured
from service.core.reading import Reading
from service.core.setpoint import RULES, STEPS, ConditionKind, Priority, Setpoint
from tests.contracts.given import MEASURED

K = ConditionKind
S = 1_000_000_000
CHAIN = "press-3-a"
CLEAN: dict[str, Any] = {
    "up_missed": 0, "down_missed": 0, "up_extra": 0, "down_extra": 0, "by_alternation": False,
    "baseline_recorded_ns": None, "baseline_taken_ns": None, "since_pct": None, "since_u_pct": None,
    "up_alternation_pct": None, "up_alternation_u_pct": None, "down_alternation_pct": None, "down_alternation_u_pct": None,
}  # fmt: skip


def a_reading(
    at_s: float, pct: float | None = None, reason: NotMeasured | None = None, *, u: float = 0.01, **more: Any
) -> Reading:
    t_ns = round(at_s * S)
    base = replace(MEASURED, t_ns=t_ns, t0_ns=t_ns - 10 * S, seq=round(at_s), **CLEAN)
    if pct is not None:
        return replace(base, elongation_pct=pct, elongation_u_pct=u, **more)
    speed = 0.0 if reason is NotMeasured.STOPPED else 1.0
    silent: dict[str, Any] = {"down_pulses": 0} if reason is NotMeasured.SENSOR_SILENT else {}
    none: dict[str, Any] = {"up_pulses": 0, "down_pulses": 0} if reason is NotMeasured.STOPPED else silent
    return replace(
        base, elongation_pct=None, elongation_u_pct=None, reason=reason, speed_m_s=speed, **none, **more
    )


def by_(limit_pct: float = 3.0, /, **setpoints: Setpoint) -> By:
    given = {kind: rule.setpoint for kind, rule in RULES.items()}
    return By(limit_pct=limit_pct, setpoints=given | {K(name): each for name, each in setpoints.items()})


BY = by_()
QUICK = by_(
    **{
        kind: replace(RULES[kind].setpoint, on_readings=2, on_s=0.0, off_readings=2, off_s=0.0)
        for kind in STEPS
    }
)


def folded(seen: Iterable[Seen], by: By = BY, state: State | None = None) -> tuple[State, list[Change]]:
    state = fold(State(), ChainOn(0, CHAIN), by)[0] if state is None else state
    changes: list[Change] = []
    for each in seen:
        state, new = fold(state, each, by)
        changes += new
    return state, changes


def told(changes: Sequence[Change]) -> list[tuple[ConditionKind, bool, int]]:
    return [(each.kind, each.occurred, each.true_ns) for each in changes]


# Elongation


def test_each_step_occurs_once_as_a_chain_wears_with_its_numbers() -> None:
    readings = [a_reading(600 * n, 1.9 + n * 0.002) for n in range(1, 620)]
    _, changes = folded(readings)
    assert [each.kind for each in changes] == list(STEPS)
    for change, at_pct in zip(changes, (2.1, 2.7, 3.0), strict=True):
        facts = change.facts
        assert change.occurred
        assert facts.setpoint == pytest.approx(at_pct)
        assert facts.value is not None
        assert at_pct <= facts.value < at_pct + 0.02  # within the five readings of the delay
        assert facts.unit == "%"
        assert "of its limit of 3 %" in facts.cause
        assert facts.mend
    assert [each.facts.at_drive for each in changes] == [False, True, True]


def test_one_noisy_value_makes_no_condition_nor_four() -> None:
    readings = [a_reading(600 * n, 3.5 if n % 6 else 1.0) for n in range(1, 5)]
    assert folded([*readings, a_reading(3600, 1.0)])[1] == []


def test_the_delay_asks_for_readings_and_for_time() -> None:
    quick = [a_reading(n, 3.5) for n in range(1, 500)]
    assert folded(quick)[1] == []  # many, but within less than ten minutes
    _, changes = folded([*quick, a_reading(602, 3.5)])
    assert {each.kind for each in changes} == set(STEPS)
    assert {each.true_ns for each in changes} == {602 * S}


def test_what_shows_no_elongation_neither_counts_nor_breaks_the_row() -> None:
    row: list[Seen] = []
    for n in range(1, 6):
        row += [a_reading(600 * n, 3.5), a_reading(600 * n + 10, reason=NotMeasured.STOPPED)]
    assert {each.kind for each in folded(row)[1]} == set(STEPS)


@settings(deadline=None)
@given(st.lists(st.floats(2.7 - 0.06 + 1e-6, 4.0), min_size=5, max_size=120), st.floats(0.001, 0.03))
def test_no_sequence_inside_the_deadband_makes_a_second_one(values: list[float], u: float) -> None:
    """Near the limit, once it has occurred: whatever comes above the deadband's lower end changes nothing."""
    start = [a_reading(600 * n, 2.9, u=u) for n in range(1, 10)]
    more = [a_reading(6000 + 600 * n, pct, u=u) for n, pct in enumerate(values)]
    near = [each for each in folded([*start, *more])[1] if each.kind is K.NEAR]
    assert [each.occurred for each in near] == [True]


@settings(deadline=None)
@given(st.lists(st.floats(1.0, 4.0), max_size=200), st.floats(0.0, 0.3))
def test_a_second_one_comes_only_after_readings_beyond_the_deadband(values: list[float], u: float) -> None:
    readings = [a_reading(600 * (n + 1), pct, u=u) for n, pct in enumerate(values)]
    changes = [each for each in folded(readings, QUICK)[1] if each.kind is K.NEAR]
    assert [each.occurred for each in changes] == [n % 2 == 0 for n in range(len(changes))]
    for occurred, cleared in zip(changes[::2], changes[1::2], strict=False):
        between = [
            each
            for each in readings
            if occurred.true_ns < each.t_ns <= cleared.true_ns
            and (each.elongation_pct or 0) < 2.7 - max(0.06, 2 * u)
        ]
        assert len(between) >= 2


@settings(deadline=None)
@given(st.floats(0.0, 0.4))
def test_the_deadband_grows_with_the_uncertainty(u: float) -> None:
    up = [a_reading(600 * n, 3.2, u=u) for n in range(1, 8)]
    down = [a_reading(6000 + 600 * n, 2.99 - 2 * u + 1e-9, u=u) for n in range(8)]
    kinds = [(each.kind, each.occurred) for each in folded([*up, *down], QUICK)[1]]
    assert ((K.AT_LIMIT, False) in kinds) is (0.01 + 2 * u > max(0.06, 2 * u) + 1e-9)


def test_a_new_chain_clears_what_is_of_the_chain_and_begins_anew() -> None:
    state, _ = folded([a_reading(600 * n, 3.2) for n in range(1, 8)])
    assert state.active() == set(STEPS)
    state, changes = folded([ChainOn(5000 * S, "press-3-b")], state=state)
    assert told(changes) == [(kind, False, 5000 * S) for kind in STEPS]
    assert {each.facts.cause for each in changes} == {"Another chain was fitted."}
    new = [a_reading(6000 + 600 * n, 3.2) for n in range(1, 8)]
    assert folded(new, state=state)[1] == []  # of the chain that is off
    of_it = [replace(each, chain_id="press-3-b") for each in new]
    assert {each.kind for each in folded(of_it, state=state)[1]} == set(STEPS)


def test_without_a_chain_no_elongation_counts() -> None:
    state, changes = folded([ChainOn(S, None), *(a_reading(600 * n, 3.2) for n in range(1, 9))])
    assert changes == []
    assert state.chain_id is None


def by_hand(at_s: float, pct: float, u: float = 0.05, *, reliable: bool = True) -> ByHand:
    found = HandElongation(
        elongation_pct=pct, reading_pct=u, odd_pct=0, temperature_pct=0, tension_pct=0, sample_pct=0, reliable=reliable
    )  # fmt: skip
    return ByHand(round(at_s * S), CHAIN, found)


def test_a_drive_without_sensors_goes_by_measurements_by_hand_one_of_which_is_enough() -> None:
    _, changes = folded([by_hand(10, 1.0), by_hand(86_400, 2.75), by_hand(2 * 86_400, 2.72)])
    assert [(each.kind, each.true_ns) for each in changes] == [
        (K.APPROACHING, DAY_NS),
        (K.NEAR, DAY_NS),
    ]
    assert "by hand" in changes[0].facts.cause


def test_by_hand_counts_where_it_is_newer_by_more_than_a_day_and_a_slack_chain_never() -> None:
    live = [a_reading(600 * n, 1.0) for n in range(1, 8)]
    assert not {each.kind for each in folded([*live, by_hand(50_000, 3.2)])[1]} & set(STEPS)
    assert {each.kind for each in folded([*live, by_hand(100_000, 3.2)])[1]} >= set(STEPS)
    assert folded([*live, by_hand(100_000, 3.2, reliable=False)])[1] == []


def test_hand_and_sensors_that_disagree_are_told_until_they_agree_or_a_baseline_is_recorded() -> None:
    live = [a_reading(600 * n, 1.0) for n in range(1, 8)]
    state, changes = folded([*live, by_hand(5000, 1.4)])
    assert told(changes) == [(K.HAND_DISAGREES, True, 5000 * S)]
    assert "Disagrees" in changes[0].facts.cause
    assert told(folded([by_hand(6000, 1.02)], state=state)[1]) == [(K.HAND_DISAGREES, False, 6000 * S)]
    old = [a_reading(7000, 1.0, baseline_recorded_ns=4000 * S)]
    assert folded(old, state=state)[1] == []
    new = [a_reading(7000, 1.4, baseline_recorded_ns=6500 * S)]
    assert told(folded(new, state=state)[1]) == [(K.HAND_DISAGREES, False, 7000 * S)]


def test_other_setpoints_count_at_once_for_what_is_known() -> None:
    state, changes = folded([a_reading(600 * n, 2.0) for n in range(1, 8)])
    assert changes == []
    _, changes = folded([SetAnew(9000 * S)], by_(1.9), state)
    assert told(changes) == [(kind, True, 9000 * S) for kind in STEPS]
    at_limit, _ = folded([by_hand(5, 3.3)])
    assert {each.kind for each in folded([SetAnew(9000 * S)], by_(4.0), at_limit)[1]} == {K.NEAR, K.AT_LIMIT}


def test_a_condition_that_is_not_watched_any_more_clears_and_stays_so() -> None:
    state, _ = folded([a_reading(600 * n, 3.2) for n in range(1, 8)])
    off = by_(at_limit=replace(RULES[K.AT_LIMIT].setpoint, enabled=False))
    state, changes = folded([SetAnew(9000 * S)], off, state)
    assert told(changes) == [(K.AT_LIMIT, False, 9000 * S)]
    assert folded([a_reading(9000 + 600 * n, 3.2) for n in range(1, 20)], off, state)[1] == []


def test_the_priority_is_that_of_the_setpoint() -> None:
    by = by_(approaching=replace(RULES[K.APPROACHING].setpoint, priority=Priority.HIGH))
    _, changes = folded([a_reading(600 * n, 2.2) for n in range(1, 8)], by)
    assert [each.priority for each in changes] == [Priority.HIGH]


# Sensing


@pytest.mark.parametrize(
    ("reason", "kind", "readings"),
    [
        (NotMeasured.SENSOR_SILENT, K.SENSING_FAILED, 3),
        (NotMeasured.AMBIGUOUS, K.WHOLE_UNCERTAIN, 7),
        (NotMeasured.OUT_OF_RANGE, K.WHOLE_UNCERTAIN, 7),
        (NotMeasured.LOW_COHERENCE, K.SENSING_OUT_OF_SPECIFICATION, 61),
    ],
)
def test_what_readings_show_of_the_sensing(reason: NotMeasured, kind: ConditionKind, readings: int) -> None:
    bad = [a_reading(10 * n, reason=reason) for n in range(1, readings + 1)]
    assert folded(bad[:-1])[1] == []
    state, changes = folded(bad)
    assert told(changes) == [(kind, True, 10 * readings * S)]
    stopped = [a_reading(2000 + n, reason=NotMeasured.STOPPED) for n in range(50)]
    state, changes = folded(stopped, state=state)
    assert changes == []
    good = [a_reading(3000 + 10 * n, 1.0) for n in range(60)]
    assert [(each.kind, each.occurred) for each in folded(good, state=state)[1]] == [(kind, False)]


FINDINGS = {
    FindingKind.BRACKET_MOVED: K.SENSOR_MOVED,
    FindingKind.LAG_JUMPED: K.SENSOR_MOVED,
    FindingKind.LAG_DRIFTS: K.SENSOR_MOVED,
    FindingKind.WORE_AT_ONCE: K.WEAR_RATE_RISEN,
    FindingKind.CHAIN_CHANGED: K.SENSING_OUT_OF_SPECIFICATION,
    FindingKind.REVERSED: K.SENSING_OUT_OF_SPECIFICATION,
    FindingKind.DISAGREE: K.SENSING_OUT_OF_SPECIFICATION,
    FindingKind.DELAY_UNEQUAL: K.SENSING_MAINTENANCE,
    FindingKind.WHOLE_BY_ALTERNATION: K.WHOLE_UNCERTAIN,
}


@pytest.mark.parametrize("finding", list(FindingKind))
def test_a_finding_over_many_readings_is_told_in_its_own_words(finding: FindingKind) -> None:
    size = Size(name="lag", value=0.2, u=0.01, unit="%")
    found = Finding(
        kind=finding, since_ns=1, sizes=(size,), words="What it is.", mend="What to do.", at_drive=True
    )
    judged = [Judgement(t_ns=n * HOUR_NS, findings=(found,)) for n in (1, 2)]
    state, changes = folded(judged)
    assert [(each.kind, each.occurred) for each in changes] == [(FINDINGS[finding], True)]
    facts = changes[0].facts
    assert (facts.cause, facts.mend, facts.value, facts.u) == ("What it is.", "What to do.", 0.2, 0.01)
    gone = [Judgement(t_ns=n * HOUR_NS) for n in range(3, 15)]
    assert [each.occurred for each in folded(gone, state=state)[1]] == [False]


@pytest.mark.parametrize("status", [Status.MAINTENANCE_REQUIRED, Status.OUT_OF_SPECIFICATION])
def test_a_sign_over_many_readings_is_told_by_its_class(status: Status) -> None:
    sign = Sign(
        kind=SignKind.PULSES_MISSED, status=status, since_ns=1, what="Sensor up misses", mend="Clean it."
    )
    _, changes = folded([Judgement(t_ns=n * HOUR_NS, signs=(sign,)) for n in (1, 2)])
    assert len(changes) == 1
    assert str(changes[0].kind) == f"sensing_{status}".removesuffix("_required")
    assert changes[0].facts.cause == "Sensor up misses."


def test_a_sensor_that_misses_as_much_as_is_told_of_is_told_of_once() -> None:
    """Over its newest readings the share is above or below by chance: a week of hourly judgements, half with the sign."""
    sign = Sign(
        kind=SignKind.PULSES_MISSED, status=Status.MAINTENANCE_REQUIRED, since_ns=1, what="x", mend="y"
    )
    chance = random.Random(4)
    week = [
        Judgement(t_ns=n * HOUR_NS, signs=(sign,) if chance.random() < 0.5 else ()) for n in range(1, 169)
    ]
    state, changes = folded(week)
    assert [each.occurred for each in changes] == [True]
    mended = [Judgement(t_ns=n * HOUR_NS) for n in range(169, 181)]
    assert [each.occurred for each in folded(mended, state=state)[1]] == [False]


def test_one_cause_is_told_under_one_kind_only() -> None:
    """What a finding or a single reading tells is not told again as a sign."""
    doubled = [
        Sign(kind=kind, status=Status.OUT_OF_SPECIFICATION, since_ns=1, what="x", mend="y")
        for kind in (
            SignKind.VALUE_DOUBTFUL,
            SignKind.LOW_COHERENCE,
            SignKind.AMBIGUOUS,
            SignKind.OUT_OF_RANGE,
        )
    ]
    assert folded([Judgement(t_ns=n * HOUR_NS, signs=tuple(doubled)) for n in (1, 2, 3)])[1] == []


def test_many_readings_are_due_to_be_judged_once_the_drive_has_run() -> None:
    state, _ = folded([a_reading(10, reason=NotMeasured.STOPPED)])
    assert state.judge_due_ns is None
    state, _ = folded([a_reading(20, 1.0), a_reading(30, 1.0)], state=state)
    assert state.judge_due_ns == HOUR_NS
    state, _ = folded([Judgement(t_ns=HOUR_NS)], state=state)
    assert state.judge_due_ns is None


# Strands


def strands(n: int, own: float, *beside: float, u: float = 0.01, drive_id: str = "b") -> Judgement:
    others = tuple(Strand(f"a{i}", pct, u) for i, pct in enumerate(beside))
    return Judgement(t_ns=n * HOUR_NS, own=Strand(drive_id, own, u), beside=others)


def test_the_longest_of_strands_apart_is_told_and_no_other() -> None:
    _, changes = folded([strands(n, 1.5, 1.1, 1.3) for n in (1, 2)])
    assert [(each.kind, each.occurred) for each in changes] == [(K.STRANDS_APART, True)]
    assert changes[0].facts.value == pytest.approx(0.4)
    assert "a0" in changes[0].facts.cause
    assert folded([strands(n, 1.1, 1.5, 1.3) for n in (1, 2)])[1] == []


def test_strands_apart_by_less_than_can_be_told_are_not() -> None:
    assert folded([strands(n, 1.5, 1.1, u=0.2) for n in (1, 2, 3)])[1] == []
    assert folded([strands(n, 1.29, 1.0) for n in (1, 2, 3)])[1] == []
    assert folded([Judgement(t_ns=n, own=Strand("b", 9.0, 0.1)) for n in (1, 2)])[1] == []


def test_strands_that_come_together_again_clear() -> None:
    state, _ = folded([strands(n, 1.5, 1.1) for n in (1, 2)])
    assert folded([strands(n, 1.5, 1.25) for n in (3, 4)], state=state)[1] == []  # within the deadband
    assert [each.occurred for each in folded([strands(n, 1.5, 1.35) for n in (3, 4)], state=state)[1]] == [
        False
    ]


# Standing


def test_a_chain_that_stands_longer_than_its_duty_allows_is_told_only_where_a_duty_is_set() -> None:
    stopped = [a_reading(600 * n, reason=NotMeasured.STOPPED) for n in range(1, 80)]
    assert folded(stopped)[1] == []
    due = by_(stopped_when_due=replace(RULES[K.STOPPED_WHEN_DUE].setpoint, enabled=True, value=4.0))
    state, changes = folded(stopped, due)
    assert [each.kind for each in changes] == [K.STOPPED_WHEN_DUE]
    assert 4 * 3600 * S < changes[0].true_ns < 4.5 * 3600 * S
    running = [a_reading(50_000 + 10 * n, 1.0) for n in range(3)]
    assert [each.occurred for each in folded(running, due, state)[1]] == [False]


def test_a_drive_stands_after_ten_minutes_of_it() -> None:
    state, _ = folded([a_reading(10, 1.0), a_reading(20, reason=NotMeasured.STOPPED)])
    assert not stands(state, 20 * S + STANDS_NS - 1)
    assert stands(state, 20 * S + STANDS_NS)
    assert not stands(folded([a_reading(30, 1.0)], state=state)[0], 10**12)


# The order of things, and stopping anywhere


@st.composite
def lives(draw: st.DrawFn) -> list[Seen]:
    """Some hours of a drive: readings of all kinds, a measurement by hand, a new chain, judgements; in order."""
    seen: list[Seen] = []
    pct, t_s = draw(st.floats(1.8, 3.0)), 0.0
    for _ in range(draw(st.integers(0, 60))):
        t_s += draw(st.sampled_from([10.0, 60.0, 300.0, 4000.0]))
        what = draw(st.integers(0, 11))
        pct += draw(st.floats(-0.05, 0.15))
        if what < 8:
            seen.append(a_reading(t_s, pct))
        elif what == 8:
            seen.append(a_reading(t_s, reason=draw(st.sampled_from(list(NotMeasured)))))
        elif what == 9:
            seen.append(by_hand(t_s, pct))
        elif what == 10:
            seen.append(Judgement(t_ns=round(t_s * S)))
        else:
            seen.append(ChainOn(round(t_s * S), draw(st.sampled_from([CHAIN, "press-3-b", None]))))
    return seen


@settings(deadline=None)
@given(lives(), st.data())
def test_whoever_folds_may_stop_anywhere_and_go_on_from_json(seen: list[Seen], data: st.DataObject) -> None:
    cut = data.draw(st.integers(0, len(seen)))
    whole = folded(seen, QUICK)
    first, changes = folded(seen[:cut], QUICK)
    kept = State.from_dict(json.loads(json.dumps(first.to_dict())))
    assert kept == first
    second, more = folded(seen[cut:], QUICK, kept)
    assert (second, [*changes, *more]) == whole


@settings(deadline=None)
@given(lives())
def test_the_changes_give_what_is_true(seen: list[Seen]) -> None:
    state, changes = folded(seen, QUICK)
    now: set[ConditionKind] = set()
    for change in changes:
        assert (change.kind in now) is not change.occurred
        now ^= {change.kind}
    assert now == state.active()
    for kind in now:
        assert state.since(kind) in {each.true_ns for each in changes if each.kind is kind}


@settings(deadline=None)
@given(lives())
def test_a_higher_step_is_never_true_without_the_lower_ones(seen: list[Seen]) -> None:
    """With the same delays and deadbands, as built in: so the steps lead to each other."""
    state = fold(State(), ChainOn(0, CHAIN), BY)[0]
    for each in seen:
        state, _ = fold(state, each, QUICK)
        found = [kind in state.active() for kind in STEPS]
        assert found == sorted(found, reverse=True)


# The clock


def looked(
    state: State, *around: Around, by: By = BY, clock: Clock | None = None
) -> tuple[Clock, list[Change]]:
    clock, changes = clock or Clock(), []
    for each in around:
        clock, new = at_clock(clock, state, each, by)
        changes += new
    return clock, changes


def at(s: float, **more: Any) -> Around:
    return Around(now_ns=round(s * S), sensors=True, **more)


def test_no_reading_for_too_long_is_told_from_when_it_was_too_long() -> None:
    state, _ = folded([a_reading(1000, 1.0)])
    clock, changes = looked(state, at(1010), at(1900))
    assert changes == []
    clock, changes = looked(state, at(1901), at(5000), clock=clock)
    assert told(changes) == [(K.NO_READING, True, 1900 * S)]
    state, _ = folded([a_reading(6000, 1.0)], state=state)
    assert told(looked(state, at(6001), clock=clock)[1]) == [(K.NO_READING, False, 6000 * S)]


def test_a_drive_without_sensors_or_without_any_reading_misses_none() -> None:
    state, _ = folded([])
    assert looked(state, at(1e6))[1] == []
    assert looked(state, Around(now_ns=10**15, sensors=False))[1] == []


def test_a_device_that_goes_is_told_after_its_delay_and_until_it_is_back() -> None:
    state, _ = folded([a_reading(1000, 1.0)])
    gone = {"online": False, "online_since_ns": 1005 * S}
    clock, changes = looked(state, at(1010, **gone), at(1124, **gone))
    assert changes == []
    clock, changes = looked(state, at(1130, **gone), at(1200, **gone), clock=clock)
    assert told(changes) == [(K.DEVICE_OFFLINE, True, 1125 * S)]
    back = {"online": True, "online_since_ns": 1190 * S}
    assert told(looked(state, at(1210, **back), clock=clock)[1]) == [(K.DEVICE_OFFLINE, False, 1190 * S)]


def a_fault(fault: Fault, mm: float) -> ChainFault:
    return ChainFault(
        fault=fault, first_link=4, links=1, from_mm=100.0, excess_mm=mm, u_mm=0.02, words="Link 4 is long."
    )


@pytest.mark.parametrize(
    ("fault", "kind"),
    [
        (Fault.LONG_LINK, K.BAD_JOINT),
        (Fault.SHORT_LINK, K.BAD_JOINT),
        (Fault.STIFF_JOINT, K.BAD_JOINT),
        (Fault.JOINT_OUT_OF_PLACE, K.BAD_JOINT),
        (Fault.WORN_SECTION, K.WORN_SECTION),
        (Fault.NEW_SECTION, None),
        (Fault.CRANKED_LINK, None),
    ],
)
def test_what_the_map_names_is_told_in_its_words(fault: Fault, kind: ConditionKind | None) -> None:
    state, _ = folded([a_reading(1000, 1.0)])
    clock, changes = looked(state, at(1001, folded_to_ns=900 * S, faults=(a_fault(fault, -1.0),)))
    assert told(changes) == ([] if kind is None else [(kind, True, 900 * S)])
    if kind is not None:
        assert changes[0].facts.cause == "Link 4 is long."
        assert looked(state, at(1002, folded_to_ns=900 * S), clock=clock)[1] == []  # the same map again
        assert [each.occurred for each in looked(state, at(1003, folded_to_ns=950 * S), clock=clock)[1]] == [
            False
        ]
        state, _ = folded([ChainOn(1100 * S, "press-3-b")], state=state)
        assert [each.occurred for each in looked(state, at(1101), clock=clock)[1]] == [False]


def test_a_forecast_is_told_where_there_is_one_and_never_without() -> None:
    state, _ = folded([a_reading(1000, 1.0)])
    assert looked(state, at(1001), at(1002))[1] == []
    soon = Forecast(20 * DAY_NS, next_stop_ns=30 * DAY_NS)
    clock, changes = looked(state, at(1001, forecast=soon), at(1002, forecast=soon))
    assert {each.kind for each in changes} == {K.LIMIT_WITHIN_LEAD_TIME, K.LIMIT_BEFORE_STOP}
    late = Forecast(90 * DAY_NS, next_stop_ns=30 * DAY_NS)
    clock, changes = looked(state, at(1003, forecast=late), at(1004, forecast=late), clock=clock)
    assert [each.occurred for each in changes] == [False, False]


def test_a_lead_time_that_is_set_comes_before_the_setpoint() -> None:
    state, _ = folded([a_reading(1000, 1.0)])
    for lead_days, told in ((10, False), (40, True), (None, True)):
        soon = Forecast(20 * DAY_NS, lead_days=lead_days)
        _, changes = looked(state, at(1001, forecast=soon), at(1002, forecast=soon))
        assert [each.kind for each in changes] == [K.LIMIT_WITHIN_LEAD_TIME] * told


def test_the_clock_goes_through_json_and_knows_only_its_own_kinds() -> None:
    state, _ = folded([a_reading(1000, 1.0)])
    clock, _ = looked(state, at(1e4), at(2e4, folded_to_ns=5, faults=(a_fault(Fault.LONG_LINK, 1.0),)))
    assert clock.active() == {K.NO_READING, K.BAD_JOINT}
    assert Clock.from_dict(json.loads(json.dumps(clock.to_dict()))) == clock
    assert clock.active() <= BY_CLOCK


# Suppression by design


@pytest.mark.parametrize("kind", list(ConditionKind))
def test_a_stop_keeps_quiet_about_the_sensing_and_never_about_the_chain(kind: ConditionKind) -> None:
    why = quiet_because(kind, active=(), stands=True, function_check=False, locked_out=False)
    of_sensing = {
        K.WHOLE_UNCERTAIN, K.SENSOR_MOVED, K.SENSING_FAILED, K.SENSING_OUT_OF_SPECIFICATION, K.SENSING_MAINTENANCE,
        K.DEVICE_OFFLINE, K.NO_READING,
    }  # fmt: skip
    assert bool(why) is (kind in of_sensing)
    for work in (
        {"function_check": True, "locked_out": False},
        {"function_check": False, "locked_out": True},
    ):
        assert bool(quiet_because(kind, active=(), stands=False, **work)) is (kind in of_sensing)
    assert not quiet_because(kind, active=(), stands=False, function_check=False, locked_out=False)


def test_what_was_foretold_is_quiet_once_the_limit_is_reached() -> None:
    how = {"stands": False, "function_check": False, "locked_out": False}
    for kind in (K.LIMIT_WITHIN_LEAD_TIME, K.LIMIT_BEFORE_STOP):
        assert quiet_because(kind, active={K.AT_LIMIT}, **how)
        assert not quiet_because(kind, active={K.NEAR}, **how)
    assert not quiet_because(K.AT_LIMIT, active={K.AT_LIMIT}, **how)


def test_no_reading_is_not_told_beside_the_device_that_is_offline() -> None:
    how = {"stands": False, "function_check": False, "locked_out": False}
    assert quiet_because(K.NO_READING, active={K.DEVICE_OFFLINE}, **how)
    assert not quiet_because(K.DEVICE_OFFLINE, active={K.NO_READING}, **how)
