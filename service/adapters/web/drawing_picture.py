"""A drive from the side, to scale, drawn as SVG on the server: sprockets, every link, the sensors, a rule in mm and in.

Knows views of core and SVG; must not know HTTP. Pure. Lines are drawn as on an engineer's sheet: pitch circles and centre lines
chain-dotted, what is supposed dashed. Colours are classes of the style sheet; widths that belong to the scale stand in the picture.

Plates are 1.4 roller diameters high, as those of most ISO 606 chains are (1.3 to 1.5, from memory), teeth of the outside diameter
p (0.6 + cot(pi / z)) (ASME B29.1, from memory); their flanks are drawn, not calculated.
"""

import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from html import escape
from itertools import pairwise

from service.adapters.web.lengths import MM_IN, mm_words
from service.adapters.web.texts import figures, say
from service.core.catalogue import CatalogueChain
from service.core.side_view import (
    LinkKind,
    SideView,
    Spot,
    StrandView,
    Supposed,
    Wheel,
    straight_joints,
)

WIDTH, MARGIN, HEIGHT_MAX = 720.0, 30.0, 300.0
ABOVE, BELOW = 66.0, 86.0  # room for the sensors, and for teeth and rule
STRAND_HEIGHT = 60.0
LINKS_FROM_PX = 3.0  # a pitch; below it a chain is a line
TEETH_FROM_PX = 5.0
LINE_SPOTS = 240  # of such a line
PLATE_OF_ROLLER, ROLLER_OF_PITCH, PLATE_PITCHES_MAX = 1.4, 0.62, 0.92
PIN_OF_ROLLER = 0.5
NAME_HALF_PX = 110.0  # half of the words below a sprocket, as wide as on a phone
WORDS_FROM_PX = (
    130.0  # between the sensors; nearer there is no room for words, which stand beside the picture too
)
RULE_PX = 170.0  # of the rule at the foot, about

Place = Callable[[float], Spot]


@dataclass(frozen=True, slots=True, kw_only=True)
class _Sheet:
    """From millimetres to the picture: `at` of x and y is where (0, 0) lies, k in pixels a mm."""

    k: float
    at_x: float
    at_y: float

    def x(self, mm: float) -> float:
        return self.at_x + self.k * mm

    def y(self, mm: float) -> float:
        return self.at_y - self.k * mm

    def point(self, spot: Spot, out_px: float = 0.0) -> tuple[float, float]:
        """Where a spot is, and so many pixels outwards from it."""
        return self.x(spot.x_mm) + out_px * spot.out_x, self.y(spot.y_mm) - out_px * spot.out_y


@dataclass(frozen=True, slots=True, kw_only=True)
class _Links:
    """How big plates and pins are, pixels."""

    pitch: float
    plate: float
    pin: float


def draw_drive(view: SideView | StrandView, known: CatalogueChain | None, *, title: str) -> str:
    """Return the picture. known: what the catalogue has of the chain; title: read aloud in its place, with what is to be seen."""
    return _draw_sides(view, known, title) if isinstance(view, SideView) else _draw_strand(view, known, title)


def joints_drawn(view: SideView | StrandView) -> Sequence[float]:
    """Return the places of the joints as they are drawn, pitches."""
    return view.joint_places() if isinstance(view, SideView) else straight_joints(view)


def _draw_sides(view: SideView, known: CatalogueChain | None, title: str) -> str:
    pad_mm = 0.7 * view.pitch_mm
    wide_mm = view.driven.radius_mm + view.centres_mm + view.driver.radius_mm + 2 * pad_mm
    high_mm = 2 * max(view.driver.radius_mm, view.driven.radius_mm) + 2 * pad_mm
    k = min((WIDTH - 2 * MARGIN) / wide_mm, HEIGHT_MAX / high_mm)
    left = (WIDTH - k * wide_mm) / 2
    sheet = _Sheet(k=k, at_x=left + k * (view.driven.radius_mm + pad_mm), at_y=ABOVE + k * high_mm / 2)
    height = ABOVE + k * high_mm + BELOW
    links = _sizes(view.pitch_mm, known, k)
    said = say(
        "{name}, from the side: driven sprocket of {driven} teeth on the left, driver of {driver} teeth on the right, centres {centres}; the tight strand is on top and runs to the right",
        name=title,
        driven=view.driven.teeth,
        driver=view.driver.teeth,
        centres=mm_words(view.centres_mm),
    )
    return "".join(
        [
            _open(height, said),
            *_wheel(view, view.driven, sheet, supposed=Supposed.DRIVEN_TEETH in view.supposed),
            *_wheel(view, view.driver, sheet, supposed=Supposed.DRIVER_TEETH in view.supposed),
            *_loop(view, sheet, links),
            *_centres(view, sheet),
            *_direction(view, sheet, links),
            *_sensors(view, view.spot, sheet, links, supposed=Supposed.PLACE in view.supposed),
            *_teeth_words(view, sheet),
            *_rule(sheet.k, height),
            "</svg>",
        ]
    )


def _draw_strand(view: StrandView, known: CatalogueChain | None, title: str) -> str:
    k = (WIDTH - 2 * MARGIN) / (view.length_pitches * view.pitch_mm)
    k = min(k, STRAND_HEIGHT / view.pitch_mm)
    sheet = _Sheet(
        k=k,
        at_x=(WIDTH - k * view.length_pitches * view.pitch_mm) / 2,
        at_y=ABOVE + STRAND_HEIGHT / 2,
    )
    height = ABOVE + STRAND_HEIGHT + BELOW
    links = _sizes(view.pitch_mm, known, k)

    def place(pitches: float) -> Spot:
        return Spot(pitches * view.pitch_mm, 0.0, 0.0, 1.0)

    spots = [place(each) for each in straight_joints(view)]
    kinds = [LinkKind.OUTER if number % 2 else LinkKind.INNER for number in range(len(spots) - 1)]
    ends = "".join(
        _break(sheet.x(mm), sheet.at_y, links) for mm in (0.0, view.length_pitches * view.pitch_mm)
    )
    parts = [
        _open(height, say("{name}: a piece of straight strand, which runs to the right", name=title)),
        *_chain(spots, kinds, sheet, links),
        ends,
    ]
    if view.driver_at is not None:
        x = sheet.x(view.driver_at * view.pitch_mm)
        parts += [
            f'<line class="centre-line" x1="{x:.1f}" x2="{x:.1f}" y1="{ABOVE:.1f}" y2="{ABOVE + STRAND_HEIGHT:.1f}"/>',
            _text(x, ABOVE + STRAND_HEIGHT + 18, say("to the driver")),
        ]
    parts += [*_sensors(view, place, sheet, links, supposed=False), *_rule(k, height), "</svg>"]
    return "".join(parts)


def _open(height: float, said: str) -> str:
    return (
        f'<svg class="drawing" viewBox="0 0 {WIDTH:g} {height:.0f}" width="{WIDTH:g}" height="{height:.0f}" role="img" '
        f'aria-label="{escape(said)}">'
    )


def _sizes(pitch_mm: float, known: CatalogueChain | None, k: float) -> _Links:
    roller_mm = (known.roller_dia_mm if known is not None else None) or ROLLER_OF_PITCH * pitch_mm
    plate_mm = min(PLATE_OF_ROLLER * roller_mm, PLATE_PITCHES_MAX * pitch_mm)
    pin_mm = (known.pin_dia_mm if known is not None else None) or PIN_OF_ROLLER * roller_mm
    return _Links(pitch=k * pitch_mm, plate=k * plate_mm, pin=k * pin_mm)


# Sprockets


def _wheel(view: SideView, wheel: Wheel, sheet: _Sheet, *, supposed: bool) -> Iterable[str]:
    x, y, radius = sheet.x(wheel.x_mm), sheet.at_y, sheet.k * wheel.radius_mm
    tip = sheet.k * view.pitch_mm / 2 * (0.6 + 1 / math.tan(math.pi / wheel.teeth))
    kind = "cog supposed" if supposed else "cog"
    if sheet.k * view.pitch_mm < TEETH_FROM_PX:
        yield f'<circle class="{kind}" cx="{x:.1f}" cy="{y:.1f}" r="{tip:.1f}"/>'
    else:
        root = radius - sheet.k * view.pitch_mm * ROLLER_OF_PITCH / 2
        yield f'<path class="{kind}" d="{_teeth(wheel, x, y, root, tip, _first_gap(view, wheel))}"/>'
    yield f'<circle class="pitch-circle" cx="{x:.1f}" cy="{y:.1f}" r="{radius:.1f}"/>'
    yield f'<circle class="shaft" cx="{x:.1f}" cy="{y:.1f}" r="{max(3.0, min(0.16 * radius, 14.0)):.1f}"/>'
    yield (
        f'<path class="centre-line" d="M{x:.1f} {y - 0.3 * radius:.1f}V{y + 0.3 * radius:.1f}M{x - 0.3 * radius:.1f} {y:.1f}'
        f'H{x + 0.3 * radius:.1f}"/>'
    )


def _first_gap(view: SideView, wheel: Wheel) -> float:
    """The angle of a gap between two teeth: of a joint that lies in it, if one does."""
    for place in view.joint_places():
        spot = view.spot(place)
        if abs(math.hypot(spot.x_mm - wheel.x_mm, spot.y_mm) - wheel.radius_mm) < 1e-6 * wheel.radius_mm:
            return math.atan2(spot.out_y, spot.out_x)
    return 0.0


def _teeth(wheel: Wheel, x: float, y: float, root: float, tip: float, gap: float) -> str:
    """The outline: a hollow under each joint from tip to tip, and a flat tip to the next."""
    step = math.tau / wheel.teeth
    reach = 0.36 * step
    control = 2 * root - tip * math.cos(reach)  # of a curve whose middle lies on the root circle
    parts: list[str] = []
    for number in range(wheel.teeth):
        middle = gap - number * step
        before, after = middle + reach, middle - reach
        parts.append(
            f"{'L' if parts else 'M'}{x + tip * math.cos(before):.1f} {y - tip * math.sin(before):.1f}"
            f"Q{x + control * math.cos(middle):.1f} {y - control * math.sin(middle):.1f} "
            f"{x + tip * math.cos(after):.1f} {y - tip * math.sin(after):.1f}"
        )
    return "".join(parts) + "Z"


def _teeth_words(view: SideView, sheet: _Sheet) -> Iterable[str]:
    """Both below the greater one, so that no strand crosses them."""
    greater_mm = max(view.driver.radius_mm, view.driven.radius_mm)
    below = sheet.at_y + sheet.k * (greater_mm + 0.7 * view.pitch_mm) + 20
    for wheel, words in (
        (view.driven, say("driven, {teeth} teeth", teeth=view.driven.teeth)),
        (view.driver, say("driver, {teeth} teeth", teeth=view.driver.teeth)),
    ):
        x = sheet.x(wheel.x_mm)
        anchor, at = "middle", x
        if x < NAME_HALF_PX:
            anchor, at = "start", MARGIN / 4
        elif x > WIDTH - NAME_HALF_PX:
            anchor, at = "end", WIDTH - MARGIN / 4
        yield _text(at, below, words, kind="name", anchor=anchor)


def _centres(view: SideView, sheet: _Sheet) -> Iterable[str]:
    """The line of centres, with their distance."""
    start, end = sheet.x(0.0), sheet.x(view.centres_mm)
    yield f'<path class="centre-line" d="M{start:.1f} {sheet.at_y:.1f}H{end:.1f}"/>'
    inside = sheet.x(view.driven.radius_mm), sheet.x(view.centres_mm - view.driver.radius_mm)
    words = mm_words(view.centres_mm)
    if Supposed.CENTRES in view.supposed:
        words = say("about {length}", length=words)
    yield _text(sum(inside) / 2, sheet.at_y - 6, words)


def _direction(view: SideView, sheet: _Sheet, links: _Links) -> Iterable[str]:
    """An arrow beside each strand, inside the loop, where it runs."""
    for place in (-0.18 * view.strand_pitches, view.driver.wrap_pitches + 0.18 * view.strand_pitches):
        spot = view.spot(place)
        x, y = sheet.point(spot, -(links.plate / 2 + 9))
        turned = math.degrees(math.atan2(spot.out_x, spot.out_y))
        yield (
            f'<path class="arrow" transform="translate({x:.1f} {y:.1f}) rotate({turned:.1f})" d="M-16 0H10M4 -4L11 0L4 4"/>'
        )


# The chain


def _loop(view: SideView, sheet: _Sheet, links: _Links) -> Iterable[str]:
    if links.pitch < LINKS_FROM_PX:
        step = view.length_pitches / LINE_SPOTS
        spots = [view.spot(number * step) for number in range(LINE_SPOTS + 1)]
        path = "M" + "L".join(f"{x:.1f} {y:.1f}" for x, y in map(sheet.point, spots))
        yield f'<path class="chain-line" stroke-width="{max(links.plate, 2):.1f}" d="{path}"/>'
        return
    spots = [view.spot(place) for place in view.joint_places()]
    yield from _chain([*spots, spots[0]], view.link_kinds(), sheet, links)


def _chain(spots: Sequence[Spot], kinds: Sequence[LinkKind], sheet: _Sheet, links: _Links) -> Iterable[str]:
    """Links from each spot to the next: inner ones first, outer ones over them, then the pins."""
    for kind, slim in ((LinkKind.INNER, 0.9), (LinkKind.OUTER, 1.0), (LinkKind.CRANKED, 1.0)):
        pairs = [pair for pair, its in zip(pairwise(spots), kinds, strict=True) if its is kind]
        if not pairs:
            continue
        path = "".join(
            f"M{x1:.1f} {y1:.1f}L{x2:.1f} {y2:.1f}"
            for (x1, y1), (x2, y2) in ((sheet.point(a), sheet.point(b)) for a, b in pairs)
        )
        wide = slim * links.plate
        yield f'<path class="plate-edge" stroke-width="{wide:.1f}" d="{path}"/>'
        yield f'<path class="plate-{kind}" stroke-width="{max(wide - 2, 0.5 * wide):.1f}" d="{path}"/>'
    dots = "".join(f"M{x:.1f} {y:.1f}h0" for x, y in map(sheet.point, spots))
    yield f'<path class="pins" stroke-width="{max(links.pin, 1.2):.1f}" d="{dots}"/>'


def _break(x: float, y: float, links: _Links) -> str:
    """The line that says that the strand goes on."""
    half = links.plate / 2 + 8
    return f'<path class="break" d="M{x:.1f} {y - half:.1f}C{x + 9:.1f} {y - half / 3:.1f} {x - 9:.1f} {y + half / 3:.1f} {x:.1f} {y + half:.1f}"/>'


# The sensors


def _sensors(
    view: SideView | StrandView, place: Place, sheet: _Sheet, links: _Links, *, supposed: bool
) -> Iterable[str]:
    """Both probes, each pointing at the chain, and how far apart they are along it."""
    if view.up is None or view.down is None:
        return
    kind = "probe-body supposed" if supposed else "probe-body"
    gap = links.plate / 2 + 3
    for at, name, anchor, aside in ((view.up, "up", "end", 10), (view.down, "down", "start", -10)):
        spot = place(at)
        x, y = sheet.point(spot, gap)
        turned = math.degrees(math.atan2(spot.out_x, spot.out_y))
        yield f'<path class="{kind}" transform="translate({x:.1f} {y:.1f}) rotate({turned:.1f})" d="M0 0L-5 -7V-20H5V-7Z"/>'
        name_x, name_y = sheet.point(spot, gap + 28)
        yield _text(name_x + aside, name_y + 4, name, kind="name", anchor=anchor)
    yield from _spacing(view, place, sheet, gap + 13)


def _spacing(view: SideView | StrandView, place: Place, sheet: _Sheet, out_px: float) -> Iterable[str]:
    """The measure between the sensors, where both stand on one straight strand."""
    if view.up is None or view.down is None:
        return
    start, end = place(view.up), place(view.down)
    if abs(start.out_x - end.out_x) > 1e-6:
        return
    (x1, y1), (x2, y2) = sheet.point(start, out_px), sheet.point(end, out_px)
    length = math.hypot(x2 - x1, y2 - y1)
    turned = math.degrees(math.atan2(y2 - y1, x2 - x1))
    words = mm_words((view.down - view.up) * view.pitch_mm) if length >= WORDS_FROM_PX else ""
    yield (
        f'<g transform="translate({x1:.1f} {y1:.1f}) rotate({turned:.1f})">'
        f'<path class="measure-line" d="M7 0H{length - 7:.1f}M14 -4L7 0L14 4M{length - 14:.1f} -4L{length - 7:.1f} 0L{length - 14:.1f} 4"/>'
        f"{_text(length / 2, -7, words)}</g>"
    )


# The rule


def _rule(k: float, height: float) -> Iterable[str]:
    """A rule to measure by: millimetres above, inches below."""
    mm, inches = round_length(RULE_PX / k), round_length(RULE_PX / k / MM_IN)
    y = height - 26
    beside = MARGIN + k * max(mm, inches * MM_IN) + 7
    for length_px, ticks, up, words in (
        (k * mm, 5, -1, f"{mm:g} mm"),
        (k * inches * MM_IN, 4, 1, f"{inches:g} in"),
    ):
        marks = "".join(
            f"M{MARGIN + length_px * n / ticks:.1f} {y:.1f}v{up * (9 if n in {0, ticks} else 5)}"
            for n in range(ticks + 1)
        )
        yield f'<path class="rule-line" d="M{MARGIN:g} {y:.1f}h{length_px:.1f}{marks}"/>'
        yield _text(beside, y + (-4 if up < 0 else 20), words, anchor="start")


def round_length(most: float) -> float:
    """Return the greatest of 1, 2, 5, 10 ... or their tenths that is not above a length, > 0."""
    power = 10.0 ** math.floor(math.log10(most))
    return max(step * power for step in (1, 2, 5) if step * power <= most * (1 + 1e-9))


def _text(x: float, y: float, words: str, *, kind: str = "", anchor: str = "middle") -> str:
    named = f' class="{kind}"' if kind else ""
    return f'<text{named} x="{x:.1f}" y="{y:.1f}" text-anchor="{anchor}">{escape(figures(words))}</text>'
