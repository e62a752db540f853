"""Door: a person tends a drive: a chain comes off, sprockets are fitted and looked at, something is lubricated.

Knows the ports and core; must not know how the person came in. What a person got wrong raises, with the fix in words:
NotFoundError, ConflictError, FieldsRefusedError or ValueError. `at_ns` is now, read once by the caller; `by` is who acted.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import structlog

from service.core.audit import entry_of
from service.core.drive import Chain, Drive
from service.core.hand import Known
from service.core.life import ElongationSource, Removal, RemovalKind
from service.core.sprocket import Inspection, Place, Sprocket
from service.core.upkeep import Upkeep, UpkeepKind
from service.core.wear_history import Stretch, clock_of
from service.measure_by_hand import known_by_hand, known_of, newest_tight
from service.operate import Operate, refuse_ahead
from service.ports import ConflictError, NotFoundError, Readings, Resolution, Stores

log = structlog.get_logger(__name__)

DAY_NS = 86_400_000_000_000
HOURLY_NS = 120 * DAY_NS  # the way of a younger chain is counted by the hour, of an older one by the day
NEWEST_READINGS = 500  # among which one with an elongation is looked for first


@dataclass(frozen=True, slots=True, kw_only=True)
class Ended:
    """What a person says of how a chain ended; None: as measured and counted."""

    kind: RemovalKind = RemovalKind.OTHER
    elongation_pct: float | None = None
    u_pct: float | None = None
    passages: float | None = None
    hours: float | None = None
    note: str = ""


class Tend:
    """What people do to chains, sprockets and lubrication."""

    def __init__(self, stores: Stores, operate: Operate) -> None:
        self._stores, self._operate = stores, operate

    # Chains that come off

    def take_off_chain(
        self,
        chain_id: str,
        ended: Ended,
        *,
        removed_ns: int | None = None,
        why: str = "",
        at_ns: int,
        by: str,
    ) -> tuple[Chain, Removal]:
        """Record that a chain was taken off, with what is known of its life, and return both.

        Elongation, passages and hours are those at its removal, by sensors or by hand, unless the person gives them.
        Raises NotFoundError, ConflictError (off already, fitted later), ValueError.
        """
        off_ns = at_ns if removed_ns is None else removed_ns
        refuse_ahead("removed", off_ns, at_ns)
        removal = self._removal(self._chain(chain_id), ended, off_ns, at_ns, by)
        why = why or f"{ended.kind}"
        chain = self._operate.take_off_chain(
            chain_id, removed_ns=removed_ns, why=why, removal=removal, at_ns=at_ns, by=by
        )
        return chain, self._newest_removal(chain)

    def correct_removal(self, chain_id: str, ended: Ended, *, at_ns: int, by: str) -> Removal:
        """Record anew how a chain ended, in place of what was said before, and return it.

        Raises NotFoundError, ConflictError (it is on), FieldsRefusedError.
        """
        chain = self._chain(chain_id)
        if chain.removed_ns is None:
            raise ConflictError(f"chain {chain_id!r} is on: take it off, and say then how it ended")
        before = next((each for each in self._stores.removals.newest() if each.chain_id == chain_id), None)
        removal = self._removal(chain, ended, chain.removed_ns, at_ns, by)
        entry = entry_of(
            at_ns=at_ns,
            by=by,
            what="removal corrected" if before else "removal recorded",
            subject=f"chain {chain_id}",
            old=before,
            new=removal,
            why=ended.note,
        )
        stored = self._stores.removals.record(removal, entry=entry)
        log.info("removal recorded", chain=chain_id, kind=str(ended.kind), by=by, at_ns=at_ns)
        return stored

    def _removal(self, chain: Chain, ended: Ended, off_ns: int, at_ns: int, by: str) -> Removal:
        known, source = self._known(chain, ended, off_ns)
        counted = run_of(self._stores.readings, chain, off_ns)
        passages, hours = counted or (None, None)
        return Removal(
            chain_id=chain.chain_id,
            kind=ended.kind,
            elongation_pct=known.elongation_pct if known else None,
            u_pct=known.u_pct if known and known.u_pct else ended.u_pct,
            source=source,
            measured_ns=known.t_ns if known else None,
            passages=passages if ended.passages is None else ended.passages,
            hours=hours if ended.hours is None else ended.hours,
            by=by,
            recorded_ns=at_ns,
            note=ended.note,
        )

    def _known(self, chain: Chain, ended: Ended, off_ns: int) -> tuple[Known | None, ElongationSource]:
        """What is known of the elongation at removal, and where from: what the person says goes first."""
        if ended.elongation_pct is not None:
            said = Known(elongation_pct=ended.elongation_pct, u_pct=ended.u_pct or 0.0, t_ns=off_ns)
            return said, ElongationSource.SAID
        found = elongation_at(self._stores, self._stores.register.drive(chain.drive_id), chain, off_ns)
        if found is None:
            return None, ElongationSource.NONE
        return found, ElongationSource.BY_HAND if found.by == "hand" else ElongationSource.LIVE

    def _chain(self, chain_id: str) -> Chain:
        for chain in self._stores.register.chains():
            if chain.chain_id == chain_id:
                return chain
        raise NotFoundError(
            f"there is no chain {chain_id!r}: the drive's list of chains shows those that are registered"
        )

    def _newest_removal(self, chain: Chain) -> Removal:
        removals = self._stores.removals.newest(chain.drive_id)
        return next(each for each in removals if each.chain_id == chain.chain_id)

    # Sprockets

    def fit_sprocket(  # noqa: PLR0913 - what a person says of a sprocket, all by name
        self,
        drive_id: str,
        *,
        place: Place,
        teeth: int | None = None,
        fitted_ns: int | None = None,
        note: str = "",
        at_ns: int,
        by: str,
    ) -> Sprocket:
        """Record that a sprocket is on, and return it. The one in its place comes off: a drive has one driver.

        teeth: left out, as the drive's settings have them. Raises NotFoundError, ConflictError, FieldsRefusedError.
        """
        drive = self._stores.register.drive(drive_id)
        fitted_ns = at_ns if fitted_ns is None else fitted_ns
        refuse_ahead("fitted", fitted_ns, at_ns)
        sprocket = Sprocket(
            drive_id=drive_id,
            place=place,
            teeth=_teeth(drive, place) if teeth is None else teeth,
            note=note,
            fitted_ns=fitted_ns,
            recorded_ns=at_ns,
            by=by,
        )
        before = self._replaced(sprocket)
        if before is not None:
            self.take_off_sprocket(
                before.number, removed_ns=fitted_ns, why="another was fitted", at_ns=at_ns, by=by
            )
        entry = entry_of(
            at_ns=at_ns, by=by, what="sprocket fitted", subject=f"drive {drive_id}", new=sprocket, why=note
        )
        stored = self._stores.sprockets.fit(sprocket, entry=entry)
        log.info("sprocket fitted", drive=drive_id, sprocket=stored.number, by=by, at_ns=at_ns)
        return stored

    def _replaced(self, sprocket: Sprocket) -> Sprocket | None:
        """The one that is in its place now. Idlers stand beside each other. Raises ConflictError where it came later."""
        if sprocket.place is Place.IDLER:
            return None
        for each in self._stores.sprockets.of(sprocket.drive_id):
            if each.place is sprocket.place and each.removed_ns is None:
                if each.fitted_ns >= sprocket.fitted_ns:
                    raise ConflictError(
                        f"sprocket {each.number} was fitted as the {each.place} since: correct the date"
                    )
                return each
        return None

    def take_off_sprocket(
        self, number: int, *, removed_ns: int | None = None, why: str = "", at_ns: int, by: str
    ) -> Sprocket:
        """Record that a sprocket is off, and return it. Raises NotFoundError, ConflictError, FieldsRefusedError."""
        removed_ns = at_ns if removed_ns is None else removed_ns
        refuse_ahead("removed", removed_ns, at_ns)
        known = self._stores.sprockets.sprocket(number)
        off = replace(known, removed_ns=removed_ns, removed_why=why, removed_by=by)
        entry = entry_of(
            at_ns=at_ns,
            by=by,
            what="sprocket taken off",
            subject=f"sprocket {number} of {known.drive_id}",
            old=known,
            new=off,
            why=why,
        )
        self._stores.sprockets.take_off(off, entry=entry)
        log.info("sprocket taken off", drive=known.drive_id, sprocket=number, by=by, at_ns=at_ns)
        return off

    def inspect(
        self,
        number: int,
        *,
        worn: bool,
        inspected_ns: int | None = None,
        note: str = "",
        at_ns: int,
        by: str,
    ) -> Inspection:
        """Record what was seen of a sprocket's teeth, and return it. Raises NotFoundError, FieldsRefusedError."""
        inspected_ns = at_ns if inspected_ns is None else inspected_ns
        refuse_ahead("inspected", inspected_ns, at_ns)
        inspection = Inspection(
            sprocket=number, inspected_ns=inspected_ns, worn=worn, note=note, by=by, recorded_ns=at_ns
        )
        entry = entry_of(
            at_ns=at_ns,
            by=by,
            what="sprocket inspected",
            subject=f"sprocket {number}",
            new={"worn": worn},
            why=note,
        )
        stored = self._stores.sprockets.inspect(inspection, entry=entry)
        log.info("sprocket inspected", sprocket=number, worn=worn, by=by, at_ns=at_ns)
        return stored

    # Upkeep

    def record_upkeep(  # noqa: PLR0913 - what a person says of what was done, all by name
        self,
        drive_id: str,
        *,
        kind: UpkeepKind,
        done_ns: int | None = None,
        lubricant: str = "",
        note: str = "",
        at_ns: int,
        by: str,
    ) -> Upkeep:
        """Record what was done to a drive, and return it. Raises NotFoundError, FieldsRefusedError."""
        done_ns = at_ns if done_ns is None else done_ns
        refuse_ahead("at", done_ns, at_ns)
        upkeep = Upkeep(
            drive_id=drive_id,
            kind=kind,
            at_ns=done_ns,
            lubricant=lubricant,
            note=note,
            by=by,
            recorded_ns=at_ns,
        )
        entry = entry_of(
            at_ns=at_ns,
            by=by,
            what=f"{kind}".replace("_", " "),
            subject=f"drive {drive_id}",
            new={"at_ns": done_ns, "lubricant": lubricant},
            why=note,
        )
        stored = self._stores.upkeep_log.record(upkeep, entry=entry)
        log.info("upkeep recorded", drive=drive_id, kind=str(kind), number=stored.number, by=by, at_ns=at_ns)
        return stored

    def strike_upkeep(self, drive_id: str, number: int, *, why: str = "", at_ns: int, by: str) -> Upkeep:
        """Say that one was entered in error, and return it. Raises NotFoundError, ConflictError."""
        if all(each.number != number for each in self._stores.upkeep_log.of(drive_id, struck=True)):
            raise NotFoundError(
                f"there is no event {number} of drive {drive_id!r}: its list has those there are"
            )
        entry = entry_of(
            at_ns=at_ns, by=by, what="event struck", subject=f"event {number} of {drive_id}", why=why
        )
        struck = self._stores.upkeep_log.strike(number, at_ns, by, entry=entry)
        log.info("upkeep struck", drive=drive_id, number=number, by=by, at_ns=at_ns)
        return struck


def _teeth(drive: Drive, place: Place) -> int | None:
    return {Place.DRIVER: drive.driver_teeth, Place.DRIVEN: drive.driven_teeth}.get(place)


# What is known of a chain at an instant


def elongation_at(stores: Stores, drive: Drive, chain: Chain, t_ns: int) -> Known | None:
    """Return the elongation of a chain at an instant: what was measured last before it, by sensors or by hand.

    Within a day of each other the one counts that is better known. None where the chain was never measured.
    """
    live = _live_at(stores.readings, chain, t_ns)
    values = [each for each in stores.hand_values.of(drive.drive_id) if each.measured_ns <= t_ns]
    tight = newest_tight(values, chain)
    by_hand = None if tight is None else known_by_hand(drive, chain, tight)
    if live is None or by_hand is None:
        return live or by_hand
    if abs(live.t_ns - by_hand.t_ns) <= DAY_NS:
        return min(live, by_hand, key=lambda each: each.u_pct)
    return max(live, by_hand, key=lambda each: each.t_ns)


def _live_at(readings: Readings, chain: Chain, t_ns: int) -> Known | None:
    """By the newest reading; where raw ones are gone, by the newest day."""
    for reading in reversed(readings.raw(chain.drive_id, chain.fitted_ns, t_ns, NEWEST_READINGS)):
        if (known := known_of(reading, chain)) is not None:
            return known
    for each in reversed(readings.rolled(chain.drive_id, chain.fitted_ns, t_ns + DAY_NS, Resolution.DAY)):
        if each.chain_id == chain.chain_id and each.last_pct is not None:
            return Known(
                elongation_pct=each.last_pct, u_pct=each.mean_u_pct or 0.0, t_ns=min(each.end_ns, t_ns)
            )
    return None


def run_of(readings: Readings, chain: Chain, until_ns: int) -> tuple[float, float] | None:
    """Return the joints that passed and the hours that a chain ran until an instant; None where nobody counted.

    Time in which nothing was heard is filled in with what the drive usually does (see `wear_clock`).
    """
    if until_ns <= chain.fitted_ns:
        return None
    resolution = Resolution.HOUR if until_ns - chain.fitted_ns <= HOURLY_NS else Resolution.DAY
    clock = clock_of(
        stretches_of(readings, chain, until_ns, resolution),
        fitted_ns=chain.fitted_ns,
        now_ns=until_ns,
        pitch_mm=chain.pitch_mm,
    )
    return None if clock is None else (float(clock.joints[-1]), float(clock.hours[-1]))


def stretches_of(
    readings: Readings, chain: Chain, until_ns: int, resolution: Resolution
) -> Sequence[Stretch]:
    """Return what was rolled up of a chain until an instant, cut to the time it was on."""
    length_ns = int(resolution) * 1_000_000_000
    found = []
    for each in readings.rolled(chain.drive_id, chain.fitted_ns, until_ns + length_ns - 1, resolution):
        start_ns, end_ns = max(each.end_ns - length_ns, chain.fitted_ns), min(each.end_ns, until_ns)
        if each.chain_id == chain.chain_id and start_ns < end_ns:
            found.append(
                Stretch(start_ns=start_ns, end_ns=end_ns, joints=each.pulses, speed_m_s=each.mean_speed_m_s)
            )
    return found
