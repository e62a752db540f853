"""What a kept prognosis says, in words for the people who look after the drive.

Knows how dates are told with their uncertainty; must not know HTML. Page and API take their sentence from here. A date is told
by the day; where the middle of the interval is less than two days ahead, with the time of day.
"""

from collections.abc import Iterator
from datetime import tzinfo

from service.adapters.web.chart import MONTHS
from service.adapters.web.instants import local
from service.adapters.web.texts import say, told
from service.core.prognosis import Outcome
from service.ports import KeptPrognosis

DAY_NS = 86_400 * 10**9
SOON_NS = 2 * DAY_NS

OUTCOMES = {
    Outcome.FORECAST: "forecast",
    Outcome.LIMIT_REACHED: "limit reached",
    Outcome.NO_TREND_YET: "no trend yet",
    Outcome.RATE_NOT_ABOVE_ZERO: "no wear to be seen",
    Outcome.STANDS: "not expected to run",
}


def date_words(t_ns: int, zone: tzinfo, *, timed: bool, year: bool = True) -> str:
    """Return an instant as a date, with the time of day if `timed`."""
    at = local(t_ns, zone)
    date = f"{at.day} {MONTHS[at.month - 1]}" + (f" {at.year}" if year else "")
    return f"{date}, {at.hour:02d}:{at.minute:02d}" if timed else date


def sentence(kept: KeptPrognosis, zone: tzinfo) -> str:
    """Return what the prognosis says, in one or two sentences."""
    limit = f"{kept.set_point_pct:.2f} %"
    match kept.outcome:
        case Outcome.LIMIT_REACHED:
            return f"The limit of {limit} is reached: plan the change now."
        case Outcome.NO_TREND_YET:
            return f"No trend yet, so no date: {_lower(kept.document['sentence'])}"
        case Outcome.RATE_NOT_ABOVE_ZERO:
            return f"No date: {_lower(kept.document['sentence'])}"
        case Outcome.STANDS:
            return "No date: the drive is not expected to run."
        case _:
            return _forecast(kept, limit, zone)


def interval(kept: KeptPrognosis, zone: tzinfo) -> tuple[str, str] | None:
    """Return the most likely date and the 80 % interval, as short as a line of the board; None where there is no date."""
    if kept.outcome is not Outcome.FORECAST or kept.p10_ns is None:
        return None
    timed = _timed(kept)
    early = date_words(kept.p10_ns, zone, timed=timed, year=not timed)
    if kept.p90_ns is None:
        return (
            "beyond ten years" if kept.p50_ns is None else date_words(kept.p50_ns, zone, timed=timed),
            f"not before {early}",
        )
    late = date_words(kept.p90_ns, zone, timed=timed, year=not timed)
    middle = date_words(kept.p50_ns or kept.p90_ns, zone, timed=timed)
    return middle, f"{early} to {late}"


def interval_parts(kept: KeptPrognosis, zone: tzinfo) -> tuple[str, str] | None:
    """Return the most likely date and the early end of the interval; None where there is no date."""
    if kept.outcome is not Outcome.FORECAST or kept.p10_ns is None:
        return None
    timed = _timed(kept)
    early = date_words(kept.p10_ns, zone, timed=timed)
    if kept.p50_ns is None:
        return "beyond ten years", early
    return date_words(kept.p50_ns, zone, timed=timed), early


FAST_PCT = 100.0  # in 30 days: no chain wears so fast but one whose wear is sped up, and then hours say more


def rests_on(kept: KeptPrognosis, zone: tzinfo) -> str:
    """Return what the prognosis was made from."""
    return " ".join(_rests_on(kept, zone))


def rate_words(kept: KeptPrognosis) -> str:
    """Return how fast the chain wears, "" where nobody knows, or where no wear is to be seen."""
    rate = kept.document.get("rate")
    if not rate or kept.outcome in {Outcome.NO_TREND_YET, Outcome.RATE_NOT_ABOVE_ZERO}:
        return ""
    month = rate.get("per_30_days_pct")
    hours = rate.get("per_1000_h_pct")
    of_calendar = kept.document.get("clock", {}).get("unit") == "hours"
    if month is not None and abs(month) >= FAST_PCT:
        return f"{_short(month / 720)} % in an hour"
    said = [
        "" if month is None else f"{_short(month)} % in 30 days",
        "" if hours is None or of_calendar else f"{_short(hours)} % in 1000 h of running",
    ]
    return ", ".join(each for each in said if each)


def _forecast(kept: KeptPrognosis, limit: str, zone: tzinfo) -> str:
    timed = _timed(kept)

    def on(t_ns: int) -> str:
        return date_words(t_ns, zone, timed=timed)

    if kept.p10_ns is None:
        return f"Reaches {limit} in more than ten years, as likely as not later than anybody can tell."
    if kept.p50_ns is None:
        return f"Does not reach {limit} before {on(kept.p10_ns)} (nine chances in ten); no later date can be told."
    if kept.p90_ns is None:
        return f"Reaches {limit} most likely {on(kept.p50_ns)}, hardly before {on(kept.p10_ns)}; how late, nobody can tell."
    return (
        f"Reaches {limit} between {on(kept.p10_ns)} and {on(kept.p90_ns)}, most likely {on(kept.p50_ns)}. "
        "In eight of ten cases it comes within that interval."
    )


def _timed(kept: KeptPrognosis) -> bool:
    return kept.p50_ns is not None and kept.p50_ns - kept.made_ns < SOON_NS


def _rests_on(kept: KeptPrognosis, zone: tzinfo) -> Iterator[str]:
    data, clock = kept.document["data"], kept.document.get("clock", {})
    count = data["observations"]
    if not count:
        yield "There is no elongation to go by yet."
        return
    by_hand = f", {data['by_hand']} of them by hand" if data["by_hand"] else ""
    first, last = (date_words(data[name], zone, timed=False) for name in ("first_ns", "last_ns"))
    over = f"of {first}" if first == last else f"from {first} to {last}"
    elongations = say("elongation") if count == 1 else say("elongations")
    yield f"{count} {elongations}{told(by_hand)}, {told(over)}."
    if data["left_out_bedding_in"]:
        yield f"{data['left_out_bedding_in']} from bedding-in are left out."
    if data["epochs"] > 1:
        yield f"They rest on {data['epochs']} references (baselines, spacing, rule), allowed for each."
    if clock.get("unit") == "joints":
        filled = clock["filled_share"]
        if filled >= 0.005:
            yield f"{100 * filled:.0f} % of the joints passed while nobody counted, and were filled in by what is usual."
        if clock.get("load_n"):
            yield "Joints are weighted by the load that was sent."


def _lower(text: str) -> str:
    return text[:1].lower() + text[1:]


def _short(value: float) -> str:
    return f"{value:.2g}".replace("-", "\N{MINUS SIGN}")
