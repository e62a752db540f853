"""`linklag health` tells a part that works from one that does not."""

import json
import os
import threading
import time
from pathlib import Path
from typing import Any

import pytest

from service.commands import health
from service.commands.health import OLD_S, leave_marks, trouble_of_web, trouble_of_worker
from tests.commands.test_serve import Plant, plant
from tests.conftest import Mosquitto, free_port

__all__ = ["plant"]
WELL: dict[str, Any] = {"connected": True, "trouble": "", "ingest": {"store_ok": True, "trouble": ""}}


def test_a_worker_that_is_well_is_said_to_be(tmp_path: Path) -> None:
    mark = tmp_path / "mark.json"
    mark.write_text(json.dumps(WELL))
    assert trouble_of_worker(mark, time.time()) == ""


@pytest.mark.parametrize(
    ("status", "told"),
    [
        (WELL | {"connected": False, "trouble": "refused"}, "no broker: refused"),
        (
            WELL | {"ingest": {"store_ok": False, "trouble": "disk full"}},
            "does not store what comes: disk full",
        ),
    ],
)
def test_what_is_wrong_with_it_is_told(tmp_path: Path, status: dict[str, Any], told: str) -> None:
    mark = tmp_path / "mark.json"
    mark.write_text(json.dumps(status))
    assert told in trouble_of_worker(mark, time.time())


def test_a_store_that_is_away_is_told_with_what_waits_in_the_spool(tmp_path: Path) -> None:
    spool = {"messages": 12, "since_ns": 1_795_000_000 * 10**9, "trouble": "spool x: it is full (16 MB)"}
    ingest = {"store_ok": False, "trouble": "busy", "spool": spool}
    mark = tmp_path / "mark.json"
    mark.write_text(json.dumps(WELL | {"ingest": ingest}))
    told = trouble_of_worker(mark, time.time())
    assert "does not store what comes: busy; 12 messages wait in the spool" in told
    assert (
        "the oldest from 2026-11-18 11:06:40 UTC; no more is taken from the broker: spool x: it is full"
        in told
    )


def test_on_a_full_disk_the_mark_is_written_over_the_one_before(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    stop = threading.Event()
    mark = tmp_path / "mark.json"
    said = iter([WELL, WELL | {"trouble": "the disk is full"}])

    def full(self: Path, target: Path) -> Path:
        del self, target
        raise OSError(28, "No space left on device")

    def status() -> dict[str, Any]:
        found = next(said)
        if found["trouble"]:
            monkeypatch.setattr(Path, "replace", full)
            stop.set()
        return found

    monkeypatch.setattr(health, "BEAT_S", 0.01)
    seen: list[str] = []
    monkeypatch.setattr(
        Path, "unlink", lambda self, **_: seen.append(self.read_text()) if self == mark else None
    )
    leave_marks(mark, status, stop)
    assert json.loads(seen[0])["trouble"] == "the disk is full"


def test_what_workers_beside_the_store_say_is_read_unless_it_is_old(tmp_path: Path) -> None:
    (tmp_path / "a.alive.json").write_text(json.dumps(WELL))
    (tmp_path / "b.alive.json").write_text(json.dumps(WELL))
    (tmp_path / "c.alive.json").write_text("torn")
    os.utime(tmp_path / "b.alive.json", (1e9, 1e9))
    assert health.said_beside(tmp_path / "linklag.db", time.time()) == [WELL]


@pytest.mark.parametrize("age_s", [OLD_S + 1, -OLD_S - 1])
def test_an_old_mark_is_none(tmp_path: Path, age_s: float) -> None:
    """Nor is one of the future: the clock was set back since, and nobody has written it anew."""
    mark = tmp_path / "mark.json"
    mark.write_text(json.dumps(WELL))
    os.utime(mark, (1e9, 1e9))
    assert "has not left its mark" in trouble_of_worker(mark, 1e9 + age_s)
    assert trouble_of_worker(mark, 1e9 + age_s / 2) == ""


def test_without_a_mark_no_worker_runs(tmp_path: Path) -> None:
    assert "is it running" in trouble_of_worker(tmp_path / "mark.json", time.time())


def test_a_mark_goes_with_its_worker_and_a_full_disk_ends_nothing(tmp_path: Path) -> None:
    stop = threading.Event()
    stop.set()
    leave_marks(tmp_path / "mark.json", lambda: WELL, stop)
    leave_marks(tmp_path / "not" / "there" / "mark.json", lambda: WELL, stop)
    assert list(tmp_path.iterdir()) == []


def test_a_page_that_is_not_there_is_told() -> None:
    assert "does not answer" in trouble_of_web("127.0.0.1", free_port(), "localhost", tls=False)


def test_worker_and_web_are_well_while_they_run_and_not_when_killed(plant: Plant) -> None:
    def code(part: str) -> int:
        return plant.call("linklag", "health", part).returncode

    worker, web = plant.start("worker"), plant.start("web")
    mark = plant.folder / "data" / "linklag-worker.alive.json"
    end_s = time.monotonic() + 60
    while trouble_of_worker(mark, time.time()) and time.monotonic() < end_s:
        time.sleep(0.1)
    plant.get("/health/live")
    assert (code("worker"), code("web")) == (0, 0)
    worker.terminate()
    web.kill()
    assert worker.wait(30) == 0
    web.wait(30)
    assert (code("worker"), code("web")) == (1, 1)


def test_a_broker_that_is_gone_is_told(plant: Plant, mosquitto: Mosquitto) -> None:
    mosquitto.stop()
    plant.start("worker")
    mark = plant.folder / "data" / "linklag-worker.alive.json"
    end_s = time.monotonic() + 60
    while not mark.exists() and time.monotonic() < end_s:
        time.sleep(0.1)
    assert "no broker" in trouble_of_worker(mark, time.time())
