"""In-memory stand-ins for the store. Each passes the same contract tests as the database (tests/contracts).

Written from the ports, not from the SQL: sums are kept where the database keeps means. Set `down` to a text to have
every call raise StoreUnavailableError with it, as when the disk is full; nothing changes meanwhile.
"""

import json
from bisect import bisect_right
from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

from service.core.audit import AuditEntry
from service.core.batch import KEPT_PAYLOAD_BYTES_MAX, WINDOW_S_MAX, Rejection, RejectionReason
from service.core.drive import Baseline, Chain, Drive
from service.core.hand import HandValue
from service.core.influence import DayMeans
from service.core.life import Removal
from service.core.reading import Reading
from service.core.trend import mean_of
from service.ports import (
    PASSED_MAX,
    ROWS_MAX,
    ConflictError,
    DeviceState,
    Evaluations,
    KeptRejection,
    Newest,
    NotFoundError,
    Passed,
    RawBatch,
    RegisterChange,
    Resolution,
    RollUp,
    SavedMap,
    Sighting,
    Span,
    StoreUnavailableError,
    Superseded,
)
from tests.fakes_people import FakeAuditLog

S = 1_000_000_000  # nanoseconds
FINER = {Resolution.HOUR: Resolution.MINUTE, Resolution.DAY: Resolution.HOUR}
COARSER = {None: Resolution.MINUTE, Resolution.MINUTE: Resolution.HOUR, Resolution.HOUR: Resolution.DAY}


def _identity(reading: Reading) -> tuple[str, int, int, str]:
    return reading.drive_id, reading.t0_ns, reading.seq, reading.device_id


def _in_time(reading: Reading) -> tuple[int, int, int, str]:
    return reading.t_ns, reading.t0_ns, reading.seq, reading.device_id


def _end_ns(t_ns: int, resolution: Resolution) -> int:
    """The end of the interval (end - resolution, end] that t_ns falls into."""
    start_ns, past_ns = divmod(t_ns, resolution * S)
    return (start_ns + (past_ns > 0)) * resolution * S


class _Fake:
    """What every stand-in can do: be down."""

    down: str | None = None

    def _refuse_if_down(self) -> None:
        if self.down is not None:
            raise StoreUnavailableError(self.down)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Sums:
    """What went into one interval of one chain, so that two can be added."""

    readings: int
    pulses: int
    elongations: tuple[int, float] = (0, 0.0)  # how many, and their sum
    uncertainties: tuple[int, float] = (0, 0.0)
    speeds: tuple[int, float] = (0, 0.0)
    least: float | None = None
    greatest: float | None = None
    last: float | None = None

    @classmethod
    def of(cls, reading: Reading) -> "_Sums":
        def one(value: float | None) -> tuple[int, float]:
            return (0, 0.0) if value is None else (1, value)

        e = reading.elongation_pct
        return cls(
            readings=1,
            pulses=reading.up_pulses,
            elongations=one(e),
            uncertainties=one(reading.elongation_u_pct),
            speeds=one(reading.speed_m_s),
            least=e,
            greatest=e,
            last=e,
        )

    def followed_by(self, later: "_Sums") -> "_Sums":
        def add(a: tuple[int, float], b: tuple[int, float]) -> tuple[int, float]:
            return a[0] + b[0], a[1] + b[1]

        return _Sums(
            readings=self.readings + later.readings,
            pulses=self.pulses + later.pulses,
            elongations=add(self.elongations, later.elongations),
            uncertainties=add(self.uncertainties, later.uncertainties),
            speeds=add(self.speeds, later.speeds),
            least=min((v for v in (self.least, later.least) if v is not None), default=None),
            greatest=max((v for v in (self.greatest, later.greatest) if v is not None), default=None),
            last=self.last if later.last is None else later.last,
        )

    def as_roll_up(self, drive_id: str, chain_id: str | None, end_ns: int) -> RollUp:
        def mean(count_and_sum: tuple[int, float]) -> float | None:
            return None if not count_and_sum[0] else count_and_sum[1] / count_and_sum[0]

        return RollUp(
            drive_id=drive_id,
            chain_id=chain_id,
            end_ns=end_ns,
            readings=self.readings,
            measured=self.elongations[0],
            mean_pct=mean(self.elongations),
            min_pct=self.least,
            max_pct=self.greatest,
            last_pct=self.last,
            mean_u_pct=mean(self.uncertainties),
            mean_speed_m_s=mean(self.speeds),
            pulses=self.pulses,
        )


class FakeReadings(_Fake):
    """The port `Readings` in memory."""

    def __init__(self, evaluations: Evaluations | None = None) -> None:
        self._evaluations = evaluations
        self._superseded: list[Superseded] = []
        self._readings: dict[tuple[str, int, int, str], Reading] = {}
        self._changes = 0
        self._by_drive: tuple[int, dict[str, list[Reading]]] = (0, {})  # in time, and after how many changes
        self._due: set[tuple[Resolution, int, str]] = set()  # resolution, end_ns, drive_id
        self._sums: dict[tuple[str, Resolution, int], dict[str | None, _Sums]] = defaultdict(dict)

    def store(self, readings: Sequence[Reading]) -> int:
        self._refuse_if_down()
        _check_windows(readings)
        before = len(self._readings)
        for reading in readings:
            if _identity(reading) not in self._readings:
                self._readings[_identity(reading)] = reading
                self._changes += 1
                self._due.add((Resolution.MINUTE, _end_ns(reading.t_ns, Resolution.MINUTE), reading.drive_id))
                self._note(reading)
        return len(self._readings) - before

    def _note(self, reading: Reading) -> None:
        if self._evaluations is not None:
            self._evaluations.note(reading.drive_id, reading.t_ns)

    def supersede(self, readings: Sequence[Reading], at_ns: int, why: str) -> int:
        self._refuse_if_down()
        _check_windows(readings)
        changed = 0
        for identity, new in {_identity(reading): reading for reading in readings}.items():
            old = self._readings.get(identity)
            if old is None or old == new:
                continue
            if (old.t_ns, old.chain_id) != (new.t_ns, new.chain_id):
                self._leave_intervals(old)
            self._superseded.append(Superseded(reading=old, at_ns=at_ns, why=why))
            self._readings[identity] = new
            self._changes += 1
            self._note(old)
            self._note(new)
            for t_ns in (old.t_ns, new.t_ns):
                self._due.add((Resolution.MINUTE, _end_ns(t_ns, Resolution.MINUTE), new.drive_id))
            changed += 1
        return changed

    def _leave_intervals(self, reading: Reading) -> None:
        """Drop what was rolled up with a reading that leaves its chain, where all that it was made of is there."""
        drive_id, chain_id = reading.drive_id, reading.chain_id
        for resolution in (Resolution.DAY, Resolution.HOUR, Resolution.MINUTE):
            end_ns = _end_ns(reading.t_ns, resolution)
            parts = [sums for of, sums in self._parts(resolution, end_ns, drive_id) if of == chain_id]
            kept = self._sums[drive_id, resolution, end_ns]
            if chain_id in kept and kept[chain_id].readings <= sum(part.readings for part in parts):
                del kept[chain_id]
            self._due.add((resolution, end_ns, drive_id))

    def by_day(self, drive_id: str, from_ns: int, to_ns: int) -> list[DayMeans]:
        self._refuse_if_down()
        days: dict[tuple[int, str], list[Reading]] = defaultdict(list)
        for each in self._readings.values():
            if each.drive_id == drive_id and from_ns < each.t_ns <= to_ns and each.chain_id is not None:
                days[_end_ns(each.t_ns, Resolution.DAY), each.chain_id].append(each)
        return [_day_means(*key, readings) for key, readings in sorted(days.items())]

    def superseded(
        self, drive_id: str, from_ns: int, to_ns: int, rows_max: int = ROWS_MAX
    ) -> list[Superseded]:
        self._refuse_if_down()
        _check_rows_max(rows_max)
        found = [
            old
            for old in self._superseded
            if old.reading.drive_id == drive_id and from_ns < old.reading.t_ns <= to_ns
        ]
        return sorted(found, key=lambda old: (old.reading.t_ns, old.at_ns))[-rows_max:]

    def roll_up(self, intervals_max: int = 10_000) -> int:
        self._refuse_if_down()
        done = 0
        while self._due and done < intervals_max:
            interval = max(self._due, key=lambda due: (-due[0], due[1]))
            self._due.remove(interval)
            self._roll_up(*interval)
            done += 1
        return done

    def _roll_up(self, resolution: Resolution, end_ns: int, drive_id: str) -> None:
        made: dict[str | None, _Sums] = {}
        for chain_id, sums in self._parts(resolution, end_ns, drive_id):
            made[chain_id] = made[chain_id].followed_by(sums) if chain_id in made else sums
        kept = self._sums[drive_id, resolution, end_ns]
        for chain_id, sums in made.items():
            if chain_id not in kept or sums.readings >= kept[chain_id].readings:
                kept[chain_id] = sums
        if resolution in COARSER:
            coarser = COARSER[resolution]
            self._due.add((coarser, _end_ns(end_ns, coarser), drive_id))

    def _parts(
        self, resolution: Resolution, end_ns: int, drive_id: str
    ) -> Iterable[tuple[str | None, _Sums]]:
        """What an interval is made of, in the order of time."""
        start_ns = end_ns - resolution * S
        if resolution is Resolution.MINUTE:
            for reading in sorted(self._of(drive_id, start_ns, end_ns), key=_in_time):
                yield reading.chain_id, _Sums.of(reading)
            return
        for part_end_ns in range(start_ns + FINER[resolution] * S, end_ns + 1, FINER[resolution] * S):
            yield from self._sums.get((drive_id, FINER[resolution], part_end_ns), {}).items()

    def _of(self, drive_id: str, from_ns: int, to_ns: int) -> list[Reading]:
        of_drive = self._in_time_of(drive_id)
        first, end = (bisect_right(of_drive, t_ns, key=lambda r: r.t_ns) for t_ns in (from_ns, to_ns))
        return of_drive[first:end]

    def _in_time_of(self, drive_id: str) -> list[Reading]:
        number, by_drive = self._by_drive
        if number != self._changes:
            number, by_drive = self._changes, {}  # the number of before: what comes now is seen next time
            for reading in sorted(self._readings.values(), key=_in_time):
                by_drive.setdefault(reading.drive_id, []).append(reading)
            self._by_drive = number, by_drive
        return by_drive.get(drive_id, [])

    def newest(self) -> list[Newest]:
        self._refuse_if_down()
        return [
            newest
            for drive_id in {reading.drive_id for reading in self._readings.values()}
            if (newest := self.newest_of(drive_id)) is not None
        ]

    def newest_of(self, drive_id: str) -> Newest | None:
        self._refuse_if_down()
        of_drive = self._in_time_of(drive_id)
        if not of_drive:
            return None
        measured = (reading for reading in reversed(of_drive) if reading.elongation_pct is not None)
        return Newest(drive_id=drive_id, reading=of_drive[-1], measured=next(measured, None))

    def raw(self, drive_id: str, from_ns: int, to_ns: int, rows_max: int = ROWS_MAX) -> list[Reading]:
        self._refuse_if_down()
        _check_rows_max(rows_max)
        return sorted(self._of(drive_id, from_ns, to_ns), key=_in_time)[-rows_max:]

    def raw_of(self, spans: Sequence[Span], rows_max: int, *, oldest: bool = False) -> list[list[Reading]]:
        self._refuse_if_down()
        _check_rows_max(rows_max)
        if len(spans) * rows_max > ROWS_MAX:
            raise ValueError(f"{len(spans)} spans of {rows_max} rows are more than {ROWS_MAX}: ask in parts")
        found = []
        for span in spans:
            some = sorted(self._of(span.drive_id, span.from_ns, span.to_ns), key=_in_time)
            if span.chain_id is not None:
                some = [r for r in some if r.chain_id == span.chain_id and r.elongation_pct is not None]
            found.append(some[:rows_max] if oldest else some[-rows_max:])
        return found

    def sampled(self, drive_id: str, from_ns: int, to_ns: int, every_ns: int, rows_max: int) -> list[Reading]:
        if every_ns <= 0 or (to_ns - from_ns) // every_ns > 10_000:
            raise ValueError("every_ns must be above 0, and the range hold 10000 intervals at most")
        _check_rows_max(rows_max)
        ends_ns = range(from_ns + every_ns, to_ns + 1, every_ns)
        return [
            each for end_ns in ends_ns for each in self.raw(drive_id, end_ns - every_ns, end_ns, rows_max)
        ]

    def rolled(
        self, drive_id: str, from_ns: int, to_ns: int, resolution: Resolution, rows_max: int = ROWS_MAX
    ) -> list[RollUp]:
        self._refuse_if_down()
        _check_rows_max(rows_max)
        found = [
            sums.as_roll_up(drive_id, chain_id, end_ns)
            for (of_drive, of_resolution, end_ns), chains in self._sums.items()
            for chain_id, sums in chains.items()
            if (of_drive, of_resolution) == (drive_id, resolution) and from_ns < end_ns <= to_ns
        ]
        return sorted(found, key=lambda one: (one.end_ns, one.chain_id or ""))[-rows_max:]

    def passed(
        self, drive_ids: Sequence[str], from_ns: int, to_ns: int, resolution: Resolution
    ) -> list[Passed]:
        if (to_ns - from_ns) // (resolution * S) * len(drive_ids) > PASSED_MAX:
            raise ValueError(f"more than {PASSED_MAX} intervals: ask for fewer drives at once")
        return [
            _passed(drive_id, rolled)
            for drive_id in sorted(set(drive_ids))
            if (rolled := self.rolled(drive_id, from_ns, to_ns, resolution))
        ]

    def forget(self, resolution: Resolution | None, before_ns: int, rows_max: int = 50_000) -> int:
        self._refuse_if_down()
        until_ns = before_ns - 1
        if resolution in COARSER:
            until_ns -= until_ns % (COARSER[resolution] * S)
        if resolution is None:
            return self._forget_readings(until_ns, rows_max)
        old = sorted(
            (end_ns, drive_id)
            for drive_id, of_resolution, end_ns in self._sums
            if of_resolution == resolution and end_ns <= until_ns
        )
        gone = 0
        for end_ns, drive_id in old:
            coarser = COARSER.get(resolution)
            if coarser is not None and (coarser, _end_ns(end_ns, coarser), drive_id) in self._due:
                continue
            chains = self._sums[drive_id, resolution, end_ns]
            while chains and gone < rows_max:
                chains.popitem()
                gone += 1
        return gone

    def _forget_readings(self, until_ns: int, rows_max: int) -> int:
        superseded = sorted(self._superseded, key=lambda old: old.reading.t_ns)
        gone = [old for old in superseded if old.reading.t_ns <= until_ns][:rows_max]
        self._superseded = [old for old in self._superseded if not any(old is one for one in gone)]
        rows_max -= len(gone)
        shown = {id(one.reading) for one in self.newest()} | {id(one.measured) for one in self.newest()}
        old = [
            identity
            for identity, reading in sorted(self._readings.items(), key=lambda item: item[1].t0_ns)
            if reading.t_ns <= until_ns
            and id(reading) not in shown
            and (Resolution.MINUTE, _end_ns(reading.t_ns, Resolution.MINUTE), reading.drive_id)
            not in self._due
        ]
        for identity in old[:rows_max]:
            del self._readings[identity]
            self._changes += 1
        return len(gone) + len(old[:rows_max])


def _check_windows(readings: Iterable[Reading]) -> None:
    for reading in readings:
        if not 0 <= reading.t_ns - reading.t0_ns <= WINDOW_S_MAX * S or reading.t0_ns < 0:
            raise ValueError(
                f"reading of {reading.drive_id!r}: t0_ns must be 0 or more, and t_ns must lie 0 to 3600 s after "
                "t0_ns"
            )


def _check_rows_max(rows_max: int) -> None:
    if not 1 <= rows_max <= ROWS_MAX:
        raise ValueError(f"rows_max must be 1 to {ROWS_MAX}, not {rows_max}")


def _passed(drive_id: str, rolled: Sequence[RollUp]) -> Passed:
    measured: dict[str | None, list[int]] = defaultdict(list)
    for each in rolled:
        if each.measured:
            measured[each.chain_id].append(each.end_ns)
    return Passed(
        drive_id=drive_id,
        readings=sum(each.readings for each in rolled),
        pulses=sum(each.pulses for each in rolled),
        measured=dict(measured),
    )


def _day_means(end_ns: int, chain_id: str, readings: Sequence[Reading]) -> DayMeans:
    ran = [each for each in readings if each.speed_m_s]
    return DayMeans(
        chain_id=chain_id,
        end_ns=end_ns,
        readings=len(readings),
        measured=sum(each.elongation_pct is not None for each in readings),
        elongation_pct=mean_of(each.elongation_pct for each in readings),
        u_pct=mean_of(each.elongation_u_pct for each in readings),
        passages=sum(each.up_pulses for each in readings),
        running=mean_of(None if each.speed_m_s is None else float(each.speed_m_s > 0) for each in readings),
        speed_m_s=mean_of(each.speed_m_s for each in ran),
        load_n=mean_of(each.load_n for each in ran),
        temp_c=mean_of(each.temp_c for each in ran),
    )


class FakeRegister(_Fake):
    """The port `Register` in memory."""

    def __init__(self, audit_log: FakeAuditLog | None = None, evaluations: Evaluations | None = None) -> None:
        self.audit_log = audit_log or FakeAuditLog()
        self.evaluations = evaluations
        self._drives: dict[str, Drive] = {}
        self._chains: dict[str, Chain] = {}
        self._baselines: list[Baseline] = []
        self.removals: list[Removal] = []
        self._version = 0

    def version(self) -> int:
        self._refuse_if_down()
        return self._version

    def drives(self, *, retired: bool = False) -> list[Drive]:
        self._refuse_if_down()
        return [drive for _, drive in sorted(self._drives.items()) if retired or drive.retired_ns is None]

    def drive(self, drive_id: str) -> Drive:
        self._refuse_if_down()
        if drive_id not in self._drives:
            raise NotFoundError(f"drive {drive_id!r} is not registered: register it, or correct the id")
        return self._drives[drive_id]

    def add_drive(self, drive: Drive, *, entry: AuditEntry | None = None) -> None:
        self._refuse_if_down()
        if drive.drive_id in self._drives:
            raise ConflictError(f"drive {drive.drive_id!r} is registered already: choose another id")
        self._put(drive, entry)

    def change_drive(
        self, drive: Drive, *, was: Drive | None = None, entry: AuditEntry | None = None
    ) -> None:
        if was is not None and self.drive(drive.drive_id) != was:
            raise ConflictError(
                f"{drive.drive_id} has changed meanwhile: look at it again before you change it"
            )
        if self.drive(drive.drive_id) != drive:
            self._put(drive, entry)

    def retire_drive(self, drive_id: str, at_ns: int, *, entry: AuditEntry | None = None) -> None:
        drive = self.drive(drive_id)
        if drive.retired_ns is None:
            self._put(replace(drive, retired_ns=at_ns), entry)

    def _put(self, drive: Drive, entry: AuditEntry | None) -> None:
        self._drives[drive.drive_id] = drive
        self._raise_version(entry)

    def _raise_version(self, entry: AuditEntry | None) -> None:
        self._version += 1
        self.audit_log.record(entry)

    def chains(self, drive_id: str | None = None) -> list[Chain]:
        self._refuse_if_down()
        found = [chain for chain in self._chains.values() if drive_id in {None, chain.drive_id}]
        return sorted(found, key=lambda chain: (chain.fitted_ns, chain.chain_id))

    def fit_chain(self, chain: Chain, *, entry: AuditEntry | None = None) -> None:
        self.drive(chain.drive_id)
        if chain.chain_id in self._chains:
            raise ConflictError(f"chain {chain.chain_id!r} is registered already: choose another id")
        for other in self.chains(chain.drive_id):
            begins_before_it_ends = other.removed_ns is None or chain.fitted_ns < other.removed_ns
            ends_after_it_begins = chain.removed_ns is None or other.fitted_ns < chain.removed_ns
            if begins_before_it_ends and ends_after_it_begins:
                raise ConflictError(
                    f"drive {chain.drive_id!r} has chain {other.chain_id!r} on at that time: take it off first"
                )
        self._chains[chain.chain_id] = chain
        self.note(chain.drive_id, chain.fitted_ns)
        self._raise_version(entry)

    def take_off_chain(
        self,
        chain_id: str,
        at_ns: int,
        why: str,
        *,
        removal: Removal | None = None,
        entry: AuditEntry | None = None,
    ) -> None:
        chain = self._chain(chain_id)
        if chain.removed_ns is not None:
            raise ConflictError(f"chain {chain_id!r} was taken off already: nothing to do")
        if at_ns <= chain.fitted_ns:
            raise ConflictError(f"chain {chain_id!r} was fitted at {chain.fitted_ns} ns: give a later time")
        self._chains[chain_id] = replace(chain, removed_ns=at_ns, removed_why=why)
        self.note(chain.drive_id, at_ns)
        if removal is not None:
            self.keep_removal(removal)
        self._raise_version(entry)

    def keep_removal(self, removal: Removal) -> Removal:
        """Keep one, and return it with its number; the fake of `Removals` reads and adds here."""
        self.removals.append(replace(removal, number=len(self.removals) + 1))
        return self.removals[-1]

    def note(self, drive_id: str, from_ns: int) -> None:
        """Note a drive as due to be looked at, as the database does in the same transaction."""
        if self.evaluations is not None:
            self.evaluations.note(drive_id, from_ns)

    def _chain(self, chain_id: str) -> Chain:
        self._refuse_if_down()
        if chain_id not in self._chains:
            raise NotFoundError(
                f"chain {chain_id!r} is not registered: fit it on its drive, or correct the id"
            )
        return self._chains[chain_id]

    def baselines(self, chain_id: str | None = None) -> list[Baseline]:
        self._refuse_if_down()
        found = [baseline for baseline in self._baselines if chain_id in {None, baseline.chain_id}]
        return sorted(found, key=lambda baseline: (baseline.taken_ns, baseline.recorded_ns))

    def record_baseline(self, baseline: Baseline, *, entry: AuditEntry | None = None) -> None:
        self._chain(baseline.chain_id)
        self._baselines.append(baseline)
        self._raise_version(entry)

    def change_many(
        self, changes: Sequence[RegisterChange], *, version: int, entry: AuditEntry | None = None
    ) -> None:
        if self.version() != version:
            raise ConflictError("the register has changed meanwhile: look at it again before you change it")
        tried = FakeRegister()  # without a log, and with nobody to note what is due
        tried._drives, tried._chains = dict(self._drives), dict(self._chains)
        for each in changes:
            tried._change(each)
        for each in changes:
            self._change(each)
        self.audit_log.record(entry)

    def _change(self, change: RegisterChange) -> None:
        match change.put:
            case Drive() as drive if drive.drive_id in self._drives:
                self.change_drive(drive, entry=change.entry)
            case Drive() as drive:
                self.add_drive(drive, entry=change.entry)
            case Chain() as chain:
                self.fit_chain(chain, entry=change.entry)
            case Baseline() as baseline:
                self.record_baseline(baseline, entry=change.entry)


class FakeRefused(_Fake):
    """The port `Refused` in memory. The oldest go first, by drive and in all."""

    def __init__(
        self,
        *,
        rejections_per_drive: int = 200,
        rejections: int = 10_000,
        sightings: int = 1_000,
        audit_log: FakeAuditLog | None = None,
    ) -> None:
        self._audit_log = audit_log or FakeAuditLog()
        self._per_drive_max, self._rejections_max, self._sightings_max = (
            rejections_per_drive,
            rejections,
            sightings,
        )
        self._rejections: dict[int, KeptRejection] = {}
        self._sightings: dict[str, Sighting] = {}
        self._number = 0

    def keep(self, rejections: Sequence[Rejection], sightings: Sequence[Sighting]) -> None:
        self._refuse_if_down()
        for rejection in rejections:
            self._keep_rejection(replace(rejection, payload=rejection.payload[:KEPT_PAYLOAD_BYTES_MAX]))
        for drive_id in {rejection.drive_id for rejection in rejections}:
            of_drive = [n for n, kept in self._rejections.items() if kept.rejection.drive_id == drive_id]
            self._drop(sorted(of_drive)[: -self._per_drive_max])
        self._drop(sorted(self._rejections)[: -self._rejections_max])
        for sighting in sightings:
            self._keep_sighting(sighting)
        newest = sorted(self._sightings.values(), key=lambda one: (-one.last_seen_ns, one.drive_id))
        self._sightings = {one.drive_id: one for one in newest[: self._sightings_max]}

    def _drop(self, numbers: Iterable[int]) -> None:
        for number in numbers:
            del self._rejections[number]

    def _keep_rejection(self, rejection: Rejection) -> None:
        for number, kept in self._rejections.items():
            same = kept.rejection
            if (same.drive_id, same.payload, same.payload_bytes, same.reason) == (
                rejection.drive_id,
                rejection.payload,
                rejection.payload_bytes,
                rejection.reason,
            ):
                self._rejections[number] = replace(kept, repeats=kept.repeats + 1)
                return
        self._number += 1
        self._rejections[self._number] = KeptRejection(number=self._number, rejection=rejection, repeats=0)

    def _keep_sighting(self, new: Sighting) -> None:
        old = self._sightings.get(new.drive_id)
        if old is not None:
            newer = new if new.last_seen_ns >= old.last_seen_ns else old
            new = replace(
                newer,
                first_seen_ns=min(old.first_seen_ns, new.first_seen_ns),
                messages=old.messages + new.messages,
            )
        self._sightings[new.drive_id] = new

    def rejections(
        self, drive_id: str | None = None, rows_max: int = 100, *, unregistered: bool = True
    ) -> list[KeptRejection]:
        self._refuse_if_down()
        found = [
            kept
            for kept in self._rejections.values()
            if drive_id in {None, kept.rejection.drive_id}
            and (unregistered or kept.rejection.reason is not RejectionReason.UNREGISTERED)
        ]
        return sorted(found, key=lambda kept: -kept.number)[:rows_max]

    def sightings(self) -> list[Sighting]:
        self._refuse_if_down()
        return sorted(self._sightings.values(), key=lambda one: (-one.last_seen_ns, one.drive_id))

    def forget_sighting(self, drive_id: str, *, entry: AuditEntry | None = None) -> None:
        self._refuse_if_down()
        if self._sightings.pop(drive_id, None) is not None:
            self._audit_log.record(entry)


class FakeRawBatches(_Fake):
    """The port `RawBatches` in memory. Those that came first go first, by drive and in all."""

    def __init__(
        self, *, bytes_per_drive: int = 64 * 1024 * 1024, bytes_in_all: int = 256 * 1024 * 1024
    ) -> None:
        self._per_drive_max, self._in_all_max = bytes_per_drive, bytes_in_all
        self._batches: dict[tuple[str, str, int, int], RawBatch] = {}  # in the order of arrival

    def keep(self, batches: Sequence[RawBatch]) -> None:
        self._refuse_if_down()
        for batch in batches:
            self._batches.setdefault((batch.drive_id, batch.device_id, batch.t0_ns, batch.seq), batch)
        for drive_id in {batch.drive_id for batch in batches}:
            self._drop([key for key in self._batches if key[0] == drive_id], self._per_drive_max)
        self._drop(list(self._batches), self._in_all_max)

    def _drop(self, keys: Sequence[tuple[str, str, int, int]], bytes_max: int) -> None:
        kept_bytes = sum(len(self._batches[key].payload) for key in keys)
        for key in keys:
            if kept_bytes <= bytes_max:
                return
            kept_bytes -= len(self._batches.pop(key).payload)

    def _of(self, drive_id: str) -> list[RawBatch]:
        found = [batch for batch in self._batches.values() if batch.drive_id == drive_id]
        return sorted(found, key=lambda one: (one.t_ns, one.t0_ns, one.seq, one.device_id))

    def raw(self, drive_id: str, from_ns: int, to_ns: int, rows_max: int = 1000) -> list[RawBatch]:
        self._refuse_if_down()
        _check_rows_max(rows_max)
        return [batch for batch in self._of(drive_id) if from_ns < batch.t_ns <= to_ns][-rows_max:]

    def after(self, drive_id: str, t_ns: int, rows_max: int = 1000) -> list[RawBatch]:
        self._refuse_if_down()
        _check_rows_max(rows_max)
        later = [batch for batch in self._of(drive_id) if batch.t_ns > t_ns]
        return [batch for batch in later if batch.t_ns <= later[:rows_max][-1].t_ns]

    def forget(self, before_ns: int, rows_max: int = 10_000) -> int:
        self._refuse_if_down()
        old = [key for key, batch in self._batches.items() if batch.t_ns < before_ns]
        old.sort(key=lambda key: (key[0], self._batches[key].t_ns))
        for key in old[:rows_max]:
            del self._batches[key]
        return len(old[:rows_max])


class FakeHandValues(_Fake):
    """The port `HandValues` in memory, beside a register that says which chains there are."""

    def __init__(self, register: FakeRegister) -> None:
        self._register = register
        self._values: list[HandValue] = []

    def record(self, value: HandValue, *, entry: AuditEntry | None = None) -> None:
        self._refuse_if_down()
        self._register.drive(value.drive_id)
        if value.chain_id not in {chain.chain_id for chain in self._register.chains(value.drive_id)}:
            raise NotFoundError(f"drive {value.drive_id!r} has no chain {value.chain_id!r}: correct the id")
        taken = value.key is not None and self.by_key(value.drive_id, value.key) is not None
        if value not in self._values and not taken:
            self._values.append(value)
            self._register.note(value.drive_id, value.measured_ns)
            self._register.audit_log.record(entry)

    def by_key(self, drive_id: str, key: str) -> HandValue | None:
        self._refuse_if_down()
        return next((each for each in self._values if (each.drive_id, each.key) == (drive_id, key)), None)

    def of(self, drive_id: str) -> list[HandValue]:
        self._refuse_if_down()
        found = [value for value in self._values if value.drive_id == drive_id]
        return sorted(found, key=lambda value: (value.measured_ns, value.recorded_ns))

    def of_each(self, drive_ids: Sequence[str]) -> dict[str, list[HandValue]]:
        return {drive_id: found for drive_id in drive_ids if (found := self.of(drive_id))}

    def newest(self) -> list[HandValue]:
        self._refuse_if_down()
        return [self.of(drive_id)[-1] for drive_id in sorted({value.drive_id for value in self._values})]


class FakeDevices(_Fake):
    """The port `Devices` in memory. Beyond `states_max` those unchanged for longest go."""

    def __init__(self, states_max: int = 10_000) -> None:
        self._states_max = states_max
        self._states: dict[str, DeviceState] = {}

    def note(self, states: Sequence[DeviceState]) -> None:
        self._refuse_if_down()
        for new in states:
            old = self._states.get(new.drive_id)
            if old is None or (new.since_ns > old.since_ns and new.online != old.online):
                self._states[new.drive_id] = new
        newest = sorted(self._states.values(), key=lambda state: (-state.since_ns, state.drive_id))
        self._states = {state.drive_id: state for state in newest[: self._states_max]}

    def states(self) -> list[DeviceState]:
        self._refuse_if_down()
        return [state for _, state in sorted(self._states.items())]


class FakeChainMaps(_Fake):
    """The port `ChainMaps` in memory, as JSON: so that nothing comes back from it that JSON cannot hold."""

    def __init__(self, state_bytes_max: int = 16 * 1024 * 1024) -> None:
        self._state_bytes_max = state_bytes_max
        self._maps: dict[str, tuple[int, str]] = {}

    def save(self, saved: SavedMap) -> None:
        self._refuse_if_down()
        try:
            text = json.dumps(saved.state, allow_nan=False)
        except (TypeError, ValueError) as error:
            raise ValueError(
                f"map of chain {saved.chain_id!r}: JSON cannot say its state: {error}"
            ) from error
        if len(text) > self._state_bytes_max:
            raise ValueError(
                f"map of chain {saved.chain_id!r}: its state has too many bytes: fold fewer links"
            )
        self._maps[saved.chain_id] = (saved.folded_to_ns, text)

    def load(self, chain_id: str) -> SavedMap | None:
        self._refuse_if_down()
        if chain_id not in self._maps:
            return None
        folded_to_ns, text = self._maps[chain_id]
        return SavedMap(chain_id=chain_id, folded_to_ns=folded_to_ns, state=json.loads(text))
