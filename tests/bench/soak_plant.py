"""The plant of a soak: a broker, `linklag worker` and `linklag web` as processes on one SQLite file, 500 drives, their devices."""

import contextlib
import itertools
import json
import os
import secrets
import signal
import subprocess
import sys
import threading
import time
from collections import Counter, deque
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
from paho.mqtt import client as paho
from paho.mqtt.enums import CallbackAPIVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from sensors_sim.chain import SimulatedChain, Wear
from sensors_sim.drive import SimulatedDrive
from sensors_sim.encoding import CONTENT_TYPES, Encoding, encode
from sensors_sim.motion import Motion
from sensors_sim.sensor import Sensor
from service.adapters.argon2_hashes import Argon2Hashes
from service.adapters.database.connect import Database, open_database
from service.adapters.first_password_file import FirstPasswordFile
from service.admit import Admit
from service.core.drive import Baseline, Chain, Drive
from service.core.people import Person, Role, Session
from service.core.route import Route, Way, What
from service.core.setpoint import STEPS, ConditionKind, Override, Scope
from service.set_routes import new_secret
from service.sign_in import hash_of
from tests.bench.soak_judged import Life, Sample
from tests.conftest import Mosquitto, free_port

ROOT = "linklag/v1"
SITES = ("Kiln works", "Press hall", "Clay pit", "Drying sheds", "Yard")
S, US = 1_000_000_000, 1000
WINDOW_S = 10.0
WHOLE, OFFSET, PITCH_MM, LOOP = 20, 0.3, 25.4, 98
LINKLAG = (sys.executable, "-P", "-c", "from service.main import run; run()")
PAGE_MB = os.sysconf("SC_PAGE_SIZE") / 1e6
TICKS = os.sysconf("SC_CLK_TCK")
Identity = tuple[str, int, int]  # drive, t0 in ns, seq


# Processes


class Process:
    """A program that is started, killed and started again, and looked at meanwhile."""

    def __init__(self, name: str, command: tuple[str, ...], environ: dict[str, str], folder: Path) -> None:
        self.name, self._command, self._environ = name, command, environ
        self.log = folder / f"{name}.log"
        self._running: subprocess.Popen[bytes] | None = None
        self.lives: list[Life] = []
        self.ended: dict[
            int, int
        ] = {}  # exit codes, by process id, of those that ended without a kill of ours

    def start(self, t_s: float) -> None:
        with self.log.open("ab") as out:
            self._running = subprocess.Popen(self._command, env=self._environ, stdout=out, stderr=out)
        self.lives.append(Life(self.name, self._running.pid, t_s))

    def send(self, number: int) -> None:
        assert self._running is not None
        self._running.send_signal(number)

    def kill(self) -> None:
        assert self._running is not None
        self._running.kill()
        self._running.wait(10)

    def stop(self) -> int:
        """SIGTERM; return the exit code."""
        assert self._running is not None
        self._running.terminate()
        return self._running.wait(40)

    def end(self) -> None:
        """Whatever became of it."""
        if self._running is not None and self._running.poll() is None:
            self._running.kill()
            self._running.wait(10)

    def look(self, t_s: float) -> None:
        """Sample it; note where it ended by itself."""
        assert self._running is not None
        if self._running.poll() is not None:
            if self._running.returncode != -signal.SIGKILL:
                self.ended[self._running.pid] = self._running.returncode
            return
        with contextlib.suppress(OSError):  # killed at this moment
            self.lives[-1].samples.append(sample_of(self._running.pid, t_s))


def sample_of(pid: int, t_s: float) -> Sample:
    """Return what a process holds now, by /proc."""
    of = Path(f"/proc/{pid}")
    pages = of.joinpath("statm").read_text(encoding="ascii").split()
    fields = of.joinpath("stat").read_text(encoding="utf-8").rpartition(")")[2].split()
    return Sample(
        t_s=t_s,
        rss_mb=int(pages[1]) * PAGE_MB,
        anon_mb=(int(pages[1]) - int(pages[2])) * PAGE_MB,
        fds=len(list(of.joinpath("fd").iterdir())),
        threads=int(fields[17]),
        cpu_s=(int(fields[11]) + int(fields[12])) / TICKS,
    )


class Broker(Mosquitto):
    """The broker of the tests (persistence as in deploy/mosquitto.conf), and its lives."""

    def __init__(self, folder: Path) -> None:
        super().__init__(folder)
        with self._conf.open("a", encoding="utf-8") as conf:
            conf.write("max_queued_bytes 2000000000\npersistent_client_expiration 31d\n")
        self.lives: list[Life] = []

    def start_at(self, t_s: float) -> None:
        self.start()
        assert self.process is not None
        self.lives.append(Life("broker", self.process.pid, t_s))

    def look(self, t_s: float) -> None:
        if self.process is not None and self.process.poll() is None:
            with contextlib.suppress(OSError):
                self.lives[-1].samples.append(sample_of(self.process.pid, t_s))


@dataclass(slots=True)
class Keys:
    """How programs and browsers come in."""

    token: str = ""
    viewer: str = field(default_factory=lambda: secrets.token_urlsafe(32))
    administrator: str = field(default_factory=lambda: secrets.token_urlsafe(32))


class Plant:
    """All of it, in one folder."""

    def __init__(self, folder: Path, *, drives: int, minutes: float, hook_url: str) -> None:
        self.folder, self.file = folder, folder / "data" / "linklag.db"
        self.file.parent.mkdir(parents=True)
        self.web_port, self.broker, self.keys = free_port(), Broker(folder), Keys()
        self.began = time.monotonic()
        self.names = [f"drive-{number:03d}" for number in range(drives)]
        environ = {name: value for name, value in os.environ.items() if not name.startswith("LINKLAG_")} | {
            "LINKLAG_BROKER__PORT": str(self.broker.port),
            "LINKLAG_STORE__FOLDER": str(self.file.parent),
            "LINKLAG_WEB__PORT": str(self.web_port),
            "LINKLAG_WEB__LOGIN": "on",
            "LINKLAG_LOG__FORM": "json",
            "LINKLAG_LOG__LEVEL": "warning",
        }
        self.worker = Process("worker", (*LINKLAG, "worker"), environ, folder)
        self.web = Process("web", (*LINKLAG, "web"), environ, folder)
        with self.store() as store:
            register(store, self.names, minutes)
            let_in(store, self.keys, self.file.parent)
            route = Route(
                route_id="hook",
                way=Way.WEBHOOK,
                target=hook_url,
                secret=new_secret(),
                what=What.EVERYTHING,
                allow_private=True,
            )
            store.outbox.add(route, 0)

    @property
    def now_s(self) -> float:
        """Seconds since `began`."""
        return time.monotonic() - self.began

    @contextlib.contextmanager
    def store(self) -> Iterator[Database]:
        with contextlib.closing(open_database(f"sqlite:///{self.file}")) as database:
            yield database

    def start(self) -> None:
        self.broker.start_at(0.0)
        self.worker.start(0.0)
        self.web.start(0.0)

    def look(self) -> None:
        t_s = self.now_s
        for each in (self.broker, self.worker, self.web):
            each.look(t_s)

    @property
    def lives(self) -> list[Life]:
        """Of all processes."""
        return [*self.worker.lives, *self.web.lives, *self.broker.lives]

    @property
    def alive(self) -> list[Life]:
        """The newest of each process, where it was looked at."""
        newest = [each.lives[-1] for each in (self.broker, self.worker, self.web)]
        return [each for each in newest if each.samples]

    def end(self) -> None:
        self.worker.end()
        self.web.end()
        self.broker.stop()


def register(store: Database, names: list[str], minutes: float) -> None:
    """Drives with a chain and a baseline; steps towards the limit that a tenth of the run shows, in place of ten minutes."""
    fitted_ns = time.time_ns() - 30 * 86_400 * S
    for number, name in enumerate(names):
        store.register.add_drive(
            Drive(
                drive_id=name,
                name=f"{('Infeed', 'Outfeed', 'Lift', 'Turntable')[number % 4]} {number}",
                site=SITES[number % len(SITES)],
                area=f"Hall {number % 12}",
                line=f"{number % 40}",
                drive_class=("feed", "lift")[number % 2],
                whole_pitches=WHOLE,
                offset_pitches=OFFSET,
            )
        )
        chain_id = f"{name}-a"
        known_pct = max(0.0, elongation_at_start(number) - 0.3)  # when the baseline was taken, a month ago
        store.register.fit_chain(
            Chain(
                chain_id=chain_id,
                drive_id=name,
                designation="16B-1",
                pitch_mm=PITCH_MM,
                pitches_in_loop=LOOP,
                fitted_ns=fitted_ns,
            )
        )
        store.register.record_baseline(
            Baseline(
                chain_id=chain_id,
                taken_ns=fitted_ns + S,
                recorded_ns=fitted_ns + S,
                recorded_by="soak",
                why="new",
                pitches_between=(WHOLE + OFFSET) / (1 + known_pct / 100),
                pitches_between_u=0.0005,
                elongation_pct=known_pct,
                elongation_u_pct=0.005,
            )
        )
    delay_s = min(60.0, 6 * minutes)
    for kind, site in itertools.product(STEPS, SITES):
        store.setpoints.put(
            Override(
                scope=Scope.SITE,
                name=site,
                kind=ConditionKind(kind),
                on_s=delay_s,
                off_s=delay_s,
                why="a soak is short",
                by="soak",
                at_ns=time.time_ns(),
            )
        )


def let_in(store: Database, keys: Keys, folder: Path) -> None:
    """A viewer and an administrator with open sessions, and a token that may answer alerts."""
    now_ns = time.time_ns()
    hashes = Argon2Hashes()
    for name, role, secret in (
        ("v.viewer", Role.VIEWER, keys.viewer),
        ("a.admin", Role.ADMINISTRATOR, keys.administrator),
    ):
        hashed = hashes.hashed(secrets.token_urlsafe(16))
        store.people.add(Person(name=name, role=role, password_hash=hashed, added_ns=now_ns))
        store.sessions.open(
            Session(
                secret_hash=hash_of(secret),
                name=name,
                opened_ns=now_ns,
                seen_ns=now_ns,
                ends_ns=now_ns + 12 * 3600 * S,
            )
        )
    admit = Admit(store, hashes, FirstPasswordFile(folder))
    issued = admit.add_token("soak", Role.OPERATOR, days=1, at_ns=now_ns, by="soak")
    keys.token = issued.text


# Devices


def elongation_at_start(number: int) -> float:
    """From new to worn; every tenth a little below a step towards the limit of 3 %."""
    if number % 10:
        return 0.2 + (number * 37 % 170) / 100
    return (2.1, 2.7, 3.0)[number // 10 % 3] - 0.01 - (number * 13 % 70) / 1000


def simulated(number: int, start_ns: int, minutes: float) -> SimulatedDrive:
    """A chain that wears by 0.12 % while the soak lasts, at a speed of its own."""
    speed_m_s = 0.3 + number % 20 / 100
    laps = speed_m_s * 60 * minutes / (PITCH_MM * LOOP / 1000)
    sensor = Sensor(repeatability_mm=0.05)
    return SimulatedDrive(
        chain=SimulatedChain.make(
            pitch_mm=PITCH_MM,
            pitches=LOOP,
            elongation_pct=elongation_at_start(number),
            outer_minus_inner_pct=0.05,
            rng=np.random.default_rng((number, 9)),
        ),
        motion=Motion.constant(speed_m_s),
        spacing_mm=(WHOLE + OFFSET) * PITCH_MM,
        up_to_driver_mm=(WHOLE + OFFSET + 10) * PITCH_MM,
        wear=Wear(pct_per_million_laps=0.12 / laps * 1e6),
        up=sensor,
        down=sensor,
        start_ns=start_ns,
        seed=number,
    )


@dataclass(slots=True)
class Ready:
    """A batch whose window has not ended yet."""

    identity: Identity
    end_ns: int
    topic: str
    payload: bytes
    encoding: Encoding


class Devices:
    """The capture devices, as one client: QoS 1, MQTT 5, and what was not acknowledged is sent again."""

    def __init__(self, port: int, names: list[str], minutes: float) -> None:
        self._names, self._minutes = names, minutes
        self._client = paho.Client(CallbackAPIVersion.VERSION2, "devices", protocol=paho.MQTTv5)
        self._client.max_inflight_messages_set(200)
        self._client.reconnect_delay_set(1, 2)
        self._client.on_publish = lambda _c, _d, mid, reason, _p: self._acks.append((mid, reason.value))
        properties = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]
        properties.SessionExpiryInterval = 3600
        self._client.connect("127.0.0.1", port, clean_start=False, properties=properties)
        self._client.loop_start()
        self._acks: deque[tuple[int, int]] = deque()
        self._waiting: dict[int, Ready] = {}  # by message id
        self._again: deque[tuple[float, Ready]] = deque()  # when they are sent again
        self._last: dict[str, Ready] = {}  # by drive
        self.sent: set[Identity] = set()
        self.acknowledged: set[Identity] = set()
        self.published_ns: dict[tuple[str, int], int] = {}  # by drive and end of the window
        self.answers: Counter[int] = Counter()  # reason codes of the broker
        self.late_s: list[float] = []  # by how much we ourselves published late
        self.orders: deque[list[tuple[str, bytes]]] = deque()  # what else is to be published
        self.repeat: set[str] = set()  # drives whose device sends each batch three times
        self.repeats = self.others = 0
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run, daemon=True)

    def start(self) -> None:
        self._thread.start()

    def wait_for_worker(self, timeout_s: float = 120.0) -> None:
        """Return once the broker keeps what is published, for a worker that subscribed."""
        end_s = time.monotonic() + timeout_s
        while time.monotonic() < end_s:
            self._client.publish(f"{ROOT}/{self._names[0]}/status", b'{"v":1,"online":true}', 1)
            time.sleep(1)
            if self._acks and self._acks.pop()[1] == 0:
                self._acks.clear()
                return
        raise TimeoutError("the worker did not subscribe")

    def finish(self, timeout_s: float = 120.0) -> None:
        """Publish no more; return once the broker has all, or the time is over."""
        self._stop.set()
        self._thread.join(30)
        end_s = time.monotonic() + timeout_s
        while self.acknowledged != self.sent and time.monotonic() < end_s:
            self._take_acks()
            time.sleep(0.05)
        self._client.disconnect()
        self._client.loop_stop()

    def _run(self) -> None:
        """Each drive's window ends at its own moment of every ten seconds; its next batch is made right after."""
        step_ns = int(WINDOW_S * S) // len(self._names)
        begin_ns = (time.time_ns() // S + 1) * S
        drives = [
            simulated(number, begin_ns + number * step_ns // US * US, self._minutes)
            for number in range(len(self._names))
        ]
        ready = [self._next(number, 0, drives[number]) for number in range(len(drives))]
        for seq in itertools.count(1):
            for number, drive in enumerate(drives):
                if self._stop.wait(max(0.0, (ready[number].end_ns - time.time_ns()) / S)):
                    return
                self._publish(ready[number])
                ready[number] = self._next(number, seq, drive)
                self._take_acks()

    def _next(self, number: int, seq: int, drive: SimulatedDrive) -> Ready:
        pulses = drive.run(WINDOW_S)
        fields: dict[str, Any] = {
            "v": 1, "seq": seq, "t0": pulses.t0_ns // US, "tick_ns": pulses.tick_ns, "span_ticks": pulses.span_ticks,
            "up": pulses.up_ticks, "down": pulses.down_ticks, "temp_c": 20.0, "mount_c": 20.0,
        }  # fmt: skip
        encoding = Encoding.CBOR if number % 3 == 0 else Encoding.JSON
        return Ready(
            identity=(self._names[number], pulses.t0_ns, seq),
            end_ns=pulses.t0_ns + pulses.span_ticks * pulses.tick_ns,
            topic=f"{ROOT}/{self._names[number]}/pulses",
            payload=encode(fields, encoding),
            encoding=encoding,
        )

    def _publish(self, batch: Ready) -> None:
        now_ns = time.time_ns()
        name = batch.identity[0]
        self.late_s.append((now_ns - batch.end_ns) / S)
        self.published_ns[name, batch.end_ns // US] = now_ns
        self.sent.add(batch.identity)
        self._last[name] = batch
        self._send(batch)
        if name in self.repeat:
            for _ in range(2):
                self._send(batch)
                self.repeats += 1
        while self.orders:
            for topic, payload in self.orders.popleft():
                self._client.publish(topic, payload, 1)
                self.others += 1

    def _send(self, batch: Ready) -> None:
        properties = Properties(PacketTypes.PUBLISH)  # type: ignore[no-untyped-call]
        properties.ContentType = CONTENT_TYPES[batch.encoding]
        info = self._client.publish(batch.topic, batch.payload, 1, properties=properties)
        self._waiting[info.mid] = batch

    def _take_acks(self) -> None:
        """Acknowledged is what the broker kept for somebody; all else is sent again."""
        while self._acks:
            mid, reason = self._acks.popleft()
            self.answers[reason] += 1
            batch = self._waiting.pop(mid, None)
            if batch is not None and reason == 0:
                self.acknowledged.add(batch.identity)
            elif batch is not None and batch.identity not in self.acknowledged:
                self._again.append((time.monotonic() + 1, batch))
        while self._again and self._again[0][0] <= time.monotonic():
            self._send(self._again.popleft()[1])


def garbage(rng: Any, names: list[str], count: int) -> list[tuple[str, bytes]]:
    """Return topics and payloads that nobody can use: of registered drives, of others, and under topics that are none."""
    whole = json.dumps({"v": 1, "seq": 1, "t0": 0, "up": [1, 2, 3], "down": [2, 3, 4]}).encode()
    made = []
    for _ in range(count):
        payload = rng.choice(
            [
                rng.randbytes(rng.randint(1, 3000)),
                whole[: rng.randint(0, len(whole) - 1)],
                whole.replace(b'"v": 1', b'"v": 7'),
                b"[" * rng.randint(10, 50_000),
                b"\xbf" * rng.randint(10, 50_000),
                whole.replace(b"[1, 2, 3]", b"[3, 2, %d]" % rng.randint(-9, 1)),
            ]
        )
        drive = rng.choice([*rng.sample(names, 3), f"unknown-{rng.randint(0, 30)}", "Not An Id"])
        made.append((f"{ROOT}/{drive}/{rng.choice(['pulses', 'pulses', 'lag', 'status'])}", payload))
    return made
