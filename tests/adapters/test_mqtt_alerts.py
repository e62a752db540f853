"""What the broker is told, against a real mosquitto."""

import json
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Any

import pytest
from cloudevents.v1.http import from_http
from paho.mqtt import client as paho
from paho.mqtt.enums import CallbackAPIVersion
from paho.mqtt.subscribeoptions import SubscribeOptions

from service.adapters.mqtt_alerts import MqttNotifier
from service.adapters.mqtt_publisher import MqttPublisher
from service.annunciator import Annunciator
from service.core.alert import Act, Event
from service.core.drive import Drive
from service.core.event import CONTENT_TYPE, CloudEvent, alert_event, trial_event
from service.core.route import BROKER_ROUTE, Route, Way
from service.core.setpoint import ConditionKind
from service.ports import NotDeliveredError
from tests.conftest import Mosquitto, free_port
from tests.fakes_alerts import FakeAlertLog

S = 1_000_000_000
T_NS = 1_764_058_500 * S
ROOT = "linklag/v1"


class Listener:
    """Somebody on the broker who keeps what comes."""

    def __init__(self, port: int) -> None:
        self.got: list[paho.MQTTMessage] = []
        self._client = paho.Client(CallbackAPIVersion.VERSION2, protocol=paho.MQTTv5)
        subscribed = threading.Event()
        self._client.on_message = lambda _client, _data, message: self.got.append(message)
        self._client.on_subscribe = lambda *_: subscribed.set()
        self._client.connect("127.0.0.1", port)
        self._client.loop_start()
        self._client.subscribe([("linklag/#", SubscribeOptions(qos=1)), ("plant/#", SubscribeOptions(qos=1))])
        assert subscribed.wait(10)

    def of(self, topic: str) -> list[Any]:
        return [json.loads(each.payload) for each in self.got if each.topic == topic]

    def close(self) -> None:
        self._client.disconnect()
        self._client.loop_stop()


@pytest.fixture
def listener(mosquitto: Mosquitto) -> Iterator[Listener]:
    made = Listener(mosquitto.port)
    yield made
    made.close()


@contextmanager
def notifying(port: int, log: FakeAlertLog, target: str = "") -> Iterator[MqttNotifier]:
    route = Route(route_id="other" if target else BROKER_ROUTE, way=Way.MQTT, target=target)
    notifier = MqttNotifier(
        route,
        lambda: MqttPublisher("127.0.0.1", port, client_id=f"linklag-{route.route_id}"),
        root=ROOT,
        alerts_of=lambda drive_id: log.alerts(drive_id, standing=False),
        now_ns=lambda: T_NS,
    )
    try:
        yield notifier
    finally:
        notifier.close()


def happens(log: FakeAlertLog, event: Event, drive_id: str = "d1") -> CloudEvent:
    done = Annunciator(log).advance(
        drive_id, ConditionKind.NEAR, Act(event=event, true_ns=T_NS, recorded_ns=T_NS)
    )
    return alert_event(done.transition, Drive(drive_id=drive_id), "x")


def until(condition: Callable[[], object], timeout_s: float = 10.0) -> None:
    end_s = time.monotonic() + timeout_s
    while not condition():
        assert time.monotonic() < end_s, "waited in vain"
        time.sleep(0.01)


def test_an_event_comes_as_it_is_and_what_stands_is_kept_for_who_comes_later(
    mosquitto: Mosquitto, listener: Listener
) -> None:
    log = FakeAlertLog()
    with notifying(mosquitto.port, log) as notifier:
        occur = happens(log, Event.OCCUR)
        notifier.send([occur], occur.id)
        until(lambda: listener.of(f"{ROOT}/d1/events"))
    message = next(each for each in listener.got if each.topic.endswith("/events"))
    assert message.properties is not None
    assert message.properties.ContentType == CONTENT_TYPE  # type: ignore[attr-defined]
    assert (message.qos, message.retain) == (1, False)
    assert from_http({"content-type": CONTENT_TYPE}, bytes(message.payload))["id"] == occur.id
    later = Listener(mosquitto.port)
    until(lambda: later.got)
    later.close()
    assert [each.topic for each in later.got] == [f"{ROOT}/d1/alerts"]
    (stands,) = later.of(f"{ROOT}/d1/alerts")
    assert [(one["alert"], one["state"]) for one in stands["alerts"]] == [("d1.near", "unacknowledged")]
    assert stands["number"] == 1


def test_what_stands_no_more_is_told_as_nothing_standing(mosquitto: Mosquitto, listener: Listener) -> None:
    log = FakeAlertLog()
    with notifying(mosquitto.port, log) as notifier:
        for event in (Event.OCCUR, Event.ACKNOWLEDGE, Event.CLEAR):
            happened = happens(log, event)
            notifier.send([happened], happened.id)
    until(lambda: len(listener.of(f"{ROOT}/d1/events")) == 3)
    until(lambda: listener.of(f"{ROOT}/d1/alerts")[-1]["alerts"] == [])


def test_a_broker_that_forgot_is_told_again_what_stands(mosquitto: Mosquitto) -> None:
    log = FakeAlertLog()
    happens(log, Event.OCCUR)
    happens(log, Event.OCCUR, "d2")
    with notifying(mosquitto.port, log) as notifier:
        notifier.rest()  # at the start, whatever the broker may have had
        mosquitto.stop()
        for file in mosquitto._conf.parent.glob("mosquitto.db*"):
            file.unlink()
        mosquitto.start()

        def told_again() -> bool:
            try:
                notifier.rest()
            except NotDeliveredError:
                return False
            later = Listener(mosquitto.port)
            time.sleep(0.2)
            later.close()
            return {each.topic for each in later.got} == {f"{ROOT}/d1/alerts", f"{ROOT}/d2/alerts"}

        until(told_again, 30)


def test_what_is_of_no_drive_goes_to_its_own_topic(mosquitto: Mosquitto, listener: Listener) -> None:
    with notifying(mosquitto.port, FakeAlertLog()) as notifier:
        notifier.send([trial_event("mqtt", "t1", T_NS, "x")], "t1")
    until(lambda: listener.of(f"{ROOT}/documents"))


def test_a_route_to_a_topic_of_its_own_sends_events_there_and_retains_nothing(
    mosquitto: Mosquitto, listener: Listener
) -> None:
    log = FakeAlertLog()
    with notifying(mosquitto.port, log, "plant/chains") as notifier:
        notifier.rest()
        notifier.send([happens(log, Event.OCCUR), happens(log, Event.CLEAR)], "digest")
    until(lambda: len(listener.of("plant/chains")) == 2)
    assert {each.topic for each in listener.got} == {"plant/chains"}
    assert not any(each.retain for each in listener.got)


def test_a_route_into_the_devices_topics_is_refused() -> None:
    with (
        pytest.raises(NotDeliveredError, match="is for devices"),
        notifying(1, FakeAlertLog(), f"{ROOT}/d1/pulses"),
    ):
        pass


def test_a_broker_that_is_not_there_or_refuses_is_told(mosquitto: Mosquitto) -> None:
    log = FakeAlertLog()
    with (
        notifying(free_port(), log) as notifier,
        pytest.raises(NotDeliveredError, match=r"cannot reach 127.0.0.1:.*start the broker"),
    ):
        notifier.rest()
    mosquitto.stop()
    rights = mosquitto._conf.parent / "rights"
    rights.write_text("topic read #\n")
    rights.chmod(0o600)
    mosquitto._conf.write_text(mosquitto._conf.read_text() + f"acl_file {rights}\n")
    mosquitto.start()
    with (
        notifying(mosquitto.port, log) as notifier,
        pytest.raises(NotDeliveredError, match=r"refused to take it .*let linklag's user publish"),
    ):
        notifier.send([happens(log, Event.OCCUR)], "t1")
