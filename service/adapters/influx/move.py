"""Brings the readings and roll-ups that a database holds into InfluxDB, and holds both to each other.

Knows how to go through all of them in pages; must not know who asked. Nothing is deleted, and nothing is due twice: what was
moved already is found and left as it is, so a move that ended early is begun again. Best done while no worker runs: the
broker keeps what comes.
"""

from collections.abc import Iterator
from typing import NamedTuple, Protocol

from service.adapters.database.readings import DatabaseReadings
from service.adapters.database.series_ledger import SeriesLedger
from service.adapters.influx.lines import Weighted, identity_of
from service.adapters.influx.readings import InfluxReadings
from service.adapters.influx.rolling import end_ns_of
from service.core.reading import Reading
from service.ports import Resolution, StoreUnavailableError

PAGE = 5_000
_EVER_NS = 2**63 - 2
_TAIL_NS = 7_200_000_000_000  # before the newest: rolled up again, should more have come there meanwhile


class MovedDrive(NamedTuple):
    """What was moved of one drive: how many there were, and how many of these were found again as they were."""

    drive_id: str
    readings: int
    readings_found: int
    roll_ups: int
    roll_ups_found: int

    @property
    def whole(self) -> bool:
        """Whether all of it is there."""
        return (self.readings, self.roll_ups) == (self.readings_found, self.roll_ups_found)


class From(Protocol):
    """A database that holds readings."""

    @property
    def readings_here(self) -> DatabaseReadings: ...  # noqa: D102
    @property
    def ledger(self) -> SeriesLedger: ...  # noqa: D102


def move_readings(source: From, target: InfluxReadings, books: SeriesLedger) -> Iterator[MovedDrive]:
    """Move drive by drive, and yield what was moved of each once it was read back.

    Args:
        source: what holds the readings now.
        target: where they go.
        books: of the target, in the database that will hold all else (it may be the source).

    Raises StoreUnavailableError, ReadingsRefusedError (older than the bucket keeps: give it a longer retention).
    """
    while source.readings_here.roll_up():
        pass
    for newest in sorted(source.readings_here.newest(), key=lambda each: each.drive_id):
        drive_id = newest.drive_id
        found = sum(_move_page(target, drive_id, page) for page in _pages(source.readings_here, drive_id))
        roll_ups = [_move_roll_ups(source.ledger, target, drive_id, each) for each in Resolution]
        books.note_due(_tail(newest.reading))
        yield MovedDrive(
            drive_id=drive_id,
            readings=source.ledger.count_here(drive_id, None),
            readings_found=found,
            roll_ups=sum(source.ledger.count_here(drive_id, each) for each in Resolution),
            roll_ups_found=sum(roll_ups),
        )


def _pages(readings: DatabaseReadings, drive_id: str) -> Iterator[list[Reading]]:
    """Yield all readings of a drive, the newest page first; those of one instant are in one page."""
    to_ns = _EVER_NS
    while page := readings.raw(drive_id, -1, to_ns, PAGE):
        if len(page) < PAGE:
            yield page
            return
        first_ns = page[0].t_ns
        whole = [each for each in page if each.t_ns > first_ns]
        if not whole:
            raise StoreUnavailableError(
                f"{drive_id}: over {PAGE} readings end at one instant; this is not moved"
            )
        yield whole
        to_ns = first_ns


def _move_page(target: InfluxReadings, drive_id: str, page: list[Reading]) -> int:
    """Move readings; return how many of them are read back as they were."""
    target.take_over(page)
    back = target.raw(drive_id, page[0].t_ns - 1, page[-1].t_ns)
    there = {identity_of(each): each for each in back}
    return sum(there.get(identity_of(each)) == each for each in page)


def _move_roll_ups(
    source: SeriesLedger, target: InfluxReadings, drive_id: str, resolution: Resolution
) -> int:
    """Move roll-ups; return how many of them are found again, over as many readings or more."""
    after_ns, found = -1, 0
    while page := source.roll_ups_here(drive_id, resolution, after_ns, PAGE):
        moved = [Weighted(rolled=each, speeds=speeds, with_u=each.measured) for each, speeds in page]
        target.take_over_roll_ups(resolution, moved)
        last_ns = page[-1][0].end_ns
        back = target.rolled(drive_id, after_ns, last_ns, resolution)
        there = {(each.end_ns, each.chain_id): each.readings for each in back}
        found += sum(there.get((each.end_ns, each.chain_id), -1) >= each.readings for each, _speeds in page)
        after_ns = last_ns
    return found


def _tail(newest: Reading) -> set[tuple[Resolution, int, str]]:
    """Return the last intervals of a drive: who stored to InfluxDB before the move has rolled them up without what came now."""
    minute_ns = Resolution.MINUTE * 1_000_000_000
    times_ns = range(max(0, newest.t_ns - _TAIL_NS), newest.t_ns + 1, minute_ns)
    minutes = {(Resolution.MINUTE, end_ns_of(t_ns, Resolution.MINUTE), newest.drive_id) for t_ns in times_ns}
    longer = {
        (each, end_ns_of(newest.t_ns, each), newest.drive_id) for each in (Resolution.HOUR, Resolution.DAY)
    }
    return (
        minutes | longer | {(Resolution.MINUTE, end_ns_of(newest.t_ns, Resolution.MINUTE), newest.drive_id)}
    )
