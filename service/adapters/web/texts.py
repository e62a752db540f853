"""What pages say, in the language of who reads them: English is written in the code, other languages in `texts/*.po`.

Knows languages, catalogues, how numbers and days are written; must not know what is said nor HTML. API, logs and exports speak
English: only for a page is another language chosen (`speak`), and everything here goes by that.

Two ways lead from an English text to another language. `say` is for sentences that are put together for a page, with names in
braces for what goes in, so that the order of words may change. `told` is for text that comes from elsewhere (core, the store):
it is found again in the catalogue, as a whole or by a sentence with gaps, and stays English where it is not.
"""

import re
from collections.abc import Iterator, Mapping, MutableMapping
from contextlib import contextmanager
from contextvars import ContextVar
from dataclasses import dataclass, field
from functools import cache, lru_cache
from html import escape, unescape
from pathlib import Path
from typing import Any, cast

from babel import Locale
from babel.core import UnknownLocaleError
from babel.messages.pofile import read_po
from babel.numbers import get_decimal_symbol, get_group_symbol

ENGLISH = "en"
FOLDER = Path(__file__).with_name("texts")
COOKIE = "linklag_language"
COOKIE_S = 365 * 86_400
KEPT = "linklag.language"  # in the scope of a request
SCRIPT = "script"  # the context of texts of scripts
STREAMED = ("adapters/web/words.py", "core/health.py")  # where what the stream of readings says is made
TOLD = "told"  # the context of texts that are not written for pages, but found again when they come
_LANGUAGE: ContextVar[str] = ContextVar("language", default=ENGLISH)
_GAP = re.compile(r"\{(\w+)\}")
# A number with decimals or thousands; no version, address or designation.
_FIGURE = re.compile(r"(?<![\w.,:/])(?:\d{1,3}(?:,\d{3})+(?:\.\d+)?|\d+\.\d+)(?![\w.,]*[:/.,]?\w)")
_NUMBER = re.compile(
    r"[-+<±×\N{MINUS SIGN}]? ?[\d,]+(?:\.\d+)?(?: ?[%°µA-Za-z/²0-9]{1,8})?(?: ± \d+\.\d+(?: ?[%°µA-Za-z/²]{1,8})?)?"
)
_IN_PICTURE = re.compile(
    r"(>|\b(?:aria-label|title|alt)=\")([^<>\"]*[^\W\d_.][^<>\"]*|[\d.]+\.\d+[^<>\"]*)(<|\")"
)
_DAY = re.compile(
    r"\b(?:(Mon|Tue|Wed|Thu|Fri|Sat|Sun),? )?(\d{1,2}) (Jan|Feb|Mar|Apr|May|Jun|Jul|Aug|Sep|Oct|Nov|Dec)\b"
)
_MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")
_SENTENCE_END = re.compile(r"(?<=[.?!;:]) ")
LISTED_MAX = 12  # entries of a list
_GAPS_OF_SENTENCES = re.compile(r"\(\.\*\?\)\\ \((?=\.\*\?\)$)")  # two at the end, each for sentences
_STOPS = (".", ";", ":", ",")
_DEPTH = 4  # texts within texts
TOGETHER_MAX = 12  # sentences that are looked for as one text; no catalogue has more in one
SENTENCES_MAX = 60  # of a text; one of ours has fewer, and of what people type none is looked for for long
LOOSE_UNDER = 9  # letters of its own: "{early} to {late}" would be found in many a sentence
LOOSE_CHARS_MAX = 40  # of what goes into such a gap


@dataclass(frozen=True, slots=True)
class _Pattern:
    """A sentence with gaps that is found again."""

    english: re.Pattern[str]
    pieces: tuple[str, ...]  # its own words: those before, between and behind the gaps
    names: tuple[str, ...]
    other: str
    loose: bool  # so few words of its own that they might stand in any text

    def found_in(self, text: str) -> re.Match[str] | None:
        """Return how a text fits, None where it does not.

        Whether its words stand there in their order is looked at first: a pattern alone would try every way to fill the gaps, which
        for a long text that people typed takes seconds.
        """
        if not (text.startswith(self.pieces[0]) and text.endswith(self.pieces[-1])):
            return None
        at = 0
        for piece in self.pieces[:-1]:
            if (begin := text.find(piece, at)) < 0:
                return None
            at = begin + len(piece)
        return None if at > len(text) - len(self.pieces[-1]) else self.english.fullmatch(text)


@dataclass(frozen=True, slots=True, kw_only=True)
class Catalogue:
    """The texts of one language. `written` are those of pages; `told` whole texts, `patterns` sentences with gaps, by their first word."""

    language: str
    name: str  # of the language, in that language
    decimal: str
    group: str  # between thousands
    months: tuple[str, ...]
    day: str  # a day of a month, with {day} and {month}
    written: Mapping[str, str]
    scripts: Mapping[str, str]
    streamed: Mapping[str, str]  # those of `told` that the stream of readings carries
    told: Mapping[str, str]
    patterns: Mapping[str, tuple[_Pattern, ...]] = field(default_factory=dict)


@cache
def languages() -> Mapping[str, str]:
    """Return the names of the languages that pages can be read in, each in its own language, by code."""
    return {ENGLISH: "English"} | {path.stem: _name(path.stem) for path in sorted(FOLDER.glob("*.po"))}


def _name(language: str) -> str:
    try:
        return Locale.parse(language).get_language_name() or language
    except (ValueError, UnknownLocaleError):
        raise ValueError(
            f"texts/{language}.po: {language!r} is no language: name the file like de.po"
        ) from None


@cache
def catalogue(language: str) -> Catalogue:
    """Return the texts of a language, read once; of English an empty one."""
    locale = Locale.parse(language)
    months = tuple(locale.months["format"]["abbreviated"][n] for n in range(1, 13))
    written: dict[str, str] = {}
    told: dict[str, str] = {}
    scripts: dict[str, str] = {}
    streamed: dict[str, str] = {}
    if language != ENGLISH:
        with (FOLDER / f"{language}.po").open("rb") as file:
            for message in read_po(file, locale=language):
                if message.id and message.string:
                    into = {TOLD: told, SCRIPT: scripts}.get(message.context or "", written)
                    into[cast("str", message.id)] = cast("str", message.string)
                    if message.context == TOLD and any(path in STREAMED for path, _ in message.locations):
                        streamed[cast("str", message.id)] = cast("str", message.string)
    return Catalogue(
        language=language,
        name=languages()[language],
        decimal=get_decimal_symbol(locale),
        group=get_group_symbol(locale),
        months=months if language != ENGLISH else _MONTHS,
        day=_day_form(locale) if language != ENGLISH else "{day} {month}",
        written=written,
        scripts=scripts,
        streamed=streamed,
        told=written | told,
        patterns=_patterns(told),
    )


def _day_form(locale: Locale) -> str:
    """Return how a language writes a day of a month, by its pattern of Unicode (CLDR)."""
    pattern = str(locale.datetime_skeletons["MMMd"])
    return re.sub("M+", "{month}", re.sub("d+", "{day}", pattern))


def _patterns(texts: Mapping[str, str]) -> dict[str, tuple[_Pattern, ...]]:
    """Return the sentences with gaps, those with most of their own words first."""
    found: dict[str, list[tuple[int, _Pattern]]] = {}
    for english, other in texts.items():
        pieces = _GAP.split(english)
        if len(pieces) == 1:
            continue
        source = _GAPS_OF_SENTENCES.sub(
            r"(.*?[.;!?]) (", "(.*?)".join(re.escape(each) for each in pieces[::2])
        )
        own = sum(len(each.replace(" ", "")) for each in pieces[::2])
        pattern = _Pattern(
            re.compile(source, re.DOTALL),
            tuple(pieces[::2]),
            tuple(pieces[1::2]),
            other,
            loose=own < LOOSE_UNDER,
        )
        found.setdefault(_first_word(pieces[0]), []).append((own, pattern))
    return {
        word: tuple(p for _, p in sorted(all_, key=lambda each: -each[0])) for word, all_ in found.items()
    }


def _first_word(text: str) -> str:
    """Return the first word of a text if it is whole, else ""."""
    word, blank, _ = text.partition(" ")
    return word if blank else ""


def language() -> str:
    """Return the code of the language that is spoken just now."""
    return _LANGUAGE.get()


def spoken(scope: MutableMapping[str, Any]) -> str:
    """Return the language chosen for a request, kept beside it for pages that are made after its own time: of faults."""
    return str(scope.get(KEPT, language()))


@contextmanager
def speak(code: str) -> Iterator[None]:
    """Speak a language for a while."""
    token = _LANGUAGE.set(code if code in languages() else ENGLISH)
    try:
        yield
    finally:
        _LANGUAGE.reset(token)


def chosen(cookie: str, accepted: str, default: str) -> str:
    """Return the language to speak: what the reader chose, else what the browser asks for, else the default.

    accepted: the header Accept-Language (RFC 9110, 12.5.4): the known language of the highest weight; of equal ones the first.
    """
    if cookie in languages():
        return cookie
    best, best_weight = default if default in languages() else ENGLISH, 0.0
    for part in accepted[:500].split(","):
        tag, _, parameter = part.strip().partition(";")
        code = tag.strip().lower().partition("-")[0]
        weight = _weight(parameter)
        if code in languages() and weight > best_weight:
            best, best_weight = code, weight
    return best


def _weight(parameter: str) -> float:
    name, _, value = parameter.strip().partition("=")
    if name.strip().lower() != "q":
        return 1.0
    try:
        return float(value)
    except ValueError:
        return 0.0


def say(english: str, **values: object) -> str:
    """Return a sentence of a page in the language spoken, with values put in for the names in braces."""
    text = english if language() == ENGLISH else catalogue(language()).written.get(english, english)
    return filled(text, values) if values else text


def filled(text: str, values: Mapping[str, object]) -> str:
    """Return a sentence with values put in for the names in braces; a name without a value stays."""
    return _GAP.sub(lambda gap: str(values.get(gap[1], gap[0])), text)


def told(text: str) -> str:
    """Return a text from elsewhere in the language spoken: as a whole, or by a sentence with gaps; English where neither is known."""
    return text if language() == ENGLISH else _told(language(), text, _DEPTH)


@lru_cache(maxsize=8192)
def _told(code: str, text: str, depth: int) -> str:
    texts = catalogue(code)
    if text != (bare := text.strip()):
        return text.replace(bare, _told(code, bare, depth)) if bare else text
    found = _whole(texts, text)
    if found is not None:
        return found
    if depth and (found := _by_pattern(texts, text, depth)) is not None:
        return found
    if depth and 1 < len(parts := _SENTENCE_END.split(text)) <= SENTENCES_MAX:
        return _in_parts(code, parts, depth)
    return _listed(texts, text, depth) or _figures(texts, text)


def _listed(texts: Catalogue, text: str, depth: int) -> str | None:
    """Return a list with commas or "and" whose every entry is known or a figure."""
    for joint in (", ", " and "):
        parts = text.split(joint)
        if depth and 1 < len(parts) <= LISTED_MAX:
            said = [_told(texts.language, each, depth - 1) for each in parts]
            if all(_NUMBER.fullmatch(each) or told != each for each, told in zip(parts, said, strict=True)):
                return (joint if joint == ", " else f" {texts.told.get('and', 'and')} ").join(said)
    return None


def _whole(texts: Catalogue, text: str) -> str | None:
    """Return what the catalogue has for a text as it is, or with a small or capital first letter or without its full stop."""
    found = texts.told.get(text)
    if found is None and text[:1].isupper() and (small := texts.told.get(text[:1].lower() + text[1:])):
        found = small[:1].upper() + small[1:]
    if found is None and text[:1].islower():
        found = texts.told.get(text[:1].upper() + text[1:])
    if found is None and text[-1:].isalpha() and (full := texts.told.get(f"{text[:1].upper()}{text[1:]}.")):
        found = full.removesuffix(".")
    if found is None and text[-1:] in _STOPS and (bare := _whole(texts, text[:-1])) is not None:
        found = bare + text[-1]
    return found


def _by_pattern(texts: Catalogue, text: str, depth: int) -> str | None:
    """Return a text by a sentence with gaps; also without the stop at its end, or with one."""
    found = _matched(texts, text, depth)
    if found is None and text[-1:] in _STOPS and (bare := _matched(texts, text[:-1], depth)) is not None:
        return bare + text[-1]
    if found is None and text[-1:] not in _STOPS:
        full = _matched(texts, f"{text}.", depth)
        return None if full is None else full.removesuffix(".")
    return found


def _matched(texts: Catalogue, text: str, depth: int) -> str | None:
    for spelled in (text, text[:1].upper() + text[1:], text[:1].lower() + text[1:]):
        for word in (_first_word(spelled), ""):
            for each in texts.patterns.get(word, ()):
                match = each.found_in(spelled)
                if match is None or (each.loose and not _fits(texts, match)):
                    continue
                values = zip(each.names, match.groups(), strict=True)
                return filled(
                    each.other, {name: _told(texts.language, value, depth - 1) for name, value in values}
                )
    return None


def _fits(texts: Catalogue, match: re.Match[str]) -> bool:
    """Return whether what would go into the gaps of a loose sentence are figures, dates or texts that are known."""
    return all(
        len(value) <= LOOSE_CHARS_MAX
        and (any(each.isdigit() for each in value) or _told(texts.language, value, 1) != value or not value)
        for value in match.groups()
    )


def _in_parts(code: str, parts: list[str], depth: int) -> str:
    """Return sentences that stand one behind the other, each by itself: as many together as the catalogue knows together."""
    texts, said, begin = catalogue(code), [], 0
    while begin < len(parts):
        for end in range(min(len(parts), begin + TOGETHER_MAX), begin, -1):
            together = " ".join(parts[begin:end])
            found = _whole(texts, together)
            if found is None:
                found = _by_pattern(texts, together, depth - 1) if depth > 1 else None
            if found is not None or end == begin + 1:
                said.append(_told(code, together, depth - 1) if found is None else found)
                begin = end
                break
    return " ".join(said)


def _figures(texts: Catalogue, text: str) -> str:
    """Return a text whose days, and whose number if it is one, are written as the language writes them."""
    text = _DAY.sub(
        lambda day: _weekday(texts, day[1]) + _day(texts, day[2], texts.months[_MONTHS.index(day[3])]), text
    )
    return _written(texts, text) if _NUMBER.fullmatch(text) else text


def told_picture(svg: str) -> str:
    """Return a picture (SVG, as text) whose texts are in the language spoken."""
    if language() == ENGLISH:
        return svg
    return _IN_PICTURE.sub(lambda found: found[1] + _told_markup(found[2]) + found[3], svg)


def _told_markup(text: str) -> str:
    bare = text.strip()
    said = escape(_told(language(), unescape(bare), _DEPTH)) if bare else ""
    return text.replace(bare, said) if bare else text


def figures(text: str) -> str:
    """Return a text of ours with the decimals of its numbers as the language spoken writes them."""
    if language() == ENGLISH:
        return text
    return _written(catalogue(language()), text)


def _written(texts: Catalogue, text: str) -> str:
    """Return a text with its numbers as a language writes them: 1,450.5 is 1.450,5 in German."""
    return _FIGURE.sub(
        lambda number: number[0].translate({ord(","): texts.group, ord("."): texts.decimal}), text
    )


def day(day_of_month: int, month: int) -> str:
    """Return a day without its year in the language spoken: 25 Nov, 25. Nov."""
    texts = catalogue(language())
    return _day(texts, str(day_of_month), texts.months[month - 1])


def _weekday(texts: Catalogue, short: str | None) -> str:
    return f"{texts.told.get(short, short)} " if short else ""


def _day(texts: Catalogue, day_of_month: str, month: str) -> str:
    return texts.day.format(day=day_of_month, month=month)
