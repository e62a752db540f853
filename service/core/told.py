"""What is recorded of an alert, held against what is so: what is still to be recorded, and nothing twice.

What is so comes as stretches over which a condition was true, what is recorded as transitions, which are never taken back.
A stretch that a recorded one overlaps is the same occurrence. So asking again records nothing, whoever stopped in between;
readings that come late add what they show with its own time; and an alert whose condition turns out not to have been true is
cleared.

Knows stretches of time and transitions; must not know readings, nor who records.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

from service.core.alert import Event, Transition
from service.core.setpoint import Facts, Priority


@dataclass(frozen=True, slots=True, kw_only=True)
class Stretch:
    """A condition was true from `start_ns` on, until `end_ns`; None: it still is. `on`, `off`: what was seen then."""

    start_ns: int
    end_ns: int | None = None
    on: Facts | None = None
    off: Facts | None = None
    priority: Priority | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Needed:
    """Something to record: OCCUR, CLEAR, or a COMMENT where the alert is true of something later already."""

    event: Event
    true_ns: int
    facts: Facts | None = None
    priority: Priority | None = None
    why: str = ""


TURNED_OUT = "What came later shows that it was not so."
ALSO = "It was also so for a while before, as readings show that came late."


def recorded_stretches(transitions: Iterable[Transition]) -> list[Stretch]:
    """Return over which stretches an alert was recorded as active; transitions by seq."""
    found: list[Stretch] = []
    for each in transitions:
        if each.act.event is Event.OCCUR:
            found.append(Stretch(start_ns=each.act.true_ns))
        elif each.act.event is Event.CLEAR and found and found[-1].end_ns is None:
            start_ns = found[-1].start_ns
            found[-1] = Stretch(start_ns=start_ns, end_ns=max(start_ns, each.act.true_ns))
    return found


def needed(transitions: Sequence[Transition], so: Sequence[Stretch], from_ns: int) -> list[Needed]:
    """Return what is to be recorded so that the log says what is so, in the order in which it can be.

    Args:
        transitions: of the alert, the newest at least, by seq.
        so: over which stretches its condition was true, in order, from `from_ns` on; one may have begun before.
        from_ns: since when that is known anew.
    """
    recorded = recorded_stretches(transitions)
    standing = recorded.pop() if recorded and recorded[-1].end_ns is None else None
    closed = [each for each in recorded if each.end_ns is not None and each.end_ns >= from_ns]
    noted = {each.act.true_ns for each in transitions if each.act.event is Event.COMMENT}
    found: list[Needed] = []
    if standing is not None and not any(_goes_on(each, standing) for each in so):
        facts = Facts(cause=TURNED_OUT, mend="")
        found.append(Needed(event=Event.CLEAR, true_ns=standing.start_ns, facts=facts, why=TURNED_OUT))
        closed.append(replace(standing, end_ns=standing.start_ns))
        standing = None
    for each in so:
        if standing is not None and _goes_on(each, standing):
            if each.end_ns is not None:
                found.append(_clear(each))
                closed.append(replace(standing, end_ns=each.end_ns))
                standing = None
        elif (other := _overlapping(each, closed)) is not None:
            if each.end_ns is None:
                found.append(_occur(each, max(each.start_ns, other.end_ns or 0)))
        elif each.end_ns is not None and each.start_ns in noted:
            continue
        elif standing is not None:
            found.append(Needed(event=Event.COMMENT, true_ns=each.start_ns, facts=each.on, why=_also(each)))
        else:
            found.append(_occur(each, each.start_ns))
            if each.end_ns is not None:
                found.append(_clear(each))
                closed.append(each)
    return found


def _goes_on(stretch: Stretch, standing: Stretch) -> bool:
    """Whether a recorded stretch without an end is the same occurrence."""
    return stretch.end_ns is None or stretch.end_ns > standing.start_ns


def _overlapping(stretch: Stretch, closed: Iterable[Stretch]) -> Stretch | None:
    """The newest recorded stretch that is the same occurrence."""
    same = [
        each
        for each in closed
        if each.start_ns == stretch.start_ns
        or (
            stretch.start_ns < (each.end_ns or 0)
            and (stretch.end_ns is None or stretch.end_ns > each.start_ns)
        )
    ]
    return max(same, key=lambda each: each.start_ns, default=None)


def _occur(stretch: Stretch, true_ns: int) -> Needed:
    return Needed(event=Event.OCCUR, true_ns=true_ns, facts=stretch.on, priority=stretch.priority)


def _clear(stretch: Stretch) -> Needed:
    assert stretch.end_ns is not None  # noqa: S101 - asked before
    return Needed(event=Event.CLEAR, true_ns=stretch.end_ns, facts=stretch.off)


def _also(stretch: Stretch) -> str:
    return f"{ALSO} {stretch.on.cause}" if stretch.on else ALSO
