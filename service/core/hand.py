"""A measurement by hand, drive stopped and locked out: by rule, tape or calliper over a number of pitches.

Knows lengths, what people can read off a rule, and what a chain may look like; must not know pulses. It needs no
sensor: a drive that is only ever measured by hand has an elongation, a limit and a trend like any other. The
uncertainty is of the same kind as a reading's (standard, k = 1, of the elongation of the whole chain), so that
the two can be compared.
"""

import math
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from enum import StrEnum
from typing import Any, Self

from service.core import catalogue
from service.core.catalogue import CatalogueChain, ChainKind
from service.core.drive import CHAIN_ID, DRIVE_ID, PITCH_MM_MAX, PITCHES_IN_LOOP_MAX, Chain, Drive, Limit
from service.core.elongation import LINK_SPREAD_NEW_PCT, LINK_SPREAD_WORN, SENT_TEMPERATURE_U_K
from service.core.fields import (
    FieldsRefusedError,
    flag_problem,
    id_problem,
    instant_problem,
    key_problem,
    number_problem,
    refuse,
    text_problem,
    whole_problem,
)
from service.core.geometry import STEEL_EXPANSION_PER_K, calliper_length_mm, length_elongation_pct
from service.core.pitches import ELONGATION_MAX_PCT, ELONGATION_MIN_PCT, RISE_PCT_PER_DAY

NS_PER_DAY = 86_400_000_000_000

# Standard uncertainty of one reading, mm (common practice, no source); rule and tape are laid anew after their length.
RULE_U_MM, RULE_LENGTH_MM = 0.5, 1000.0
TAPE_U_MM, TAPE_LENGTH_MM = 1.0, 5000.0
CALLIPER_U_MM = 0.1
LENGTH_MM_MAX = 1e6
# What no measured length can mean, per cent: inches for millimetres, another chain, a count far off.
ELONGATION_PCT_LEAST, ELONGATION_PCT_MOST = -30.0, 40.0

RULE_TEMP_C = 20.0  # lengths hold at 20 deg C (ISO 1, from memory), and so does what is engraved on a rule
ROOM_RANGE_K = 15.0  # a rule is within that of 20 deg C, and so is a chain of it (common practice, no source)
TENSION_U_PCT = (
    0.02  # of a strand that is tight, but not pulled with its measuring force (common practice, no source)
)

CALLIPER_PITCHES_LEAST, CALLIPER_PITCHES_MOST = 6, 10  # common practice, no source
CALLIPER_OPENS_MM = 300.0
UNSURE_PCT = 0.5  # a U over that wants a longer span (common practice, no source)
MISCOUNTS = (-1, 1, -2, 2)  # a pitch missed or told twice; or two, where links are counted in pairs

ATTACHMENTS_NEW_PCT = 0.30  # greatest elongation of new chain with attachments (ISO 606, from memory)
# Chains up to 12B and 081 to 085 are measured over 610 mm at least, greater ones over 1220 mm (ISO 606, from memory).
SHORT_MEASURED_MM, LONG_MEASURED_MM, SHORT_PITCH_MM_MAX = 610.0, 1220.0, 19.05


class HandMethod(StrEnum):
    """How the length was taken."""

    RULE = "rule"  # pin centre to pin centre with a steel rule
    TAPE = "tape"  # the same with a tape
    CALLIPER = "calliper"  # outside over and inside between the rollers of the end joints


@dataclass(frozen=True, slots=True, kw_only=True)
class HandValue:
    """One measurement by hand of one chain. Lengths in mm; standard uncertainties (k = 1)."""

    drive_id: str
    chain_id: str
    measured_ns: int
    recorded_ns: int
    recorded_by: str
    method: HandMethod
    pitches: int  # measured over
    length_mm: float  # joint to joint
    length_u_mm: float
    pitch_mm: float  # nominal pitch of the chain
    tight: bool  # the chain was drawn tight; a slack one gives no elongation to rely on
    temp_c: float | None = None  # of the chain
    note: str = ""
    told_ns: int | None = (
        None  # when it was measured by the clock of who sent it later; measured_ns is put right
    )
    key: str | None = (
        None  # the client's own name for this measurement, so that sending it again stores it once
    )

    def __post_init__(self) -> None:
        refuse(
            drive_id=id_problem(self.drive_id, DRIVE_ID, "the id of a drive"),
            chain_id=id_problem(self.chain_id, CHAIN_ID, "the id of a chain"),
            measured_ns=instant_problem(self.measured_ns),
            recorded_ns=instant_problem(self.recorded_ns),
            recorded_by=text_problem(self.recorded_by),
            method=None if isinstance(self.method, HandMethod) else "give rule, tape or calliper",
            pitches=whole_problem(
                self.pitches, 1, PITCHES_IN_LOOP_MAX, "count the pitches between the two joints measured at"
            ),
            length_mm=number_problem(
                self.length_mm, 1, LENGTH_MM_MAX, "give the length between two joints in mm (1 in = 25.4 mm)"
            ),
            length_u_mm=number_problem(
                self.length_u_mm,
                0.001,
                1000,
                "give how well the length was read, in mm, e.g. 0.5 with a rule",
            ),
            pitch_mm=number_problem(self.pitch_mm, 3, PITCH_MM_MAX, "give the nominal pitch in mm"),
            tight=flag_problem(self.tight),
            temp_c=number_problem(
                self.temp_c, -60, 500, "give degrees Celsius, or leave it empty", optional=True
            ),
            note=text_problem(self.note, lines=True),
            told_ns=instant_problem(self.told_ns, optional=True),
            key=key_problem(self.key, optional=True),
        )
        if not ELONGATION_PCT_LEAST <= self._raw_pct <= ELONGATION_PCT_MOST:
            raise FieldsRefusedError(
                {
                    "length_mm": f"{self.length_mm:g} mm over {self.pitches} pitches of {self.pitch_mm:g} mm would be "
                    f"{self._raw_pct:+.0f} %; check length (1 in = 25.4 mm), count and the chain that is registered"
                }
            )

    @classmethod
    def by_calliper(
        cls, *, outside_mm: float, inside_mm: float, reading_u_mm: float = CALLIPER_U_MM, **of: Any
    ) -> Self:
        """Return the value of two calliper readings at the same two joints; the note keeps both.

        L = (L1 + L2) / 2, the diameter of the rollers cancels; both readings are independent, so u(L) = u / sqrt(2).

        Args:
            outside_mm: L1, over the rollers of the two joints.
            inside_mm: L2, between them.
            reading_u_mm: standard uncertainty of each reading.
            of: all other fields of the value, but method, length_mm and length_u_mm.

        Raises FieldsRefusedError. Source: common practice over 6 to 10 links at least.
        """
        fix = "give what the calliper shows, in mm"
        refuse(
            outside_mm=number_problem(outside_mm, 1, LENGTH_MM_MAX, fix),
            inside_mm=number_problem(inside_mm, 1, LENGTH_MM_MAX, fix),
            length_u_mm=number_problem(reading_u_mm, 0.001, 1000, "give how well the calliper was read, mm"),
        )
        try:
            length_mm = calliper_length_mm(outside_mm, inside_mm)
        except ValueError as error:
            raise FieldsRefusedError({"inside_mm": str(error).removeprefix("inside_mm: ")}) from None
        read = f"{outside_mm:g} mm outside over the rollers, {inside_mm:g} mm inside between them"
        of["note"] = "\n".join(part for part in (of.get("note", ""), read) if part)
        return cls(
            method=HandMethod.CALLIPER,
            length_mm=length_mm,
            length_u_mm=reading_u_mm / math.sqrt(2),
            **of,
        )

    @property
    def nominal_mm(self) -> float:
        """The length of so many nominal pitches, mm."""
        return self.pitches * self.pitch_mm

    @property
    def _raw_pct(self) -> float:
        return length_elongation_pct(self.length_mm, self.pitches, self.pitch_mm)


def measured_at(told_ns: int, sent_ns: int, at_ns: int) -> int:
    """Return when something was measured that is sent later by a device whose clock may be wrong.

    How long ago it was is by that clock, whatever it shows; now is by ours: at - (sent - told). A clock that was put
    back meanwhile makes no measurement of the future: then it was now.

    Args:
        told_ns: when it was measured, by the clock of the device.
        sent_ns: when it is sent, by the same clock.
        at_ns: when it arrives, by our clock.
    """
    return max(0, at_ns - max(0, sent_ns - told_ns))


def default_length_u_mm(method: HandMethod, length_mm: float) -> float:
    """Return the standard uncertainty of a length, mm, where nobody gave it.

    Rule 0.5 mm and tape 1 mm for each time it is laid (1 m, 5 m; the root of the sum of squares); calliper 0.1 mm
    for each of its two readings, whose mean has 0.07 mm. All common practice, no source.
    """
    if method is HandMethod.CALLIPER:
        return CALLIPER_U_MM / math.sqrt(2)
    once_mm, laid_mm = (
        (RULE_U_MM, RULE_LENGTH_MM) if method is HandMethod.RULE else (TAPE_U_MM, TAPE_LENGTH_MM)
    )
    return once_mm * math.sqrt(max(1, math.ceil(length_mm / laid_mm)))


@dataclass(frozen=True, slots=True, kw_only=True)
class HandElongation:
    """Elongation by hand against nominal pitch, per cent, with its standard uncertainty and the terms of it.

    `reliable` is false for a slack chain: the number is that of the length as read, and nothing to decide by.
    """

    elongation_pct: float
    reading_pct: float  # how well the length was read
    odd_pct: float  # one more long or short link in an odd number of pitches
    temperature_pct: float  # of chain and rule
    tension_pct: float
    sample_pct: float  # links of the chain that were not in the span
    reliable: bool

    @property
    def u_pct(self) -> float:
        """The combined standard uncertainty: the root of the sum of squares (JCGM 100:2008, 5.1.2)."""
        return math.hypot(
            self.reading_pct, self.odd_pct, self.temperature_pct, self.tension_pct, self.sample_pct
        )


def hand_elongation(
    value: HandValue, *, temp_ref_c: float = RULE_TEMP_C, pitches_in_loop: int | None = None
) -> HandElongation:
    """Return the mean wear elongation of the chain by a measurement by hand, with its uncertainty.

    e = (L - n p) / (n p), less what warmth added. A warm chain is longer, a warm rule reads less: steel and steel at
    one temperature cancel. So with the chain's temperature given, a (T - 20) is taken off (the rule being at 20
    +/- 15 degC, rectangular); without it nothing is, and chain and rule are taken to be within 15 K of each other.

    Terms of the uncertainty (k = 1), per cent of elongation: the reading u(L) / (n p); over an odd n the one link
    that is too many, +/- e / n (a two-point distribution, whose standard deviation that is); temperatures;
    tension; and, as the chain was measured in one place, the spread of its links: s sqrt((1 - n / L) / n).

    Args:
        value: checked as it was made.
        temp_ref_c: the temperature at which the drive's elongation is stated; nominal pitches hold at 20 degC.
        pitches_in_loop: L; None where nobody gave it. The whole chain measured leaves no spread.

    Source: JCGM 100:2008, 4.3 and 5.1.2; steel 11.7e-6 per K by Machinery's Handbook (all from memory).
    """
    warm_k = 0.0 if value.temp_c is None else value.temp_c - RULE_TEMP_C
    warm_u_k = math.hypot(ROOM_RANGE_K / math.sqrt(3), 0.0 if value.temp_c is None else SENT_TEMPERATURE_U_K)
    raw_pct = length_elongation_pct(value.length_mm, value.pitches, value.pitch_mm)
    elongation_pct = raw_pct + 100 * STEEL_EXPANSION_PER_K * (temp_ref_c - RULE_TEMP_C - warm_k)
    spread_pct = math.hypot(LINK_SPREAD_NEW_PCT, LINK_SPREAD_WORN * elongation_pct)
    unseen = 1.0 if pitches_in_loop is None else max(0.0, 1 - value.pitches / pitches_in_loop)
    return HandElongation(
        elongation_pct=elongation_pct,
        reading_pct=100 * value.length_u_mm / value.nominal_mm,
        odd_pct=abs(elongation_pct) / value.pitches if value.pitches % 2 else 0.0,
        temperature_pct=100 * STEEL_EXPANSION_PER_K * warm_u_k,
        tension_pct=TENSION_U_PCT,
        sample_pct=spread_pct * math.sqrt(unseen / value.pitches),
        reliable=value.tight,
    )


def remaining_mm(value: HandValue, hand: HandElongation, limit_pct: float) -> float:
    """Return by how much the measured span may still grow until the limit, mm; below 0 once it is over it."""
    return (limit_pct - hand.elongation_pct) / 100 * value.nominal_mm


# Whether the measurement can be right


@dataclass(frozen=True, slots=True, kw_only=True)
class Known:
    """What is known of the chain's elongation from elsewhere: from its readings, or from an earlier measurement."""

    elongation_pct: float
    u_pct: float
    t_ns: int
    by: str = "live"  # or "hand"


def chance_over(known: Known, limit_pct: float) -> float:
    """Return the probability that the elongation is at a limit or over it: normal, with the standard uncertainty stated.

    Source: JCGM 106:2012, 7.3, a one-sided tolerance interval with a normal distribution (from memory).
    """
    if known.u_pct <= 0.0:
        return float(known.elongation_pct >= limit_pct)
    return 0.5 * math.erfc((limit_pct - known.elongation_pct) / (known.u_pct * math.sqrt(2)))


def newer(live: Known | None, by_hand: Known | None) -> Known | None:
    """Return the one to go by: the live value, unless the measurement by hand is newer by more than a day."""
    if live is None or by_hand is None:
        return live or by_hand
    return by_hand if by_hand.t_ns > live.t_ns + NS_PER_DAY else live


def count_doubt(value: HandValue, known: Known | None = None) -> str:
    """Return the question to ask about the count of pitches, "" if there is none.

    One pitch too many or too few changes the elongation by 100 / n per cent. It is asked where another count fits
    what is known of the chain and this one does not, within three and two standard uncertainties and 0.02 % for
    each day between; and, nothing being known, where the elongation is not within -0.3 to 4.0 %.

    Args:
        value: the measurement; of a slack chain nothing is asked.
        known: the newest elongation of the same chain, or the one nearest in time.
    """
    if not value.tight:
        return ""
    hand = hand_elongation(value)
    if known is None:
        least, most = ELONGATION_MIN_PCT - 2 * hand.u_pct, ELONGATION_MAX_PCT + 2 * hand.u_pct
        fits = [n for n in _other_counts(value) if least <= _pct_over(value, n) <= most]
        return "" if least <= hand.elongation_pct <= most else _question(value, hand, fits)
    apart_pct = RISE_PCT_PER_DAY * abs(value.measured_ns - known.t_ns) / NS_PER_DAY
    u_pct = math.hypot(hand.u_pct, known.u_pct)
    if abs(hand.elongation_pct - known.elongation_pct) <= 3 * u_pct + apart_pct:
        return ""
    shift_pct = hand.elongation_pct - length_elongation_pct(value.length_mm, value.pitches, value.pitch_mm)
    fits = [
        n
        for n in _other_counts(value)
        if abs(_pct_over(value, n) + shift_pct - known.elongation_pct) <= 2 * u_pct + apart_pct
    ]
    return _question(value, hand, fits) if fits else count_doubt(value)


def _other_counts(value: HandValue) -> Iterator[int]:
    return (value.pitches + by for by in MISCOUNTS if value.pitches + by > 0)


def _pct_over(value: HandValue, pitches: int) -> float:
    return length_elongation_pct(value.length_mm, pitches, value.pitch_mm)


def _question(value: HandValue, hand: HandElongation, fits: list[int]) -> str:
    said = f"{value.length_mm:g} mm over {value.pitches} pitches would be {hand.elongation_pct:+.2f} %"
    if not fits:
        shorter = hand.elongation_pct < 0
        cause = "was the chain tight?" if shorter else "no chain runs for long with that."
        return f"{said}: {cause} Check length, count and the chain that is registered"
    other = fits[0]
    first, last = sorted((value.pitches, other))
    return (
        f"{said}, over {other} it would be {_pct_over(value, other):+.2f} %: did you count {first} or {last}? "
        "Count the pitches again"
    )


def warnings(value: HandValue, *, pitches_in_loop: int | None = None) -> tuple[str, ...]:
    """Return what makes this measurement worse than it need be, and what would mend it; empty if nothing.

    Args:
        value: the measurement.
        pitches_in_loop: of the whole chain; None where nobody gave it.
    """
    return tuple(_warnings(value, hand_elongation(value, pitches_in_loop=pitches_in_loop), pitches_in_loop))


def _warnings(value: HandValue, hand: HandElongation, pitches_in_loop: int | None) -> Iterator[str]:
    n = value.pitches
    if not value.tight:
        yield (
            "The chain was slack: its joints are not pulled apart, so this length says nothing of wear. It is kept, "
            "and not counted; measure the tight strand, or draw the chain tight"
        )
        return
    if n % 2:
        yield (
            f"{n} pitches are an odd number, with one more long or one more short link: the elongation may be off by "
            f"{hand.odd_pct:.2f} %. Measure over {n - 1 if n > 1 else 2} or {n + 1}"
        )
    if value.method is HandMethod.CALLIPER and n < CALLIPER_PITCHES_LEAST:
        yield (
            f"{n} pitches are few for a calliper; take {CALLIPER_PITCHES_LEAST} to {CALLIPER_PITCHES_MOST}, "
            "as far as it opens"
        )
    if 2 * hand.u_pct > UNSURE_PCT:
        yield (
            f"The elongation is only sure to {2 * hand.u_pct:.2f} %: measure over more pitches, "
            f"{_pitches_for(value, UNSURE_PCT)} or so"
        )
    if pitches_in_loop is not None and pitches_in_loop % 2 and n < pitches_in_loop:
        yield (
            f"The loop has {pitches_in_loop} pitches, an odd number, so there is a cranked link in it: make sure that "
            "it was not in the span"
        )


def _pitches_for(value: HandValue, expanded_pct: float) -> int:
    """Return the even number of pitches at which reading and spread of the links leave so much, roughly."""
    hand = hand_elongation(value)
    of_reading, of_links = hand.reading_pct * value.pitches, hand.sample_pct * math.sqrt(value.pitches)
    n = value.pitches + value.pitches % 2
    while 2 * math.hypot(of_reading / n, of_links / math.sqrt(n)) > 0.95 * expanded_pct and n < 10_000:
        n += 2
    return n


# Whether it agrees with the sensors


@dataclass(frozen=True, slots=True, kw_only=True)
class Agreement:
    """What a measurement by hand and a live value say of each other; per cent of elongation."""

    difference_pct: float  # live less hand
    u_pct: float  # standard uncertainty of it
    agree: bool  # within twice that
    words: str


def agrees(hand: HandElongation, live_pct: float, live_u_pct: float, days_apart: float) -> Agreement:
    """Return whether a measurement by hand and a live value of the same chain agree.

    They do where they differ by no more than twice the standard uncertainty of their difference:
    sqrt(u_hand^2 + u_live^2 + u_wear^2). How fast the chain wore between the two is not known, 0.02 % a day at most:
    u_wear is that, rectangular.

    Args:
        hand: of a tight chain, at the same reference temperature as the live value.
        live_pct: the live elongation nearest in time.
        live_u_pct: its standard uncertainty.
        days_apart: between the two, either way.

    Source: JCGM 100:2008, 4.3.7 and 5.1.2 (from memory).
    """
    wear_u_pct = RISE_PCT_PER_DAY * abs(days_apart) / math.sqrt(3)
    u_pct = math.hypot(hand.u_pct, live_u_pct, wear_u_pct)
    difference_pct = live_pct - hand.elongation_pct
    agree = abs(difference_pct) <= 2 * u_pct
    apart = f"{abs(difference_pct):.2f} % {'higher' if difference_pct > 0 else 'lower'} by the sensors"
    if agree:
        words = f"Agrees with the sensors: {apart}, and up to {2 * u_pct:.2f} % is within the uncertainties"
    else:
        words = (
            f"Disagrees with the sensors: {apart}, and only {2 * u_pct:.2f} % is within the uncertainties. "
            "Measure again in two other places. If it stays, look whether a sensor was moved, and record a new baseline"
        )
    return Agreement(difference_pct=difference_pct, u_pct=u_pct, agree=agree, words=words)


def start_of(value: HandValue, hand: HandElongation, taken_ns: int) -> tuple[float, float]:
    """Return e0 and its standard uncertainty, per cent, for a baseline that is taken after a measurement by hand.

    The chain may have worn by 0.02 % a day at most since: that is added to the uncertainty, rectangular.
    """
    days = abs(taken_ns - value.measured_ns) / NS_PER_DAY
    return hand.elongation_pct, math.hypot(hand.u_pct, RISE_PCT_PER_DAY * days / math.sqrt(3))


# The card to take along

CAUTIONS = (
    "Stop the drive, lock it out, tag it out, and try that it does not start. Never measure on a running drive.",
    "Let stored energy out: tensioned chain, take-up weights and springs, raised loads, compressed air.",
    "Take guards off only once it is locked out, and put them back before it is let go.",
    (
        "A lifting chain with a crack, rust, a turned pin or any doubt is out of service, whatever stands here. Its "
        "thorough examination by a competent person stays due."
    ),
    "Local codes and the plant's own rules come first; leave the work to people licensed or trained for it.",
    "linklag is a maintenance aid. It is no safety function and must not be used as one.",
)


@dataclass(frozen=True, slots=True, kw_only=True)
class CardSpan:
    """Lengths between two joints an even number of pitches apart, mm."""

    pitches: int
    nominal_mm: float
    new_least_mm: float
    new_most_mm: float
    expected_mm: float | None  # now; None where nothing is known
    expected_u_mm: (
        float | None
    )  # standard uncertainty of what will be read with a rule, the expectation's own in it
    limit_mm: float


@dataclass(frozen=True, slots=True, kw_only=True)
class CalliperFigures:
    """What a calliper shows outside over and inside between the rollers of two joints, mm."""

    pitches: int
    roller_dia_mm: float
    new_outside_mm: float  # nominal
    new_inside_mm: float
    expected_outside_mm: float | None
    expected_inside_mm: float | None
    limit_outside_mm: float
    limit_inside_mm: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Card:
    """All that somebody needs at the drive to measure its chain by hand. `cautions` come first wherever it is shown."""

    cautions: tuple[str, ...]
    steps: tuple[str, ...]
    drive: Drive
    chain: Chain
    limit: Limit
    last: Known | None
    spans: tuple[CardSpan, ...]  # the longest first: the longer, the surer
    new_attachments_mm: float  # greatest new length of the first span of a chain with attachments
    measured_least_mm: float | None  # of ISO 606; None for a chain that is not of it
    calliper: CalliperFigures | None  # None without rollers or bushes that the catalogue knows


def card(drive: Drive, chain: Chain, bound: Limit, last: Known | None = None) -> Card:
    """Return the card of a drive: cautions, what to do, and the lengths to expect and to stop at.

    New: n p with the tolerance of the chain (ISO 606: 0 to +0.15 %, with attachments to +0.30 %, from memory).
    Now: (1 + e) n p by the last value. Limit: (1 + limit) n p.

    Args:
        drive: its settings.
        chain: the chain that is on it.
        bound: the limit that applies.
        last: what is known of its elongation now.
    """
    known = _catalogue_chain(chain)
    least_mm = _measured_least_mm(known)
    spans = tuple(
        _span(chain, n, known, bound.limit_pct, last) for n in _card_pitches(chain, least_mm or 600.0)
    )
    return Card(
        cautions=CAUTIONS,
        steps=tuple(_steps(chain, known, spans)),
        drive=drive,
        chain=chain,
        limit=bound,
        last=last,
        spans=spans,
        new_attachments_mm=spans[0].nominal_mm * (1 + ATTACHMENTS_NEW_PCT / 100),
        measured_least_mm=least_mm,
        calliper=_calliper(chain, known, bound.limit_pct, last),
    )


def _catalogue_chain(chain: Chain) -> CatalogueChain | None:
    try:
        return catalogue.find(chain.designation) if chain.designation else None
    except catalogue.DesignationError:
        return None


def _measured_least_mm(known: CatalogueChain | None) -> float | None:
    """Return the least length over which ISO 606 measures a chain, mm; None for a chain that is not of it."""
    if known is None or known.kind not in {ChainKind.ROLLER, ChainKind.BUSH} or known.pitch_mm is None:
        return None
    return SHORT_MEASURED_MM if known.pitch_mm <= SHORT_PITCH_MM_MAX else LONG_MEASURED_MM


def _card_pitches(chain: Chain, least_mm: float) -> list[int]:
    """Return even numbers of pitches, falling: about `least_mm`, half and a quarter of it, for where less can be reached."""
    whole = max(CALLIPER_PITCHES_LEAST, 2 * math.ceil(least_mm / chain.pitch_mm / 2))
    found = {max(CALLIPER_PITCHES_LEAST, 2 * round(whole / part / 2)) for part in (1, 2, 4)}
    fits = {n for n in found if chain.pitches_in_loop is None or n <= chain.pitches_in_loop}
    return sorted(fits, reverse=True) or [2 * ((chain.pitches_in_loop or 2) // 2)]


def _span(
    chain: Chain, pitches: int, known: CatalogueChain | None, limit_pct: float, last: Known | None
) -> CardSpan:
    nominal_mm = pitches * chain.pitch_mm
    least_pct, most_pct = known.new_length_pct if known else (0.0, 0.15)
    expected_mm = expected_u_mm = None
    if last is not None:
        expected_mm = nominal_mm * (1 + last.elongation_pct / 100)
        expected_u_mm = _read_u_mm(chain, pitches, expected_mm, last)
    return CardSpan(
        pitches=pitches,
        nominal_mm=nominal_mm,
        new_least_mm=nominal_mm * (1 + least_pct / 100),
        new_most_mm=nominal_mm * (1 + most_pct / 100),
        expected_mm=expected_mm,
        expected_u_mm=expected_u_mm,
        limit_mm=nominal_mm * (1 + limit_pct / 100),
    )


def _read_u_mm(chain: Chain, pitches: int, length_mm: float, last: Known) -> float:
    """Return the standard uncertainty of what a rule will read, mm: that of the expectation and that of reading."""
    value = HandValue(
        drive_id=chain.drive_id,
        chain_id=chain.chain_id,
        measured_ns=last.t_ns,
        recorded_ns=last.t_ns,
        recorded_by="",
        method=HandMethod.RULE,
        pitches=pitches,
        length_mm=length_mm,
        length_u_mm=default_length_u_mm(HandMethod.RULE, length_mm),
        pitch_mm=chain.pitch_mm,
        tight=True,
    )
    hand = hand_elongation(value, pitches_in_loop=chain.pitches_in_loop)
    return math.hypot(hand.u_pct, last.u_pct) / 100 * value.nominal_mm


def _calliper(
    chain: Chain, known: CatalogueChain | None, limit_pct: float, last: Known | None
) -> CalliperFigures | None:
    if known is None or known.roller_dia_mm is None:
        return None
    roller_mm = known.roller_dia_mm
    opens = int((CALLIPER_OPENS_MM - roller_mm) / chain.pitch_mm) // 2 * 2
    pitches = min(CALLIPER_PITCHES_MOST, max(CALLIPER_PITCHES_LEAST, opens))
    nominal_mm = pitches * chain.pitch_mm
    limit_mm = nominal_mm * (1 + limit_pct / 100)
    expected_mm = None if last is None else nominal_mm * (1 + last.elongation_pct / 100)
    return CalliperFigures(
        pitches=pitches,
        roller_dia_mm=roller_mm,
        new_outside_mm=nominal_mm + roller_mm,
        new_inside_mm=nominal_mm - roller_mm,
        expected_outside_mm=None if expected_mm is None else expected_mm + roller_mm,
        expected_inside_mm=None if expected_mm is None else expected_mm - roller_mm,
        limit_outside_mm=limit_mm + roller_mm,
        limit_inside_mm=limit_mm - roller_mm,
    )


def _steps(chain: Chain, known: CatalogueChain | None, spans: Iterable[CardSpan]) -> Iterator[str]:
    longest = next(iter(spans)).pitches
    leaf = known is not None and known.kind is ChainKind.LEAF
    yield (
        "Measure where the chain runs over the sheave and bends most, under a light load that draws it tight."
        if leaf
        else "Measure on the tight strand, which runs towards the driver; turn the drive by hand until it is tight."
    )
    yield (
        f"Count an even number of pitches, {longest} if you can reach them, beginning at an inner link: mark the first "
        "pin, say nought, and count each pin after it. Count twice."
    )
    if not leaf:
        yield "Leave a cranked link out of the span; leave out a spliced-in new piece, or say so in the note."
    yield "Measure from pin centre to pin centre, rule along the line of the pins, to half a millimetre."
    yield (
        "Measure at three places round the chain at least, and where it looks worst. The largest counts: enter that "
        "one, and the others in its note."
    )
    if chain.strands > 1 or leaf:
        yield "Measure each strand. Chains that share a load are replaced together."
    yield (
        "Look as well for cracks, rust, turned or protruding pins, worn edges of the plates, and at the anchor bolts."
        if leaf
        else "Look as well for stiff joints, turned pins, cracked plates, dry or rusty joints, hooked teeth."
    )
