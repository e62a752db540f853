"""How long the store takes: a commit against bare sqlite3, and the questions of page and API over a year of data.

Run by hand: `python -m tests.bench.store_year` (about five minutes, 1.5 GB in a temporary folder that is removed).

What is loaded, honestly: raw readings of three drives over a year at one reading every 10 s (9.5 million rows), through
`store` and `roll_up` as the worker does; of the other 97 drives the hourly and daily roll-ups, written straight into
their table, and one newest reading each. 100 drives' raw year would be 315 million rows. The key puts one drive's rows
side by side, so that its questions touch its own rows only; the size of the rest is not measured here.
"""

import argparse
import sqlite3
import statistics
import tempfile
import time
from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path

from sqlalchemy.dialects.sqlite.base import SQLiteDialect

from service.adapters.database import dialect, statements, tables
from service.adapters.database.connect import Database, open_database
from service.adapters.database.raw_batches import RawBounds
from service.core.reading import Reading
from service.ports import Resolution
from tests.contracts.given import A_RAW_BATCH, DAY_NS, MEASURED, NOON_NS, S

LIMIT_S = 0.1  # "one drive's year drawn in under 0.1 s, the whole board in under 0.1 s"
EVERY_S = 10
START_NS = NOON_NS - NOON_NS % DAY_NS - 365 * DAY_NS
CHAIN_NO = 1


def readings_of(drive: int, numbers: range) -> list[Reading]:
    """Readings that wear from 0.3 % to 1.5 % in a year, every 10 s."""
    return [
        replace(
            MEASURED,
            drive_id=f"drive-{drive}",
            chain_id="chain",
            seq=number,
            t0_ns=START_NS + number * EVERY_S * S,
            t_ns=START_NS + (number + 1) * EVERY_S * S,
            elongation_pct=0.3 + 1.2 * number / 3_153_600 + 1e-4 * (number % 7),
            speed_m_s=1.2 + 1e-3 * (number % 11),
            pitches_between=20.3 - 1e-8 * number,
            lag_pitches=0.3 - 1e-8 * number,
        )
        for number in numbers
    ]


def spent(work: Callable[[], object]) -> tuple[float, float]:
    """Return seconds of wall clock and of processor."""
    wall, processor = time.perf_counter(), time.process_time()
    work()
    return time.perf_counter() - wall, time.process_time() - processor


# One commit


def bare_inserts(path: Path, rows: Sequence[tuple[object, ...]], at_once: int) -> None:
    """The same rows into the same table by sqlite3 alone: no newest, no due, nothing checked."""
    connection = sqlite3.connect(path, isolation_level=None)
    connection.execute("PRAGMA synchronous = FULL")
    for start in range(0, len(rows), at_once):
        connection.execute("BEGIN IMMEDIATE")
        connection.executemany(statements.INSERT_READING.text(SQLiteDialect()), rows[start : start + at_once])
        connection.execute("COMMIT")
    connection.close()


def stored(database: Database, readings: Sequence[Reading], at_once: int) -> None:
    for start in range(0, len(readings), at_once):
        if database.readings.store(readings[start : start + at_once]) != at_once:
            raise RuntimeError("the benchmark expects new readings")


def rows_of(database: Database) -> list[tuple[object, ...]]:
    """What is in the table, as rows to insert, in the order in which they came."""
    with database._transactions.reading() as connection:
        rows = connection.exec_driver_sql("SELECT * FROM reading ORDER BY t0_ns, drive_no").all()
    return [tuple(row) for row in rows]


def commits(folder: Path) -> None:
    """20 drives in turn, so that each commit touches many places of the table."""
    readings = [
        one for group in zip(*(readings_of(d, range(1000)) for d in range(20)), strict=True) for one in group
    ]
    print("\nOne commit, 20 drives in turn; microseconds for each reading, median of five (wall / processor)")
    print("readings a commit | store (with newest and due) | bare sqlite3 insert | store : bare, wall")
    for at_once in (1, 10, 50, 100, 1000):
        some = readings[: min(len(readings), at_once * 200)]
        ours, bare = [], []
        for turn in range(5):
            database = open_database(f"sqlite:///{folder / f'a{at_once}-{turn}.db'}")
            ours.append(spent(lambda: stored(database, some, at_once)))  # noqa: B023
            rows = rows_of(database)
            database.close()
            open_database(f"sqlite:///{folder / f'b{at_once}-{turn}.db'}").close()
            bare.append(spent(lambda: bare_inserts(folder / f"b{at_once}-{turn}.db", rows, at_once)))  # noqa: B023
        (w, p), (bw, bp) = (
            [statistics.median(part) / len(some) * 1e6 for part in zip(*times, strict=True)]
            for times in (ours, bare)
        )
        print(f"{at_once:17d} | {w:12.1f} / {p:.1f} | {bw:12.1f} / {bp:.1f} | {w / bw:.2f}")


def flushes(folder: Path) -> None:
    """Flushes of 100 batches of 3 kB from 20 drives: readings alone, and with the batches they came from.

    The bound is small enough to be met every few flushes, as it is in a plant after the first hours.
    """
    at_once, count = 100, 100
    readings = [
        one for group in zip(*(readings_of(d, range(500)) for d in range(20)), strict=True) for one in group
    ]
    raw_batches = [
        replace(
            A_RAW_BATCH,
            drive_id=one.drive_id,
            t0_ns=one.t0_ns,
            t_ns=one.t_ns,
            seq=one.seq,
            payload=bytes(3000),
        )
        for one in readings
    ]
    parts = [slice(start, start + at_once) for start in range(0, at_once * count, at_once)]

    def storing(database: Database) -> Callable[[slice], object]:
        return lambda part: database.store_all(readings[part], [])

    def keeping(database: Database) -> Callable[[slice], object]:
        return lambda part: database.store_all(readings[part], raw_batches[part])

    def apart(database: Database) -> Callable[[slice], object]:
        def flush(part: slice) -> None:
            database.readings.store(readings[part])
            database.raw_batches.keep(raw_batches[part])

        return flush

    few = RawBounds(bytes_per_drive=2**20, bytes=8 * 2**20)
    kinds = [
        ("readings alone", storing, None),
        ("with batches, one transaction", keeping, None),
        ("with batches, two transactions", apart, None),
        ("one transaction, 8 MiB kept of 30", keeping, few),
    ]
    print(
        "\nFlushes of 100, 20 drives, 3 kB a batch; of 100 flushes, milliseconds: median wall, worst, mean processor"
    )
    for number, (name, kind, bounds) in enumerate(kinds):
        database = open_database(f"sqlite:///{folder / f'flush{number}.db'}", raw_bounds=bounds)
        flush = kind(database)
        times = [spent(lambda: flush(part)) for part in parts]  # noqa: B023
        walls = sorted(wall for wall, _ in times)
        processor = statistics.mean(part for _, part in times)
        print(
            f"{name:34s} | {statistics.median(walls) * 1e3:6.1f} | {walls[-1] * 1e3:6.1f} | {processor * 1e3:5.2f}"
        )
        database.close()


def corrections(folder: Path) -> None:
    """A day of one drive converted again after its baseline was corrected, and after its chain was registered late."""
    database = open_database(f"sqlite:///{folder / 'corrections.db'}")
    day = readings_of(1, range(8640))
    database.readings.store(day)
    while database.readings.roll_up():
        pass
    corrected = [replace(one, elongation_pct=0.5) for one in day]
    moved = [replace(one, chain_id="other") for one in corrected]
    for name, readings in (
        ("corrected", corrected),
        ("nothing differs", corrected),
        ("to another chain", moved),
    ):
        wall, _ = spent(
            lambda: [
                database.readings.supersede(readings[start : start + 1000], 1, "x")  # noqa: B023
                for start in range(0, len(readings), 1000)  # noqa: B023
            ]
        )
        print(f"supersede, a day, a thousand a time, {name:17s}: {wall / len(day) * 1e6:6.1f} us a reading")
    database.close()


# A year


def load_raw(database: Database, drives: int, days: int) -> None:
    """As live: the drives in turn, a thousand a commit, rolled up now and then."""
    store_s = roll_up_s = 0.0
    total, step = days * 86_400 // EVERY_S, 1000 // drives
    intervals = 0
    for start in range(0, total, step):
        numbers = range(start, min(total, start + step))
        some = [one for drive in range(drives) for one in readings_of(drive, numbers)]
        store_s += spent(lambda: database.readings.store(some))[0]  # noqa: B023
        before = time.perf_counter()
        intervals += database.readings.roll_up()
        roll_up_s += time.perf_counter() - before
    while done := database.readings.roll_up():
        intervals += done
    rows = total * drives
    print(
        f"raw: {rows:,} readings of {drives} drives; store {store_s / rows * 1e6:.1f} us a reading, "
        f"roll_up {roll_up_s / rows * 1e6:.1f} us a reading ({intervals:,} intervals)"
    )


def load_roll_ups(database: Database, drives: range, days: int) -> None:
    """Hours and days of the drives that have no raw readings here, and one newest reading each."""
    database.readings.store([readings_of(drive, range(days * 8640 - 1, days * 8640))[0] for drive in drives])
    with database._transactions.writing() as connection:
        rows = connection.exec_driver_sql("SELECT drive_id, drive_no FROM drive_number").all()
        numbers: dict[str, int] = {row[0]: row[1] for row in rows}
        insert = dialect.Positional(dialect.insert_into(tables.roll_up).on_conflict_do_nothing())
        for drive in drives:
            values: list[tuple[object, ...]] = []
            for resolution in (Resolution.HOUR, Resolution.DAY):
                count = days * 86_400 // resolution
                for number in range(count):
                    pct = 0.3 + 1.2 * number / count
                    values.append(
                        (numbers[f"drive-{drive}"], int(resolution), START_NS + (number + 1) * resolution * S, CHAIN_NO,
                         resolution // EVERY_S, resolution // EVERY_S, pct, pct - 0.01, pct + 0.01, pct, 0.011,
                         1.2 + 1e-6 * number, resolution // EVERY_S, 197 * resolution // EVERY_S)
                    )  # fmt: skip
            insert.run(connection, values)


def questions(url: str, days: int) -> None:
    end_ns = START_NS + days * DAY_NS
    asked: dict[str, Callable[[Database], Sequence[object]]] = {
        "one drive, a year by hours": lambda db: db.readings.rolled(
            "drive-1", START_NS, end_ns, Resolution.HOUR
        ),
        "the same, a drive without raw": lambda db: db.readings.rolled(
            "drive-50", START_NS, end_ns, Resolution.HOUR
        ),
        "one drive, a year by days": lambda db: db.readings.rolled(
            "drive-1", START_NS, end_ns, Resolution.DAY
        ),
        "one drive, a day by minutes": lambda db: db.readings.rolled(
            "drive-1", end_ns - DAY_NS, end_ns, Resolution.MINUTE
        ),
        "one drive, a day raw": lambda db: db.readings.raw("drive-1", end_ns - DAY_NS, end_ns),
        "one drive, the newest 1 000 of a year raw": lambda db: db.readings.raw(
            "drive-1", START_NS, end_ns, 1000
        ),
        "the board, newest of every drive": lambda db: db.readings.newest(),
        "one drive's newest": lambda db: [db.readings.newest_of("drive-1")],
    }
    print(f"\nmilliseconds; first: store just opened; then of 41; limit {LIMIT_S * 1e3:.0f} ms")
    print(f"{'question':42s} | rows  | first | least  | median | worst | limit : median")
    for name, ask in asked.items():
        database = open_database(url)
        first_s, _ = spent(lambda: ask(database))  # noqa: B023
        rows = len(ask(database))
        times = [spent(lambda: ask(database))[0] for _ in range(41)]  # noqa: B023
        database.close()
        median = statistics.median(times)
        print(
            f"{name:42s} | {rows:5d} | {first_s * 1e3:5.1f} | {min(times) * 1e3:6.2f} | {median * 1e3:6.2f} | {max(times) * 1e3:5.1f} "
            f"| {LIMIT_S / median:.1f}"
        )


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--days", type=int, default=365)
    parser.add_argument("--raw-drives", type=int, default=3)
    parser.add_argument("--drives", type=int, default=100)
    asked = parser.parse_args()
    print(f"SQLite {sqlite3.sqlite_version}, synchronous FULL, write-ahead log")
    with tempfile.TemporaryDirectory(prefix="linklag-store-") as folder:
        commits(Path(folder))
        flushes(Path(folder))
        corrections(Path(folder))
        path = Path(folder) / "year.db"
        database = open_database(f"sqlite:///{path}")
        print(f"\n{asked.days} days, {asked.drives} drives")
        load_raw(database, asked.raw_drives, asked.days)
        load_roll_ups(database, range(asked.raw_drives, asked.drives), asked.days)
        database.close()
        print(f"file: {path.stat().st_size / 1e6:,.0f} MB")
        questions(f"sqlite:///{path}", asked.days)
        with sqlite3.connect(path) as connection:
            for table in ("reading", "roll_up"):
                rows = connection.execute(f"SELECT count(*) FROM {table}").fetchone()[0]  # noqa: S608
                print(f"{table}: {rows:,} rows")
        connection.close()


if __name__ == "__main__":
    main()
