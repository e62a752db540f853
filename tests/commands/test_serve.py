"""`linklag run`, `worker` and `web` as processes: they work, say how they stand, and stop cleanly."""

import json
import os
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any
from urllib.error import HTTPError
from urllib.request import urlopen

import pytest

from tests.begun import Begun, Process, called
from tests.conftest import Mosquitto, free_port

LINKLAG = [sys.executable, "-X", "faulthandler", "-P", "-c", "from service.main import run; run()"]
BATCHES = 6


class Plant:
    """Settings of the test's own, and the processes that run with them."""

    def __init__(self, folder: Path, broker_port: int, **settings: str) -> None:
        self.folder, self.broker_port, self.web_port = folder, broker_port, free_port()
        self.running: list[Process] = []
        self.environ = {
            name: value for name, value in os.environ.items() if not name.startswith("LINKLAG_")
        } | {
            "LINKLAG_BROKER__PORT": str(broker_port),
            "LINKLAG_STORE__FOLDER": str(folder / "data"),
            "LINKLAG_WEB__PORT": str(self.web_port),
            **settings,
        }

    def start(self, *command: str) -> Process:
        err = self.folder / f"{command[0]}.err"
        err.unlink(missing_ok=True)
        return self._begun("linklag", *command, err=err)

    def _begun(self, *command: str, err: Path | None = None) -> Begun:
        process = Begun(*command, env=self.environ, err=err)
        self.running.append(process)
        return process

    @property
    def url(self) -> str:
        return f"http://127.0.0.1:{self.web_port}"

    def code_of(self, process: Process, within_s: float = 20) -> int:
        """Return the exit code; where it does not end, fail with what it wrote and where each of its threads is."""
        try:
            return process.wait(within_s)
        except subprocess.TimeoutExpired:
            process.send_signal(signal.SIGABRT)
            process.wait(10)
            written = [each.read_text(errors="replace") for each in self.folder.glob("*.err")]
            pytest.fail("it did not end in time\n" + "\n".join(written))

    def start_device(self, *arguments: str) -> Begun:
        """Start the simulated device of a scenario, in real time."""
        return self._begun("sensors_sim", "run", *arguments, "--port", str(self.broker_port))

    def call(self, *command: str, given: bytes = b"") -> "subprocess.CompletedProcess[bytes]":
        return called(*command, env=self.environ, given=given)

    def register(self) -> None:
        """Register the drive of the scenario `steady`, as a person would."""
        table = self.call("sensors_sim", "register", "steady").stdout
        done = self.call("linklag", "drive", "import", "-", "--format", "toml", given=table)
        assert done.returncode == 0, done.stderr

    def publish(self) -> None:
        port = str(self.broker_port)
        done = self.call("sensors_sim", "run", "steady", "--port", port, "--burst", str(BATCHES))
        assert done.returncode == 0, done.stderr

    def get(self, path: str) -> Any:
        """Return status and content of an answer, as soon as anything answers."""
        url = f"http://127.0.0.1:{self.web_port}{path}"
        end = time.monotonic() + 30
        while True:
            try:
                with urlopen(url, timeout=10) as answer:
                    return answer.status, answer.read().decode()
            except HTTPError as error:
                with error:
                    return error.code, error.read().decode()
            except OSError:
                assert time.monotonic() < end, [process.poll() for process in self.running]
                time.sleep(0.1)

    def wait_for(self, path: str, wanted: Callable[[int, str], bool], within_s: float = 30) -> str:
        end = time.monotonic() + within_s
        while True:
            status, text = self.get(path)
            if wanted(status, text):
                return str(text)
            assert time.monotonic() < end, (status, text)
            time.sleep(0.1)

    def readings(self) -> list[dict[str, Any]]:
        """Return the readings of the drive as soon as all that was published is stored."""
        path = "/api/v1/drives/steady/readings?resolution=raw"
        text = self.wait_for(path, lambda status, text: status == 200 and len(rows_in(text)) >= BATCHES)
        return rows_in(text)


def rows_in(text: str) -> list[dict[str, Any]]:
    rows = json.loads(text)["rows"]
    assert isinstance(rows, list)
    return rows


@pytest.fixture
def plant(tmp_path: Path, mosquitto: Mosquitto) -> Iterator[Plant]:
    made = Plant(tmp_path, mosquitto.port)
    yield made
    for process in made.running:
        if process.poll() is None:
            process.kill()
            process.wait(10)


def test_a_worker_alone_does_not_load_the_page() -> None:
    program = (
        "import service.commands.serve, sys; "
        "print([name for name in ('fastapi', 'uvicorn', 'service.adapters.web.app') if name in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"


def test_run_turns_what_devices_publish_into_readings_and_stops_cleanly_with_a_stream_open(
    plant: Plant,
) -> None:
    process = plant.start("run")
    plant.register()
    plant.wait_for("/health/ready", lambda status, _text: status == 200)
    plant.publish()
    readings = plant.readings()
    assert len(readings) == BATCHES
    assert all(1.0 < row["elongation_pct"] < 1.4 for row in readings)  # the scenario's chain is worn by 1.2 %
    assert f"linklag_readings_total {BATCHES}.0" in plant.get("/metrics")[1]
    with urlopen(f"http://127.0.0.1:{plant.web_port}/api/v1/stream", timeout=10) as stream:
        assert stream.readline()
        start = time.monotonic()
        process.send_signal(signal.SIGTERM)
        assert plant.code_of(process) == 0
    assert time.monotonic() - start < 10


def test_worker_and_web_apart_share_the_store(plant: Plant) -> None:
    plant.register()
    worker, web = plant.start("worker"), plant.start("web")
    plant.wait_for("/health/ready", lambda status, _text: status == 200)
    until_log(plant.folder / "worker.err", "mqtt_connected")
    plant.publish()
    assert len(plant.readings()) == BATCHES
    worker.send_signal(signal.SIGINT)
    web.send_signal(signal.SIGTERM)
    assert (plant.code_of(worker), plant.code_of(web)) == (0, 0)


def test_run_without_a_broker_says_so_and_goes_on_when_it_comes(plant: Plant, mosquitto: Mosquitto) -> None:
    mosquitto.stop()
    plant.start("run")
    text = plant.wait_for("/health/ready", lambda status, _text: status == 503)
    assert json.loads(text)["down"] == ["broker"]
    mosquitto.start()
    plant.wait_for("/health/ready", lambda status, _text: status == 200)


def test_run_keeps_nothing_from_the_broker_that_it_did_not_store(plant: Plant) -> None:
    """What is published while nobody runs waits at the broker; each batch becomes one reading."""
    plant.register()
    first = plant.start("run")
    plant.wait_for("/health/ready", lambda status, _text: status == 200)
    first.send_signal(signal.SIGTERM)
    assert plant.code_of(first) == 0
    plant.publish()
    plant.start("run")
    assert len(plant.readings()) == BATCHES


@pytest.mark.parametrize("command", ["run", "web"])
def test_port_that_is_taken_is_one_line_and_code_1(plant: Plant, command: str) -> None:
    with socket.create_server(("127.0.0.1", plant.web_port)):
        process = plant.start(command)
        assert process.wait(30) == 1
    assert (plant.folder / f"{command}.err").read_text() == (
        f"linklag: cannot serve on 127.0.0.1:{plant.web_port} (Address already in use): stop what does, or give "
        "another web.port (--port)\n"
    )


def test_bug_in_the_worker_ends_the_whole_process_with_code_1(plant: Plant) -> None:
    """Otherwise the page would go on showing old numbers as if all were well."""
    program = """
from service.ingest import Ingest
from service.main import run
def broken(self):
    raise ZeroDivisionError("a bug")
Ingest.step = broken
run()
"""
    command = [sys.executable, "-P", "-c", program, "run"]
    done = subprocess.run(command, capture_output=True, env=plant.environ, timeout=60, check=False)
    assert done.returncode == 1
    assert b"ZeroDivisionError: a bug" in done.stderr
    assert b"part=ingest" in done.stderr


def until_log(log: Path, word: str) -> None:
    end = time.monotonic() + 20
    while word not in log.read_text():
        assert time.monotonic() < end, log.read_text()
        time.sleep(0.05)
