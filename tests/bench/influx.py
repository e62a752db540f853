"""Storing a flush and reading a year, InfluxDB against SQLite: `python -m tests.bench.influx`. Read ratios, not absolutes.

Both take turns, on the same machine and disk: a flush of 200 live readings of 20 drives, durable; a year of one drive by the
hour, by the day, and its raw readings.
"""

import argparse
import statistics
import tempfile
import time
from collections.abc import Callable
from dataclasses import replace
from functools import partial
from pathlib import Path

from service.adapters.database.connect import Database, open_database
from service.adapters.influx.readings import InfluxReadings
from service.core.reading import Reading
from service.ports import Resolution
from tests.contracts.given import NOON_NS, S, a_reading
from tests.influx import InfluxServer

FLUSH, DRIVES = 200, 20
YEAR_NS = 365 * 86_400 * S


def a_flush(number: int) -> list[Reading]:
    """200 readings, ten after each other of each of 20 drives."""
    return [
        replace(a_reading(10 * (10 * number + n), 0.5 + n / 1e4, seq=10 * number + n), drive_id=f"d{drive}")
        for n in range(FLUSH // DRIVES)
        for drive in range(DRIVES)
    ]


def a_year() -> list[Reading]:
    """One drive, a reading every hour."""
    return [a_reading(3600 * n, 0.5 + n / 1e5, seq=n + 8760) for n in range(-8760, 0)]


def timed(what: Callable[[], object]) -> float:
    """Return milliseconds."""
    began = time.perf_counter()
    what()
    return (time.perf_counter() - began) * 1000


def told(name: str, influx: list[float], sqlite: list[float]) -> None:
    """Print medians and their ratio."""
    one, other = statistics.median(influx), statistics.median(sqlite)
    ratios = sorted(a / b for a, b in zip(influx, sqlite, strict=True))
    spread = f"{ratios[len(ratios) // 10]:.1f} to {ratios[-1 - len(ratios) // 10]:.1f}"
    print(f"| {name} | {one:.1f} | {other:.1f} | {one / other:.1f} ({spread}) |", flush=True)


def store_year(database: Database) -> None:
    """Store it as a move would, and roll all of it up."""
    year = a_year()
    for start in range(0, len(year), 5000):
        database.readings.store(year[start : start + 5000])
    while database.readings.roll_up():
        pass


def main() -> None:
    """Run both in turns."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--flushes", type=int, default=60)
    parser.add_argument("--queries", type=int, default=15)
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        server = InfluxServer(Path(folder))
        server.start()
        server.ask("CREATE DATABASE bench")
        print(
            f"InfluxDB {server.version()}\n| ms | InfluxDB | SQLite | ratio (tenth to ninth tenth) |\n|---|---|---|---|"
        )
        influx = open_database(
            f"sqlite:///{folder}/books.db", series=partial(InfluxReadings, server.client("bench"))
        )
        sqlite = open_database(f"sqlite:///{folder}/all.db")
        both = (influx, sqlite)
        flushes: tuple[list[float], list[float]] = ([], [])
        for number in range(asked.flushes):
            flush = a_flush(number)
            for database, times in zip(both, flushes, strict=True):
                times.append(timed(lambda database=database, flush=flush: database.readings.store(flush)))  # type: ignore[misc]
        told("a flush of 200 live readings, durable", *(times[5:] for times in flushes))
        rolled = [timed(lambda database=database: database.readings.roll_up(10_000)) for database in both]  # type: ignore[misc]
        told("rolling these up", [rolled[0]], [rolled[1]])
        for database in both:
            store_year(database)
        for name, ask in (
            (
                "a year by the day",
                lambda of: of.readings.rolled("press-3", NOON_NS - YEAR_NS, NOON_NS, Resolution.DAY),
            ),
            (
                "a year by the hour",
                lambda of: of.readings.rolled("press-3", NOON_NS - YEAR_NS, NOON_NS, Resolution.HOUR),
            ),
            (
                "a year of 8 760 readings",
                lambda of: of.readings.raw("press-3", NOON_NS - YEAR_NS, NOON_NS),
            ),
            ("means of days of a year", lambda of: of.readings.by_day("press-3", NOON_NS - YEAR_NS, NOON_NS)),
            ("the newest of all drives", lambda of: of.readings.newest()),
        ):
            asked_times = [[timed(partial(ask, database)) for database in both] for _ in range(asked.queries)]
            told(name, [each[0] for each in asked_times], [each[1] for each in asked_times])
        server.stop()


if __name__ == "__main__":
    main()
