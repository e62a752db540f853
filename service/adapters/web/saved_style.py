"""The style that a saved picture needs to look as on the page: rules of our style sheets, picked and made plain.

Knows our style sheets and what of CSS they use; must not know HTTP or what a picture shows. A picture that was saved has no
style sheet beside it, and programs that draw SVG know neither variables nor `rem`: both are worked out here, in the light theme.
"""

import re
from collections.abc import Iterable
from functools import cache
from pathlib import Path

STATIC = Path(__file__).with_name("static")
REM_PX = 16
# What may be said of a picture. Other pages may use a class of ours for something else, which hides or places it.
_OF_PICTURES = (
    "fill",
    "overflow",
    "stroke",
    "opacity",
    "color",
    "font",
    "text-anchor",
    "paint-order",
    "vector-effect",
    "letter-spacing",
    "mix-blend-mode",
)

_COMMENT = re.compile(r"/\*.*?\*/", re.DOTALL)
_CLASS = re.compile(r"\.([A-Za-z][\w-]*)")
_VARIABLE = re.compile(r"var\((--[\w-]+)\)")
_REM = re.compile(r"(\d*\.?\d+)r?em\b")
_CLASS_ATTRIBUTE = re.compile(r'\bclass="([^"]*)"')


def style_of(svg: str) -> str:
    """Return the rules that apply to a picture, as CSS without variables."""
    classes = {name for names in _CLASS_ATTRIBUTE.findall(svg) for name in names.split()}
    found = []
    for selectors, declarations in _rules():
        kept = [each for each in selectors if _applies(each, classes)]
        if kept:
            found.append(f"{','.join(kept)}{{{declarations}}}")
    return "".join(found)


def _applies(selector: str, classes: set[str]) -> bool:
    named = set(_CLASS.findall(selector))
    return bool(named) and named <= classes and ":" not in selector


@cache
def _rules() -> tuple[tuple[tuple[str, ...], str], ...]:
    """Return what stands in our style sheets outside of any @-rule: selectors, and declarations made plain."""
    found: list[tuple[tuple[str, ...], str]] = []
    variables: dict[str, str] = {}
    for path in sorted(STATIC.glob("*.css"), key=lambda each: (each.name != "linklag.css", each.name)):
        for head, body in _top_level(_COMMENT.sub("", path.read_text("utf-8"))):
            if head == ":root":
                variables |= dict(_declarations(body))
                continue
            looks = [pair for pair in _declarations(body) if pair[0].startswith(_OF_PICTURES)]
            plain = ";".join(f"{name}:{_plain(value, variables)}" for name, value in looks)
            if plain:
                found.append((tuple(each.strip() for each in head.split(",")), plain))
    return tuple(found)


def _top_level(css: str) -> Iterable[tuple[str, str]]:
    """Yield selector and body of each rule that stands in no other; what begins with @ is left out."""
    place = 0
    while (start := css.find("{", place)) >= 0:
        head = css[place:start].rpartition(";")[2].strip()
        end = _end_of_block(css, start)
        if not head.startswith("@"):
            yield head, css[start + 1 : end]
        place = end + 1


def _end_of_block(css: str, start: int) -> int:
    depth = 0
    for place in range(start, len(css)):
        depth += {"{": 1, "}": -1}.get(css[place], 0)
        if depth == 0:
            return place
    return len(css)


def _declarations(body: str) -> list[tuple[str, str]]:
    pairs = (each.partition(":") for each in body.split(";"))
    return [(name.strip(), value.strip()) for name, _, value in pairs if name.strip()]


def _plain(value: str, variables: dict[str, str]) -> str:
    for _ in range(3):  # a variable may be made of others
        value = _VARIABLE.sub(lambda found: variables.get(found[1], "inherit"), value)
    return _REM.sub(lambda found: f"{float(found[1]) * REM_PX:g}px", value)
