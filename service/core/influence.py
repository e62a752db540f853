"""What the wear rate of a drive goes with: load, speed, temperature, lubrication; with honest uncertainty.

Wear is a sum, and two sums that wander by themselves always look related (Granger & Newbold, J. Econometrics 2 (1974) 111,
from memory). So what is fitted is what each day added. The noise of an added bit has two parts: wear that goes faster and
slower by itself, which grows with the way run, and the error of a day's mean, which is in this bit and, with the other sign,
in the next. Their ratio is the one that makes the bits likeliest (restricted likelihood: Patterson & Thompson, Biometrika 58
(1971) 545, from memory); what hangs together beyond that is met by a sandwich over neighbours (Newey & West, Econometrica 55
(1987) 703, from memory), and the greater of both uncertainties counts.

What moves the reading itself and not the wear (warmth, pull, delay of the sensors) stands beside as a term of its own, and
so does a rate that changes evenly over the life of each chain. Several factors are asked about at once, so each must be
surer (Bonferroni). "No relation can be told" is an answer. A relation is no cause.

Knows days with what they measured; must not know where they come from.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum
from statistics import NormalDist

import numpy as np
import numpy.typing as npt

from service.core.upkeep import LASTING, Upkeep, UpkeepKind

Floats = npt.NDArray[np.float64]

DAY_NS = 86_400_000_000_000
ROWS_LEAST = 10  # steps from day to day, below which there is no rate
ROWS_A_TERM = 6  # so many for each term of the fit, below which there are no relations
ROWS_MOST = 800
BINS_MOST = 30
BIN_DAYS = (7, 14, 28, 56, 112)
SURE = 0.05
RATIOS = (
    0.001,
    0.02,
    0.1,
    0.3,
    1.0,
    3.0,
    10.0,
    50.0,
)  # error of a day's mean over what wanders in a day, squared
NEARLY = (
    2.0  # by how much the logarithm of a likelihood may be less for a ratio to be held possible (95 %: 1.92)
)
OUTLIER = 8.0  # robust standard deviations: a bracket that was moved, no wear
TOGETHER = 0.95  # part of a factor that the others say already: then they cannot be told apart
KNOWN_SHARE = 0.7  # of the way run, on which a factor must be known
SIDE_DAYS = 10  # measured days on each side of a change
DRY_DAYS_MAX = 180.0  # longer since it was lubricated counts as that


class Factor(StrEnum):
    """What a rate may go with."""

    LOAD = "load"
    SPEED = "speed"
    TEMPERATURE = "temperature"
    SINCE_LUBRICATED = "since_lubricated"
    CHANGE = "change"  # of lubricant or method: after it against before


UNITS: Mapping[Factor, str] = {
    Factor.LOAD: "kN",
    Factor.SPEED: "m/s",
    Factor.TEMPERATURE: "K",
    Factor.SINCE_LUBRICATED: "day",
    Factor.CHANGE: "",
}
# Standard deviation over the days below which a factor did not vary enough to say anything (our own).
_VARIES = {Factor.LOAD: 0.01, Factor.SPEED: 0.01, Factor.TEMPERATURE: 0.5, Factor.SINCE_LUBRICATED: 0.5}
_RELATIVE = (Factor.LOAD, Factor.SPEED)
_MOVES_READING = (Factor.LOAD, Factor.SPEED, Factor.TEMPERATURE)


@dataclass(frozen=True, slots=True, kw_only=True)
class DayMeans:
    """What the readings of one chain say of one day. Means of load and speed while running; None where not known.

    running: share of the readings in which it ran, of those that tell.
    """

    chain_id: str
    end_ns: int
    readings: int
    measured: int
    elongation_pct: float | None
    u_pct: float | None
    passages: float
    running: float | None
    speed_m_s: float | None
    load_n: float | None
    temp_c: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Day:
    """One day of a chain. stretch: days of one stretch can be held against each other (the same chain and baseline)."""

    chain_id: str
    stretch: str
    end_ns: int
    km: float
    elongation_pct: float | None
    load_n: float | None = None
    speed_m_s: float | None = None
    temp_c: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class RateBin:
    """The wear rate over some days, per cent for each 1000 km, with its standard uncertainty, and what went beside it."""

    chain_id: str
    from_ns: int
    to_ns: int
    km: float
    rate: float | None
    rate_u: float | None
    load_n: float | None
    speed_m_s: float | None
    temp_c: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Relation:
    """Whether the rate goes with one factor.

    slope: change of the rate (per cent for each 1000 km) for one unit of the factor; low, high: its 95 % interval; None
    where nothing was fitted. told: a relation can be told. words: what to make of it.
    """

    factor: Factor
    slope: float | None = None
    low: float | None = None
    high: float | None = None
    told: bool = False
    words: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Influence:
    """What can be said of a drive. rate: over all of it. left_out: steps that were no wear."""

    days: int
    rate: float | None
    rate_u: float | None
    bins: tuple[RateBin, ...] = ()
    relations: tuple[Relation, ...] = ()
    left_out: int = 0
    words: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class _Steps:
    """From one measured day to the next of the same stretch: n of them.

    y: per cent added, shape (n,). km: shape (n,). first_km, last_km: of the two days, whole. factors: km-weighted means, NaN where not known, shape (n,) each. moved:
    difference of the two days' own values. chain: index of the chain. follows: whether the one before ends where it begins.
    t_ns: of the later day. age: km of the chain at the middle.
    """

    y: Floats
    km: Floats
    first_km: Floats
    last_km: Floats
    age: Floats
    chain: npt.NDArray[np.int64]
    follows: npt.NDArray[np.bool_]
    t_ns: npt.NDArray[np.int64]
    from_ns: npt.NDArray[np.int64]
    factors: dict[Factor, Floats]
    moved: dict[Factor, Floats]

    def kept(self, keep: npt.NDArray[np.bool_]) -> "_Steps":
        """Only some of them; what follows a step that goes, follows nothing."""
        before = np.concatenate(([False], keep[:-1]))
        return _Steps(
            y=self.y[keep],
            km=self.km[keep],
            first_km=self.first_km[keep],
            last_km=self.last_km[keep],
            age=self.age[keep],
            chain=self.chain[keep],
            follows=(self.follows & before)[keep],
            t_ns=self.t_ns[keep],
            from_ns=self.from_ns[keep],
            factors={name: values[keep] for name, values in self.factors.items()},
            moved={name: values[keep] for name, values in self.moved.items()},
        )


def influence(days: Sequence[Day], upkeep: Sequence[Upkeep] = ()) -> Influence:
    """Return what the wear rate of a drive goes with.

    Args:
        days: of one drive, any number of chains, bedding-in left out.
        upkeep: what was done to the drive.
    """
    ordered = sorted(days, key=lambda each: each.end_ns)
    measured = sum(each.elongation_pct is not None for each in ordered)
    steps, left_out = _without_jumps(_steps(ordered, upkeep))
    if len(steps.y) < ROWS_LEAST or not steps.km.any():
        return Influence(
            days=measured,
            rate=None,
            rate_u=None,
            bins=_bins(ordered, steps, None),
            left_out=left_out,
            words=f"{measured} measured days say nothing of the rate yet: {ROWS_LEAST + 1} on which it ran are the least.",
        )
    plain = _fit(steps, _base_columns(steps))
    rate, rate_u = _overall(plain, steps)
    return Influence(
        days=measured,
        rate=rate,
        rate_u=rate_u,
        bins=_bins(ordered, steps, plain),
        relations=_relations(steps, upkeep, rate, rate_u),
        left_out=left_out,
    )


# Steps from day to day


def _steps(days: Sequence[Day], upkeep: Sequence[Upkeep]) -> _Steps:
    chains = {name: index for index, name in enumerate(dict.fromkeys(each.chain_id for each in days))}
    values = [_values(each, upkeep) for each in days]
    ages = _ages(days)
    rows: list[tuple[int, int]] = []
    last: dict[str, int] = {}
    for index, day in enumerate(days):
        if day.elongation_pct is None:
            continue
        if day.stretch in last:
            rows.append((last[day.stretch], index))
        last[day.stretch] = index
    rows = rows[-ROWS_MOST:]
    ends = [before for before, _ in rows]
    factors, moved = {}, {}
    for factor in Factor:
        factors[factor] = np.array([_mean_over(days, values, factor, *row) for row in rows], dtype=np.float64)
        moved[factor] = np.array([values[b][factor] - values[a][factor] for a, b in rows], dtype=np.float64)
    return _Steps(
        y=np.array(
            [(days[b].elongation_pct or 0.0) - (days[a].elongation_pct or 0.0) for a, b in rows],
            dtype=np.float64,
        ),
        km=np.array([ages[b] - ages[a] for a, b in rows], dtype=np.float64),
        first_km=np.array([days[a].km for a, _ in rows], dtype=np.float64),
        last_km=np.array([days[b].km for _, b in rows], dtype=np.float64),
        age=np.array([(ages[b] + ages[a]) / 2 for a, b in rows], dtype=np.float64),
        chain=np.array([chains[days[b].chain_id] for _, b in rows], dtype=np.int64),
        follows=np.array([i > 0 and rows[i - 1][1] == ends[i] for i in range(len(rows))], dtype=np.bool_),
        t_ns=np.array([days[b].end_ns for _, b in rows], dtype=np.int64),
        from_ns=np.array([days[a].end_ns for a, _ in rows], dtype=np.int64),
        factors=factors,
        moved=moved,
    )


def _ages(days: Sequence[Day]) -> list[float]:
    """Km of the chain at the middle of each day, from its first day on."""
    run: dict[str, float] = {}
    ages = []
    for day in days:
        begun = run.get(day.chain_id, 0.0)
        ages.append(begun + day.km / 2)
        run[day.chain_id] = begun + day.km
    return ages


def _values(day: Day, upkeep: Sequence[Upkeep]) -> dict[Factor, float]:
    load = None if day.load_n is None else day.load_n / 1000
    found = {Factor.LOAD: load, Factor.SPEED: day.speed_m_s, Factor.TEMPERATURE: day.temp_c}
    lubricated = [each.at_ns for each in upkeep if each.counts and each.kind in _LUBRICATES]
    before = [each for each in lubricated if each <= day.end_ns]
    dry = min((day.end_ns - max(before)) / DAY_NS, DRY_DAYS_MAX) if before else None
    change_ns = _change_ns(upkeep)
    changed = None if change_ns is None else float(day.end_ns > change_ns)
    found |= {Factor.SINCE_LUBRICATED: dry, Factor.CHANGE: changed}
    return {name: math.nan if value is None else value for name, value in found.items()}


_LUBRICATES = (UpkeepKind.LUBRICATED, UpkeepKind.LUBRICANT_CHANGED)


def _change_ns(upkeep: Sequence[Upkeep]) -> int | None:
    return max((each.at_ns for each in upkeep if each.counts and each.kind in LASTING), default=None)


def _mean_over(
    days: Sequence[Day], values: Sequence[Mapping[Factor, float]], factor: Factor, a: int, b: int
) -> float:
    """The mean of a factor over the way from the middle of one day to that of another; of the days if it did not run."""
    weights, known = [], []
    for index in range(a, b + 1):
        if days[index].chain_id != days[b].chain_id or math.isnan(values[index][factor]):
            continue
        weights.append(days[index].km * (0.5 if index in {a, b} else 1.0))
        known.append(values[index][factor])
    if not known:
        return math.nan
    total = sum(weights)
    if total <= 0:
        return sum(known) / len(known)
    return sum(w * x for w, x in zip(weights, known, strict=True)) / total


def _without_jumps(steps: _Steps) -> tuple[_Steps, int]:
    """Without what is too much for a day by far: somebody moved a sensor, or a setting."""
    if len(steps.y) < ROWS_LEAST:
        return steps, 0
    middle = float(np.median(steps.y))
    spread = 1.4826 * float(np.median(np.abs(steps.y - middle)))
    keep = np.abs(steps.y - middle) <= OUTLIER * max(spread, 1e-4)
    return steps.kept(keep), int((~keep).sum())


# The fit


@dataclass(frozen=True, slots=True, kw_only=True)
class _Noise:
    """The covariance of steps, up to its size: their own, and that with the step before (0 where nothing is before).

    Nothing else hangs together, so its triangle has two diagonals, and all is done in one pass.
    """

    own: Floats
    before: Floats

    def triangle(self) -> tuple[list[float], list[float]]:
        """The diagonal of the lower triangle (Cholesky), and what stands beside it."""
        diagonal: list[float] = []
        beside: list[float] = []
        for own, before in zip(self.own.tolist(), self.before.tolist(), strict=True):
            beside.append(before / diagonal[-1] if before else 0.0)
            diagonal.append(math.sqrt(own - beside[-1] ** 2))
        return diagonal, beside

    def whitened(self, values: Floats) -> Floats:
        """Values, shape (n, k), in which nothing hangs together any more."""
        white = np.empty_like(values)
        held = np.zeros(values.shape[1])
        for index, (diagonal, beside) in enumerate(zip(*self.triangle(), strict=True)):
            held = (values[index] - beside * held) / diagonal
            white[index] = held
        return white


@dataclass(frozen=True, slots=True, kw_only=True)
class _Fit:
    """Terms with their covariance, and the noise with its size."""

    terms: Floats
    covariance: Floats
    noise: _Noise
    size: float
    freedom: int


def _base_columns(steps: _Steps) -> Floats:
    """Way run by chain, and its rate changing evenly over the life of each chain that has steps enough to tell."""
    columns = []
    for chain in np.unique(steps.chain):
        on = steps.chain == chain
        columns.append(np.where(on, steps.km, 0.0))
        if on.sum() >= 2 * ROWS_A_TERM:
            middle = float(np.average(steps.age[on], weights=np.maximum(steps.km[on], 1e-9)))
            columns.append(np.where(on, steps.km * (steps.age - middle), 0.0))
    return np.column_stack(columns)


def _fit(steps: _Steps, columns: Floats) -> _Fit:
    """Fit by generalised least squares, with the ratio of the two parts of the noise that is likeliest.

    Other ratios are nearly as likely, where days are few: each uncertainty is the greatest that any of those gives.
    """
    scale = np.sqrt((columns * columns).sum(axis=0))
    scale[scale == 0] = 1.0
    both = np.column_stack([columns / scale, steps.y])
    tried = [(_likelihood(steps, both, ratio)) for ratio in RATIOS]
    likeliest, noise = max(tried, key=lambda each: each[0])
    near = [each for told, each in tried if told > likeliest - NEARLY]
    terms, usual, size = _solved(noise, both)
    greatest = np.max([_variances(each, both) for each in near], axis=0)
    ratio = np.sqrt(greatest / np.maximum(np.diag(usual), 1e-300))
    return _Fit(
        terms=terms / scale,
        covariance=usual * np.outer(ratio / scale, ratio / scale),
        noise=noise,
        size=size,
        freedom=max(1, len(steps.y) - columns.shape[1]),
    )


def _solved(noise: _Noise, both: Floats) -> tuple[Floats, Floats, float]:
    """The terms under a noise, their usual covariance, and the size of the noise."""
    whitened = noise.whitened(both)
    white, y = whitened[:, :-1], whitened[:, -1]
    inverse = np.linalg.pinv(white.T @ white)
    terms = inverse @ (white.T @ y)
    rest = y - white @ terms
    size = float(rest @ rest) / max(1, len(y) - white.shape[1])
    return terms, inverse * size, size


def _variances(noise: _Noise, both: Floats) -> Floats:
    """The greater of the usual variance of each term and that of the sandwich."""
    terms, usual, size = _solved(noise, both)
    whitened = noise.whitened(both)
    white, y = whitened[:, :-1], whitened[:, -1]
    inverse = usual / size if size > 0 else usual
    scores = white * (y - white @ terms)[:, None]
    widened = len(y) / max(1, len(y) - white.shape[1])
    sandwich = inverse @ _long_run(scores) @ inverse * widened
    return np.maximum(np.diag(sandwich), np.diag(usual)).astype(np.float64)


def _likelihood(steps: _Steps, both: Floats, ratio: float) -> tuple[float, _Noise]:
    """The restricted log-likelihood of one ratio, its size taken out, and the noise that it makes.

    What wanders with the way (a random walk) and is averaged over days has, between two like days, 2/3 of a day's variance
    and shares 1/6 of it with the next step.

    both: the columns of the fit and, last, what was added.
    """
    usual = float(steps.km.mean()) or 1.0
    wander = (steps.km - (steps.first_km + steps.last_km) / 6) / usual
    noise = _Noise(
        own=np.maximum(wander, 0.0) + 2 * ratio + 1e-6,
        before=np.where(steps.follows, steps.first_km / 6 / usual - ratio, 0.0),
    )
    whitened = noise.whitened(both)
    white, y = whitened[:, :-1], whitened[:, -1]
    gram = white.T @ white
    left = float(((y - white @ (np.linalg.pinv(gram) @ (white.T @ y))) ** 2).sum())
    freedom = max(1, len(y) - white.shape[1])
    sign, logdet = np.linalg.slogdet(gram)
    told = -2 * sum(map(math.log, noise.triangle()[0])) - freedom * math.log(max(left, 1e-300))
    return (told - float(logdet) if sign > 0 else told) / 2, noise


def _long_run(scores: Floats) -> Floats:
    """The covariance of a sum of scores that hang together with their neighbours (Bartlett's weights)."""
    count = len(scores)
    lags = min(count // 3, math.floor(4 * (count / 100) ** (2 / 9)) + 1)
    total: Floats = scores.T @ scores
    for lag in range(1, lags + 1):
        crossed = scores[lag:].T @ scores[:-lag]
        total = total + (1 - lag / (lags + 1)) * (crossed + crossed.T)
    return total


def _overall(fit: _Fit, steps: _Steps) -> tuple[float, float]:
    """The rate over all chains, each weighted by its way, per cent for each 1000 km."""
    weights = np.zeros(len(fit.terms))
    index = 0
    for chain in np.unique(steps.chain):
        on = steps.chain == chain
        weights[index] = steps.km[on].sum() / steps.km.sum()
        index += 2 if on.sum() >= 2 * ROWS_A_TERM else 1
    u = math.sqrt(max(0.0, float(weights @ fit.covariance @ weights)))
    return 1000 * float(weights @ fit.terms), 1000 * u


# Rates over some days


def _bins(days: Sequence[Day], steps: _Steps, fit: _Fit | None) -> tuple[RateBin, ...]:
    """Bins of whole weeks counted back from the newest day, as short as makes no more than BINS_MOST; one chain in each."""
    if not days:
        return ()
    newest_ns, span_days = days[-1].end_ns, (days[-1].end_ns - days[0].end_ns) / DAY_NS + 1
    length = next((each for each in BIN_DAYS if span_days / each <= BINS_MOST), BIN_DAYS[-1])
    length_ns = length * DAY_NS
    grouped: dict[tuple[int, str], list[Day]] = {}
    for day in days:
        grouped.setdefault(((newest_ns - day.end_ns) // length_ns, day.chain_id), []).append(day)
    bins = []
    for (back, chain_id), held in grouped.items():
        end_ns = newest_ns - back * length_ns
        inside = (
            (steps.t_ns > end_ns - length_ns) & (steps.from_ns > end_ns - length_ns) & (steps.t_ns <= end_ns)
        )
        chains = list(dict.fromkeys(each.chain_id for each in days))
        inside &= steps.chain == chains.index(chain_id)
        rate, rate_u = _rate_of(steps, inside, fit)
        bins.append(
            RateBin(
                chain_id=chain_id,
                from_ns=max(end_ns - length_ns, held[0].end_ns - DAY_NS),
                to_ns=held[-1].end_ns,
                km=sum(each.km for each in held),
                rate=rate,
                rate_u=rate_u,
                load_n=_mean_run(held, [each.load_n for each in held]),
                speed_m_s=_mean_run(held, [each.speed_m_s for each in held]),
                temp_c=_mean_run(held, [each.temp_c for each in held]),
            )
        )
    return tuple(sorted(bins, key=lambda each: (each.from_ns, each.to_ns)))


def _rate_of(
    steps: _Steps, inside: npt.NDArray[np.bool_], fit: _Fit | None
) -> tuple[float | None, float | None]:
    """The rate of some steps alone, under the noise of all, and its standard uncertainty."""
    if fit is None or inside.sum() < 3 or steps.km[inside].sum() <= 0:
        return None, None
    first = np.concatenate(([True], ~inside[:-1]))[inside]  # follows nothing that is inside
    noise = _Noise(own=fit.noise.own[inside], before=np.where(first, 0.0, fit.noise.before[inside]))
    white = noise.whitened(np.column_stack([steps.km[inside], steps.y[inside]]))
    information = float(white[:, 0] @ white[:, 0])
    rate = float(white[:, 0] @ white[:, 1]) / information
    return 1000 * rate, 1000 * math.sqrt(fit.size / information)


def _mean_run(days: Sequence[Day], values: Sequence[float | None]) -> float | None:
    known = [(day.km, value) for day, value in zip(days, values, strict=True) if value is not None]
    total = sum(km for km, _ in known)
    if not known:
        return None
    return sum(km * value for km, value in known) / total if total > 0 else known[-1][1]


# Relations


def _relations(steps: _Steps, upkeep: Sequence[Upkeep], rate: float, rate_u: float) -> tuple[Relation, ...]:
    """One for each factor: those that can be fitted in one fit, the others with why they cannot."""
    why = {factor: _unfit(steps, factor, upkeep) for factor in Factor}
    used = [factor for factor, said in why.items() if said is None]
    known = np.ones(len(steps.y), dtype=np.bool_)
    for factor in used:
        known &= np.isfinite(steps.factors[factor])
        known &= np.isfinite(steps.moved[factor])
    kept = steps.kept(known) if used else steps
    found: dict[Factor, Relation] = {}
    if used:
        columns, names = _columns(kept, used)
        if len(kept.y) < ROWS_A_TERM * columns.shape[1]:
            need = ROWS_A_TERM * columns.shape[1]
            said = f"Nothing can be said yet: {len(kept.y)} steps from day to day, {need} are the least for so many factors."
            found = {factor: Relation(factor=factor, words=said) for factor in used}
        else:
            found = _told(kept, columns, names, rate if rate > 2 * rate_u else None)
    return tuple(
        found[factor] if factor in found else Relation(factor=factor, words=why[factor] or "")
        for factor in Factor
    )


def _unfit(steps: _Steps, factor: Factor, upkeep: Sequence[Upkeep]) -> str | None:
    """Why a factor cannot be asked about; None where it can."""
    values = steps.factors[factor]
    on = np.isfinite(values)
    if steps.km[on].sum() < KNOWN_SHARE * steps.km.sum():
        return _NOT_KNOWN[factor]
    if factor is Factor.CHANGE:
        sides = [int((values[on] < 0.5).sum()), int((values[on] >= 0.5).sum())]
        short = min(sides) < SIDE_DAYS
        return (
            f"Too few measured days on one side of the change: {SIDE_DAYS} are the least." if short else None
        )
    if factor is Factor.SINCE_LUBRICATED:
        span = (steps.from_ns.min(), steps.t_ns.max())
        often = sum(
            each.counts and each.kind in _LUBRICATES and span[0] < each.at_ns < span[1] for each in upkeep
        )
        if often < 2:
            return "It was lubricated less than twice over these days, as far as is recorded: nothing to hold against each other."
    mean = float(np.average(values[on], weights=np.maximum(steps.km[on], 1e-9)))
    spread = math.sqrt(float(np.average((values[on] - mean) ** 2, weights=np.maximum(steps.km[on], 1e-9))))
    if spread < _VARIES[factor] * (abs(mean) if factor in _RELATIVE else 1.0):
        return "It hardly varied over these days, so they say nothing of it."
    return None


_NOT_KNOWN: Mapping[Factor, str] = {
    Factor.LOAD: "No load is sent, or on too few days (load_n of the batches).",
    Factor.SPEED: "The speed is not known on enough of these days.",
    Factor.TEMPERATURE: "No temperature is sent, or on too few days (temp_c of the batches).",
    Factor.SINCE_LUBRICATED: "When it was lubricated is not recorded, or only late in these days.",
    Factor.CHANGE: "No change of lubricant or method is recorded.",
}


def _columns(steps: _Steps, used: Sequence[Factor]) -> tuple[Floats, dict[Factor, int]]:
    """The columns of the fit: the base, what moves readings, and each factor times the way; and where each factor is."""
    base = _base_columns(steps)
    columns = [base[:, index] for index in range(base.shape[1])]
    columns += [steps.moved[factor] for factor in used if factor in _MOVES_READING]
    names = {}
    for factor in used:
        mean = float(np.average(steps.factors[factor], weights=np.maximum(steps.km, 1e-9)))
        names[factor] = len(columns)
        columns.append(steps.km * (steps.factors[factor] - mean))
    return np.column_stack(columns), names


def _told(
    steps: _Steps, columns: Floats, names: Mapping[Factor, int], rate: float | None
) -> dict[Factor, Relation]:
    fit = _fit(steps, columns)
    together = _together(fit.noise, columns)
    sure_at = student(1 - SURE / 2 / len(names), fit.freedom)
    found = {}
    for factor, index in names.items():
        slope, u = 1000 * float(fit.terms[index]), 1000 * math.sqrt(float(fit.covariance[index, index]))
        if together[index] > TOGETHER:
            words = "It went up and down together with the others, or with the age of the chain: they cannot be told apart."
            found[factor] = Relation(factor=factor, words=words)
            continue
        reach = student(1 - SURE / 2, fit.freedom) * u
        told = abs(slope) > sure_at * u
        relation = (slope, slope - reach, slope + reach)
        found[factor] = Relation(
            factor=factor,
            slope=slope,
            low=relation[1],
            high=relation[2],
            told=told,
            words=_words(factor, relation, rate, told=told),
        )
    return found


def _together(noise: _Noise, columns: Floats) -> Floats:
    """By how much of its square each column is said by the others already: 0 not at all, 1 all of it."""
    white = noise.whitened(columns)
    scale = np.sqrt((white * white).sum(axis=0))
    white = white / np.where(scale > 0, scale, 1.0)
    said = np.ones(white.shape[1])
    for index in range(white.shape[1]):
        others = np.delete(white, index, axis=1)
        rest = white[:, index] - others @ np.linalg.lstsq(others, white[:, index])[0]
        said[index] = 1 - float(rest @ rest)
    return said


def _words(factor: Factor, found: tuple[float, float, float], rate: float | None, *, told: bool) -> str:
    slope, low, high = (_number(each, (found[2] - found[1]) / 2) for each in found)
    interval = f"95 %: {low} to {high}"
    if not told:
        return f"No relation can be told ({interval} % per 1000 km{_each(factor)})."
    share = "" if rate is None else f", {100 * abs(found[0]) / rate:.0f} % of the rate,"
    size = slope.removeprefix("\N{MINUS SIGN}")
    if factor is Factor.CHANGE:
        way = "lower" if found[0] < 0 else "higher"
        return f"The rate is {way} since the change by {size} % per 1000 km{share} ({interval})."
    way = "falls" if found[0] < 0 else "rises"
    return f"The rate {way} by {size} % per 1000 km{share}{_each(factor)} ({interval})."


def _each(factor: Factor) -> str:
    ends = {Factor.CHANGE: "", Factor.SINCE_LUBRICATED: " for each day since it was lubricated"}
    return ends.get(factor, f" for each {UNITS[factor]}")


def _number(value: float, reach: float) -> str:
    """As many places as two figures of its uncertainty have, with a true minus."""
    places = min(12, max(0, 1 - math.floor(math.log10(reach)))) if reach > 0 else 4
    return f"{value:.{places}f}".replace("-", "\N{MINUS SIGN}")


def student(probability: float, freedom: int) -> float:
    """Return the quantile of Student's t, by its expansion about the normal (Abramowitz & Stegun 26.7.5, from memory).

    Right to a thousandth from 6 degrees of freedom on, at probabilities up to 0.995.
    """
    x, n = NormalDist().inv_cdf(probability), freedom
    g1 = (x**3 + x) / 4
    g2 = (5 * x**5 + 16 * x**3 + 3 * x) / 96
    g3 = (3 * x**7 + 19 * x**5 + 17 * x**3 - 15 * x) / 384
    g4 = (79 * x**9 + 776 * x**7 + 1482 * x**5 - 1920 * x**3 - 945 * x) / 92160
    return x + g1 / n + g2 / n**2 + g3 / n**3 + g4 / n**4
