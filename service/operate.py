"""Door: a person acted. Each act is checked against the register, done, logged and answered with what is now so.

Knows the ports and core; must not know how the person came in (command line, page, API). `at_ns` is now,
read once by the caller; `by` is who acted. What a person got wrong raises, with the fix in words:
NotFoundError (no such drive, chain, sighting), ConflictError (contradicts what is registered) or
ValueError (a value that cannot be). StoreUnavailableError passes through; nothing is half done then, except
where a method says so.
"""

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from itertools import count
from statistics import fmean, stdev

import structlog

from service.core import catalogue
from service.core.audit import AuditEntry, entry_of
from service.core.drive import Baseline, Chain, Drive, Registration, baseline_at, chain_at
from service.core.elongation import load_correction_pct, polygon_u_pitches, temperature_correction_pct
from service.core.fields import FieldsRefusedError
from service.core.life import Removal
from service.core.reading import Reading, alternations_pct
from service.ports import ConflictError, NotFoundError, Readings, Refused, Register

log = structlog.get_logger()

SECOND_NS = 1_000_000_000
AHEAD_NS = 600 * SECOND_NS  # dates that people enter may lie so far ahead of our clock, as t0 may
BASELINE_WINDOW_NS = 600 * SECOND_NS  # readings of so long before a baseline go into its N0
BASELINE_READINGS_MIN = 3


@dataclass(frozen=True, slots=True)
class Changed:
    """A drive with its new settings, and what the change asks for besides."""

    drive: Drive
    advice: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class ImportProblem:
    """A registration that was left out, and what would mend it."""

    drive_id: str
    detail: str


@dataclass(frozen=True, slots=True, kw_only=True)
class ImportResult:
    """What an import did, or would do where `dry_run` is set: ids of drives, each in one list only."""

    added: tuple[str, ...]
    changed: tuple[str, ...]
    unchanged: tuple[str, ...]
    errors: tuple[ImportProblem, ...]
    dry_run: bool


class Operate:
    """What people do to the register."""

    def __init__(self, register: Register, refused: Refused, readings: Readings) -> None:
        self._register, self._refused, self._readings = register, refused, readings

    # Drives

    def add_drive(self, drive: Drive, *, at_ns: int, by: str) -> Drive:
        """Register a drive and return it. What was seen of it before counts as settled. Raises ConflictError."""
        self._register.add_drive(drive, entry=drive_entry("drive added", None, drive, at_ns, by))
        self._refused.forget_sighting(drive.drive_id)
        log.info("drive added", drive=drive.drive_id, by=by, at_ns=at_ns)
        return drive

    def change_drive(self, drive: Drive, *, was: Drive | None = None, at_ns: int, by: str) -> Changed:
        """Replace the settings of a drive and return them with advice.

        was: as it was when the change was made to it; None: whatever it is now is overwritten. Raises NotFoundError, and
        ConflictError where it is not `was` any more.
        """
        before = was or self._register.drive(drive.drive_id)
        entry = drive_entry("drive changed", before, drive, at_ns, by)
        self._register.change_drive(drive, was=was, entry=entry)
        log.info("drive changed", drive=drive.drive_id, by=by, at_ns=at_ns)
        return Changed(drive, self._advice(before, drive, at_ns))

    def retire_drive(self, drive_id: str, *, at_ns: int, by: str) -> Drive:
        """Take a drive off the board and return it; its history stays. Raises NotFoundError, ConflictError."""
        drive = self._register.drive(drive_id)
        if drive.retired_ns is not None:
            raise ConflictError(f"drive {drive_id!r} is retired already: nothing to do")
        retired = replace(drive, retired_ns=at_ns)
        self._register.retire_drive(
            drive_id, at_ns, entry=drive_entry("drive retired", drive, retired, at_ns, by)
        )
        log.info("drive retired", drive=drive_id, by=by, at_ns=at_ns)
        return self._register.drive(drive_id)

    def bring_back_drive(self, drive_id: str, *, at_ns: int, by: str) -> Drive:
        """Put a retired drive back on the board and return it. Raises NotFoundError, ConflictError."""
        drive = self._register.drive(drive_id)
        if drive.retired_ns is None:
            raise ConflictError(f"drive {drive_id!r} is not retired: nothing to do")
        back = replace(drive, retired_ns=None)
        self._register.change_drive(back, entry=drive_entry("drive brought back", drive, back, at_ns, by))
        log.info("drive brought back", drive=drive_id, by=by, at_ns=at_ns)
        return back

    def register_sighting(
        self, drive: Drive, chain: Chain | None = None, *, at_ns: int, by: str
    ) -> Registration:
        """Register a drive that was seen on the broker, with the chain on it, and return both.

        Raises NotFoundError where no such drive was seen, ConflictError as `add_drive` and `fit_chain`. Both are
        checked before either is stored.
        """
        if all(each.drive_id != drive.drive_id for each in self._refused.sightings()):
            raise NotFoundError(
                f"no unregistered drive {drive.drive_id!r} was seen on the broker: look at the list of those that "
                "were, or register it as a new drive"
            )
        registration = Registration(drive, chain)
        if chain is not None:
            self._check_fit(chain, at_ns)
        self.add_drive(drive, at_ns=at_ns, by=by)
        if chain is not None:
            self._register.fit_chain(chain, entry=chain_entry(chain, at_ns, by))
            log.info("chain fitted", drive=drive.drive_id, chain=chain.chain_id, by=by, at_ns=at_ns)
        return registration

    def turn_away_sighting(self, drive_id: str, *, at_ns: int, by: str) -> None:
        """Take an unregistered drive off the list; it comes back when it is seen again. Raises NotFoundError."""
        if all(each.drive_id != drive_id for each in self._refused.sightings()):
            raise NotFoundError(f"no unregistered drive {drive_id!r} is listed: nothing to do")
        entry = entry_of(at_ns=at_ns, by=by, what="sighting turned away", subject=f"drive {drive_id}")
        self._refused.forget_sighting(drive_id, entry=entry)
        log.info("sighting turned away", drive=drive_id, by=by, at_ns=at_ns)

    # Chains

    def describe_chain(  # noqa: PLR0913 - what a person may say of a chain, all by name
        self,
        drive_id: str,
        *,
        chain_id: str = "",
        designation: str = "",
        pitch_mm: float | None = None,
        strands: int | None = None,
        pitches_in_loop: int | None = None,
        fitted_ns: int,
        note: str = "",
    ) -> Chain:
        """Return the chain that a person described, not stored yet; the catalogue fills what they left out.

        chain_id: "" takes the drive's id and the day it was fitted, with a number behind where that is taken.
        designation: fills pitch and strands; a pitch given besides must agree with it.
        Raises ValueError where the pitch is neither given nor to be found.
        """
        pitch_mm, strands = _nominal(designation, pitch_mm, strands)
        return Chain(
            chain_id=chain_id or self._free_chain_id(drive_id, fitted_ns),
            drive_id=drive_id,
            designation=designation,
            pitch_mm=pitch_mm,
            strands=strands,
            pitches_in_loop=pitches_in_loop,
            fitted_ns=fitted_ns,
            note=note,
        )

    def fit_chain(self, chain: Chain, *, at_ns: int, by: str) -> Chain:
        """Record that a chain is on its drive and return it. Raises NotFoundError, ConflictError, ValueError."""
        if self._register.drive(chain.drive_id).retired_ns is not None:
            raise ConflictError(f"drive {chain.drive_id!r} is retired: bring it back first")
        self._check_fit(chain, at_ns)
        self._register.fit_chain(chain, entry=chain_entry(chain, at_ns, by))
        log.info("chain fitted", drive=chain.drive_id, chain=chain.chain_id, by=by, at_ns=at_ns)
        return chain

    def take_off_chain(
        self,
        chain_id: str,
        *,
        removed_ns: int | None = None,
        why: str,
        removal: Removal | None = None,
        at_ns: int,
        by: str,
    ) -> Chain:
        """Record that a chain was taken off, now or at `removed_ns`, and return it.

        removal: what more is known of how it ended (see `Tend.take_off_chain`); stored with it.
        Raises NotFoundError, ConflictError (off already, fitted later), ValueError (a date ahead of now).
        """
        removed_ns = at_ns if removed_ns is None else removed_ns
        refuse_ahead("removed", removed_ns, at_ns)
        entry = entry_of(
            at_ns=at_ns,
            by=by,
            what="chain taken off",
            subject=f"chain {chain_id}",
            old={"removed_ns": None},
            new={"removed_ns": removed_ns} | ({"kind": str(removal.kind)} if removal else {}),
            why=why,
        )
        self._register.take_off_chain(chain_id, removed_ns, why, removal=removal, entry=entry)
        log.info("chain taken off", chain=chain_id, by=by, at_ns=at_ns)
        return self._chain(chain_id)

    # Baselines

    def record_baseline(  # noqa: PLR0913 - what a person says of a baseline, all by name
        self,
        chain_id: str,
        *,
        elongation_pct: float,
        elongation_u_pct: float,
        pitches_between: float | None = None,
        pitches_between_u: float | None = None,
        up_alternation_pct: float | None = None,
        down_alternation_pct: float | None = None,
        taken_ns: int | None = None,
        why: str,
        at_ns: int,
        by: str,
    ) -> Baseline:
        """Record what the chain's elongation was at one instant, and return the baseline.

        pitches_between, pitches_between_u: N0 and its standard uncertainty, both or neither; None takes the mean of
            the readings of the ten minutes before `taken_ns`, at the reference temperature and load, and with it the
            mean elongation by alternation of each sensor.
        up_alternation_pct, down_alternation_pct: elongation by alternation then; counts only where N0 is given.
        Raises NotFoundError (chain), ConflictError (too few readings; the chain was not on then), ValueError.
        """
        if (pitches_between is None) != (pitches_between_u is None):
            raise FieldsRefusedError(
                {"pitches_between_u": "give N0 and its standard uncertainty, or neither"}
            )
        chain = self._chain(chain_id)
        taken_ns = at_ns if taken_ns is None else taken_ns
        refuse_ahead("taken", taken_ns, at_ns)
        if chain_at([chain], taken_ns) is None:
            raise ConflictError(
                f"chain {chain_id!r} was not on its drive then: correct the time it was taken"
            )
        if pitches_between is None or pitches_between_u is None:
            measured = self._measured_before(chain, taken_ns)
            drive = self._register.drive(chain.drive_id)
            pitches_between, pitches_between_u = reference_pitches(drive, measured)
            up_alternation_pct, down_alternation_pct = (
                _mean_of(alternations_pct(each)[sensor] for each in measured) for sensor in (0, 1)
            )
        baseline = Baseline(
            chain_id=chain_id,
            pitches_between=pitches_between,
            pitches_between_u=pitches_between_u,
            elongation_pct=elongation_pct,
            elongation_u_pct=elongation_u_pct,
            taken_ns=taken_ns,
            recorded_ns=at_ns,
            recorded_by=by,
            why=why,
            up_alternation_pct=up_alternation_pct,
            down_alternation_pct=down_alternation_pct,
        )
        self._register.record_baseline(baseline, entry=baseline_entry(baseline, at_ns, by))
        log.info("baseline recorded", chain=chain_id, by=by, at_ns=at_ns)
        return baseline

    # Many at once

    def import_registrations(
        self,
        registrations: Sequence[Registration],
        *,
        replace: bool = False,
        dry_run: bool = False,
        at_ns: int,
        by: str,
    ) -> ImportResult:
        """Register many drives and return what became of each. One that is refused does not stop the others.

        A drive, chain or baseline that is registered alike already changes nothing, so a file may be imported
        again. Other settings of a registered drive are an error unless `replace` is set; other facts of a
        registered chain always are: its history is not overwritten.

        dry_run: only say what would happen.
        """
        outcome: dict[str, str] = {}
        errors: list[ImportProblem] = []
        for registration in registrations:
            drive_id = registration.drive.drive_id
            if drive_id in outcome:
                errors.append(ImportProblem(drive_id, "stands in the import twice: keep one of them"))
                continue
            try:
                outcome[drive_id] = self._import(registration, replace, dry_run, at_ns, by)
            except (ConflictError, NotFoundError, ValueError) as error:
                errors.append(ImportProblem(drive_id, str(error)))
                outcome[drive_id] = "refused"
        lists = {kind: tuple(d for d, k in outcome.items() if k == kind) for kind in _KINDS}
        return ImportResult(**lists, errors=tuple(errors), dry_run=dry_run)

    def _import(self, wanted: Registration, replace_it: bool, dry_run: bool, at_ns: int, by: str) -> str:  # noqa: FBT001
        """Plan all of one registration before doing any of it; return what became of it."""
        known = self._known(wanted.drive.drive_id)
        kind = _drive_outcome(known, wanted.drive, replace_it=replace_it)
        chain = wanted.chain if wanted.chain and not self._is_fitted(wanted.chain) else None
        if chain is not None:
            self._check_fit(chain, at_ns)
        baseline = wanted.baseline if wanted.baseline and not self._is_recorded(wanted.baseline) else None
        if not dry_run:
            if kind == "added":
                self.add_drive(wanted.drive, at_ns=at_ns, by=by)
            elif kind == "changed":
                self.change_drive(wanted.drive, at_ns=at_ns, by=by)
            if chain is not None:
                self.fit_chain(chain, at_ns=at_ns, by=by)
            if baseline is not None:
                self._register.record_baseline(baseline, entry=baseline_entry(baseline, at_ns, by))
                log.info("baseline recorded", chain=baseline.chain_id, by=by, at_ns=at_ns)
        return "changed" if kind == "unchanged" and (chain or baseline) else kind

    # Looking up

    def _known(self, drive_id: str) -> Drive | None:
        try:
            return self._register.drive(drive_id)
        except NotFoundError:
            return None

    def _chain(self, chain_id: str) -> Chain:
        for chain in self._register.chains():
            if chain.chain_id == chain_id:
                return chain
        raise NotFoundError(
            f"there is no chain {chain_id!r}: the drive's list of chains shows those that are registered"
        )

    def _is_fitted(self, chain: Chain) -> bool:
        for known in self._register.chains():
            if known.chain_id == chain.chain_id:
                if known == chain:
                    return True
                raise ConflictError(
                    f"chain {chain.chain_id!r} is registered with other facts: a chain's history is not overwritten; "
                    "give the new chain an id of its own"
                )
        return False

    def _is_recorded(self, baseline: Baseline) -> bool:
        alike = (
            replace(known, recorded_ns=0, recorded_by="")
            for known in self._register.baselines(baseline.chain_id)
        )
        return replace(baseline, recorded_ns=0, recorded_by="") in alike

    def _check_fit(self, chain: Chain, at_ns: int) -> None:
        """Raise ConflictError where the chain cannot go on, naming the one that is in the way."""
        refuse_ahead("fitted", chain.fitted_ns, at_ns)
        chains = self._register.chains()
        if any(each.chain_id == chain.chain_id for each in chains):
            raise ConflictError(f"a chain {chain.chain_id!r} is registered already: give this one another id")
        for each in chains:
            if each.drive_id == chain.drive_id and overlap(each, chain):
                raise ConflictError(
                    f"chain {each.chain_id!r} is on drive {chain.drive_id!r} at that time: record first when it was "
                    "taken off, or correct the date on which this one was fitted"
                )

    def _free_chain_id(self, drive_id: str, fitted_ns: int) -> str:
        taken = {each.chain_id for each in self._register.chains()}
        stem = f"{drive_id}-{_date(fitted_ns)}"
        names = (stem if number == 1 else f"{stem}-{number}" for number in count(1))
        return next(name for name in names if name not in taken)

    def _measured_before(self, chain: Chain, taken_ns: int) -> list[Reading]:
        """Return the measured readings just before `taken_ns`. Raises ConflictError where they are too few."""
        readings = self._readings.raw(chain.drive_id, taken_ns - BASELINE_WINDOW_NS, taken_ns)
        if self._register.drive(chain.drive_id).whole_pitches is None:
            raise ConflictError(
                f"{chain.drive_id} has no sensors, and a baseline holds the pitches between them: enter their place "
                "(whole_pitches) once they are mounted. A measurement by hand counts without a baseline"
            )
        measured = [each for each in readings if each.chain_id == chain.chain_id and each.reason is None]
        if len(measured) < BASELINE_READINGS_MIN:
            raise ConflictError(
                f"there are {len(measured)} measured readings of chain {chain.chain_id!r} in the ten minutes before, "
                f"and {BASELINE_READINGS_MIN} are needed: let the drive run at steady speed and try again, or give "
                "pitches_between yourself"
            )
        return measured

    def _advice(self, before: Drive, after: Drive, at_ns: int) -> tuple[str, ...]:
        """Return what a change of the sensors' place, or of their switching delay, asks for."""
        moved = (before.whole_pitches, before.offset_pitches) != (after.whole_pitches, after.offset_pitches)
        if not moved and before.delay_us == after.delay_us:
            return ()
        chain = chain_at(self._register.chains(after.drive_id), at_ns)
        held = baseline_at(self._register.baselines(chain.chain_id), at_ns) if chain else None
        if chain is None or held is None:
            return ()
        if moved:
            told = (
                f"The place of the sensors changed, and the baseline of chain {chain.chain_id} was taken with the old "
                "one. If a sensor was moved, record a new baseline now: until then the elongation may be wrong."
            )
        else:
            told = (
                f"The switching delay changed, and the baseline of chain {chain.chain_id} was taken with the old one. "
                "Record a new baseline now: until then the elongation is off by what the delay makes at that speed."
            )
        return (told,)


def drive_entry(what: str, before: Drive | None, after: Drive, at_ns: int, by: str) -> AuditEntry:
    """Return what the audit log says of a drive that was added or changed."""
    return entry_of(at_ns=at_ns, by=by, what=what, subject=f"drive {after.drive_id}", old=before, new=after)


def chain_entry(chain: Chain, at_ns: int, by: str) -> AuditEntry:
    """Return what the audit log says of a chain that was fitted."""
    return entry_of(at_ns=at_ns, by=by, what="chain fitted", subject=f"chain {chain.chain_id}", new=chain)


def baseline_entry(baseline: Baseline, at_ns: int, by: str) -> AuditEntry:
    """Return what the audit log says of a baseline that was recorded."""
    subject = f"chain {baseline.chain_id}"
    return entry_of(
        at_ns=at_ns, by=by, what="baseline recorded", subject=subject, new=baseline, why=baseline.why
    )


_KINDS = ("added", "changed", "unchanged")


def _drive_outcome(known: Drive | None, wanted: Drive, *, replace_it: bool) -> str:
    if known is None:
        return "added"
    if known == wanted:
        return "unchanged"
    if replace_it:
        return "changed"
    fields = [name for name in Drive.__dataclass_fields__ if getattr(known, name) != getattr(wanted, name)]
    raise ConflictError(
        f"is registered already with another {', '.join(fields)}: import with replace to change it, or leave it out"
    )


def overlap(one: Chain, other: Chain) -> bool:
    """Return whether both were on at some instant; a chain is on over (fitted_ns, removed_ns]."""
    one_end = math.inf if one.removed_ns is None else one.removed_ns
    other_end = math.inf if other.removed_ns is None else other.removed_ns
    return one.fitted_ns < other_end and other.fitted_ns < one_end


def reference_pitches(drive: Drive, readings: Sequence[Reading]) -> tuple[float, float]:
    """Return N0, the mean of N brought to the reference temperature and load, and its standard uncertainty.

    (1 + e) N is the same at any temperature, with e as seen; so N0 = (1 + e_seen) N / (1 + e). The uncertainty
    joins the scatter of the readings with what does not average out: polygon effect, temperature, load.

    Args:
        drive: the one that the readings are of.
        readings: 2 or more, all measured.

    Source: JCGM 100:2008, 5.1.2 (from memory).
    """
    values, terms_u = [], []
    for each in readings:
        temperature_pct, temperature_u_pct = temperature_correction_pct(drive, each.temp_c, each.mount_c)
        load_pct, load_u_pct = load_correction_pct(drive, each.load_n)
        between, elongation_pct = each.pitches_between or 0.0, each.elongation_pct or 0.0
        seen_pct = elongation_pct + temperature_pct + load_pct
        values.append(between * (100 + seen_pct) / (100 + elongation_pct))
        corrections_u = between * math.hypot(temperature_u_pct, load_u_pct) / 100
        terms_u.append(math.hypot(corrections_u, polygon_u_pitches(drive, each.lag_pitches or 0.0)))
    return fmean(values), math.hypot(stdev(values), fmean(terms_u))


def _mean_of(values: Iterable[float | None]) -> float | None:
    """Return the mean of the values that are known, None where none is."""
    known = [each for each in values if each is not None]
    return fmean(known) if known else None


def _nominal(designation: str, pitch_mm: float | None, strands: int | None) -> tuple[float, int]:
    """Return pitch and strands; a designation that is not in the catalogue will do where the pitch is given."""
    try:
        found = catalogue.find(designation) if designation else None
    except catalogue.DesignationError:
        if pitch_mm is None:
            raise
        return pitch_mm, strands or 1
    pitch_mm = catalogue.pitch_of(designation, pitch_mm)
    return pitch_mm, strands or (found.strands if found else 1)


def refuse_ahead(field: str, t_ns: int, at_ns: int) -> None:
    """Raise FieldsRefusedError where a date that people entered lies ahead of now, their clock's error aside."""
    if t_ns > at_ns + AHEAD_NS:
        raise FieldsRefusedError({field: "lies ahead of now; correct the date"})


def _date(t_ns: int) -> str:
    return datetime.fromtimestamp(t_ns // SECOND_NS, tz=UTC).strftime("%Y-%m-%d")
