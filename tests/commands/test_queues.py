"""RabbitMQ as the way in: what of the settings reaches it, and what stands in their way."""

import json
import sys
from pathlib import Path
from typing import Any

import pytest

from service.adapters import amqp as amqp_adapter
from service.adapters import mqtt_outlet
from service.adapters.reaching import Tls
from service.commands import CommandError
from service.commands.parts import opened_database, worker_source
from service.commands.queues import print_definitions
from service.core.drive import Drive
from service.settings import Amqp, Broker, Partition, Settings, Store

PASSWORD = "Gallsches-Gelenk-1832"  # noqa: S105


def settings_with(folder: Path, *, partitions: dict[str, list[int]] | None = None, **amqp: Any) -> Settings:
    return Settings(
        broker=Broker(root="p7", mqtt_version="3.1.1", username="out", port=1884),
        amqp=Amqp.model_validate({"host": "127.0.0.1", "queues": 3} | amqp),
        store=Store(folder=folder),
        partition={name: Partition(queues=tuple(queues)) for name, queues in (partitions or {}).items()},
    )


def test_each_setting_reaches_the_source_and_its_outlet(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    into: dict[str, Any] = {}
    out: dict[str, Any] = {}
    monkeypatch.setattr(
        amqp_adapter, "AmqpSource", lambda host, port, **more: into.update(more, host=host, port=port)
    )
    monkeypatch.setattr(
        mqtt_outlet, "MqttOutlet", lambda host, port, **more: out.update(more, host=host, port=port)
    )
    settings = settings_with(
        tmp_path, partitions={"a": [1, 3], "b": [2]}, host="r.plant", port=5671, vhost="chains", username="u",
        password=PASSWORD, tls=True, prefetch=333, heartbeat_s=17,
    )  # fmt: skip
    worker_source(settings, "a")
    assert into == {
        "host": "r.plant", "port": 5671, "vhost": "chains", "queues": ["linklag.1", "linklag.3"], "outlet": None,
        "name": "linklag-worker-a", "username": "u", "password": PASSWORD, "tls": Tls(), "allow_insecure": False,
        "prefetch": 333, "heartbeat_s": 17,
    }  # fmt: skip
    assert (out["port"], out["version"], out["client_id"], out["username"]) == (
        1884,
        "3.1.1",
        "linklag-worker-a",
        "out",
    )
    worker_source(settings_with(tmp_path))
    assert into["queues"] == ["linklag.1", "linklag.2", "linklag.3"]


def test_partitions_of_queues_take_all_drives_and_speak_of_those_that_they_hear(tmp_path: Path) -> None:
    taken = settings_with(tmp_path, partitions={"a": [1, 2, 3]}).taken_by("a")
    assert (taken.roots, taken.drives, taken.alone) == (("p7",), None, False)


@pytest.mark.parametrize(
    ("changes", "told"),
    [
        ({"partition": {"a": Partition(queues=(1, 2))}}, "no partition takes from queue 3"),
        ({"partition": {"a": Partition(queues=(1, 2, 4))}}, "numbers from 1 to 3"),
        ({"partition": {"a": Partition()}}, "numbers from 1 to 3"),
        ({"partition": {"a": Partition(queues=(1, 2, 3), drives=("d1",))}}, "has queues only"),
        ({"broker": Broker(root="plant/v1.2")}, "has a dot"),
        ({"broker": Broker(sparkplug_groups=("g",))}, "do not come through queues"),
        ({"amqp": Amqp(), "broker": Broker(mqtt_version="3.1.1")}, "not to take batches safely"),
        ({"amqp": Amqp(), "partition": {"a": Partition(queues=(1,))}}, "are of RabbitMQ: set amqp.host"),
        ({"amqp": Amqp(host="127.0.0.1", prefetch=100)}, "over amqp.prefetch"),
    ],
)
def test_what_does_not_fit_together_is_told(changes: dict[str, Any], told: str) -> None:
    with pytest.raises(ValueError, match=told):
        Settings(**{"amqp": Amqp(host="127.0.0.1", queues=3)} | changes)


@pytest.mark.parametrize(
    ("keys", "told"),
    [
        ({"host": "r.plant"}, "TLS is off"),
        ({"password": "x"}, "set amqp.username"),
        ({"tls_ca_file": "ca.pem"}, "TLS is off"),
        ({"password": "x", "password_file": "ca.pem", "username": "u"}, "is given twice"),
    ],
)
def test_the_rules_for_the_broker_hold_for_rabbitmq_too(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, keys: dict[str, Any], told: str
) -> None:
    monkeypatch.chdir(tmp_path)
    (tmp_path / "ca.pem").write_text("first line\n")
    with pytest.raises(ValueError, match=told):
        Amqp.model_validate(keys)


def test_what_is_allowed_but_insecure_is_a_warning(tmp_path: Path) -> None:
    (warning,) = settings_with(tmp_path, host="r.plant", allow_insecure=True).warnings
    assert "amqp.allow_insecure: r.plant" in warning


def test_the_definitions_are_printed_with_a_user_for_each_device_where_wanted(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    settings = settings_with(tmp_path, username="linklag", password=PASSWORD)
    with opened_database(settings) as database:
        database.register.add_drive(Drive(drive_id="kiln-feed"))
    assert print_definitions(settings, drives=True) == 0
    text = capsys.readouterr().out
    assert PASSWORD not in text
    made = json.loads(text)
    assert [user["name"] for user in made["users"]] == ["linklag", "kiln-feed"]
    assert made["topic_permissions"][1]["write"] == r"^(p7)\.{username}\.(pulses|lag|status)$"
    assert len(made["queues"]) == 3
    print_definitions(settings, drives=False)
    assert [user["name"] for user in json.loads(capsys.readouterr().out)["users"]] == ["linklag"]


def test_what_the_definitions_need_is_told(tmp_path: Path) -> None:
    with pytest.raises(CommandError, match=r"amqp\.host is empty"):
        print_definitions(Settings(store=Store(folder=tmp_path)), drives=False)
    with pytest.raises(CommandError, match=r"amqp\.username is not set"):
        print_definitions(settings_with(tmp_path), drives=False)


def test_without_its_library_it_says_what_to_install(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "service.adapters.amqp", None)
    with pytest.raises(CommandError, match=r"pip install 'linklag\[amqp\]'"):
        worker_source(settings_with(tmp_path))
