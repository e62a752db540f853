"""What a worker does that starts while the store is away: it spools until the store can be opened."""

import json
import threading
import time
from contextlib import AbstractContextManager, nullcontext
from pathlib import Path

import pytest

from service.adapters.spool import FileSpool
from service.commands import CommandError, spooling
from service.commands.parts import StoreAwayError
from service.commands.spooling import opened_spool, spool_file, waited_for_store
from service.settings import Settings
from tests.conftest import Mosquitto, free_port
from tests.faults.sending import ROOT, Devices, batch, subscribed, until


def settings_of(folder: Path, port: int, **worker: object) -> Settings:
    values = {"spool_folder": folder / "spool", "spool_after_s": 0, "spool_mb": 16} | worker
    return Settings.model_validate(
        {"broker": {"port": port}, "store": {"folder": folder / "store"}, "worker": values}
    )


def test_without_a_spool_there_is_neither_file_nor_wait(tmp_path: Path) -> None:
    settings = settings_of(tmp_path, 1, spool_folder=None)
    assert spool_file(settings, "worker") is None
    assert opened_spool(settings, "worker") is None
    assert waited_for_store(settings, None)
    assert list(tmp_path.iterdir()) == []


def test_a_spool_that_cannot_be_opened_is_told_at_the_start(tmp_path: Path) -> None:
    (tmp_path / "spool").touch()
    with pytest.raises(CommandError, match=r"worker\.spool_folder"):
        opened_spool(settings_of(tmp_path, 1), "worker")


def test_while_the_store_cannot_be_opened_what_comes_is_spooled_and_told(
    tmp_path: Path, mosquitto: Mosquitto, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(spooling, "LOOK_S", 0.2)
    settings = settings_of(tmp_path, mosquitto.port)
    in_the_way = tmp_path / "store" / "linklag.db"
    in_the_way.mkdir(parents=True)
    mark = tmp_path / "store" / "linklag-worker.alive.json"
    said: list[str] = []

    def meanwhile() -> None:
        until(lambda: subscribed(mosquitto))
        devices = Devices(mosquitto.port)
        for seq in range(5):
            devices.publish(batch(seq), f"{ROOT}/d0/pulses")
        devices.wait()
        until(lambda: mark.exists() and spooled(mark) > 5)  # and what asked whether the session stands
        devices.close()
        said.append(mark.read_text())
        in_the_way.rmdir()

    thread = threading.Thread(target=meanwhile, daemon=True)
    thread.start()
    began_s = time.monotonic()
    assert waited_for_store(settings, None)
    assert time.monotonic() - began_s < 60
    thread.join(5)
    ingest = json.loads(said[0])["ingest"]
    assert not ingest["store_ok"]
    assert "cannot be opened" in ingest["trouble"]
    file = spool_file(settings, "linklag-worker")
    assert file is not None
    with FileSpool(file, bytes_max=16_000_000) as spool:
        payloads = [message.payload for message in spool.oldest(100) if message.topic.endswith("/pulses")]
    assert payloads == [batch(seq) for seq in range(5)]


def test_whatever_keeps_the_store_from_being_opened_is_tried_again(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(spooling, "LOOK_S", 0.05)
    opens: list[Exception | None] = [StoreAwayError("away"), RuntimeError("a fault of ours"), None]

    def opened(_: Settings) -> AbstractContextManager[None]:
        found = opens.pop(0)
        if found is not None:
            raise found
        return nullcontext()

    monkeypatch.setattr(spooling, "opened_database", opened)
    assert waited_for_store(settings_of(tmp_path, free_port()), None)
    assert opens == []


def spooled(mark: Path) -> int:
    return int(json.loads(mark.read_text())["ingest"]["spool"]["messages"])
