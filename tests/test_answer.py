"""People answer alerts: what they may do, what they are told, and that a second time does nothing."""

from collections.abc import Callable, Iterator
from dataclasses import replace

import pytest

from service.annunciator import Advanced, Annunciator
from service.answer import AT_ONCE_MAX, Answer, Said
from service.core.alert import Act, Event, Hold, NotAllowedError
from service.core.fields import FieldsRefusedError
from service.core.setpoint import ConditionKind
from service.ports import NotFoundError, OvertakenError
from tests.contracts.given import A_DRIVE, DAY_NS, NOON_NS, STORES, Ports, S, a_store

ALERT = "press-3.near"
SAID = Said(by="M. Brandt", at_ns=NOON_NS + 60 * S, why="seen")


@pytest.fixture(params=STORES)
def ports(request: pytest.FixtureRequest) -> Iterator[Ports]:
    """A store with one drive, of which one alert has occurred."""
    with a_store(request.param) as store:
        store.register.add_drive(A_DRIVE)
        occur(store, ConditionKind.NEAR)
        yield store


@pytest.fixture
def answer(ports: Ports) -> Answer:
    return Answer(ports.alert_log, ports.register)


def occur(ports: Ports, kind: ConditionKind, drive_id: str = "press-3") -> None:
    act = Act(event=Event.OCCUR, true_ns=NOON_NS, recorded_ns=NOON_NS)
    Annunciator(ports.alert_log).advance(drive_id, kind, act)


def test_who_acknowledges_is_named_with_when_and_why(answer: Answer, ports: Ports) -> None:
    done = answer.acknowledge(ALERT, SAID)
    assert (done.alert.state, done.alert.acknowledged_by) == ("acknowledged", "M. Brandt")
    (_, transition) = ports.alert_log.of_alert(ALERT)
    assert (transition.act.by, transition.act.why, transition.act.recorded_ns) == (
        "M. Brandt",
        "seen",
        SAID.at_ns,
    )


def test_a_shelf_has_an_end_and_a_reason_and_can_be_left_before(answer: Answer) -> None:
    done = answer.shelve(ALERT, replace(SAID, why=" stop on Sunday\n"), SAID.at_ns + DAY_NS)
    (held,) = done.alert.held
    assert (held.hold, held.until_ns, held.why, held.by) == (
        Hold.SHELVED,
        SAID.at_ns + DAY_NS,
        "stop on Sunday",
        "M. Brandt",
    )
    assert answer.unshelve(ALERT, SAID).alert.state == "unacknowledged"


def test_out_of_service_has_a_day_of_review_and_lasts_until_it_is_put_back(answer: Answer) -> None:
    done = answer.take_out_of_service(ALERT, SAID, SAID.at_ns + 90 * DAY_NS)
    assert done.alert.state == "out_of_service"
    assert answer.put_back_in_service(ALERT, SAID).transition.annunciates


def test_comments_and_work_orders_leave_the_state_alone(answer: Answer) -> None:
    assert answer.comment(ALERT, SAID).alert.state == "unacknowledged"
    assert answer.set_work_order(ALERT, SAID, " WO-4711 ").alert.work_order == "WO-4711"
    assert answer.set_work_order(ALERT, SAID, "").alert.work_order == ""


def test_a_condition_that_never_occurred_can_be_taken_out_of_service(answer: Answer) -> None:
    done = answer.take_out_of_service("press-3.device_offline", SAID, SAID.at_ns + DAY_NS)
    assert (done.alert.state, done.alert.active) == ("out_of_service", False)


def test_an_alert_of_a_drive_that_was_retired_since_can_still_be_acknowledged(
    answer: Answer, ports: Ports
) -> None:
    ports.register.retire_drive("press-3", NOON_NS + S)
    assert answer.acknowledge(ALERT, SAID).alert.state == "acknowledged"


@pytest.mark.parametrize(
    "alert_id", ["press-3", "press-3.nonsense", "saw-1.near", ".near", "", "press-3.near.near", "x" * 1000]
)
def test_an_alert_that_cannot_be_is_not_found(answer: Answer, alert_id: str) -> None:
    with pytest.raises(NotFoundError):
        answer.comment(alert_id, SAID)


@pytest.mark.parametrize("days", [-1, 0, 30.001])
def test_a_shelf_ends_within_a_month(answer: Answer, ports: Ports, days: float) -> None:
    with pytest.raises(FieldsRefusedError, match="within 30 days") as refused:
        answer.shelve(ALERT, SAID, SAID.at_ns + round(days * DAY_NS))
    assert refused.value.problems.keys() == {"until"}
    assert ports.alert_log.newest_number() == 1
    assert answer.shelve(ALERT, SAID, SAID.at_ns + 30 * DAY_NS).alert.state == "shelved"


@pytest.mark.parametrize("days", [0, 366.001])
def test_a_review_comes_within_a_year(answer: Answer, days: float) -> None:
    with pytest.raises(FieldsRefusedError, match="within 366 days"):
        answer.take_out_of_service(ALERT, SAID, SAID.at_ns + round(days * DAY_NS))


ACTS: dict[str, Callable[[Answer, Said], Advanced]] = {
    "acknowledge": lambda answer, said: answer.acknowledge(ALERT, said),
    "shelve": lambda answer, said: answer.shelve(ALERT, said, said.at_ns + DAY_NS),
    "take out of service": lambda answer, said: answer.take_out_of_service(ALERT, said, said.at_ns + DAY_NS),
    "comment": lambda answer, said: answer.comment(ALERT, said),
    "set work order": lambda answer, said: answer.set_work_order(ALERT, said, "WO-1"),
}


@pytest.mark.parametrize("name", sorted(ACTS))
def test_the_second_of_two_is_told_what_the_first_did(answer: Answer, ports: Ports, name: str) -> None:
    answer.comment(ALERT, replace(SAID, by="K. Oster", seq=1))
    with pytest.raises(OvertakenError, match=r"comment by K\. Oster") as told:
        ACTS[name](answer, replace(SAID, seq=1))
    assert told.value.alert == ports.alert_log.alert(ALERT)


@pytest.mark.parametrize("name", sorted(ACTS))
def test_the_same_answer_with_the_same_key_is_done_once(answer: Answer, ports: Ports, name: str) -> None:
    said = replace(SAID, seq=1, key="6f1c")
    first = ACTS[name](answer, said)
    assert ACTS[name](answer, replace(said, at_ns=said.at_ns + 5 * S)) == first
    assert ports.alert_log.newest_number() == 2


def test_a_key_used_for_something_else_is_refused_and_nothing_done(answer: Answer, ports: Ports) -> None:
    said = replace(SAID, key="6f1c")
    answer.acknowledge(ALERT, said)
    with pytest.raises(FieldsRefusedError, match="used before, to acknowledge"):
        answer.comment(ALERT, said)
    assert ports.alert_log.newest_number() == 2


def test_the_same_key_serves_for_another_alert(answer: Answer, ports: Ports) -> None:
    occur(ports, ConditionKind.DEVICE_OFFLINE)
    said = replace(SAID, key="6f1c")
    first, other = answer.acknowledge(ALERT, said), answer.acknowledge("press-3.device_offline", said)
    assert first.alert.alert_id != other.alert.alert_id
    assert ports.alert_log.newest_number() == 4


@pytest.mark.parametrize("key", ["", "x" * 201, "with\nline", "größe"])
def test_a_key_that_no_header_can_carry_is_refused(answer: Answer, key: str) -> None:
    with pytest.raises(FieldsRefusedError, match="printable"):
        answer.acknowledge(ALERT, replace(SAID, key=key))


@pytest.mark.parametrize("why", ["a\0b", "\ud800", "x" * 4001])
def test_a_reason_that_no_store_can_keep_is_refused(answer: Answer, why: str) -> None:
    with pytest.raises(FieldsRefusedError, match="why"):
        answer.comment(ALERT, replace(SAID, why=why))


@pytest.mark.parametrize("name", ["shelve", "take out of service", "comment"])
def test_what_others_will_ask_about_needs_a_reason(answer: Answer, ports: Ports, name: str) -> None:
    with pytest.raises(ValueError, match=r"reason|write something"):
        ACTS[name](answer, replace(SAID, why=" "))
    assert ports.alert_log.newest_number() == 1


# Many at once


def test_of_many_those_that_can_be_are_acknowledged_and_the_others_named(
    answer: Answer, ports: Ports
) -> None:
    for kind in (ConditionKind.DEVICE_OFFLINE, ConditionKind.BAD_JOINT, ConditionKind.NO_READING):
        occur(ports, kind)
    answer.acknowledge("press-3.bad_joint", replace(SAID, by="K. Oster"))
    answer.comment("press-3.no_reading", replace(SAID, by="K. Oster"))
    seen = {ALERT: 1, "press-3.device_offline": None, "press-3.bad_joint": None, "press-3.no_reading": 1}
    came = answer.acknowledge_all({**seen, "saw-1.near": None}, SAID)
    assert [each.alert.alert_id for each in came.done] == [ALERT, "press-3.device_offline"]
    said = {each.alert_id: each.detail for each in came.refused}
    assert said.keys() == {"press-3.bad_joint", "press-3.no_reading", "saw-1.near"}
    assert "acknowledge by K. Oster" in said["press-3.bad_joint"]
    assert "comment by K. Oster" in said["press-3.no_reading"]


def test_many_with_one_key_sent_again_are_answered_the_same(answer: Answer, ports: Ports) -> None:
    occur(ports, ConditionKind.DEVICE_OFFLINE)
    said = replace(SAID, key="6f1c")
    seen = {ALERT: 1, "press-3.device_offline": 1}
    assert answer.acknowledge_all(seen, said) == answer.acknowledge_all(seen, said)


@pytest.mark.parametrize("count", [0, AT_ONCE_MAX + 1])
def test_none_at_all_and_too_many_are_refused(answer: Answer, count: int) -> None:
    with pytest.raises(ValueError, match="1 to 500"):
        answer.acknowledge_all(dict.fromkeys(map(str, range(count))), SAID)


def test_what_the_table_does_not_have_is_refused_by_name(answer: Answer) -> None:
    with pytest.raises(NotAllowedError, match="cannot unshelve"):
        answer.unshelve(ALERT, SAID)
