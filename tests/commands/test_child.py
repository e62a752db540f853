"""A child never outlives us, whatever becomes of us."""

import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from service.commands.child import Child

LONG = [sys.executable, "-c", "import os, time; print(os.getpid(), flush=True); time.sleep(60)"]
DEAF = [LONG[0], "-c", f"import signal; signal.signal(signal.SIGTERM, signal.SIG_IGN); {LONG[2]}"]


def pid_in(log: Path) -> int:
    """Return the process id that a child wrote to its log."""
    end = time.monotonic() + 10
    while time.monotonic() < end:
        if log.exists() and log.read_text().endswith("\n"):
            return int(log.read_text())
        time.sleep(0.02)
    raise AssertionError(f"the child did not start: {log.read_text() if log.exists() else ''}")


def gone(pid: int, within_s: float = 10.0) -> bool:
    """Return whether a process ends in time (a zombie has ended)."""
    end = time.monotonic() + within_s
    while time.monotonic() < end:
        try:
            os.kill(pid, 0)
            if Path(f"/proc/{pid}/stat").read_text().rsplit(")", 1)[1].split()[0] == "Z":
                return True
        except OSError:
            return True
        time.sleep(0.02)
    return False


def test_child_runs_until_it_is_stopped(tmp_path: Path) -> None:
    child = Child("long", LONG, tmp_path / "log")
    child.start()
    pid = pid_in(tmp_path / "log")
    states = [child.running]
    child.stop()
    child.stop()
    states.append(child.running)
    assert states == [True, False]
    assert gone(pid, 1)


def test_exit_code_and_last_words_of_a_child_are_kept(tmp_path: Path) -> None:
    child = Child(
        "brief", [sys.executable, "-c", "print('no such plant'); raise SystemExit(3)"], tmp_path / "log"
    )
    child.start()
    assert child.wait() == 3
    assert child.said() == "no such plant"
    child.stop()


def test_child_that_a_signal_ended_has_failed(tmp_path: Path) -> None:
    program = "import os, signal; os.kill(os.getpid(), signal.SIGKILL)"
    child = Child("killed", [sys.executable, "-c", program], tmp_path / "log")
    child.start()
    assert child.wait() == 1
    child.stop()


@pytest.mark.parametrize("command", [LONG, DEAF], ids=["willing", "deaf to SIGTERM"])
def test_child_ends_when_its_parent_is_killed_outright(command: list[str], tmp_path: Path) -> None:
    log = tmp_path / "log"
    program = f"""
import time
from pathlib import Path
from service.commands.child import Child
child = Child("long", {command!r}, Path({str(log)!r}))
child.start()
time.sleep(60)
"""
    parent = subprocess.Popen([sys.executable, "-c", program])
    pid = pid_in(log)
    parent.kill()
    assert parent.wait(5) == -signal.SIGKILL
    assert gone(pid)


def test_guard_ends_its_child_on_sigterm(tmp_path: Path) -> None:
    child = Child("long", LONG, tmp_path / "log")
    child.start()
    pid = pid_in(tmp_path / "log")
    assert child._guard is not None
    child._guard.terminate()
    assert child.wait() == 1
    assert gone(pid, 1)
    child.stop()
