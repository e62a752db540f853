"""How good alerts are as a whole: do people get no more than they can answer, and none that means nothing?

Held against the figures of ANSI/ISA-18.2 and IEC 62682 (performance of the system of alerts) and EEMUA 191, all from memory,
for one operator; where a figure is our own it says so. Rates and floods count when people were told, that is by when a
transition was recorded; whether an alert chatters or is fleeting is a matter of the process, so of when it was true.

Alerts of wear stand for weeks, which those standards would call stale. One that is acknowledged and has a work order is
planned work and is counted apart.

Pure; knows transitions and alerts; must not know where they are kept.
"""

from collections import Counter, defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum

from service.core.alert import Alert, Annunciation, Event, Transition
from service.core.setpoint import ConditionKind, Priority

S = 1_000_000_000  # nanoseconds
TEN_MIN_NS, HOUR_NS, DAY_NS = 600 * S, 3600 * S, 86_400 * S
ISA = "ANSI/ISA-18.2 and IEC 62682 (from memory)"
EEMUA = "EEMUA 191 (from memory)"
OURS = "our own"

FLOOD_STARTS_OVER, FLOOD_ENDS_UNDER = 10, 5  # annunciations in ten minutes, an operator
CHATTERS, CHATTER_NS = 3, 60 * S  # so many occurrences within so long
FLEETING_NS = TEN_MIN_NS  # back to normal before anybody could have answered
STALE_NS = DAY_NS
STALE_FEWER_THAN = 5
TOP = 10
TOP_SHARE = 0.05
DOMINATES_FROM = 10  # annunciations; fewer are no burden, whatever their share
SPLIT: Mapping[Priority, float] = {Priority.LOW: 0.80, Priority.MEDIUM: 0.15, Priority.HIGH: 0.05}
SPLIT_OFF = 0.10  # so far off is still about that; our own
SPLIT_FROM = 100  # annunciations; a share of 5 % cannot be told from fewer
HOURS_OVER = 30  # annunciations in one hour that are too many


class Verdict(StrEnum):
    """What a figure is worth."""

    GOOD = "good"
    BEARABLE = "bearable"  # can just be managed
    TOO_MUCH = "too_much"
    NOT_JUDGED = "not_judged"  # too little to tell


@dataclass(frozen=True, slots=True, kw_only=True)
class Figure:
    """One figure, what it should be, and whether it is."""

    name: str
    words: str
    value: float
    unit: str
    target: str
    verdict: Verdict
    source: str


class Fault(StrEnum):
    """What makes an alert a nuisance."""

    CHATTERS = "chatters"
    FLEETING = "fleeting"
    DOMINATES = "dominates"


@dataclass(frozen=True, slots=True, kw_only=True)
class Suspect:
    """An alert whose setpoint, deadband or delays want looking at."""

    alert_id: str
    drive_id: str
    kind: ConditionKind
    annunciations: int
    fleeting: int
    faults: tuple[Fault, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Flood:
    """A stretch in which more came than an operator can follow."""

    from_ns: int
    to_ns: int
    annunciations: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Quality:
    """How good the alerts of a period were."""

    from_ns: int
    to_ns: int
    operators: int
    annunciations: int
    figures: tuple[Figure, ...]
    suspects: tuple[Suspect, ...]  # the worst first
    floods: tuple[Flood, ...]
    stale: tuple[str, ...]  # ids of alerts
    planned: tuple[str, ...]


def measure(
    transitions: Sequence[Transition],
    alerts: Iterable[Alert],
    *,
    from_ns: int,
    to_ns: int,
    operators: int = 1,
) -> Quality:
    """Return how good alerts were from `from_ns` (not included) to `to_ns`.

    Args:
        transitions: by number; those recorded outside are left out.
        alerts: as they are at `to_ns`.
        from_ns: start, before `to_ns`.
        to_ns: end.
        operators: who shared the alerts, 1 or more.
    """
    if from_ns >= to_ns or operators < 1:
        raise ValueError("give a period that ends after it starts, and one operator at least")
    within = [each for each in transitions if from_ns < each.act.recorded_ns <= to_ns]
    told = [each for each in within if each.annunciates]
    counts = in_steps([each.act.recorded_ns for each in told], from_ns, to_ns, TEN_MIN_NS)
    floods = _floods(counts, from_ns, to_ns, operators)
    stale, planned = _standing_long(alerts, to_ns)
    suspects = _suspects(within, told)
    figures = (
        *_rates(told, from_ns, to_ns, operators),
        _most(counts, operators),
        _flooded(floods, from_ns, to_ns),
        _none(
            "chattering",
            f"Alerts that occurred {CHATTERS} times or more in a minute",
            [each for each in suspects if Fault.CHATTERS in each.faults],
        ),
        _none(
            "fleeting",
            "Alerts that went by themselves within ten minutes",
            [each for each in suspects if Fault.FLEETING in each.faults],
        ),
        _stale_figure(stale),
        _top_share(told),
        *_split(told),
    )
    return Quality(
        from_ns=from_ns,
        to_ns=to_ns,
        operators=operators,
        annunciations=len(told),
        figures=figures,
        suspects=suspects,
        floods=floods,
        stale=stale,
        planned=planned,
    )


def in_steps(times_ns: Iterable[int], from_ns: int, to_ns: int, step_ns: int) -> list[int]:
    """Return how many instants fall into each step of a period, steps open at their start; the last may be cut."""
    counts = [0] * -(-(to_ns - from_ns) // step_ns)
    for at_ns in times_ns:
        counts[(at_ns - from_ns - 1) // step_ns] += 1
    return counts


# Rates


def _rates(told: Sequence[Transition], from_ns: int, to_ns: int, operators: int) -> tuple[Figure, ...]:
    per_hour = len(told) / operators / ((to_ns - from_ns) / HOUR_NS)
    hours = in_steps([each.act.recorded_ns for each in told], from_ns, to_ns, HOUR_NS)
    busy = sum(count / operators > HOURS_OVER for count in hours) / len(hours)
    return (
        Figure(
            name="per_hour",
            words="Annunciations in an hour, an operator",
            value=per_hour,
            unit="",
            target="about 6; up to 12 can be managed",
            verdict=_graded(per_hour, 6.0, 12.0),
            source=f"{ISA}; {EEMUA}",
        ),
        Figure(
            name="per_day",
            words="Annunciations in a day, an operator",
            value=per_hour * 24,
            unit="",
            target="about 150; up to 300 can be managed",
            verdict=_graded(per_hour * 24, 150.0, 300.0),
            source=f"{ISA}; {EEMUA}",
        ),
        Figure(
            name="busy_hours",
            words=f"Hours with more than {HOURS_OVER} annunciations",
            value=100 * busy,
            unit="%",
            target="under 1 %",
            verdict=Verdict.GOOD if busy < 0.01 else Verdict.TOO_MUCH,
            source=ISA,
        ),
    )


def _graded(value: float, good: float, bearable: float) -> Verdict:
    return Verdict.GOOD if value <= good else Verdict.BEARABLE if value <= bearable else Verdict.TOO_MUCH


def _most(counts: Sequence[int], operators: int) -> Figure:
    most = max(counts) / operators
    return Figure(
        name="most_in_ten_minutes",
        words="Most annunciations in ten minutes, an operator",
        value=most,
        unit="",
        target="10 at most",
        verdict=Verdict.GOOD if most <= FLOOD_STARTS_OVER else Verdict.TOO_MUCH,
        source=ISA,
    )


# Floods


def _floods(counts: Sequence[int], from_ns: int, to_ns: int, operators: int) -> tuple[Flood, ...]:
    """Return the floods, in whole steps of ten minutes: from the first with too many up to the next with few."""
    found, began = list[Flood](), None
    for n, count in enumerate([*counts, 0]):
        if began is None and count > FLOOD_STARTS_OVER * operators:
            began = n
        elif began is not None and count < FLOOD_ENDS_UNDER * operators:
            end_ns = min(from_ns + n * TEN_MIN_NS, to_ns)
            came = sum(counts[began:n])
            found.append(Flood(from_ns=from_ns + began * TEN_MIN_NS, to_ns=end_ns, annunciations=came))
            began = None
    return tuple(found)


def _flooded(floods: Iterable[Flood], from_ns: int, to_ns: int) -> Figure:
    share = sum(each.to_ns - each.from_ns for each in floods) / (to_ns - from_ns)
    return Figure(
        name="time_in_flood",
        words=f"Time in flood: from over {FLOOD_STARTS_OVER} in ten minutes to under {FLOOD_ENDS_UNDER}",
        value=100 * share,
        unit="%",
        target="under 1 %",
        verdict=Verdict.GOOD if share < 0.01 else Verdict.TOO_MUCH,
        source=ISA,
    )


# Nuisances


def _suspects(within: Sequence[Transition], told: Sequence[Transition]) -> tuple[Suspect, ...]:
    counts = Counter(each.alert_id for each in told)
    chatter, fleeting = _chattering(told), _fleeting(within)
    first = {each.alert_id: each for each in [*within, *told]}
    found = []
    for alert_id in {*counts, *fleeting}:
        dominates = counts[alert_id] >= DOMINATES_FROM and counts[alert_id] > TOP_SHARE * len(told)
        flags = (
            (Fault.CHATTERS, alert_id in chatter),
            (Fault.FLEETING, fleeting[alert_id] > 0),
            (Fault.DOMINATES, dominates),
        )
        faults = tuple(fault for fault, is_so in flags if is_so)
        if faults:
            of = first[alert_id]
            found.append(
                Suspect(
                    alert_id=alert_id,
                    drive_id=of.drive_id,
                    kind=of.kind,
                    annunciations=counts[alert_id],
                    fleeting=fleeting[alert_id],
                    faults=faults,
                )
            )
    return tuple(sorted(found, key=lambda each: (-each.annunciations, each.alert_id)))


def _chattering(told: Iterable[Transition]) -> set[str]:
    """Return the alerts that occurred too often within a minute of their own time."""
    times = defaultdict[str, list[int]](list)
    for each in told:
        if each.act.event is Event.OCCUR:
            times[each.alert_id].append(each.act.true_ns)
    return {
        alert_id
        for alert_id, at_ns in times.items()
        for first, last in zip(sorted(at_ns), sorted(at_ns)[CHATTERS - 1 :], strict=False)
        if last - first <= CHATTER_NS
    }


def _fleeting(within: Iterable[Transition]) -> Counter[str]:
    """Return how often each alert annunciated and was back to normal before anybody had acknowledged it, within ten minutes."""
    began, found = dict[str, int](), Counter[str]()
    for each in within:
        event = each.act.event
        if event is Event.OCCUR and each.annunciates:
            began[each.alert_id] = each.act.true_ns
        elif event is Event.ACKNOWLEDGE:
            began.pop(each.alert_id, None)
        elif event is Event.CLEAR and each.alert_id in began:
            found[each.alert_id] += each.act.true_ns - began.pop(each.alert_id) <= FLEETING_NS
    return +found


def _none(name: str, words: str, suspects: Sequence[Suspect]) -> Figure:
    return Figure(
        name=name,
        words=words,
        value=len(suspects),
        unit="",
        target="none; each is to be mended",
        verdict=Verdict.TOO_MUCH if suspects else Verdict.GOOD,
        source=ISA if name == "chattering" else f"{ISA}; ten minutes are {OURS}",
    )


# What stands


def _standing_long(alerts: Iterable[Alert], to_ns: int) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Return the alerts that are stale, and those that stand as long and are planned work. Held ones are neither."""
    long = sorted(
        (
            each
            for each in alerts
            if each.active
            and not each.held
            and each.since_ns is not None
            and to_ns - each.since_ns > STALE_NS
        ),
        key=lambda each: each.alert_id,
    )
    planned = [each for each in long if each.work_order and each.annunciation is Annunciation.ACKNOWLEDGED]
    return (
        tuple(each.alert_id for each in long if each not in planned),
        tuple(each.alert_id for each in planned),
    )


def _stale_figure(stale: Sequence[str]) -> Figure:
    return Figure(
        name="stale",
        words="Stale: active for over a day, and no planned work",
        value=len(stale),
        unit="",
        target=f"fewer than {STALE_FEWER_THAN}, each with a plan",
        verdict=Verdict.GOOD if len(stale) < STALE_FEWER_THAN else Verdict.TOO_MUCH,
        source=ISA,
    )


# Shares


def _top_share(told: Sequence[Transition]) -> Figure:
    """Ten alerts are more than 5 % of all as long as there are fewer than 200 of them: then it says nothing."""
    counts = Counter(each.alert_id for each in told)
    share = sum(count for _, count in counts.most_common(TOP)) / len(told) if told else 0.0
    tells = len(counts) >= TOP / TOP_SHARE
    return Figure(
        name="top_ten_share",
        words="Share of the ten alerts that annunciate most",
        value=100 * share,
        unit="%",
        target="1 to 5 %; judged from 200 different alerts on",
        verdict=Verdict.NOT_JUDGED if not tells else Verdict.GOOD if share <= TOP_SHARE else Verdict.TOO_MUCH,
        source=f"{ISA}; from when on is {OURS}",
    )


def _split(told: Sequence[Transition]) -> Iterable[Figure]:
    for priority, target in SPLIT.items():
        share = sum(each.priority is priority for each in told) / len(told) if told else 0.0
        off = round(abs(share - target), 9) > SPLIT_OFF
        yield Figure(
            name=f"{priority.name.lower()}_share",
            words=f"Share of priority {priority.name.lower()}",
            value=100 * share,
            unit="%",
            target=f"about {100 * target:.0f} %; judged from {SPLIT_FROM} annunciations on",
            verdict=Verdict.NOT_JUDGED
            if len(told) < SPLIT_FROM
            else Verdict.TOO_MUCH
            if off
            else Verdict.GOOD,
            source=f"{ISA}; {100 * SPLIT_OFF:.0f} points to either side are {OURS}",
        )
