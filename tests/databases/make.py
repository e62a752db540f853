"""Makes the kept file of the newest schema: `python -m tests.databases.make`, once, when that schema is released."""

from dataclasses import replace
from pathlib import Path

from service.adapters.database.connect import SCHEMA, Database, open_database
from service.core.reading import Reading
from tests.contracts.given import (
    A_BASELINE,
    A_CHAIN,
    A_DRIVE,
    A_REJECTION,
    A_SIGHTING,
    NOON_NS,
    S,
    a_reading,
)

FOLDER = Path(__file__).parent
# Readings of ten minutes, the fifth stopped; the minute of the last ones is not rolled up yet.
READINGS: list[Reading] = [a_reading(30 * n, None if n == 5 else 0.5 + n / 1000, seq=n) for n in range(1, 21)]
NOT_ROLLED_UP: list[Reading] = [a_reading(30 * n, 0.5 + n / 1000, seq=n) for n in range(21, 23)]


def fill(database: Database) -> None:
    """Put something into every table."""
    register = database.register
    register.add_drive(replace(A_DRIVE, note="first note"))
    register.change_drive(A_DRIVE)
    register.fit_chain(A_CHAIN)
    register.record_baseline(A_BASELINE)
    register.fit_chain(replace(A_CHAIN, chain_id="older", fitted_ns=NOON_NS - 9 * S, removed_ns=NOON_NS))
    database.readings.store(READINGS)
    database.readings.roll_up()
    database.readings.store(NOT_ROLLED_UP)
    database.refused.keep([A_REJECTION, A_REJECTION], [A_SIGHTING])


def main() -> None:
    """Write the file. A released one is never written again."""
    path = FOLDER / f"{SCHEMA}.sqlite"
    if path.exists():
        raise SystemExit(f"{path} is kept as it is: give the schema a new revision")
    database = open_database(f"sqlite:///{path}")
    fill(database)
    database.close()


if __name__ == "__main__":
    main()
