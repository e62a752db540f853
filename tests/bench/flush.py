"""What a flush of the worker costs on a PostgreSQL server against SQLite, both on the same disk of this machine, taking turns.

Run by hand: `.venv/bin/python -m tests.bench.flush --rounds 60`. A flush is one durable commit of 200 readings of 20 drives.
"""

import argparse
import signal
import tempfile
import time
from contextlib import closing
from dataclasses import replace
from pathlib import Path
from statistics import median

from service.adapters.database.connect import Database, open_database
from service.core.reading import Reading
from tests.contracts.given import a_reading
from tests.postgres import ACCESS, Postgres

READINGS, DRIVES = 200, 20


def a_flush(number: int) -> list[Reading]:
    each = READINGS // DRIVES
    return [
        replace(a_reading(10 * seq, 0.5, seq=seq), drive_id=f"drive-{drive}", chain_id=None)
        for seq in range(number * each, (number + 1) * each)
        for drive in range(DRIVES)
    ]


def took_s(database: Database, readings: list[Reading]) -> float:
    began_s = time.perf_counter()
    database.store_all(readings, [])
    return time.perf_counter() - began_s


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--rounds", type=int, default=60)
    rounds = parser.parse_args().rounds
    with tempfile.TemporaryDirectory(prefix="linklag-flush-") as name:
        folder = Path(name)
        folder.chmod(0o755)
        server = Postgres(folder)
        server.start()
        try:
            server.sql("CREATE DATABASE bench")
            with (
                closing(open_database(f"sqlite:///{folder / 'linklag.db'}")) as in_file,
                closing(open_database(server.url("bench"), access=ACCESS)) as on_server,
            ):
                took: list[tuple[float, float]] = []
                for number in range(rounds):
                    flush = a_flush(number)
                    took.append((took_s(in_file, flush), took_s(on_server, flush)))
        finally:
            server.stop(signal.SIGQUIT)
    sqlite, postgres = (sorted(each) for each in zip(*took[5:], strict=True))
    ratios = sorted(two / one for one, two in took[5:])
    quarter = len(ratios) // 4
    print(f"{len(ratios)} flushes of {READINGS} readings each, after 5 to warm up")
    print(f"SQLite      median {median(sqlite) * 1e3:.1f} ms, longest {sqlite[-1] * 1e3:.1f} ms")
    print(f"PostgreSQL  median {median(postgres) * 1e3:.1f} ms, longest {postgres[-1] * 1e3:.1f} ms")
    print(
        f"ratio of the two of a round: median {median(ratios):.1f}, middle half {ratios[quarter]:.1f} to {ratios[-quarter - 1]:.1f}"
    )


if __name__ == "__main__":
    main()
