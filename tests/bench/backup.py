"""How long a backup and a restore take, and what a worker that writes meanwhile notices of it.

Run by hand: `python -m tests.bench.backup --readings 1000000` (needs three times the store in a temporary folder, which is
removed). Held against a plain copy of the same file with fsync, in the same run. With `--postgres` of a store on a server, and
held against the dump alone.
"""

import argparse
import os
import shutil
import signal
import subprocess
import tempfile
import threading
import time
from dataclasses import replace
from pathlib import Path

from service.adapters.database.backup import copy_store, put_back
from service.adapters.database.connect import Database, open_database
from service.adapters.database.dialect import make_engine
from service.adapters.database.server_backup import copy_server_store, put_back_on_server
from tests.contracts.given import A_DRIVE, a_reading
from tests.postgres import ACCESS, PASSWORD, Postgres

DRIVES = 20
AT_ONCE = 200


def fill(database: Database, readings: int) -> None:
    for drive in range(DRIVES):
        database.register.add_drive(replace(A_DRIVE, drive_id=f"drive-{drive}"))
    for start in range(0, readings // DRIVES, AT_ONCE):
        for drive in range(DRIVES):
            database.readings.store(
                [
                    replace(
                        a_reading(10 * seq, 0.5, seq=seq),
                        drive_id=f"drive-{drive}",
                        chain_id=None,
                    )
                    for seq in range(start, start + AT_ONCE)
                ]
            )


def commits_until(end: threading.Event, database: Database, longest_s: list[float]) -> None:
    """Commit a reading every 10 ms, and note how long each took."""
    seq = 10_000_000
    while not end.is_set():
        began_s = time.monotonic()
        database.readings.store(
            [replace(a_reading(10 * seq, 0.5, seq=seq), drive_id="drive-0", chain_id=None)]
        )
        longest_s.append(time.monotonic() - began_s)
        seq += 1
        time.sleep(0.01)


def plain_copy_s(store: Path, place: Path) -> float:
    began_s = time.monotonic()
    shutil.copyfile(store, place)
    with place.open("rb+") as file:
        os.fsync(file.fileno())
    return time.monotonic() - began_s


def of_a_server(readings: int) -> None:
    """The same of a server on this machine; and the server's own program alone, with no look at what it wrote."""
    with tempfile.TemporaryDirectory(prefix="linklag-backup-") as name:
        folder = Path(name)
        folder.chmod(0o755)
        server = Postgres(folder)
        server.start()
        try:
            for database in ("filled", "empty"):
                server.sql(f"CREATE DATABASE {database}")
            store = open_database(server.url("filled"), access=ACCESS)
            fill(store, readings)
            end, took_s = threading.Event(), list[float]()
            writer = threading.Thread(target=commits_until, args=(end, store, took_s))
            writer.start()
            time.sleep(2)
            alone, began_s = len(took_s), time.monotonic()
            full, empty = (make_engine(server.url(each), 5.0, ACCESS) for each in ("filled", "empty"))
            copied = copy_server_store(full, ACCESS, folder / "copy.dump")
            backup_s = time.monotonic() - began_s
            end.set()
            writer.join()
            began_s = time.monotonic()
            command = ["pg_dump", "-Fc", f"--file={folder / 'plain.dump'}", server.url("filled")]
            subprocess.run(command, check=True, env=os.environ | {"PGPASSWORD": PASSWORD})
            plain_s = time.monotonic() - began_s
            began_s = time.monotonic()
            put_back_on_server(folder / "copy.dump", empty, ACCESS)
            restore_s = time.monotonic() - began_s
            size = int(server.sql("SELECT pg_database_size('filled')"))
            for each in (full, empty):
                each.dispose()
            store.close()
        finally:
            server.stop(signal.SIGQUIT)
    during = took_s[alone:]
    print(f"database {size / 1e6:.0f} MB, {copied.rows} rows of all tables, copy {copied.bytes / 1e6:.0f} MB")
    print(
        f"pg_dump alone {plain_s:.2f} s; backup {backup_s:.2f} s ({backup_s / plain_s:.1f}); restore {restore_s:.2f} s"
    )
    print(
        f"{len(during)} commits meanwhile, median {sorted(during)[len(during) // 2] * 1e3:.1f} ms, longest {max(during) * 1e3:.0f} ms"
    )
    print(
        f"before: median {sorted(took_s[:alone])[alone // 2] * 1e3:.1f} ms, longest {max(took_s[:alone]) * 1e3:.0f} ms"
    )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--readings", type=int, default=1_000_000)
    parser.add_argument("--postgres", action="store_true")
    given = parser.parse_args()
    readings = given.readings
    if given.postgres:
        of_a_server(readings)
        return
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        store = folder / "linklag.db"
        database = open_database(f"sqlite:///{store}")
        fill(database, readings)
        end, took_s = threading.Event(), list[float]()
        writer = threading.Thread(target=commits_until, args=(end, database, took_s))
        writer.start()
        time.sleep(2)
        alone = len(took_s)
        began_s = time.monotonic()
        copied = copy_store(store, folder / "copy.db")
        backup_s = time.monotonic() - began_s
        end.set()
        writer.join()
        database.close()
        plain_s = plain_copy_s(store, folder / "plain.db")
        began_s = time.monotonic()
        put_back(folder / "copy.db", store, folder / "aside")
        restore_s = time.monotonic() - began_s
    during = took_s[alone:]
    print(f"store {copied.bytes / 1e6:.0f} MB, {copied.rows} rows of all tables")
    print(
        f"plain copy {plain_s:.2f} s; backup {backup_s:.2f} s ({backup_s / plain_s:.1f}); restore {restore_s:.2f} s"
    )
    print(
        f"{len(during)} commits meanwhile, median {sorted(during)[len(during) // 2] * 1e3:.1f} ms, longest {max(during) * 1e3:.0f} ms"
    )
    print(
        f"before: median {sorted(took_s[:alone])[alone // 2] * 1e3:.1f} ms, longest {max(took_s[:alone]) * 1e3:.0f} ms"
    )


if __name__ == "__main__":
    main()
