"""`linklag` and its simulator as processes of a test, begun by fork from one that has loaded them already.

To load them takes a process 1 to 3 s of CPU, which is most of what it does in a test. The fork is of a process without threads that did
nothing but load (`multiprocessing`, start method forkserver), and what runs in it is what the installed command runs, but for the end: no
`atexit`, no taking down of the interpreter. That commands start and end by themselves is for the tests that start them by themselves: test_main, test_demo, commands/test_record, deploy.
"""

import atexit
import faulthandler
import multiprocessing
import multiprocessing.util  # so that its own end is set up before, and comes after, that of here
import os
import runpy
import signal
import subprocess
import sys
import tempfile
import weakref
from collections.abc import Mapping, Sequence
from pathlib import Path
from types import ModuleType
from typing import Self

_PROGRAMS = {"linklag", "sensors_sim", "python"}
_context = multiprocessing.get_context("forkserver")
_context.set_forkserver_preload(["tests.loaded"])


_all: "weakref.WeakSet[Begun]" = weakref.WeakSet()


@atexit.register
def _end_all() -> None:
    """Before multiprocessing does: it would wait for one that stands still."""
    for each in list(_all):
        each.kill()


class Begun:
    """Such a process, with what is used of `subprocess.Popen`."""

    def __init__(
        self,
        *command: str,
        env: Mapping[str, str],
        out: Path | None = None,
        err: Path | None = None,
        given: Path | None = None,
        cwd: Path | None = None,
    ) -> None:
        """Begin it.

        Args:
            command: `linklag` or `sensors_sim`, and what stands behind it; or `python`, -c and code, or a file and its arguments.
            env: all of its environment.
            out: file that its standard output is added to; None: nowhere.
            err: the same of its standard error.
            given: file with its standard input; None: nothing.
            cwd: where it runs; None: here.
        """
        if command[0] not in _PROGRAMS:
            raise ValueError(f"{command[0]}: begin one of {sorted(_PROGRAMS)}")
        self.args = command
        files = [str(each or os.devnull) for each in (given, out, err)]
        self._process = _context.Process(
            target=_run, args=(command, dict(env), files, str(cwd or Path.cwd())), daemon=True
        )
        began = sys.modules["__main__"]
        sys.modules["__main__"] = ModuleType("__main__")  # or it would load what began the tests, too
        try:
            self._process.start()
        finally:
            sys.modules["__main__"] = began
        _all.add(self)

    @property
    def pid(self) -> int:
        assert self._process.pid is not None
        return self._process.pid

    def poll(self) -> int | None:
        """Its exit code, negative for the signal that ended it; None while it runs."""
        return self._process.exitcode

    def wait(self, timeout: float | None = None) -> int:
        """Its exit code, once it has ended. Raises subprocess.TimeoutExpired."""
        self._process.join(timeout)
        code = self._process.exitcode
        if code is None:
            raise subprocess.TimeoutExpired(self.args, timeout or 0.0)
        return code

    def send_signal(self, number: int) -> None:
        if self.poll() is None:
            os.kill(self.pid, number)

    def terminate(self) -> None:
        self.send_signal(signal.SIGTERM)

    def kill(self) -> None:
        self.send_signal(signal.SIGKILL)

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        """Whatever became of the test, it is gone."""
        self.kill()
        self.wait(10)


Process = Begun | subprocess.Popen[bytes]


def called(
    *command: str,
    env: Mapping[str, str],
    given: bytes = b"",
    timeout_s: float = 60.0,
    cwd: Path | None = None,
) -> "subprocess.CompletedProcess[bytes]":
    """Run such a process to its end; return what it said."""
    with tempfile.TemporaryDirectory() as folder:
        out, err, typed = (Path(folder) / name for name in ("out", "err", "in"))
        typed.write_bytes(given)
        with Begun(*command, env=env, out=out, err=err, given=typed, cwd=cwd) as process:
            code = process.wait(timeout_s)
        return subprocess.CompletedProcess(command, code, out.read_bytes(), err.read_bytes())


def _run(command: Sequence[str], env: Mapping[str, str], files: Sequence[str], cwd: str) -> None:
    """Become that command. Its end is this process's end."""
    os.chdir(cwd)
    os.environ.clear()
    os.environ.update(env)
    given, out, err = files
    added = os.O_WRONLY | os.O_CREAT | os.O_APPEND
    for number, (file, flags) in enumerate(((given, os.O_RDONLY), (out, added), (err, added))):
        opened = os.open(file, flags, 0o600)
        os.dup2(opened, number)
        os.close(opened)
    sys.stdin = open(0, encoding="utf-8", closefd=False)  # noqa: SIM115 - multiprocessing put another in its place
    sys.stdout.reconfigure(line_buffering=True)  # type: ignore[union-attr]
    faulthandler.enable(sys.__stderr__ or 2)
    program, *arguments = command
    sys.argv = [program, *arguments]
    if program == "python":
        if arguments[0] == "-c":
            exec(compile(arguments[1], "-c", "exec"), {"__name__": "__main__"})  # noqa: S102 - what a test wrote
        else:
            sys.argv = arguments
            runpy.run_path(arguments[0], run_name="__main__")
    elif program == "linklag":
        from service.main import run

        run()
    else:
        from sensors_sim.main import app

        app(prog_name="python -m sensors_sim")
