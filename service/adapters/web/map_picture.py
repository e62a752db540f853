"""The map of a chain as a strip, drawn as SVG on the server: one bar a link, with its uncertainty.

Knows numbers and SVG; must not know HTTP. Pure. As wide as its place; colours and widths are classes of the style sheet.
"""

from dataclasses import dataclass
from html import escape

from service.adapters.web.chart import value_ticks
from service.adapters.web.words import number_words
from service.core.chain_faults import Finding
from service.core.link_map import LinkMap

TOP, HEIGHT = 18.0, 180.0  # of the bars
MARKS, NUMBERS, FOOT = 16.0, 32.0, 40.0  # below them: the marks of faults, the numbers of links, the end
NUMBER_WIDTH = 0.03  # of the strip, that half a number takes up on a phone


@dataclass(frozen=True, slots=True)
class _Scale:
    """Where an elongation lies in the picture."""

    least_pct: float
    most_pct: float

    def y(self, pct: float) -> float:
        return TOP + HEIGHT * (1 - (pct - self.least_pct) / (self.most_pct - self.least_pct))


def draw_map(links: LinkMap, faults: list[Finding]) -> str:
    """Return the strip: a bar with its U (k = 2) for each link, from nought up or down; faults marked below, the mean a line."""
    values = links.elongation_pct
    low, high = values - 2 * links.u_pct, values + 2 * links.u_pct
    least = min(0.0, float(low.min()))
    scale = _Scale(least, max(float(high.max()), least + 0.1))
    marked = {
        link % links.pitches
        for each in faults
        for link in range(each.first_link, each.first_link + each.links)
    }
    mean, grid = scale.y(links.mean_pct), _grid(scale)
    said = (
        f"{links.pitches} links from {number_words(values.min(), 2)} to {number_words(values.max(), 2)} %, "
        f"mean {number_words(links.mean_pct, 2)} %"
    )
    return "".join(
        [
            f'<svg class="chain-map" width="100%" height="{TOP + HEIGHT + FOOT:.0f}" role="img" aria-label="{escape(said)}">',
            *(line for line, _ in grid),
            *(_bar(links, link, scale, marked=link in marked) for link in range(links.pitches)),
            *(text for _, text in grid),
            *_numbers(links.pitches),
            f'<line class="mean-line" x1="0" x2="100%" y1="{mean:.1f}" y2="{mean:.1f}"/>',
            "</svg>",
        ]
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
