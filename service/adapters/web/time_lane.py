"""What happened to a drive, as a lane under its trend: chains fitted, baselines taken, alerts that occurred and cleared.

Knows instants, words and SVG; must not know HTTP, the store or why. Pure. Each kind has a shape of its own, so that none is told
by its colour alone: a link for a chain, a foot on a line for a baseline, a full peak where an alert occurred, a hollow dip where it
cleared, and a bar between them.
"""

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from enum import StrEnum
from html import escape

LANE = 20  # height
HAPPENINGS_MAX = 150  # drawn; of more the newest are


class Kind(StrEnum):
    """What can happen."""

    CHAIN = "chain"
    BASELINE = "baseline"
    OCCURRED = "occurred"
    CLEARED = "cleared"


@dataclass(frozen=True, slots=True)
class Happening:
    """Something at one instant, in words."""

    t_ns: int
    kind: Kind
    words: str


@dataclass(frozen=True, slots=True)
class Stood:
    """An alert that stood from an instant to another; to_ns None: it stands."""

    from_ns: int
    to_ns: int | None


SHAPES = {
    Kind.CHAIN: '<path d="M-5-4H5A4 4 0 0 1 5 4H-5A4 4 0 0 1-5-4Z"/><path class="pins" d="M-5 0h.01M5 0h.01"/>',
    Kind.BASELINE: '<path d="M0-7V5M-6 5H6M-6 5l-2 3M0 5l-2 3M6 5l-2 3"/>',
    Kind.OCCURRED: '<path d="M-6 5L0-6L6 5Z"/>',
    Kind.CLEARED: '<path d="M-6-5L0 6L6-5Z"/>',
}


def draw_lane(
    happenings: Iterable[Happening], stood: Iterable[Stood], shown: tuple[int, int], y: float, now_ns: int
) -> str:
    """Return the lane as SVG whose widths are per cent of its place; shapes stay as they are. y: of its middle."""
    from_ns, to_ns = shown

    def x(t_ns: int) -> float:
        return 100 * (min(max(t_ns, from_ns), to_ns) - from_ns) / (to_ns - from_ns)

    bars = [_bar(each, x, y, now_ns) for each in stood if _overlaps(each, from_ns, min(to_ns, now_ns))]
    marks = [_mark(each, x(each.t_ns), y) for each in within(happenings, from_ns, to_ns)]
    return "".join(bars[-HAPPENINGS_MAX:] + marks)


def within(happenings: Iterable[Happening], from_ns: int, to_ns: int) -> Sequence[Happening]:
    """Return what happened in a stretch of time, in its order; of too many the newest."""
    found = sorted((each for each in happenings if from_ns < each.t_ns <= to_ns), key=lambda each: each.t_ns)
    return found[-HAPPENINGS_MAX:]


def _overlaps(stood: Stood, from_ns: int, to_ns: int) -> bool:
    return stood.from_ns < to_ns and (stood.to_ns is None or stood.to_ns > from_ns)


def _bar(stood: Stood, x: Callable[[int], float], y: float, now_ns: int) -> str:
    left, right = x(stood.from_ns), x(now_ns if stood.to_ns is None else stood.to_ns)
    kind = "stood open" if stood.to_ns is None else "stood"
    return (
        f'<line class="{kind}" x1="{left:.2f}%" x2="{max(right, left + 0.05):.2f}%" y1="{y:g}" y2="{y:g}"/>'
    )


def _mark(happening: Happening, x: float, y: float) -> str:
    return (
        f'<svg class="happening" x="{x:.2f}%" y="{y:g}" width="1" height="1" overflow="visible"><g class="{happening.kind}">'
        f"<title>{escape(happening.words)}</title>{SHAPES[happening.kind]}</g></svg>"
    )
