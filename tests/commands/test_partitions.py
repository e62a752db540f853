"""Several workers from one settings file: what each subscribes to, what check says of them, and what a gone one leaves."""

import threading
import time
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest

from service.adapters import mqtt
from service.adapters.mqtt import MqttSource
from service.commands import CommandError
from service.commands import drain as drain_command
from service.commands.check import check_broker, check_partitions, findings
from service.commands.drain import drain_into
from service.commands.partitions import all_at, chosen, others_of
from service.commands.parts import broker_source, opened_database, worker_source
from service.commands.spooling import opened_spool
from service.ingest import Message
from service.settings import Broker, Partition, Settings, Store, Web
from tests.adapters.test_mqtt import numbered, publisher, receive, subscribed
from tests.conftest import Mosquitto, free_port
from tests.faults.test_nothing_lost import ROOT, batch, register_drives

KILNS, PRESSES = ("d0", "d1"), ("d2", "d3")


def settings_with(folder: Path, port: int = 1883, **partitions: Any) -> Settings:
    return Settings(
        broker=Broker(port=port),
        store=Store(folder=folder),
        web=Web(port=free_port()),
        partition={name: Partition.model_validate(table) for name, table in partitions.items()},
    )


def two(folder: Path, port: int = 1883) -> Settings:
    return settings_with(folder, port, kilns={"drives": KILNS}, presses={"drives": PRESSES})


def test_a_worker_says_which_partition_it_takes_where_there_are_any(tmp_path: Path) -> None:
    settings = two(tmp_path)
    assert chosen(settings, "kilns") == "kilns"
    assert chosen(settings_with(tmp_path), None) is None
    with pytest.raises(CommandError, match="--partition and one of kilns, presses"):
        chosen(settings, None)
    with pytest.raises(CommandError, match=r"no table \[partition.mill\].*there are kilns, presses"):
        chosen(settings, "mill")
    with pytest.raises(CommandError, match="there is none"):
        chosen(settings_with(tmp_path), "mill")


def test_the_worker_of_a_partition_subscribes_to_its_own_and_ends_what_others_take(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    given: dict[str, Any] = {}
    monkeypatch.setattr(
        mqtt, "MqttSource", lambda host, port, **more: given.update(more, host=host, port=port)
    )
    worker_source(two(tmp_path), "kilns")
    assert given["client_id"] == "linklag-worker-kilns"
    assert given["filters"] == [
        f"{ROOT}/{drive}/{form}" for drive in KILNS for form in ("pulses", "lag", "status")
    ]
    assert f"{ROOT}/d2/pulses" in given["others_filters"]
    assert f"{ROOT}/+/pulses" in given["others_filters"], "it took all before it named drives"
    assert not set(given["filters"]) & set(given["others_filters"])
    broker_source(two(tmp_path), client_id="probe", partition="kilns")
    assert not given["others_filters"], "who only looks changes nothing"


def test_what_is_taken_at_another_broker_is_left_alone(tmp_path: Path) -> None:
    settings = settings_with(
        tmp_path, kilns={}, presses={"port": 1884, "roots": ["plant"], "sparkplug_groups": ["g"]}
    )
    assert others_of(settings, "kilns") == []
    assert "spBv1.0/g/#" in all_at(settings, "presses")
    assert others_of(settings, "presses") == []


def test_check_names_drives_that_no_worker_takes(tmp_path: Path) -> None:
    settings = two(tmp_path)
    with opened_database(settings) as database:
        register_drives(database.register, 4)
    finding = check_partitions(settings)
    assert finding.fix == ""
    assert "kilns takes 2 drives under linklag/v1; presses takes 2 drives" in finding.found
    with opened_database(settings) as database:
        database.register.add_drive(database.register.drives()[0].__class__(drive_id="mill"))
    finding = check_partitions(settings)
    assert "no worker takes mill" in finding.found
    assert "[partition.NAME]" in finding.fix


def test_check_asks_the_broker_of_each_partition(mosquitto: Mosquitto, tmp_path: Path) -> None:
    dead = free_port()
    settings = settings_with(
        tmp_path, mosquitto.port, kilns={"roots": ["plant/a"]}, presses={"roots": ["plant/b"], "port": dead}
    )
    good, bad = (check_broker(settings, name) for name in ("kilns", "presses"))
    assert "lets us (linklag-worker-kilns) subscribe and publish under plant/a" in good.found
    assert bad.fix
    assert f"presses: cannot reach 127.0.0.1:{dead}" in bad.found
    subjects = [finding.subject for finding in findings(settings_with(tmp_path, mosquitto.port, kilns={}))]
    assert subjects == ["clock", "disk", "store", "broker", "partition", "web"]


def test_what_waits_for_a_worker_that_is_gone_is_stored_and_its_session_ends(
    mosquitto: Mosquitto, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """From one worker to two: the new ones subscribe first, the old one's session has copies, and something from before."""
    monkeypatch.setattr(drain_command, "QUIET_S", 0.5)
    settings = two(tmp_path, mosquitto.port)
    with opened_database(settings) as database:
        register_drives(database.register, 4)
        with MqttSource("127.0.0.1", mosquitto.port, root=ROOT, client_id="linklag-worker") as old:
            subscribed(old)
        with publisher(mosquitto.port) as publish:
            publish([batch(seq) for seq in range(300)], topic=f"{ROOT}/d0/pulses")
            assert drain_into(settings, database, "linklag-worker", None, stop=threading.Event()) == 0
            assert "300 messages stored; the broker keeps nothing" in capsys.readouterr().out
            assert len(database.readings.raw("d0", 0, time.time_ns())) == 300
            publish(numbered(5), topic=f"{ROOT}/d0/pulses")
        with MqttSource("127.0.0.1", mosquitto.port, root="elsewhere", client_id="linklag-worker") as old:
            subscribed(old)
            assert receive(old, 1, 0.3) == [], "the session of before would have had them"


def test_a_drain_that_is_stopped_leaves_the_session(
    mosquitto: Mosquitto, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    settings = two(tmp_path, mosquitto.port)
    with MqttSource("127.0.0.1", mosquitto.port, root=ROOT, client_id="linklag-worker") as old:
        subscribed(old)
    with publisher(mosquitto.port) as publish:
        publish([batch(seq) for seq in range(5)], topic=f"{ROOT}/d0/pulses")
    stop = threading.Event()
    stop.set()
    with opened_database(settings) as database:
        assert drain_into(settings, database, "linklag-worker", None, stop=stop) == 1
    assert "the session of linklag-worker stays" in capsys.readouterr().out
    with MqttSource("127.0.0.1", mosquitto.port, root=ROOT, client_id="linklag-worker") as old:
        assert len(receive(old, 5)) == 5


def test_where_the_broker_stays_away_what_a_spool_has_is_stored_and_the_drain_ends(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(drain_command, "CONNECT_S", 0.5)
    (tmp_path / "spool").mkdir(mode=0o700)
    plain = two(tmp_path, free_port())
    settings = plain.model_copy(
        update={"worker": plain.worker.model_copy(update={"spool_folder": tmp_path / "spool"})}
    )
    spool = opened_spool(settings, "linklag-worker")
    assert spool is not None
    with closing(spool):
        spool.put([Message(f"{ROOT}/d0/pulses", batch(seq), None, seq) for seq in range(7)], time.time_ns())
    with opened_database(settings) as database:
        register_drives(database.register, 4)
        assert drain_into(settings, database, "linklag-worker", None, stop=threading.Event()) == 1
        assert len(database.readings.raw("d0", 0, time.time_ns())) == 7
    said = capsys.readouterr().out
    assert "7 messages stored; the session of linklag-worker stays as it is: cannot reach" in said


def test_a_worker_that_runs_is_not_drained(tmp_path: Path) -> None:
    settings = two(tmp_path)
    (tmp_path / "linklag-worker.alive.json").write_text("{}")
    with pytest.raises(CommandError, match="stop it first"):
        drain_command._refuse_living(settings, "linklag-worker")
    drain_command._refuse_living(settings, "linklag-worker-kilns")
