"""The publisher against a real mosquitto, and against a broker played by the test where it must misbehave."""

import socket
import threading
import time
from pathlib import Path

import pytest

from service.adapters import mqtt_publisher
from service.adapters.mqtt_publisher import MqttPublisher, PublishError
from service.adapters.reaching import Tls
from tests.conftest import Mosquitto, free_port


def publisher(port: int, **settings: str) -> MqttPublisher:
    return MqttPublisher("127.0.0.1", port, client_id="publisher", **settings)  # type: ignore[arg-type]


def test_more_than_fit_in_flight_are_all_acknowledged(mosquitto: Mosquitto) -> None:
    with publisher(mosquitto.port) as out:
        for number in range(1000):
            out.publish("a/b", b"%d" % number, content_type=None)
            assert out.sent - out.acknowledged <= mqtt_publisher.IN_FLIGHT_MAX
        out.wait()
        assert (out.sent, out.acknowledged, out.refused, out.unheard) == (1000, 1000, 0, 1000)


def test_a_broker_that_refuses_us_is_told_at_once(mosquitto: Mosquitto) -> None:
    mosquitto.stop()
    mosquitto._conf.write_text(mosquitto._conf.read_text() + "allow_anonymous false\n")
    mosquitto.start()
    began_s = time.monotonic()
    with pytest.raises(
        PublishError, match=r"refuses us: Not authorized.*check broker.port, user name and password"
    ):
        publisher(mosquitto.port).__enter__()
    assert time.monotonic() - began_s < 5


def test_a_broker_that_is_not_there_is_told() -> None:
    with pytest.raises(PublishError, match=r"cannot reach 127.0.0.1:.*start the broker"):
        publisher(free_port()).__enter__()


def test_a_port_that_answers_nothing_is_told(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(mqtt_publisher, "CONNECT_TIMEOUT_S", 0.3)
    with (
        socket.create_server(("127.0.0.1", 0)) as server,
        pytest.raises(PublishError, match=r"no answer to CONNECT; check broker.port"),
    ):
        publisher(server.getsockname()[1]).__enter__()


def test_a_broker_that_stops_to_answer_is_given_up_with_counts(
    mosquitto: Mosquitto, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(mqtt_publisher, "PATIENCE_S", 1.5)
    with publisher(mosquitto.port) as out:
        for _ in range(5):
            out.publish("a/b", b"x", content_type=None)
        out.wait()
        mosquitto.stop()
        out.publish("a/b", b"x", content_type=None)
        with pytest.raises(PublishError, match=r"acknowledged 5 of 6 and no more for 1.5 s .*counted once"):
            out.wait()


def test_what_was_on_its_way_when_the_connection_broke_is_sent_again(mosquitto: Mosquitto) -> None:
    def restart() -> None:
        time.sleep(0.3)
        mosquitto.stop()
        mosquitto.start()

    with publisher(mosquitto.port) as out:
        thread = threading.Thread(target=restart)
        thread.start()
        for number in range(60):
            out.publish("a/b", b"%d" % number, content_type="application/json")
            time.sleep(0.01)
        out.wait()
        thread.join()
        assert out.acknowledged == 60


def test_a_broker_elsewhere_needs_encryption_and_credentials(tmp_path: Path) -> None:
    with pytest.raises(ValueError, match=r"another machine and TLS is off and there are no credentials"):
        MqttPublisher("broker.example", client_id="publisher")
    MqttPublisher("broker.example", client_id="publisher", allow_insecure=True)
    MqttPublisher("broker.example", client_id="publisher", username="u", password="p", tls=Tls())  # noqa: S106
    with pytest.raises(OSError, match="No such file"):
        MqttPublisher("127.0.0.1", client_id="publisher", tls=Tls(ca_file=tmp_path / "none.pem"))
