"""The stretch of time that a trend shows, as its address says it: a span up to now by its name, or two instants.

Knows addresses and instants; must not know what is drawn. Two instants stay what they are however late it gets, so that an
address can be kept and sent on; a named span goes on with the clock.
"""

from dataclasses import dataclass
from urllib.parse import urlencode

from pydantic import BaseModel, Field

from service.adapters.web.chart import COLUMNS_MAX, DAY_NS
from service.adapters.web.instants import SECOND_NS, instant_ns, rfc3339

# Named spans: what each is called, and its length.
SPANS = {
    "minute": ("minute", 60 * SECOND_NS),
    "minutes": ("10 minutes", 600 * SECOND_NS),
    "hour": ("hour", 3600 * SECOND_NS),
    "day": ("day", DAY_NS),
    "week": ("week", 7 * DAY_NS),
    "month": ("30 days", 30 * DAY_NS),
    "year": ("year", 365 * DAY_NS),
    "years": ("5 years", 5 * 365 * DAY_NS),
}
LEAST_NS, MOST_NS = 10 * SECOND_NS, 30 * 366 * DAY_NS
WIDTH_LEAST, WIDTH_MOST = 200, 4000


class TrendAsked(BaseModel):
    """What of a trend is asked for. A span, scale or kind that is none of what there is counts as left out."""

    span: str = Field(default="", max_length=10)
    from_: str = Field(default="", alias="from", max_length=60)
    to: str = Field(default="", max_length=60)
    scale: str = Field(default="limit", max_length=10)  # limit, data
    of: str = Field(default="", max_length=10)  # since: the change since the baseline
    width: int = Field(
        default=COLUMNS_MAX, ge=WIDTH_LEAST, le=WIDTH_MOST
    )  # of the picture; the points go by it


@dataclass(frozen=True, slots=True, kw_only=True)
class Window:
    """A stretch of time. `span` is its name, "" where it is between two instants; `open_end`: from an instant up to now."""

    from_ns: int
    to_ns: int
    span: str = ""
    open_end: bool = False

    @property
    def length_ns(self) -> int:
        """How long it is."""
        return self.to_ns - self.from_ns

    def query(self) -> str:
        """Return it as an address says it."""
        if self.span:
            return f"span={self.span}"
        ends = {"from": rfc3339(self.from_ns)} | ({} if self.open_end else {"to": rfc3339(self.to_ns)})
        return urlencode(ends, safe=":")


def own_window(asked: TrendAsked, now_ns: int) -> Window | None:
    """Return the window between two instants that is asked for; None where none is. Raises ValueError with the fix."""
    if not asked.from_ and not asked.to:
        return None
    if not asked.from_:
        raise ValueError("give from beside to: the trend shows what is later than from, up to and with to")
    from_ns = instant_ns(asked.from_)
    to_ns = instant_ns(asked.to) if asked.to else now_ns
    if to_ns - from_ns < LEAST_NS:
        raise ValueError("from must be 10 seconds or more before to: exchange or correct the two times")
    if to_ns - from_ns > MOST_NS:
        raise ValueError("from and to are more than 30 years apart: ask for less at once")
    return Window(from_ns=from_ns, to_ns=to_ns, open_end=not asked.to)


def named_window(span: str, now_ns: int) -> Window:
    """Return a span up to now."""
    return Window(from_ns=max(0, now_ns - SPANS[span][1]), to_ns=now_ns, span=span)
