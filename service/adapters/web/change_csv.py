"""The plan of changes as CSV (RFC 4180): one line for each drive, with what to order. Days of the site, times in UTC."""

import csv
import io
from collections.abc import Sequence

from service.adapters.web.change_schemas import change_values, order_values
from service.adapters.web.change_words import ANSWERS, sprocket_words
from service.adapters.web.handover_csv import cell
from service.adapters.web.instants import rfc3339
from service.plan_changes import DriveChange

_CHANGE = (
    "drive_id", "name", "site", "area", "line", "chain_id", "answer", "said", "risk", "change_by", "needed_on", "order_by", "stop",
    "chance", "next_stop", "next_chance", "loss_pct", "set", "leads", "forecast_made",
)  # fmt: skip
_ORDER = (
    "designation", "pitch_mm", "strands", "pitches", "pitches_how", "connecting_links", "cranked_links", "anchor_bolts",
    "viscosity_grade", "lubrication_type", "stock_number",
)  # fmt: skip
FIELDS = (*_CHANGE, *_ORDER, "sprockets", "notes")


def as_csv(found: Sequence[DriveChange]) -> str:
    """Return the table. A text that a spreadsheet would take for a formula gets an apostrophe before it."""
    text = io.StringIO()
    writer = csv.DictWriter(text, FIELDS)
    writer.writeheader()
    for each in found:
        writer.writerow({name: cell(value) for name, value in _values(each).items()})
    return text.getvalue()


def _values(found: DriveChange) -> dict[str, object]:
    change, order = found.change, found.order
    values: dict[str, object] = {
        name: value for name, value in change_values(change).items() if name in FIELDS
    }
    made_ns = values["forecast_made"]
    values |= {
        "answer": ANSWERS[change.answer],
        "stop": change.stop.name if change.stop else "",
        "next_stop": change.next_stop.name if change.next_stop else "",
        "forecast_made": rfc3339(made_ns, 0) if isinstance(made_ns, int) else "",
        "notes": "; ".join([*change.notes, *(order.notes if order else ())]),
    }
    if order is not None:
        values |= {name: value for name, value in order_values(order).items() if name in _ORDER}
        values["sprockets"] = sprocket_words(order)
    return {name: "" if value is None else value for name, value in values.items()}
