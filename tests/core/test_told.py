"""What is recorded against what is so: nothing twice, nothing lacking, whatever was recorded before."""

from collections.abc import Sequence

from hypothesis import given
from hypothesis import strategies as st

from service.core.alert import Act, Alert, Event, Transition, advance, applied, begin
from service.core.setpoint import ConditionKind, Facts, Priority
from service.core.told import ALSO, TURNED_OUT, Needed, Stretch, needed, recorded_stretches

FACTS = Facts(cause="It is so.", mend="Mend it.")


class Log:
    """One alert and its transitions."""

    def __init__(self) -> None:
        self.alert: Alert = begin("a", ConditionKind.NEAR)
        self.transitions: list[Transition] = []

    def record(self, what: Sequence[Needed]) -> list[tuple[str, int]]:
        """Record what is needed; the table of alerts must allow each of it."""
        for each in what:
            act = Act(
                event=each.event,
                why=each.why,
                true_ns=each.true_ns,
                recorded_ns=1,
                facts=each.facts,
                priority=each.priority,
            )
            transition = advance(self.alert, act)
            self.alert = applied(self.alert, transition)
            self.transitions.append(transition)
        return [(str(each.event), each.true_ns) for each in what]

    def bring(self, *so: tuple[int, int | None], from_ns: int = 0) -> list[tuple[str, int]]:
        return self.record(needed(self.transitions, stretches(*so), from_ns))


def stretches(*so: tuple[int, int | None]) -> list[Stretch]:
    return [
        Stretch(start_ns=start, end_ns=end, on=FACTS, off=FACTS, priority=Priority.HIGH) for start, end in so
    ]


def test_what_occurs_and_clears_is_recorded_once() -> None:
    log = Log()
    assert log.bring((5, None)) == [("occur", 5)]
    assert log.alert.priority is Priority.HIGH
    assert log.alert.facts == FACTS
    assert log.bring((5, None)) == []
    assert log.bring((5, 9)) == [("clear", 9)]
    assert log.bring((5, 9)) == []
    assert log.bring((5, 9), (12, None)) == [("occur", 12)]
    assert log.bring((5, 9), (12, 15), (20, 21)) == [("clear", 15), ("occur", 20), ("clear", 21)]


def test_an_earlier_beginning_that_came_late_is_the_same_occurrence() -> None:
    log = Log()
    log.bring((7, None))
    assert log.bring((5, None)) == []
    assert log.bring((5, 8)) == [("clear", 8)]


def test_what_turns_out_not_to_have_been_so_is_cleared_and_may_come_back() -> None:
    log = Log()
    log.bring((7, None))
    assert log.bring() == [("clear", 7)]
    assert log.transitions[-1].act.why == TURNED_OUT
    assert log.bring() == []
    assert log.bring((7, None)) == [("occur", 7)]


def test_what_was_so_before_something_that_stands_is_noted() -> None:
    log = Log()
    log.bring((20, None))
    assert log.bring((5, 9), (20, None)) == [("comment", 5)]
    assert log.transitions[-1].act.why.startswith(ALSO)
    assert log.bring((5, 9), (20, None)) == []


def test_what_was_cleared_and_is_still_so_occurs_again() -> None:
    log = Log()
    log.bring((5, 9))
    assert log.bring((5, None)) == [("occur", 9)]


def test_what_is_older_than_what_is_known_anew_is_left_alone() -> None:
    log = Log()
    log.bring((5, 9))
    assert log.bring((30, None), from_ns=20) == [("occur", 30)]
    assert log.bring(from_ns=35) == [("clear", 30)]


@st.composite
def truths(draw: st.DrawFn) -> list[tuple[int, int | None]]:
    """Stretches one after the other, the last of which may go on."""
    at = 0
    found: list[tuple[int, int | None]] = []
    for _ in range(draw(st.integers(0, 4))):
        start = at + draw(st.integers(1, 5))
        at = start + draw(st.integers(1, 5))
        found.append((start, at))
    goes_on: bool = draw(st.booleans())
    if found and goes_on:
        return [*found[:-1], (found[-1][0], None)]
    return found


@given(st.lists(truths(), max_size=5))
def test_the_log_says_what_is_so_and_asking_again_records_nothing(
    told: list[list[tuple[int, int | None]]],
) -> None:
    """Whatever was believed before, in whatever order: the last belief is what the log says, through legal steps only."""
    log = Log()
    for so in told:
        log.bring(*so)
        assert log.alert.active is bool(so and so[-1][1] is None)
        assert log.bring(*so) == []
        recorded = recorded_stretches(log.transitions)
        noted = {each.act.true_ns for each in log.transitions if each.act.event is Event.COMMENT}
        for start, end in so:
            assert start in noted or any(
                each.start_ns == start
                or (
                    each.start_ns < (end if end is not None else 10**9)
                    and (each.end_ns is None or each.end_ns > start)
                )
                for each in recorded
            )
