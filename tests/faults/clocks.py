"""A row of the table of faults: the worker's clock is stepped forth and back while it works.

By libfaketime, in the worker's process alone: what it reads as the time of day is off by what a file says. What it
measures stretches of time by (the monotonic clock) goes on as it does on a machine whose clock is set.
"""

import time
from pathlib import Path

import pytest

from tests.faults.plant import SETTLE_S, Plant, a_plant
from tests.faults.row import Named, Row
from tests.faults.sending import S, until

BATCHES = 1000
LIBRARY = "faketime/libfaketimeMT.so.1"
HOUR_S = 3600
STEPS_S = (HOUR_S, -HOUR_S, 0)  # an hour ahead, an hour behind (so two back), right again


def clock_stepped() -> Row:
    """Step while devices send: an hour forth, two back, an hour forth."""
    found = [path for folder in ("/usr/lib", "/usr/local/lib") for path in Path(folder).glob(f"**/{LIBRARY}")]
    if not found:
        pytest.skip("libfaketime is not installed: apt-get install faketime")
    with a_plant() as plant:
        clock = plant.folder / "clock"
        clock.write_text("+0\n")
        faked = {
            "LD_PRELOAD": str(found[0]),
            "FAKETIME_TIMESTAMP_FILE": str(clock),
            "FAKETIME_CACHE_DURATION": "1",
            "FAKETIME_DONT_FAKE_MONOTONIC": "1",
            "DONT_FAKE_MONOTONIC": "1",
            "NO_FAKE_STAT": "1",
        }
        plant.worker.environment.update(faked)
        plant.start()
        plant.send(BATCHES // 5)
        plant.until_stored(BATCHES // 5)
        for step_s in STEPS_S:
            clock.write_text(f"{step_s:+d}\n")
            time.sleep(3.0)
            plant.send((BATCHES - plant.sent) // 2 if step_s else BATCHES - plant.sent)
            plant.until_stored(plant.sent)
            if step_s > 0:
                until(lambda: ahead_s(plant) > HOUR_S / 2, SETTLE_S)
        return plant.row(
            "clock: stepped an hour forth, two back, one forth",
            note="transitions bear the time that the clock showed",
        )


def ahead_s(plant: Plant) -> float:
    """By how much the latest transition was recorded ahead of the right time."""
    return plant.query("SELECT coalesce(max(recorded_ns), 0) FROM alert_transition") / S - time.time()


def rows(minutes: float) -> list[Named]:
    """This row by its name."""
    del minutes
    return [("clock", clock_stepped)]
