"""What it costs to look at many drives: the preview of a handover, and a look of who watches; together against one by one.

    .venv/bin/python tests/bench/looks.py [--drives 500] [--rounds 5]

A store as the soak's: drives at five sites, an hour of readings of ten seconds each, in SQLite. One thread, CPU time of the process. Both
ways look at the same, in turns; the documents and the transitions must be the same.
"""

import argparse
import logging
import random
import shutil
import statistics
import sys
import tempfile
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import TypeVar

import structlog

sys.path.insert(0, str(Path(__file__).parents[2]))

from service import hand_over, watch
from service.adapters.database.connect import Database, open_database
from service.core.handover import canonical, sha256_of
from service.core.reading import Reading
from service.hand_over import HandOver
from service.watch import Watch
from tests.adapters.web.plant import reading_of
from tests.bench.soak_plant import SITES, elongation_at_start, register

S = 1_000_000_000
MINUTES = 60
PER_MINUTE = 6
SITE = SITES[0]
T = TypeVar("T")


def a_reading(name: str, number: int, t_ns: int, grown: float, seq: int, rng: random.Random) -> Reading:
    pct = elongation_at_start(number) + grown + rng.gauss(0, 0.004)
    return replace(reading_of(name, 0, pct, seq=seq), t_ns=t_ns, t0_ns=t_ns - 10 * S)


def fill(store: Database, names: list[str], now_ns: int) -> None:
    register(store, names, MINUTES)
    rng, windows = random.Random(5), MINUTES * PER_MINUTE
    for window in range(windows):
        t_ns = now_ns - (windows - 1 - window) * 10 * S
        grown = 0.12 * window / windows
        store.readings.store(
            [
                a_reading(name, number, t_ns - number * S // 100, grown, window, rng)
                for number, name in enumerate(names)
            ]
        )
    while store.readings.roll_up():
        pass


def cpu_s(action: Callable[[], T]) -> tuple[float, T]:
    began_s = time.process_time()
    found = action()
    return time.process_time() - began_s, found


def previews(store: Database, now_ns: int, rounds: int) -> None:
    """The document of one site's shift, with the sensing known already, as its page has it."""
    door = HandOver(store)
    healths = dict.fromkeys((each.drive_id for each in store.register.drives()), None)
    took: dict[int, list[float]] = {100: [], 1: []}
    said = set()
    for _ in range(rounds):
        for at_once, into in took.items():
            hand_over.DRIVES_AT_ONCE = at_once
            spent_s, content = cpu_s(lambda: door.preview(SITE, at_ns=now_ns, healths=healths))
            into.append(spent_s)
            said.add(sha256_of(canonical(content)))
    assert len(said) == 1, "the same document both ways"
    tell(f"preview of a site with {len(store.register.drives()) // len(SITES)} drives", took)


def looks(path: Path, names: list[str], now_ns: int, rounds: int) -> None:
    """Looks at all drives, each with one new reading, of a store for each way."""
    took: dict[int, list[float]] = {100: [], 1: []}
    said = set()
    for at_once, into in took.items():
        own = path.with_suffix(f".{at_once}")
        shutil.copy(path, own)
        store = open_database(f"sqlite:///{own}")
        watch.DRIVES_AT_ONCE = at_once
        clock, rng = [now_ns], random.Random(3)
        watcher = Watch(store, now_ns=lambda clock=clock: clock[0])  # type: ignore[misc]
        for _ in range(3):
            watcher.turn()
        for turn in range(rounds):
            clock[0] += 10 * S
            new = [
                a_reading(name, number, clock[0] - S // 2, 0.12, 1000 + turn, rng)
                for number, name in enumerate(names)
            ]
            store.readings.store(new)
            spent_s, looked_at = cpu_s(watcher.turn)
            assert looked_at == len(names)
            into.append(spent_s)
        said.add(repr([replace(each, number=0) for each in store.alert_log.after(-1, 100_000)]))
        store.close()
    assert len(said) == 1, "the same transitions both ways"
    tell(f"look at {len(names)} drives with one new reading each", took)


def tell(what: str, took: dict[int, list[float]]) -> None:
    together, alone = (statistics.median(took[at_once]) for at_once in (100, 1))
    print(f"{what}: together {together:.2f} s, one by one {alone:.2f} s of CPU, {alone / together:.1f} times")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else "")
    parser.add_argument("--drives", type=int, default=500)
    parser.add_argument("--rounds", type=int, default=5)
    asked = parser.parse_args()
    structlog.configure(wrapper_class=structlog.make_filtering_bound_logger(logging.WARNING))
    names = [f"drive-{number:03d}" for number in range(asked.drives)]
    with tempfile.TemporaryDirectory() as folder:
        path, now_ns = Path(folder) / "linklag.db", time.time_ns()
        store = open_database(f"sqlite:///{path}")
        fill(store, names, now_ns)
        previews(store, now_ns, asked.rounds)
        store.close()
        looks(path, names, now_ns, asked.rounds)


if __name__ == "__main__":
    main()
