"""When a chain reaches its limit: the prognosis as people and programs get it, with what it rests on.

Knows the state of wear, the class and the duty; must not know where the numbers are kept or shown. Terms by ISO 13381-1
(from memory): failure mode, failure definition set point, estimated time to failure, confidence level, influence factors.
"No trend yet" and "rate not above zero" are answers, not errors: rather no date than one nobody can stand by.
"""

import math
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from datetime import UTC, tzinfo
from enum import StrEnum
from typing import Any

import numpy as np
import numpy.typing as npt

from service.core.duty import Duty, look_ahead
from service.core.first_passage import normal_cdf
from service.core.forecast_metrics import Told
from service.core.wear_class import STRAIGHT, Course, WearClass
from service.core.wear_state import (
    BEND_PRIOR,
    GROWTHS,
    LATE,
    LATEST,
    NEGLIGIBLE,
    Bank,
    Observation,
    Series,
    as_share,
    fit_bank,
    join,
    newest_epochs,
    passage_of_bank,
    weights_without_bend,
)

Floats = npt.NDArray[np.float64]

VERSION = "wear forecast 2"
FAILURE_MODE = "wear elongation reaches its limit"
CONFIDENCE = 0.8  # of the interval from P10 to P90

# Bedding-in: under 0.1 %, usually over within 20 h of running (The Complete Guide to Chain (1997), 2.2.4). A longer history
# can spare a tenth of it; no more than 100 h are left out (our own).
BEDDING_IN_H, BEDDING_IN_PCT, BEDDING_IN_H_MOST, SPARED = 20.0, 0.1, 100.0, 0.1
OBSERVATIONS_LEAST = 3  # without a class
SURE_OF_RISE = 0.95  # probability that the rate is above 0, without which there is no date
SURE_OF_BEND = 0.8  # probability with which a bend is told
NOTABLE_BEND = 0.25  # relative change of the rate under which a bend is not worth telling

PROBABILITIES = (0.01, 0.02, 0.05, *(round(0.1 * tenth, 1) for tenth in range(1, 10)), 0.95, 0.98, 0.99)
STEPS = np.geomspace(
    1e-3, 60.0, 150
)  # of the expected remaining clock, where the law of the passage is worked out
BENT_RATES = np.array([1.5, 2.0, 3.0])  # to which a bend to come may lift the rate (our own)
# Gauss-Hermite nodes and weights for the standard normal, seven points (numpy.polynomial.hermite_e).
NODES, NODE_WEIGHTS = np.polynomial.hermite_e.hermegauss(7)


class Outcome(StrEnum):
    """What the prognosis says."""

    FORECAST = "forecast"
    LIMIT_REACHED = "limit_reached"
    NO_TREND_YET = "no_trend_yet"  # too little history to tell a rate
    RATE_NOT_ABOVE_ZERO = "rate_not_above_zero"  # enough of it, and no wear to be seen in it
    STANDS = "stands"  # the drive is not expected to run


@dataclass(frozen=True, slots=True, kw_only=True)
class Case:
    """Everything that a prognosis is made from.

    observations: of one chain, in any order. now_*: when it is made, with the clock and the running hours then.
    duty: what the drive is expected to do. wear_class: what others of its class lend, in the clock of the observations.
    class_name, clock_name: as people know them.
    """

    observations: Sequence[Observation]
    limit_pct: float
    now_ns: int
    now_clock: float
    now_hours: float
    duty: Duty | None
    wear_class: WearClass | None = None
    class_name: str = ""
    clock_name: str = "joints passed"
    zone: tzinfo = UTC

    def __post_init__(self) -> None:
        if not self.limit_pct > 0:
            raise ValueError(f"the limit {self.limit_pct:g} % must be above 0")
        late = [each for each in self.observations if each.t_ns > self.now_ns or each.clock > self.now_clock]
        if late:
            raise ValueError(f"{len(late)} observations lie after now: give those until now, or a later now")


@dataclass(frozen=True, slots=True, kw_only=True)
class Passage:
    """One quantile of the passage of the limit: clock and running hours since now, and the instant.

    None where it lies beyond what can be told (a date: ten years).
    """

    probability: float
    clock: float | None
    hours: float | None
    t_ns: int | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Rate:
    """How fast the chain wears now, with standard uncertainty. Per cent of elongation."""

    per_million_clock_pct: float
    per_million_clock_u_pct: float
    per_1000_h_pct: float | None
    per_30_days_pct: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Bend:
    """A change of the rate that came at once and lasts. factor: rate after it by rate before."""

    probability: float
    t_ns: int
    clock: float
    factor: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Lent:
    """What a class lent. weight: of the class in the rate, 1 all and 0 nothing."""

    class_name: str
    chains: int
    weight: float


@dataclass(frozen=True, slots=True, kw_only=True)
class DataUsed:
    """What the prognosis was made from."""

    observations: int
    by_hand: int
    epochs: int
    left_out_bedding_in: int
    left_out_old_epochs: int
    first_ns: int | None
    last_ns: int | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Prognosis:
    """The report. Elongations in per cent, standard uncertainties.

    passages: quantiles by rising probability; empty unless the outcome is a forecast. as_it_goes: the median if the rate does
    not bend before the limit (P50 allows for that it may). assumptions: sentences on duty to come and on what was taken as
    given. sentence: the outcome for people.
    """

    failure_mode: str
    set_point_pct: float
    made_ns: int
    outcome: Outcome
    sentence: str
    elongation_pct: float | None
    elongation_u_pct: float | None
    rate: Rate | None
    confidence: float
    passages: tuple[Passage, ...]
    as_it_goes: Passage | None
    bend: Bend | None
    lent: Lent | None
    data: DataUsed
    assumptions: tuple[str, ...]
    version: str

    def quantile(self, probability: float) -> Passage | None:
        """Return the passage of one of PROBABILITIES; None where there is no forecast."""
        return next((each for each in self.passages if math.isclose(each.probability, probability)), None)

    @property
    def interval_ns(self) -> tuple[int | None, int | None, int | None]:
        """P10, P50 and P90 of the date."""
        at = {each.probability: each.t_ns for each in self.passages}
        return at.get(0.1), at.get(0.5), at.get(0.9)

    @property
    def told(self) -> Told | None:
        """The forecast of the date as `forecast_metrics` scores it, in ns; None where there is none."""
        if not self.passages:
            return None
        p10, p50, p90 = (math.inf if each is None else float(each) for each in self.interval_ns)
        return Told(made=float(self.made_ns), p10=p10, p50=p50, p90=p90)


def forecast(case: Case) -> Prognosis:
    """Return the prognosis of one chain.

    In order: old epochs and bedding-in are left out; what is left is joined and put through the bank of filters; the bank
    is moved on to now; its first passage of the limit gives the clock; duty turns the clock into hours and dates.
    """
    recent = newest_epochs(case.observations)
    used = after_bedding_in(recent)
    lent = case.wear_class
    enough = len({each.clock for each in used}) >= (1 if lent else OBSERVATIONS_LEAST)
    if not used or not enough:
        return _report(
            case, used, Outcome.NO_TREND_YET, "Too few elongations since bedding-in to tell a rate."
        )
    course = lent.course if lent else STRAIGHT
    series = course.straightened(join(used, case.limit_pct))
    fitted = fit_bank(series, lent.prior if lent else None)
    bank = fitted.moved(case.now_clock - float(series.clock[-1]))
    view = _View(case, used, series, bank, course)
    if view.share() >= 1:
        return _report(case, used, Outcome.LIMIT_REACHED, "The limit is reached.", view)
    if view.rising() < SURE_OF_RISE:
        return _no_rise(case, used, view)
    if case.duty is None or case.duty.clock_per_week <= 0:
        return _report(
            case, used, Outcome.STANDS, "The drive is not expected to run, so no date is told.", view
        )
    return _report(case, used, Outcome.FORECAST, "", view)


def after_bedding_in(observations: Sequence[Observation]) -> list[Observation]:
    """Return the observations from which a rate may be told, by the clock.

    Left out: the first BEDDING_IN_H running hours, or SPARED of the history where that is more, and on until the chain has
    gained BEDDING_IN_PCT over its first elongation; but never more than BEDDING_IN_H_MOST.
    """
    ordered = sorted(observations, key=lambda each: (each.clock, each.t_ns))
    if not ordered:
        return []
    least = max(BEDDING_IN_H, SPARED * ordered[-1].hours)
    for index, each in enumerate(ordered):
        gained = each.elongation_pct - ordered[0].elongation_pct
        if each.hours >= BEDDING_IN_H_MOST or (each.hours >= least and gained >= BEDDING_IN_PCT):
            return ordered[index:]
    return []


def series_of(observations: Sequence[Observation], limit_pct: float) -> Series | None:
    """Return what a chain lends to its class: its history without bedding-in; None where nothing is left."""
    used = after_bedding_in(newest_epochs(observations))
    return join(used, limit_pct) if used else None


def probability_before(prognosis: Prognosis, t_ns: int) -> float | None:
    """Return the probability of reaching the limit before an instant; None where there is no forecast.

    Between the quantiles that the report holds by straight lines; outside of them the outermost one.
    """
    if prognosis.outcome is Outcome.LIMIT_REACHED:
        return 1.0
    known = [(each.t_ns, each.probability) for each in prognosis.passages if each.t_ns is not None]
    if not prognosis.passages:
        return None
    if t_ns <= prognosis.made_ns or not known:
        return 0.0
    start = prognosis.made_ns
    times = np.array([0.0, *(float(each - start) for each, _ in known)])
    return float(np.interp(float(t_ns - start), times, [0.0, *(chance for _, chance in known)]))


def plain(prognosis: Prognosis) -> dict[str, Any]:
    """Return a prognosis as dicts, lists, numbers and texts, for JSON."""
    return asdict(prognosis)


class _View:
    """What the bank says at now, in the units of people. Members of no weight are left out."""

    def __init__(
        self, case: Case, used: Sequence[Observation], series: Series, bank: Bank, course: Course
    ) -> None:
        self.case, self.used, self.series, self.bank, self.course = case, used, series, bank, course
        self.kept = bank.weight > NEGLIGIBLE * bank.weight.max()
        self.weight = bank.weight[self.kept] / bank.weight[self.kept].sum()
        growth = bank.growth[self.kept]
        self.mapped = as_share(bank.state[0, self.kept], growth)
        self.slope = np.exp(-growth * self.mapped)  # of wear by mapped share

    def share(self) -> float:
        """Share of the limit that is worn through."""
        return float(self.weight @ self._shares())

    def share_u(self) -> float:
        """Its standard uncertainty, spread of the members and the common part of the newest epoch included."""
        covariance = self.bank.covariance[:, :, self.kept]
        by_wear = self._unmapped() / self.slope
        variance = by_wear**2 * covariance[0, 0] - 2 * by_wear * covariance[0, 3] + covariance[3, 3]
        return math.sqrt(float(self.weight @ (variance + (self._shares() - self.share()) ** 2)))

    def _shares(self) -> Floats:
        return np.asarray(self.course.back(self.mapped) - self.bank.state[3, self.kept])

    def rate(self) -> tuple[float, float]:
        """Rate now in shares of the limit for one of the clock, and its standard uncertainty."""
        rate, variance = self._rates()
        rate, variance = rate / self.slope, variance / self.slope**2
        mean = float(self.weight @ rate)
        u = math.sqrt(float(self.weight @ (variance + (rate - mean) ** 2)))
        return mean * self._unmapped(), u * self._unmapped()

    def rising(self) -> float:
        """Probability that the rate is above 0."""
        rate, variance = self._rates()
        return float(self.weight @ normal_cdf(rate / np.sqrt(variance)))

    def _rates(self) -> tuple[Floats, Floats]:
        """Lasting and passing part of the rate together, and the variance: shape (kept members,) each."""
        r, u = self.bank.state[1:3, self.kept]
        covariance = self.bank.covariance[:, :, self.kept]
        return r + u, covariance[1, 1] + 2 * covariance[1, 2] + covariance[2, 2]

    def _unmapped(self) -> float:
        """Share of the limit by mapped share, where the chain is now."""
        middle = float(self.weight @ self.mapped)
        low, high = self.course.back(np.array([middle - 0.005, middle + 0.005]))
        return float(high - low) / 0.01

    def passage(self) -> tuple[Floats, Floats, Floats]:
        """The law of the passage: clock from now, shape (k,), and the probability of having reached the limit by then.

        The last once more, for a rate that does not bend any more.
        """
        bank = self.bank
        rate = np.maximum(bank.state[1], 1e-3 * np.abs(bank.state[1]).max())
        expected = float(bank.weight @ np.maximum((bank.end - bank.state[0]) / rate, 0.0))
        ahead = max(expected, 1e-12) * STEPS
        straight, bent = passage_of_bank(bank, ahead)
        start = np.concatenate(([0.0], ahead))
        straight, bent = np.concatenate(([0.0], straight)), np.concatenate(([0.0], bent))
        prior = self.case.wear_class.prior.bend if self.case.wear_class else BEND_PRIOR
        share = min(max(self.share(), 0.0), 0.999)
        to_come = prior * min(1.0, max(0.0, LATEST - share) / (LATEST - LATE))
        chance = to_come / (1 - prior + to_come)  # given that none came yet
        sooner = np.mean([np.interp(start / part, start, straight) for part in _shortened(share)], axis=0)
        reached = np.maximum.accumulate(bent + (1 - chance) * straight + chance * sooner)
        return start, reached, np.maximum.accumulate(bent + straight)

    def bend(self) -> Bend | None:
        """The bend that was found, if one is sure and worth telling: the likeliest place, its factor over all of its members."""
        bent = self.bank.bend >= 0
        weight = self.bank.weight[bent]
        if not bent.any() or weight.sum() < SURE_OF_BEND:
            return None
        places = self.bank.bend[bent]
        place = int(np.bincount(places, weight).argmax())
        after = weight @ self.bank.state[1, bent]
        factor = float(after / max(float(weight @ self.bank.before[bent]), 1e-300))
        if abs(math.log(max(factor, 1e-6))) < math.log1p(NOTABLE_BEND):
            return None
        clock = float(self.series.clock[place])
        clocks = np.array([each.clock for each in self.used])
        instant = self.used[int(np.abs(clocks - clock).argmin())].t_ns
        return Bend(probability=float(weight.sum()), t_ns=instant, clock=clock, factor=factor)

    def lent(self) -> Lent | None:
        """How much of the rate is the class's: variance of the rate now by that of the class."""
        if self.case.wear_class is None:
            return None
        share = weights_without_bend(self.bank).sum(axis=(1, 2, 3))
        index = int(share.argmax())
        mine = self.bank.growth == GROWTHS[index]
        own = float(np.average(self.bank.covariance[1, 1, mine], weights=self.bank.weight[mine] + 1e-300))
        weight = min(1.0, own / float(self.case.wear_class.prior.rate_u[index]) ** 2)
        return Lent(class_name=self.case.class_name, chains=self.case.wear_class.chains, weight=weight)


def _no_rise(case: Case, used: Sequence[Observation], view: _View) -> Prognosis:
    rate, u = view.rate()
    if rate > 0 and rate < 3 * u:
        return _report(case, used, Outcome.NO_TREND_YET, "The elongation does not rise clearly yet.", view)
    return _report(
        case, used, Outcome.RATE_NOT_ABOVE_ZERO, "No wear is to be seen in the elongations so far.", view
    )


def _report(
    case: Case, used: Sequence[Observation], outcome: Outcome, sentence: str, view: _View | None = None
) -> Prognosis:
    passages, as_it_goes = (
        _passages(case, view) if view is not None and outcome is Outcome.FORECAST else ((), None)
    )
    return Prognosis(
        failure_mode=FAILURE_MODE,
        set_point_pct=case.limit_pct,
        made_ns=case.now_ns,
        outcome=outcome,
        sentence=sentence or _said(passages),
        elongation_pct=None if view is None else view.share() * case.limit_pct,
        elongation_u_pct=None if view is None else view.share_u() * case.limit_pct,
        rate=None if view is None else _rate(case, view),
        confidence=CONFIDENCE,
        passages=passages,
        as_it_goes=as_it_goes,
        bend=None if view is None else view.bend(),
        lent=None if view is None else view.lent(),
        data=_data(case, used),
        assumptions=tuple(_assumptions(case, view)),
        version=VERSION,
    )


def _passages(case: Case, view: _View) -> tuple[tuple[Passage, ...], Passage | None]:
    """The quantiles in clock, hours and date, and the median if nothing bends.

    Date: P(T <= t) = mean over the duty's level of F(A(t)), A(t) = expected clock x exp(spread x standard normal).
    """
    if case.duty is None:
        return (), None
    clock, reached, as_it_goes = view.passage()
    ahead = look_ahead(case.duty, case.now_ns, zone=case.zone)
    days = (ahead.t_ns - case.now_ns).astype(np.float64)
    # Between now and the second midnight finer than by the day, for the limit may be hours away.
    since = np.union1d(days, days[2] * np.geomspace(1e-4, 1, 120)) if len(days) > 2 else days
    gained, spread = np.interp(since, days, ahead.clock), np.interp(since, days, ahead.spread)
    hours = case.duty.hours_per_clock
    tables = []
    for law in (reached, as_it_goes):
        by_date = np.zeros(len(since))
        for node, weight in zip(NODES, NODE_WEIGHTS / NODE_WEIGHTS.sum(), strict=True):
            by_date += weight * np.interp(gained * np.exp(spread * node), clock, law)
        tables.append((law, np.maximum.accumulate(by_date)))

    def row(probability: float, law: Floats, by_date: Floats) -> Passage:
        at, after = _quantile(clock, law, probability), _quantile(since, by_date, probability)
        return Passage(
            probability=probability,
            clock=at,
            hours=None if at is None else at * hours,
            t_ns=None if after is None else case.now_ns + int(after),
        )

    return tuple(row(each, *tables[0]) for each in PROBABILITIES), row(0.5, *tables[1])


def _shortened(share: float) -> Floats:
    """What is left of the remaining life where a bend comes: five places, evenly from LATE or now to LATEST, by three rates.

    At f of the limit, with a rate b times as high after it: ((f - z) + (1 - f) / b) / (1 - z).
    """
    first, last = max(share, LATE), max(share, LATEST)
    places = first + (last - first) * (np.arange(5) + 0.5) / 5
    return np.asarray((places - share + (1 - places) / BENT_RATES[:, None]) / (1 - share)).ravel()


def _quantile(values: Floats, chances: Floats, probability: float) -> float | None:
    """Where a distribution function reaches a probability, None where it does not."""
    over = int(np.searchsorted(chances, probability))
    if over >= len(chances):
        return None
    if over == 0 or chances[over] <= chances[over - 1]:
        return float(values[over])
    part = (probability - chances[over - 1]) / (chances[over] - chances[over - 1])
    return float(values[over - 1] + part * (values[over] - values[over - 1]))


def _rate(case: Case, view: _View) -> Rate:
    rate, u = view.rate()
    per_clock = rate * case.limit_pct
    duty = case.duty if case.duty is not None and case.duty.clock_per_week > 0 else None
    hours = duty.hours_per_clock if duty else 0.0
    return Rate(
        per_million_clock_pct=1e6 * per_clock,
        per_million_clock_u_pct=1e6 * u * case.limit_pct,
        per_1000_h_pct=1000 * per_clock / hours if hours > 0 else None,
        per_30_days_pct=per_clock * duty.clock_per_week * 30 / 7 if duty else None,
    )


def _data(case: Case, used: Sequence[Observation]) -> DataUsed:
    recent = newest_epochs(case.observations)
    return DataUsed(
        observations=len(used),
        by_hand=sum(each.by_hand for each in used),
        epochs=len({each.epoch for each in used}),
        left_out_bedding_in=len(recent) - len(used),
        left_out_old_epochs=len(case.observations) - len(recent),
        first_ns=min((each.t_ns for each in used), default=None),
        last_ns=max((each.t_ns for each in used), default=None),
    )


def _said(passages: Sequence[Passage]) -> str:
    by = {each.probability: each for each in passages}
    days = [by[each].t_ns is not None for each in (0.1, 0.5, 0.9)]
    if all(days):
        return "The limit is expected within the interval given."
    return "Part of the interval lies more than ten years ahead, where no date is told."


def _assumptions(case: Case, view: _View | None) -> list[str]:
    said = [f"Wear goes with {case.clock_name}; the chain, its lubrication and its load stay as they are."]
    duty = case.duty
    if duty is None:
        said.append("Nothing is known of the hours this drive will run.")
    elif duty.planned:
        said.append(f"The drive runs {sum(duty.hours_by_weekday):.3g} h a week, as planned by people.")
    else:
        said.append(
            f"The drive runs {sum(duty.hours_by_weekday):.3g} h a week, as its last {max(1, round(duty.weeks))} weeks show."
        )
    if duty is not None and duty.stops:
        said.append(f"{len(duty.stops)} planned stops are kept to.")
    if view is not None:
        prior = case.wear_class.prior.bend if case.wear_class else BEND_PRIOR
        said.append(
            f"One chain in {1 / max(prior, 1e-3):.0f} wears suddenly faster at some time of its life; this is allowed for."
        )
    lent = None if view is None else view.lent()
    if lent is not None:
        of = f" of {lent.class_name}" if lent.class_name else ""
        said.append(
            f"{lent.chains} other chains{of} lend their course of wear; {100 * lent.weight:.0f} % of the rate is theirs."
        )
    return said
