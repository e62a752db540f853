"""What a forecast of a drive costs from the store to the store, with a year of hourly readings behind it.

    .venv/bin/python tests/bench/foretell.py [--drives 40]

Half of the drives are of one class, whose chains lend each other their course of wear; the rest stand alone. One thread; CPU
time of the process, and of core's part in it. The first turn learns the class, the second finds it learnt.
"""

import os

os.environ.setdefault("OMP_NUM_THREADS", "1")

import argparse
import json
import statistics
import sys
import tempfile
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[2]))

from service import foretell
from service.adapters.database.connect import Database, open_database
from service.core.drive import Chain, Drive
from service.core.prognosis import Case, Prognosis
from tests.test_foretell import START_NS, Clock, hours_of, readings_of

DAYS = 365


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--drives", type=int, default=40)
    count = parser.parse_args().drives
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "linklag.db"
        store = open_database(f"sqlite:///{path}")
        for number in range(count):
            drive_id = f"d{number}"
            drive = Drive(drive_id=drive_id, whole_pitches=20, drive_class="feed" if number % 2 else "")
            store.register.add_drive(drive)
            chain = Chain(
                chain_id=f"{drive_id}-a",
                drive_id=drive_id,
                designation="16B-1",
                pitch_mm=25.4,
                pitches_in_loop=98,
                fitted_ns=START_NS,
            )
            store.register.fit_chain(chain)
            pace = (1.2 + 0.03 * number) / DAYS
            store.readings.store(readings_of(hours_of(drive_id, range(DAYS), pace, seed=number)))
            while store.readings.roll_up():
                pass
        turns(store, Clock(START_NS + DAYS * 86_400 * 10**9), count)
        kept = [len(json.dumps(each.document)) for each in store.prognoses.newest()]
        print(f"one kept prognosis: {statistics.mean(kept) / 1000:.1f} kB")
        store.close()


def turns(store: Database, clock: Clock, count: int) -> None:
    core: list[float] = []
    plain = vars(foretell)["forecast"]

    def timed(case: Case) -> Prognosis:
        begun = time.process_time()
        found: Prognosis = plain(case)
        core.append(time.process_time() - begun)
        return found

    vars(foretell)["forecast"] = timed
    door = foretell.Foretell(store, now_ns=clock)
    for name in ("first turn, class learnt", "second turn"):
        core.clear()
        begun = time.process_time()
        done = door.turn(3600)
        spent = time.process_time() - begun
        assert (done.made, done.failed) == (count, 0)
        print(
            f"{name}: {1000 * spent / count:.1f} ms CPU a drive, of which core {1000 * statistics.median(core):.1f} ms"
        )
        clock.now_ns += 3600 * 10**9


if __name__ == "__main__":
    main()
