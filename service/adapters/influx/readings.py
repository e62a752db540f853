"""The port `Readings` over InfluxDB, with its books in the database that holds the rest.

Knows in which order both are written; must not know HTTP, line protocol or SQL. Rules for the next editor:

- Points first, then the books, then the caller is told. A crash between leaves points that nobody was told of: they come
  again, are found, and only the books are made up for.
- No reader relies on which of two unlike writes to one point won: corrections are points of their own, and the books say
  which one counts. Only roll-ups are written over, each time with what the readings say now.
- Everything asked for is bounded: a page of rows at a time, time on both sides.
"""

import threading
from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from typing import Any, NamedTuple

import structlog

from service.adapters.database.readings import (
    check_intervals,
    check_passed,
    check_rows_max,
    check_spans,
    in_time,
    longest_windows_ns,
    within_reach,
)
from service.adapters.database.series_ledger import Correction, Known, Left, SeriesLedger
from service.adapters.influx import queries
from service.adapters.influx.client import InfluxClient, QueryRefusedError
from service.adapters.influx.lines import (
    ALL,
    IDENTITY,
    READING,
    ROLL_UP,
    ROLLED,
    Identity,
    Row,
    Weighted,
    identity_of,
    no_roll_up,
    reading_line,
    readings_of,
    roll_up_line,
    rows_of,
    tag,
    text_of,
    weighted_of,
)
from service.adapters.influx.queries import Source
from service.adapters.influx.rolling import (
    DAY_COLUMNS,
    MINUTE_COLUMNS,
    Days,
    Key,
    end_ns_of,
    longer_of,
    minutes_of,
)
from service.core.batch import WINDOW_NS_MAX
from service.core.influence import DayMeans
from service.core.reading import Reading
from service.ports import (
    ROWS_MAX,
    Newest,
    Passed,
    RawBatch,
    ReadingsRefusedError,
    RefusedReading,
    Resolution,
    RollUp,
    Span,
    StoreUnavailableError,
    Superseded,
)

_S = 1_000_000_000
_CHUNK = 500  # intervals that are rolled up at once
_TOGETHER_NS = 600 * _S  # readings that began so close to each other are looked for in one question
_FINER = {Resolution.HOUR: Resolution.MINUTE, Resolution.DAY: Resolution.HOUR}
_COARSER = {None: Resolution.MINUTE, Resolution.MINUTE: Resolution.HOUR, Resolution.HOUR: Resolution.DAY}
_FROM_NS = -1  # before anything that can be stored

_READINGS = Source(READING, ALL)
_MEASURED = _READINGS._replace(condition='"elongation_pct" > -1000000000')
_MINUTES = Source(READING, (*IDENTITY, *MINUTE_COLUMNS))
_DAYS = Source(READING, (*IDENTITY, *DAY_COLUMNS))
_FIRST = Source(READING, ("seq",), "\"rev\" = '0'")  # of each reading that ever was one point

log = structlog.get_logger(__name__)

Place = tuple[
    str, str, str, int, int
]  # drive, device, chain as they stand in tags, rev, t_ns: where twins stand
Revisions = Mapping[Identity, int]


class _Found(NamedTuple):
    """What is stored near some readings."""

    current: dict[Identity, Reading]
    revs: dict[Identity, int]  # the greatest there is, whether it counts or not
    twins: dict[Place, set[int]]


class InfluxReadings:
    """The port `Readings` over InfluxDB. May be used from any thread."""

    def __init__(self, client: InfluxClient, ledger: SeriesLedger) -> None:
        self._client, self._ledger = client, ledger
        self._turn = threading.Lock()  # who looks what is stored writes before another looks
        self._settled: set[str] = set()  # drives of which this process entered all that it stored

    # Storing

    def store(self, readings: Sequence[Reading]) -> int:
        """Store all and return how many were new. See the port.

        Raises ReadingsRefusedError where the server takes some and refuses others.
        """
        return self.store_all(readings, ())

    def store_all(self, readings: Sequence[Reading], raw_batches: Sequence[RawBatch]) -> int:
        """Store readings, then enter them in the books and keep the batches that they came from, in one transaction."""
        ordered = _in_order(readings)
        drive_ids = {reading.drive_id for reading in ordered}
        with self._turn:
            known = self._ledger.known(drive_ids)
            doubtful = [each for each in ordered if not self._surely_new(each, known)]
            found = self._find(doubtful, known) if doubtful else _Found({}, {}, defaultdict(set))
            new = [each for each in ordered if identity_of(each) not in found.revs]
            unsettled = drive_ids - self._settled
            self._settled -= drive_ids
            refused = self._write(new, found)
            took = [each for each in new if identity_of(each) not in refused]
            # What a crash kept out of the books; where all was entered, they have it.
            entered = took + [each for each in found.current.values() if each.drive_id in unsettled]
            batches = [each for each in raw_batches if _identity_of_batch(each) not in refused]
            self._ledger.note_stored(entered, batches)
            self._settled |= drive_ids
        if refused:
            raise ReadingsRefusedError([refused[each] for each in refused], new=len(took))
        return len(took)

    def take_over(self, readings: Sequence[Reading]) -> int:
        """Store readings that another store had, and return how many were new. Nobody has to look at them or roll them up.

        Raises ReadingsRefusedError, StoreUnavailableError.
        """
        ordered = _in_order(readings)
        with self._turn:
            found = self._find(ordered, self._ledger.known({each.drive_id for each in ordered}))
            new = [each for each in ordered if identity_of(each) not in found.revs]
            refused = self._write(new, found)
            took = [each for each in new if identity_of(each) not in refused]
            self._ledger.note_newest([*took, *found.current.values()])
        if refused:
            raise ReadingsRefusedError([refused[each] for each in refused], new=len(took))
        return len(took)

    def take_over_roll_ups(self, resolution: Resolution, roll_ups: Sequence[Weighted]) -> int:
        """Write roll-ups that another store had, and return how many; those over more readings that are there stay."""
        intervals = {(each.rolled.end_ns, each.rolled.drive_id) for each in roll_ups}
        stored = self._stored(resolution, intervals)
        lines = [
            roll_up_line(each, resolution)
            for each in roll_ups
            for one in (each.rolled,)
            if one.readings >= stored.get((one.drive_id, one.end_ns, one.chain_id), 0)
        ]
        refused = self._client.write(lines)
        if refused:
            raise StoreUnavailableError(f"it does not take roll-ups: {refused[0].words}")
        return len(lines)

    def _surely_new(self, reading: Reading, known: Mapping[str, Known]) -> bool:
        """Whether it lies after all that is stored of its drive, so that nobody has to look: live data do."""
        if reading.drive_id not in self._settled or reading.drive_id not in known:
            return False
        newest = known[reading.drive_id].newest
        if newest is None:
            return False
        t_ns, t0_ns = newest
        return reading.t0_ns >= t_ns > t0_ns and reading.t_ns > t_ns

    def _write(self, new: Sequence[Reading], found: _Found) -> dict[Identity, RefusedReading]:
        """Write points of readings under their first revision; return those that the server refuses for good."""
        lines = [reading_line(each, 0, _twin(each, 0, found.twins)) for each in new]
        refused = self._client.write(lines)
        return {identity_of(new[at]): _refused(new[at], words) for at, words in refused}

    def _find(self, readings: Sequence[Reading], known: Mapping[str, Known]) -> _Found:
        """Return what is stored of the identities of readings, and in their places."""
        wanted = {identity_of(each) for each in readings}
        found = _Found({}, {}, defaultdict(set))
        for group in _near(readings):
            drive_ids = sorted({each.drive_id for each in group})
            windows_ns = [known[each].longest_window_ns for each in drive_ids if each in known]
            longest_ns = max([*windows_ns, *(each.t_ns - each.t0_ns for each in group)])
            from_ns, to_ns = group[0].t0_ns - 1, group[-1].t0_ns + longest_ns
            for drive_id, values in queries.oldest_first(self._client, _READINGS, drive_ids, from_ns, to_ns):
                rows = rows_of(drive_id, values)
                for row in rows:
                    found.twins[_place(row)].add(row.twin)
                self._sort_out([row for row in rows if row.identity in wanted], found)
        return found

    def _sort_out(self, rows: Sequence[Row], found: _Found) -> None:
        for row in rows:
            found.revs[row.identity] = max(row.rev, found.revs.get(row.identity, 0))
        for reading in readings_of(self._current(rows)):
            found.current[identity_of(reading)] = reading

    # Correcting

    def supersede(self, readings: Sequence[Reading], at_ns: int, why: str) -> int:
        """Put these in place of those of the same identity; return how many differed. See the port."""
        longest_windows_ns(readings)
        wanted = sorted({identity_of(each): each for each in readings}.values(), key=lambda each: each.t0_ns)
        if not wanted:
            return 0
        with self._turn:
            known = self._ledger.known({each.drive_id for each in wanted})
            wanted = [each for each in wanted if each.drive_id in known]
            found = self._find(wanted, known)
            corrections = [
                Correction(found.current[which], each, found.revs[which] + 1)
                for each in wanted
                for which in (identity_of(each),)
                if which in found.current and found.current[which] != each
            ]
            if not corrections:
                return 0
            lines = [
                reading_line(each, rev, _twin(each, rev, found.twins)) for _old, each, rev in corrections
            ]
            refused = self._client.write(lines)
            if refused:
                words = [_refused(corrections[at].new, said) for at, said in refused]
                raise ReadingsRefusedError(words, new=0)  # nothing is entered: none of them counts
            left = self._left_by(corrections)
            self._ledger.note_superseded(
                corrections, at_ns, why, left=left, newest=self._newest_beside(corrections)
            )
        self._make_again(left)
        return len(corrections)

    def _newest_beside(self, corrections: Sequence[Correction]) -> list[Reading]:
        """Return the newest readings of the drives that are not corrected now: one of them may be the newest again."""
        revisions = {identity_of(each): rev for _old, each, rev in corrections}
        newest: list[Reading] = []
        for drive_id in sorted({each.drive_id for _old, each, _rev in corrections}):
            for source in (_READINGS, _MEASURED):
                newest += self._newest_rows(
                    source, drive_id, (_FROM_NS, queries.INSTANT_NS_MAX), 1, revisions
                )
        return newest

    def _left_by(self, corrections: Sequence[Correction]) -> list[Left]:
        """Return roll-ups that readings leave because their time or chain is another, where their finer data are all there.

        They will be made again from what is left. Those whose finer data were forgotten in part stay as they are, for nothing
        could take their place.
        """
        moved = [
            old for old, new, _rev in corrections if (old.t_ns, old.chain_id) != (new.t_ns, new.chain_id)
        ]
        left: list[Left] = []
        for resolution in Resolution:
            keys = {(each.drive_id, end_ns_of(each.t_ns, resolution), each.chain_id) for each in moved}
            intervals = {(end_ns, drive_id) for drive_id, end_ns, _chain_id in keys}
            stored, whole = self._stored(resolution, intervals), self._made(resolution, intervals)
            left += [
                (resolution, key[1], key[0], key[2])
                for key in keys
                if key in stored and key in whole and stored[key] <= whole[key].rolled.readings
            ]
        return left

    def _make_again(self, left: Sequence[Left]) -> None:
        """Make what is left of them at once: no page shall show a gap. They stay due, because others of the same may be."""
        for resolution in Resolution:
            of_it = [
                (end_ns, drive_id, chain_id)
                for each, end_ns, drive_id, chain_id in left
                if each is resolution
            ]
            if of_it:
                self._make(resolution, {(end_ns, drive_id) for end_ns, drive_id, _ in of_it}, set(of_it))

    # Rolling up

    def roll_up(self, intervals_max: int = 10_000) -> int:
        """Bring intervals that are due up to date (idempotent); return how many were taken up. See the port.

        Newest first, and minutes, hours and days in turn, as the store in SQL does it.
        """
        done = 0
        while done < intervals_max:
            before = done
            for resolution in Resolution:
                done += self._roll_up_chunk(resolution, min(_CHUNK, intervals_max - done))
            if done == before:
                break
        return done

    def _roll_up_chunk(self, resolution: Resolution, intervals_max: int) -> int:
        chunk = self._ledger.due(resolution, intervals_max)
        if chunk:
            left = self._ledger.left(resolution, chunk)
            self._make(resolution, {(each.end_ns, each.drive_id) for each in chunk}, left)
            self._ledger.done(resolution, chunk)
        return len(chunk)

    def _make(
        self,
        resolution: Resolution,
        intervals: set[tuple[int, str]],
        left: set[tuple[int, str, str | None]],
    ) -> None:
        """Write the roll-ups of intervals, but none over fewer readings than before: its finer data were forgotten meanwhile.

        left: (end_ns, drive_id, chain_id) of those that may be over fewer, or over none.
        """
        made = self._made(resolution, intervals)
        stored = self._stored(resolution, intervals)
        lines = []
        for key in made.keys() | stored.keys():
            drive_id, end_ns, chain_id = key
            new = made.get(key) or no_roll_up(drive_id, chain_id, end_ns)
            if new.rolled.readings >= stored.get(key, 0) or (end_ns, drive_id, chain_id) in left:
                lines.append(roll_up_line(new, resolution))
        for refused in self._client.write(lines):
            log.warning("roll_up_refused", said=refused.words)

    def _made(self, resolution: Resolution, intervals: set[tuple[int, str]]) -> dict[Key, Weighted]:
        """Return what the roll-ups of intervals are by what is below them."""
        if resolution is Resolution.MINUTE:
            rows = list(self._rows(_MINUTES, _regions(intervals, resolution)))
            made = minutes_of(rows)
        else:
            finer = self._roll_ups(_FINER[resolution], _regions(intervals, resolution))
            made = longer_of(finer, resolution)
        return {key: each for key, each in made.items() if (key[1], key[0]) in intervals}

    def _stored(self, resolution: Resolution, intervals: set[tuple[int, str]]) -> dict[Key, int]:
        """Return over how many readings the roll-ups of intervals are that are stored."""
        source = Source(ROLL_UP, ("chain", "readings"), f"\"resolution\" = '{int(resolution)}'")
        stored: dict[Key, int] = {}
        for region in _regions(intervals, resolution):
            pages = queries.oldest_first(self._client, source, region.drive_ids, region.from_ns, region.to_ns)
            for drive_id, rows in pages:
                for end_ns, chain, readings in rows:
                    if readings and (end_ns, drive_id) in intervals:
                        stored[drive_id, end_ns, text_of(chain)] = int(readings)
        return stored

    def _roll_ups(self, resolution: Resolution, regions: Iterable["_Region"]) -> Iterator[Weighted]:
        source = _rolled(resolution)
        for region in regions:
            pages = queries.oldest_first(self._client, source, region.drive_ids, region.from_ns, region.to_ns)
            for drive_id, rows in pages:
                yield from weighted_of(drive_id, rows)

    # Reading

    def newest(self) -> list[Newest]:
        """The newest of every drive that has readings, in no order: they stand in the books."""
        return self._ledger.newest()

    def newest_of(self, drive_id: str) -> Newest | None:
        """The newest of one drive."""
        found = self._ledger.newest(drive_id)
        return found[0] if found else None

    def raw(self, drive_id: str, from_ns: int, to_ns: int, rows_max: int = ROWS_MAX) -> list[Reading]:
        """Readings with from_ns < t_ns <= to_ns in the order of t_ns; the newest `rows_max` of them."""
        check_rows_max(rows_max)
        return self._newest_rows(_READINGS, drive_id, (within_reach(from_ns), within_reach(to_ns)), rows_max)

    def raw_of(self, spans: Sequence[Span], rows_max: int, *, oldest: bool = False) -> list[list[Reading]]:
        """Of each span in turn its newest (oldest) `rows_max` readings, in the order of time. See the port.

        Spans close to each other in time are asked for together. Where that leaves doubt what there is of a drive, it is
        asked for by itself.
        """
        check_spans(spans, rows_max)
        found: dict[Span, list[Reading]] = {}
        for group in _together(spans):
            found |= self._ends_together(group, rows_max, oldest=oldest)
        return [
            found[each] if each in found else self._end_of(each, rows_max, oldest=oldest) for each in spans
        ]

    def _ends_together(
        self, spans: Sequence[Span], rows_max: int, *, oldest: bool
    ) -> dict[Span, list[Reading]]:
        """Return the ends of spans, each of another drive, as far as one look together shows them."""
        by_drive = {each.drive_id: each for each in spans}
        range_ns = _range_ns(min(each.from_ns for each in spans), max(each.to_ns for each in spans))
        rows_by_drive, cut = queries.first_of_each(
            self._client, _source_of(spans), list(by_drive), range_ns, rows_max, oldest=oldest
        )
        rows = [row for drive_id, values in rows_by_drive.items() for row in rows_of(drive_id, values)]
        kept: dict[str, list[Row]] = defaultdict(list)
        for row in self._current(rows):
            span = by_drive[row.identity[0]]
            if span.from_ns < row.t_ns <= span.to_ns:
                kept[span.drive_id].append(row)
        return {
            span: _end(readings_of(kept[drive_id]), rows_max, oldest=oldest)
            for drive_id, span in by_drive.items()
            if drive_id not in cut or len(kept[drive_id]) >= rows_max
        }

    def _end_of(self, span: Span, rows_max: int, *, oldest: bool) -> list[Reading]:
        range_ns, source = _range_ns(span.from_ns, span.to_ns), _source_of([span])
        if not oldest:
            return self._newest_rows(source, span.drive_id, range_ns, rows_max)
        found: list[Row] = []
        for drive_id, values in queries.oldest_first(self._client, source, [span.drive_id], *range_ns):
            found += self._current(rows_of(drive_id, values))
        return _end(readings_of(found), rows_max, oldest=True)

    def _newest_rows(
        self,
        source: Source,
        drive_id: str,
        range_ns: tuple[int, int],
        rows_max: int,
        revisions: Revisions | None = None,
    ) -> list[Reading]:
        """Return the newest `rows_max` readings of a range that count, in the order of time. revisions: that count from now on."""
        found: list[Row] = []
        for values in queries.newest_first(self._client, source, drive_id, *range_ns, rows_max):
            found += self._current(rows_of(drive_id, values), revisions)
            if len(found) >= rows_max:
                break
        readings = readings_of(found)
        readings.sort(key=in_time)
        return readings[-rows_max:]

    def sampled(self, drive_id: str, from_ns: int, to_ns: int, every_ns: int, rows_max: int) -> list[Reading]:
        """Of each interval of `every_ns` in (from_ns, to_ns] its newest `rows_max` readings, in the order of time. See the port.

        Asked interval by interval, unless so little is stored that one look at all of it is less.
        """
        check_rows_max(rows_max)
        check_intervals(from_ns, to_ns, every_ns)
        intervals = max(0, (to_ns - from_ns) // every_ns)
        last_ns = from_ns + intervals * every_ns
        if not intervals:
            return []
        source = Source(READING, ("seq",))
        stored = sum(queries.counts(self._client, source, from_ns, last_ns, drive_id).values())
        if stored > intervals * (rows_max + _ROWS_A_QUESTION):
            ends = range(from_ns + every_ns, last_ns + 1, every_ns)
            return [
                each for end_ns in ends for each in self.raw(drive_id, end_ns - every_ns, end_ns, rows_max)
            ]
        return self._sampled_of_all(drive_id, from_ns, last_ns, every_ns, rows_max) if stored else []

    def _sampled_of_all(
        self, drive_id: str, from_ns: int, to_ns: int, every_ns: int, rows_max: int
    ) -> list[Reading]:
        groups: dict[int, list[Row]] = defaultdict(list)
        for values in queries.newest_first(self._client, _READINGS, drive_id, from_ns, to_ns, queries.PAGE):
            for row in self._current(rows_of(drive_id, values)):
                groups[(row.t_ns - from_ns - 1) // every_ns].append(row)
        return [
            each
            for place in sorted(groups)
            for each in sorted(readings_of(groups[place]), key=in_time)[-rows_max:]
        ]

    def rolled(
        self, drive_id: str, from_ns: int, to_ns: int, resolution: Resolution, rows_max: int = ROWS_MAX
    ) -> list[RollUp]:
        """Roll-ups with from_ns < end_ns <= to_ns, by end_ns then chain; the newest `rows_max` of them."""
        check_rows_max(rows_max)
        source, found = _rolled(resolution), list[RollUp]()
        range_ns = within_reach(from_ns), within_reach(to_ns)
        for values in queries.newest_first(self._client, source, drive_id, *range_ns, rows_max):
            found += [each.rolled for each in weighted_of(drive_id, values)]
            if len(found) >= rows_max:
                break
        found.sort(key=lambda each: (each.end_ns, each.chain_id or ""))
        return found[-rows_max:]

    def passed(
        self, drive_ids: Sequence[str], from_ns: int, to_ns: int, resolution: Resolution
    ) -> list[Passed]:
        """What the roll-ups with from_ns < end_ns <= to_ns say together, of each drive that has any, by drive_id."""
        check_passed(drive_ids, from_ns, to_ns, resolution)
        source = _rolled(resolution)._replace(columns=("chain", "readings", "measured", "pulses"))
        rows: dict[str, list[list[Any]]] = defaultdict(list)
        some = sorted(set(drive_ids))
        for drive_id, values in queries.oldest_first(self._client, source, some, *_range_ns(from_ns, to_ns)):
            rows[drive_id] += [row for row in values if row[2]]  # over readings
        return [_passed(drive_id, rows[drive_id]) for drive_id in sorted(rows) if rows[drive_id]]

    def by_day(self, drive_id: str, from_ns: int, to_ns: int) -> list[DayMeans]:
        """What raw readings with from_ns < t_ns <= to_ns say of each day, in UTC, and chain; by end_ns then chain_id."""
        days = Days()
        region = _Region([drive_id], within_reach(from_ns), within_reach(to_ns))
        pages = queries.oldest_first(self._client, _DAYS, region.drive_ids, region.from_ns, region.to_ns)
        for _drive_id, values in pages:
            days.add(self._current(rows_of(drive_id, values)))
        return days.means()

    def superseded(
        self, drive_id: str, from_ns: int, to_ns: int, rows_max: int = ROWS_MAX
    ) -> list[Superseded]:
        """Readings that others were put in place of, by t_ns then at_ns; the newest `rows_max` of them."""
        return self._ledger.superseded(drive_id, from_ns, to_ns, rows_max)

    def _rows(self, source: Source, regions: Iterable["_Region"]) -> Iterator[Row]:
        """Yield the rows of regions that count."""
        for region in regions:
            pages = queries.oldest_first(self._client, source, region.drive_ids, region.from_ns, region.to_ns)
            for drive_id, values in pages:
                yield from self._current(rows_of(drive_id, values))

    def _current(self, rows: Sequence[Row], more: Revisions | None = None) -> list[Row]:
        """Return the rows that count: of each identity the revision that the books name. One point twice counts once."""
        if not rows:
            return []
        began = [row.identity[2] for row in rows]
        drive_ids = {row.identity[0] for row in rows}
        revisions = self._ledger.revisions(drive_ids, min(began), max(began)) | dict(more or {})
        counted = {row.identity: row for row in rows if row.rev == revisions.get(row.identity, 0)}
        return list(counted.values())

    # Forgetting

    def forget(self, resolution: Resolution | None, before_ns: int, rows_max: int = 50_000) -> int:
        """Delete raw readings (resolution None) or roll-ups older than `before_ns`; return how many went. See the port.

        A server that cannot delete (3.x) has to be given a bucket with a retention of its own.
        """
        until_ns = min(within_reach(before_ns - 1), queries.INSTANT_NS_MAX)
        if resolution in _COARSER:
            until_ns -= until_ns % (_COARSER[resolution] * _S)
        gone = self._ledger.forget_superseded(until_ns, rows_max) if resolution is None else 0
        counted = _FIRST if resolution is None else _there(resolution)
        try:
            for drive_id in sorted(queries.counts(self._client, counted, _FROM_NS, until_ns)):
                if gone < rows_max:
                    gone += self._forget_of(drive_id, resolution, until_ns, rows_max - gone)
        except QueryRefusedError as error:
            log.warning("not_forgotten", said=str(error), fix="give the bucket a retention of its own")
        return gone

    def _forget_of(self, drive_id: str, resolution: Resolution | None, until_ns: int, rows_max: int) -> int:
        """Delete of one drive what may go, the earliest first; return how many went."""
        counted = _FIRST if resolution is None else _there(resolution)
        everything = Source(READING, ()) if resolution is None else _rolled(resolution)
        kept = self._ledger.kept(drive_id, resolution, until_ns)
        gone = 0
        for from_ns, to_ns in _between(kept, until_ns):
            there = queries.counts(self._client, counted, from_ns, to_ns, drive_id).get(tag(drive_id), 0)
            if there > rows_max - gone:
                cut = queries.at_cut(self._client, counted, drive_id, from_ns, to_ns, rows_max - gone)
                to_ns, there = (to_ns if cut is None else cut), rows_max - gone  # noqa: PLW2901
            if there:
                queries.delete(self._client, everything, drive_id, from_ns, to_ns)
                gone += there
            if gone >= rows_max:
                return gone
        if resolution is None:
            first_kept_ns = kept[0][0] if kept else until_ns
            self._ledger.forget_revisions(drive_id, min(until_ns, first_kept_ns) - WINDOW_NS_MAX)
        return gone


_ROWS_A_QUESTION = 100  # so many rows take as long to read as one more question to ask


class _Region(NamedTuple):
    """Drives, and a stretch (from, to] of time."""

    drive_ids: list[str]
    from_ns: int
    to_ns: int


def _regions(intervals: Iterable[tuple[int, str]], resolution: Resolution) -> list[_Region]:
    """Return few regions that hold intervals (end_ns, drive_id), and nothing but them where that is cheap.

    Live data are many drives in one interval, a backlog is many intervals of one drive.
    """
    length_ns = resolution * _S
    by_end: dict[int, list[str]] = defaultdict(list)
    by_drive: dict[str, list[int]] = defaultdict(list)
    for end_ns, drive_id in sorted(intervals):
        by_end[end_ns].append(drive_id)
        by_drive[drive_id].append(end_ns)
    across = [_Region(drive_ids, end_ns - length_ns, end_ns) for end_ns, drive_ids in by_end.items()]
    along = [
        _Region([drive_id], first_ns - length_ns, last_ns)
        for drive_id, ends in by_drive.items()
        for first_ns, last_ns in _unbroken(ends, length_ns)
    ]
    return min(across, along, key=len)


def _unbroken(ends: Sequence[int], length_ns: int) -> list[tuple[int, int]]:
    """Return the first and last of each row of ends that follow each other."""
    stretches: list[tuple[int, int]] = []
    for end_ns in ends:
        if stretches and end_ns - stretches[-1][1] == length_ns:
            stretches[-1] = (stretches[-1][0], end_ns)
        else:
            stretches.append((end_ns, end_ns))
    return stretches


def _between(kept: Iterable[tuple[int, int]], until_ns: int) -> list[tuple[int, int]]:
    """Return what is left of everything up to until_ns without what is kept, as stretches (from, to]."""
    free, from_ns = [], _FROM_NS
    for start_ns, end_ns in kept:
        if start_ns > from_ns:
            free.append((from_ns, min(start_ns, until_ns)))
        from_ns = max(from_ns, end_ns)
    if from_ns < until_ns:
        free.append((from_ns, until_ns))
    return free


def _in_order(readings: Sequence[Reading]) -> list[Reading]:
    """Return readings in the order of time, of those with one identity the first. Raises ValueError as the port does."""
    longest_windows_ns(readings)
    first = {identity_of(reading): reading for reading in reversed(readings)}
    return sorted(first.values(), key=in_time)


def _near(readings: Sequence[Reading]) -> list[list[Reading]]:
    """Return readings in groups that began close to each other, each in the order in which they began."""
    groups: list[list[Reading]] = []
    for reading in sorted(readings, key=lambda each: each.t0_ns):
        if groups and reading.t0_ns - groups[-1][-1].t0_ns <= _TOGETHER_NS:
            groups[-1].append(reading)
        else:
            groups.append([reading])
    return groups


def _place(row: Row) -> Place:
    drive_id, device_id, _t0_ns, _seq = row.identity
    return drive_id, device_id, row.chain, row.rev, row.t_ns


def _twin(reading: Reading, rev: int, twins: dict[Place, set[int]]) -> int:
    """Return the first place that is free where readings of one device end at one instant; it is taken then."""
    taken = twins[reading.drive_id, reading.device_id, tag(reading.chain_id), rev, reading.t_ns]
    twin = next(each for each in range(len(taken) + 1) if each not in taken)
    taken.add(twin)
    return twin


def _range_ns(from_ns: int, to_ns: int) -> tuple[int, int]:
    return within_reach(from_ns), within_reach(to_ns)


def _source_of(spans: Sequence[Span]) -> Source:
    """Return what is asked for of spans: readings, or measured ones of their chains."""
    chains = {each.drive_id: each.chain_id for each in spans if each.chain_id is not None}
    return _MEASURED._replace(chains=chains) if chains else _READINGS


def _together(spans: Sequence[Span]) -> list[list[Span]]:
    """Return groups of spans, each of another drive, that are all of chains or none, over about the same time."""
    groups: list[list[Span]] = []
    for span in sorted(set(spans), key=lambda each: (each.chain_id is None, each.to_ns, each.from_ns)):
        if groups and _goes_with(span, groups[-1]):
            groups[-1].append(span)
        else:
            groups.append([span])
    return groups


def _goes_with(span: Span, group: Sequence[Span]) -> bool:
    first = group[0]
    apart_ns = abs(span.from_ns - first.from_ns) + abs(span.to_ns - first.to_ns)
    return (
        (span.chain_id is None) == (first.chain_id is None)
        and apart_ns <= _TOGETHER_NS
        and all(span.drive_id != each.drive_id for each in group)
    )


def _end(readings: Sequence[Reading], rows_max: int, *, oldest: bool) -> list[Reading]:
    in_turn = sorted(readings, key=in_time)
    return in_turn[:rows_max] if oldest else in_turn[-rows_max:]


def _passed(drive_id: str, rows: Sequence[list[Any]]) -> Passed:
    """Return what rows of time, chain, readings, measured and pulses say together, which are in the order of time."""
    measured: dict[str | None, list[int]] = defaultdict(list)
    for end_ns, chain, _readings, some, _pulses in rows:
        if some:
            measured[text_of(chain)].append(end_ns)
    return Passed(
        drive_id=drive_id,
        readings=sum(int(row[2]) for row in rows),
        pulses=sum(int(row[4]) for row in rows),
        measured=dict(measured),
    )


def _refused(reading: Reading, words: str) -> RefusedReading:
    """Retention is named in what every InfluxDB says of a point that is too old."""
    return RefusedReading(reading, words, too_old="retention" in words.lower())


def _identity_of_batch(batch: RawBatch) -> Identity:
    return batch.drive_id, batch.device_id, batch.t0_ns, batch.seq


def _rolled(resolution: Resolution) -> Source:
    return Source(ROLL_UP, ROLLED, f"\"resolution\" = '{int(resolution)}'")


def _there(resolution: Resolution) -> Source:
    """Return what counts roll-ups: those over readings."""
    return Source(ROLL_UP, ("readings",), f'"resolution" = \'{int(resolution)}\' AND "readings" > 0')
