"""The map of a chain as a strip or as a ring, drawn as SVG on the server: one bar a link, with its uncertainty.

Knows numbers and SVG; must not know HTTP. Pure. The strip is as wide as its place; colours and widths are classes of the style
sheet. The ring shows a loop as it is: link 0 on top, the next to the right of it, outwards is longer.
"""

import math
from collections.abc import Iterable
from dataclasses import dataclass
from enum import StrEnum
from html import escape

from service.adapters.web.chart import value_ticks
from service.adapters.web.words import number_words
from service.core.chain_faults import Finding
from service.core.link_map import LinkMap

TOP, HEIGHT = 18.0, 180.0  # of the bars
MARKS, NUMBERS, FOOT = 16.0, 32.0, 40.0  # below them: the marks of faults, the numbers of links, the end
NUMBER_WIDTH = 0.03  # of the strip, that half a number takes up on a phone
RING, INNER, OUTER = (
    560.0,
    128.0,
    236.0,
)  # its picture is square; least and greatest elongation in it, from the middle
AROUND = 22.0  # beyond the bars: the marks of faults; the numbers of links lie as far within
RING_NUMBERS_MAX = 12


class Shape(StrEnum):
    """As what the links are drawn."""

    STRIP = "strip"
    RING = "ring"


@dataclass(frozen=True, slots=True)
class _Scale:
    """Where an elongation lies in the picture."""

    least_pct: float
    most_pct: float

    def y(self, pct: float) -> float:
        return TOP + HEIGHT * (1 - (pct - self.least_pct) / (self.most_pct - self.least_pct))


def shape_of(asked: str) -> Shape:
    """Return the shape that was asked for; what is none is the strip."""
    return Shape(asked) if asked in set(Shape) else Shape.STRIP


def draw_map(links: LinkMap, faults: list[Finding], shape: Shape = Shape.STRIP) -> str:
    """Return the map: a bar with its U (k = 2) for each link, from nought up or down; faults marked beside, the mean a line."""
    return _ring(links, faults) if shape is Shape.RING else _strip(links, faults)


def _strip(links: LinkMap, faults: list[Finding]) -> str:
    scale, marked = _Scale(*_ends(links)), _marked(links, faults)
    mean, grid = scale.y(links.mean_pct), _grid(scale)
    return "".join(
        [
            f'<svg class="chain-map" width="100%" height="{TOP + HEIGHT + FOOT:.0f}" role="img" aria-label="{escape(_said(links))}">',
            *(line for line, _ in grid),
            *(_bar(links, link, scale, marked=link in marked) for link in range(links.pitches)),
            *(text for _, text in grid),
            *_numbers(links.pitches),
            f'<line class="mean-line" x1="0" x2="100%" y1="{mean:.1f}" y2="{mean:.1f}"/>',
            "</svg>",
        ]
    )


def _ends(links: LinkMap) -> tuple[float, float]:
    """Least and greatest elongation to be shown, nought among them, per cent."""
    low, high = links.elongation_pct - 2 * links.u_pct, links.elongation_pct + 2 * links.u_pct
    least = min(0.0, float(low.min()))
    return least, max(float(high.max()), least + 0.1)


def _marked(links: LinkMap, faults: list[Finding]) -> set[int]:
    return {
        link % links.pitches
        for each in faults
        for link in range(each.first_link, each.first_link + each.links)
    }


def _said(links: LinkMap) -> str:
    values = links.elongation_pct
    return (
        f"{links.pitches} links from {number_words(values.min(), 2)} to {number_words(values.max(), 2)} %, "
        f"mean {number_words(links.mean_pct, 2)} %"
    )


def _bar(links: LinkMap, link: int, scale: _Scale, *, marked: bool) -> str:
    pct, u_pct = float(links.elongation_pct[link]), float(links.u_pct[link])
    wide = 100 / links.pitches
    middle = (link + 0.5) * wide
    top, bottom = min(scale.y(0), scale.y(pct)), max(scale.y(0), scale.y(pct))
    kind = "link-bar fault" if marked else "link-bar"
    bar = (
        f'<rect class="{kind}" x="{middle - 0.4 * wide:.3f}%" width="{0.8 * wide:.3f}%" y="{top:.1f}" '
        f'height="{bottom - top:.1f}"><title>link {link}: {number_words(pct, 2)} % ± {2 * u_pct:.2f} %</title></rect>'
    )
    spread = (
        f'<line class="link-u" x1="{middle:.3f}%" x2="{middle:.3f}%" '
        f'y1="{scale.y(pct + 2 * u_pct):.1f}" y2="{scale.y(pct - 2 * u_pct):.1f}"/>'
    )
    below = TOP + HEIGHT + MARKS
    mark = f'<text class="plan-text" x="{middle:.3f}%" y="{below:.0f}" text-anchor="middle">▲</text>'
    return bar + spread + (mark if marked else "")


def _grid(scale: _Scale) -> list[tuple[str, str]]:
    """Lines across at round elongations, each with its number, which goes before the bars and not behind them."""
    found = []
    for pct in value_ticks(scale.least_pct, scale.most_pct):
        y = scale.y(pct)
        kind = "nought" if pct == 0 else "grid"
        found.append(
            (
                f'<line class="{kind}" x1="0" x2="100%" y1="{y:.1f}" y2="{y:.1f}"/>',
                f'<text class="plan-text scale" x="2" y="{y - 4:.1f}">{_tick(pct)} %</text>',
            )
        )
    return found


def _tick(pct: float) -> str:
    return f"{pct:g}".replace("-", "\N{MINUS SIGN}")


def _numbers(pitches: int) -> list[str]:
    """The numbers of some links, below them."""
    return [
        f'<text class="plan-text" x="{100 * (link + 0.5) / pitches:.3f}%" y="{TOP + HEIGHT + NUMBERS:.0f}" '
        f'text-anchor="{"start" if link == 0 else "middle"}">{"link " if link == 0 else ""}{link}</text>'
        for link in map(int, value_ticks(0, pitches - 1))
        if link == 0 or link < pitches - NUMBER_WIDTH * pitches
    ]


# The ring


@dataclass(frozen=True, slots=True)
class _Round:
    """Where an elongation of a place round the loop lies in the ring. A turn is 1, from the top to the right."""

    least_pct: float
    most_pct: float

    def radius(self, pct: float) -> float:
        return INNER + (OUTER - INNER) * (pct - self.least_pct) / (self.most_pct - self.least_pct)

    def at(self, turn: float, radius: float) -> str:
        angle = math.tau * turn
        return f"{RING / 2 + radius * math.sin(angle):.1f} {RING / 2 - radius * math.cos(angle):.1f}"


def _ring(links: LinkMap, faults: list[Finding]) -> str:
    scale, marked = _Round(*_ends(links)), _marked(links, faults)
    ticks = value_ticks(scale.least_pct, scale.most_pct)
    middle = RING / 2
    head = (
        f'<svg class="chain-map ring" viewBox="0 0 {RING:g} {RING:g}" width="{RING:g}" height="{RING:g}" role="img" '
        f'aria-label="{escape(_said(links))}">'
    )
    return "".join(
        [
            head,
            *(_circle("nought" if pct == 0 else "grid", scale.radius(pct)) for pct in ticks),
            *(_sector(links, link, scale, marked=link in marked) for link in range(links.pitches)),
            _circle("mean-line", scale.radius(links.mean_pct)),
            *(
                _ring_text(
                    middle - 4,
                    middle - scale.radius(pct) - 3,
                    f"{_tick(pct)} %",
                    kind="plan-text scale",
                    anchor="end",
                )
                for pct in ticks
            ),
            *_round_numbers(links.pitches, scale),
            _ring_text(middle, middle - 4, f"{links.pitches} links", kind="plan-name"),
            _ring_text(middle, middle + 16, f"mean {number_words(links.mean_pct, 2)} %"),
            "</svg>",
        ]
    )


def _circle(kind: str, radius: float) -> str:
    return f'<circle class="{kind}" cx="{RING / 2:g}" cy="{RING / 2:g}" r="{radius:.1f}"/>'


def _sector(links: LinkMap, link: int, scale: _Round, *, marked: bool) -> str:
    pct, u_pct = float(links.elongation_pct[link]), float(links.u_pct[link])
    middle, half = (link + 0.5) / links.pitches, 0.4 / links.pitches
    inner, outer = sorted((scale.radius(0), scale.radius(pct)))
    kind = "link-bar fault" if marked else "link-bar"
    corners = (
        scale.at(middle - half, inner),
        scale.at(middle - half, outer),
        scale.at(middle + half, outer),
        scale.at(middle + half, inner),
    )
    bar = f'<path class="{kind}" d="M{"L".join(corners)}Z"><title>link {link}: {number_words(pct, 2)} % ± {2 * u_pct:.2f} %</title></path>'
    ends = scale.at(middle, scale.radius(pct - 2 * u_pct)), scale.at(middle, scale.radius(pct + 2 * u_pct))
    spread = f'<path class="link-u" d="M{ends[0]}L{ends[1]}"/>'
    if not marked:
        return bar + spread
    x, y = map(float, scale.at(middle, OUTER + AROUND / 2).split())
    return bar + spread + _ring_text(x, y + 5, "▲")


def _round_numbers(pitches: int, scale: _Round) -> Iterable[str]:
    """The numbers of some links, within the bars."""
    step = next(
        each
        for each in (1, 2, 5, 10, 20, 50, 100, 200, 500, 1000, 10**6)
        if pitches / each <= RING_NUMBERS_MAX
    )
    for link in range(0, pitches, step):
        if link and pitches - link < 0.6 * step:
            continue
        x, y = map(float, scale.at((link + 0.5) / pitches, INNER - AROUND).split())
        yield _ring_text(x, y + 5, f"link {link}" if link == 0 else f"{link}")


def _ring_text(x: float, y: float, words: str, *, kind: str = "plan-text", anchor: str = "middle") -> str:
    return f'<text class="{kind}" x="{x:.1f}" y="{y:.1f}" text-anchor="{anchor}">{words}</text>'
