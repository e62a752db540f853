"""One alert advanced and recorded in one transaction; nobody's act is lost to another's."""

import threading
from collections.abc import Iterator
from dataclasses import replace

import pytest
from structlog.testing import capture_logs

from service.annunciator import TRIES, Advanced, Annunciator
from service.core.alert import (
    Act,
    Alert,
    Annunciation,
    Event,
    Hold,
    NotAllowedError,
    Transition,
    applied,
    begin,
    replay,
)
from service.core.alert import advance as step
from service.core.setpoint import ConditionKind
from service.ports import AlertLog, OvertakenError, StoreUnavailableError
from tests.contracts.given import DAY_NS, NOON_NS, STORES, S, a_store
from tests.fakes_alerts import FakeAlertLog

DRIVE, KIND = "kiln-car-2", ConditionKind.NEAR
ALERT_ID = "kiln-car-2.near"


@pytest.fixture(params=STORES)
def alert_log(request: pytest.FixtureRequest) -> Iterator[AlertLog]:
    with a_store(request.param) as store:
        yield store.alert_log


@pytest.fixture
def annunciator(alert_log: AlertLog) -> Annunciator:
    return Annunciator(alert_log)


def act(event: Event, by: str = "linklag", at_s: int = 0, **more: object) -> Act:
    at_ns = NOON_NS + at_s * S
    return Act(event=event, by=by, true_ns=at_ns, recorded_ns=at_ns, **more)  # type: ignore[arg-type]


def shelve(by: str) -> Act:
    return act(Event.SHELVE, by, why="stop on Sunday", until_ns=NOON_NS + DAY_NS)


def test_the_alert_and_its_transition_come_back_as_they_are_stored(
    annunciator: Annunciator, alert_log: AlertLog
) -> None:
    done = annunciator.advance(DRIVE, KIND, act(Event.OCCUR))
    assert done.transition.number > 0
    assert done.transition.annunciates
    assert done.alert == alert_log.alert(ALERT_ID)
    assert [done.transition] == alert_log.of_alert(ALERT_ID)


def test_each_transition_is_logged_once(annunciator: Annunciator) -> None:
    with capture_logs() as lines:
        done = annunciator.advance(DRIVE, KIND, act(Event.OCCUR))
    (line,) = lines
    assert (line["alert"], line["done"], line["number"]) == (ALERT_ID, "occur", done.transition.number)


def test_of_two_people_who_look_at_the_same_alert_the_second_is_told_what_the_first_did(
    annunciator: Annunciator, alert_log: AlertLog
) -> None:
    seen = annunciator.advance(DRIVE, KIND, act(Event.OCCUR)).alert.seq
    annunciator.advance(DRIVE, KIND, act(Event.ACKNOWLEDGE, "M. Brandt"), seq=seen)
    with pytest.raises(
        OvertakenError, match=r"acknowledge by M\. Brandt, and it is now acknowledged"
    ) as told:
        annunciator.advance(DRIVE, KIND, shelve("K. Oster"), seq=seen)
    assert told.value.alert == alert_log.alert(ALERT_ID)
    assert told.value.alert.held == ()
    done = annunciator.advance(DRIVE, KIND, shelve("K. Oster"), seq=told.value.alert.seq)
    assert done.alert.holds == (Hold.SHELVED,)


def test_who_does_not_say_what_they_saw_is_refused_only_what_makes_no_sense_any_more(
    annunciator: Annunciator,
) -> None:
    annunciator.advance(DRIVE, KIND, act(Event.OCCUR))
    annunciator.advance(DRIVE, KIND, act(Event.ACKNOWLEDGE, "M. Brandt"))
    annunciator.advance(DRIVE, KIND, act(Event.COMMENT, "K. Oster", why="seen as well"))
    with pytest.raises(NotAllowedError, match=r"comment by K\. Oster"):
        annunciator.advance(DRIVE, KIND, act(Event.ACKNOWLEDGE, "K. Oster"))


def test_the_same_key_twice_does_it_once_and_answers_the_same(
    annunciator: Annunciator, alert_log: AlertLog
) -> None:
    annunciator.advance(DRIVE, KIND, act(Event.OCCUR))
    comment = act(Event.COMMENT, "M. Brandt", why="heard it", key="phone-17")
    first = annunciator.advance(DRIVE, KIND, comment, seq=1)
    later = replace(comment, recorded_ns=comment.recorded_ns + S)
    assert annunciator.advance(DRIVE, KIND, later, seq=1) == first
    assert len(alert_log.of_alert(ALERT_ID)) == 2
    annunciator.advance(DRIVE, KIND, act(Event.CLEAR))
    again = annunciator.advance(DRIVE, KIND, comment)
    assert again.transition == first.transition
    assert again.alert.annunciation is Annunciation.RETURNED


def test_what_the_table_does_not_have_stores_nothing(annunciator: Annunciator, alert_log: AlertLog) -> None:
    with pytest.raises(NotAllowedError):
        annunciator.advance(DRIVE, KIND, act(Event.CLEAR))
    with pytest.raises(ValueError, match="reason"):
        annunciator.advance(DRIVE, KIND, act(Event.COMMENT, "M. Brandt"))
    assert alert_log.newest_number() == 0


def at_once(*acts: Act, annunciator: Annunciator, seq: int | None) -> list[Advanced | Exception]:
    """Do all acts from threads of their own that start together; return what came of each."""
    together = threading.Barrier(len(acts))
    came: list[Advanced | Exception] = [Exception("did not run")] * len(acts)

    def run(n: int, what: Act) -> None:
        together.wait()
        try:
            came[n] = annunciator.advance(DRIVE, KIND, what, seq=seq)
        except Exception as error:  # noqa: BLE001 - the test looks at all of them
            came[n] = error

    threads = [threading.Thread(target=run, args=(n, what)) for n, what in enumerate(acts)]
    for each in threads:
        each.start()
    for each in threads:
        each.join()
    return came


@pytest.mark.parametrize("turn", range(5))
def test_two_people_at_the_same_instant_one_is_done_and_the_other_is_told(
    annunciator: Annunciator, alert_log: AlertLog, turn: int
) -> None:
    seen = annunciator.advance(DRIVE, KIND, act(Event.OCCUR, at_s=turn)).alert.seq
    came = at_once(act(Event.ACKNOWLEDGE, "M. Brandt"), shelve("K. Oster"), annunciator=annunciator, seq=seen)
    (done,) = [each for each in came if isinstance(each, Advanced)]
    (told,) = [each for each in came if isinstance(each, Exception)]
    assert isinstance(told, OvertakenError)
    assert done.transition.act.by in str(told)
    assert told.alert == done.alert == alert_log.alert(ALERT_ID)


@pytest.mark.parametrize("turn", range(5))
def test_a_person_and_the_process_at_the_same_instant_are_both_heard(
    annunciator: Annunciator, alert_log: AlertLog, turn: int
) -> None:
    """What the process does is true whatever a person did, so it is tried again."""
    annunciator.advance(DRIVE, KIND, act(Event.OCCUR, at_s=turn))
    came = at_once(
        act(Event.CLEAR), shelve("K. Oster"), act(Event.COMMENT, "M. Brandt", why="on it"),
        annunciator=annunciator, seq=None,
    )  # fmt: skip
    assert all(isinstance(each, Advanced) for each in came)
    found = alert_log.of_alert(ALERT_ID)
    assert {each.act.event for each in found} == {Event.OCCUR, Event.CLEAR, Event.SHELVE, Event.COMMENT}
    assert alert_log.alert(ALERT_ID) == replay(found, begin(DRIVE, KIND))


def test_one_key_from_many_threads_is_done_once(annunciator: Annunciator, alert_log: AlertLog) -> None:
    annunciator.advance(DRIVE, KIND, act(Event.OCCUR))
    comment = act(Event.COMMENT, "M. Brandt", why="heard it", key="phone-17")
    came = at_once(*[comment] * 6, annunciator=annunciator, seq=1)
    assert all(isinstance(each, Advanced) for each in came), came
    assert len({each.transition.number for each in came if isinstance(each, Advanced)}) == 1
    assert len(alert_log.of_alert(ALERT_ID)) == 2


class Crowd(FakeAlertLog):
    """A log in which somebody comments just before each transition that is to be recorded, so many times."""

    def __init__(self, times: int) -> None:
        super().__init__()
        self.times = times

    def record(self, transition: Transition, after: Alert) -> int:
        if self.times:
            self.times -= 1
            now = self.alert(transition.alert_id) or begin(transition.drive_id, transition.kind)
            first = step(now, act(Event.COMMENT, "somebody", why="first"))
            super().record(first, applied(now, first))
        return super().record(transition, after)


def test_what_is_overtaken_again_and_again_goes_on_until_its_turn_comes() -> None:
    crowd = Crowd(TRIES - 1)
    done = Annunciator(crowd).advance(DRIVE, KIND, act(Event.OCCUR))
    assert done.alert.seq == TRIES
    assert done.alert == crowd.alert(ALERT_ID)


def test_but_not_for_ever() -> None:
    with pytest.raises(OvertakenError, match="somebody"):
        Annunciator(Crowd(TRIES)).advance(DRIVE, KIND, act(Event.OCCUR))


def test_a_store_that_is_down_is_said_to_be_and_nothing_has_happened() -> None:
    alert_log = FakeAlertLog()
    alert_log.down = "the disk is full"
    with pytest.raises(StoreUnavailableError, match="disk is full"):
        Annunciator(alert_log).advance(DRIVE, KIND, act(Event.OCCUR))
    alert_log.down = None
    assert alert_log.newest_number() == 0
