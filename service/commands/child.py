"""Child processes that never outlive this one, even when it is killed outright.

Run as a program, this module is the guard between us and the child: it holds the read end of a pipe
whose write end only we have. When we go, in whatever way, the system closes the pipe, and the guard ends the
child. Works where no parent-death signal exists. The child gets a session of its own, so that Ctrl-C reaches
us alone and we end things in order.
"""

import os
import signal
import subprocess
import sys
import threading
from collections.abc import Sequence
from pathlib import Path
from types import FrameType

GRACE_S = 5.0  # from SIGTERM to SIGKILL


class Child:
    """A program that runs under a guard. Start it, wait for it, stop it; stopping twice is harmless."""

    def __init__(self, name: str, command: Sequence[str], log: Path | None = None) -> None:
        self.name = name
        self._log = log
        self._command = command
        self._guard: subprocess.Popen[bytes] | None = None

    def start(self) -> None:
        """Start the program; what it prints goes to the log file, or nowhere."""
        with (self._log or Path(os.devnull)).open("ab") as out:
            self._guard = subprocess.Popen(  # noqa: S603 (the command is ours)
                [sys.executable, "-P", __file__, *self._command],
                stdin=subprocess.PIPE,
                stdout=out,
                stderr=subprocess.STDOUT,
                start_new_session=True,
            )

    @property
    def running(self) -> bool:
        """Whether the program was started and has not ended."""
        return self._guard is not None and self._guard.poll() is None

    def wait(self) -> int:
        """Wait for the end of the program and return its exit code."""
        return self._guard.wait() if self._guard else 0

    def stop(self) -> None:
        """End the program: SIGTERM, and SIGKILL where that does not help."""
        if self._guard is None or self._guard.stdin is None:
            return
        self._guard.stdin.close()
        self._guard.wait(GRACE_S + 5.0)

    def said(self, bytes_max: int = 2000) -> str:
        """Return the end of what the program printed."""
        return self._log.read_bytes()[-bytes_max:].decode(errors="replace").strip() if self._log else ""


def main(command: Sequence[str]) -> int:
    """Run a command until it ends or standard input closes; return its exit code (1 where a signal ended it)."""
    child = subprocess.Popen(command, stdin=subprocess.DEVNULL)  # noqa: S603 (from `Child`)

    def end() -> None:
        child.terminate()
        try:
            child.wait(GRACE_S)
        except subprocess.TimeoutExpired:
            child.kill()

    def end_with_parent() -> None:
        os.read(0, 1)  # nobody writes: it returns when the other end is closed
        end()

    def on_signal(_number: int, _frame: FrameType | None) -> None:
        threading.Thread(target=end).start()

    signal.signal(signal.SIGTERM, on_signal)
    threading.Thread(target=end_with_parent, daemon=True).start()
    code = child.wait()
    return code if code >= 0 else 1


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
