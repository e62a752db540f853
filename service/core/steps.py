"""The steps of commissioning: each one check of what the batches show, with its reason in numbers and what would mend it.

Knows what makes a drive measurable; must not know how a baseline is made. A step says nothing of what stands before
it: it waits.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from itertools import pairwise
from statistics import median
from typing import Self

import numpy as np

from service.core import catalogue
from service.core.batch import Batch
from service.core.drive import Drive
from service.core.fingerprint import Match
from service.core.lag import CLEAN_RATIO, Lag, NoLag
from service.core.learn import DelayFit, DelayPoint, NotLearnt, different_speeds, fit_drift
from service.core.looks import RECENT_MIN, Seen, one_is_silent
from service.core.not_measured import NotMeasured
from service.core.pitches import ELONGATION_CREDIBLE_PCT
from service.core.runs import gap_ns

STALE_NS = 30 * 10**9  # no batch for so long, and for three windows: the device is silent
COUNTS_APART = 0.02  # share of the pulses by which the sensors may differ
LOSS_MAX = 0.01  # share of pulses missed or extra (common practice, no source)
LOST_MIN = 3
SCATTER_RATIO = 2.5  # of the two sensors' switching places
SCATTER_PITCHES = 0.006  # less is good enough, whatever the ratio
# Of a pitch: by how much longer one sensor may stay on than the other, and the least and most that either may. A joint
# that swings away from one that is hardly on is lost, and of one that is hardly off the next (common practice, no source).
ON_APART = 0.1
ON_LEAST, ON_MOST = 0.1, 0.9
TICK_PCT = 0.01  # of elongation, that a tick may add
TICK_PITCHES = 0.03  # a coarser one is no clock for this drive, however well scatter dithers it
MISSING_MAX = 0.05  # share of the windows
AHEAD_NS = 2 * 10**9  # a device's clock may be so far ahead of ours
DRIFT_PITCHES = 0.02  # less is lost in what warmth does
LAGS_MIN = 5
LAG_SIGMAS = 3.0
LAG_FLOOR_PITCHES = 0.001
DELAY_PCT = 0.005  # of elongation, that a delay may move between the speeds seen
AGREES = 3.0  # standard uncertainties
PATIENCE_JOINTS = 15_000  # of which the links were compared in vain: they are too alike
PATIENCE_NS = 600 * 10**9
PITCH_RATIO_AGREES = 0.004
OVERLAP_NS = 1_000_000

EXCHANGE = (
    "Exchange the plugs of `up` and `down` at the device; or, if this is not forward travel, run it forward."
)


class StepId(StrEnum):
    """The steps, in their order."""

    REGISTERED = "registered"
    PULSES = "pulses"
    COUNTS = "counts"
    EVEN = "even"
    SPEED = "speed"
    WINDOW = "window"
    TICK = "tick"
    CLOCK = "clock"
    ORDER = "order"
    LAG = "lag"
    DELAY = "delay"
    SPACING = "spacing"
    BASELINE = "baseline"


TITLES = {
    StepId.REGISTERED: "Drive and chain are registered",
    StepId.PULSES: "Both sensors pulse",
    StepId.COUNTS: "Both count alike",
    StepId.EVEN: "Gaps are even",
    StepId.SPEED: "Speed agrees with the shaft",
    StepId.WINDOW: "A window holds a lap",
    StepId.TICK: "The tick is fine enough",
    StepId.CLOCK: "The clock is one, and steady",
    StepId.ORDER: "up comes before down",
    StepId.LAG: "The lag is steady",
    StepId.DELAY: "Both switch equally fast",
    StepId.SPACING: "The spacing is as registered",
    StepId.BASELINE: "Baseline",
}


class StepState(StrEnum):
    """How a step stands."""

    WAITING = "waiting"
    PASSED = "passed"
    FAILED = "failed"
    NOT_NEEDED = "not_needed"


@dataclass(frozen=True, slots=True, kw_only=True)
class Step:
    """One step. `mend` is what to do, "" where there is nothing; `caution`: it means going to the drive."""

    step: StepId
    state: StepState
    reason: str
    mend: str = ""
    caution: bool = False
    blocks: bool = True  # no baseline before it has passed

    @classmethod
    def passed(cls, step: StepId, reason: str, mend: str = "") -> Self:
        """A step that has passed."""
        return cls(step=step, state=StepState.PASSED, reason=reason, mend=mend)

    @classmethod
    def failed(
        cls, step: StepId, reason: str, mend: str, *, caution: bool = False, blocks: bool = True
    ) -> Self:
        """A step that has failed."""
        return cls(
            step=step, state=StepState.FAILED, reason=reason, mend=mend, caution=caution, blocks=blocks
        )

    @classmethod
    def waiting(
        cls, step: StepId, reason: str, mend: str = "", *, caution: bool = False, blocks: bool = True
    ) -> Self:
        """A step that cannot be told yet."""
        return cls(
            step=step, state=StepState.WAITING, reason=reason, mend=mend, caution=caution, blocks=blocks
        )

    @classmethod
    def after(cls, step: StepId, first: StepId = StepId.PULSES, *, blocks: bool = True) -> Self:
        """A step that waits for another."""
        return cls.waiting(step, f"After '{TITLES[first]}'.", blocks=blocks)

    @classmethod
    def not_needed(cls, step: StepId, reason: str, mend: str = "") -> Self:
        """A step that does not apply."""
        return cls(step=step, state=StepState.NOT_NEEDED, reason=reason, mend=mend)

    @property
    def title(self) -> str:
        """What the step is called."""
        return TITLES[self.step]

    @property
    def stands_in_the_way(self) -> bool:
        """Whether a baseline has to wait for it."""
        return self.blocks and self.state in {StepState.WAITING, StepState.FAILED}


def steps_of(seen: Seen) -> tuple[Step, ...]:
    """Return all steps up to the baseline, in their order."""
    checks = (
        _registered, _pulses, _counts, _even, _speed, _window, _tick, _clock, _order, _lag, _delay,
    )  # fmt: skip
    done = tuple(check(seen) for check in checks)
    rests_on = {StepId.EVEN, StepId.CLOCK, StepId.ORDER, StepId.LAG}
    failed = [each.step for each in done if each.step in rests_on and each.state is StepState.FAILED]
    return (*done, Step.after(StepId.SPACING, failed[0]) if failed else _spacing(seen))


def _registered(seen: Seen) -> Step:
    drive, chain = seen.drive, seen.chain
    if drive.whole_pitches is None:
        return Step.failed(
            StepId.REGISTERED, "The drive is registered without sensors.", "Enter n and d in its settings."
        )
    if chain is None:
        return Step.failed(StepId.REGISTERED, "No chain is on the drive.", "Enter the chain that is on it.")
    said = f"{seen.asked:g} pitches of {chain.pitch_mm:g} mm between the sensors"
    if chain.pitches_in_loop is None:
        return Step.passed(
            StepId.REGISTERED,
            f"{said}; the number of joints of the chain is not known.",
            "Enter it: whole laps, the order of the sensors and n itself are checked by it.",
        )
    return Step.passed(StepId.REGISTERED, f"{said}, {chain.pitches_in_loop} joints in the loop.")


def _pulses(seen: Seen) -> Step:
    step = StepId.PULSES
    if seen.chain is None or seen.drive.whole_pitches is None:
        return Step.after(step, StepId.REGISTERED)
    if not seen.looks:
        mend = (
            f"Let the device publish to the topic .../{seen.drive.drive_id}/pulses; look under Refused, too."
        )
        return Step.waiting(step, "No batch has come.", mend)
    newest = seen.looks[-1].batch
    age_ns = seen.now_ns - newest.end_ns
    if age_ns > max(STALE_NS, 3 * (newest.end_ns - newest.t0_ns)):
        return Step.waiting(
            step, f"The newest batch is {age_ns / 1e9:.0f} s old.", "Look after the device and its network."
        )
    last = seen.looks[-RECENT_MIN:]
    up, down = (sum(each.pulses[sensor] for each in last) for sensor in (0, 1))
    if max(up, down) <= len(last):
        return Step.waiting(
            step, "The chain stands still: neither sensor pulses.", "Start the drive, guards on."
        )
    if one_is_silent(up, down):
        dead, live, count = ("up", "down", down) if up < down else ("down", "up", up)
        return Step.failed(
            step,
            f"`{dead}` is silent ({min(up, down)} pulses) while `{live}` gives {count}.",
            f"Check `{dead}`: supply, cable, plug, its input at the device, its gap to the chain.",
            caution=True,
        )
    seconds = sum(each.batch.end_ns - each.batch.t0_ns for each in last) / 1e9
    what = "pairs" if seen.reduced else "pulses"
    rates = f"{up / seconds:.1f} and {down / seconds:.1f} a second" if seconds > 0 else "newest windows"
    return Step.passed(
        step, f"`up` {up} and `down` {down} {what} in the newest {_many(len(last), 'window')}: {rates}."
    )


def _counts(seen: Seen) -> Step:
    step = StepId.COUNTS
    if not seen.running:
        return Step.after(step)
    if seen.reduced:
        return Step.not_needed(step, "The device sends means, no pulses: it has to check that itself.")
    up, down = (sum(each.pulses[sensor] for each in seen.running) for sensor in (0, 1))
    said = f"`up` {up}, `down` {down} pulses in {_many(len(seen.running), 'window')}"
    if abs(up - down) <= len(seen.running) + COUNTS_APART * max(up, down):
        return Step.passed(step, f"{said}.")
    more, less = ("down", "up") if down > up else ("up", "down")
    times = max(up, down) / min(up, down)
    if times > 1.5 and abs(times - round(times)) < 0.1 * times:
        return Step.failed(
            step,
            f"{said}: `{more}` pulses {round(times)} times for each pulse of `{less}`.",
            f"Let `{more}` see one thing a joint (the roller, or the pin, not both), and count rising edges only.",
            caution=True,
        )
    return Step.failed(
        step,
        f"{said}: {100 * (times - 1):.1f} % apart.",
        f"`{less}` misses joints, or `{more}` sees more than joints: set the gaps alike, keep other metal away.",
        caution=True,
    )


def _even(seen: Seen) -> Step:
    step = StepId.EVEN
    if not seen.running:
        return Step.after(step)
    if seen.reduced:
        return Step.not_needed(step, "The device sends means, no pulses: it has to check that itself.")
    lags = [lag for _, lag in seen.measured]
    if not lags:
        return Step.waiting(step, f"No window could be told apart yet ({_why_no_lag(seen)}).")
    faults = []
    for name, counts in (("up", [each.up for each in lags]), ("down", [each.down for each in lags])):
        pulses = sum(each.pulses for each in counts)
        for verb, lost in (
            ("misses", sum(c.missed for c in counts)),
            ("doubles or adds", sum(c.extra for c in counts)),
        ):
            if lost >= LOST_MIN and lost > LOSS_MAX * pulses:
                faults.append(
                    (f"`{name}` {verb} {100 * lost / pulses:.1f} % of its pulses ({lost} of {pulses})", verb)
                )
    if seen.by_alternation is not None and seen.by_alternation[0] > ELONGATION_CREDIBLE_PCT:
        return Step.failed(
            step,
            f"Long and short intervals in turn, by {seen.by_alternation[0]:.0f} % of the mean: no chain is worn so far.",
            "As if a joint gave two pulses: let the sensors see the roller, or the pin, not both.",
            caution=True,
        )
    if faults:
        mend = {
            "misses": "Bring it nearer: within 0.8 of its rated distance at the lowest point of the strand's swing.",
            "doubles or adds": "Take it further away, or let it look at the rollers only; check for loose contacts.",
        }
        told = dict.fromkeys(mend[verb] for _, verb in faults)
        return Step.failed(step, "; ".join(fault for fault, _ in faults) + ".", " ".join(told), caution=True)
    return _even_scatter(seen, sum(each.up.pulses for each in lags))


def _even_scatter(seen: Seen, pulses: int) -> Step:
    """The scatter of the two switching places held against each other: a sensor with too wide a gap scatters more."""
    step, pitch_mm = StepId.EVEN, seen.chain.pitch_mm if seen.chain else 1.0
    scatters = [found for each in seen.running if (found := _scatter(each.batch)) is not None]
    said = f"Hardly a pulse missed or extra in {pulses}"
    if not scatters:
        return _even_on(seen, said)
    up, down = (median(each[sensor] for each in scatters) for sensor in (0, 1))
    places = f"the place of switching scatters by {up * pitch_mm:.3f} mm at `up`, {down * pitch_mm:.3f} mm at `down`"
    if max(up, down) > SCATTER_PITCHES and max(up, down) > SCATTER_RATIO * min(up, down):
        worse = "up" if up > down else "down"
        return Step.failed(
            step,
            f"The gaps or brackets differ: {places}.",
            f"Set the gap of `{worse}` as that of the other, with a feeler gauge; see that its bracket is firm.",
            caution=True,
        )
    return _even_on(seen, f"{said}; {places}")


def _even_on(seen: Seen, said: str) -> Step:
    """How long a joint keeps either sensor on, where the device tells: a nearer sensor stays on longer."""
    step = StepId.EVEN
    shares = [found for batch, lag in seen.measured if (found := _on_shares(batch, lag)) is not None]
    if not shares:
        lamps = "How long each pulse lasts is not in the batches: compare the lamps of the two sensors."
        return Step.passed(step, f"{said}. {lamps}")
    up, down = (median(each[sensor] for each in shares) for sensor in (0, 1))
    lasts = f"a joint keeps `up` on for {up:.2f} pitches, `down` for {down:.2f} pitches"
    for name, share in (("up", up), ("down", down)):
        if share < ON_LEAST:
            mend = f"Bring `{name}` nearer: what swings away from it is missed."
            return Step.failed(step, f"Hardly on: {lasts}.", mend, caution=True)
        if share > ON_MOST:
            mend = f"Take `{name}` further away, or let it look at the rollers only: it hardly goes off between two joints."
            return Step.failed(step, f"Hardly off: {lasts}.", mend, caution=True)
    if abs(up - down) > ON_APART:
        longer = "up" if up > down else "down"
        mend = f"Set both gaps alike, with a feeler gauge: `{longer}` stands nearer to the chain, or switches off later."
        return Step.failed(step, f"The gaps differ: {lasts}.", mend, caution=True)
    return Step.passed(step, f"{said}; {lasts}.")


def _on_shares(batch: Batch, lag: Lag) -> tuple[float, float] | None:
    """For which part of a pitch a joint keeps `up` and `down` on; None where the device does not tell."""
    if batch.up_on_us is None or batch.down_on_us is None:
        return None
    return batch.up_on_us * 1e-6 / lag.period_s, batch.down_on_us * 1e-6 / lag.period_s


def _scatter(batch: Batch) -> tuple[float, float] | None:
    """Scatter of the switching place of `up` and of `down`, pitches; None for a batch that is not clean.

    A joint against the mean of those two before and two after, which alternation leaves alone: 3/2 of the variance.
    """
    found = []
    for ticks in (batch.up, batch.down):
        if len(ticks) < 24:
            return None
        intervals = np.diff(ticks)
        if intervals.min() <= 0 or intervals.max() > CLEAN_RATIO * intervals.min():
            return None
        aside = ticks[2:-2] - (ticks[:-4] + ticks[4:]) / 2
        found.append(float(np.std(aside)) / math.sqrt(1.5) / float(intervals.mean()))
    return found[0], found[1]


def _speed(seen: Seen) -> Step:
    step, teeth, shaft = StepId.SPEED, seen.drive.driver_teeth, seen.shaft_rev_per_min
    rates = [1 / each.lag.period_s for each in seen.running if each.lag.period_s]
    if not rates or seen.chain is None:
        return Step.after(step)
    rate = median(rates)
    said = f"{rate * seen.chain.pitch_mm / 1000:.3f} m/s, {rate:.2f} joints a second"
    if shaft is None or teeth is None:
        lack = "the teeth of the driver" if teeth is None else "the speed of its shaft"
        return Step.not_needed(
            step, f"{said}. Not checked.", f"Give {lack}, to have it held against the pulses."
        )
    due = teeth * shaft / 60
    said += f"; {teeth} teeth at {shaft:g} rev/min make {due:.2f}"
    if abs(rate / due - 1) <= max(0.01, 0.5 / teeth):
        return Step.passed(step, f"{said}.")
    return Step.failed(step, f"{said}.", _speed_mend(seen.drive, rate * 60 / shaft, teeth))


def _speed_mend(drive: Drive, fits_teeth: float, teeth: int) -> str:
    times = fits_teeth / teeth
    if drive.driven_teeth is not None and abs(fits_teeth / drive.driven_teeth - 1) < 0.5 / drive.driven_teeth:
        return f"It fits the driven sprocket with its {drive.driven_teeth} teeth: is that the shaft that was read?"
    if times > 1.5 and abs(times - round(times)) < 0.03 * times:
        return (
            f"Each joint gives {round(times)} pulses: let the sensors see the roller, or the pin, not both."
        )
    return f"It would fit {fits_teeth:.1f} teeth: count the teeth, read the shaft again, and check tick_ns of the device."


def _window(seen: Seen) -> Step:
    step, loop, measured = StepId.WINDOW, seen.chain.pitches_in_loop if seen.chain else None, seen.measured
    if not measured:
        return Step.after(step)
    if loop is None:
        mend = "Count the joints of the whole chain, drive locked out, and enter the number with the chain."
        return Step.failed(step, "How long a lap is, nobody has entered.", mend, caution=True, blocks=False)
    seconds = median((batch.end_ns - batch.t0_ns) / 1e9 for batch, _ in measured)
    lap_s = (loop + 3) * median(lag.period_s for _, lag in measured)
    said = f"A window of {seconds:.3g} s holds {seconds / lap_s:.2f} laps of {loop} joints"
    if seen.repeats is not None and seen.repeats != loop:
        mend = f"Count the joints once more, drive locked out; if there are {seen.repeats}, enter that with the chain."
        return Step.failed(step, f"{said}, but the links repeat after {seen.repeats}.", mend, caution=True)
    if median(lag.averaged for _, lag in measured) >= loop:
        return Step.passed(step, f"{said}.")
    return Step.failed(
        step,
        f"{said}.",
        f"Set the device to windows of {math.ceil(lap_s)} s or more at this speed; else uneven wear along the chain "
        "scatters the readings. Windows that follow each other are joined here.",
        blocks=False,
    )


def _tick(seen: Seen) -> Step:
    """Whether the tick adds little, be it that it is fine or that scatter dithers it.

    A lag is a difference of two times, each with q / sqrt(12) (JCGM 100:2008, F.2.2.1, from memory).
    """
    step, measured = StepId.TICK, seen.measured
    if not measured:
        return Step.after(step)
    if seen.reduced:
        return Step.not_needed(step, "The device sends means: what its tick adds is not seen.")
    tick_us = measured[-1][0].tick_ns / 1000
    tick = median(batch.tick_ns * 1e-9 / lag.period_s for batch, lag in measured)
    jitter = median(lag.jitter_u_pitches for _, lag in measured)
    alone = tick / math.sqrt(6)
    adds_pct = 100 * min(alone, jitter) / seen.asked
    said = f"A tick of {tick_us:g} µs is {tick:.5f} of a pitch at this speed and adds {adds_pct:.4f} %"
    if tick <= TICK_PITCHES and (100 * alone / seen.asked <= TICK_PCT or jitter < alone):
        return Step.passed(step, f"{said}.")
    finest_us = TICK_PCT / 100 * seen.asked * math.sqrt(6) * tick_us / tick
    return Step.failed(step, f"{said}.", f"Let the device stamp with a tick of {finest_us:.2g} µs or finer.")


def _clock(seen: Seen) -> Step:
    step = StepId.CLOCK
    batches = [each.batch for each in seen.recent]
    if not batches:
        return Step.after(step)
    if len(batches) < 2:
        return Step.waiting(step, f"{_many(len(batches), 'window')} so far; two are needed.")
    if (ahead_ns := batches[-1].end_ns - seen.now_ns) > AHEAD_NS:
        return Step.failed(
            step,
            f"The device's clock is {ahead_ns / 1e9:.0f} s ahead of ours.",
            "Set it, best by NTP; and check that ours is right.",
        )
    devices = {each.device_id for each in batches}
    if len(devices) > 1:
        named = ", ".join(sorted(repr(each) for each in devices))
        return Step.failed(
            step,
            f"{len(devices)} devices send for this drive: {named}.",
            "Let one of them send, with both sensors on it.",
        )
    return _clock_windows(batches) or _clock_drift(seen)


def _clock_windows(batches: Sequence[Batch]) -> Step | None:
    """What is wrong with numbers and times of the windows; None if nothing is."""
    pairs = list(pairwise(batches))
    back = sum(after.seq <= before.seq for before, after in pairs)
    lost = sum(max(0, after.seq - before.seq - 1) for before, after in pairs)
    gaps = [gap for before, after in pairs if (gap := gap_ns(before, after)) is not None]
    overlaps = [gap for gap in gaps if gap < -OVERLAP_NS]
    if back or len(overlaps) > len(pairs) / 10:
        worst = f" by up to {-min(overlaps) / 1e6:.1f} ms" if overlaps else ""
        return Step.failed(
            StepId.CLOCK,
            f"{len(overlaps)} of {len(batches)} windows overlap the one before{worst}, {back} count back.",
            "t0 is the time of tick 0 of that very window; seq rises by one with each; check tick_ns and span_ticks.",
        )
    if lost > MISSING_MAX * (len(pairs) + lost):
        return Step.failed(
            StepId.CLOCK,
            f"{lost} of {len(batches) + lost} windows did not come.",
            "Look after the network; let the device keep what it cannot send.",
        )
    return None


def _clock_drift(seen: Seen) -> Step:
    """Whether the lag runs away as it does with sensors on two clocks."""
    step, drift = StepId.CLOCK, fit_drift(seen.points)
    said = f"{_many(len(seen.recent), 'window')} in order"
    spans = all(each.batch.span_ns is not None for each in seen.recent)
    lost = "" if spans else " Without span_ticks a drive that stands still is not told from a lost window."
    if isinstance(drift, NotLearnt):
        return Step.passed(step, f"{said}.{lost}")
    per_s, u = drift
    seconds = (seen.points[-1].t_ns - seen.points[0].t_ns) / 1e9
    ppm = abs(1e6 * per_s / median(each.joints_per_s for each in seen.points))
    if abs(per_s) * seconds > DRIFT_PITCHES and abs(per_s) > 5 * u:
        return Step.failed(
            step,
            f"The lag runs away by {60 * per_s:+.4f} pitches a minute, as of two clocks that are {ppm:.1f} ppm apart.",
            "One clock has to stamp both sensors: bring both to one device. If it does, look for a bracket that creeps.",
            caution=True,
        )
    return Step.passed(step, f"{said}; the lag drifts by {ppm:.2f} ppm.{lost}")


def _order(seen: Seen) -> Step:
    step, lag, match = StepId.ORDER, seen.lag_now, seen.match
    if any(each.batch.direction < 0 for each in seen.running):
        return Step.failed(
            step,
            "The device says that the chain runs backwards (dir -1).",
            "Run it forward; baselines are of forward travel.",
        )
    if _mostly(seen, NotMeasured.REVERSED):
        return Step.failed(step, "The chain turned back within a window.", "Run it forward, and steadily.")
    if lag is None or seen.chain is None:
        return Step.after(step)
    return _order_by_links(match) if match is not None and match.sure else _order_by_spacing(seen, lag)


def _order_by_links(match: Match) -> Step:
    step, said = StepId.ORDER, f"The links' own lengths match {abs(match.pitches):.2f} pitches"
    proof = (
        f"({match.strength:.1f} times the scatter, next {match.next_best:.1f}, over {match.laps:.0f} laps)"
    )
    if match.pitches > 0:
        return Step.passed(step, f"{said} on: each link passes `up` first {proof}.")
    return Step.failed(
        step, f"{said} the other way round: `down` sees each link first {proof}.", EXCHANGE, caution=True
    )


def _order_by_spacing(seen: Seen, lag: float) -> Step:
    step, (expected, u) = StepId.ORDER, seen.expected
    there, back = _off(expected - lag), _off(expected + lag)
    said = f"the lag is {lag:.3f}; the spacing lets expect {expected % 1:.3f}, or {-expected % 1:.3f} exchanged (u {u:.3f})"
    if abs(there - back) > 2 * AGREES * u and min(there, back) <= AGREES * u:
        if there < back:
            return Step.passed(step, f"By the spacing: {said}.")
        return Step.failed(step, f"Exchanged, by the spacing: {said}.", EXCHANGE, caution=True)
    return _undecided(seen, step, f"Not told by the spacing: {said}.")


def _undecided(seen: Seen, step: StepId, said: str) -> Step:
    """The links' own lengths have not told yet, or never will."""
    hand = "Turn the chain forward a little, drive locked out and by hand, and see whose lamp a joint lights first."
    if seen.reduced:
        return Step.waiting(step, f"{said} Means show no more.", hand, caution=True, blocks=False)
    if seen.chain is None or seen.chain.pitches_in_loop is None:
        return Step.waiting(
            step, said, "Enter the number of joints in the loop: then the links themselves tell."
        )
    if _patience_is_over(seen):
        return Step.waiting(
            step, f"{said} The links are too alike to tell.", hand, caution=True, blocks=False
        )
    match = seen.match
    so_far = (
        f"{match.strength:.1f} times the scatter after {match.laps:.0f} laps" if match else "no whole lap yet"
    )
    return Step.waiting(
        step, f"{said} The links' own lengths do not stand out yet ({so_far}).", "Let it run on."
    )


def _patience_is_over(seen: Seen) -> bool:
    joints = seen.match.joints if seen.match else 0
    return joints > PATIENCE_JOINTS or seen.looks[-1].batch.end_ns - seen.looks[0].batch.t0_ns > PATIENCE_NS


def _lag(seen: Seen) -> Step:
    step = StepId.LAG
    if not seen.running:
        return Step.after(step)
    without = [each for each in seen.running if isinstance(each.lag, NoLag)]
    if len(without) > len(seen.running) / 5:
        return Step.failed(
            step,
            f"{len(without)} of {_many(len(seen.running), 'window')} have no lag ({_why_no_lag(seen)}).",
            "Run it at steady speed. Both sensors must look at the same tight strand and sit firmly.",
            caution=True,
        )
    since_ns = seen.recent[0].batch.end_ns
    points = [each for each in seen.points if each.t_ns >= since_ns]
    if len(points) < LAGS_MIN:
        return Step.waiting(step, f"{len(points)} of {LAGS_MIN} lags so far.")
    pitches = [each.pitches - _speed_part(seen, each) for each in points]
    middle = median(pitches)
    scatter = 1.4826 * median(abs(each - middle) for each in pitches)
    due = median(each.u_pitches for each in points)
    allowed = LAG_SIGMAS * math.hypot(due, seen.asked * seen.drive.load_u_pct / 100) + LAG_FLOOR_PITCHES
    said = f"{middle % 1:.4f} pitches, scatter {scatter:.4f} from window to window ({due:.4f} from the pulses; {allowed:.4f} allowed)"
    if scatter <= allowed:
        return Step.passed(step, f"{said}.")
    return Step.failed(
        step,
        f"{said}.",
        "Something between the sensors moves: a loose bracket, a strand that swings or sags, a load that jumps (let the "
        "device send load_n), two "
        "clocks that are set right against each other.",
        caution=True,
    )


def _speed_part(seen: Seen, point: DelayPoint) -> float:
    """What the delay adds to a lag, where several speeds have shown it."""
    return seen.delay.delay_us * 1e-6 * point.joints_per_s if isinstance(seen.delay, DelayFit) else 0.0


def _delay(seen: Seen) -> Step:
    step, known, fit = StepId.DELAY, seen.drive.delay_us, seen.delay
    if not seen.points or seen.chain is None:
        return Step.after(step, blocks=False)
    if isinstance(fit, NotLearnt):
        speeds = different_speeds(each.joints_per_s for each in seen.points)
        at = " and ".join(f"{_m_s(seen, each):.2f} m/s" for each in speeds) or "no steady speed"
        taken = "" if known is None else f" {known:g} µs are taken off."
        return Step.waiting(
            step,
            f"Seen at {at} only.{taken}",
            "Run it at a second speed, a fifth faster or slower at least, for half a minute. Where it has one speed "
            "only, an unequal delay is a part of the baseline and does no harm.",
            blocks=False,
        )
    at = " and ".join(f"{_m_s(seen, each):.2f}" for each in fit.speeds)
    left_us, left_u_us = (
        fit.delay_us - (known or 0.0),
        math.hypot(fit.u_us, seen.drive.delay_u_us if known else 0.0),
    )
    moves_pct = 100 * abs(left_us) * 1e-6 * (fit.speeds[-1] - fit.speeds[0]) / seen.asked
    said = f"`down` switches {fit.delay_us:+.1f} µs after `up` (u {fit.u_us:.1f} µs), at {at} m/s"
    if abs(left_us) <= AGREES * left_u_us or moves_pct <= DELAY_PCT:
        applied = (
            "Nothing needs to be taken off." if known is None else f"{known:g} µs are taken off already."
        )
        return Step.passed(step, f"{said}. {applied}")
    return Step.failed(
        step,
        f"{said}: it would move the elongation by {moves_pct:.3f} % between these speeds.",
        "Have it taken off from now on, then take the baseline. If the load changed with the speed, some of it may be "
        "stretch: run both speeds under like load.",
    )


def _m_s(seen: Seen, joints_per_s: float) -> float:
    return joints_per_s * (seen.chain.pitch_mm if seen.chain else 0.0) / 1000


def _spacing(seen: Seen) -> Step:
    step, lag, chain = StepId.SPACING, seen.lag_now, seen.chain
    if lag is None or chain is None:
        return Step.after(step)
    match = seen.match if seen.match is not None and seen.match.sure else None
    between = seen.between(lag)
    wear_pct, wear_u_pct = seen.wear
    found = between * (1 + wear_pct / 100)  # in nominal pitches
    off_mm = (found - seen.asked) * chain.pitch_mm
    u_mm = math.hypot(seen.drive.spacing_u_mm, between * chain.pitch_mm * wear_u_pct / 100)
    by = "by the alternation of long and short links" if seen.by_alternation else "as stated"
    said = (
        f"{between:.4f} pitches lie between the sensors; with {wear_pct:.2f} % of wear {by} that is {found:.3f} new ones, "
        f"{found * chain.pitch_mm:.1f} mm; registered are {seen.asked:g}, {seen.asked * chain.pitch_mm:.1f} mm "
        f"({off_mm:+.2f} mm, u {u_mm:.2f} mm)"
    )
    if abs(off_mm) > AGREES * u_mm:
        return Step.failed(step, f"{said}.", _spacing_mend(seen, found), caution=True)
    if match is not None or seen.reduced or chain.pitches_in_loop is None or _patience_is_over(seen):
        whole = (
            "" if match else " The whole number is taken as registered: count once more, drive locked out."
        )
        return Step.passed(step, f"{said}.{whole}")
    return _undecided(seen, step, f"{said}. The whole number is as registered.")


def _spacing_mend(seen: Seen, found: float) -> str:
    pitch_mm = seen.asked * (seen.chain.pitch_mm if seen.chain else 0.0) / found
    pitches = {each.pitch_mm for each in catalogue.chains() if each.pitch_mm is not None}
    other = [each for each in sorted(pitches) if abs(each / pitch_mm - 1) < PITCH_RATIO_AGREES]
    whole = math.floor(found)
    said = f"Enter n = {whole} and d = {found - whole:.3f} if the chain is the one that is registered."
    if other and abs(found - seen.asked) > 1:
        said += f" Or is it a chain of {other[0]:g} mm pitch? That would fit the spacing in mm."
    return f"{said} Where the sensors were measured with care, see whether one was moved."


def _mostly(seen: Seen, reason: NotMeasured) -> bool:
    found = [each for each in seen.running if isinstance(each.lag, NoLag) and each.lag.reason is reason]
    return len(found) > len(seen.running) / 2


def _why_no_lag(seen: Seen) -> str:
    reasons = [each.lag.reason for each in seen.running if isinstance(each.lag, NoLag)]
    return max(set(reasons), key=reasons.count).value.replace("_", " ") if reasons else "none came"


def _many(count: int, what: str) -> str:
    return f"{count} {what}" if count == 1 else f"{count} {what}s"


def _off(pitches: float) -> float:
    """The distance from the nearest whole number."""
    return abs(pitches - round(pitches))
