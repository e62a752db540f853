"""The map of a chain as a strip, drawn as SVG on the server: one bar a link, with its uncertainty.

Knows numbers and SVG; must not know HTTP. Pure. As wide as its place; colours and widths are classes of the style sheet.
"""

from html import escape

from service.core.chain_faults import Finding
from service.core.link_map import LinkMap

HEIGHT, FOOT = 180.0, 20.0


def draw_map(links: LinkMap, faults: list[Finding]) -> str:
    """Return the strip: a bar for each link from nought up or down, faults marked below, the mean as a line."""
    values = links.elongation_pct
    least, most = min(0.0, float((values - 2 * links.u_pct).min())), float((values + 2 * links.u_pct).max())
    span = max(most - least, 0.1)

    def y(pct: float) -> float:
        return (HEIGHT - FOOT) * (1 - (pct - least) / span) + 4

    wide = 100 / links.pitches
    marked = {
        link % links.pitches
        for each in faults
        for link in range(each.first_link, each.first_link + each.links)
    }
    bars = []
    for link, (pct, u_pct) in enumerate(zip(values.tolist(), links.u_pct.tolist(), strict=True)):
        kind = "link-bar fault" if link in marked else "link-bar"
        x, top, bottom = link * wide, min(y(0), y(pct)), max(y(0), y(pct))
        bars.append(
            f'<rect class="{kind}" x="{x:.3f}%" width="{wide * 0.8:.3f}%" y="{top:.1f}" height="{bottom - top:.1f}">'
            f"<title>link {link}: {pct:.2f} % ± {2 * u_pct:.2f} %</title></rect>"
        )
        if link in marked:
            bars.append(
                f'<text class="plan-text" x="{x + wide / 2:.3f}%" y="{HEIGHT + 8:.0f}" text-anchor="middle">▲</text>'
            )
    mean = y(links.mean_pct)
    said = (
        f"{links.pitches} links from {values.min():.2f} to {values.max():.2f} %, mean {links.mean_pct:.2f} %"
    )
    scale = f"dashes: mean {links.mean_pct:.2f} %; longest {values.max():.2f} %"
    return "".join(
        [
            f'<svg class="chain-map" width="100%" height="{HEIGHT + 16:.0f}" role="img" aria-label="{escape(said)}">',
            *bars,
            f'<line class="grid" x1="0" x2="100%" y1="{y(0):.1f}" y2="{y(0):.1f}"/>',
            f'<line class="mean-line" x1="0" x2="100%" y1="{mean:.1f}" y2="{mean:.1f}"/>',
            f'<text class="plan-text" x="100%" y="{HEIGHT + 8:.0f}" text-anchor="end">{scale}</text>',
            "</svg>",
        ]
    )
