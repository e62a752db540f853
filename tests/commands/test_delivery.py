"""What goes out, put together from the settings: to the broker by itself, and by routes as they are set."""

import json
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from paho.mqtt import client as paho
from paho.mqtt.enums import CallbackAPIVersion

from service.adapters.database.connect import Database
from service.annunciator import Annunciator
from service.commands import CommandError
from service.commands.delivery import Notifiers, deliverer
from service.core.alert import Act, Event
from service.core.drive import Drive
from service.core.route import BROKER_ROUTE, Route, Way
from service.core.setpoint import ConditionKind
from service.set_routes import new_secret
from service.settings import Settings
from tests.conftest import Mosquitto
from tests.contracts.given import an_empty_database
from tests.receiver import a_receiver


@pytest.fixture
def database() -> Iterator[Database]:
    with an_empty_database() as made:
        made.register.add_drive(Drive(drive_id="d1", whole_pitches=12))
        yield made


def settings(port: int = 1, **deliver: object) -> Settings:
    values = {"look_s": 0.05, "first_wait_s": 0.05, "longest_wait_s": 1.0} | deliver
    return Settings.model_validate({"broker": {"port": port}, "deliver": values})


@contextmanager
def delivering(told: Settings, database: Database) -> Iterator[None]:
    stop = threading.Event()
    thread = threading.Thread(target=deliverer(told, database).run, args=(stop,), daemon=True)
    thread.start()
    try:
        yield
    finally:
        stop.set()
        thread.join(20)
        assert not thread.is_alive()


def happens(database: Database, event: Event = Event.OCCUR) -> None:
    now_ns = time.time_ns()
    act = Act(event=event, true_ns=now_ns, recorded_ns=now_ns)
    Annunciator(database.alert_log).advance("d1", ConditionKind.NEAR, act)


def until(condition: Callable[[], object], timeout_s: float = 30.0) -> None:
    end_s = time.monotonic() + timeout_s
    while not condition():
        assert time.monotonic() < end_s, "waited in vain"
        time.sleep(0.02)


def standing(port: int) -> list[str] | None:
    """The states of the drive's standing alerts, as the broker has them retained; None where it has none."""
    got: list[bytes] = []
    client = paho.Client(CallbackAPIVersion.VERSION2, protocol=paho.MQTTv5)
    client.on_message = lambda _client, _data, message: got.append(bytes(message.payload))
    client.connect("127.0.0.1", port)
    client.loop_start()
    client.subscribe("linklag/v1/d1/alerts", 1)
    end_s = time.monotonic() + 0.5
    while not got and time.monotonic() < end_s:
        time.sleep(0.01)
    client.disconnect()
    client.loop_stop()
    return [each["state"] for each in json.loads(got[-1])["alerts"]] if got else None


def test_the_broker_is_told_by_itself_and_again_once_it_is_back(
    mosquitto: Mosquitto, database: Database
) -> None:
    happens(database)  # before anybody listens
    with delivering(settings(mosquitto.port), database):
        until(lambda: standing(mosquitto.port) == ["unacknowledged"])
        happens(database, Event.ACKNOWLEDGE)
        until(lambda: standing(mosquitto.port) == ["acknowledged"])
        mosquitto.stop()
        happens(database, Event.CLEAR)
        time.sleep(0.3)
        mosquitto.start()
        until(lambda: standing(mosquitto.port) == [])
    assert database.outbox.delivery(BROKER_ROUTE).waiting == 0


def test_a_broker_that_is_not_there_is_shown_and_delays_no_webhook(database: Database) -> None:
    with a_receiver() as receiver:
        route = Route(
            route_id="hook", way=Way.WEBHOOK, target=receiver.url, secret=new_secret(), allow_private=True
        )
        database.outbox.add(route, 0)
        with delivering(settings(), database):
            happens(database)
            until(lambda: receiver.got)
            until(lambda: database.outbox.delivery(BROKER_ROUTE).failures > 1)
        assert "cannot reach 127.0.0.1" in database.outbox.delivery(BROKER_ROUTE).error


@pytest.mark.filterwarnings("ignore:.*imghdr.*:DeprecationWarning")  # of the library, see its own tests
def test_without_mqtt_there_is_no_route_to_the_broker(database: Database) -> None:
    with a_receiver() as receiver:
        database.outbox.add(Route(route_id=BROKER_ROUTE, way=Way.MQTT), 0)
        database.outbox.add(
            Route(
                route_id="chat",
                way=Way.APPRISE,
                target=f"json://127.0.0.1:{receiver.port}",
                allow_private=True,
            ),
            0,
        )
        with delivering(settings(mqtt=False), database):
            happens(database)
            until(lambda: receiver.got)
        assert [route.route_id for route in database.outbox.routes()] == ["chat"]


def test_certificates_that_are_none_are_told_at_the_start(tmp_path: Path, database: Database) -> None:
    (tmp_path / "ca.pem").write_text("no certificate")
    with pytest.raises(CommandError, match=r"deliver.tls_ca_file: .*give certificates in PEM"):
        Notifiers(settings(tls_ca_file=tmp_path / "ca.pem"), database)
