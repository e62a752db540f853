"""What the commands work with is built from the settings, and what cannot be built is told with its key."""

import sys
from pathlib import Path

import pytest

from service.adapters import mqtt, sparkplug
from service.adapters.reaching import Tls
from service.commands import CommandError
from service.commands.parts import broker_source, listen, opened_database, worker_source
from service.core.batch import Rejection, RejectionReason
from service.settings import Broker, Retention, Settings, Store


def settings_with(folder: Path, **broker: object) -> Settings:
    return Settings(
        broker=Broker.model_validate(broker),
        store=Store(folder=folder / "deep" / "er"),
        retention=Retention(rejections_per_drive=2),
    )


def test_each_setting_of_the_broker_reaches_the_source(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    given: dict[str, object] = {}
    password = "Gallsches-Gelenk-1832"  # noqa: S105
    monkeypatch.setattr(
        mqtt, "MqttSource", lambda host, port, **more: given.update(more, host=host, port=port)
    )
    broker_source(
        settings_with(
            tmp_path, host="b.plant", port=8883, root="p7", client_id="w2", username="u", password=password, tls=True,
            receive_maximum=333, session_expiry_days=3, keepalive_s=17,
        )
    )  # fmt: skip
    assert given == {
        "host": "b.plant", "port": 8883, "root": "p7", "client_id": "w2", "username": "u", "password": password,
        "tls": Tls(), "allow_insecure": False, "receive_maximum": 333, "session_expiry_s": 3 * 86400,
        "keepalive_s": 17, "filters": ["p7/+/pulses", "p7/+/lag", "p7/+/status"], "more_filters": [], "others_filters": [],
    }  # fmt: skip


def test_with_sparkplug_groups_the_worker_also_hears_their_nodes(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert isinstance(worker_source(settings_with(tmp_path)), mqtt.MqttSource)
    settings = settings_with(tmp_path, sparkplug_groups=["brickworks", "quarry"])
    assert isinstance(worker_source(settings), sparkplug.SparkplugSource)
    given: dict[str, object] = {}
    monkeypatch.setattr(mqtt, "MqttSource", lambda *_where, **more: given.update(more))
    broker_source(settings)
    assert given["more_filters"] == ["spBv1.0/brickworks/#", "spBv1.0/quarry/#"]
    broker_source(settings, client_id="trial")
    assert not given["more_filters"], "who only looks takes no more than it needs"


def test_sparkplug_without_its_library_says_what_to_install(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    sparkplug.payload_class.cache_clear()
    monkeypatch.setitem(sys.modules, "google.protobuf", None)
    with pytest.raises(CommandError, match=r"sparkplug_groups.*pip install 'linklag\[sparkplug\]'"):
        worker_source(settings_with(tmp_path, sparkplug_groups=["brickworks"]))


@pytest.mark.parametrize("group", ["a/b", "+", "#", "STATE", ""])
def test_what_is_no_sparkplug_group_is_refused(tmp_path: Path, group: str) -> None:
    with pytest.raises(ValueError, match="is no Sparkplug group"):
        settings_with(tmp_path, sparkplug_groups=[group])


def test_certificate_that_is_none_is_told_with_its_key(tmp_path: Path) -> None:
    (tmp_path / "ca.pem").write_text("no certificate")
    with pytest.raises(CommandError, match=r"broker\.tls_\.\.\._file"):
        broker_source(settings_with(tmp_path, tls=True, tls_ca_file=tmp_path / "ca.pem"))


def test_store_is_made_with_its_folder_and_keeps_as_many_rejections_as_it_is_told(tmp_path: Path) -> None:
    settings = settings_with(tmp_path)
    rejections = [
        Rejection(
            drive_id="d",
            topic="linklag/v1/d/pulses",
            reason=RejectionReason.NOT_PARSEABLE,
            detail="",
            payload=bytes([number]),
            payload_bytes=1,
            received_ns=number,
        )
        for number in range(5)
    ]
    with opened_database(settings) as database:
        database.refused.keep(rejections, [])
        kept = database.refused.rejections()
    assert [each.rejection.payload for each in kept] == [b"\x04", b"\x03"]
    assert (tmp_path / "deep" / "er" / "linklag.db").exists()


def test_port_is_held_from_the_moment_it_is_taken() -> None:
    with listen("127.0.0.1", 0) as held:
        port = held.getsockname()[1]
        with pytest.raises(CommandError, match=f"cannot serve on 127.0.0.1:{port} .*web.port"):
            listen("127.0.0.1", port)
    listen("127.0.0.1", port).close()
