"""What every adapter of the port `AlertLog` keeps to."""

import threading
from collections.abc import Iterator
from dataclasses import replace

import pytest

from service.core.alert import Act, Alert, Event, Hold, Transition, advance, applied, begin, replay
from service.core.setpoint import ConditionKind, Facts, Priority
from service.ports import AlertLog, OvertakenError
from tests.contracts.given import ALL_STORES, DAY_NS, NOON_NS, S, a_store

pytestmark = pytest.mark.parametrize("kind", ALL_STORES)

FACTS = Facts(
    cause="Elongation 1.21 % reached the first step",
    mend="Plan a new chain – order it now",
    value=1.21,
    u=0.02,
    setpoint=1.2,
    unit="%",
    at_drive=True,
)
OCCUR = Act(
    event=Event.OCCUR,
    true_ns=NOON_NS,
    recorded_ns=NOON_NS + S,
    facts=FACTS,
    priority=Priority.MEDIUM,
)
PRESS = begin("press-3", ConditionKind.APPROACHING)
SAW = begin("saw-1", ConditionKind.DEVICE_OFFLINE)


@pytest.fixture
def alert_log(kind: str) -> Iterator[AlertLog]:
    with a_store(kind) as store:
        yield store.alert_log


def act(event: Event, at_s: float = 0.0, **more: object) -> Act:
    at_ns = NOON_NS + round(at_s * S)
    return Act(event=event, true_ns=at_ns, recorded_ns=at_ns, **more)  # type: ignore[arg-type]


def record(alert_log: AlertLog, alert: Alert, *acts: Act) -> Alert:
    """Advance an alert by acts, store each, and return it as the adapter must know it."""
    for each in acts:
        transition = advance(alert, each)
        number = alert_log.record(transition, applied(alert, transition))
        alert = applied(alert, replace(transition, number=number))
    return alert


A_LIFE = (
    OCCUR,
    act(Event.ACKNOWLEDGE, 10, by="M. Brandt", key="a1"),
    act(Event.SET_WORK_ORDER, 20, by="M. Brandt", work_order="WO-4711"),
    act(Event.SHELVE, 30, by="M. Brandt", why="stop on Sunday", until_ns=NOON_NS + DAY_NS),
    act(Event.SUPPRESS, 40, why="drive stopped"),
    act(Event.TAKE_OUT, 50, by="K. Oster", why="bracket off", until_ns=NOON_NS + 7 * DAY_NS),
    act(Event.CLEAR, 60, facts=replace(FACTS, value=0.0, u=None, at_drive=False)),
    act(Event.COMMENT, 70, by="K. Oster", why="größer als gedacht\nsiehe Blatt 2"),
    act(Event.UNSUPPRESS, 80),
    act(Event.SHELF_ENDS, 90),
    act(Event.PUT_BACK, 100, by="K. Oster"),
)


def test_before_anything_happened_there_is_nothing(alert_log: AlertLog) -> None:
    assert alert_log.alert(PRESS.alert_id) is None
    assert alert_log.alerts(standing=False) == []
    assert alert_log.of_alert(PRESS.alert_id) == []
    assert alert_log.after(0) == []
    assert alert_log.newest_number() == 0
    assert alert_log.by_key("a1") is None


def test_an_alert_and_its_transitions_come_back_with_every_field(alert_log: AlertLog) -> None:
    alert, numbered = PRESS, list[Transition]()
    for each in A_LIFE:
        transition = advance(alert, each)
        number = alert_log.record(transition, applied(alert, transition))
        numbered.append(replace(transition, number=number))
        alert = applied(alert, numbered[-1])
        assert alert_log.alert(PRESS.alert_id) == alert
    assert alert_log.of_alert(PRESS.alert_id) == numbered


def test_what_is_kept_of_an_alert_is_the_replay_of_what_is_kept_of_its_transitions(
    alert_log: AlertLog,
) -> None:
    record(alert_log, PRESS, *A_LIFE)
    assert alert_log.alert(PRESS.alert_id) == replay(alert_log.of_alert(PRESS.alert_id), PRESS)


def test_numbers_rise_over_all_alerts(alert_log: AlertLog) -> None:
    press = record(alert_log, PRESS, OCCUR)
    record(alert_log, SAW, OCCUR)
    record(alert_log, press, act(Event.CLEAR, 5))
    found = alert_log.after(0)
    numbers = [each.number for each in found]
    assert numbers == sorted(set(numbers))
    assert numbers[0] > 0
    assert numbers[-1] == alert_log.newest_number()
    assert [(each.drive_id, each.act.event) for each in found] == [
        ("press-3", Event.OCCUR),
        ("saw-1", Event.OCCUR),
        ("press-3", Event.CLEAR),
    ]


def test_who_reads_on_from_a_number_gets_the_rest_and_page_by_page_all(alert_log: AlertLog) -> None:
    record(alert_log, PRESS, *A_LIFE)
    record(alert_log, SAW, OCCUR)
    every = alert_log.after(0)
    assert len(every) == len(A_LIFE) + 1
    for n, each in enumerate(every):
        assert alert_log.after(each.number) == every[n + 1 :]
    pages, number = list[Transition](), 0
    while page := alert_log.after(number, rows_max=5):
        pages += page
        number = page[-1].number
    assert pages == every
    assert alert_log.after(0, drive_id="saw-1") == every[-1:]
    assert alert_log.after(0, 3, "press-3") == every[:3]
    assert alert_log.after(every[-1].number) == []


def test_of_too_many_transitions_of_one_alert_the_newest_are_given_in_order(alert_log: AlertLog) -> None:
    record(alert_log, PRESS, *A_LIFE)
    assert [each.seq for each in alert_log.of_alert(PRESS.alert_id, rows_max=3)] == [9, 10, 11]


def test_what_stands_is_told_from_what_is_over(alert_log: AlertLog) -> None:
    over = record(alert_log, PRESS, OCCUR, act(Event.ACKNOWLEDGE, 1), act(Event.CLEAR, 2))
    stands = record(alert_log, SAW, OCCUR)
    near = record(alert_log, begin("press-3", ConditionKind.NEAR), OCCUR, act(Event.CLEAR, 1))
    assert alert_log.alerts() == [near, stands]
    assert alert_log.alerts(standing=False) == [over, near, stands]
    assert alert_log.alerts("press-3") == [near]
    assert alert_log.alerts("press-3", standing=False) == [over, near]
    assert alert_log.alerts("saw") == []


@pytest.mark.parametrize(
    "on",
    [
        act(Event.SHELVE, why="x", until_ns=NOON_NS + DAY_NS),
        act(Event.TAKE_OUT, why="x", until_ns=NOON_NS + DAY_NS),
    ],
    ids=lambda each: each.event,
)
def test_what_is_on_the_shelf_or_out_of_service_stands_though_nothing_is_the_matter(
    alert_log: AlertLog, on: Act
) -> None:
    held = record(alert_log, PRESS, on)
    assert alert_log.alerts() == [held]


def test_transitions_of_a_stretch_of_time_go_by_when_they_were_recorded(alert_log: AlertLog) -> None:
    """Also where the clock was set back meanwhile: then by number."""
    late = replace(OCCUR, recorded_ns=NOON_NS + 100 * S)
    alert = record(alert_log, PRESS, late, act(Event.ACKNOWLEDGE, 50))
    record(alert_log, alert, act(Event.CLEAR, 200))
    occur, acknowledge, clear = alert_log.after(0)
    at_ns = NOON_NS + 50 * S
    assert alert_log.recorded(0, 2**62) == [occur, acknowledge, clear]
    assert alert_log.recorded(at_ns - 1, at_ns + 50 * S) == [occur, acknowledge]
    assert alert_log.recorded(at_ns, at_ns + 50 * S) == [occur]
    assert alert_log.recorded(0, 2**62, rows_max=2) == [acknowledge, clear]


def test_who_comes_second_is_refused_and_told_how_it_is(alert_log: AlertLog) -> None:
    alert = record(alert_log, PRESS, OCCUR)
    first = advance(alert, act(Event.ACKNOWLEDGE, 5, by="first"))
    second = advance(alert, act(Event.SHELVE, 6, by="second", why="later", until_ns=NOON_NS + DAY_NS))
    number = alert_log.record(first, applied(alert, first))
    with pytest.raises(OvertakenError, match="acknowledge by first") as refused:
        alert_log.record(second, applied(alert, second))
    assert refused.value.alert == alert_log.alert(PRESS.alert_id)
    assert alert_log.newest_number() == number
    assert [each.act.by for each in alert_log.after(1)] == ["first"]


def test_a_key_that_is_taken_is_refused_whatever_the_alert(alert_log: AlertLog) -> None:
    press = record(alert_log, PRESS, OCCUR)
    saw = record(alert_log, SAW, OCCUR)
    press = record(alert_log, press, act(Event.ACKNOWLEDGE, 5, by="first", key="one"))
    before = alert_log.newest_number()
    for alert in (saw, press):
        again = advance(alert, act(Event.COMMENT, 6, why="again", key="one"))
        with pytest.raises(OvertakenError) as refused:
            alert_log.record(again, applied(alert, again))
        assert refused.value.alert == alert
    assert alert_log.newest_number() == before
    assert alert_log.alert(SAW.alert_id) == saw
    done = alert_log.by_key("one")
    assert done is not None
    assert (done.alert_id, done.act.by) == (PRESS.alert_id, "first")


def test_a_key_taken_before_anything_happened_to_the_other_alert(alert_log: AlertLog) -> None:
    record(alert_log, PRESS, act(Event.COMMENT, why="first", key="one"))
    again = advance(SAW, act(Event.COMMENT, why="again", key="one"))
    with pytest.raises(OvertakenError) as refused:
        alert_log.record(again, applied(SAW, again))
    assert refused.value.alert == SAW
    assert alert_log.alert(SAW.alert_id) is None


def test_transitions_without_a_key_do_not_get_in_each_others_way(alert_log: AlertLog) -> None:
    record(alert_log, PRESS, OCCUR, act(Event.COMMENT, why="a"), act(Event.COMMENT, why="a"))
    assert [each.act.key for each in alert_log.after(0)] == [None] * 3


def test_a_transition_that_leaves_one_out_is_refused(alert_log: AlertLog) -> None:
    alert = record(alert_log, PRESS, OCCUR)
    missing = advance(alert, act(Event.ACKNOWLEDGE, 5))
    then = applied(alert, missing)
    late = advance(then, act(Event.CLEAR, 6))
    with pytest.raises(ValueError, match=r"missing|does not follow"):
        alert_log.record(late, applied(then, late))
    with pytest.raises(ValueError, match="not"):
        alert_log.record(missing, alert)
    assert alert_log.alert(PRESS.alert_id) == alert
    assert len(alert_log.after(0)) == 1


def test_of_many_at_once_each_step_is_taken_once_and_numbers_come_in_the_order_of_steps(
    alert_log: AlertLog,
) -> None:
    together, won = threading.Barrier(6), list[int]()

    def comment(name: str) -> None:
        together.wait()
        for n in range(5):
            while True:
                alert = alert_log.alert(PRESS.alert_id) or PRESS
                step = advance(alert, act(Event.COMMENT, n, by=name, why=f"{n}"))
                try:
                    won.append(alert_log.record(step, applied(alert, step)))
                except OvertakenError:
                    continue
                break

    threads = [threading.Thread(target=comment, args=(f"person {n}",)) for n in range(6)]
    for each in threads:
        each.start()
    for each in threads:
        each.join()
    found = alert_log.of_alert(PRESS.alert_id)
    assert [each.seq for each in found] == list(range(1, 31))
    assert [each.number for each in found] == sorted(won)
    assert alert_log.alert(PRESS.alert_id) == replay(found, PRESS)


def test_the_hold_that_is_shown_first_comes_first(alert_log: AlertLog) -> None:
    until_ns = NOON_NS + DAY_NS
    held = record(
        alert_log,
        PRESS,
        act(Event.SHELVE, why="a", until_ns=until_ns),
        act(Event.TAKE_OUT, why="b", until_ns=until_ns),
        act(Event.SUPPRESS, why="c"),
    )
    found = alert_log.alert(PRESS.alert_id)
    assert found == held
    assert found.holds == (Hold.OUT_OF_SERVICE, Hold.SUPPRESSED, Hold.SHELVED)
