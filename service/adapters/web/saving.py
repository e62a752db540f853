"""A picture of a page saved by itself: as an SVG document that needs nothing beside it, and its data as CSV.

Knows pictures, tables and how an answer becomes a file; must not know what is shown. How any page offers it:

- make a `Figure` in one function, used for the page and for the file alike;
- a route `/…/name.{form}` that returns `saved(parts, figure, form)`, `form` being a `FigureForm`;
- in the template, inside the figure: `{% import "saving.html" as saving %} {{ saving.links("/…/name", query) }}`.

`static/saving.js` makes the PNG, in the browser, from that same SVG. What a picture is drawn with must be in the picture (no
`<use>` of another's parts), and its looks must be classes that the style sheets give without `:hover` and the like.
"""

import re
import textwrap
from base64 import b64encode
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from enum import StrEnum
from hashlib import sha256
from html import escape
from typing import Any

from fastapi.responses import Response, StreamingResponse

from service.adapters.web.chart import MONTHS
from service.adapters.web.instants import local, zone_name
from service.adapters.web.parts import Parts
from service.adapters.web.saved_style import style_of
from service.adapters.web.series import cell, table_csv
from service.ports import NotFoundError

WIDTH, MARGIN = 960, 24
TITLE_LINE, NOTE_LINE = 28, 17
TITLE_CHARACTERS, NOTE_CHARACTERS = 72, 140
PAPER, INK, FAINT = "#ffffff", "#1f262b", "#575f64"
FONT = "system-ui, 'Segoe UI', 'Noto Sans', Roboto, sans-serif"

_HEIGHT = re.compile(r'<svg\b[^>]*?\sheight="([\d.]+)"')
_OWN_WIDTH = re.compile(r'^<svg\b[^>]*?\swidth="([\d.]+)"')


class FigureForm(StrEnum):
    """As what a picture is saved."""

    SVG = "svg"
    CSV = "csv"


@dataclass(frozen=True, slots=True, kw_only=True)
class Figure:
    """A picture with its data.

    `name` ends the file's name; `subject` says of what it is (a drive, a class) and begins it; `notes` say what the marks mean, for
    beside the saved picture no caption stands. `svg` is one svg element with a height; "": there is nothing to draw.
    """

    name: str
    title: str
    subject: str
    svg: str
    head: Sequence[str]
    rows: Iterable[Sequence[Any]] = field(default_factory=tuple)
    notes: Sequence[str] = ()


def saved(parts: Parts, figure: Figure, form: FigureForm) -> Response:
    """Return a picture as a file. Raises NotFoundError where there is nothing to draw."""
    now_ns = parts.now_ns()
    at = local(now_ns, parts.settings.zone)
    stem = re.sub(r"[^A-Za-z0-9._-]+", "-", f"{figure.subject}-{figure.name}").strip("-.") or "picture"
    headers = {"Content-Disposition": f'attachment; filename="{stem}-{at:%Y-%m-%dT%H%M}.{form}"'}
    if form is FigureForm.CSV:
        rows = ([cell(value) for value in row] for row in figure.rows)
        return StreamingResponse(table_csv(figure.head, rows), media_type="text/csv", headers=headers)
    if not figure.svg:
        raise NotFoundError("there is nothing to draw yet: the page of this picture says what is missing")
    said = f"{at.day} {MONTHS[at.month - 1]} {at.year}, {at:%H:%M}, {zone_name(now_ns, parts.settings.zone)}"
    document, style = standalone(figure, f"Saved {said}, from linklag")
    # Its one style is named by its hash: a picture that is looked at in the browser may hold nothing else.
    digest = b64encode(sha256(style.encode()).digest()).decode()
    headers["Content-Security-Policy"] = (
        f"default-src 'none'; style-src 'sha256-{digest}'; frame-ancestors 'none'"
    )
    return Response(document, media_type="image/svg+xml", headers=headers)


def standalone(figure: Figure, saved_words: str) -> tuple[str, str]:
    """Return the picture as an SVG document with title, notes and the styles it needs, and those styles."""
    height = float(found[1]) if (found := _HEIGHT.search(figure.svg)) else 300.0
    own = float(found[1]) if (found := _OWN_WIDTH.search(figure.svg)) else 0.0
    width = max(WIDTH, own + 2 * MARGIN)
    titles = textwrap.wrap(figure.title, TITLE_CHARACTERS)
    notes = [line for note in (*figure.notes, saved_words) for line in textwrap.wrap(note, NOTE_CHARACTERS)]
    top = MARGIN + TITLE_LINE * len(titles) + 22
    foot = top + height + 26
    whole = foot + NOTE_LINE * len(notes) + MARGIN / 2
    style = f"svg{{font-family:{FONT};font-variant-numeric:tabular-nums}}{style_of(figure.svg)}"
    parts = [
        (
            '<?xml version="1.0" encoding="UTF-8"?>\n'
            f'<svg xmlns="http://www.w3.org/2000/svg" width="{width:g}" height="{whole:g}" viewBox="0 0 {width:g} {whole:g}" '
            f'font-family="{escape(FONT)}" fill="{INK}">'
        ),
        f"<style>{style}</style>",
        f'<rect width="{width:g}" height="{whole:g}" fill="{PAPER}"/>',
        *(
            f'<text x="{MARGIN}" y="{MARGIN + TITLE_LINE * n + 18}" font-size="22" font-weight="600">{escape(line)}</text>'
            for n, line in enumerate(titles)
        ),
        f'<svg x="{MARGIN}" y="{top:g}" width="{width - 2 * MARGIN:g}" height="{height:g}" overflow="visible">{figure.svg}</svg>',
        *(
            f'<text x="{MARGIN}" y="{foot + NOTE_LINE * n:g}" font-size="13" fill="{FAINT}">{escape(line)}</text>'
            for n, line in enumerate(notes)
        ),
        "</svg>\n",
    ]
    return "".join(parts), style
