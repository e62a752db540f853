"""What the units start works as a user without rights, in the restrictions that they name (see `sandbox`)."""

import os
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from service.commands.health import trouble_of_worker
from tests.begun import Process
from tests.commands.test_serve import BATCHES, LINKLAG, Plant
from tests.conftest import Mosquitto, needs
from tests.deploy.sandbox import wrapped

UNITS = Path(__file__).parents[2] / "deploy" / "systemd"
NOBODY_ELSE = 12345  # a user without rights, who needs no name

OVERSTEP = """
import mmap, os, socket
def refused(what):
    try:
        what()
    except OSError:
        return True
    return False
assert os.getuid() == 12345 and refused(lambda: os.setuid(0))
assert refused(lambda: open("/etc/linklag-was-here", "w"))
assert not os.listdir("/home") and not refused(lambda: open("here", "w"))
assert refused(lambda: os.chroot("/")) and refused(lambda: mmap.mmap(-1, 4096, prot=7))
assert refused(lambda: socket.socket(socket.AF_NETLINK, socket.SOCK_RAW))
print("kept in")
"""


class Sandboxed(Plant):
    """The plant, with each part in the restrictions of its unit."""

    def wrapped(self, unit: str, command: list[str]) -> list[str]:
        needs("bwrap", why="apt-get install bubblewrap")
        needs("systemd-analyze", why="apt-get install systemd")
        if os.getuid():
            lack = "only root can become another user"
            (pytest.fail if os.environ.get("LINKLAG_REQUIRE_ALL") == "1" else pytest.skip)(lack)
        data = self.folder / "data"
        data.mkdir(exist_ok=True)
        for path in (data, *data.iterdir()):
            shutil.chown(path, NOBODY_ELSE, 0)
        return wrapped(UNITS / f"{unit}.service", NOBODY_ELSE, data, command)

    def start(self, *command: str) -> Process:
        with (self.folder / f"{command[0]}.err").open("wb") as err:
            process = subprocess.Popen(
                self.wrapped(f"linklag-{command[0]}", [*LINKLAG, *command]), stderr=err, env=self.environ
            )
        self.running.append(process)
        return process

    def run(self, command: list[str]) -> "subprocess.CompletedProcess[bytes]":
        return subprocess.run(command, capture_output=True, env=self.environ, timeout=60, check=False)


@pytest.fixture
def sandboxed(tmp_path: Path, mosquitto: Mosquitto) -> Iterator[Sandboxed]:
    made = Sandboxed(tmp_path, mosquitto.port)
    yield made
    for process in made.running:
        if process.poll() is None:
            process.kill()  # and what it started goes with it
            process.wait(10)


def stop(process: Process) -> int:
    """SIGTERM to what runs inside, as systemd would; return its exit code."""
    inside = process.pid
    while below := Path(f"/proc/{inside}/task/{inside}/children").read_text().split():
        inside = int(below[0])
    os.kill(inside, signal.SIGTERM)
    return process.wait(30)


def test_worker_and_web_do_their_work_and_stop_cleanly(sandboxed: Sandboxed) -> None:
    sandboxed.register()
    worker, web = sandboxed.start("worker"), sandboxed.start("web")
    mark = sandboxed.folder / "data" / "linklag-worker.alive.json"
    end_s = time.monotonic() + 60
    while trouble := trouble_of_worker(mark, time.time()):
        assert time.monotonic() < end_s, (trouble, (sandboxed.folder / "worker.err").read_text())
        time.sleep(0.2)
    sandboxed.publish()
    assert len(sandboxed.readings()) == BATCHES
    assert (stop(worker), stop(web)) == (0, 0)


def test_a_backup_is_made(sandboxed: Sandboxed) -> None:
    sandboxed.register()
    copy = sandboxed.folder / "data" / "copy.db"
    command = sandboxed.wrapped("linklag-backup", [*LINKLAG, "backup", str(copy)])
    done = sandboxed.run(command)
    assert done.returncode == 0, done.stderr
    assert copy.stat().st_size > 0


@pytest.mark.parametrize("unit", ["linklag-worker", "linklag-web"])
def test_what_the_unit_forbids_is_refused(sandboxed: Sandboxed, unit: str) -> None:
    done = sandboxed.run(sandboxed.wrapped(unit, [sys.executable, "-P", "-c", OVERSTEP]))
    assert done.stdout == b"kept in\n", done.stderr
