"""A RabbitMQ node of the test's own: on loopback, with ports, folder, cookie and name server of its own, stopped by pid."""

import contextlib
import fcntl
import json
import os
import shutil
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from tests.conftest import free_port, needs, wait_for_port

PLUGINS = ("rabbitmq_mqtt", "rabbitmq_consistent_hash_exchange")
BOOT_S = 90.0
ROOT = Path(__file__).parents[1]
COOKIE = "LINKLAGTESTCOOKIE"


def installed() -> Path:
    """Return the folder of the node's own scripts; skip, naming what is missing, where there is none."""
    needs("erl", why="apt-get install rabbitmq-server")
    found = sorted(Path("/usr/lib/rabbitmq/lib").glob("rabbitmq_server-*/sbin"))
    if not found:
        needs("rabbitmq-server", why="apt-get install rabbitmq-server")
        pytest.skip("no node scripts in /usr/lib/rabbitmq/lib: apt-get install rabbitmq-server")
    return found[-1]


class NameServer:
    """epmd, by which the nodes of a cluster find each other; ours, so that no daemon of it stays behind."""

    def __init__(self) -> None:
        self.port = free_port()
        program = shutil.which("epmd") or str(next(Path("/usr/lib/erlang").glob("erts-*/bin/epmd")))
        self.environment = {"ERL_EPMD_ADDRESS": "127.0.0.1", "ERL_EPMD_PORT": str(self.port)}
        self._process = subprocess.Popen(
            [program, "-address", "127.0.0.1", "-port", str(self.port)],
            env=os.environ | self.environment,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )
        wait_for_port(self.port)

    def stop(self) -> None:
        self._process.terminate()
        self._process.wait(10)


class RabbitMq:
    """One node. `start`, `stop` (SIGTERM) and `kill` as often as wanted; the folder keeps what it holds."""

    def __init__(
        self, folder: Path, names: NameServer, *, name: str = "one", conf: Sequence[str] = ()
    ) -> None:
        self._sbin, self._folder, self._names = installed(), folder, names
        self.port, self.mqtt_port, self._dist_port = free_port(), free_port(), free_port()
        self.node = f"{name}-{self.port}@localhost"
        self.process: subprocess.Popen[bytes] | None = None
        folder.mkdir(parents=True, exist_ok=True)
        cookie = folder / ".erlang.cookie"
        cookie.write_text(COOKIE)
        cookie.chmod(0o400)
        (folder / "enabled_plugins").write_text(f"[{','.join(PLUGINS)}].\n")
        lines = [
            f"listeners.tcp.1 = 127.0.0.1:{self.port}",
            f"mqtt.listeners.tcp.1 = 127.0.0.1:{self.mqtt_port}",
            "mqtt.allow_anonymous = false",
            "loopback_users = none",
            "log.file.level = warning",
            *conf,
        ]
        (folder / "rabbitmq.conf").write_text("\n".join(lines) + "\n")

    @property
    def environment(self) -> dict[str, str]:
        """What its scripts, and rabbitmqctl, need to mean this node."""
        folder = self._folder
        interface = "-kernel inet_dist_use_interface {127,0,0,1} +S 1:1 +sbwt none"
        return {
            "PATH": os.environ["PATH"],
            "HOME": str(folder),
            **self._names.environment,
            "RABBITMQ_NODENAME": self.node,
            "RABBITMQ_DIST_PORT": str(self._dist_port),
            "RABBITMQ_MNESIA_BASE": str(folder / "data"),
            "RABBITMQ_LOG_BASE": str(folder / "log"),
            "RABBITMQ_CONFIG_FILE": str(folder / "rabbitmq.conf"),
            "RABBITMQ_CONF_ENV_FILE": str(folder / "none"),
            "RABBITMQ_ENABLED_PLUGINS_FILE": str(folder / "enabled_plugins"),
            "RABBITMQ_GENERATED_CONFIG_DIR": str(folder / "generated"),
            "RABBITMQ_SERVER_ADDITIONAL_ERL_ARGS": interface,
        }

    def start(self, *, wait: bool = True) -> None:
        with (self._folder / "out").open("ab") as out:
            self.process = subprocess.Popen(
                [str(self._sbin / "rabbitmq-server")],
                env=self.environment,
                stdout=out,
                stderr=subprocess.STDOUT,
                start_new_session=True,  # the runtime has helpers of its own; they end with it
            )
        if wait:
            self.wait()

    def add(self, lines: Sequence[str]) -> None:
        """Add to its settings, before it starts."""
        with (self._folder / "rabbitmq.conf").open("a") as conf:
            conf.write("\n".join(lines) + "\n")

    def wait(self, timeout_s: float = BOOT_S) -> None:
        """Until it takes connections by AMQP and MQTT."""
        try:
            wait_for_port(self.mqtt_port, timeout_s)
            wait_for_port(self.port, timeout_s)
        except OSError:
            pytest.fail(f"the node does not come up: {(self._folder / 'out').read_text()[-2000:]}")

    def stop(self) -> None:
        self._end(signal.SIGTERM)

    def kill(self) -> None:
        self._end(signal.SIGKILL)

    def _end(self, number: signal.Signals) -> None:
        if self.process is not None:
            os.killpg(self.process.pid, number)
            self.process.wait(60)
            self.process = None

    def control(self, *arguments: str) -> str:
        """Run rabbitmqctl on it and return what it says."""
        done = subprocess.run(
            [str(self._sbin / "rabbitmqctl"), "-q", *arguments],
            env=self.environment,
            capture_output=True,
            text=True,
            check=False,
            timeout=120,
        )
        assert done.returncode == 0, done.stdout + done.stderr
        return done.stdout


@dataclass(frozen=True, slots=True, kw_only=True)
class Address:
    """Where the node is that the tests of a run share."""

    port: int
    mqtt_port: int
    tls_port: int
    mqtt_tls_port: int
    folder: str  # with ca.pem


@contextlib.contextmanager
def shared_node(
    folder: Path, conf: Callable[[Path], Sequence[str]], document: dict[str, Any]
) -> Iterator[Address]:
    """Give the node of this test run, started by whichever test process comes first and ended by the last.

    Args:
        folder: that the processes of the run share.
        conf: makes further lines of its settings, with files for them in the folder that it is given.
        document: the definitions to begin with.
    """
    folder.mkdir(exist_ok=True)
    state = folder / "users.json"
    with _locked(folder):
        known = json.loads(state.read_text()) if state.exists() else None
        if known is None:
            known = _start_detached(folder, conf, document)
        known["users"] += 1
        state.write_text(json.dumps(known))
    try:
        yield Address(**known["address"])
    finally:
        with _locked(folder):
            known = json.loads(state.read_text())
            known["users"] -= 1
            state.write_text(json.dumps(known))
            if not known["users"]:
                os.kill(known["keeper"], signal.SIGTERM)
                state.unlink()


def _start_detached(
    folder: Path, conf: Callable[[Path], Sequence[str]], document: dict[str, Any]
) -> dict[str, Any]:
    """Start a process that keeps the node, and is no child of this one: another test process may be the last to need it."""
    installed()
    (folder / "definitions.json").write_text(json.dumps(document))
    tls_port, mqtt_tls_port = free_port(), free_port()
    lines = [
        *conf(folder),
        f"listeners.ssl.1 = 127.0.0.1:{tls_port}",
        f"mqtt.listeners.ssl.1 = 127.0.0.1:{mqtt_tls_port}",
        f"load_definitions = {folder}/definitions.json",
    ]
    (folder / "more.conf").write_text("\n".join(lines))
    command = f'cd "{ROOT}"; "{sys.executable}" -m tests.rabbitmq "{folder}" </dev/null >"{folder}/keeper" 2>&1 & echo $!'
    keeper = int(subprocess.run(["sh", "-c", command], capture_output=True, text=True, check=True).stdout)
    end_s = time.monotonic() + BOOT_S
    while not (folder / "address.json").exists():
        if time.monotonic() > end_s or not Path(f"/proc/{keeper}").exists():
            pytest.fail(f"the node does not come up: {(folder / 'keeper').read_text()[-2000:]}")
        time.sleep(0.1)
    address = json.loads((folder / "address.json").read_text()) | {
        "tls_port": tls_port,
        "mqtt_tls_port": mqtt_tls_port,
        "folder": str(folder),
    }
    return {"users": 0, "keeper": keeper, "address": address}


@contextlib.contextmanager
def _locked(folder: Path) -> Iterator[None]:
    with (folder / "lock").open("w") as file:
        fcntl.flock(file, fcntl.LOCK_EX)
        yield


def main() -> None:
    """Keep a node in the folder that is the argument until SIGTERM or Ctrl-C; say where it is in address.json there."""
    folder = Path(sys.argv[1])
    done = threading.Event()
    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, lambda *_: done.set())
    names = NameServer()
    node = RabbitMq(folder, names, conf=(folder / "more.conf").read_text().splitlines())
    node.start()
    part = folder / "address.part"
    part.write_text(json.dumps({"port": node.port, "mqtt_port": node.mqtt_port}))
    part.replace(folder / "address.json")
    parent_gone_s = 900.0  # a run that was killed leaves nothing behind for longer
    done.wait(parent_gone_s)
    node.kill()
    names.stop()


if __name__ == "__main__":
    main()
