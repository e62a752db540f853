"""How a template becomes a page: escaping always on, undefined names are errors, times in the site's zone, texts in the reader's language."""

import json
import re
from collections.abc import Callable, Mapping
from contextvars import ContextVar
from datetime import tzinfo
from functools import cache, partial
from pathlib import Path
from typing import Any

from fastapi import Request
from fastapi.responses import HTMLResponse
from jinja2 import Environment, FileSystemLoader, StrictUndefined, nodes
from jinja2.ext import Extension
from jinja2.utils import htmlsafe_json_dumps
from markupsafe import Markup, escape

from service.adapters.web import texts, words
from service.adapters.web.caller import FORM_FIELD, Caller, caller_or_none
from service.adapters.web.instants import age_words, local, rfc3339, zone_name
from service.adapters.web.parts import Parts, parts_of
from service.adapters.web.store_away import stores_away
from service.adapters.web.template_texts import Translator
from service.core.alert import Annunciation
from service.core.findings import amount
from service.core.health import LETTERS
from service.core.people import Person, role_of
from service.measure_by_hand import HandReport
from service.ports import StoreUnavailableError

_CALLER: ContextVar[Caller | None] = ContextVar(
    "caller", default=None
)  # who sees the page that is made just now
_POSTING_FORM = re.compile(r"<form\b[^>]*\bmethod=\"post\"[^>]*>")


class FormTokens(Extension):
    """Puts the token of the session into every form that posts, so that no template can forget it."""

    def preprocess(self, source: str, name: str | None, filename: str | None = None) -> str:
        """Return the source of a template with the field behind the head of each such form."""
        del name, filename
        return _POSTING_FORM.sub(lambda found: found[0] + "{{ form_token_field() }}", source)


def form_token_field() -> Markup:
    """Return the hidden field with the token of the session's forms; nothing where nobody signed in."""
    caller = _CALLER.get()
    if caller is None or not caller.secret:
        return Markup("")
    return Markup('<input type="hidden" name="{}" value="{}">').format(FORM_FIELD, caller.form_token)


def signed_in() -> Person | None:
    """Return who signed in, None where nobody did or logins are off."""
    caller = _CALLER.get()
    return None if caller is None else caller.person


def may(role: str) -> bool:
    """Return whether who sees the page may do what that role may."""
    caller = _CALLER.get()
    return caller is not None and caller.role >= role_of(role)


class PageEnvironment(Environment):
    """The templates in one language: texts are put in while a template is compiled. English is what the templates say."""

    catalogue: texts.Catalogue | None = None

    def _generate(
        self,
        source: nodes.Template,
        name: str | None,
        filename: str | None,
        defer_init: bool = False,  # noqa: FBT001, FBT002, as the one it takes the place of
    ) -> str:
        """Return the Python code of a template; the hook that Jinja leaves for this."""
        if self.catalogue is not None:
            written = self.catalogue.written
            source = Translator(lambda text: written.get(text, text)).template(source)
        return super()._generate(source, name, filename, defer_init)


@cache
def _environment(language: str = texts.ENGLISH) -> Environment:
    environment = PageEnvironment(
        loader=FileSystemLoader(Path(__file__).with_name("templates")),
        autoescape=True,
        undefined=StrictUndefined,
        extensions=[FormTokens],
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.catalogue = None if language == texts.ENGLISH else texts.catalogue(language)
    environment.filters.update(
        prose=prose, format_local=format_local, first_up=first_up, told_picture=told_picture
    )
    environment.globals.update(
        _=told,
        lang=language,
        script_texts=partial(script_texts, language),
        languages=texts.languages(),
        form_token_field=form_token_field,
        signed_in=signed_in,
        may=may,
        age_words=age_words,
        rfc3339=rfc3339,
        status_words=words.STATUS_WORDS,
        baseline_outdated_words=words.BASELINE_OUTDATED,
        health_words=words.health_words,
        letters=LETTERS,
        amount=amount,
        change_words=words.change_words,
        verdict_words=words.VERDICT_WORDS,
        rejected=words.REJECTED,
        hand_words=hand_words,
    )
    return environment


def macro(template: str, name: str) -> Callable[..., Markup]:
    """Return a macro of a template in the language spoken, for what is drawn apart from a page."""
    found: Callable[..., Markup] = getattr(_environment(texts.language()).get_template(template).module, name)
    return found


def hand_words(report: HandReport) -> tuple[str, str]:
    """Return the elongation by hand and its expanded uncertainty, per cent, rounded to agree."""
    return words.elongation_words(report.elongation.elongation_pct, report.elongation.u_pct)


def script_texts(language: str, *, streamed: bool = False) -> Markup:
    """Return what scripts need to speak a language, as JSON to stand in a page. streamed: also what the stream of readings says."""
    found = texts.catalogue(language)
    handed = {"said": found.scripts, "told": found.streamed if streamed else {}, "decimal": found.decimal}
    return htmlsafe_json_dumps(handed, dumps=json.dumps, ensure_ascii=False, separators=(",", ":"))


def told(value: object) -> object:
    """Return what is printed: text of ours in the language spoken, everything else as it is."""
    if type(value) is float:
        return texts.figures(str(value))
    return texts.told(str(value)) if isinstance(value, str) and not isinstance(value, Markup) else value


def format_local(form: str, *values: object) -> str:
    """Return values in a format like "%.2f %%", with decimals as the language spoken writes them."""
    return texts.figures(form % values)


def told_picture(value: object) -> object:
    """Return markup of ours; the texts of a picture in the language spoken."""
    text = str(value)
    return Markup(texts.told_picture(text) if "<svg" in text[:200] else text)  # noqa: S704, marked as safe in the template


def first_up(text: str) -> str:
    """Return a text with a capital first; the others stay as they are, for some languages write nouns with one."""
    return text[:1].upper() + text[1:]


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
    """Return an instant as pages write it: 25 Nov 2026, 09:15; in German 25. Nov. 2026, 09:15."""
    at = local(ns, zone)
    return f"{texts.day(at.day, at.month)} {at.year}, {at.hour:02d}:{at.minute:02d}"


def _unseen(parts: Parts) -> int:
    """Return how many alerts nobody has acknowledged yet; 0 where the store does not answer: the page may say just that."""
    try:
        alerts = parts.alert_log.alerts()
    except StoreUnavailableError:
        return 0
    waiting = {Annunciation.UNACKNOWLEDGED, Annunciation.RETURNED}
    return sum(each.annunciation in waiting and not each.held for each in alerts)


def address_of(request: Request) -> str:
    """Return the address of a page within this site, to come back to; the board for what a form was posted to."""
    if request.method != "GET":
        return "/"
    return f"{request.url.path}?{request.url.query}" if request.url.query else request.url.path


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
    _CALLER.set(caller_or_none(request))
    with texts.speak(texts.spoken(request.scope)):
        page = _environment(texts.language()).get_template(template)
        text = page.render(
            **values,
            now_ns=now_ns,
            zone=zone_name(now_ns, zone),
            when=lambda ns: when(ns, zone),
            stale_after_s=parts.settings.stale_after_s,
            path=request.url.path,
            come_back=address_of(request),
            address_query=request.url.query,
            unseen=_unseen(parts),
            stores_away=stores_away(parts.workers_say()),
        )
    return HTMLResponse(text, status)
