"""`linklag check` finds what is wrong, says what mends it, and disturbs nothing."""

import json
import logging
import shutil
import socket
import ssl
import sys
import threading
import time
from collections.abc import Iterator
from http.server import BaseHTTPRequestHandler, HTTPServer
from pathlib import Path
from typing import NamedTuple

import pytest
import structlog
from paho.mqtt.client import Client, MQTTMessage
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion

from service.adapters.database.backup import schema_of
from service.adapters.mqtt import MqttSource
from service.adapters.sparkplug import payload_class
from service.adapters.spool import FileSpool
from service.commands import check
from service.commands.check import (
    check_all,
    check_broker,
    check_clock,
    check_disk,
    check_spool,
    check_store,
    check_web,
)
from service.commands.logs import configure_logging
from service.commands.parts import opened_database
from service.core.reading import NotMeasured, Reading
from service.ingest import Message
from service.settings import Broker, Settings, Store, Web
from tests.commands.test_people_commands import certificate
from tests.conftest import Mosquitto, free_port
from tests.databases.make import FOLDER


class Usage(NamedTuple):
    total: int
    used: int
    free: int


def settings_in(folder: Path, **broker: object) -> Settings:
    return Settings(
        broker=Broker.model_validate({"port": free_port(), **broker}),
        store=Store(folder=folder),
        web=Web(port=free_port()),
    )


@pytest.fixture(autouse=True)
def _quiet() -> Iterator[None]:
    """Log as the command does, so that standard output has the findings only."""
    handlers, level = logging.root.handlers[:], logging.root.level
    configure_logging(level="error")
    yield
    logging.root.handlers[:], logging.root.level = handlers, level
    structlog.reset_defaults()


@pytest.fixture
def settings(tmp_path: Path) -> Settings:
    return settings_in(tmp_path)


def restarted(mosquitto: Mosquitto, more: str) -> Mosquitto:
    """Start the broker anew with other settings."""
    mosquitto.stop()
    mosquitto._conf.write_text(mosquitto._conf.read_text() + more)
    mosquitto.start()
    return mosquitto


def test_all_is_well_with_a_broker_and_a_folder(
    mosquitto: Mosquitto, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert check_all(settings_in(tmp_path, port=mosquitto.port)) == 0
    out = capsys.readouterr().out.splitlines()
    assert [line.split()[:2] for line in out[:-1]] == [
        ["ok", subject] for subject in ("clock", "disk", "store", "broker", "web")
    ]
    assert out[-1] == "all is fit to run"
    assert str(tmp_path / "linklag.db") in out[2]


def test_what_is_wrong_is_said_with_what_mends_it_and_code_1(
    settings: Settings, capsys: pytest.CaptureFixture[str]
) -> None:
    assert check_all(settings) == 1
    out = capsys.readouterr().out
    assert f"wrong  broker    cannot reach 127.0.0.1:{settings.broker.port}" in out
    assert "mend it: start the broker, or correct broker.host and broker.port" in out
    assert out.endswith("1 to mend\n")


def test_broker_that_lets_us_do_all_is_left_as_it_was(mosquitto: Mosquitto, tmp_path: Path) -> None:
    """The worker that runs meanwhile keeps its connection, and nothing is left behind on the broker."""
    settings = settings_in(tmp_path, port=mosquitto.port)
    worker = MqttSource(
        "127.0.0.1", mosquitto.port, root=settings.broker.root, client_id=settings.broker.client_id
    )
    with worker:
        wait_until_connected(worker)
        assert check_broker(settings).fix == ""
        assert worker.status().connected
        assert worker.status().reconnects == 0
    assert retained(mosquitto.port) == []


def test_broker_that_refuses_to_let_us_in_is_told(mosquitto: Mosquitto, tmp_path: Path) -> None:
    restarted(mosquitto, "allow_anonymous false\n")
    finding = check_broker(settings_in(tmp_path, port=mosquitto.port))
    assert "refuses us" in finding.found
    assert finding.fix


def test_broker_that_refuses_to_let_us_publish_is_told(mosquitto: Mosquitto, tmp_path: Path) -> None:
    """mosquitto 2.0.11 answers "Not authorized" and, depending on its other settings, cuts the connection as well."""
    acl = tmp_path / "acl"
    acl.write_text("topic read #\n")
    restarted(mosquitto, f"acl_file {acl}\n")
    finding = check_broker(settings_in(tmp_path, port=mosquitto.port))
    assert "linklag/v1/_check/elongation" in finding.found or "connection lost" in finding.found
    assert "publish to linklag/v1/+/elongation" in finding.fix


def test_nearly_full_disk_is_told(settings: Settings, monkeypatch: pytest.MonkeyPatch) -> None:
    assert check_disk(settings).fix == ""
    monkeypatch.setattr(shutil, "disk_usage", lambda _path: Usage(10**12, 10**12, 10**8))
    assert check_disk(settings).found.startswith("0.1 GB free")
    assert "store.folder" in check_disk(settings).fix


def with_spool(settings: Settings, folder: Path, megabytes: int = 16) -> Settings:
    worker = settings.worker.model_copy(update={"spool_folder": folder, "spool_mb": megabytes})
    return settings.model_copy(update={"worker": worker})


def test_a_spool_is_looked_at_where_there_is_one(settings: Settings, tmp_path: Path) -> None:

    spooling = with_spool(settings, tmp_path / "spool")
    finding = check_spool(spooling, tmp_path / "spool")
    assert (finding.fix, finding.subject) == ("", "spool")
    assert "the store is on the same disk" in finding.found
    finding = check_spool(with_spool(settings, tmp_path / "spool", 10_000_000), tmp_path / "spool")
    assert "lower worker.spool_mb" in finding.fix
    with FileSpool(tmp_path / "spool" / "gone.spool.db", bytes_max=1 << 20) as spool:
        spool.put([Message("t", b"", None, 1)], 1)
        assert check_spool(spooling, tmp_path / "spool").fix == "", "a process has it open"
    assert "linklag drain gone" in check_spool(spooling, tmp_path / "spool").fix
    (tmp_path / "spool" / "w.spool.db.damaged-17").touch()
    assert "w.spool.db.damaged-17" in check_spool(spooling, tmp_path / "spool").fix


def test_a_spool_that_cannot_be_written_is_told(settings: Settings, tmp_path: Path) -> None:
    (tmp_path / "file").touch()
    assert "worker.spool_folder" in check_spool(settings, tmp_path / "file" / "spool").fix


def test_disk_is_found_where_the_folder_is_still_to_be_made(tmp_path: Path) -> None:
    assert str(tmp_path) in check_disk(settings_in(tmp_path / "not" / "yet")).found


def test_clock_of_another_year_is_told(settings: Settings, monkeypatch: pytest.MonkeyPatch) -> None:
    assert check_clock(settings).fix == ""
    monkeypatch.setattr(check, "BUILT_NS", time.time_ns() + 10**9)
    assert "NTP" in check_clock(settings).fix


def test_store_that_is_none_is_told(settings: Settings) -> None:
    settings.store.file.write_bytes(b"This is a shopping list." * 100)
    finding = check_store(settings)
    assert str(settings.store.file) in finding.found
    assert finding.fix


@pytest.mark.parametrize("kept", ["0001", "0011"])
def test_a_store_of_an_older_schema_is_left_as_it_is_and_a_backup_advised(
    settings: Settings, kept: str
) -> None:
    shutil.copy(FOLDER / f"{kept}.sqlite", settings.store.file)
    finding = check_store(settings)
    assert f"schema {kept}" in finding.found
    assert "linklag backup FILE" in finding.found
    assert finding.fix == ""
    assert schema_of(settings.store.file) == kept


def test_readings_of_the_future_are_told(settings: Settings) -> None:
    def stored(t_ns: int) -> None:
        reading = Reading(
            drive_id="d", device_id="", t0_ns=t_ns - 10**9, seq=0, t_ns=t_ns, chain_id=None, elongation_pct=None,
            elongation_u_pct=None, reason=NotMeasured.STOPPED, pitches_between=None, lag_pitches=None, speed_m_s=0.0,
            coherence=None, pitches_averaged=0, whole_laps=0, up_pulses=0, down_pulses=0, up_missed=0, down_missed=0,
            up_extra=0, down_extra=0, temp_c=None, mount_c=None, load_n=None,
        )  # fmt: skip
        with opened_database(settings) as database:
            database.readings.store([reading])

    stored(time.time_ns() + 300 * 10**9)  # a device may be ten minutes ahead
    assert check_store(settings).fix == ""
    stored(time.time_ns() + 3600 * 10**9)
    assert "ahead of the clock" in check_store(settings).found
    assert "set the clock right" in check_store(settings).fix


def test_address_of_the_page_that_another_program_holds_is_told(settings: Settings) -> None:
    assert check_web(settings).fix == ""
    with socket.create_server(("127.0.0.1", settings.web.port)) as other:
        other.settimeout(0)
        finding = check_web(settings)
    assert f"127.0.0.1:{settings.web.port}" in finding.found
    assert "web.port" in finding.fix


@pytest.fixture(params=["http", "https"])
def served(
    settings: Settings, tmp_path: Path, request: pytest.FixtureRequest
) -> Iterator[tuple[Settings, dict[str, object]]]:
    """Settings, and at their address of the page something that answers as the dictionary says."""
    answer: dict[str, object] = {}

    class Handler(BaseHTTPRequestHandler):
        def do_GET(self) -> None:
            self.send_response(200)
            self.end_headers()
            self.wfile.write(json.dumps(answer).encode())

        def log_message(self, format: str, *args: object) -> None:  # noqa: A002 (the name is the library's)
            pass

    cert, key = certificate(tmp_path)
    server = HTTPServer(("127.0.0.1", settings.web.port), Handler)
    if request.param == "https":
        web = settings.web.model_copy(update={"tls_cert_file": cert, "tls_key_file": key})
        settings = settings.model_copy(update={"web": web})
        context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
        context.load_cert_chain(cert, key)
        server.socket = context.wrap_socket(server.socket, server_side=True)
    thread = threading.Thread(target=server.serve_forever)
    thread.start()
    yield settings, answer
    server.shutdown()
    server.server_close()
    thread.join()


def test_address_of_the_page_that_linklag_serves_already_is_well(
    served: tuple[Settings, dict[str, object]],
) -> None:
    settings, answer = served
    assert check_web(settings).fix != ""
    answer["live"] = True
    assert check_web(settings).fix == ""


def test_sparkplug_without_what_reads_it_is_told(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    payload_class.cache_clear()
    monkeypatch.setitem(sys.modules, "google.protobuf", None)
    finding = check_broker(settings_in(tmp_path, sparkplug_groups=("brickworks",)))
    assert "linklag[sparkplug]" in finding.found
    assert "broker.sparkplug_groups" in finding.fix


def wait_until_connected(source: MqttSource) -> None:
    end = time.monotonic() + 10
    while not source.status().connected:
        assert time.monotonic() < end, source.status()
        time.sleep(0.02)


def retained(port: int) -> list[str]:
    """Return the topics that the broker has retained messages of."""
    topics: list[str] = []
    subscribed = threading.Event()

    def on_message(_client: Client, _data: object, message: MQTTMessage) -> None:
        topics.append(message.topic)

    def on_subscribe(*_args: object) -> None:
        subscribed.set()

    client = Client(CallbackAPIVersion.VERSION2, protocol=MQTTProtocolVersion.MQTTv5)
    client.on_message, client.on_subscribe = on_message, on_subscribe
    client.connect("127.0.0.1", port)
    client.loop_start()
    client.subscribe("#")
    assert subscribed.wait(10)
    time.sleep(0.3)
    client.disconnect()
    client.loop_stop()
    return topics
