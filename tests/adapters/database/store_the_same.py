"""Stores 400 readings of four drives in an order of its own, rolling up in between; prints how many were new."""

import random
import sys
from dataclasses import replace

from service.adapters.database.connect import open_database
from tests.contracts.given import a_reading


def main() -> None:
    database = open_database(sys.argv[1])
    readings = [
        replace(a_reading(100 * n, seq=n), drive_id=drive_id, chain_id=f"{drive_id}-chain")
        for n in range(100)
        for drive_id in ("a", "b", "c", "d")
    ]
    random.Random(int(sys.argv[2])).shuffle(readings)
    new = 0
    for start in range(0, len(readings), 7):
        new += database.readings.store(readings[start : start + 7])
        database.readings.roll_up(5)
    print(new)
    database.close()


if __name__ == "__main__":
    main()
