"""A handover as CSV (RFC 4180): one line for each thing that is said, the same columns throughout, times in UTC.

Knows the content that core makes; must not know where it goes.
"""

import csv
import io
from collections.abc import Callable, Mapping
from typing import Any

from service.core.handover import Content

FIELDS = (
    "section", "drive_id", "name", "place", "what", "when", "until", "value", "u", "unit", "limit", "state", "by",
    "words", "work_order", "late",
)  # fmt: skip
Values = dict[str, Any]


def _to_do(row: Content) -> Values:
    return {"what": row["do"], "until": row["due"], "state": row["kind"], "words": row["why"]}


def _work(row: Content) -> Values:
    return {
        "when": row["since"],
        "until": row["closed"],
        "state": "open" if row["open"] else "closed",
        "words": "; ".join(part for part in (row["why"], row["closed_why"]) if part),
    }


def _limit(row: Content) -> Values:
    return {
        "what": "elongation",
        "value": row["elongation_pct"],
        "u": row["u_pct"],
        "unit": "%",
        "limit": row["limit_pct"],
    }


def _standing(row: Content) -> Values:
    return {"when": row["since"], "by": row["acknowledged_by"], "words": row["cause"]}


def _happened(row: Content) -> Values:
    return {"state": "held" if row["held"] else "", "words": row["cause"]}


def _held(row: Content) -> Values:
    return {"when": row["since"], "state": "active" if row["active"] else "", "words": row["why"]}


def _sensing(row: Content) -> Values:
    return {"when": row["since"], "state": row["letter"], "words": row["mend"]}


def _wear(row: Content) -> Values:
    return {
        "what": "wear gained",
        "when": row["start"],
        "until": row["end"],
        "value": row["gained_pct"],
        "u": row["u_pct"],
        "unit": "%",
        "words": row["why"],
    }


def _joints(row: Content) -> Values:
    return {"what": "joints passed", "value": row["joints"], "unit": "1", "words": ""}


def _hand_value(row: Content) -> Values:
    return {
        "what": row["method"],
        "value": row["elongation_pct"],
        "u": row["u_pct"],
        "unit": "%",
        "state": "" if row["reliable"] else "slack",
        "words": row["note"],
    }


def _baseline(row: Content) -> Values:
    return {
        "what": row["chain_id"],
        "value": row["elongation_pct"],
        "u": row["u_pct"],
        "unit": "%",
        "words": row["why"],
    }


def _chain(row: Content) -> Values:
    return {"what": row["chain_id"], "state": row["what"], "words": row["why"]}


def _said_otherwise(row: Content) -> Values:
    return {"what": "elongation", "value": row["now_pct"], "unit": "%", "words": f"said {row['said_pct']}"}


def _forecast(row: Content) -> Values:
    return {"what": "limit reached", "when": row["before"], "until": row["after"], "words": row["why"]}


def _note(row: Content) -> Values:
    return {"words": row["text"]}


_SECTIONS: Mapping[str, tuple[Callable[[Content], Values], ...]] = {
    "to_do": (_to_do,),
    "work": (_work,),
    "limit": (_limit,),
    "standing": (_standing,),
    "raised": (_happened,),
    "returned": (_happened,),
    "shelved": (_held,),
    "out_of_service": (_held,),
    "sensing": (_sensing,),
    "wear": (_wear, _joints),
    "hand_values": (_hand_value,),
    "baselines": (_baseline,),
    "chains": (_chain,),
    "said_otherwise": (_said_otherwise,),
    "forecasts": (_forecast,),
    "notes": (_note,),
}


def as_csv(content: Content) -> str:
    """Return a handover as CSV: first a line for the shift itself, then everything in the order of the page.

    A text that begins with a sign that spreadsheets take for a formula gets an apostrophe before it.
    """
    text = io.StringIO()
    writer = csv.DictWriter(text, FIELDS)
    writer.writeheader()
    shift = {
        "section": "shift",
        "name": content["site"],
        "place": content["zone"],
        "what": content["shift"],
        "when": content["from"],
        "until": content["to"],
    }
    writer.writerow({name: cell(value) for name, value in shift.items()})
    for section, tellers in _SECTIONS.items():
        for row in content.get(section, ()):
            for tell in tellers:
                values = (
                    {name: row[name] for name in FIELDS if name in row} | tell(row) | {"section": section}
                )
                writer.writerow({name: cell(values.get(name)) for name in FIELDS})
    return text.getvalue()


def cell(value: Any) -> Any:
    """Return a value as a cell holds it: an apostrophe before what a spreadsheet would take for a formula."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str) and value[:1] in {"=", "+", "-", "@", "\t", "\r"}:
        return f"'{value}"
    return value
