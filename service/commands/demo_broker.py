"""The broker of `linklag demo`: MQTT 5 on 127.0.0.1, in a child process, with nothing kept on disk.

For the demo only: its backlog dies with it, and anyone on this machine may connect. A plant brings its own.
iotcore where it is installed (pip extra `demo`), else a mosquitto program of the system.
"""

import importlib.util
import shutil
import socket
import sys
import time
from pathlib import Path
from typing import Self

from service.commands import CommandError
from service.commands.child import Child

START_S = 15.0
SBIN = "/usr/sbin:/usr/local/sbin"  # where Debian puts mosquitto, and not on every user's PATH

# Memory against loss: iotcore keeps each topic filter's log until these segments are full, and drops what a
# slow subscriber has not read by then. 8 MiB x 4 passed 10 000 batches of 3.2 kB without loss.
IOTCORE = """id = 0
[router]
id = 0
max_connections = 200
max_outgoing_packet_count = 200
max_segment_size = 8388608
max_segment_count = 4
[v5.1]
name = "v5"
listen = "127.0.0.1:{port}"
next_connection_delay_ms = 1
[v5.1.connections]
connection_timeout_ms = 5000
max_payload_size = 2097152
max_inflight_count = 500
dynamic_filters = true
"""
MOSQUITTO = """listener {port} 127.0.0.1
allow_anonymous true
persistence false
max_inflight_messages 500
max_queued_messages 0
max_packet_size 2097152
"""


class NoBrokerError(CommandError):
    """No broker can be started. The message says what to install."""


class DemoBroker:
    """A running broker while in its context; `port` is where."""

    def __init__(self, folder: Path, port: int) -> None:
        self.port = port
        self._child = Child("broker", _command(folder, port), folder / "broker.log")

    def __enter__(self) -> Self:
        self._child.start()
        try:
            self._wait()
        except BaseException:
            self._child.stop()
            raise
        return self

    def __exit__(self, *_exc: object) -> None:
        self._child.stop()

    def watch(self) -> None:
        """Return when the broker has ended."""
        self._child.wait()

    def stop(self) -> None:
        """End the broker."""
        self._child.stop()

    def _wait(self) -> None:
        end = time.monotonic() + START_S
        while self._child.running and time.monotonic() < end:
            try:
                socket.create_connection(("127.0.0.1", self.port), timeout=0.5).close()
            except OSError:
                time.sleep(0.02)
            else:
                return
        raise NoBrokerError(f"the demo's broker did not start: {self._child.said()}")


def free_port(first: int | None = None, tries: int = 20) -> int:
    """Return a TCP port of 127.0.0.1 that is free now: `first` or one of those after it, else any."""
    for port in [*(range(first, first + tries) if first else ()), 0]:
        with socket.socket() as probe:
            if sys.platform != "win32":
                probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            try:
                probe.bind(("127.0.0.1", port))
            except OSError:
                continue
            return int(probe.getsockname()[1])
    raise NoBrokerError("no TCP port of 127.0.0.1 is free")


def _command(folder: Path, port: int) -> list[str]:
    """Return the command that runs a broker, its settings written to the folder."""
    settings = folder / "broker.toml"
    if importlib.util.find_spec("iotcore") is not None:
        settings.write_text(IOTCORE.format(port=port))
        return [sys.executable, "-P", "-m", "iotcore", "--config", str(settings), "--log-level", "CRITICAL"]
    program = shutil.which("mosquitto") or shutil.which("mosquitto", path=SBIN)
    if program is not None:
        settings.write_text(MOSQUITTO.format(port=port))
        return [program, "-c", str(settings)]
    raise NoBrokerError(
        "the demo needs a broker: pip install 'linklag[demo]', or install the system's mosquitto package"
    )
