"""An hour at 500 drives with random faults: is anything lost, does memory or latency creep, do descriptors leak?

    .venv/bin/python -m tests.bench.soak --drives 500 --minutes 60 [--seed 1] [--folder DIR]

A mosquitto with persistence, `linklag worker` and `linklag web` as processes on SQLite with logins on, settings as shipped. Each drive's
device publishes a batch of a window of ten seconds every ten seconds (QoS 1, evenly spread, JSON and CBOR); a tenth of the chains wear over
a step towards their limit, and a webhook takes what happens to alerts. Twenty open pages, one page load a second, one program that asks
the API. What is broken when is drawn from the seed and printed (`soak_judged.planned`), and ends after two thirds of the time.

Latency is taken from a batch's publication, at the end of its window, until a program's data stream has it. Memory and descriptors of each
incarnation are judged from its sixth minute on, if it lives for 20 more: Theil-Sen slope of the medians of each minute. At the end all
that the broker acknowledged to the devices is looked for in the store, and all transitions of alerts at the receiver.
"""

import argparse
import json
import os
import random
import signal
import sqlite3
import statistics
import sys
import tempfile
import threading
import time
from collections import Counter
from collections.abc import Callable, Iterable
from contextlib import closing
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Any

import service
from tests.bench.soak_judged import (
    KILLS,
    LASTING,
    Fault,
    Planned,
    Window,
    latency_slope,
    latency_table,
    lives_table,
    planned,
    table,
)
from tests.bench.soak_plant import Devices, Identity, Plant, garbage
from tests.bench.soak_viewers import STREAMS, Asking, Follower, Viewers, load_a_page, use_the_api
from tests.conftest import wait_for_port
from tests.receiver import Receiver, a_receiver

LOOK_S = 10.0
DRAIN_S = 300.0


@dataclass(slots=True)
class Soak:
    """All that runs, and what was noted of it."""

    plant: Plant
    devices: Devices
    viewers: Viewers
    follower: Follower
    loads: Asking
    program: Asking
    receiver: Receiver
    rng: random.Random
    windows: list[Window] = field(default_factory=list)
    load: list[float] = field(default_factory=list)  # the machine's load average
    garbage_sent: int = 0

    def start(self) -> None:
        for each in (self.devices, self.viewers, self.follower, self.loads, self.program):
            each.start()

    def stop_looking(self) -> None:
        for each in (self.viewers, self.follower):
            each.stop()


def say(soak: Soak, text: str) -> None:
    print(f"{soak.plant.now_s / 60:6.2f} min  {text}", file=sys.stderr, flush=True)


def until(condition: Callable[[], bool], timeout_s: float) -> bool:
    end_s = time.monotonic() + timeout_s
    while not condition():
        if time.monotonic() > end_s:
            return False
        time.sleep(0.1)
    return True


# Faults


def make(soak: Soak, each: Planned) -> None:
    """Break what is to be broken; come back once it is whole again."""
    plant, begin_s = soak.plant, soak.plant.now_s
    say(soak, each.fault)
    match each.fault:
        case Fault.KILL_WORKER:
            plant.worker.kill()
            plant.worker.start(plant.now_s)
        case Fault.KILL_WEB:
            plant.web.kill()
            plant.web.start(plant.now_s)
        case Fault.STOP_BROKER:
            plant.broker.stop()
            time.sleep(2)
            plant.broker.start_at(plant.now_s)
        case Fault.PAUSE_WORKER:
            plant.worker.send(signal.SIGSTOP)
            time.sleep(each.lasts_s)
            plant.worker.send(signal.SIGCONT)
        case Fault.LOCK_STORE:
            lock(plant.file, each.lasts_s)
        case Fault.GARBAGE:
            made = garbage(soak.rng, plant.names, 200)
            soak.garbage_sent += len(made)
            soak.devices.orders.append(made)
        case Fault.REPEAT:
            soak.devices.repeat = set(soak.rng.sample(plant.names, 5))
        case Fault.LEAVE:
            soak.viewers.cut(soak.rng.sample(range(STREAMS), 7))
    if each.fault in KILLS or each.fault in LASTING:
        soak.windows.append(Window(begin_s, plant.now_s, each.fault))


def lock(file: Path, lasts_s: float) -> None:
    with closing(sqlite3.connect(file, timeout=30, isolation_level=None)) as connection:
        connection.execute("BEGIN IMMEDIATE")
        time.sleep(lasts_s)
        connection.execute("ROLLBACK")


def break_things(soak: Soak, plan: Iterable[Planned], stop: threading.Event) -> None:
    for each in plan:
        if stop.wait(max(0.0, each.at_s - soak.plant.now_s)):
            return
        make(soak, each)


# At the end


@dataclass(slots=True)
class Counted:
    """What the store and the receiver held at the end."""

    stored: set[Identity]
    rolled_up: int
    measured: int
    transitions: dict[int, tuple[str, str]]  # kind and event, by number
    rejected: int
    waiting: int
    megabytes: dict[str, float]
    tables: Counter[str]


def count(plant: Plant) -> Counted:
    with closing(sqlite3.connect(f"file:{plant.file}?mode=ro", uri=True, timeout=30)) as at:

        def number(query: str) -> int:
            return int(at.execute(query).fetchone()[0] or 0)

        rows = at.execute("SELECT drive_id, t0_ns, seq FROM reading JOIN drive_number USING (drive_no)")
        names = [
            name for (name,) in at.execute("SELECT name FROM sqlite_master WHERE type = 'table'").fetchall()
        ]
        return Counted(
            stored={(drive, t0_ns, seq) for drive, t0_ns, seq in rows},
            rolled_up=number("SELECT sum(readings) FROM roll_up WHERE resolution_s = 60"),
            measured=number("SELECT count(*) FROM reading WHERE reason IS NULL"),
            transitions={
                row[0]: (row[1], row[2])
                for row in at.execute("SELECT number, kind, event FROM alert_transition")
            },
            rejected=number("SELECT sum(repeats + 1) FROM rejection"),
            waiting=number("SELECT count(*) FROM outgoing WHERE route_id = 'hook'"),
            megabytes={
                file.name: file.stat().st_size / 1e6 for file in sorted(plant.file.parent.glob("linklag.db*"))
            },
            tables=Counter(
                {name: number(f"SELECT count(*) FROM {name}") for name in names}  # noqa: S608 - our own tables
            ),
        )


def drained(plant: Plant, wanted: int) -> bool:
    """Whether all is stored, rolled up and delivered."""
    with closing(sqlite3.connect(f"file:{plant.file}?mode=ro", uri=True, timeout=30)) as at:

        def number(query: str) -> int:
            return int(at.execute(query).fetchone()[0] or 0)

        position = number("SELECT position FROM delivery WHERE route_id = 'hook'")
        return (
            number("SELECT count(*) FROM reading") >= wanted
            and number("SELECT sum(readings) FROM roll_up WHERE resolution_s = 60") >= wanted
            and number("SELECT count(*) FROM watch_due") == 0
            and number("SELECT count(*) FROM outgoing WHERE route_id = 'hook'") == 0
            and position >= number("SELECT max(number) FROM alert_transition")
        )


def arrived(receiver: Receiver) -> tuple[set[int], int]:
    """Return the numbers of the transitions that the receiver got, and how many events came again."""
    numbers = [json.loads(got.body)["data"]["number"] for got in receiver.got]
    return set(numbers), len(numbers) - len(set(numbers))


def log_lines(file: Path) -> list[dict[str, Any]]:
    """Return the lines of a log; one that is no JSON (a traceback of the interpreter) is an error without words of ours."""
    found = []
    for line in file.read_text(encoding="utf-8", errors="replace").splitlines():
        try:
            found.append(json.loads(line))
        except ValueError:
            found.append({"level": "error", "event": f"no JSON: {line[:100]}"})
    return found


def log_table(plant: Plant) -> str:
    """Return how often each kind of line above info came, with its first example."""
    seen: Counter[tuple[str, str, str]] = Counter()
    first: dict[tuple[str, str, str], str] = {}
    for process in (plant.worker, plant.web):
        for line in log_lines(process.log):
            key = (process.name, str(line.pop("level", "")), str(line.pop("event", ""))[:100])
            seen[key] += 1
            line.pop("timestamp", None)
            first.setdefault(key, " ".join(f"{name}={str(value)[-200:]!r}" for name, value in line.items()))
    rows = [
        (*key, times, first[key].replace("\n", " ").replace("|", "/"))
        for key, times in sorted(seen.items(), key=lambda each: (each[0][1], -each[1]))
    ]
    return table(("process", "level", "line", "times", "first example"), rows)


def report(soak: Soak, counted: Counted, minutes: float) -> bool:
    """Print all of it; return whether nothing was lost and nobody's request failed."""
    plant, devices = soak.plant, soak.devices
    lost = devices.acknowledged - counted.stored
    foreign = counted.stored - devices.sent
    numbers, again = arrived(soak.receiver)
    missing = counted.transitions.keys() - numbers
    took = sorted(soak.follower.seen)
    whole = [took_s for _, took_s in took]
    rows: list[tuple[object, ...]] = [
        ("batches sent", len(devices.sent)),
        ("acknowledged to the devices by the broker", len(devices.acknowledged)),
        ("stored, distinct", len(counted.stored)),
        ("acknowledged and not stored (lost)", len(lost)),
        ("stored and never sent", len(foreign)),
        (
            "readings in roll-ups by the minute (more than stored: counted twice)",
            counted.rolled_up,
        ),
        ("measured", counted.measured),
        ("repeats sent by devices", devices.repeats),
        ("garbage sent; refused messages kept, repeats among them", f"{soak.garbage_sent}; {counted.rejected}"),
        ("answers of the broker to the devices, by reason code", dict(devices.answers)),
        ("published late by the bench itself, median, 99th, s", quantiles(devices.late_s)),
        ("transitions of alerts", len(counted.transitions)),
        ("of these never delivered; delivered again; still waiting", f"{len(missing)}; {again}; {counted.waiting}"),
        (
            "alerts that occurred",
            dict(Counter(kind for kind, event in counted.transitions.values() if event == "occur")),
        ),
        ("readings seen by the stream; overtaken or unseen", f"{len(took)}; {len(devices.sent) - len(took)}"),
        ("latency over all, median, 99th, s", quantiles(whole)),
        ("slope of calm latency, s/h", latency_slope(took, soak.windows) or "too short"),
        ("pages loaded, by status", dict(soak.loads.asked.statuses)),
        ("pages, median, 99th, s", quantiles(soak.loads.asked.took_s)),
        ("API, by status", dict(soak.program.asked.statuses)),
        ("API, median, 99th, s", quantiles(soak.program.asked.took_s)),
        ("not answered while the page was down (pages, API)", f"{soak.loads.asked.unanswered}, {soak.program.asked.unanswered}"),
        ("connections of viewers; of the program's stream; MB to viewers", f"{soak.viewers.connected}; {soak.follower.connections}; {soak.viewers.bytes / 1e6:.0f}"),
        ("timed out after 30 s (pages, API)", f"{soak.loads.asked.timed_out}, {soak.program.asked.timed_out}"),
        ("slowest page, slowest of the API", f"{soak.loads.asked.slowest}, {soak.program.asked.slowest}"),
        ("viewers refused", dict(soak.viewers.trouble)),
        ("store, MB", {name: round(size, 1) for name, size in counted.megabytes.items()}),
        ("largest tables, rows", dict(counted.tables.most_common(8))),
        ("ended by themselves (exit codes by process id), worker and web", f"{plant.worker.ended}, {plant.web.ended}"),
        ("load average of the machine, median, most", f"{statistics.median(soak.load):.1f}, {max(soak.load):.1f}"),
    ]  # fmt: skip
    print(f"\n## {len(plant.names)} drives, {minutes:g} minutes\n\n" + table(("what", "counted"), rows))
    print("\n### Processes\n\n" + lives_table(plant.lives))
    print("\n### Latency, publication to stream\n\n" + latency_table(took, soak.windows))
    print("\n### Log\n\n" + log_table(plant))
    wrong = [*soak.loads.asked.wrong, *soak.program.asked.wrong]
    for each in wrong:
        print(f"- server error: {each}")
    whole_again = devices.acknowledged == devices.sent == counted.stored
    return whole_again and counted.rolled_up == len(counted.stored) and not missing and not wrong


def quantiles(values: list[float]) -> str:
    if not values:
        return ""
    ordered = sorted(values)
    return f"{statistics.median(ordered):.3f}, {ordered[int(0.99 * (len(ordered) - 1))]:.3f}"


# The story


def run(folder: Path, drives: int, minutes: float, seed: int) -> bool:
    with a_receiver() as receiver:
        plant = Plant(folder, drives=drives, minutes=minutes, hook_url=receiver.url)
        plan = planned(seed, minutes)
        rows = [(f"{each.at_s / 60:.2f}", each.fault, f"{each.lasts_s:g}") for each in plan]
        print(f"linklag of {Path(service.__path__[0]).resolve()}, seed {seed}, folder {folder}\n")
        print(table(("minute", "fault", "s"), rows), flush=True)
        try:
            plant.began = time.monotonic()
            plant.start()
            soak = put_together(plant, receiver, minutes, seed)
            return go_through(soak, plan, minutes)
        finally:
            plant.end()


def put_together(plant: Plant, receiver: Receiver, minutes: float, seed: int) -> Soak:
    devices = Devices(plant.broker.port, plant.names, minutes)
    return Soak(
        plant=plant,
        devices=devices,
        viewers=Viewers(plant),
        follower=Follower(plant, devices),
        loads=Asking(plant, 1.0, load_a_page),
        program=Asking(plant, 2.0, use_the_api),
        receiver=receiver,
        rng=random.Random(seed),
    )


def go_through(soak: Soak, plan: list[Planned], minutes: float) -> bool:
    plant, stop = soak.plant, threading.Event()
    soak.devices.wait_for_worker()
    wait_for_port(plant.web_port, 120)
    soak.start()
    breaking = threading.Thread(target=break_things, args=(soak, plan, stop), daemon=True)
    breaking.start()
    with (plant.folder / "samples.jsonl").open("w", encoding="utf-8") as out:
        while plant.now_s < 60 * minutes:
            plant.look()
            soak.load.append(os.getloadavg()[0])
            for life in plant.alive:
                out.write(json.dumps({"name": life.name, "pid": life.pid, **asdict(life.samples[-1])}) + "\n")
            time.sleep(LOOK_S - plant.now_s % LOOK_S)
    stop.set()
    breaking.join(60)
    for each in (soak.loads, soak.program):  # which answers alerts, too
        each.stop()
    soak.devices.finish()
    say(soak, f"published {len(soak.devices.sent)}; draining")
    if not until(lambda: drained(plant, len(soak.devices.sent)), DRAIN_S):
        say(soak, "not all was drained")
    soak.stop_looking()
    codes = plant.worker.stop(), plant.web.stop()
    say(soak, f"exit codes of worker and web: {codes}")
    return report(soak, count(plant), minutes)


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else "")
    parser.add_argument("--drives", type=int, default=500)
    parser.add_argument("--minutes", type=float, default=60)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--folder", type=Path, help="keep store and logs there; must not exist")
    given = parser.parse_args()
    if given.folder is not None:
        given.folder.mkdir(parents=True)
        return 0 if run(given.folder, given.drives, given.minutes, given.seed) else 1
    with tempfile.TemporaryDirectory() as folder:
        return 0 if run(Path(folder), given.drives, given.minutes, given.seed) else 1


if __name__ == "__main__":
    sys.exit(main())
