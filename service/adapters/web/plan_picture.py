"""The pictures of a plan, drawn as SVG on the server: where the sensors go, and what the uncertainty is made of.

Knows lengths, uncertainties and SVG; must not know HTTP. Pure. As wide as their place, text in its own size; colours and
widths are classes of the style sheet.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from html import escape

from service.core.plan import TERM_WORDS, Expected, Place

STRAND_Y, STRAND_HEIGHT = 70, 188
ROW, BAR, TOP = 42, 12, 8
MARGIN = 12.0  # per cent of the width that a sprocket takes on either side


def draw_place(place: Place) -> str:
    """Return the strand from the driven sprocket to the driver with both sensors, to scale along the strand."""
    strand_mm = place.up_to_driver_mm + (place.driven_to_up_mm or place.clearance_mm)
    up = _along(strand_mm - place.up_to_driver_mm, strand_mm)
    down = _along(strand_mm - place.down_to_driver_mm, strand_mm)
    from_driven = "" if place.driven_to_up_mm is None else f"{place.driven_to_up_mm:.0f} mm"
    said = (
        f"up stands {place.up_to_driver_mm:.1f} mm before the driver, down {place.down_to_driver_mm:.1f} mm, "
        f"{place.spacing_mm:.1f} mm from each other along the strand"
    )
    ends = MARGIN, 100 - MARGIN
    return "".join(
        [
            f'<svg class="plan-place" width="100%" height="{STRAND_HEIGHT}" role="img" aria-label="{escape(said)}">',
            *(_sprocket(x, name) for x, name in zip(ends, ("driven", "driver"), strict=True)),
            f'<line class="strand-line" x1="{ends[0]}%" x2="{ends[1]}%" y1="{STRAND_Y}" y2="{STRAND_Y}"/>',
            _arrow(),
            _sensor(up, "up"),
            _sensor(down, "down"),
            _measure(up, down, STRAND_Y + 34, f"{place.spacing_mm:.1f} mm"),
            _measure(ends[0], up, STRAND_Y + 60, from_driven) if from_driven else "",
            _measure(down, ends[1], STRAND_Y + 60, f"{place.down_to_driver_mm:.0f} mm"),
            _measure(up, ends[1], STRAND_Y + 92, f"{place.up_to_driver_mm:.1f} mm to the driver"),
            "</svg>",
        ]
    )


def _along(mm: float, strand_mm: float) -> float:
    return MARGIN + (100 - 2 * MARGIN) * mm / strand_mm


def _sprocket(x: float, name: str) -> str:
    """The upper part of a sprocket whose top the strand touches; the driven one is the left one."""
    return (
        f'<circle class="wheel" cx="{x}%" cy="{STRAND_Y + 26}" r="26"/><circle class="hub" cx="{x}%" cy="{STRAND_Y + 26}" r="4"/>'
        f'<text class="plan-text" x="{x}%" y="{STRAND_Y - 12}" text-anchor="middle">{name}</text>'
    )


def _arrow() -> str:
    """The direction of travel, over the middle of the strand."""
    return (
        f'<svg x="50%" y="{STRAND_Y - 62}" width="1" height="40" overflow="visible">'
        '<path class="travel" d="M-34 20H30m-9 -6l10 6l-10 6"/>'
        '<text class="plan-text" x="0" y="10" text-anchor="middle">travel</text></svg>'
    )


def _sensor(x: float, name: str) -> str:
    return (
        f'<svg x="{x:.2f}%" y="{STRAND_Y}" width="1" height="1" overflow="visible">'
        '<path class="probe" d="M-5 4h10v15h-10z"/><path class="beam" d="M0 -7V4"/>'
        f'<text class="plan-name" x="0" y="-13" text-anchor="middle">{name}</text></svg>'
    )


def _measure(from_x: float, to_x: float, y: float, words: str) -> str:
    middle = (from_x + to_x) / 2
    return (
        f'<line class="measure" x1="{from_x:.2f}%" x2="{to_x:.2f}%" y1="{y}" y2="{y}"/>'
        f'<line class="measure" x1="{from_x:.2f}%" x2="{from_x:.2f}%" y1="{y - 4}" y2="{y + 4}"/>'
        f'<line class="measure" x1="{to_x:.2f}%" x2="{to_x:.2f}%" y1="{y - 4}" y2="{y + 4}"/>'
        f'<text class="plan-text" x="{middle:.2f}%" y="{y + 15}" text-anchor="middle">{escape(words)}</text>'
    )


@dataclass(frozen=True, slots=True)
class Bar:
    """One row of the budget: words, standard uncertainty in per cent, and which kind of bar."""

    words: str
    u_pct: float
    kind: str  # stated, unseen or total


def bars(expected: Expected) -> list[Bar]:
    """Return the rows of a budget: the terms that count, largest first, then what they come to."""
    terms = [
        Bar(
            TERM_WORDS[term.name] + ("" if term.stated else " *"),
            term.u_pct,
            "stated" if term.stated else "unseen",
        )
        for term in expected.terms
        if round(term.u_pct, 4)
    ]
    return [*terms, Bar("in all", expected.combined_pct, "total")]


def draw_budget(rows: Sequence[Bar], label: str) -> str:
    """Return the rows as bars, each under its words, all to one scale."""
    widest = max(row.u_pct for row in rows)
    said = "; ".join(f"{row.words} {row.u_pct:.4f} %" for row in rows)
    height = TOP + ROW * len(rows)
    return "".join(
        [
            f'<svg class="plan-budget" width="100%" height="{height}" role="img" aria-label="{escape(f"{label}: {said}")}">',
            *(_bar(row, TOP + ROW * number, 100 * row.u_pct / widest) for number, row in enumerate(rows)),
            "</svg>",
        ]
    )


def _bar(row: Bar, y: float, width: float) -> str:
    return (
        f'<text class="plan-text {row.kind}" x="0" y="{y + 13}">{escape(row.words)}</text>'
        f'<text class="plan-value {row.kind}" x="100%" y="{y + 13}" text-anchor="end">{row.u_pct:.4f}</text>'
        f'<rect class="bar {row.kind}" x="0" y="{y + 19}" width="{max(width, 0.4):.2f}%" height="{BAR}" rx="2"/>'
    )
