"""How chains ended and how long they lived: one removal, one life, and the lives of a class of drives.

What ends a life is wear. A chain that still runs, or came off for another reason, is known to have lived at least so
long: it is censored, and counts as that and as no more (Kaplan & Meier, J. Am. Stat. Assoc. 53 (1958) 457, from memory).
The arithmetic of survival is a library's, behind the port `LifeFitter`; here stands what goes in and how it may be read.
"""

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum

from service.core.drive import CHAIN_ID
from service.core.fields import id_problem, instant_problem, number_problem, refuse, text_problem

DAY_NS = 86_400_000_000_000
ENDED_LEAST = 5  # chains worn out on either side of a change, below which nothing is said of it (our own)
SURE_P = 0.05  # common practice


class RemovalKind(StrEnum):
    """Why a chain came off."""

    WORN = "worn"  # at or near its limit
    BROKEN = "broken"
    DAMAGED = "damaged"  # stiff joints, cracked plates, corrosion, after a jam
    PLANNED = "planned"  # before its limit, because the drive stood anyway
    MOVED = "moved"  # goes on running elsewhere
    OTHER = "other"  # or not known


class ElongationSource(StrEnum):
    """Where the elongation at removal is from."""

    NONE = ""
    LIVE = "live"
    BY_HAND = "by hand"
    SAID = "said"  # by who recorded the removal


@dataclass(frozen=True, slots=True, kw_only=True)
class Removal:
    """Why one chain came off, and how far it had come. `number` 0: not stored yet.

    measured_ns: when the elongation was so; None where nothing is known of it. passages: joints passed; hours: of running.
    """

    chain_id: str
    kind: RemovalKind
    elongation_pct: float | None = None
    u_pct: float | None = None
    source: ElongationSource = ElongationSource.NONE
    measured_ns: int | None = None
    passages: float | None = None
    hours: float | None = None
    by: str
    recorded_ns: int
    note: str = ""
    number: int = 0

    def __post_init__(self) -> None:
        u_problem = number_problem(
            self.u_pct, 0, 10, "give the standard uncertainty in per cent of elongation", optional=True
        )
        if u_problem is None and self.u_pct is not None and self.elongation_pct is None:
            u_problem = "stands without an elongation: give elongation_pct too, or leave both empty"
        refuse(
            chain_id=id_problem(self.chain_id, CHAIN_ID, "the id of a chain"),
            kind=None if isinstance(self.kind, RemovalKind) else f"give one of {', '.join(RemovalKind)}",
            elongation_pct=number_problem(
                self.elongation_pct,
                -5,
                20,
                "give the elongation against nominal pitch in per cent",
                optional=True,
            ),
            u_pct=u_problem,
            measured_ns=instant_problem(self.measured_ns, optional=True),
            passages=number_problem(self.passages, 0, 1e15, "give the joints that passed", optional=True),
            hours=number_problem(self.hours, 0, 1e7, "give hours of running", optional=True),
            by=text_problem(self.by),
            recorded_ns=instant_problem(self.recorded_ns),
            note=text_problem(self.note, lines=True),
        )


class LifeUnit(StrEnum):
    """What a life is counted in."""

    DAYS = "days"  # of the calendar, standing or not
    HOURS = "hours"  # of running
    PASSAGES = "passages"  # joints passed


@dataclass(frozen=True, slots=True, kw_only=True)
class Life:
    """One chain, from fitting until it came off or until now. `kind` None: it is on. hours, passages None: not known."""

    chain_id: str
    drive_id: str
    drive_class: str
    designation: str
    fitted_ns: int
    until_ns: int
    kind: RemovalKind | None = None
    hours: float | None = None
    passages: float | None = None
    elongation_pct: float | None = None
    u_pct: float | None = None

    @property
    def days(self) -> float:
        """Days of the calendar."""
        return (self.until_ns - self.fitted_ns) / DAY_NS

    @property
    def ended(self) -> bool:
        """Whether wear ended it; else it is only known to have lived so long."""
        return self.kind is RemovalKind.WORN

    def length(self, unit: LifeUnit) -> float | None:
        """How long it lived, None where that is not known in this unit."""
        if unit is LifeUnit.DAYS:
            return self.days
        return self.hours if unit is LifeUnit.HOURS else self.passages


@dataclass(frozen=True, slots=True)
class Step:
    """The share of chains that live longer than `at`, from there on, with its 95 % interval."""

    at: float
    share: float
    low: float
    high: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Survival:
    """How long chains live. median None: more than half outlived what was seen. low, high: its 95 % interval; None: open.

    count: all; ended: those that wear ended, the others are censored. steps: in the order of `at`, from 0 on.
    """

    count: int
    ended: int
    median: float | None = None
    low: float | None = None
    high: float | None = None
    steps: tuple[Step, ...] = ()
    longest: float = 0.0  # seen


@dataclass(frozen=True, slots=True, kw_only=True)
class Comparison:
    """Lives before and after a change. chi2, p: of the log-rank test; None where too few ended to say anything."""

    before: Survival
    after: Survival
    chi2: float | None = None
    p: float | None = None

    @property
    def told(self) -> bool:
        """Whether a difference can be told."""
        return self.p is not None and self.p < SURE_P


def known(lives: Iterable[Life], unit: LifeUnit) -> list[Life]:
    """Return those whose length is known in a unit, and above 0."""
    return [each for each in lives if (each.length(unit) or 0.0) > 0]


def split_at(lives: Iterable[Life], changes_ns: Mapping[str, int]) -> tuple[list[Life], list[Life]]:
    """Return lives before and after the change on their drive.

    A chain that was on at the change counts before it, and is censored there: how it wore from then on says nothing of
    either side. Its hours and passages up to then are taken as evenly spread. Drives without a change are in neither.

    Args:
        lives: of any drives.
        changes_ns: the instant of the change by drive_id.
    """
    before, after = [], []
    for life in lives:
        change_ns = changes_ns.get(life.drive_id)
        if change_ns is None:
            continue
        if life.fitted_ns >= change_ns:
            after.append(life)
        elif life.until_ns <= change_ns:
            before.append(life)
        else:
            before.append(_cut(life, change_ns))
    return before, after


def _cut(life: Life, at_ns: int) -> Life:
    share = (at_ns - life.fitted_ns) / (life.until_ns - life.fitted_ns)
    return replace(
        life,
        until_ns=at_ns,
        kind=None,
        hours=None if life.hours is None else life.hours * share,
        passages=None if life.passages is None else life.passages * share,
    )


def enough(before: Sequence[Life], after: Sequence[Life]) -> bool:
    """Return whether so many chains were worn out on either side that a comparison means something."""
    return min(sum(each.ended for each in side) for side in (before, after)) >= ENDED_LEAST


def median_words(survival: Survival, unit: LifeUnit) -> str:
    """Return the median life in a sentence a fitter can use."""
    if survival.count == 0:
        return "no chain whose life is known in this unit"
    counted = f"{survival.ended} of {survival.count} {'chain' if survival.count == 1 else 'chains'} worn out"
    if survival.ended == 0:
        return f"{counted}: nothing can be said of their life yet"
    if survival.median is None:
        return f"{counted}: more than half outlive {amount_words(survival.longest, unit)}, no median yet"
    low = "not known" if survival.low is None else amount_words(survival.low, unit)
    high = "not yet known" if survival.high is None else amount_words(survival.high, unit)
    return f"{counted}; half live longer than {amount_words(survival.median, unit)} (95 %: {low} to {high})"


def comparison_words(comparison: Comparison) -> str:
    """Return what a comparison says, and no more than that."""
    before, after = comparison.before, comparison.after
    if comparison.p is None:
        return (
            f"Nothing can be said yet: {before.ended} chains were worn out before the change and {after.ended} after it, "
            f"and {ENDED_LEAST} on either side are the least."
        )
    p = "below 0.001" if comparison.p < 0.001 else f"{comparison.p:.3f}".rstrip("0")
    if not comparison.told:
        return (
            f"No difference can be told (log-rank test, p = {p}). That is no proof that there is none: "
            f"{before.ended} and {after.ended} worn chains show only large ones."
        )
    longer = _longer(before, after)
    return (
        f"Chains {longer} since the change, beyond what chance explains (log-rank test, p {'' if p.startswith('below') else '= '}"
        f"{p}). The test does not say why: what else changed at that time counts as well."
    )


def _longer(before: Survival, after: Survival) -> str:
    """By the medians; where one is not reached yet, that side lives longer."""
    one, other = (math.inf if each.median is None else each.median for each in (before, after))
    if one == other:
        return "live differently long"
    return "live longer" if other > one else "live shorter"


def amount_words(value: float, unit: LifeUnit) -> str:
    """Return a length of life as people say it."""
    if unit is LifeUnit.DAYS:
        return f"{value:.0f} days"
    if unit is LifeUnit.HOURS:
        return f"{value:,.0f} h".replace(",", " ")
    return f"{value / 1e6:.3g} million joints"
