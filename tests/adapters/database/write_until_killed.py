"""Stores ten readings a commit and prints how many are stored, rolling up beside it, until it is killed."""

import sys
import threading

from service.adapters.database.connect import open_database
from tests.contracts.given import a_reading


def main() -> None:
    database = open_database(sys.argv[1])

    def roll_up() -> None:
        while True:
            database.readings.roll_up(20)

    threading.Thread(target=roll_up, daemon=True).start()
    for start in range(0, 100_000, 10):
        database.readings.store([a_reading(10 * n, 0.5, seq=n) for n in range(start, start + 10)])
        print(start + 10, flush=True)


if __name__ == "__main__":
    main()
