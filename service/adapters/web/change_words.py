"""The plan of changes in words, as page, calendar and CSV say it. Knows core's values; must not know how they are shown."""

from service.adapters.web.words import number_words
from service.core.order import Order
from service.core.replacement import Answer, Change, day_words

ANSWERS = {
    Answer.BY_DATE: "by a date",
    Answer.NOW: "now",
    Answer.FAR: "later than ten years",
    Answer.STANDS: "drive stands",
    Answer.NO_TREND_YET: "no trend yet",
    Answer.NO_WEAR_SEEN: "no wear seen",
    Answer.NO_FORECAST: "no forecast yet",
    Answer.NO_CHAIN: "no chain",
}


def percent(share: float | None) -> str:
    """Return a chance as people read it: under 1 %, 12 %."""
    if share is None:
        return "not known"
    if share < 0.005:
        return "under 1 %"
    return f"{100 * share:.0f} %"


def chance_words(change: Change) -> str:
    """Return what the change-by day rests on."""
    if change.change_by is None:
        return change.sentence
    return f"By {day_words(change.change_by)} the chance that it has reached its limit comes to {100 * change.risk:g} %."


def stop_words(change: Change) -> str:
    """Return what is said of the stop to use."""
    if change.stop is None or change.needed_on is None:
        return ""
    said = f"Use {change.stop.name} on {day_words(change.needed_on)}: the chance is {percent(change.chance)} then"
    if change.loss_pct is not None:
        said += f", and {number_words(change.loss_pct, 0)} % of the chain's life is given up"
    return said + "."


def links_words(order: Order) -> str:
    """Return the links that go with the chain."""
    if order.anchor_bolts:
        return "anchor bolts and end pins"
    if order.connecting_links is None:
        return "by the count of pitches"
    said = f"{order.connecting_links} connecting link" + ("s" if order.connecting_links != 1 else "")
    if order.cranked_links:
        said += f", {order.cranked_links} cranked link"
    return said


def sprocket_words(order: Order) -> str:
    """Return the sprockets that are due or to be looked at."""
    return "; ".join(
        f"{each.sprocket.place}{f' {each.sprocket.teeth} teeth' if each.sprocket.teeth else ''}: {each.why}"
        for each in order.sprockets
    )
