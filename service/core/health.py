"""The state of the sensing of one drive, apart from that of its chain: a failed sensor is no worn chain and no good one.

The classes and their order are those of NAMUR NE 107 (from memory): failure, function check, out of specification,
maintenance required; the highest that is present wins, in this order. Each comes from a sign: what was seen, since when,
what would mend it.

Knows readings, findings and what is known besides; must not know who watches. What the newest readings show
(`present_signs`) is told apart from what only many show (`lasting_signs`), because the first is asked for every second.
"""

import math
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum
from itertools import pairwise

import numpy as np

from service.core.findings import Finding, FindingKind
from service.core.not_measured import NotMeasured
from service.core.reading import Reading
from service.core.trend import Floats, fit, rising

NS_PER_S = 1_000_000_000
QUIET_WINDOWS = 3  # windows without data before a drive is said to be quiet, however long they are
CLOCK_AHEAD_S = 2.0  # transport takes time, so a window that ends after now has a clock ahead
CLOCK_REFUSED_NS = 900 * NS_PER_S  # a refusal for its clock says how it stands now for so long
COUNTED_MAX = 60  # newest readings over which pulses are counted
# Missed or extra pulses above which a sensor wants looking after (common practice, no source); one or two say nothing.
PULSE_LOSS_MAX = 0.01  # share of the pulses
PULSES_LOST_MIN = 3
SILENT_MIN = 4  # pulses of the other sensor
STEADY = 0.04  # part of its joints by which a window of a steady drive may be out
STUCK_MIN = 5  # readings of a running drive, one after the other, that a slow or unsteady drive must give
MISSING_MAX = 0.01  # share of the batches
MISSING_MIN = 3
OVERLAP_NS = (
    50_000_000  # windows of one device that overlap by more were stamped by a clock that was set back
)
BLOCKS = 12  # of readings, in which a rising share is looked for
BLOCK_MIN = 5  # readings in a block
RISING_SURE = 4.0  # standard deviations
RISING_SHARE = 0.002  # that a rising share must have come to
RISING_RATIO = 2.0  # of its last third to its first
SCATTER_SURE = 6.0  # standard uncertainties
SCATTER_MIN = 0.01  # -ln of the coherence that a falling one must have come to: 0.02 pitch of scatter


class Status(StrEnum):
    """State of the sensing; the first four as NE 107 names them."""

    FAILURE = "failure"
    FUNCTION_CHECK = "function_check"
    OUT_OF_SPECIFICATION = "out_of_specification"
    MAINTENANCE_REQUIRED = "maintenance_required"
    GOOD = "good"
    NOT_JUDGED = "not_judged"


LETTERS = {
    Status.FAILURE: "F",
    Status.FUNCTION_CHECK: "C",
    Status.OUT_OF_SPECIFICATION: "S",
    Status.MAINTENANCE_REQUIRED: "M",
}
GRAVEST_FIRST = tuple(LETTERS)


class SignKind(StrEnum):
    """What was seen."""

    SENSOR_SILENT = "sensor_silent"  # while the other pulses
    NO_DATA = "no_data"
    DEVICE_OFFLINE = "device_offline"  # by its last will
    CLOCK_INVALID = "clock_invalid"  # messages are refused for it
    COMMISSIONING = "commissioning"
    NO_BASELINE = "no_baseline"
    SIMULATED = "simulated"
    LOW_COHERENCE = "low_coherence"
    AMBIGUOUS = "ambiguous"
    OUT_OF_RANGE = "out_of_range"
    SPEED_OUT_OF_RANGE = "speed_out_of_range"  # too slow for its windows, or never steady
    BACKWARDS = "backwards"  # always
    CLOCK_AHEAD = "clock_ahead"
    VALUE_DOUBTFUL = "value_doubtful"  # by a finding
    PULSES_MISSED = "pulses_missed"
    PULSES_EXTRA = "pulses_extra"
    MISSED_RISING = "missed_rising"
    EXTRA_RISING = "extra_rising"
    COHERENCE_FALLING = "coherence_falling"
    DELAY_DRIFTS = "delay_drifts"  # by a finding
    BATCHES_MISSING = "batches_missing"
    CLOCK_SET_BACK = "clock_set_back"


@dataclass(frozen=True, slots=True, kw_only=True)
class Sign:
    """What was seen in a few words, since when, and what would mend it. `sensor`: up, down, or "" for the whole."""

    kind: SignKind
    status: Status
    since_ns: int
    what: str
    mend: str
    sensor: str = ""


@dataclass(frozen=True, slots=True)
class Health:
    """The state of the sensing and the signs of it, gravest first."""

    status: Status
    signs: tuple[Sign, ...] = ()

    @property
    def letter(self) -> str:
        """The letter of NE 107, or "" where none applies."""
        return LETTERS.get(self.status, "")

    @property
    def what(self) -> str:
        """The gravest sign in a few words."""
        if self.signs:
            return self.signs[0].what
        return "Both sensors good" if self.status is Status.GOOD else "Not judged from this window"


@dataclass(frozen=True, slots=True, kw_only=True)
class Known:
    """What is known of a drive besides its readings.

    `pitch_mm`: nominal, of the chain that is on. `quiet_after_s`: without data for so long something is wrong. `online`: as
    the device says; None: it says nothing. `clock_refused_ns`: when messages came that were refused for their clock.
    `commissioned`: it has a baseline.
    """

    now_ns: int
    pitch_mm: float | None = None
    quiet_after_s: float = 180.0
    online: bool | None = None
    online_since_ns: int = 0
    clock_refused_ns: tuple[int, ...] = ()
    commissioned: bool = True
    commissioning_since_ns: int | None = None
    simulated: bool = False


def health(signs: Iterable[Sign], newest: Reading | None) -> Health:
    """Return the state of the sensing: the gravest sign wins, in the order F, C, S, M.

    Args:
        signs: present and lasting ones, in any order.
        newest: reading of the drive; without signs it decides whether anything was judged at all.
    """
    order = {status: rank for rank, status in enumerate(GRAVEST_FIRST)}
    found = tuple(sorted(signs, key=lambda sign: (order[sign.status], sign.since_ns)))
    if found:
        return Health(found[0].status, found)
    judged = newest is not None and newest.reason not in _NOT_JUDGED
    return Health(Status.GOOD if judged else Status.NOT_JUDGED)


_NOT_JUDGED = {NotMeasured.STOPPED, NotMeasured.TOO_FEW_PULSES, NotMeasured.WINDOW_TOO_LONG}


def carried_on(signs: Iterable[Sign], before: Iterable[Sign]) -> list[Sign]:
    """Return the signs, each dated back to where it was seen first without a break."""
    since = {(sign.kind, sign.sensor): sign.since_ns for sign in before}
    return [
        replace(sign, since_ns=min(sign.since_ns, since.get((sign.kind, sign.sensor), sign.since_ns)))
        for sign in signs
    ]


# What the newest readings show


def present_signs(readings: Sequence[Reading], known: Known) -> list[Sign]:
    """Return what the newest readings and the devices show just now.

    Args:
        readings: of one drive in the order of t_ns; one will do, more say since when.
        known: what is known besides.
    """
    return [*_of_silence(readings, known), *_of_work(readings, known), *_of_newest(readings, known)]


def _of_silence(readings: Sequence[Reading], known: Known) -> Iterator[Sign]:
    """Failures that keep readings from coming at all."""
    newest_ns = readings[-1].t_ns if readings else None
    refused_ns = [
        each
        for each in known.clock_refused_ns
        if each > known.now_ns - CLOCK_REFUSED_NS and (newest_ns is None or each > newest_ns)
    ]
    if refused_ns:
        yield Sign(
            kind=SignKind.CLOCK_INVALID,
            status=Status.FAILURE,
            since_ns=min(refused_ns),
            what="The device's clock is wrong",
            mend="Set the clock of the device (NTP or PTP): what it sends is refused until then.",
        )
    offline = known.online is False and (newest_ns is None or newest_ns <= known.online_since_ns)
    if offline:
        yield Sign(
            kind=SignKind.DEVICE_OFFLINE,
            status=Status.FAILURE,
            since_ns=known.online_since_ns,
            what="The device is offline",
            mend="Check the device's supply and its network. It comes back by itself once it reaches the broker.",
        )
    if newest_ns is not None and not offline and not refused_ns and _is_quiet(readings[-1], known):
        yield Sign(
            kind=SignKind.NO_DATA,
            status=Status.FAILURE,
            since_ns=newest_ns,
            what="No data come",
            mend="Check the device, its network and its topic; look under Refused for messages that could not be used. If "
            "messages do come, its clock is behind.",
        )


def _is_quiet(newest: Reading, known: Known) -> bool:
    """Whether no window has come for too long. A device sends windows of a stopped drive, too."""
    longest_ns = max(known.quiet_after_s * NS_PER_S, QUIET_WINDOWS * (newest.t_ns - newest.t0_ns))
    return known.now_ns - newest.t_ns > longest_ns


def _of_work(readings: Sequence[Reading], known: Known) -> Iterator[Sign]:
    """Function checks: somebody works on it, or it was never set up."""
    first_ns = readings[0].t_ns if readings else known.now_ns
    if known.commissioning_since_ns is not None:
        yield Sign(
            kind=SignKind.COMMISSIONING,
            status=Status.FUNCTION_CHECK,
            since_ns=known.commissioning_since_ns,
            what="Being commissioned",
            mend="Finish the commissioning: it ends with a baseline.",
        )
    elif not known.commissioned and readings:
        yield Sign(
            kind=SignKind.NO_BASELINE,
            status=Status.FUNCTION_CHECK,
            since_ns=first_ns,
            what="Not commissioned: no baseline",
            mend="Commission the drive, or record a baseline: until then a reading is only as good as the spacing.",
        )
    if known.simulated and readings:
        yield Sign(
            kind=SignKind.SIMULATED,
            status=Status.FUNCTION_CHECK,
            since_ns=first_ns,
            what="Simulated data",
            mend="Nothing to mend: no real drive is behind these readings.",
        )


def _of_newest(readings: Sequence[Reading], known: Known) -> Iterator[Sign]:
    """What the newest window shows of the two sensors and the clock."""
    if not readings:
        return
    newest = readings[-1]
    if silent := silent_sensor(newest):
        yield Sign(
            kind=SignKind.SENSOR_SILENT,
            status=Status.FAILURE,
            since_ns=_since(readings, lambda each: silent_sensor(each) == silent),
            what=f"Sensor {silent} is silent",
            mend=f"Check sensor {silent}: supply, cable, plug, gap to the chain.",
            sensor=silent,
        )
    elif newest.reason in _DOUBTED:
        kind, what, mend = _DOUBTED[newest.reason]
        yield Sign(
            kind=kind,
            status=Status.OUT_OF_SPECIFICATION,
            since_ns=_since(readings, lambda each: each.reason is newest.reason),
            what=what,
            mend=mend,
        )
    else:
        yield from _of_pulses(steady(readings[-COUNTED_MAX:], known.pitch_mm))
    ahead_s = (newest.t_ns - known.now_ns) / NS_PER_S
    if ahead_s > CLOCK_AHEAD_S:
        yield Sign(
            kind=SignKind.CLOCK_AHEAD,
            status=Status.OUT_OF_SPECIFICATION,
            since_ns=newest.t_ns,
            what=f"The device's clock is {ahead_s:.0f} s ahead",
            mend="Set the clock of the device (NTP or PTP); more than 10 min ahead is refused.",
        )


_DOUBTED: Mapping[NotMeasured | None, tuple[SignKind, str, str]] = {
    NotMeasured.LOW_COHERENCE: (
        SignKind.LOW_COHERENCE,
        "Sensors show no common lag",
        "Check that both sensors look at the same strand, sit firmly and have the same gap to the chain.",
    ),
    NotMeasured.AMBIGUOUS: (
        SignKind.AMBIGUOUS,
        "More than one whole number of pitches fits",
        "Measure the elongation by hand with the drive locked out, and record it as a baseline.",
    ),
    NotMeasured.OUT_OF_RANGE: (
        SignKind.OUT_OF_RANGE,
        "No whole number of pitches fits",
        "Check that no sensor was moved and that pitches and chain are registered right; then record a new baseline.",
    ),
}


def silent_sensor(reading: Reading) -> str:
    """Return which sensor gave no pulse while the other pulsed: up, down, or "" where neither or both did."""
    fewest, most = sorted((reading.up_pulses, reading.down_pulses))
    if reading.reason is not NotMeasured.SENSOR_SILENT and not (fewest == 0 and most >= SILENT_MIN):
        return ""
    return "up" if reading.up_pulses <= reading.down_pulses else "down"


def _since(readings: Sequence[Reading], holds: Callable[[Reading], bool]) -> int:
    """The end of the first window of the stretch up to the newest in which this holds; a stop in between is no break."""
    since_ns = readings[-1].t_ns
    for each in reversed(readings):
        if holds(each):
            since_ns = each.t_ns
        elif each.reason is not NotMeasured.STOPPED:
            break
    return since_ns


def steady(readings: Iterable[Reading], pitch_mm: float | None) -> list[Reading]:
    """Return the measured readings whose windows hold as many joints as their speed makes: only there pulses are counted.

    Where a drive starts, stops or ramps within a window, a joint that came late looks missed and one that came early extra.

    Args:
        readings: of one chain.
        pitch_mm: its nominal pitch; None: all of them count.
    """
    return [each for each in readings if each.reason is None and _is_steady(each, pitch_mm)]


def _is_steady(reading: Reading, pitch_mm: float | None) -> bool:
    if pitch_mm is None or not reading.speed_m_s:
        return True
    travel_mm = reading.speed_m_s * 1000 * (reading.t_ns - reading.t0_ns) / NS_PER_S
    joints = travel_mm / (pitch_mm * (1 + (reading.elongation_pct or 0.0) / 100))
    due = reading.up_pulses - reading.up_extra + reading.up_missed
    return abs(due - joints) <= STEADY * joints + 2


def _of_pulses(readings: Sequence[Reading]) -> Iterator[Sign]:
    """Pulses missed, or one too many, over the newest readings."""
    for sensor in ("up", "down"):
        for counted in ("missed", "extra"):
            count, of = _counts(readings, sensor, counted)
            if count >= PULSES_LOST_MIN and count > PULSE_LOSS_MAX * of:
                yield _pulse_sign(readings, sensor, counted, count / of)


def _pulse_sign(readings: Sequence[Reading], sensor: str, counted: str, share: float) -> Sign:
    missed = counted == "missed"
    first = next(each for each in readings if getattr(each, f"{sensor}_{counted}"))
    return Sign(
        kind=SignKind.PULSES_MISSED if missed else SignKind.PULSES_EXTRA,
        status=Status.MAINTENANCE_REQUIRED,
        since_ns=first.t_ns,
        what=f"Sensor {sensor} {'misses' if missed else 'doubles'} {share * 100:.1f} % of its pulses",
        mend=_PULSES_MEND[counted].format(sensor=sensor),
        sensor=sensor,
    )


_PULSES_MEND = {
    "missed": "Bring sensor {sensor} nearer to the chain, clean it, check its cable and the switching frequency it can do.",
    "extra": "Take sensor {sensor} further from the chain's plates, fasten it, look for interference on its cable.",
}


def _counts(readings: Iterable[Reading], sensor: str, counted: str) -> tuple[int, int]:
    """How many pulses of a sensor were missed or extra, and of how many: those due, or those received."""
    pulses = missed = extra = 0
    for each in readings:
        pulses += getattr(each, f"{sensor}_pulses")
        missed += getattr(each, f"{sensor}_missed")
        extra += getattr(each, f"{sensor}_extra")
    return (missed, max(1, pulses - extra + missed)) if counted == "missed" else (extra, max(1, pulses))


# What only many readings show


def lasting_signs(
    readings: Sequence[Reading],
    earlier: Sequence[Reading] = (),
    findings: Iterable[Finding] = (),
    pitch_mm: float | None = None,
) -> list[Sign]:
    """Return what shows over many readings only.

    Args:
        readings: of one drive, all of the last while, in the order of t_ns.
        earlier: some of the days before, in the order of t_ns: for what rises slowly.
        findings: of the same drive.
        pitch_mm: nominal, of the chain that is on.
    """
    past = steady([*earlier, *readings], pitch_mm)
    return [
        *_of_findings(findings),
        *_of_stuck(readings),
        *_of_batches(readings),
        *_of_rise(past),
        *_of_coherence(past),
    ]


_OF_FINDING = {
    FindingKind.BRACKET_MOVED: (SignKind.VALUE_DOUBTFUL, Status.OUT_OF_SPECIFICATION),
    FindingKind.LAG_JUMPED: (SignKind.VALUE_DOUBTFUL, Status.OUT_OF_SPECIFICATION),
    FindingKind.CHAIN_CHANGED: (SignKind.VALUE_DOUBTFUL, Status.OUT_OF_SPECIFICATION),
    FindingKind.REVERSED: (SignKind.VALUE_DOUBTFUL, Status.OUT_OF_SPECIFICATION),
    FindingKind.DISAGREE: (SignKind.VALUE_DOUBTFUL, Status.OUT_OF_SPECIFICATION),
    FindingKind.WHOLE_BY_ALTERNATION: (SignKind.VALUE_DOUBTFUL, Status.OUT_OF_SPECIFICATION),
    FindingKind.LAG_DRIFTS: (SignKind.DELAY_DRIFTS, Status.MAINTENANCE_REQUIRED),
    FindingKind.DELAY_UNEQUAL: (SignKind.DELAY_DRIFTS, Status.MAINTENANCE_REQUIRED),
}  # wear is the chain's affair, not the sensors'


def _of_findings(findings: Iterable[Finding]) -> Iterator[Sign]:
    for each in findings:
        if each.kind in _OF_FINDING:
            kind, status = _OF_FINDING[each.kind]
            yield Sign(kind=kind, status=status, since_ns=each.since_ns, what=each.title, mend=each.mend)


_STUCK: Mapping[NotMeasured, tuple[SignKind, str, str]] = {
    NotMeasured.TOO_FEW_PULSES: (
        SignKind.SPEED_OUT_OF_RANGE,
        "Too slow for its windows",
        "Let the device send longer windows.",
    ),
    NotMeasured.SPEED_CHANGE: (
        SignKind.SPEED_OUT_OF_RANGE,
        "The speed is never steady",
        "Let the device send longer windows, so that each holds a steady stretch.",
    ),
    NotMeasured.WINDOW_TOO_LONG: (
        SignKind.SPEED_OUT_OF_RANGE,
        "Windows longer than an hour",
        "Let the device send windows of 1 s to 60 s.",
    ),
    NotMeasured.REVERSED: (
        SignKind.BACKWARDS,
        "The chain runs backwards all the time",
        "If this is forward, up and down are swapped: change the plugs, or what the device sends as dir.",
    ),
}


def _of_stuck(readings: Sequence[Reading]) -> Iterator[Sign]:
    """Why a running drive has given no elongation for many windows now."""
    running = [each for each in readings if each.reason is not NotMeasured.STOPPED]
    reason = running[-1].reason if running else None
    if reason is None or reason not in _STUCK or silent_sensor(running[-1]):
        return
    stretch = _stretch(running, reason)
    if len(stretch) >= STUCK_MIN:
        kind, what, mend = _STUCK[reason]
        yield Sign(
            kind=kind,
            status=Status.OUT_OF_SPECIFICATION,
            since_ns=stretch[-1].t_ns,
            what=what,
            mend=mend,
        )


def _stretch(readings: Sequence[Reading], reason: NotMeasured) -> list[Reading]:
    """The newest readings that have this reason without a break, the newest first."""
    found = []
    for each in reversed(readings):
        if each.reason is not reason:
            break
        found.append(each)
    return found


def _of_batches(readings: Sequence[Reading]) -> Iterator[Sign]:
    """Batches that never came, and windows that overlap, device by device."""
    missing, missing_ns, set_back, set_back_ns = 0, 0, 0, 0
    for device_id in dict.fromkeys(each.device_id for each in readings):
        own = sorted(
            (each for each in readings if each.device_id == device_id),
            key=lambda each: (each.t0_ns, each.seq),
        )
        for before, after in pairwise(own):
            if after.t0_ns < before.t_ns - OVERLAP_NS:
                set_back, set_back_ns = set_back + 1, set_back_ns or after.t_ns
            elif after.seq > before.seq + 1:  # from 0 again: it was restarted
                missing, missing_ns = missing + after.seq - before.seq - 1, missing_ns or after.t_ns
    if set_back:
        yield Sign(
            kind=SignKind.CLOCK_SET_BACK,
            status=Status.MAINTENANCE_REQUIRED,
            since_ns=set_back_ns,
            what="The device's clock was set back",
            mend="Let the device follow NTP or PTP by slewing its clock, and send the time of tick 0 from one clock.",
        )
    elif missing >= MISSING_MIN and missing > MISSING_MAX * (missing + len(readings)):
        yield Sign(
            kind=SignKind.BATCHES_MISSING,
            status=Status.MAINTENANCE_REQUIRED,
            since_ns=missing_ns,
            what=f"{missing} batches did not come, of {missing + len(readings)}",
            mend="Look under Refused for those that could not be used. Else let the device send at QoS 1 and hold batches "
            "while its network is away.",
        )


def _of_rise(readings: Sequence[Reading]) -> Iterator[Sign]:
    """A share of missed or extra pulses that rises over the days."""
    blocks = _blocks(readings)
    for sensor in ("up", "down") if blocks else ():
        for counted in ("missed", "extra"):
            counts, totals = zip(*(_counts(block, sensor, counted) for block in blocks), strict=True)
            third = len(blocks) // 3
            first, last = (
                sum(counts[part]) / sum(totals[part]) for part in (slice(third), slice(-third, None))
            )
            if last < RISING_SHARE or last < RISING_RATIO * first or rising(counts, totals) < RISING_SURE:
                continue
            missed = counted == "missed"
            yield Sign(
                kind=SignKind.MISSED_RISING if missed else SignKind.EXTRA_RISING,
                status=Status.MAINTENANCE_REQUIRED,
                since_ns=blocks[0][0].t_ns,
                what=f"Sensor {sensor} {'misses' if missed else 'doubles'} more and more pulses, now {last * 100:.1f} %",
                mend=_PULSES_MEND[counted].format(sensor=sensor),
                sensor=sensor,
            )


def _blocks(readings: Sequence[Reading]) -> list[Sequence[Reading]]:
    """The readings in up to BLOCKS blocks of the same number; none with too few for three."""
    count = min(BLOCKS, len(readings) // BLOCK_MIN)
    if count < 3:
        return []
    edges = [round(number * len(readings) / count) for number in range(count + 1)]
    return [readings[first:last] for first, last in pairwise(edges)]


def _of_coherence(readings: Sequence[Reading]) -> Iterator[Sign]:
    """Scatter of the pulses that grows over the days: -ln of the coherence goes with its square."""
    told = [each for each in readings if each.coherence]
    if len(told) < BLOCKS * BLOCK_MIN:
        return
    scatter: Floats = np.array([-math.log(min(1.0, each.coherence or 1.0)) for each in told])
    order = np.arange(len(told)) - (len(told) - 1) / 2
    slope = fit(np.column_stack((order, np.ones(len(told)))), scatter)[0]
    third = len(told) // 3
    first, last = float(scatter[:third].mean()), float(scatter[-third:].mean())
    if last > SCATTER_MIN and last > RISING_RATIO * first and slope.value > SCATTER_SURE * slope.u:
        yield Sign(
            kind=SignKind.COHERENCE_FALLING,
            status=Status.MAINTENANCE_REQUIRED,
            since_ns=told[0].t_ns,
            what=f"Coherence falls, now {math.exp(-last):.3f}",
            mend="Check that both sensors sit firmly, are clean and have the same gap to the chain.",
        )
