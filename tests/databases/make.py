"""Makes the kept file of the newest schema: `python -m tests.databases.make`, once, when that schema is released."""

from dataclasses import fields, replace
from pathlib import Path
from typing import Any, TypeVar

from service.adapters.database.connect import SCHEMA, Database, open_database
from service.core.drive import Baseline, Drive
from service.core.reading import Reading
from service.ports import DeviceState, SavedMap
from tests.contracts.given import (
    A_BASELINE,
    A_CHAIN,
    A_DRIVE,
    A_HAND_VALUE,
    A_RAW_BATCH,
    A_REJECTION,
    A_SIGHTING,
    NOON_NS,
    S,
    a_reading,
)
from tests.databases import of_0011, of_0012, of_0013, of_0014

FOLDER = Path(__file__).parent
# Readings of ten minutes, the fifth stopped; the minute of the last ones is not rolled up yet.
READINGS: list[Reading] = [a_reading(30 * n, None if n == 5 else 0.5 + n / 1000, seq=n) for n in range(1, 21)]
NOT_ROLLED_UP: list[Reading] = [a_reading(30 * n, 0.5 + n / 1000, seq=n) for n in range(21, 23)]

SUPERSEDED = replace(READINGS[1], elongation_pct=0.9)  # what stood in the place of the second one at first
BARE_DRIVE = Drive(drive_id="hoist-1", name="Without sensors")
A_DEVICE_STATE = DeviceState(drive_id="press-3", online=False, since_ns=NOON_NS + 9 * S)
A_MAP = SavedMap(
    chain_id="press-3-a", folded_to_ns=NOON_NS, state={"links": [[0.5, 0.01], None], "place": "kept"}
)

# The fields that came with a schema: what was stored before it has their defaults.
CAME_WITH: dict[str, dict[type, set[str]]] = {
    "0002": {
        Reading: {field.name for field in fields(Reading)[24:]} - {"conversion"},
        Drive: {"strain_u_pct_per_kn", "delay_us", "delay_u_us"},
        Baseline: {"up_alternation_pct", "down_alternation_pct"},
    },
    "0003": {Drive: {"strand_group"}},
}
INNER_MADE_PCT = 0.075  # what the alternation held less before 0008

Record = TypeVar("Record")


def as_stored_by(schema: str, record: Record) -> Record:
    """Return the record as a store made with `schema` shows it."""
    later = [came for since, came in CAME_WITH.items() if since > schema]
    names = set().union(*(came.get(type(record), set()) for came in later))
    shown: dict[str, Any] = {field.name: field.default for field in fields(record) if field.name in names}  # type: ignore[arg-type]
    if schema < "0008" and isinstance(record, Reading):
        shown["conversion"] = 1
    if "0002" <= schema < "0008" and isinstance(record, Baseline):
        for name in ("up_alternation_pct", "down_alternation_pct"):
            grown_pct = getattr(record, name)
            shown[name] = grown_pct + INNER_MADE_PCT * (1 + grown_pct / 100)
    return replace(record, **shown)  # type: ignore[type-var]


def fill(database: Database) -> None:
    """Put something into every table."""
    register = database.register
    register.add_drive(replace(A_DRIVE, note="first note"))
    register.change_drive(A_DRIVE)
    register.fit_chain(A_CHAIN)
    register.record_baseline(A_BASELINE)
    register.fit_chain(replace(A_CHAIN, chain_id="older", fitted_ns=NOON_NS - 9 * S, removed_ns=NOON_NS))
    database.readings.store([READINGS[0], SUPERSEDED, *READINGS[2:]])
    database.readings.supersede([READINGS[1]], NOON_NS, "baseline corrected")
    database.readings.roll_up()
    database.readings.store(NOT_ROLLED_UP)
    database.refused.keep([A_REJECTION, A_REJECTION], [A_SIGHTING])
    register.add_drive(BARE_DRIVE)
    database.hand_values.record(A_HAND_VALUE)
    database.raw_batches.keep([A_RAW_BATCH])
    database.devices.note([A_DEVICE_STATE])
    database.chain_maps.save(A_MAP)
    of_0011.fill(database)
    of_0012.fill(database)
    of_0013.fill(database)
    of_0014.fill(database)


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
