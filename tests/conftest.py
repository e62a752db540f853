"""What several tests share: servers from outside, and the rule for what may skip."""

import gc
import logging
import os
import shutil
import socket
import subprocess
import time
from collections.abc import Iterator
from pathlib import Path

import pytest
import structlog
from hypothesis import settings

settings.register_profile("linklag", deadline=None)  # a busy machine is no defect
settings.load_profile("linklag")


def pytest_xdist_auto_num_workers() -> int:
    """Two workers more than there are cores: many tests wait for a process, a page, a broker or a database server."""
    return (os.cpu_count() or 1) + 2


REFERENCE = Path(__file__).parents[2] / "shared" / "reference"


def needs(program: str, *, why: str = "") -> str:
    """Return the path of a program, or skip naming what is missing (fail under LINKLAG_REQUIRE_ALL=1)."""
    path = shutil.which(program) or shutil.which(program, path="/usr/sbin:/usr/local/sbin")
    if path is None:
        lack = f"{program} is not installed{': ' + why if why else ''}"
        if os.environ.get("LINKLAG_REQUIRE_ALL") == "1":
            pytest.fail(lack)
        pytest.skip(lack)
    return path


LONGEST = (  # begun first, so that none of them is what all wait for at the end
    "test_drive_crosses_its_limit_and_sensor_falls_silent",
    "test_years.py",
    "test_nothing_lost.py::test_a_worker_killed_again",
    "test_all_transitions_arrive_in_order",
)


@pytest.hookimpl(trylast=True)
def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Put the longest tests before all others, which stay in the order that chance gave them."""
    items.sort(key=lambda item: not any(name in item.nodeid for name in LONGEST))


@pytest.hookimpl(wrapper=True, tryfirst=True)
def pytest_collection() -> Iterator[None]:
    """What is loaded and collected stays to the end: do not look for garbage in it again and again."""
    gc.disable()
    try:
        yield
    finally:
        gc.freeze()
        gc.enable()


LONG = os.environ.get("LINKLAG_LONG") == "1"  # by hand: the fault tests in their full length, and not in part


def ends_with_us(*command: str) -> list[str]:
    """Return a command that the system ends when the thread that started it is gone, even killed. Not on Linux: the command."""
    setpriv = shutil.which("setpriv")
    return [setpriv, "--pdeathsig", "KILL", *command] if setpriv else list(command)


def free_port() -> int:
    """Return a TCP port on 127.0.0.1 that was free a moment ago."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


def wait_for_port(port: int, timeout_s: float = 10.0, host: str = "127.0.0.1") -> None:
    """Return when something accepts connections on that port."""
    end = time.monotonic() + timeout_s
    while True:
        try:
            socket.create_connection((host, port), timeout=0.5).close()
        except OSError:
            if time.monotonic() > end:
                raise
            time.sleep(0.02)
        else:
            return


class Mosquitto:
    """A mosquitto of the test's own on loopback, with persistence, that can be stopped, killed and started.

    host: where it listens in place of 127.0.0.1, an address within the test's own network namespaces.
    """

    def __init__(self, folder: Path, host: str = "127.0.0.1") -> None:
        self._program = needs("mosquitto", why="apt-get install mosquitto")
        self.host = host
        self.port = free_port()
        self._conf = folder / "mosquitto.conf"
        self._conf.write_text(
            f"listener {self.port} {host}\nallow_anonymous true\npersistence true\n"
            f"persistence_location {folder}/\nautosave_interval 30\nmax_queued_messages 0\n"
            "max_inflight_messages 500\nmessage_size_limit 2000000\nset_tcp_nodelay true\nuser root\n"
        )
        self.process: subprocess.Popen[bytes] | None = None

    def start(self) -> None:
        """Start and wait until it accepts connections."""
        self.process = subprocess.Popen(
            [self._program, "-c", str(self._conf)], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
        )
        wait_for_port(self.port, host=self.host)

    def kill(self) -> None:
        """SIGKILL and wait: what it has not saved yet is gone."""
        if self.process is not None:
            self.process.kill()
            self.process.wait(10)
            self.process = None

    def stop(self) -> None:
        """SIGTERM and wait: sessions and queues are saved."""
        if self.process is not None:
            self.process.terminate()
            self.process.wait(10)
            self.process = None


structlog.reset_defaults()
PLAINLY = [  # as structlog logs by default, but with plain tracebacks: to draw one with local variables takes 0.1 s
    *structlog.get_config()["processors"][:-1],
    structlog.dev.ConsoleRenderer(exception_formatter=structlog.dev.plain_traceback),
]


def log_plainly() -> None:
    """Log as tests do unless they say otherwise."""
    structlog.reset_defaults()
    structlog.configure(processors=PLAINLY)


log_plainly()


@pytest.fixture(autouse=True)
def log_left_as_it_was() -> Iterator[None]:
    """A command that a test runs in this process configures the log for its own captured stream, closed afterwards."""
    handlers, level = list(logging.root.handlers), logging.root.level
    yield
    log_plainly()
    logging.root.handlers[:] = handlers
    logging.root.setLevel(level)


@pytest.fixture
def mosquitto(tmp_path: Path) -> Iterator[Mosquitto]:
    """A running mosquitto with persistence on a free loopback port."""
    broker = Mosquitto(tmp_path)
    broker.start()
    yield broker
    broker.stop()
