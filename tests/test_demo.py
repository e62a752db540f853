"""The demo, run as people run it: it shows what it promises, and leaves nothing behind however it ends."""

import json
import os
import re
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any, TypeVar
from urllib.request import urlopen

import pytest

from tests.begun import Begun, Process

LINKLAG = [sys.executable, "-P", "-c", "from service.main import run; run()"]


T = TypeVar("T")


class Demo:
    """A running `linklag demo` with a folder for temporary files of its own.

    by_itself: the command as it is installed, not begun from what is loaded already.
    """

    def __init__(self, folder: Path, *arguments: str, by_itself: bool = False) -> None:
        self.temporary = folder / "tmp"
        self.temporary.mkdir(exist_ok=True)
        self.out, self.err = folder / "out", folder / "err"
        environ = {**os.environ, "TMPDIR": str(self.temporary), "PYTHONUNBUFFERED": "1"}
        self.out.write_bytes(b"")
        self.err.write_bytes(b"")
        self.process: Process
        if by_itself:
            with self.out.open("wb") as out, self.err.open("wb") as err:
                command = [*LINKLAG, "demo", *arguments]
                self.process = subprocess.Popen(command, stdout=out, stderr=err, env=environ)
        else:
            self.process = Begun("linklag", "demo", *arguments, env=environ, out=self.out, err=self.err)

    def said(self, pattern: str, within_s: float) -> re.Match[str]:
        """Return the match of what the demo prints, waiting for it."""

        def found() -> re.Match[str] | None:
            assert self.process.poll() is None, self.err.read_text()
            return re.search(pattern, self.out.read_text())

        return until(found, within_s, lambda: f"{pattern!r} in {self.out.read_text()}{self.err.read_text()}")

    def end(self, number: signal.Signals, within_s: float = 20) -> int:
        self.process.send_signal(number)
        return self.process.wait(within_s)


@pytest.fixture
def start(tmp_path: Path) -> Iterator[Callable[..., Demo]]:
    """Start demos; whatever becomes of the test, they are ended."""
    running: list[Demo] = []

    def begin(*arguments: str, by_itself: bool = False) -> Demo:
        running.append(Demo(tmp_path, *arguments, by_itself=by_itself))
        return running[-1]

    yield begin
    for demo in running:
        if demo.process.poll() is None:
            demo.process.kill()
            demo.process.wait(10)


def until(look: Callable[[], T | None], within_s: float, wanted: Callable[[], str]) -> T:
    """Return what `look` gives as soon as it is something."""
    end = time.monotonic() + within_s
    while time.monotonic() < end:
        if found := look():
            return found
        time.sleep(0.1)
    raise AssertionError(f"not within {within_s} s: {wanted()}")


def descendants(pid: int) -> dict[int, str]:
    """Return the command of every process that came from `pid`, which must still run."""
    parents: dict[int, int] = {}
    for stat in Path("/proc").glob("[0-9]*/stat"):
        try:
            fields = stat.read_text().rsplit(")", 1)[1].split()
        except OSError:
            continue
        if fields[0] != "Z":
            parents[int(stat.parent.name)] = int(fields[1])
    found = {pid}
    while more := {child for child, parent in parents.items() if parent in found} - found:
        found |= more
    return {child: command_of(child) for child in found - {pid}}


def command_of(pid: int) -> str:
    try:
        return Path(f"/proc/{pid}/cmdline").read_bytes().replace(b"\0", b" ").decode()
    except OSError:
        return ""


def all_gone(processes: dict[int, str], within_s: float = 10) -> bool:
    """Return whether the processes end in time. A process id that was given out anew does not count."""
    end = time.monotonic() + within_s
    while time.monotonic() < end:
        if not any(command and command_of(pid) == command for pid, command in processes.items()):
            return True
        time.sleep(0.05)
    return False


def newest(page: str) -> dict[str, Any]:
    with urlopen(f"{page}/api/v1/readings/newest", timeout=10) as answer:  # noqa: S310 (the demo's own address)
        return {drive["drive_id"]: drive for drive in json.load(answer)["drives"]}


@pytest.mark.timeout(150)
def test_drive_crosses_its_limit_and_sensor_falls_silent_and_nothing_is_left_behind(
    start: Callable[..., Demo],
) -> None:
    """The promise of the demo, seen in its API and in what it prints, with its usual port taken by somebody else."""
    with socket.create_server(("127.0.0.1", 0)) as taken:
        port = taken.getsockname()[1]
        demo = start("--port", str(port), by_itself=True)
        page = demo.said(r"page +(http://127\.0\.0\.1:\d+)/", 30)[1]
        assert page != f"http://127.0.0.1:{port}"
    demo.said(r"all \d+ registered drives have a reading", 40)

    def crossed() -> list[str]:
        return [
            name
            for name, drive in newest(page).items()
            if drive["measured"] and drive["measured"]["elongation_pct"] >= drive["limit_pct"]
        ]

    def silent() -> list[str]:
        return [name for name, drive in newest(page).items() if drive["reading"]["reason"] == "sensor_silent"]

    assert crossed() == []  # else it would show nothing
    assert silent() == []
    (worn,) = until(crossed, 110, lambda: f"a drive over its limit among {newest(page)}")
    demo.said(rf"{worn} .*crossed its limit", 5)
    (broken,) = until(silent, 60, lambda: f"a silent sensor among {newest(page)}")
    demo.said(rf"{broken} .*fell silent", 5)
    demo.said("nobody registered it", 5)
    with urlopen(f"{page}/", timeout=10) as board:  # noqa: S310 (the demo's own address)
        assert worn in board.read().decode()
    children = descendants(demo.process.pid)
    assert any("sensors_sim" in command for command in children.values())
    assert list(demo.temporary.iterdir()) != []
    assert demo.end(signal.SIGINT) == 0
    assert demo.out.read_text().endswith("ended; nothing is left behind\n")
    assert demo.err.read_text() == ""
    assert list(demo.temporary.iterdir()) == []
    assert all_gone(children)


def test_children_end_when_the_demo_is_killed_outright(start: Callable[..., Demo]) -> None:
    demo = start("--port", "18391")
    demo.said("page ", 30)
    children = until(lambda: with_simulator(demo), 20, lambda: str(descendants(demo.process.pid)))
    assert demo.end(signal.SIGKILL) == -signal.SIGKILL
    assert all_gone(children)


def test_demo_that_lost_its_simulator_fails_and_says_so(start: Callable[..., Demo]) -> None:
    demo = start("--port", "18392")
    demo.said("page ", 30)
    children = until(lambda: with_simulator(demo), 20, lambda: str(descendants(demo.process.pid)))
    (simulator,) = [pid for pid, command in children.items() if is_simulator(command)]
    os.kill(simulator, signal.SIGKILL)
    assert demo.process.wait(30) == 1
    assert "part=simulator" in demo.err.read_text()
    assert all_gone(children)
    assert list(demo.temporary.iterdir()) == []


def test_demo_that_is_stopped_while_it_is_set_up_leaves_nothing_behind(start: Callable[..., Demo]) -> None:
    demo = start("--port", "18393")
    until(lambda: list(demo.temporary.iterdir()), 20, demo.err.read_text)
    children = descendants(demo.process.pid)
    assert demo.end(signal.SIGTERM) == 128 + signal.SIGTERM
    assert list(demo.temporary.iterdir()) == []
    assert all_gone(children)


def test_demo_ends_by_itself_and_keeps_what_it_is_asked_to(
    start: Callable[..., Demo], tmp_path: Path
) -> None:
    kept = tmp_path / "kept"
    demo = start("--port", "18394", "--minutes", "0.05", "--keep", str(kept))
    assert demo.process.wait(60) == 0
    assert demo.out.read_text().endswith(f"database and logs are in {kept}\n")
    assert {"linklag.db", "linklag.log", "sim.log"} <= {path.name for path in kept.iterdir()}
    again = start("--keep", str(kept))
    assert again.process.wait(30) == 1
    assert again.err.read_text() == f"linklag: {kept} holds a database already: give --keep another folder\n"


def test_demo_goes_on_when_nobody_reads_what_it_prints_any_more(tmp_path: Path) -> None:
    command = [*LINKLAG, "demo", "--port", "18395", "--minutes", "0.12"]
    environ = {**os.environ, "TMPDIR": str(tmp_path)}
    process = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, env=environ)
    assert process.stdout is not None
    assert process.stderr is not None
    process.stdout.close()
    with process.stderr as err:
        assert (process.wait(60), err.read()) == (0, b"")
    assert list(tmp_path.iterdir()) == []


def is_simulator(command: str) -> bool:
    return "sensors_sim" in command and "child.py" not in command


def with_simulator(demo: Demo) -> dict[int, str] | None:
    """Return the demo's processes once the simulator is among them."""
    children = descendants(demo.process.pid)
    return children if any(is_simulator(command) for command in children.values()) else None
