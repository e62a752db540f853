"""What one shift hands to the next: the document, made from facts, frozen, and signed by who gives and who takes.

A handover tells what was *recorded* in (covers_from, to], so that nothing falls between two of them: what was true before
but came late stands in the next one, marked late. Its content is a canonical text with a SHA-256; signatures and receipts are
records beside it, and it never changes. Fixed headings, the written beside the spoken word, both people present, reading
back: after the UK Health and Safety Executive's guidance on communication at shift change (HSG48; from memory).

Knows readings, alerts, work and notes; must not know the clock, who stores it or what a page looks like.
"""

import hashlib
import json
import math
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import Any

import numpy as np

from service.core.alert import Alert, Annunciation, Event, Hold, Transition
from service.core.condition_words import ENGLISH
from service.core.drive import Baseline, Chain, Drive, limit
from service.core.elongation import load_correction_pct, temperature_correction_pct
from service.core.fields import FieldsRefusedError, instant_problem, refuse, text_problem
from service.core.hand import HandElongation, HandValue, Known
from service.core.health import Health, Status
from service.core.instant import format_rfc3339
from service.core.reading import Reading
from service.core.setpoint import Priority
from service.core.shift import Shift
from service.core.trend import level
from service.core.work import Note, Work, WorkKind

Content = dict[str, Any]

VERSION = 1
ROWS_MAX = 300  # of one list of a document
NEAR_SHARE = 0.8  # of the limit, from which a drive is listed (common practice, no source)
GAIN_READINGS_MIN = 4  # at each end of a shift, below which no wear is told
COVERAGE = 2.0  # k of an expanded uncertainty
SAID_OTHERWISE_PCT = 5e-4  # by so much the last handover must differ from what is known now
DAY_NS = 86_400 * 10**9


class SignRole(StrEnum):
    """Who signs."""

    GIVER = "giver"  # of the shift that ends: this is how it is
    TAKER = "taker"  # of the shift that begins: read back, understood


class TodoKind(StrEnum):
    """Why there is something to do, the most pressing first."""

    LOCKED_OUT = "locked_out"
    CHANGE_CHAIN = "change_chain"
    ANSWER = "answer"  # an alert that nobody has acknowledged
    SENSING = "sensing"
    SHELF_ENDS = "shelf_ends"
    REVIEW = "review"
    WORK = "work"
    NO_READING = "no_reading"
    MEASURE = "measure"
    SIGN = "sign"


@dataclass(frozen=True, slots=True, kw_only=True)
class Gain:
    """By how much a chain grew from one end of a shift to the other, per cent, or why that is not told.

    start, end: mean elongations near both ends, and when these were. u: standard uncertainty of the difference.
    """

    gained_pct: float | None = None
    u_pct: float | None = None
    start_pct: float | None = None
    end_pct: float | None = None
    start_ns: int | None = None
    end_ns: int | None = None
    why: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class DriveFacts:
    """One drive as it was known at the cut-off. `joints`: that passed in the shift; `readings`: that came of it."""

    drive: Drive
    chain: Chain | None
    known: Known | None  # the elongation to go by
    newest: Reading | None
    health: Health | None
    gain: Gain
    joints: int
    readings: int
    chain_before: str | None = None  # on it at `covers_from`, as is known now


@dataclass(frozen=True, slots=True)
class HandFact:
    """A measurement by hand and what it says."""

    value: HandValue
    elongation: HandElongation


@dataclass(frozen=True, slots=True, kw_only=True)
class Moved:
    """A forecast of when a chain reaches its limit that is another than it was."""

    drive_id: str
    before_ns: int | None
    after_ns: int | None
    why: str


@dataclass(frozen=True, slots=True, kw_only=True)
class HandoverFacts:
    """All that goes into one handover. Lists hold what was recorded in (covers_from, to], or what stood at `to`.

    alerts: all that ever happened, as they were at the cut-off. previous: content of the handover before, of the same site.
    moved: None: there is no forecast yet.
    """

    site: str
    zone: str
    shift: Shift  # of a range: its name is ""
    covers_from_ns: int
    next_shift: Shift | None
    drives: Sequence[DriveFacts]
    alerts: Sequence[Alert] = ()
    transitions: Sequence[Transition] = ()
    hand: Sequence[HandFact] = ()
    baselines: Sequence[Baseline] = ()
    chains: Sequence[Chain] = ()  # of these drives, all
    work: Sequence[Work] = ()  # open at the cut-off, or closed since
    notes: Sequence[Note] = ()
    previous: Content | None = None
    previous_signed: bool = True
    moved: Sequence[Moved] | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Head:
    """What there is to say of a frozen handover without opening it: (from, to] of a site. `number` 0: not stored yet."""

    site: str
    shift: str  # "" of a range
    from_ns: int
    to_ns: int
    frozen_ns: int
    frozen_by: str
    sha256: str  # of the content
    number: int = 0


@dataclass(frozen=True, slots=True)
class Handover:
    """A handover as frozen. `content` is the canonical text."""

    head: Head
    content: str

    @property
    def told(self) -> Content:
        """The content as values."""
        found: Content = json.loads(self.content)
        return found

    @property
    def intact(self) -> bool:
        """Whether the content is what was frozen."""
        return sha256_of(self.content) == self.head.sha256


@dataclass(frozen=True, slots=True, kw_only=True)
class Signature:
    """That somebody gave or took a handover. `by`: the account it was done with; `sha256`: of what was signed."""

    handover: int
    role: SignRole
    name: str
    by: str
    at_ns: int
    sha256: str
    remark: str = ""

    def __post_init__(self) -> None:
        refuse(
            role=None if isinstance(self.role, SignRole) else "give giver or taker",
            name=text_problem(self.name) or (None if self.name else "write your name"),
            remark=text_problem(self.remark, lines=True),
            at_ns=instant_problem(self.at_ns),
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Receipt:
    """That another system has taken a handover. `reference`: its own name for it."""

    handover: int
    system: str
    at_ns: int
    by: str
    reference: str = ""

    def __post_init__(self) -> None:
        refuse(
            system=text_problem(self.system)
            or (None if self.system else "give the name of the system that took it"),
            reference=text_problem(self.reference),
            at_ns=instant_problem(self.at_ns),
        )


class AlreadySignedError(ValueError):
    """The other has to sign first, or somebody has signed already. The message says who, and what to do."""


def check_signature(signed: Iterable[Signature], wanted: Signature, *, read_back: bool) -> None:
    """Raise where a signature cannot be set: the giver signs first, then another person who read it back.

    Raises FieldsRefusedError (read_back, name), AlreadySignedError.
    """
    by_role = {each.role: each for each in signed}
    if (done := by_role.get(wanted.role)) is not None:
        raise AlreadySignedError(
            f"the {wanted.role} was {done.name}, who signed already: add a note, which goes into the next handover"
        )
    if wanted.role is SignRole.GIVER:
        return
    giver = by_role.get(SignRole.GIVER)
    if giver is None:
        raise AlreadySignedError("the giver has not signed yet: whoever ends the shift signs first")
    if not read_back:
        raise FieldsRefusedError(
            {"read_back": "read it back to the giver in your own words, then say that you did"}
        )
    if giver.name.casefold() == wanted.name.casefold():
        raise FieldsRefusedError({"name": f"{giver.name} gave it: another person takes it"})


def canonical(content: Content) -> str:
    """Return content as text: JSON, names sorted, no white space, as UTF-8 stands; the same content gives the same text."""
    return json.dumps(content, sort_keys=True, separators=(",", ":"), ensure_ascii=False, allow_nan=False)


def sha256_of(content: str) -> str:
    """Return the SHA-256 of a content's UTF-8, in hexadecimal (FIPS 180-4)."""
    return hashlib.sha256(content.encode()).hexdigest()


# Wear gained


def wear_gained(drive: Drive, start: Sequence[Reading], end: Sequence[Reading]) -> Gain:
    """Return what a chain wore from one end of a shift to the other.

    The difference of two means. What both have in common goes out of it: the spacing or baseline, the polygon effect, the
    switching delay, and what sent temperatures and loads are off by alike. What is counted: the scatter of either mean, as
    far as neighbours do not hang together; temperature and load twice where they were not sent, for they may be another
    at either end.

    Args:
        drive: whose.
        start: measured readings near the start, of the chain that was on at the end, in order of time.
        end: near the end.

    Source: JCGM 100:2008, 5.2.2 (correlated inputs; from memory).
    """
    if len(start) < GAIN_READINGS_MIN or len(end) < GAIN_READINGS_MIN:
        where = "start" if len(start) < GAIN_READINGS_MIN else "end"
        return Gain(why=f"too few readings at the {where} of the shift")
    if len({(each.baseline_taken_ns, each.baseline_recorded_ns) for each in (*start, *end)}) > 1:
        return Gain(why="the baseline changed meanwhile")
    first, last = (level(np.array([each.elongation_pct for each in part], float)) for part in (start, end))
    return Gain(
        gained_pct=last.value - first.value,
        u_pct=math.hypot(first.u, last.u, *_uncommon_pct(drive, start, end)),
        start_pct=first.value,
        end_pct=last.value,
        start_ns=start[-1].t_ns,
        end_ns=end[-1].t_ns,
    )


def _uncommon_pct(drive: Drive, start: Sequence[Reading], end: Sequence[Reading]) -> Iterator[float]:
    """Standard uncertainties of temperature and load that two means do not have in common, per cent."""
    for part in (start, end):
        one = part[-1]
        if one.temp_c is None or one.mount_c is None:
            yield temperature_correction_pct(drive, None, None)[1]
        if one.load_n is None:
            yield load_correction_pct(drive, None)[1]


# The document


def make_content(facts: HandoverFacts) -> Content:
    """Return the content of a handover. Lists are cut at 300 rows, `more` says how many were left out of which."""
    shift, by_id = facts.shift, {each.drive.drive_id: each.drive for each in facts.drives}
    lists: dict[str, list[Content]] = {
        "to_do": _to_do(facts),
        "work": [_work(each, facts) for each in sorted(facts.work, key=_work_order)],
        "limit": _near_limit(facts.drives),
        "standing": [_standing(each) for each in facts.alerts if _stands(each)],
        "raised": [_happened(each, facts) for each in facts.transitions if each.act.event is Event.OCCUR],
        "returned": [_happened(each, facts) for each in facts.transitions if each.act.event is Event.CLEAR],
        "shelved": [row for each in facts.alerts for row in _held(each, Hold.SHELVED)],
        "out_of_service": [row for each in facts.alerts for row in _held(each, Hold.OUT_OF_SERVICE)],
        "sensing": [row for each in facts.drives for row in _sensing(each)],
        "wear": [_wear(each) for each in _most_gained_first(facts.drives) if each.readings or each.joints],
        "hand_values": [_hand_value(each, facts) for each in facts.hand],
        "baselines": [_baseline(each, facts) for each in facts.baselines],
        "chains": [*_chain_changes(facts), *_late_chain_changes(facts)],
        "said_otherwise": list(_said_otherwise(facts)),
        "notes": [_note(each, facts) for each in facts.notes],
    }
    if facts.moved is not None:
        lists["forecasts"] = [_moved(each) for each in facts.moved]
    for rows in lists.values():
        for row in rows:
            _name(row, by_id)
    return {
        "v": VERSION,
        "site": facts.site,
        "zone": facts.zone,
        "shift": shift.name,
        "from": format_rfc3339(shift.from_ns),
        "to": format_rfc3339(shift.to_ns),
        "covers_from": format_rfc3339(facts.covers_from_ns),
        "next_shift": None
        if facts.next_shift is None
        else {
            "name": facts.next_shift.name,
            "from": format_rfc3339(facts.next_shift.from_ns),
            "to": format_rfc3339(facts.next_shift.to_ns),
        },
        "drives": {
            each.drive.drive_id: {"chain_id": each.chain.chain_id if each.chain else None}
            for each in facts.drives
        },
        **{name: rows[:ROWS_MAX] for name, rows in lists.items()},
        "more": {name: len(rows) - ROWS_MAX for name, rows in lists.items() if len(rows) > ROWS_MAX},
    }


def _name(row: Content, drives: Mapping[str, Drive]) -> None:
    """Say of which drive a row is, in people's words."""
    drive = drives.get(row.get("drive_id") or "")
    row["name"] = (drive.name or drive.drive_id) if drive else (row.get("drive_id") or "")
    row["place"] = " / ".join(part for part in (drive.area, drive.line) if part) if drive else ""


def _when(t_ns: int | None) -> str | None:
    return None if t_ns is None else format_rfc3339(t_ns)


def _pct(value: float | None) -> float | None:
    """Rounded well below any uncertainty; minus nothing is nothing."""
    return None if value is None else round(value, 5) + 0.0


def _is_late(true_ns: int, facts: HandoverFacts) -> bool:
    """Whether something was true before the time that this handover covers, and came too late for the one before."""
    return true_ns <= facts.covers_from_ns


# What stands, and what happened


def _stands(alert: Alert) -> bool:
    return alert.annunciation is not Annunciation.NORMAL and not alert.held


def _alert(alert: Alert) -> Content:
    facts = alert.facts
    return {
        "alert_id": alert.alert_id,
        "drive_id": alert.drive_id,
        "what": str(alert.kind),
        "title": ENGLISH[alert.kind].title,
        "priority": alert.priority.name.lower(),
        "cause": facts.cause if facts else "",
        "mend": facts.mend if facts else "",
        "at_drive": bool(facts and facts.at_drive),
        "since": _when(alert.since_ns),
    }


def _standing(alert: Alert) -> Content:
    return {
        **_alert(alert),
        "state": str(alert.annunciation),
        "acknowledged_by": alert.acknowledged_by,
        "work_order": alert.work_order,
    }


def _held(alert: Alert, hold: Hold) -> Iterator[Content]:
    for held in alert.held:
        if held.hold is hold:
            yield {
                **_alert(alert),
                "active": alert.active,
                "why": held.why,
                "by": held.by,
                "until": _when(held.until_ns),
            }


def _happened(transition: Transition, facts: HandoverFacts) -> Content:
    act = transition.act
    return {
        "alert_id": transition.alert_id,
        "drive_id": transition.drive_id,
        "what": str(transition.kind),
        "title": ENGLISH[transition.kind].title,
        "priority": transition.priority.name.lower(),
        "cause": act.facts.cause if act.facts else "",
        "value": act.facts.value if act.facts else None,
        "u": act.facts.u if act.facts else None,
        "unit": act.facts.unit if act.facts else "",
        "when": _when(act.true_ns),
        "held": bool(transition.holds),
        "late": _is_late(act.true_ns, facts),
    }


def _near_limit(drives: Iterable[DriveFacts]) -> list[Content]:
    rows = []
    for each in drives:
        known, bound = each.known, limit(each.drive)
        if known is None or (state := _limit_state(known, bound.limit_pct)) == "below":
            continue
        rows.append(
            {
                "drive_id": each.drive.drive_id,
                "elongation_pct": _pct(known.elongation_pct),
                "u_pct": _pct(known.u_pct),
                "limit_pct": _pct(bound.limit_pct),
                "limit_term": str(bound.term),
                "share": round(known.elongation_pct / bound.limit_pct, 4),
                "state": state,
                "by": known.by,
                "when": _when(known.t_ns),
            }
        )
    return sorted(rows, key=lambda row: -float(row["share"]))


def _limit_state(known: Known, limit_pct: float) -> str:
    """Where an elongation stands: at, within_uncertainty (it may be reached), near, or below all of that."""
    if known.elongation_pct >= limit_pct:
        return "at"
    if known.elongation_pct + COVERAGE * known.u_pct >= limit_pct:
        return "within_uncertainty"
    return "near" if known.elongation_pct >= NEAR_SHARE * limit_pct else "below"


def _sensing(each: DriveFacts) -> Iterator[Content]:
    health = each.health
    if health is None or not health.letter:
        return
    sign = health.signs[0]
    yield {
        "drive_id": each.drive.drive_id,
        "letter": health.letter,
        "status": str(health.status),
        "what": sign.what,
        "mend": sign.mend,
        "since": _when(sign.since_ns),
        "others": len(health.signs) - 1,
    }


def _most_gained_first(drives: Iterable[DriveFacts]) -> list[DriveFacts]:
    """Those whose wear is told first, the greatest gain of them first."""
    return sorted(
        drives,
        key=lambda each: (
            each.gain.gained_pct is None,
            -(each.gain.gained_pct or 0.0),
            each.drive.drive_id,
        ),
    )


def _wear(each: DriveFacts) -> Content:
    gain = each.gain
    return {
        "drive_id": each.drive.drive_id,
        "chain_id": each.chain.chain_id if each.chain else None,
        "gained_pct": _pct(gain.gained_pct),
        "u_pct": _pct(gain.u_pct),
        "start_pct": _pct(gain.start_pct),
        "end_pct": _pct(gain.end_pct),
        "start": _when(gain.start_ns),
        "end": _when(gain.end_ns),
        "joints": each.joints,
        "readings": each.readings,
        "why": gain.why,
    }


# What was done


def _hand_value(each: HandFact, facts: HandoverFacts) -> Content:
    value, found = each.value, each.elongation
    return {
        "drive_id": value.drive_id,
        "chain_id": value.chain_id,
        "when": _when(value.measured_ns),
        "by": value.recorded_by,
        "method": str(value.method),
        "elongation_pct": _pct(found.elongation_pct),
        "u_pct": _pct(found.u_pct),
        "reliable": found.reliable,
        "note": value.note,
        "late": _is_late(value.measured_ns, facts),
    }


def _baseline(each: Baseline, facts: HandoverFacts) -> Content:
    drive_id = next((chain.drive_id for chain in facts.chains if chain.chain_id == each.chain_id), "")
    return {
        "drive_id": drive_id,
        "chain_id": each.chain_id,
        "when": _when(each.taken_ns),
        "by": each.recorded_by,
        "elongation_pct": _pct(each.elongation_pct),
        "u_pct": _pct(each.elongation_u_pct),
        "why": each.why,
        "late": _is_late(each.taken_ns, facts),
    }


def _chain_row(chain: Chain, what: str, t_ns: int, *, late: bool) -> Content:
    return {
        "drive_id": chain.drive_id,
        "chain_id": chain.chain_id,
        "designation": chain.designation,
        "what": what,
        "why": chain.removed_why if what == "taken_off" else chain.note,
        "when": _when(t_ns),
        "late": late,
    }


def _chain_changes(facts: HandoverFacts) -> Iterator[Content]:
    """Chains fitted and taken off within the time that is covered, in its order."""
    found = []
    for chain in facts.chains:
        for what, t_ns in (("fitted", chain.fitted_ns), ("taken_off", chain.removed_ns)):
            if t_ns is not None and facts.covers_from_ns < t_ns <= facts.shift.to_ns:
                found.append((t_ns, _chain_row(chain, what, t_ns, late=False)))
    for _, row in sorted(found, key=lambda each: each[0]):
        yield row


def _late_chain_changes(facts: HandoverFacts) -> Iterator[Content]:
    """Changes of before that were entered since: the chain that was on at the last cut-off is not the one it named."""
    told = (facts.previous or {}).get("drives", {})
    by_id = {chain.chain_id: chain for chain in facts.chains}
    for each in facts.drives:
        drive_id = each.drive.drive_id
        if drive_id not in told or told[drive_id]["chain_id"] == each.chain_before:
            continue
        before, now = by_id.get(told[drive_id]["chain_id"] or ""), by_id.get(each.chain_before or "")
        if before is not None and before.removed_ns is not None:
            yield _chain_row(before, "taken_off", before.removed_ns, late=True)
        if now is not None:
            yield _chain_row(now, "fitted", now.fitted_ns, late=True)


def _said_otherwise(facts: HandoverFacts) -> Iterator[Content]:
    """Elongations that the last handover ended with and that are another now: readings came late, or were corrected."""
    previous = facts.previous or {}
    if previous.get("to") != format_rfc3339(facts.shift.from_ns):
        return
    said = {row["drive_id"]: row for row in previous.get("wear", ())}
    for each in facts.drives:
        row, gain = said.get(each.drive.drive_id), each.gain
        same = row is not None and each.chain is not None and row["chain_id"] == each.chain.chain_id
        if row is None or not same or row["end_pct"] is None or gain.start_pct is None:
            continue
        if abs(row["end_pct"] - gain.start_pct) > SAID_OTHERWISE_PCT:
            yield {
                "drive_id": each.drive.drive_id,
                "said_pct": row["end_pct"],
                "now_pct": _pct(gain.start_pct),
                "when": _when(facts.shift.from_ns),
            }


def _work_order(work: Work) -> tuple[bool, bool, int]:
    return not work.is_open, work.kind is not WorkKind.LOCKED_OUT, work.since_ns


def _work(work: Work, facts: HandoverFacts) -> Content:
    is_open = work.open_at(facts.shift.to_ns)
    true_ns = work.since_ns if is_open or work.closed_ns is None else work.closed_ns
    new = work.recorded_ns if is_open else work.closed_recorded_ns
    return {
        "work_id": work.work_id,
        "drive_id": work.drive_id,
        "what": str(work.kind),
        "since": _when(work.since_ns),
        "by": work.by,
        "why": work.why,
        "work_order": work.work_order,
        "open": is_open,
        "closed": None if is_open else _when(work.closed_ns),
        "closed_by": "" if is_open else work.closed_by,
        "closed_why": "" if is_open else work.closed_why,
        "late": new is not None and new > facts.covers_from_ns and _is_late(true_ns, facts),
    }


def _note(note: Note, facts: HandoverFacts) -> Content:
    return {
        "drive_id": note.drive_id,
        "text": note.text,
        "by": note.by,
        "when": _when(note.true_ns),
        "late": _is_late(note.true_ns, facts),
    }


def _moved(each: Moved) -> Content:
    return {
        "drive_id": each.drive_id,
        "before": _when(each.before_ns),
        "after": _when(each.after_ns),
        "why": each.why,
    }


# What the next shift must do


def _to_do(facts: HandoverFacts) -> list[Content]:
    """What follows from all of it, the most pressing first."""
    found = [
        *_do_work(facts),
        *_do_limits(facts.drives),
        *_do_alerts(facts.alerts),
        *_do_holds(facts),
        *_do_sensing(facts),
    ]
    if not facts.previous_signed:
        found.append(
            _todo(TodoKind.SIGN, "", "Sign the handover before this one", "giver or taker is missing")
        )
    order = {kind: rank for rank, kind in enumerate(TodoKind)}
    return sorted(found, key=lambda row: (order[TodoKind(row["kind"])], row["due"] or "", row["drive_id"]))


def _todo(
    kind: TodoKind, drive_id: str, do: str, why: str, *, due_ns: int | None = None, at_drive: bool = False
) -> Content:
    return {
        "kind": str(kind),
        "drive_id": drive_id,
        "do": do,
        "why": why,
        "due": _when(due_ns),
        "at_drive": at_drive,
    }


def _do_work(facts: HandoverFacts) -> Iterator[Content]:
    for each in facts.work:
        if not each.open_at(facts.shift.to_ns):
            continue
        order = f", work order {each.work_order}" if each.work_order else ""
        if each.kind is WorkKind.LOCKED_OUT:
            yield _todo(
                TodoKind.LOCKED_OUT,
                each.drive_id,
                f"Locked out by {each.by}: leave it so until whoever hung the lock takes it off",
                f"{each.why}{order}",
                at_drive=True,
            )
        else:
            kind = str(each.kind).replace("_", " ")
            yield _todo(
                TodoKind.WORK,
                each.drive_id,
                f"Go on with what is in hand ({kind}), or close it",
                f"{each.why}{order}; {each.by}",
                at_drive=each.kind is not WorkKind.SIMULATION,
            )


def _do_limits(drives: Iterable[DriveFacts]) -> Iterator[Content]:
    for row in _near_limit(drives):
        why = f"{row['elongation_pct']:.2f} % of {row['limit_pct']:.2f} %"
        if row["state"] == "at":
            yield _todo(
                TodoKind.CHANGE_CHAIN,
                row["drive_id"],
                "At its limit: plan its stop and change the chain",
                why,
                at_drive=True,
            )
        elif row["state"] == "within_uncertainty":
            yield _todo(
                TodoKind.MEASURE,
                row["drive_id"],
                "May be at its limit: measure it by hand",
                f"{why}, U {COVERAGE * row['u_pct']:.2f} %",
                at_drive=True,
            )


def _do_alerts(alerts: Iterable[Alert]) -> Iterator[Content]:
    asked = [
        each
        for each in alerts
        if _stands(each) and each.annunciation in {Annunciation.UNACKNOWLEDGED, Annunciation.RETURNED}
    ]
    for each in sorted(asked, key=lambda each: (-each.priority, each.since_ns or 0)):
        gone = each.annunciation is Annunciation.RETURNED
        mend = each.facts.mend if each.facts and not gone else ""
        high = ", high priority" if each.priority is Priority.HIGH else ""
        cause = each.facts.cause if each.facts else "nobody has yet"
        yield _todo(
            TodoKind.ANSWER,
            each.drive_id,
            f"Acknowledge: {ENGLISH[each.kind].title}{', which has gone again' if gone else ''}."
            f"{f' {mend}' if mend else ''}",
            f"{cause.rstrip('.')}{high}" if high else cause,
            at_drive=bool(each.facts and each.facts.at_drive and not gone),
        )


def _do_holds(facts: HandoverFacts) -> Iterator[Content]:
    """Shelves that end, and reviews that fall due, before the next shift does."""
    until_ns = facts.next_shift.to_ns if facts.next_shift else facts.shift.to_ns + DAY_NS
    for alert in facts.alerts:
        for held in alert.held:
            if held.until_ns is None or held.until_ns > until_ns:
                continue
            what = ENGLISH[alert.kind].title
            if held.hold is Hold.SHELVED:
                do = f"{what}: its shelf ends, and it annunciates again unless what it stands for is mended"
                yield _todo(TodoKind.SHELF_ENDS, alert.drive_id, do, held.why, due_ns=held.until_ns)
            elif held.hold is Hold.OUT_OF_SERVICE:
                over = "is overdue" if held.until_ns <= facts.shift.to_ns else "falls due"
                do = f"{what}: it is out of service and its review {over}: put it back, or say until when"
                yield _todo(TodoKind.REVIEW, alert.drive_id, do, held.why, due_ns=held.until_ns)


def _do_sensing(facts: HandoverFacts) -> Iterator[Content]:
    for each in facts.drives:
        health, newest = each.health, each.newest
        drive_id = each.drive.drive_id
        if health is not None and health.status is Status.FAILURE:
            sign = health.signs[0]
            yield _todo(TodoKind.SENSING, drive_id, sign.mend, sign.what, at_drive=bool(sign.sensor))
        elif (
            each.drive.whole_pitches is not None and newest is not None and newest.t_ns <= facts.shift.from_ns
        ):
            yield _todo(
                TodoKind.NO_READING,
                drive_id,
                "Find out why no reading came: device, network, topic",
                "none in this shift",
            )
