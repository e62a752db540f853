"""What many readings of one chain show together that none shows alone: the lag held against long and short links.

The lag sees wear, but also a bracket that moved, a switching delay that is unequal, a chain that runs backwards. Long
and short links see wear alone. So where both move it is wear; where only the lag moves it is the sensors. One reading
of the links is a hundred times less exact than the lag, so nothing is said from few.

Knows readings and what they were made with; must not know what anybody does about a finding. A finding says what was
found in numbers with uncertainties (k = 1 in the fields, k = 2 in words), and what to do.
"""

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum
from typing import NamedTuple

import numpy as np

from service.core.alternation import INNER_MADE_PCT, INNER_MADE_U_PCT, POLYGON_SHARE
from service.core.drive import Baseline, Chain, Drive, spacing_pitches
from service.core.elongation import (
    TEETH_ASSUMED,
    NewPitches,
    load_correction_pct,
    new_pitches_by_baseline,
    new_pitches_by_spacing,
    temperature_correction_pct,
)
from service.core.not_measured import NotMeasured
from service.core.pitches import RISE_PCT_PER_DAY
from service.core.reading import Reading, alternations_pct
from service.core.trend import SIDE_MIN, Floats, Level, Step, find_step, fit, level

NS_PER_S = 1_000_000_000
READINGS_MIN = 12  # with an alternation, before it is held against the lag
CHECKED_MAX = 240  # newest readings that go into the check of one against the other
STEP_MIN_PCT = 0.01  # a smaller step is beyond what a reading claims
STEPS_MAX = 4  # that are looked for, one after the other
SURE = 6.0  # standard uncertainties, of what the lag shows by itself
APART = 4.0  # combined standard uncertainties that do not agree any more
OUTLIER = 8.0  # scales from the median of its neighbours: such a reading is left out
SCATTER_MIN_PCT = 0.01  # of such a scale, so that what only follows the speed is not taken for an outlier
SAME_PITCH = 0.25  # pitches within which two counts have the same whole number
SPEEDS_APART = 1.1  # slow to fast: with less a delay is not looked for
DELAY_MIN_PCT = 0.005  # over the speeds seen: less is of no account
# Outer links that outgrew inner ones by less may be the shorter ones still: new ones differ by up to 0.075 %.
SIGN_SURE_PCT = 0.1


class FindingKind(StrEnum):
    """What was found."""

    BRACKET_MOVED = "bracket_moved"  # the lag jumped, the links stayed
    WORE_AT_ONCE = "wore_at_once"  # both rose in a short time
    CHAIN_CHANGED = "chain_changed"  # both fell: no chain heals
    LAG_JUMPED = "lag_jumped"  # and the links cannot tell yet why
    LAG_DRIFTS = "lag_drifts"  # slowly, and the links stay
    DELAY_UNEQUAL = "delay_unequal"  # the value follows the speed
    REVERSED = "reversed"  # the value is right if the chain runs the other way
    DISAGREE = "disagree"  # lag and links give different elongations
    WHOLE_BY_ALTERNATION = "whole_by_alternation"  # the whole number of pitches rests on the links


TITLES = {
    FindingKind.BRACKET_MOVED: "A sensor was moved",
    FindingKind.WORE_AT_ONCE: "The chain grew in a short time",
    FindingKind.CHAIN_CHANGED: "The chain is shorter than before",
    FindingKind.LAG_JUMPED: "The lag jumped",
    FindingKind.LAG_DRIFTS: "The lag drifts, the links do not",
    FindingKind.DELAY_UNEQUAL: "The elongation follows the speed",
    FindingKind.REVERSED: "The chain may run the other way",
    FindingKind.DISAGREE: "Lag and links disagree",
    FindingKind.WHOLE_BY_ALTERNATION: "The whole number of pitches rests on the links",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Size:
    """One number of a finding with its standard uncertainty. `unit`: %, mm, µs or pitches."""

    name: str
    value: float
    u: float
    unit: str

    def __str__(self) -> str:
        return amount(self.value, self.u, self.unit)


@dataclass(frozen=True, slots=True, kw_only=True)
class Finding:
    """What was found, since when, how large, in words, and what to do; `at_drive`: that sends somebody to the drive."""

    kind: FindingKind
    since_ns: int
    sizes: tuple[Size, ...]
    words: str
    mend: str
    at_drive: bool

    @property
    def title(self) -> str:
        """The finding in a few words."""
        return TITLES[self.kind]


class _Seen(NamedTuple):
    """Measured readings of one chain made with the same settings, as columns of the same length."""

    readings: list[Reading]
    times_s: Floats
    lag_pct: Floats
    links_pct: Floats  # mean of both sensors; not a number where the batch gave none
    beside: list[
        Floats
    ]  # what the lag may follow besides wear: speed, and load where it was sent and not taken off
    speed_m_s: Floats


def cross_check(
    readings: Sequence[Reading], *, drive: Drive, chain: Chain, baseline: Baseline | None
) -> list[Finding]:
    """Return what the readings show together, what explains most first; empty where nothing is to be said.

    Args:
        readings: of this drive, in the order of t_ns; hours of them, or samples of days. Those of other chains, or made
            with other settings than the newest, are left out.
        drive: as it is set now.
        chain: the one on it now.
        baseline: in force for it now; None if there is none.
    """
    seen = _seen(readings, drive, chain)
    steps = _steps(seen, drive, chain)
    after = _from(seen, steps[-1][0].index) if steps else seen
    found = [finding for _, finding in steps]
    if not steps:
        found += _drift(seen, drive)
    found += _delay(after, drive, chain)
    reverse = _reversed(readings, drive, chain, baseline)
    found += reverse or _disagreement(after, baseline, drive, found)
    return [*found, *_whole(seen, chain)]


# Which readings go together


def _seen(readings: Sequence[Reading], drive: Drive, chain: Chain) -> _Seen:
    """Those measured on the chain as the newest was: same baseline, same spacing, same delay; outliers left out."""
    measured = [
        each for each in readings if each.elongation_pct is not None and each.chain_id == chain.chain_id
    ]
    alike = [each for each in measured if _made_alike(each, measured[-1], chain.pitch_mm)] if measured else []
    if len(alike) >= SIDE_MIN:
        kept = _inliers(np.array([each.elongation_pct for each in alike], dtype=np.float64))
        alike = [each for each, keep in zip(alike, kept, strict=True) if keep]
    return _columns(alike, drive, chain)


def _columns(readings: list[Reading], drive: Drive, chain: Chain) -> _Seen:
    first_ns = readings[0].t_ns if readings else 0
    speed = np.array([each.speed_m_s or 0.0 for each in readings])
    beside = [speed]
    loads = [each.load_n for each in readings if each.load_n is not None]
    if len(loads) == len(readings) and not _load_is_taken_off(readings, drive):
        beside.append(np.array(loads))
    return _Seen(
        readings,
        np.array([(each.t_ns - first_ns) / NS_PER_S for each in readings]),
        np.array([each.elongation_pct for each in readings], dtype=np.float64),
        np.array([_links_pct(each, chain) for each in readings]),
        beside,
        speed,
    )


def _from(seen: _Seen, index: int) -> _Seen:
    beside = [each[index:] for each in seen.beside]
    return _Seen(
        seen.readings[index:],
        seen.times_s[index:],
        seen.lag_pct[index:],
        seen.links_pct[index:],
        beside,
        seen.speed_m_s[index:],
    )


def links_pct(reading: Reading) -> float:
    """Return the elongation by long and short links, the mean of both sensors; not a number where there is none."""
    up, down = alternations_pct(reading)
    return math.nan if up is None or down is None else (up + down) / 2


def _links_pct(reading: Reading, chain: Chain) -> float:
    """The same for a chain; a cranked link makes long and short change places with each lap, so there is none."""
    return math.nan if (chain.pitches_in_loop or 0) % 2 else links_pct(reading)


def _load_is_taken_off(readings: Sequence[Reading], drive: Drive) -> bool:
    return drive.strain_pct_per_kn is not None and any(each.load_taken_pct for each in readings)


def _made_alike(reading: Reading, newest: Reading, pitch_mm: float) -> bool:
    """Whether both were made with the same baseline, spacing and delay: other settings are no step of the lag."""
    same_baseline = (reading.baseline_taken_ns, reading.baseline_recorded_ns) == (
        newest.baseline_taken_ns,
        newest.baseline_recorded_ns,
    )
    if not same_baseline or (reading.delay_taken_pct is None) != (newest.delay_taken_pct is None):
        return False
    if not math.isclose(_new_pitches(reading), _new_pitches(newest), rel_tol=5e-5):
        return False
    return math.isclose(_delay_us(reading, pitch_mm), _delay_us(newest, pitch_mm), rel_tol=0.05, abs_tol=2.0)


def _new_pitches(reading: Reading) -> float:
    """N_new that a measured reading was made with: (1 + e as seen) N."""
    return (reading.pitches_between or 0.0) * (1 + _seen_pct(reading) / 100)


def _seen_pct(reading: Reading) -> float:
    """The elongation before temperature and load were taken off."""
    return (
        (reading.elongation_pct or 0.0)
        + (reading.temperature_taken_pct or 0.0)
        + (reading.load_taken_pct or 0.0)
    )


def _delay_us(reading: Reading, pitch_mm: float) -> float:
    """The switching delay that was taken off, microseconds."""
    if not reading.delay_taken_pct or not reading.speed_m_s or reading.pitches_between is None:
        return 0.0
    joint_s = pitch_mm * (1 + _seen_pct(reading) / 100) / (1000 * reading.speed_m_s)
    return -reading.delay_taken_pct * reading.pitches_between / (100 + _seen_pct(reading)) * joint_s * 1e6


def _inliers(values: Floats) -> np.ndarray[tuple[int], np.dtype[np.bool_]]:
    """Which values lie with their neighbours: within OUTLIER scales of the median of eleven. Shape (n,)."""
    padded = np.pad(values, 5, mode="edge")
    medians = np.median(np.lib.stride_tricks.sliding_window_view(padded, 11), axis=1)
    off = np.abs(values - medians)
    return np.asarray(off <= OUTLIER * max(1.4826 * float(np.median(off)), SCATTER_MIN_PCT))


# The lag jumped


def _steps(seen: _Seen, drive: Drive, chain: Chain) -> list[tuple[Step, Finding]]:
    """The newest step of the lag, with what it is; empty where there is none. An older one hides no later one."""
    found: list[tuple[Step, Finding]] = []
    first = 0
    for _ in range(STEPS_MAX):
        rest = _from(seen, first)
        step = find_step(rest.times_s, rest.lag_pct, rest.beside)
        if step is None:
            break
        finding = _of_step(rest, step, chain)
        if finding is not None and abs(step.size) > _least_pct(rest, step, finding, drive):
            found = [(replace(step, index=first + step.index), finding)]
        first += step.index
    return found


def _least_pct(seen: _Seen, step: Step, finding: Finding, drive: Drive) -> float:
    """How large a step must be to be told: as much may be temperature and load, unless it came at once or the links moved."""
    jumped, moved = finding.kind is FindingKind.LAG_JUMPED, finding.kind is FindingKind.BRACKET_MOVED
    doubtful = jumped or (moved and step.across_gap)
    return max(STEP_MIN_PCT, _floor_pct(seen, drive) if doubtful else 0.0)


def _floor_pct(seen: _Seen, drive: Drive) -> float:
    """What temperature and load can do to the lag where they are not taken off: k = 2, at both ends."""
    newest = seen.readings[-1]
    _, temperature_u = temperature_correction_pct(drive, newest.temp_c, newest.mount_c)
    _, load_u = load_correction_pct(drive, newest.load_n)
    return 2 * math.sqrt(2) * math.hypot(temperature_u, load_u)


def _of_step(seen: _Seen, step: Step, chain: Chain) -> Finding | None:
    """What a step is; None for wear while nothing was measured, at a rate that chains wear at."""
    lag = Size(name="lag", value=step.size, u=step.u, unit="%")
    since_ns = seen.readings[step.index].t_ns
    change = _change_of_links(seen.links_pct, step.index)
    if change is None:
        return _jumped(lag, None, since_ns)
    links = Size(name="links", value=change.value, u=change.u, unit="%")
    as_sensors = abs(change.value) / change.u
    as_wear = abs(step.size - change.value) / math.hypot(step.u, change.u)
    if as_wear > APART and as_sensors < as_wear / 2:
        return _bracket_moved(lag, links, since_ns, seen, chain)
    if as_sensors > APART and as_wear < as_sensors / 2:
        took_s = float(seen.times_s[step.index] - seen.times_s[step.index - 1])
        usual = 0 < step.size < RISE_PCT_PER_DAY * took_s / 86_400
        return None if usual else _both_moved(lag, links, since_ns, took_s)
    return _jumped(lag, links, since_ns)


def _change_of_links(links: Floats, index: int) -> Level | None:
    """By how much the elongation by links is more after than before; None with too few values."""
    before, after = (part[~np.isnan(part)] for part in (links[:index], links[index:]))
    if min(len(before), len(after)) < SIDE_MIN:
        return None
    before_level, after_level = level(before[-CHECKED_MAX:]), level(after[:CHECKED_MAX])
    return Level(after_level.value - before_level.value, math.hypot(before_level.u, after_level.u))


def _bracket_moved(lag: Size, links: Size, since_ns: int, seen: _Seen, chain: Chain) -> Finding:
    newest = seen.readings[-1]
    mm_per_pct = _new_pitches(newest) * chain.pitch_mm / (100 + _seen_pct(newest))
    moved = Size(name="bracket", value=-lag.value * mm_per_pct, u=lag.u * mm_per_pct, unit="mm")
    apart = Size(name="bracket", value=abs(moved.value), u=moved.u, unit="mm")
    how = "further apart" if moved.value > 0 else "closer together"
    low = "low" if moved.value > 0 else "high"
    or_load = (
        " If the load changed for good just then, it is that: let the device send load_n."
        if newest.load_n is None
        else ""
    )
    off = Size(name="lag", value=abs(lag.value), u=lag.u, unit="%")
    return Finding(
        kind=FindingKind.BRACKET_MOVED,
        since_ns=since_ns,
        sizes=(lag, links, moved),
        words=f"A sensor was moved: the lag jumped by {lag} within a reading, while long and short links stayed as they "
        f"were ({links}). The sensors now stand {apart} {how}, and the elongation reads {off} too {low}.{or_load}",
        mend="Look at both brackets and tighten what is loose; then record a new baseline, with the elongation from before "
        "the jump.",
        at_drive=True,
    )


def _both_moved(lag: Size, links: Size, since_ns: int, took_s: float) -> Finding:
    if lag.value > 0:
        return Finding(
            kind=FindingKind.WORE_AT_ONCE,
            since_ns=since_ns,
            sizes=(lag, links),
            words=f"The chain grew within {_span_words(took_s)}: the lag shows {lag} more, long and short links {links}. It is "
            "wear, not the sensors.",
            mend="Look for what wears it: lubrication, dirt, overload, alignment, a joint that breaks up.",
            at_drive=True,
        )
    return Finding(
        kind=FindingKind.CHAIN_CHANGED,
        since_ns=since_ns,
        sizes=(lag, links),
        words=f"The chain is shorter than before: the lag shows {lag}, long and short links {links}. No chain heals: it was "
        "replaced, or a part of it was, and nobody registered that.",
        mend="Enter the chain that is on, or record a new baseline if a part was replaced. New links in a worn chain wear "
        "sprockets and break early.",
        at_drive=True,
    )


def _jumped(lag: Size, links: Size | None, since_ns: int) -> Finding:
    so_far = f"so far they show {links}" if links else "they show too little so far"
    return Finding(
        kind=FindingKind.LAG_JUMPED,
        since_ns=since_ns,
        sizes=(lag, links) if links else (lag,),
        words=f"The lag jumped by {lag}. Long and short links cannot tell yet whether the chain grew or a sensor was moved: "
        f"{so_far}.",
        mend="Let the drive run on: more readings decide it. Look at the brackets at the next chance.",
        at_drive=True,
    )


# The lag drifts, or follows the speed


def _drift(seen: _Seen, drive: Drive) -> list[Finding]:
    """The lag moves slowly, the links do not, and it is more than temperature and load may do."""
    if len(seen.readings) < 4 * SIDE_MIN:
        return []
    span_s = float(np.ptp(seen.times_s))
    lag = _over_time(seen.times_s, seen.lag_pct, seen.beside, span_s)
    if not abs(lag.value) > max(SURE * lag.u, _floor_pct(seen, drive), STEP_MIN_PCT):
        return []
    known = ~np.isnan(seen.links_pct)
    if int(known.sum()) < 4 * SIDE_MIN:
        return []
    links = _over_time(seen.times_s[known], seen.links_pct[known], [], span_s)
    as_sensors = abs(links.value) / links.u
    as_wear = abs(lag.value - links.value) / math.hypot(lag.u, links.u)
    if as_wear < APART or as_sensors > as_wear / 2:
        return []
    sizes = (
        Size(name="lag", value=lag.value, u=lag.u, unit="%"),
        Size(name="links", value=links.value, u=links.u, unit="%"),
    )
    finding = Finding(
        kind=FindingKind.LAG_DRIFTS,
        since_ns=seen.readings[0].t_ns,
        sizes=sizes,
        words=f"The lag drifted by {sizes[0]} in {_span_words(span_s)}, while long and short links stayed as they were "
        f"({sizes[1]}): a sensor creeps, or the switching delay of one changes.",
        mend="Check that both brackets are tight, both gaps the same, both sensors clean; then record a new baseline.",
        at_drive=True,
    )
    return [finding]


def _over_time(times_s: Floats, values: Floats, beside: Sequence[Floats], span_s: float) -> Level:
    """By how much a series rises over its span, as a line in time."""
    columns = [times_s - times_s.mean(), np.ones(len(values)), *_moving(beside)]
    slope = fit(np.column_stack(columns), values)[0]
    return Level(slope.value * span_s, slope.u * span_s)


def _moving(beside: Iterable[Floats]) -> list[Floats]:
    """The series that change by more than rounding, each less its mean."""
    return [each - each.mean() for each in beside if len(each) and np.ptp(each) > 1e-6 * abs(each).max()]


def _delay(seen: _Seen, drive: Drive, chain: Chain) -> list[Finding]:
    """The value follows the speed: `down` switches later or earlier than `up` by a time that is not taken off."""
    if len(seen.readings) < 2 * SIDE_MIN:
        return []
    slow, fast = np.quantile(seen.speed_m_s, (0.05, 0.95))
    if not fast > SPEEDS_APART * slow > 0:
        return []
    columns = [*_moving(seen.beside), np.ones(len(seen.readings)), seen.times_s - seen.times_s.mean()]
    follows = fit(np.column_stack(columns), seen.lag_pct)[0]  # speed is the first of those beside
    over_range = Level(follows.value * (fast - slow), follows.u * (fast - slow))
    if not abs(over_range.value) > max(SURE * over_range.u, DELAY_MIN_PCT):
        return []
    newest = seen.readings[-1]
    us_per_slope = (
        -(newest.pitches_between or 0.0) / 100 * chain.pitch_mm * 1e3
    )  # de/dv = -(1 + e) delay / (N p)
    delay = Size(name="delay", value=follows.value * us_per_slope, u=follows.u * abs(us_per_slope), unit="µs")
    size = Size(name="lag", value=over_range.value, u=over_range.u, unit="%")
    known = f" more than the {drive.delay_us:g} µs that are taken off" if drive.delay_us is not None else ""
    load = "" if newest.load_n is not None else " Where the load follows the speed, it may be the load."
    finding = Finding(
        kind=FindingKind.DELAY_UNEQUAL,
        since_ns=seen.readings[0].t_ns,
        sizes=(delay, size),
        words=f"The elongation follows the speed: {size} from {slow:.2f} to {fast:.2f} m/s. It looks as if down switches later "
        f"than up by {delay}{known}.{load}",
        mend="Run the drive at two or more steady speeds and commission it: the delay is then fitted and taken off.",
        at_drive=False,
    )
    return [finding]


# The two elongations held against each other


def _disagreement(
    seen: _Seen, baseline: Baseline | None, drive: Drive, explained: Sequence[Finding]
) -> list[Finding]:
    """Lag and links give elongations that do not agree, and nothing found before says why."""
    checked = _checked(seen, baseline, drive)
    if checked is None:
        return []
    lag, links, apart = checked
    by_jump = next((each.sizes[0].value for each in explained if each.kind in _SENSORS_MOVED), 0.0)
    if min(abs(apart.value), abs(apart.value - by_jump)) <= APART * apart.u:
        return []
    sizes = (
        Size(name="lag", value=lag.value, u=lag.u, unit="%"),
        Size(name="links", value=links.value, u=links.u, unit="%"),
        Size(name="apart", value=apart.value, u=apart.u, unit="%"),
    )
    finding = Finding(
        kind=FindingKind.DISAGREE,
        since_ns=seen.readings[-min(CHECKED_MAX, len(seen.readings))].t_ns,
        sizes=sizes,
        words=f"The lag says {sizes[0]}, long and short links say {sizes[1]}: {sizes[2]} apart, which is more than both "
        "uncertainties allow.",
        mend="Measure the chain by hand. If the lag is wrong, look for a sensor that was moved, a wrong whole number of "
        "pitches or a slack strand, and record a new baseline.",
        at_drive=True,
    )
    return [finding]


_SENSORS_MOVED = {FindingKind.BRACKET_MOVED, FindingKind.LAG_DRIFTS, FindingKind.LAG_JUMPED}


def _checked(seen: _Seen, baseline: Baseline | None, drive: Drive) -> tuple[Level, Level, Level] | None:
    """The elongation by lag, by links, and by how much they are apart beyond what the links were made with."""
    newest = seen.readings[-CHECKED_MAX:]
    known = ~np.isnan(seen.links_pct[-CHECKED_MAX:])
    if int(known.sum()) < READINGS_MIN:
        return None
    links = level(seen.links_pct[-CHECKED_MAX:][known])
    lag_pct = float(seen.lag_pct[-CHECKED_MAX:][known].mean())
    gain_u = (links.value - INNER_MADE_PCT) * POLYGON_SHARE / (drive.driver_teeth or TEETH_ASSUMED) ** 2
    links, links_u = _signed(links.value), math.hypot(links.u, gain_u)
    made, lag_u = Level(0.0, INNER_MADE_U_PCT), newest[-1].elongation_u_pct or 0.0
    at_start = None if baseline is None else _links_at_start(baseline)
    if baseline is not None and at_start is not None and newest[-1].since_u_pct is not None:
        # e0 is in the lag's elongation as well, so it cancels
        start = _signed(at_start)
        made = Level(
            baseline.elongation_pct - start.value, math.hypot(start.u, _single_u(newest) / math.sqrt(3))
        )
        lag_u = newest[-1].since_u_pct
    together = math.hypot(lag_u, links_u, links.u, made.u)
    return (
        Level(lag_pct, newest[-1].elongation_u_pct or 0.0),
        Level(links.value + made.value, math.hypot(links_u, links.u, made.u)),
        Level(lag_pct - links.value - made.value, together),
    )


def _signed(links_pct: float) -> Level:
    """The elongation by links with its sign: of nearly new links which kind is longer is not known."""
    grown_pct = max(0.0, links_pct - INNER_MADE_PCT)
    return Level(links_pct, 0.0) if grown_pct >= SIGN_SURE_PCT else Level(INNER_MADE_PCT, grown_pct)


def _links_at_start(baseline: Baseline) -> float | None:
    up, down = baseline.up_alternation_pct, baseline.down_alternation_pct
    return None if up is None or down is None else (up + down) / 2


def _single_u(readings: Sequence[Reading]) -> float:
    """Scatter of the elongation by links from reading to reading: a baseline rests on three of them at least."""
    known = [each for each in map(links_pct, readings) if not math.isnan(each)]
    return float(np.std(known, ddof=1)) if len(known) > 1 else 0.0


def _reversed(
    readings: Sequence[Reading], drive: Drive, chain: Chain, baseline: Baseline | None
) -> list[Finding]:
    """The lag does not fit the links as it is, and does as 1 - lag: the chain runs the other way, or the plugs are swapped."""
    recent = [
        each
        for each in readings[-CHECKED_MAX:]
        if each.chain_id == chain.chain_id
        and each.lag_pitches is not None
        and not math.isnan(_links_pct(each, chain))
        and (each.reason is None or each.reason in _DOUBTED)
    ]
    new = _new_pitches_of(drive, chain, baseline)
    if len(recent) < READINGS_MIN or new is None:
        return []
    worn = level(np.array([links_pct(each) for each in recent]))
    at_start = None if baseline is None else _links_at_start(baseline)
    made_pct = 0.0 if baseline is None or at_start is None else baseline.elongation_pct - at_start
    expected, u = (
        worn.value + made_pct,
        math.hypot(worn.u, INNER_MADE_U_PCT, 100 * new.u_pitches / new.pitches),
    )
    forward, backward = (
        float(np.median([_nearest_pct(new.pitches, lag(each), expected) for each in recent]))
        for lag in (_lag, _opposite_lag)
    )
    if u * 16 > 100 / new.pitches or abs(forward - expected) < 4 * u or abs(backward - expected) > 2 * u:
        return []
    sizes = (
        Size(name="lag", value=forward, u=0.0, unit="%"),
        Size(name="links", value=expected, u=u, unit="%"),
        Size(name="other_way", value=backward, u=0.0, unit="%"),
    )
    finding = Finding(
        kind=FindingKind.REVERSED,
        since_ns=recent[0].t_ns,
        sizes=sizes,
        words=f"The chain may run the other way, or up and down may be swapped: as it is the lag gives {forward:.3f} %, the other "
        f"way round {backward:.3f} %, and long and short links say {sizes[1]}.",
        mend="Check that a joint passes up first. If not, change the plugs; a drive that runs both ways must send dir.",
        at_drive=True,
    )
    return [finding]


_DOUBTED = {NotMeasured.OUT_OF_RANGE, NotMeasured.AMBIGUOUS}


def _new_pitches_of(drive: Drive, chain: Chain, baseline: Baseline | None) -> NewPitches | None:
    if baseline is not None:
        return new_pitches_by_baseline(baseline)
    if drive.whole_pitches is None:
        return None
    return new_pitches_by_spacing(spacing_pitches(drive), drive.spacing_u_mm, chain.pitch_mm)


def _lag(reading: Reading) -> float:
    return reading.lag_pitches or 0.0


def _opposite_lag(reading: Reading) -> float:
    return 1.0 - _lag(reading)


def _nearest_pct(new_pitches: float, lag_pitches: float, expected_pct: float) -> float:
    """The elongation that a lag gives with the whole number that brings it nearest to what is expected."""
    between = new_pitches / (1 + expected_pct / 100)
    return (new_pitches / (round(between - lag_pitches) + lag_pitches) - 1) * 100


def _whole(seen: _Seen, chain: Chain) -> list[Finding]:
    """Readings whose whole number of pitches only the links could tell, and none before bears it out."""
    resting = [
        each
        for index, each in enumerate(seen.readings)
        if each.by_alternation and not _borne_out(each, seen.readings[max(0, index - SIDE_MIN) : index])
    ]
    if not resting:
        return []
    first = resting[0]
    lag = Size(name="lag", value=first.elongation_pct or 0.0, u=first.elongation_u_pct or 0.0, unit="%")
    u = math.hypot(first.up_alternation_u_pct or 0.0, first.down_alternation_u_pct or 0.0) / math.sqrt(2)
    links = Size(name="links", value=links_pct(first), u=u, unit="%")
    between = first.pitches_between or 0.0
    another = Size(name="a_pitch", value=100 * (1 + _seen_pct(first) / 100) / between, u=0.0, unit="%")
    finding = Finding(
        kind=FindingKind.WHOLE_BY_ALTERNATION,
        since_ns=first.t_ns,
        sizes=(lag, links, another),
        words=f"How many whole pitches lie between the sensors ({math.floor(between)}) was told by long and short links: what was "
        f"known of chain {chain.chain_id} left it open. They say {links}, the lag then {lag}; one pitch more or less would be "
        f"{another.value:.1f} % off.",
        mend="Measure the chain by hand at the next stop and record it as a baseline.",
        at_drive=True,
    )
    return [finding]


def _borne_out(reading: Reading, before: Sequence[Reading]) -> bool:
    """Whether readings just before, whose whole number the chain's past told, show as many pitches."""
    known = [each.pitches_between or 0.0 for each in before if not each.by_alternation]
    return bool(known) and abs((reading.pitches_between or 0.0) - float(np.median(known))) < SAME_PITCH


# Words


def amount(value: float, u: float, unit: str) -> str:
    """Return a value with its expanded uncertainty (k = 2), rounded to agree: two digits of it (JCGM 100:2008, 7.2.6)."""
    expanded = 2 * u
    places = (
        3
        if expanded <= 0
        else min(3 if expanded >= 0.0005 else 4, max(0, 1 - math.floor(math.log10(expanded))))
    )
    number = f"{value:.{places}f}"
    number = number.lstrip("-") if float(number) == 0 else number.replace("-", "\N{MINUS SIGN}")
    return (
        f"{number} {unit}" if expanded <= 0 else f"{number} \N{PLUS-MINUS SIGN} {expanded:.{places}f} {unit}"
    )


def _span_words(span_s: float) -> str:
    if span_s < 120:
        return f"{span_s:.0f} s"
    if span_s < 7200:
        return f"{span_s / 60:.0f} min"
    return f"{span_s / 3600:.0f} h" if span_s < 172_800 else f"{span_s / 86_400:.0f} days"
