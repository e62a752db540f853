"""Simulated years of a hundred drives: no limit missed, the first notice at the set step, one standing step, few alerts.

The simulator is here and nowhere else: wear with a pace that wanders, bedding-in, noise, warmth of the seasons within the
stated uncertainty, weekends, sensors that fall silent, whole numbers that are not sure, devices that are away, people who
answer late and replace chains at the limit. What is measured is printed with `-s`.
"""

import logging
import math
import random
from collections import Counter
from dataclasses import dataclass, field, replace

import pytest
import structlog

from service.annunciator import Annunciator
from service.core.alert import Act, Alert, Annunciation, Event, Hold, applied, begin
from service.core.condition import Around, By, ChainOn, Clock, State, at_clock, fold, quiet_because, stands
from service.core.not_measured import NotMeasured
from service.core.reading import Reading
from service.core.setpoint import RULES, STEPS, ConditionKind
from service.evaluate import stretches, stretches_by_clock
from service.tell import Tell
from tests.contracts.given import NOON_NS, S
from tests.core.test_condition import a_reading as plain
from tests.fakes_alerts import FakeAlertLog

K = ConditionKind
DRIVES, DAYS = 100, 730
STEP_S = 8 * 3600  # from one reading to the next
DAY_NS = 86_400 * S
SHAPE = plain(1, 1.0)
# Readings come three times a day here, so what hangs on the clock waits longer than where they come each ten seconds.
SETPOINTS = {kind: rule.setpoint for kind, rule in RULES.items()} | {
    K.NO_READING: replace(RULES[K.NO_READING].setpoint, value=3 * 86_400.0)
}


@dataclass(slots=True)
class Wear:
    """The truth of one chain: how long it is, and when it truly came to each step."""

    pct: float
    pace: float  # per cent a day
    bedding_pct: float
    wander: float = 0.0
    crossed_ns: dict[ConditionKind, int] = field(default_factory=dict)
    told_ns: dict[ConditionKind, int] = field(default_factory=dict)
    told_pct: dict[ConditionKind, float] = field(default_factory=dict)

    def on(self, days: float, rng: random.Random) -> None:
        """Wear on for so many days of running."""
        self.wander += -0.05 * self.wander * days + 0.05 * rng.gauss(0, math.sqrt(days))
        bedding = self.bedding_pct * min(1.0, days / 8)
        self.bedding_pct -= bedding
        self.pct += self.pace * math.exp(self.wander) * days + bedding


@dataclass(slots=True)
class Outcome:
    """What came of one drive."""

    limit_pct: float
    u_pct: float
    chains: list[Wear]
    alerts: FakeAlertLog


def a_chain(rng: random.Random, limit_pct: float) -> Wear:
    return Wear(
        pct=rng.uniform(0, 0.12), pace=limit_pct / rng.uniform(120, 900), bedding_pct=rng.uniform(0, 0.08)
    )


class Drive:
    """One drive, its truth, and who watches it, as the watcher does but for the store."""

    def __init__(self, number: int) -> None:
        self.rng = rng = random.Random(number)
        self.limit_pct = rng.choice((3.0, 3.0, 2.5, 2.0, 1.5))
        self.u_pct, self.noise_pct = rng.uniform(0.015, 0.05), rng.uniform(0.002, 0.02)
        self.season = rng.uniform(0, 2 * math.pi)
        self.by = By(limit_pct=self.limit_pct, setpoints=SETPOINTS)
        self.log = FakeAlertLog()
        self.tell, self.people = Tell(self.log), Annunciator(self.log)
        self.state, self.clock, self.quiet = State(), Clock(), {}  # type: ignore[var-annotated]
        self.wear = a_chain(rng, self.limit_pct)
        self.wear.pct = rng.uniform(0, 0.95) * self.limit_pct
        self.chains: list[Wear] = [self.wear]
        self.fault: tuple[NotMeasured, int] | None = None  # and for how many readings yet
        self.answered = 0  # number of the newest transition that people looked at
        self.away = 0  # readings for which its device is away
        self.change_ns: int | None = None
        self._fold(ChainOn(NOON_NS, "chain-1"))

    def live(self) -> Outcome:
        """Live through the years."""
        for step in range(1, DAYS * 86_400 // STEP_S):
            t_ns = NOON_NS + step * STEP_S * S
            weekend = step * STEP_S // 86_400 % 7 >= 5
            if not weekend:
                self.wear.on(STEP_S / 86_400, self.rng)
            for kind in STEPS:
                at_pct = (SETPOINTS[kind].value or 0) / 100 * self.limit_pct
                if self.wear.pct >= at_pct:
                    self.wear.crossed_ns.setdefault(kind, t_ns)
            self._read(t_ns, weekend=weekend)
            self._look_at_clock(t_ns)
            self._answer(t_ns, weekend=weekend)
        return Outcome(self.limit_pct, self.u_pct, self.chains, self.log)

    def _read(self, t_ns: int, *, weekend: bool) -> None:
        rng = self.rng
        if self.away == 0 and rng.random() < 0.0006:
            self.away = rng.randint(4, 40)
        if self.away:
            self.away -= 1
            return
        if self.fault is None and rng.random() < 0.0015:
            reasons = (NotMeasured.SENSOR_SILENT, NotMeasured.AMBIGUOUS, NotMeasured.LOW_COHERENCE)
            self.fault = rng.choice(reasons), rng.randint(1, 30)
        of = {"t_ns": t_ns, "t0_ns": t_ns - 10 * S, "chain_id": f"chain-{len(self.chains)}"}
        if weekend:
            reading = replace(STOPPED, **of)  # type: ignore[arg-type]
        elif self.fault is not None:
            reason, left = self.fault
            self.fault = (reason, left - 1) if left > 1 else None
            reading = replace(FAULTS[reason], **of)  # type: ignore[arg-type]
        else:
            warm_pct = self.u_pct * math.sin(2 * math.pi * t_ns / (365 * DAY_NS) + self.season)
            pct = self.wear.pct + warm_pct + rng.gauss(0, self.noise_pct)
            reading = replace(SHAPE, **of, elongation_pct=pct, elongation_u_pct=self.u_pct)  # type: ignore[arg-type]
        self._fold(reading)

    def _fold(self, seen: Reading | ChainOn) -> None:
        before = self.state
        self.state, changes = fold(before, seen, self.by)
        for each in changes:
            if each.occurred and each.kind in STEPS:
                self.wear.told_ns.setdefault(each.kind, each.true_ns)
                self.wear.told_pct.setdefault(each.kind, self.wear.pct)
        self._record({each.kind: stretches(each.kind, before, changes) for each in changes}, seen.t_ns)

    def _look_at_clock(self, t_ns: int) -> None:
        before = self.clock
        self.clock, changes = at_clock(before, self.state, Around(now_ns=t_ns, sensors=True), self.by)
        self._record({each.kind: stretches_by_clock(each.kind, before, changes) for each in changes}, t_ns)
        now = self._quiet(t_ns)
        if now != self.quiet:
            self.tell.hold("a", now, t_ns)
            self.quiet = now

    def _record(self, so, t_ns: int) -> None:  # type: ignore[no-untyped-def]
        if so:
            self.tell.record("a", so, self.state.to_ns, self._quiet(t_ns), t_ns)

    def _quiet(self, t_ns: int) -> dict[ConditionKind, str]:
        standing = stands(self.state, t_ns)
        active = self.clock.active()
        if not standing and K.DEVICE_OFFLINE not in active:
            return {}
        how = {"stands": standing, "function_check": False, "locked_out": False}
        found = {kind: quiet_because(kind, active=active, **how) for kind in RULES}
        return {kind: why for kind, why in found.items() if why}

    def _answer(self, t_ns: int, *, weekend: bool) -> None:
        """People acknowledge within a day or so, and change a chain some days after it is at its limit."""
        if self.rng.random() < 0.3 and self.log.newest_number() != self.answered:
            for alert in self.log.alerts():
                if (
                    alert.annunciation in {Annunciation.UNACKNOWLEDGED, Annunciation.RETURNED}
                    and not alert.held
                ):
                    act = Act(event=Event.ACKNOWLEDGE, by="shift", true_ns=t_ns, recorded_ns=t_ns)
                    self.people.advance("a", alert.kind, act)
            self.answered = self.log.newest_number()
        if K.AT_LIMIT in self.wear.told_ns and self.change_ns is None:
            self.change_ns = t_ns + round(self.rng.uniform(0.5, 12) * DAY_NS)
        if self.change_ns is not None and t_ns >= self.change_ns and not weekend:
            self.wear, self.change_ns = a_chain(self.rng, self.limit_pct), None
            self.chains.append(self.wear)
            self._fold(ChainOn(t_ns, f"chain-{len(self.chains)}"))


STOPPED = plain(1, reason=NotMeasured.STOPPED)
FAULTS = {
    reason: plain(1, reason=reason)
    for reason in (NotMeasured.SENSOR_SILENT, NotMeasured.AMBIGUOUS, NotMeasured.LOW_COHERENCE)
}


@pytest.fixture(scope="module")
def years() -> list[Outcome]:
    structlog.configure(
        wrapper_class=structlog.make_filtering_bound_logger(logging.CRITICAL)
    )  # thousands of lines
    return [Drive(number).live() for number in range(DRIVES)]


def test_no_limit_is_missed(years: list[Outcome]) -> None:
    """Of every chain that came to its limit, each step was told, within the readings of the delay."""
    limits = 0
    for drive in years:
        for wear in drive.chains:
            for kind, crossed_ns in wear.crossed_ns.items():
                late_ns = wear.told_ns.get(kind, NOON_NS + DAYS * DAY_NS) - crossed_ns
                rest_ns = NOON_NS + DAYS * DAY_NS - crossed_ns
                # five readings, a weekend, a fault of a week, warmth that takes the value down by u
                most_ns = (18 + 2 * drive.u_pct / (wear.pace * math.exp(-0.4))) * DAY_NS
                assert late_ns < most_ns or rest_ns < most_ns or wear is not drive.chains[-1]
                limits += kind is K.AT_LIMIT
                if wear is not drive.chains[-1]:
                    assert kind in wear.told_ns, kind
    assert limits > DRIVES / 2


def test_the_first_notice_is_at_the_set_step(years: list[Outcome]) -> None:
    told = 0
    for drive in years:
        for number, wear in enumerate(drive.chains):
            for kind, pct in wear.told_pct.items():
                at_pct = (SETPOINTS[kind].value or 0) / 100 * drive.limit_pct
                if number == 0 and wear.crossed_ns.get(kind, 0) <= NOON_NS + 5 * DAY_NS:
                    continue  # the simulation began beyond the step
                early_pct = (
                    1.1 * drive.u_pct + 0.06
                )  # warmth and noise within what the reading states (k = 2)
                assert at_pct - early_pct < pct < at_pct + 1.1 * drive.u_pct + 0.06 + 18 * 1.5 * wear.pace
                told += 1
    assert told > 2 * DRIVES


def test_at_most_one_step_stands_for_people_at_any_time(years: list[Outcome]) -> None:
    most = 0
    for drive in years:
        alerts: dict[ConditionKind, Alert] = {}
        for each in drive.alerts.after(0, 10**6):
            alerts[each.kind] = applied(alerts.get(each.kind, begin("a", each.kind)), each)
            assert not (each.annunciates and each.holds)
            standing = [
                alert
                for kind, alert in alerts.items()
                if kind in STEPS
                and alert.annunciation is not Annunciation.NORMAL
                and Hold.SUPPRESSED not in alert.holds
            ]
            most = max(most, len(standing))
    assert most == 1


def test_one_operator_can_answer_them(years: list[Outcome]) -> None:
    """At most 6 an hour on average, and less than 1 % of the time in a flood of over 10 in ten minutes (IEC 62682 and
    ANSI/ISA-18.2, from memory).
    """
    told = [each for drive in years for each in drive.alerts.after(0, 10**6) if each.annunciates]
    per_day = len(told) / DAYS
    assert DRIVES / 1000 < per_day < 144
    # the simulation moves in steps of eight hours: what is told at one step is spread over it by chance
    rng = random.Random(1)
    at = Counter(int((each.act.recorded_ns / S + rng.uniform(0, STEP_S)) // 600) for each in told)
    floods = sum(count > 10 for count in at.values()) / (DAYS * 144)
    print(f"{per_day:.2f} a day for {DRIVES} drives, {100 * floods:.3f} % of the time in a flood")
    print(Counter(str(each.kind) for each in told), Counter(each.priority.name for each in told))
    assert floods < 0.01


def test_wear_that_only_wanders_and_beds_in_is_no_risen_rate(years: list[Outcome]) -> None:
    """The pace wanders by a sixth here; a rate that doubles is rare, so hardly any is told."""
    risen = sum(
        each.kind is K.WEAR_RATE_RISEN and each.act.event is Event.OCCUR
        for drive in years
        for each in drive.alerts.after(0, 10**6)
    )
    assert risen <= DRIVES * DAYS / 365 * 0.05
