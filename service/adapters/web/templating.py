"""How a template becomes a page: escaping always on, undefined names are errors, times in the site's zone."""

from collections.abc import Mapping
from datetime import tzinfo
from functools import cache
from pathlib import Path
from typing import Any

from fastapi import Request
from fastapi.responses import HTMLResponse
from jinja2 import Environment, FileSystemLoader, StrictUndefined
from markupsafe import Markup, escape

from service.adapters.web import words
from service.adapters.web.chart import MONTHS
from service.adapters.web.instants import age_words, local, rfc3339, zone_name
from service.adapters.web.parts import Parts, parts_of
from service.core.findings import amount
from service.core.health import LETTERS
from service.measure_by_hand import HandReport


@cache
def _environment() -> Environment:
    environment = Environment(
        loader=FileSystemLoader(Path(__file__).with_name("templates")),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.filters["prose"] = prose
    environment.globals.update(
        age_words=age_words,
        rfc3339=rfc3339,
        status_words=words.STATUS_WORDS,
        health_words=words.health_words,
        letters=LETTERS,
        amount=amount,
        change_words=words.change_words,
        verdict_words=words.VERDICT_WORDS,
        rejected=words.REJECTED,
        hand_words=hand_words,
    )
    return environment


def hand_words(report: HandReport) -> tuple[str, str]:
    """Return the elongation by hand and its expanded uncertainty, per cent, rounded to agree."""
    return words.elongation_words(report.elongation.elongation_pct, report.elongation.u_pct)


def prose(text: str) -> Markup:
    """Return text as HTML: escaped, a paragraph for each blank line, code for what stands in backticks."""
    paragraphs = []
    for part in text.strip().split("\n\n"):
        pieces = (
            Markup("<code>{}</code>").format(piece) if n % 2 else escape(piece)
            for n, piece in enumerate(part.split("`"))
        )
        paragraphs.append(Markup("<p>{}</p>").format(Markup("").join(pieces)))
    return Markup("").join(paragraphs)


def when(ns: int, zone: tzinfo) -> str:
    """Return an instant as pages write it: 25 Nov 2026, 09:15."""
    at = local(ns, zone)
    return f"{at.day} {MONTHS[at.month - 1]} {at.year}, {at.hour:02d}:{at.minute:02d}"


def render(
    request: Request,
    template: str,
    values: Mapping[str, Any],
    *,
    status: int = 200,
    now_ns: int | None = None,
) -> HTMLResponse:
    """Return a page. `now_ns` where the caller has read the clock already."""
    parts: Parts = parts_of(request)
    now_ns = parts.now_ns() if now_ns is None else now_ns
    zone = parts.settings.zone
    text = (
        _environment()
        .get_template(template)
        .render(
            **values,
            now_ns=now_ns,
            zone=zone_name(now_ns, zone),
            when=lambda ns: when(ns, zone),
            stale_after_s=parts.settings.stale_after_s,
            path=request.url.path,
        )
    )
    return HTMLResponse(text, status)
