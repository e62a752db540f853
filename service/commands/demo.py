"""`linklag demo`: all of it on one machine, on an invented plant, leaving nothing behind.

Knows which processes and folders the demo needs, and what in the store is worth a line on standard output. Must
not know the plant: the simulator says what it is, and what happens in it.
"""

import contextlib
import os
import signal
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Iterator, Mapping
from datetime import time as clock
from pathlib import Path
from types import FrameType

import typer

from service.adapters.database.connect import Database
from service.adapters.register_files import read_toml
from service.commands import CommandError
from service.commands.child import Child
from service.commands.demo_broker import DemoBroker, free_port
from service.commands.demo_past import enter_past
from service.commands.logs import configure_logging
from service.commands.memory import all_is_loaded
from service.commands.parts import opened_database
from service.commands.serve import parts_of
from service.commands.simulate import SIMULATOR
from service.commands.supervise import STOP_SIGNALS, Part, run_parts
from service.core.alert import Event
from service.core.batch import RejectionReason
from service.core.condition_words import ENGLISH
from service.core.drive import Drive, limit
from service.core.planned_stop import PlannedStop
from service.core.reading import NotMeasured, Reading
from service.core.setpoint import STEPS, ConditionKind, Override, Scope
from service.core.shift import Pattern, Site, Slot
from service.operate import Operate
from service.ports import StoreUnavailableError
from service.settings import Broker, Settings, Store, Web, Worker

PLANT = "brickworks"
BROKER_PORT = 18830  # or the next that is free
SIMULATOR_S = 30.0  # in which it must have answered what it is asked at the start
LOOK_S = 0.5
HOUR_NS = 3600 * 10**9
STOP_IN_NS = 6 * HOUR_NS
LEAD_MIN = 3.0  # that a new chain takes to come, in the demo
LOG_LINES_SHOWN = 12


def run_demo(*, minutes: float | None, port: int, keep: Path | None, speed: float) -> int:
    """Run the demo until a signal or the time ends it; return the exit code.

    Args:
        minutes: after which it ends by itself; None: until a signal.
        port: of the page; the next free one is taken.
        keep: folder for database and logs; None: a temporary one, removed at the end.
        speed: multiplies the wear of every chain.
    """
    with _signals_leave(), _folder(keep) as folder, _log_in(folder) as log:
        settings = Settings(
            broker=Broker(port=free_port(BROKER_PORT)),
            store=Store(folder=folder),
            web=Web(port=free_port(port)),
            worker=Worker(roll_up_s=1, watch_s=1, judge_s=60, foretell_s=10),
        )
        with DemoBroker(folder, settings.broker.port) as broker, opened_database(settings) as database:
            _register_plant(database)
            _plan_work(database)
            enter_past(database, _ask_simulator("past", PLANT), time.time_ns())
            _shorten_delays(database)
            _greet(settings, folder, keep)
            parts = _parts(settings, database, broker, folder, speed)
            all_is_loaded()
            code = run_parts(parts, minutes=minutes)
            _ignore_signals()
        if code:
            _say_why(log)
        _say(f"ended; database and logs are in {keep}" if keep else "ended; nothing is left behind")
    return code


def _parts(
    settings: Settings, database: Database, broker: DemoBroker, folder: Path, speed: float
) -> list[Part]:
    """Return the parts in the order in which they depend on each other; the simulator comes last and goes first."""
    where = ("--port", str(settings.broker.port), "--root", settings.broker.root)
    simulator = Child("sim", [*SIMULATOR, "run", PLANT, *where, "--speedup", str(speed)], folder / "sim.log")
    teller = Teller(database)

    def simulate() -> None:
        simulator.start()
        simulator.wait()

    return [
        Part(name="broker", run=broker.watch, stop=broker.stop),
        *parts_of(settings, database, worker=True, web=True),
        Part(name="teller", run=teller.run, stop=teller.stop),
        Part(name="simulator", run=simulate, stop=simulator.stop),
    ]


class Teller:
    """Tells in a line each what happens to the drives, as the store has it; the same thing once."""

    def __init__(self, database: Database) -> None:
        self._database = database
        self._stop = threading.Event()
        self._started_s = time.monotonic()
        self._told: set[tuple[str, str]] = set()
        self._number = 0  # of the newest transition that was seen
        self._silent: dict[str, str] = {}

    def run(self) -> None:
        """Look and tell until `stop`."""
        while not self._stop.wait(LOOK_S):
            with contextlib.suppress(StoreUnavailableError):
                self.look()

    def stop(self) -> None:
        """Make `run` return."""
        self._stop.set()

    def look(self) -> None:
        """Tell what is new since the last look."""
        drives = {drive.drive_id: drive for drive in self._database.register.drives()}
        newest = [each for each in self._database.readings.newest() if each.drive_id in drives]
        if len(newest) == len(drives):
            self._tell_once("all", "first", f"all {len(drives)} registered drives have a reading")
        for each in newest:
            drive = drives[each.drive_id]
            self._look_at_sensors(drive, each.reading)
            if each.measured is not None:
                self._look_at_limit(drive, each.measured)
        self._tell_alerts(drives)
        for sighting in self._database.refused.sightings():
            self._tell_once(
                sighting.drive_id, "seen", f"{sighting.drive_id}: publishes, and nobody registered it"
            )
        for kept in self._database.refused.rejections():
            refused = kept.rejection
            if refused.reason is not RejectionReason.UNREGISTERED:
                self._tell_once(
                    refused.drive_id,
                    "refused",
                    f"{refused.drive_id}: a message was refused and kept. {refused.detail}",
                )

    def _tell_alerts(self, drives: Mapping[str, Drive]) -> None:
        """Tell what people are told of, and what cleared that they were told of."""
        for each in self._database.alert_log.after(self._number):
            self._number = each.number
            if each.drive_id not in drives:
                continue
            alert = f"alert, {each.priority.name.lower()} priority: {ENGLISH[each.kind].title.lower()}"
            if each.annunciates:
                cause = each.act.facts.cause if each.act.facts else ""
                self._tell(f"{_named(drives[each.drive_id])}: {alert}. {cause}")
            elif each.act.event is Event.CLEAR and not each.holds:
                self._tell(f"{_named(drives[each.drive_id])}: cleared, {ENGLISH[each.kind].title.lower()}")

    def _look_at_limit(self, drive: Drive, measured: Reading) -> None:
        bound, elongation_pct = limit(drive), measured.elongation_pct
        if elongation_pct is None or measured.elongation_u_pct is None or elongation_pct < bound.limit_pct:
            return
        reads = f"{elongation_pct:.3f} % +/- {2 * measured.elongation_u_pct:.3f} % (k = 2)"
        line = f"{_named(drive)} crossed its limit: {reads}, limit {bound.limit_pct:.3g} %"
        self._tell_once(drive.drive_id, "limit", line)

    def _look_at_sensors(self, drive: Drive, reading: Reading) -> None:
        silent = ""
        if reading.reason is NotMeasured.SENSOR_SILENT:
            silent = "up" if reading.up_pulses < reading.down_pulses else "down"
        if silent == self._silent.get(drive.drive_id, ""):
            return
        self._silent[drive.drive_id] = silent
        self._tell(
            f"{_named(drive)}: sensor `{silent}` fell silent"
            if silent
            else f"{_named(drive)}: both sensors pulse again"
        )

    def _tell_once(self, drive_id: str, what: str, line: str) -> None:
        if (drive_id, what) not in self._told:
            self._told.add((drive_id, what))
            self._tell(line)

    def _tell(self, line: str) -> None:
        minutes, seconds = divmod(int(time.monotonic() - self._started_s), 60)
        _say(f"{minutes:4}:{seconds:02}  {line}")


def _say(line: str) -> None:
    """Print a line. Where nobody reads any more, the demo goes on without: the page is still there."""
    try:
        typer.echo(line)
    except BrokenPipeError:
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())


def _named(drive: Drive) -> str:
    return f"{drive.drive_id} ({drive.name})" if drive.name else drive.drive_id


def _register_plant(database: Database) -> None:
    registrations = read_toml(_ask_simulator("register", PLANT))
    operate = Operate(database.register, database.refused, database.readings)
    result = operate.import_registrations(registrations, at_ns=time.time_ns(), by="demo")
    if result.errors:
        raise CommandError(
            f"the demo's plant was refused: {result.errors[0].drive_id} {result.errors[0].detail}"
        )


def _plan_work(database: Database) -> None:
    """Give the sites three shifts, and each line a stop to change chains in, so that handover and plan show something."""
    now_ns = time.time_ns()
    hours = (("Early", 6, 14), ("Late", 14, 22), ("Night", 22, 6))
    slots = tuple(Slot(name=name, starts=clock(starts), ends=clock(ends)) for name, starts, ends in hours)
    for site in sorted({drive.site for drive in database.register.drives()}):
        database.sites.put(Site(site=site, pattern=Pattern(slots)))
        database.planned_stops.add(
            PlannedStop(
                name="Maintenance stop",
                site=site,
                starts_ns=now_ns + STOP_IN_NS,
                ends_ns=now_ns + STOP_IN_NS + 4 * HOUR_NS,
                note="invented, as all of this plant",
                by="demo",
                recorded_ns=now_ns,
            )
        )


def _shorten_delays(database: Database) -> None:
    """Let elongation be told after seconds: what takes months in a plant takes minutes here."""
    for site in sorted({drive.site for drive in database.register.drives()}):
        for kind in STEPS:
            database.setpoints.put(
                Override(
                    scope=Scope.SITE,
                    name=site,
                    kind=kind,
                    on_readings=2,
                    on_s=2.0,
                    off_readings=2,
                    off_s=2.0,
                    why="wear is sped up many thousand times in this demo",
                    by="demo",
                    at_ns=time.time_ns(),
                )
            )
        database.setpoints.put(
            Override(
                scope=Scope.SITE,
                name=site,
                kind=ConditionKind.LIMIT_WITHIN_LEAD_TIME,
                value=LEAD_MIN / 1440,
                deadband=LEAD_MIN / 1440 / 4,
                why="wear is sped up many thousand times in this demo",
                by="demo",
                at_ns=time.time_ns(),
            )
        )


def _greet(settings: Settings, folder: Path, keep: Path | None) -> None:
    page = f"http://{settings.web.host}:{settings.web.port}"
    about = next((line for line in _ask_simulator("list").splitlines() if line.split()[:1] == [PLANT]), PLANT)
    _say(f"""
  page    {page}/
  API     {page}/api/v1/readings/newest
  broker  {settings.broker.host}:{settings.broker.port}, topics {settings.broker.root}/<drive>/...
  data    {folder}{"" if keep else ", removed at the end"}

{" ".join(about.split()[1:])}
The plant is invented; wear that shows within minutes is sped up many thousand times. End with Ctrl-C.
""")


def _ask_simulator(*arguments: str) -> str:
    """Return what the simulator prints."""
    try:
        done = subprocess.run(  # noqa: S603 (the command is ours)
            [*SIMULATOR, *arguments], capture_output=True, text=True, timeout=SIMULATOR_S, check=True
        )
    except (subprocess.SubprocessError, OSError) as error:
        said = getattr(error, "stderr", None) or error
        raise CommandError(f"the simulator does not answer: {said}") from None
    return done.stdout


@contextlib.contextmanager
def _folder(keep: Path | None) -> Iterator[Path]:
    """Give the folder of the demo's files, removed at the end unless it is to be kept."""
    if keep is None:
        with tempfile.TemporaryDirectory(prefix="linklag-demo-") as folder:
            yield Path(folder)
        return
    if (keep / "linklag.db").exists():
        raise CommandError(f"{keep} holds a database already: give --keep another folder")
    try:
        keep.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise CommandError(f"{keep} cannot be made: {error.strerror}") from None
    yield keep


@contextlib.contextmanager
def _log_in(folder: Path) -> Iterator[Path]:
    """Send the log to a file: standard output is for what happens in the plant."""
    path = folder / "linklag.log"
    with path.open("a", encoding="utf-8", buffering=1) as log:
        configure_logging(to=log)
        try:
            yield path
        finally:
            configure_logging(level="warning")


def _say_why(log: Path) -> None:
    typer.echo("the demo failed; the end of its log:", err=True)
    lines = [line for line in log.read_text(encoding="utf-8").splitlines() if "[info " not in line]
    for line in lines[-LOG_LINES_SHOWN:]:
        typer.echo(f"  {line}", err=True)


@contextlib.contextmanager
def _signals_leave() -> Iterator[None]:
    """Let a signal leave through all contexts, so that they clean up, also while the demo is still being set up."""

    def leave(number: int, _frame: FrameType | None) -> None:
        raise SystemExit(128 + number)

    before = {number: signal.signal(number, leave) for number in STOP_SIGNALS}
    try:
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)


def _ignore_signals() -> None:
    """Cleaning up takes a moment and must not be cut short."""
    for number in STOP_SIGNALS:
        signal.signal(number, signal.SIG_IGN)
