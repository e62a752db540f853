"""Door: a person measured a chain by hand. The value is checked against the register and what the sensors say, and kept.

Knows the ports, core and the door `operate`, through which a baseline goes; must not know how the person came in.
`at_ns` is now, read once by the caller; `by` is who says so. What a person got wrong raises, with the fix in words,
as in `operate`; nothing is stored then.
"""

from collections.abc import Sequence
from dataclasses import asdict, dataclass
from datetime import UTC, datetime
from typing import Any

import structlog

from service.core.audit import entry_of
from service.core.drive import Baseline, Chain, Drive, Limit, chain_at, limit
from service.core.fields import FieldsRefusedError, key_problem, refuse
from service.core.hand import (
    NS_PER_DAY,
    Agreement,
    Card,
    HandElongation,
    HandMethod,
    HandValue,
    Known,
    agrees,
    card,
    count_doubt,
    default_length_u_mm,
    hand_elongation,
    measured_at,
    newer,
    remaining_mm,
    start_of,
    warnings,
)
from service.core.reading import Reading
from service.operate import Operate, refuse_ahead
from service.ports import ConflictError, HandValues, NotFoundError, Readings, Register, Resolution

log = structlog.get_logger()

# Readings that a measurement is held against: the newest of those just before it, else the nearest hour of a week.
BESIDE_READINGS = 100
BESIDE_NS = 7 * NS_PER_DAY


@dataclass(frozen=True, slots=True, kw_only=True)
class HandReport:
    """A measurement by hand and what it says: elongation, what is left, and whether the sensors say the same."""

    value: HandValue
    elongation: HandElongation
    limit: Limit
    remaining_mm: float  # until the limit, over the span that was measured
    live: Known | None  # by the sensors, nearest in time; None where there is none, or the chain was slack
    agreement: Agreement | None
    warnings: tuple[str, ...]


class MeasureByHand:
    """What people measure by hand, and what it says."""

    def __init__(
        self, register: Register, readings: Readings, hand_values: HandValues, operate: Operate
    ) -> None:
        self._register, self._readings = register, readings
        self._hand_values, self._operate = hand_values, operate

    def record_hand_value(  # noqa: PLR0913 - what a person says of a measurement, all by name
        self,
        drive_id: str,
        *,
        method: HandMethod,
        pitches: int,
        length_mm: float | None = None,
        outside_mm: float | None = None,
        inside_mm: float | None = None,
        length_u_mm: float | None = None,
        tight: bool,
        cranked: bool = False,
        counted_again: bool = False,
        temp_c: float | None = None,
        note: str = "",
        measured_ns: int | None = None,
        sent_ns: int | None = None,
        chain_id: str | None = None,
        key: str | None = None,
        at_ns: int,
        by: str,
    ) -> HandReport:
        """Record a measurement by hand of the chain that was on the drive then, and return what it says.

        length_mm: joint to joint, by rule or tape; a calliper gives outside_mm and inside_mm in its place.
        length_u_mm: standard uncertainty of a reading; None takes what is usual for the method.
        tight: a slack chain is kept, and gives no number to rely on.
        cranked: whether a cranked link lay in the span.
        counted_again: whether the pitches were counted again after it was asked whether the count is right.
        sent_ns: what the clock shows that measured_ns is by, where that is not ours: both are kept, and ours counts.
        chain_id: the chain that was measured, as the person knew it; None takes the one that was on then.
        key: the client's own name for this measurement: sent again with it, it is stored once, and answered alike.
        Raises NotFoundError (drive), ConflictError (no chain or another was on then), FieldsRefusedError.
        """
        drive = self._register.drive(drive_id)
        read = _Read(method, length_mm, outside_mm, inside_mm, length_u_mm)
        said = {"pitches": pitches, "tight": tight, "temp_c": temp_c, "note": note}
        refuse(idempotency_key=key_problem(key, optional=True))
        if key is not None and (kept := self._hand_values.by_key(drive_id, key)) is not None:
            return self._as_kept(drive, kept, read, said)
        told_ns, measured_ns = _when(measured_ns, sent_ns, at_ns)
        refuse_ahead("measured", measured_ns, at_ns)
        chain = self._chain_then(drive_id, measured_ns)
        _refuse_other_chain(chain, chain_id)
        _refuse_span(chain, pitches, cranked=cranked)
        of = said | {
            "drive_id": drive_id, "chain_id": chain.chain_id, "measured_ns": measured_ns, "recorded_ns": at_ns,
            "recorded_by": by, "pitch_mm": chain.pitch_mm, "told_ns": told_ns, "key": key,
        }  # fmt: skip
        value = _hand_value(read, of)
        doubt = count_doubt(value, self._known_then(drive, chain, value))
        if doubt and not counted_again:
            raise FieldsRefusedError(
                {"pitches": f"{doubt}; if {pitches} is right after all, confirm that you counted again"}
            )
        entry = entry_of(
            at_ns=at_ns, by=by, what="measured by hand", subject=f"drive {drive_id}", new=value, why=note
        )
        self._hand_values.record(value, entry=entry)
        if (
            key is not None
            and (kept := self._hand_values.by_key(drive_id, key)) != value
            and kept is not None
        ):
            return self._as_kept(drive, kept, read, said)  # sent twice at once, and the other was first
        log.info("hand value recorded", drive=drive_id, chain=chain.chain_id, by=by, at_ns=at_ns)
        return self._hand_report(drive, chain, value)

    def hand_reports(self, drive_id: str, rows_max: int = 100) -> list[HandReport]:
        """Return the newest `rows_max` measurements by hand of a drive, by measured_ns. Raises NotFoundError."""
        drive = self._register.drive(drive_id)
        chains = {each.chain_id: each for each in self._register.chains(drive_id)}
        values = self._hand_values.of(drive_id)[-rows_max:]
        return [self._hand_report(drive, chains[each.chain_id], each) for each in values]

    def newest_hand_report(self, drive_id: str, at_ns: int) -> HandReport | None:
        """Return the newest measurement by hand of the chain that is on, None where there is none; slack ones do not count."""
        drive, chain = self._register.drive(drive_id), chain_at(self._register.chains(drive_id), at_ns)
        value = self._newest_by_hand(drive_id, chain)
        return None if value is None or chain is None else self._hand_report(drive, chain, value)

    def record_baseline_by_hand(
        self, drive_id: str, *, recorded_ns: int | None = None, why: str = "", at_ns: int, by: str
    ) -> Baseline:
        """Record a baseline whose e0 is a measurement by hand and whose N0 is that of the newest readings; return it.

        recorded_ns: when that measurement was recorded; None takes the newest of the chain that is on.
        Raises NotFoundError, ConflictError (slack, another chain, too few readings).
        """
        chain = self._chain_then(drive_id, at_ns)
        value = self._hand_value_recorded(drive_id, chain, recorded_ns)
        drive = self._register.drive(drive_id)
        elongation_pct, elongation_u_pct = start_of(value, _elongation(drive, chain, value), at_ns)
        how = (
            f"by hand: {value.length_mm:g} mm over {value.pitches} pitches, {value.method.value}, "
            f"{_date(value.measured_ns)}"
        )
        return self._operate.record_baseline(
            chain.chain_id,
            elongation_pct=elongation_pct,
            elongation_u_pct=elongation_u_pct,
            why="; ".join(part for part in (why, how) if part),
            at_ns=at_ns,
            by=by,
        )

    def card(self, drive_id: str, at_ns: int) -> Card:
        """Return the card to take along for measuring by hand. Raises NotFoundError, ConflictError (no chain is on)."""
        drive, chain = self._register.drive(drive_id), self._chain_then(drive_id, at_ns)
        newest = self._readings.newest_of(drive_id)
        live = known_of(newest.measured, chain) if newest and newest.measured else None
        value = self._newest_by_hand(drive_id, chain)
        by_hand = known_by_hand(drive, chain, value) if value else None
        return card(drive, chain, limit(drive), newer(live, by_hand))

    def _as_kept(self, drive: Drive, kept: HandValue, read: "_Read", said: dict[str, Any]) -> HandReport:
        """Return what a measurement says that is stored already. Raises FieldsRefusedError where it is another."""
        same = asdict(kept) | said
        for name in ("method", "length_mm", "length_u_mm"):
            del same[name]
        if _hand_value(read, same) != kept:
            raise FieldsRefusedError(
                {
                    "idempotency_key": "another measurement is stored under this key: use a new one for each, and the same "
                    "only to send it again"
                }
            )
        chains = {each.chain_id: each for each in self._register.chains(drive.drive_id)}
        return self._hand_report(drive, chains[kept.chain_id], kept)

    def _hand_report(self, drive: Drive, chain: Chain, value: HandValue) -> HandReport:
        found, bound = _elongation(drive, chain, value), limit(drive)
        live = live_near(self._readings, value) if found.reliable else None
        agreement = None
        if live is not None:
            days = (live.t_ns - value.measured_ns) / NS_PER_DAY
            agreement = agrees(found, live.elongation_pct, live.u_pct, days)
        return HandReport(
            value=value,
            elongation=found,
            limit=bound,
            remaining_mm=remaining_mm(value, found, bound.limit_pct),
            live=live,
            agreement=agreement,
            warnings=warnings(value, pitches_in_loop=chain.pitches_in_loop),
        )

    def _known_then(self, drive: Drive, chain: Chain, value: HandValue) -> Known | None:
        """Return what else is known of the chain near that time: by its sensors, else by hand."""
        live = live_near(self._readings, value)
        if live is not None:
            return live
        near = min(
            (
                each
                for each in self._hand_values.of(drive.drive_id)
                if each.chain_id == chain.chain_id and each.tight
            ),
            key=lambda each: abs(each.measured_ns - value.measured_ns),
            default=None,
        )
        return known_by_hand(drive, chain, near) if near else None

    def _newest_by_hand(self, drive_id: str, chain: Chain | None) -> HandValue | None:
        return newest_tight(self._hand_values.of(drive_id), chain)

    def _hand_value_recorded(self, drive_id: str, chain: Chain, recorded_ns: int | None) -> HandValue:
        if recorded_ns is None:
            value = self._newest_by_hand(drive_id, chain)
        else:
            known = self._hand_values.of(drive_id)
            value = next((each for each in known if each.recorded_ns == recorded_ns), None)
        if value is None:
            raise NotFoundError(
                f"there is no such measurement by hand of drive {drive_id!r}: record one of the chain that is on it"
            )
        if not value.tight or value.chain_id != chain.chain_id:
            lack = "was of another chain" if value.tight else "was of a slack chain"
            raise ConflictError(f"this measurement {lack}: measure the chain that is on it now, drawn tight")
        return value

    def _chain_then(self, drive_id: str, t_ns: int) -> Chain:
        self._register.drive(drive_id)
        chain = chain_at(self._register.chains(drive_id), t_ns)
        if chain is None:
            raise ConflictError(
                f"no chain was on drive {drive_id!r} at that time: enter the chain that is on it, or correct the time"
            )
        return chain


def live_near(readings: Readings, value: HandValue) -> Known | None:
    """Return the elongation by the sensors of the same chain nearest in time, within a week; None without one.

    The drive stands still while somebody measures: the newest reading of the day before counts, else the nearest
    hour of the week before or after.
    """
    t_ns = value.measured_ns
    before = readings.raw(value.drive_id, t_ns - NS_PER_DAY, t_ns, BESIDE_READINGS)
    for reading in reversed(before):
        if reading.chain_id == value.chain_id and reading.elongation_pct is not None:
            return Known(
                elongation_pct=reading.elongation_pct,
                u_pct=reading.elongation_u_pct or 0.0,
                t_ns=reading.t_ns,
            )
    hours = readings.rolled(value.drive_id, t_ns - BESIDE_NS, t_ns + BESIDE_NS, Resolution.HOUR)
    found = [
        Known(elongation_pct=each.mean_pct, u_pct=each.mean_u_pct or 0.0, t_ns=each.end_ns)
        for each in hours
        if each.chain_id == value.chain_id and each.mean_pct is not None
    ]
    return min(found, key=lambda each: abs(each.t_ns - t_ns), default=None)


def newest_tight(values: Sequence[HandValue], chain: Chain | None) -> HandValue | None:
    """Return the newest measurement of a chain that gives a number; `values` by measured_ns."""
    tight = (
        each
        for each in reversed(values)
        if chain is not None and each.chain_id == chain.chain_id and each.tight
    )
    return next(tight, None)


def known_by_hand(drive: Drive, chain: Chain, value: HandValue) -> Known:
    """Return what a measurement by hand lets one know of the chain."""
    found = _elongation(drive, chain, value)
    return Known(elongation_pct=found.elongation_pct, u_pct=found.u_pct, t_ns=value.measured_ns, by="hand")


def known_of(reading: Reading, chain: Chain) -> Known | None:
    """Return what a reading lets one know of a chain; None where it is of another, or has no elongation."""
    if reading.chain_id != chain.chain_id or reading.elongation_pct is None:
        return None
    return Known(
        elongation_pct=reading.elongation_pct, u_pct=reading.elongation_u_pct or 0.0, t_ns=reading.t_ns
    )


def _elongation(drive: Drive, chain: Chain, value: HandValue) -> HandElongation:
    return hand_elongation(value, temp_ref_c=drive.temp_ref_c, pitches_in_loop=chain.pitches_in_loop)


def _refuse_span(chain: Chain, pitches: int, *, cranked: bool) -> None:
    if cranked:
        raise FieldsRefusedError(
            {"cranked": "a cranked link in the span falsifies it: measure a stretch of the chain without it"}
        )
    if chain.pitches_in_loop is not None and pitches > chain.pitches_in_loop:
        raise FieldsRefusedError(
            {
                "pitches": f"{pitches} are more than the {chain.pitches_in_loop} of the whole chain: count again"
            }
        )


@dataclass(frozen=True, slots=True)
class _Read:
    """What was read off, and with what."""

    method: HandMethod
    length_mm: float | None
    outside_mm: float | None
    inside_mm: float | None
    length_u_mm: float | None


def _when(measured_ns: int | None, sent_ns: int | None, at_ns: int) -> tuple[int | None, int]:
    """Return when it was measured by the clock of who sent it (None where that is ours), and by ours."""
    if measured_ns is None:
        return None, at_ns
    if sent_ns is None:
        return None, measured_ns
    return measured_ns, measured_at(measured_ns, sent_ns, at_ns)


def _refuse_other_chain(chain: Chain, chain_id: str | None) -> None:
    if chain_id is not None and chain.chain_id != chain_id:
        raise ConflictError(
            f"this was measured as chain {chain_id!r}, but {chain.chain_id!r} was on then, since "
            f"{_date(chain.fitted_ns)}: look which of the two it was; then enter it for that one, correct when the chain "
            "was changed, or throw it away"
        )


def _hand_value(read: _Read, of: dict[str, Any]) -> HandValue:
    """Return the value by the readings that its method gives. Raises FieldsRefusedError."""
    method, length_u_mm = read.method, read.length_u_mm
    length_mm, outside_mm, inside_mm = read.length_mm, read.outside_mm, read.inside_mm
    if method is HandMethod.CALLIPER:
        if outside_mm is None or inside_mm is None or length_mm is not None:
            raise FieldsRefusedError(
                {
                    "outside_mm": "give both calliper readings, outside over and inside between the rollers, and no length"
                }
            )
        given = {} if length_u_mm is None else {"reading_u_mm": length_u_mm}
        return HandValue.by_calliper(outside_mm=outside_mm, inside_mm=inside_mm, **given, **of)
    if length_mm is None or outside_mm is not None or inside_mm is not None:
        raise FieldsRefusedError(
            {
                "length_mm": f"give the length from pin centre to pin centre in mm, which a {method.value} shows"
            }
        )
    if length_u_mm is None:
        length_u_mm = default_length_u_mm(method, length_mm)
    return HandValue(method=method, length_mm=length_mm, length_u_mm=length_u_mm, **of)


def _date(t_ns: int) -> str:
    return datetime.fromtimestamp(t_ns // 1_000_000_000, tz=UTC).strftime("%Y-%m-%d")
