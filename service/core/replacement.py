"""By when chains are to be changed and ordered, in which planned stop, and what goes along with what.

A chain is changed by the instant at which the chance that it has reached its limit comes to the risk that people take. Dates
are days of the site's own clocks, and days are counted by the calendar, so that no clock change moves them.

Knows forecasts as quantiles, stops, supply; must not know how a forecast is made, nor where any of it is kept. Where there is
no forecast there is no date, and the answer says why.
"""

from bisect import bisect_left
from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime, timedelta, tzinfo
from enum import StrEnum
from itertools import pairwise
from typing import Any

from service.core.catalogue import ChainKind, DesignationError, find
from service.core.drive import Chain, Drive
from service.core.planned_stop import PlannedStop
from service.core.prognosis import Outcome
from service.core.supply import Terms

DAY_NS = 86_400 * 10**9
RISK, RISK_LEAST, RISK_MOST = 0.10, 0.01, 0.5
OLD_NS = 2 * DAY_NS  # a forecast that is older says so
SMALL_LOSS_PCT = 10.0  # of a chain's life: so much may be given up to change it along with others (our own)
EVEN = 0.5  # chance from which on what was measured counts as at the limit
_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)


class Answer(StrEnum):
    """What is said of one drive."""

    BY_DATE = "by_date"
    NOW = "now"  # the limit is reached, or the risk taken is passed
    FAR = "far"  # later than any date that is told
    STANDS = "stands"  # the drive is not expected to run
    NO_TREND_YET = "no_trend_yet"
    NO_WEAR_SEEN = "no_wear_seen"
    NO_FORECAST = "no_forecast"  # none was made yet
    NO_CHAIN = "no_chain"


_OF_OUTCOME = {
    Outcome.LIMIT_REACHED: Answer.NOW,
    Outcome.NO_TREND_YET: Answer.NO_TREND_YET,
    Outcome.RATE_NOT_ABOVE_ZERO: Answer.NO_WEAR_SEEN,
    Outcome.STANDS: Answer.STANDS,
}
SENTENCES: Mapping[Answer, str] = {
    Answer.BY_DATE: "",
    Answer.NOW: "Change it now.",
    Answer.FAR: "Later than ten years from now, where no date is told.",
    Answer.STANDS: "The drive is not expected to run, so there is no date.",
    Answer.NO_TREND_YET: "No trend yet, so there is no date.",
    Answer.NO_WEAR_SEEN: "No wear is to be seen so far, so there is no date.",
    Answer.NO_FORECAST: "No forecast was made yet, so there is no date.",
    Answer.NO_CHAIN: "No chain is registered on it.",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Outlook:
    """A forecast as far as a plan needs it. points: probability and the instant by which it is reached, both rising.

    p50_ns: None beyond what is told. The instants are those of the prognosis that was made at made_ns.
    """

    made_ns: int
    outcome: Outcome
    points: tuple[tuple[float, int], ...] = ()
    complete: bool = True  # no quantile lies beyond what is told

    def chance_before(self, t_ns: int) -> float | None:
        """Return the probability of reaching the limit before an instant, by straight lines between the quantiles.

        None where there is no forecast. Beyond the outermost quantile it is that one's (as `prognosis.probability_before`).
        """
        if self.outcome is Outcome.LIMIT_REACHED:
            return 1.0
        if self.outcome is not Outcome.FORECAST:
            return None
        times = [self.made_ns, *(at for _, at in self.points)]
        chances = [0.0, *(chance for chance, _ in self.points)]
        return _between(times, chances, t_ns)

    def reached_ns(self, chance: float) -> int | None:
        """Return the instant by which the limit is reached with that probability; None beyond what is told."""
        known = [(0.0, self.made_ns), *self.points]
        for (low, before), (high, after) in pairwise(known):
            if low <= chance <= high and high > low:
                return before + round((after - before) * (chance - low) / (high - low))
        return None

    def life_left_ns(self, t_ns: int) -> float:
        """Return the mean of what is left at an instant where it is not used up by then: integral of 1 - F from it on.

        What lies beyond the outermost quantile is left out.
        """
        known = [(self.made_ns, 0.0), *((at, chance) for chance, at in self.points)]
        left = 0.0
        for (start, low), (end, high) in pairwise(known):
            if end <= t_ns or end == start:
                continue
            begin = max(start, t_ns)
            at_begin = low + (high - low) * (begin - start) / (end - start)
            left += (end - begin) * (1 - (at_begin + high) / 2)
        return left + max(0, self.made_ns - t_ns)


def outlook_of(document: Mapping[str, Any]) -> Outlook:
    """Return the outlook of a prognosis as it is kept (`prognosis.plain`)."""
    rows = document.get("passages") or ()
    points = [(float(each["probability"]), int(each["t_ns"])) for each in rows if each["t_ns"] is not None]
    return Outlook(
        made_ns=int(document["made_ns"]),
        outcome=Outcome(document["outcome"]),
        points=tuple(points),
        complete=len(points) == len(rows),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Facts:
    """All that is known of one drive for its change. stops: its own that start after now, by start; zone: of its site.

    measured_chance: probability that the limit is reached by what was measured last, for where no forecast gives one. Under
    an even chance it makes nothing due: where the limit lies within the uncertainty, a measurement by hand comes first.
    """

    drive: Drive
    chain: Chain | None
    outlook: Outlook | None
    terms: Terms
    stops: tuple[PlannedStop, ...] = ()
    zone: tzinfo = UTC
    measured_chance: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Change:
    """When the chain of one drive is to be changed, and what that rests on.

    answer, sentence: what is said. change_by, order_by: days of the site. reached_ns: the instant behind change_by.
    needed_on: the day on which the new chain is needed, that of the stop where there is one. stop: to use; chance: of the
    limit being reached before it starts. next_stop: the first one after change_by where none before it can be used, with its
    chance. loss_pct: part of the chain's life that changing in the stop gives up, against change_by. notes: what else to know.
    set_name: of the drives that are changed together; leads: the drive of the set whose date counts, where it is another.
    """

    facts: Facts
    risk: float
    answer: Answer
    sentence: str
    reached_ns: int | None = None
    change_by: date | None = None
    needed_on: date | None = None
    order_by: date | None = None
    stop: PlannedStop | None = None
    chance: float | None = None
    next_stop: PlannedStop | None = None
    next_chance: float | None = None
    loss_pct: float | None = None
    set_name: str = ""
    leads: str = ""
    notes: tuple[str, ...] = ()

    @property
    def drive(self) -> Drive:
        """Of which it is."""
        return self.facts.drive

    @property
    def has_date(self) -> bool:
        """Whether there is something to do by a date, now included."""
        return self.answer in {Answer.BY_DATE, Answer.NOW}


def plan_changes(facts: Sequence[Facts], *, now_ns: int, risk: float = RISK) -> list[Change]:
    """Return the change of each drive, sets by the member that is due first; in the order given.

    Raises ValueError where the risk is not within RISK_LEAST and RISK_MOST.
    """
    if not RISK_LEAST <= risk <= RISK_MOST:
        raise ValueError(
            f"risk: {risk:g} is not within {RISK_LEAST:g} to {RISK_MOST:g}; give the chance of being late that you take, "
            "e.g. 0.1 for one in ten"
        )
    own = {each.drive.drive_id: _due(each, now_ns, risk) for each in facts}
    sets: dict[str, list[Facts]] = defaultdict(list)
    for each in facts:
        if each.chain is not None and (key := set_of(each.drive)):
            sets[key].append(each)
    found = []
    for each in facts:
        answer, reached_ns = own[each.drive.drive_id]
        key, leads = set_of(each.drive) if each.chain is not None else "", ""
        mates = sets[key] if key else []
        if len(mates) > 1:
            first = min(mates, key=lambda mate: _pressing(*own[mate.drive.drive_id]))
            first_answer, first_ns = own[first.drive.drive_id]
            if first is not each and _pressing(first_answer, first_ns) < _pressing(answer, reached_ns):
                answer, reached_ns, leads = first_answer, first_ns, first.drive.drive_id
        change = _change(each, answer, reached_ns, now_ns, risk)
        names = [mate.drive.name or mate.drive.drive_id for mate in mates if mate is not each]
        found.append(
            replace(
                change,
                set_name=each.drive.strand_group if len(mates) > 1 else "",
                leads=leads,
                notes=(*_notes(each, names, now_ns), *change.notes),
            )
        )
    return found


def set_of(drive: Drive) -> str:
    """Return what drives whose chains are changed as a set have in common; "" for a drive of its own."""
    return f"{drive.site}\n{drive.strand_group}" if drive.strand_group else ""


def _pressing(answer: Answer, reached_ns: int | None) -> tuple[int, int]:
    return (0, 0) if answer is Answer.NOW else (1, reached_ns) if reached_ns is not None else (2, 0)


def _due(facts: Facts, now_ns: int, risk: float) -> tuple[Answer, int | None]:
    """What is said of a drive by itself, and the instant by which its chain is to be changed."""
    if facts.chain is None:
        return Answer.NO_CHAIN, None
    if (facts.outlook is None or facts.outlook.outcome is not Outcome.FORECAST) and (
        facts.measured_chance or 0.0
    ) >= max(risk, EVEN):
        return Answer.NOW, None
    if facts.outlook is None:
        return Answer.NO_FORECAST, None
    outcome = facts.outlook.outcome
    if outcome is not Outcome.FORECAST:
        return _OF_OUTCOME[outcome], None
    reached_ns = facts.outlook.reached_ns(risk)
    if reached_ns is None:
        return Answer.FAR, None
    return (Answer.NOW, reached_ns) if reached_ns <= now_ns else (Answer.BY_DATE, reached_ns)


def _change(facts: Facts, answer: Answer, reached_ns: int | None, now_ns: int, risk: float) -> Change:
    if answer is Answer.NOW:
        return _now(facts, reached_ns, now_ns, risk)
    if answer is not Answer.BY_DATE or reached_ns is None:
        return Change(facts=facts, risk=risk, answer=answer, sentence=SENTENCES[answer])
    change_by = day_of(reached_ns, facts.zone)
    stop, next_stop, notes = _stop_for(facts, reached_ns, now_ns)
    needed_on = change_by if stop is None else day_of(stop.starts_ns, facts.zone)
    order_by, more = _order_by(facts, needed_on, now_ns)
    return Change(
        facts=facts,
        risk=risk,
        answer=answer,
        sentence="",
        reached_ns=reached_ns,
        change_by=change_by,
        needed_on=needed_on,
        order_by=order_by,
        stop=stop,
        chance=None if stop is None else _chance(facts, stop.starts_ns),
        next_stop=next_stop,
        next_chance=None if next_stop is None else _chance(facts, next_stop.starts_ns),
        loss_pct=None if stop is None else loss_pct(facts, stop.starts_ns, reached_ns),
        notes=(*notes, *more),
    )


def _now(facts: Facts, reached_ns: int | None, now_ns: int, risk: float) -> Change:
    """What is due at once. No stop is waited for; the next one stands there with its chance."""
    today = day_of(now_ns, facts.zone)
    chance = _chance(facts, now_ns)
    if chance is None:
        chance = facts.measured_chance
    told = (
        "The limit is reached"
        if chance == 1.0
        else f"The chance of having reached the limit is {100 * chance:.0f} % already, more than the risk taken"
        if chance is not None and chance >= risk
        else "A chain of the set is due"
    )
    next_stop, lead = facts.stops[0] if facts.stops else None, facts.terms.lead_days
    notes = (
        (f"Ordered today it is here in {_days(lead)}: ask for a shorter time, or borrow a chain.",)
        if lead
        else ()
    )
    return Change(
        facts=facts,
        risk=risk,
        answer=Answer.NOW,
        notes=notes,
        sentence=f"{told}: change it now, not in some stop to come.",
        reached_ns=now_ns if reached_ns is None else reached_ns,
        change_by=today,
        needed_on=today,
        order_by=today,
        next_stop=next_stop,
        next_chance=None if next_stop is None else _chance(facts, next_stop.starts_ns),
    )


def _stop_for(
    facts: Facts, reached_ns: int, now_ns: int
) -> tuple[PlannedStop | None, PlannedStop | None, tuple[str, ...]]:
    """The last stop before an instant, the first one after it where there is none to use, and what to say of it.

    A stop before the new chain can be here is of no use. After the last planned stop others will be planned: so the last
    one is used only where it gives up little.
    """
    zone, lead = facts.zone, facts.terms.lead_days
    before = [each for each in facts.stops if each.starts_ns < reached_ns]
    after = next((each for each in facts.stops if each.starts_ns >= reached_ns), None)
    here_on = day_of(now_ns, zone) + timedelta(days=lead or 0)
    usable = [each for each in before if day_of(each.starts_ns, zone) >= here_on]
    if not usable:
        if before:
            day = day_words(day_of(before[-1].starts_ns, zone))
            said = f"An order of today comes too late for {before[-1].name} on {day}: ask for a shorter time, or borrow a chain."
            return (
                None,
                after,
                (said,),
            )
        return None, after, ("No stop is planned before it: plan one, or it takes one that is not planned.",)
    last = usable[-1]
    lost = loss_pct(facts, last.starts_ns, reached_ns)
    if after is None and lost is not None and lost > SMALL_LOSS_PCT:
        return (
            None,
            None,
            (
                f"{last.name} is the last stop planned so far; it would give up {lost:.0f} % of the chain's life. Plan a later one.",
            ),
        )
    return last, None, ()


def _order_by(facts: Facts, needed_on: date, now_ns: int) -> tuple[date | None, tuple[str, ...]]:
    """The day by which to order, and what to say of it."""
    days = facts.terms.days_ahead
    if days is None:
        return None, ("No lead time is set, so no order-by date is told: set it under Supply.",)
    order_by = needed_on - timedelta(days=days)
    late = (day_of(now_ns, facts.zone) - order_by).days
    return order_by, (f"The order is {_days(late)} late: order today.",) if late > 0 else ()


def _notes(facts: Facts, others: Sequence[str], now_ns: int) -> Iterable[str]:
    if facts.outlook is not None and now_ns - facts.outlook.made_ns > OLD_NS:
        yield f"The forecast is of {day_words(day_of(facts.outlook.made_ns, facts.zone))}; none was made since."
    if others:
        yield (
            f"Change it as a set with {', '.join(others)}: chains that share a load must be equally long, and new chain beside "
            "worn chain carries it alone."
        )
    elif facts.drive.parallel_strands:
        yield "Chains run side by side here: change all of them as a set."
    if facts.chain is not None and is_lifting(facts.chain):
        yield "Lifting chain: change all chains of the lift as a set, with their anchor bolts and pins."


def is_lifting(chain: Chain) -> bool:
    """Return whether a chain is leaf chain, which lifts."""
    try:
        return find(chain.designation).kind is ChainKind.LEAF
    except DesignationError:
        return False


def _chance(facts: Facts, t_ns: int) -> float | None:
    return None if facts.outlook is None else facts.outlook.chance_before(t_ns)


def loss_pct(facts: Facts, early_ns: int, due_ns: int) -> float | None:
    """Return what part of the chain's life a change at `early_ns` gives up against one at `due_ns`, per cent.

    The life is that by the calendar from fitting to the median of the forecast. None where that is not known.
    """
    if facts.chain is None or facts.outlook is None:
        return None
    middle_ns = facts.outlook.reached_ns(0.5)
    if middle_ns is None or middle_ns <= facts.chain.fitted_ns:
        return None
    return 100 * max(0, due_ns - early_ns) / (middle_ns - facts.chain.fitted_ns)


# By stop


@dataclass(frozen=True, slots=True, kw_only=True)
class Along:
    """A drive that may be changed along with others in a stop before its own. due: the day that it would wait for."""

    change: Change
    due: date
    days: int
    loss_pct: float
    chance: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class StopPlan:
    """What is to be changed in one stop, and what may go along at a small loss."""

    stop: PlannedStop
    zone: tzinfo
    must: tuple[Change, ...]
    along: tuple[Along, ...] = ()


def by_stop(changes: Sequence[Change], *, small_pct: float = SMALL_LOSS_PCT) -> list[StopPlan]:
    """Return the stops in which something is to be changed, by start, and those that are only supposed (number below 0).

    Along may go what stands in that stop and is due in the next one of its own, where that gives up `small_pct` of its life
    at most; a set goes along as a whole or not at all.
    """
    must: dict[int, list[Change]] = defaultdict(list)
    stops: dict[int, tuple[PlannedStop, tzinfo]] = {}
    for each in changes:
        if each.stop is not None:
            must[each.stop.number].append(each)
        asked_about = [stop for stop in each.facts.stops if stop.number < 0]
        for stop in (*asked_about, *([each.stop] if each.stop else ())):
            stops[stop.number] = stop, each.facts.zone
    found = []
    for number, (stop, zone) in sorted(stops.items(), key=lambda pair: (pair[1][0].starts_ns, pair[0])):
        near = [_along(each, stop) for each in changes]
        small = [each for each in near if each is not None and each.loss_pct <= small_pct]
        along = [each for each in small if _whole_set(each, small, changes)]
        found.append(
            StopPlan(
                stop=stop,
                zone=zone,
                must=tuple(
                    sorted(must[number], key=lambda each: (each.reached_ns or 0, each.drive.drive_id))
                ),
                along=tuple(sorted(along, key=lambda each: (each.loss_pct, each.change.drive.drive_id))),
            )
        )
    return found


def _along(change: Change, stop: PlannedStop) -> Along | None:
    own, stops = change.stop, change.facts.stops
    if own is None or own.number == stop.number or stop not in stops:
        return None
    if stops.index(own) != stops.index(stop) + 1:
        return None
    lost = loss_pct(change.facts, stop.starts_ns, own.starts_ns)
    if lost is None:
        return None
    zone = change.facts.zone
    due = day_of(own.starts_ns, zone)
    return Along(
        change=change,
        due=due,
        days=(due - day_of(stop.starts_ns, zone)).days,
        loss_pct=lost,
        chance=_chance(change.facts, stop.starts_ns),
    )


def _whole_set(along: Along, all_along: Sequence[Along], changes: Sequence[Change]) -> bool:
    if not along.change.set_name:
        return True
    key = set_of(along.change.drive)
    members = {each.drive.drive_id for each in changes if set_of(each.drive) == key}
    return members <= {each.change.drive.drive_id for each in all_along}


# Days


def day_of(t_ns: int, zone: tzinfo) -> date:
    """Return the day that the clocks of a zone show at an instant."""
    return (_EPOCH + timedelta(microseconds=t_ns // 1000)).astimezone(zone).date()


def day_words(day: date) -> str:
    """Return a day as people read it: Fri 11 Sep 2026."""
    return f"{_WEEKDAYS[day.weekday()]} {day.day} {_MONTHS[day.month - 1]} {day.year}"


_WEEKDAYS = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")
_MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")


def _days(count: int) -> str:
    return "a day" if count == 1 else f"{count} days"


def _between(times: Sequence[int], values: Sequence[float], t_ns: int) -> float:
    """Straight lines between points, flat outside of them; times rising, the last of equals counts."""
    if t_ns <= times[0]:
        return values[0]
    at = bisect_left(times, t_ns)
    if at == len(times):
        return values[-1]
    start, end = times[at - 1], times[at]
    return values[at - 1] + (values[at] - values[at - 1]) * (t_ns - start) / (end - start)
