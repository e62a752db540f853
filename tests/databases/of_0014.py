"""What the kept file of schema 0014 holds besides: books on readings that are in another store."""

from dataclasses import replace

from service.adapters.database.connect import Database
from service.adapters.database.series_ledger import Correction
from service.ports import Newest, Resolution
from tests.contracts.given import NOON_NS, S, a_reading

MEASURED, STOPPED = (
    replace(a_reading(at_s, pct, seq=at_s), drive_id="kiln-2") for at_s, pct in ((10, 0.5), (20, None))
)
CORRECTED = replace(MEASURED, elongation_pct=0.6)
LEFT = (Resolution.MINUTE, NOON_NS + 60 * S, "kiln-2", MEASURED.chain_id)


def fill(database: Database) -> None:
    """Enter them."""
    database.ledger.note_stored([MEASURED, STOPPED])
    correction = Correction(MEASURED, CORRECTED, 1)
    database.ledger.note_superseded([correction], NOON_NS, "baseline corrected", left=[LEFT], newest=[])


def assert_all(database: Database) -> None:
    """They are shown as they were entered."""
    ledger = database.ledger
    assert ledger.newest("kiln-2") == [Newest(drive_id="kiln-2", reading=STOPPED, measured=CORRECTED)]
    assert ledger.revisions(["kiln-2"], 0, 2**62) == {("kiln-2", "", MEASURED.t0_ns, MEASURED.seq): 1}
    (due,) = ledger.due(Resolution.MINUTE, 10)
    assert (due.drive_id, due.end_ns) == ("kiln-2", NOON_NS + 60 * S)
    assert ledger.left(Resolution.MINUTE, [due]) == {(NOON_NS + 60 * S, "kiln-2", MEASURED.chain_id)}
    assert [each.reading for each in ledger.superseded("kiln-2", 0, 2**62, 10)] == [MEASURED]
