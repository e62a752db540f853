"""Books on readings that are elsewhere: nothing that comes while a roll-up is made is overlooked, by whoever makes it."""

from collections.abc import Iterator

import pytest

from service.adapters.database.series_ledger import Correction, SeriesLedger
from service.ports import Resolution
from tests.contracts.given import NOON_NS, S, a_reading, an_empty_database

MINUTE = Resolution.MINUTE


@pytest.fixture
def ledger() -> Iterator[SeriesLedger]:
    with an_empty_database() as database:
        yield database.ledger


def due(ledger: SeriesLedger, resolution: Resolution = MINUTE) -> list[int]:
    """Seconds after noon at which the intervals end that are due."""
    return [(each.end_ns - NOON_NS) // S for each in ledger.due(resolution, 100)]


def test_what_was_rolled_up_leaves_the_list_and_notes_the_hour(ledger: SeriesLedger) -> None:
    ledger.note_stored([a_reading(10, seq=1), a_reading(70, seq=2)])
    assert due(ledger) == [120, 60], "the newest first"
    ledger.done(MINUTE, ledger.due(MINUTE, 1))
    assert due(ledger) == [60]
    assert due(ledger, Resolution.HOUR) == [3600]
    assert due(ledger, Resolution.DAY) == []


def test_what_comes_while_a_roll_up_is_made_is_due_again(ledger: SeriesLedger) -> None:
    ledger.note_stored([a_reading(10, seq=1)])
    seen = ledger.due(MINUTE, 10)
    ledger.note_stored([a_reading(20, seq=2)])
    ledger.done(MINUTE, seen)
    assert due(ledger) == [60]


def test_who_makes_a_roll_up_that_another_has_made_meanwhile_notes_it_again(ledger: SeriesLedger) -> None:
    """Which of the two wrote last is not known, so it is made once more."""
    ledger.note_stored([a_reading(10, seq=1)])
    slow = ledger.due(MINUTE, 10)
    ledger.note_stored([a_reading(20, seq=2)])
    ledger.done(MINUTE, ledger.due(MINUTE, 10))
    assert due(ledger) == []
    ledger.done(MINUTE, slow)
    assert due(ledger) == [60]


def test_one_that_was_noted_anew_is_not_taken_for_the_one_that_was_seen(ledger: SeriesLedger) -> None:
    ledger.note_stored([a_reading(10, seq=1)])
    slow = ledger.due(MINUTE, 10)
    ledger.done(MINUTE, ledger.due(MINUTE, 10))
    ledger.note_stored([a_reading(20, seq=2)])
    ledger.done(MINUTE, slow)
    assert due(ledger) == [60]


def test_a_roll_up_that_a_correction_left_may_be_over_fewer_until_it_was_made(ledger: SeriesLedger) -> None:
    old, new = a_reading(10, 0.5, seq=1), a_reading(10, 0.6, seq=1)
    ledger.note_stored([old])
    left = (MINUTE, NOON_NS + 60 * S, "press-3", old.chain_id)
    ledger.note_superseded([Correction(old, new, 1)], NOON_NS, "x", left=[left], newest=[])
    seen = ledger.due(MINUTE, 10)
    assert ledger.left(MINUTE, seen) == {(NOON_NS + 60 * S, "press-3", old.chain_id)}
    ledger.note_stored([a_reading(20, seq=2)])
    ledger.done(MINUTE, seen)
    assert ledger.left(MINUTE, ledger.due(MINUTE, 10)), "it is due again, so it may still be"
    ledger.done(MINUTE, ledger.due(MINUTE, 10))
    ledger.note_stored([a_reading(30, seq=3)])
    assert ledger.left(MINUTE, ledger.due(MINUTE, 10)) == set()


def test_what_must_be_kept_is_what_is_due_and_the_newest(ledger: SeriesLedger) -> None:
    ledger.note_stored([a_reading(10, 0.5, seq=1), a_reading(20, None, seq=2)])
    kept = ledger.kept("press-3", None, NOON_NS + 3600 * S)
    assert kept == [
        (NOON_NS, NOON_NS + 60 * S),
        (NOON_NS + 10 * S - 1, NOON_NS + 10 * S),
        (NOON_NS + 20 * S - 1, NOON_NS + 20 * S),
    ]
    assert ledger.kept("press-3", None, NOON_NS) == []
    assert ledger.kept("nobody", None, NOON_NS + 3600 * S) == []
