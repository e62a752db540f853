"""What one row of the board says: texts, and the few lengths of its picture. The same for page, live stream and wall.

Knows how numbers, dates and people are told in a line; must not know HTML. What changes with every reading (`Numbers`) is kept
apart from what seldom does (`RowWords`), so that a live board is sent little.
"""

import math
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import tzinfo

from service.adapters.web import words
from service.adapters.web.alert_words import TITLES
from service.adapters.web.board_rows import Row, is_unseen
from service.adapters.web.forecast_words import interval_parts
from service.core.prognosis import Outcome
from service.core.reading import NotMeasured
from service.core.urgency import Need
from service.core.work import WorkKind

NEEDS = {
    Need.REACHED: "Limit reached",
    Need.UNANSWERED: "Alert not answered",
    Need.LATE: "Limit may come before a new chain",
    Need.SENSING: "No sound number",
    Need.REST: "Nothing pressing",
}
NO_DATE = {
    Outcome.LIMIT_REACHED: "reached",
    Outcome.NO_TREND_YET: "no date: no trend yet",
    Outcome.RATE_NOT_ABOVE_ZERO: "no date: no wear to be seen",
    Outcome.STANDS: "no date: not expected to run",
    Outcome.FORECAST: "beyond ten years",
}
WORK = {
    WorkKind.COMMISSIONING: "Commissioning",
    WorkKind.INSPECTION: "Inspection",
    WorkKind.REPAIR: "Repair",
    WorkKind.LOCKED_OUT: "Locked out",
    WorkKind.SIMULATION: "Simulation",
    WorkKind.OTHER: "Work",
}
LIMIT_X = 200.0  # where the limit is in the picture of a strand; each of its ten links is a tenth of it
ENDS_X = (-5.0, 224.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class Numbers:
    """What changes with every reading. worn_x, whisker: how far the strand is worn, and from where to where U goes."""

    used: str
    used_u: str
    elongation: str
    uncertainty: str
    speed: str
    news_ms: int | None
    worn_x: float
    whisker: str


@dataclass(frozen=True, slots=True, kw_only=True)
class OnIt:
    """Who is on what. by: "": nobody yet. level: the priority of an alert, 0 of work. href: where more of it stands."""

    by: str
    level: int
    what: str
    href: str
    work_order: str


@dataclass(frozen=True, slots=True, kw_only=True)
class RowWords:
    """What a row says besides its numbers. last_ms: when the number was measured, where that is not the newest reading."""

    drive_id: str
    drive_title: str
    place: str
    need: Need
    verdict: str
    limit: str
    what: str
    mend: str
    mend_href: str
    last_ms: int | None
    by_hand_ms: int | None
    outdated: bool
    date: str
    early: str
    sensing: str
    letter: str
    sensing_words: str
    on_it: tuple[OnIt, ...]
    has_reading: bool


def numbers_of(row: Row) -> Numbers:
    """Return the numbers of a row as text."""
    state, known = row.state, row.state.known
    used, limit = state.used, state.limit.limit_pct
    u = 2 * known.u_pct / limit if known else 0.0
    elongation, expanded = words.elongation_words(known.elongation_pct, known.u_pct) if known else ("", "")
    reading = state.reading
    return Numbers(
        used="" if used is None else words.used_words(used),
        used_u="" if used is None else f"± {max(1, math.ceil(100 * u))} %",
        elongation=elongation,
        uncertainty=expanded,
        speed=words.speed_words(reading.speed_m_s if reading else None),
        news_ms=reading.t_ns // 1_000_000 if reading else None,
        worn_x=0.0 if used is None else round(_within(used * LIMIT_X) - ENDS_X[0], 1) if used > 0 else 0.0,
        whisker="" if used is None else _whisker(used, u),
    )


def words_of(row: Row, zone: tzinfo) -> RowWords:
    """Return what else a row says."""
    state = row.state
    reading, measured, health = state.reading, state.measured, state.health
    what, mend, mend_href = _instead(row)
    date, early = date_words_of(row, zone)
    late = measured is not None and reading is not None and reading.reason is not None
    return RowWords(
        drive_id=state.drive.drive_id,
        drive_title=state.title,
        place=state.place,
        need=row.need,
        verdict=str(state.verdict or ""),
        limit=f"{state.limit.limit_pct:.2f} %",
        what=what,
        mend=mend,
        mend_href=mend_href,
        last_ms=measured.t_ns // 1_000_000 if measured and late and not state.counts_by_hand else None,
        by_hand_ms=state.by_hand.t_ns // 1_000_000 if state.by_hand and state.counts_by_hand else None,
        outdated=state.baseline_outdated,
        date=date,
        early=early,
        sensing=str(health.status) if health else "none",
        letter=health.letter if health else "",
        sensing_words=words.health_words(health)
        if health
        else "no sensors"
        if state.drive.whole_pitches is None
        else "not known yet",
        on_it=tuple(_on_it(row)),
        has_reading=reading is not None,
    )


def _instead(row: Row) -> tuple[str, str, str]:
    """What stands where there is no number of just now, what would mend it, and where that is done."""
    state = row.state
    if state.finding is not None and state.reading is not None:
        stands = state.reading.reason is NotMeasured.STOPPED
        return state.finding.what, "" if stands else state.finding.mend, ""
    if state.reading is not None or state.counts_by_hand:
        return "", "", ""
    here = f"/drives/{state.drive.drive_id}"
    if state.chain is None:
        return "No chain yet", "Enter the chain that is on it.", f"{here}/chain"
    if state.drive.whole_pitches is None:
        return "Not measured yet", "A drive without sensors: measure it by hand.", f"{here}/hand"
    topic = f"…/{state.drive.drive_id}/pulses"
    return "No reading yet", f"Let its device publish pulses to the topic {topic}.", f"{here}/commission"


def date_words_of(row: Row, zone: tzinfo) -> tuple[str, str]:
    """Return when the limit comes, as likely as not, and before when hardly; or why no date is told."""
    kept = row.forecast
    if row.need is Need.REACHED:
        return "reached", ""
    if kept is None:
        return ("no forecast yet", "") if row.state.chain else ("", "")
    parts = interval_parts(kept, zone)
    if parts is None:
        return NO_DATE[kept.outcome], ""
    middle, early = parts
    return middle, early


def _on_it(row: Row) -> Iterator[OnIt]:
    for alert in row.alerts:
        yield OnIt(
            by="" if is_unseen(alert) else alert.acknowledged_by,
            level=int(alert.priority),
            what=TITLES[alert.kind],
            href=f"/alerts/{alert.alert_id}",
            work_order=alert.work_order,
        )
    for work in row.work:
        yield OnIt(by=work.by, level=0, what=WORK[work.kind], href="/work", work_order=work.work_order)


def _whisker(used: float, u: float) -> str:
    low, high = (_within((used + sign * u) * LIMIT_X) for sign in (-1, 1))
    return f"M{low:.1f} 10H{high:.1f}M{low:.1f} 5v10M{high:.1f} 5v10"


def _within(x: float) -> float:
    return min(max(x, ENDS_X[0]), ENDS_X[1])
