"""Parts in one process run all together or not at all."""

import os
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable

import pytest

from service.commands.supervise import Part, run_parts


class Steady:
    """A part that runs until it is told to stop, and notes what happened to it."""

    def __init__(self, name: str, notes: list[str]) -> None:
        self._name, self._notes, self._told = name, notes, threading.Event()

    def part(self) -> Part:
        return Part(name=self._name, run=self._run, stop=self._stop)

    def _run(self) -> None:
        self._notes.append(f"{self._name} runs")
        self._told.wait()
        self._notes.append(f"{self._name} ends")

    def _stop(self) -> None:
        self._told.set()


def failing(name: str, after: Callable[[], object]) -> Part:
    def run() -> None:
        after()
        raise ZeroDivisionError

    return Part(name=name, run=run, stop=lambda: None)


def test_time_ends_all_in_reverse_order_with_code_0() -> None:
    notes: list[str] = []
    parts = [Steady("first", notes).part(), Steady("second", notes).part()]
    assert run_parts(parts, minutes=0.1 / 60) == 0
    assert sorted(notes[:2]) == ["first runs", "second runs"]
    assert notes[2:] == ["second ends", "first ends"]


def test_part_that_fails_ends_the_others_with_code_1(capfd: pytest.CaptureFixture[str]) -> None:
    notes: list[str] = []
    assert run_parts([Steady("well", notes).part(), failing("ill", lambda: time.sleep(0.05))]) == 1
    assert notes == ["well runs", "well ends"]
    out = "".join(capfd.readouterr())
    assert "ZeroDivisionError" in out
    assert "ill" in out


def test_part_that_returns_by_itself_is_a_failure_too() -> None:
    notes: list[str] = []
    assert (
        run_parts([Part(name="brief", run=lambda: None, stop=lambda: None), Steady("w", notes).part()]) == 1
    )


def test_part_that_will_not_stop_is_left_with_code_1() -> None:
    never = threading.Event()

    def run() -> None:
        never.wait(5)

    start = time.monotonic()
    assert run_parts([Part(name="deaf", run=run, stop=lambda: None)], minutes=0.01 / 60, grace_s=0.1) == 1
    assert time.monotonic() - start < 3
    never.set()


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM, signal.SIGHUP])
def test_signal_ends_all_with_code_0(number: signal.Signals) -> None:
    notes: list[str] = []
    before = signal.getsignal(number)
    timer = threading.Timer(0.1, os.kill, (os.getpid(), number))
    timer.start()
    assert run_parts([Steady("only", notes).part()]) == 0
    timer.join()
    assert notes == ["only runs", "only ends"]
    assert signal.getsignal(number) is before


def test_signal_that_another_thread_takes_ends_all_too() -> None:
    """The system may hand a signal to any thread; the main one then goes on waiting, and only it runs handlers."""

    def send() -> None:
        time.sleep(0.2)
        signal.pthread_kill(threading.get_ident(), signal.SIGTERM)
        time.sleep(30)

    sender = threading.Thread(target=send, daemon=True)
    sender.start()
    begun_s = time.monotonic()
    assert run_parts([Steady("only", []).part()], minutes=0.25) == 0
    assert time.monotonic() - begun_s < 10, "only the time ended it"


def test_second_signal_ends_the_process_at_once() -> None:
    program = """
import time
from service.commands.supervise import Part, run_parts
def run():
    print("running", flush=True)
    time.sleep(30)
def stop():
    print("stopping", flush=True)
    time.sleep(30)
run_parts([Part(name="slow", run=run, stop=stop)])
"""
    process = subprocess.Popen([sys.executable, "-c", program], stdout=subprocess.PIPE)
    assert process.stdout is not None
    with process.stdout as said:
        for word in (b"running\n", b"stopping\n"):
            assert said.readline() == word
            process.send_signal(signal.SIGTERM)
        assert process.wait(5) == 128 + signal.SIGTERM
