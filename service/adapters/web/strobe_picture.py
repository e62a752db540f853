"""Pulses as under a stroboscope, drawn as SVG on the server: the frozen strand, its last pitch before `down`, the ticks of single
pulses, and both sensors' pulses as they came.

Knows what a strobe of core shows and SVG; must not know HTTP. Pure. As wide as its place: places are per cent of the width, so that
words keep their size; colours and widths are classes of the style sheet. To the right is later along the chain, so more worn.
Each tick carries when its pulse came (`data-s`, seconds before the last), by which `static/strobe.js` lets them come in again.
"""

import math
from collections.abc import Iterable
from dataclasses import dataclass
from html import escape
from itertools import pairwise

import numpy as np

from service.adapters.web.lengths import pitch_words
from service.adapters.web.texts import figures, say
from service.adapters.web.words import number_words
from service.core.strobe import Strobe, frozen_joints

STRAND_Y, STRAND_REACH = 70.0, 1.5  # middle of the strand; pitches beyond the sensors
LENS_Y, LENS_BEYOND = 172.0, 0.15  # middle of the last pitch's joints; pitches beyond it on either side
TRACK_Y = 220.0
CLOSE_Y = 350.0  # the line between even and odd joints
TRAIN_Y, TRAIN_FROM = 482.0, 0.12  # between `up` and `down`; where their lines begin, part of the width
HEIGHT, HEIGHT_WITHOUT_PULSES = 522.0, 264.0
LEFT, WIDE = 3.0, 94.0  # per cent of the width
HALVES = (0.005, 0.01, 0.02, 0.05, 0.1, 0.2, 0.5)  # pitches, of the close view
OUTLIERS = 0.02  # share of the pulses that the close view may leave beyond its edges
WORDS_APART = 22.0  # per cent of the width that two words beside each other take on a phone
TICK_PX = 22.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Held:
    """What the pulses are held against: N of a new chain, N at the limit, and N of the reading, with what was taken off."""

    new_pitches: float
    limit_pitches: float
    pitch_mm: float
    corrected: float | None = None


def draw_strobe(strobe: Strobe, held: Held) -> str:
    """Return the picture."""
    height = HEIGHT_WITHOUT_PULSES if strobe.reduced else HEIGHT
    said = say(
        "Frozen as a joint passes up, the next joint stands {lag} pitches short of down; new it stood {new}, at the limit it stands {limit}",
        lag=number_words(strobe.lag_pitches, 3),
        new=number_words(held.new_pitches % 1, 3),
        limit=number_words(held.limit_pitches % 1, 3),
    )
    parts = [
        f'<svg class="strobe" width="100%" height="{height:.0f}" role="img" aria-label="{escape(said)}">',
        *_strand(strobe, held),
        *_lens(strobe, held),
        *_track(strobe, held),
    ]
    if not strobe.reduced:
        parts += [*_close(strobe, held), *_trains(strobe)]
    return "".join([*parts, "</svg>"])


def _across(part: float) -> float:
    """Per cent of the picture's width, of a part of what is drawn across it, 0 to 1."""
    return LEFT + WIDE * part


# The frozen strand


def _strand(strobe: Strobe, held: Held) -> Iterable[str]:
    whole = held.new_pitches + 2 * STRAND_REACH

    def x(nominal_pitches: float) -> float:
        return _across((nominal_pitches + STRAND_REACH) / whole)

    yield _text(LEFT / 3, 18, say("The strand as a joint passes up"), "title", anchor="start")
    joints = [x(each) for each in frozen_joints(strobe.pitches_between, held.new_pitches, STRAND_REACH)]
    for number, (start, end) in enumerate(pairwise(joints)):
        turn = "outer" if number % 2 else "inner"
        yield f'<line class="frozen-{turn}" x1="{start:.2f}%" x2="{end:.2f}%" y1="{STRAND_Y:.0f}" y2="{STRAND_Y:.0f}"/>'
    yield from (
        f'<circle class="frozen-joint" cx="{each:.2f}%" cy="{STRAND_Y:.0f}" r="3"/>' for each in joints
    )
    edges = x(held.new_pitches - 1 - LENS_BEYOND), x(held.new_pitches + LENS_BEYOND)
    for above, below in zip(edges, (_across(0), _across(1)), strict=True):
        yield (
            f'<line class="lens-edge" x1="{above:.2f}%" x2="{below:.2f}%" y1="{STRAND_Y + 12:.0f}" y2="{LENS_Y - 46:.0f}"/>'
        )
    yield _probe(x(0.0), STRAND_Y - 11, "up")
    yield _probe(x(held.new_pitches), STRAND_Y - 11, "down")


def _probe(x: float, y: float, name: str) -> str:
    return (
        f'<svg x="{x:.2f}%" y="{y:.0f}" overflow="visible"><path class="probe-body" d="M0 0L-5 -6V-16H5V-6Z"/>'
        f'<text class="name" x="0" y="-20" text-anchor="middle">{name}</text></svg>'
    )


# The last pitch before `down`


def _short(pitches: float) -> float:
    """Where a place so many pitches short of `down` lies in the last pitch, per cent of the width."""
    return _across((1 + LENS_BEYOND - pitches) / (1 + 2 * LENS_BEYOND))


def _lens(strobe: Strobe, held: Held) -> Iterable[str]:
    title = say("The last pitch before down, {pitch}", pitch=pitch_words(held.pitch_mm))
    yield _text(LEFT / 3, LENS_Y - 42, title, "title", anchor="start")
    lag = strobe.lag_pitches
    ends = -LENS_BEYOND, 1 + LENS_BEYOND
    near = [lag + 2, lag + 1, lag, lag - 1, lag - 2]
    for number, (start, end) in enumerate(pairwise(near)):
        if end < ends[1] and start > ends[0]:  # a plate goes on beyond the edge
            plate = _short(min(start, ends[1])), _short(max(end, ends[0]))
            turn = "outer" if number % 2 else "inner"
            yield f'<line class="close-{turn}" x1="{plate[0]:.2f}%" x2="{plate[1]:.2f}%" y1="{LENS_Y:.0f}" y2="{LENS_Y:.0f}"/>'
    for each in near:
        if ends[0] <= each <= ends[1]:
            yield f'<circle class="close-joint" cx="{_short(each):.2f}%" cy="{LENS_Y:.0f}" r="7"/>'
    x = _short(0.0)
    yield f'<line class="at-down" x1="{x:.2f}%" x2="{x:.2f}%" y1="{LENS_Y - 22:.0f}" y2="{TRACK_Y + 8:.0f}"/>'
    yield _text(x, LENS_Y - 26, "down", "name")
    for apart, at_s in zip(strobe.apart.tolist(), strobe.at_s.tolist(), strict=True):
        at = _short(lag + apart - strobe.pitches_between)
        if 0 <= at <= 100:
            yield _tick(at, LENS_Y + 16, LENS_Y + 30, at_s)
    if lag > 0.04:
        start, end, y = _short(lag), x, LENS_Y + 23
        yield f'<line class="measure-line" x1="{start:.2f}%" x2="{end:.2f}%" y1="{y:.0f}" y2="{y:.0f}"/>'
        words = say("lag {lag} pitch", lag=number_words(lag, 3))
        beside = start + 2 if lag > WORDS_APART * 1.6 / 100 else start - 2
        yield _text(beside, y - 3, words, "value", anchor="start" if beside > start else "end")


def _track(strobe: Strobe, held: Held) -> Iterable[str]:
    """The way of the joints from a new chain to the limit, as far as it is gone and as it is left."""
    new, limit, now = held.new_pitches, held.limit_pitches, strobe.pitches_between
    whole = math.floor(now)
    for kind, start, end in (("left", min(now, new), limit), ("gone", new, min(now, new))):
        for begin, stop in _turns(start, end):
            yield (
                f'<line class="track-{kind}" x1="{_short(begin):.2f}%" x2="{_short(stop):.2f}%" y1="{TRACK_Y:.0f}" y2="{TRACK_Y:.0f}"/>'
            )
    marks = [(_short(new % 1), say("new")), (_short(limit % 1), say("limit"))]
    near = abs(marks[0][0] - marks[1][0]) < WORDS_APART / 2
    for number, (x, words) in enumerate(marks):
        yield f'<line class="track-end" x1="{x:.2f}%" x2="{x:.2f}%" y1="{TRACK_Y - 6:.0f}" y2="{TRACK_Y + 6:.0f}"/>'
        yield _text(x, TRACK_Y + (20 if number == 0 or not near else 34), words, "limit" if number else "")
    if whole != math.floor(new):
        yield _text(_across(1), TRACK_Y + 34, say("another joint than when it was new"), anchor="end")


def _turns(start: float, end: float) -> list[tuple[float, float]]:
    """The way from one N down to another as pitches short of `down`, cut where the next joint takes over."""
    found: list[tuple[float, float]] = []
    at = start
    while at > end and len(found) < 8:
        floor = math.ceil(at) - 1
        stop = max(float(floor), end)
        found.append((at - floor, stop - floor))
        at = stop
    return found


# Single pulses, close up


def close_half(strobe: Strobe) -> float:
    """Return half of what the close view shows, pitches: the least of HALVES that holds all but a few pulses."""
    if not len(strobe.apart):
        return HALVES[0]
    far = float(np.quantile(np.abs(strobe.apart - strobe.pitches_between), 1 - OUTLIERS)) * 1.15
    return next((each for each in HALVES if each >= far), HALVES[-1])


def _close(strobe: Strobe, held: Held) -> Iterable[str]:
    half, now = close_half(strobe), strobe.pitches_between

    def x(apart: float) -> float:
        return _across(0.5 + (now - apart) / (2 * half))

    times = 0.5 * (1 + 2 * LENS_BEYOND) / half
    title = say("Each pulse of down, {times} times closer", times=f"{times:.0f}")
    yield _text(LEFT / 3, CLOSE_Y - 74, title, "title", anchor="start")
    edge_pct = 100 * held.new_pitches * (1 / (now - half) - 1 / (now + half))
    edge = say("from edge to edge {pct} % of elongation", pct=f"{edge_pct:.2g}")
    yield _text(LEFT / 3, CLOSE_Y - 57, edge, "title", anchor="start")
    yield f'<line class="axis" x1="{LEFT}%" x2="{LEFT + WIDE}%" y1="{CLOSE_Y:.0f}" y2="{CLOSE_Y:.0f}"/>'
    for n, anchor in ((-1.0, "end"), (-0.5, ""), (0.0, "middle"), (0.5, ""), (1.0, "start")):
        at = x(now + n * half)
        yield f'<line class="grid" x1="{at:.2f}%" x2="{at:.2f}%" y1="{CLOSE_Y - 36:.0f}" y2="{CLOSE_Y + 30:.0f}"/>'
        if anchor:
            yield _text(at, CLOSE_Y + 56, number_words(now + n * half, 3), anchor=anchor)
    beyond = 0
    for apart, at_s, odd in zip(
        strobe.apart.tolist(), strobe.at_s.tolist(), strobe.odd.tolist(), strict=True
    ):
        if abs(apart - now) > half:
            beyond += 1
            continue
        yield _tick(
            x(apart), CLOSE_Y + (3 if odd else -3 - TICK_PX), CLOSE_Y + (3 + TICK_PX if odd else -3), at_s
        )
    yield _mark(x(now), "M-6 -42H6L0 -32Z", say("mean"))
    if held.corrected is not None and abs(held.corrected - now) <= half:
        yield _mark(x(held.corrected), "M0 28L5 34L0 40L-5 34Z", say("after corrections"))
    if beyond:
        yield _text(_across(1), CLOSE_Y + 72, say("{n} beyond the edge", n=beyond), anchor="end")


def _mark(x: float, path: str, words: str) -> str:
    return (
        f'<svg x="{x:.2f}%" y="{CLOSE_Y:.0f}" overflow="visible"><path class="mean-mark" d="{path}"><title>{escape(words)}</title>'
        "</path></svg>"
    )


def _tick(x: float, top: float, bottom: float, at_s: float) -> str:
    return f'<line class="pulse" data-s="{at_s:.3f}" x1="{x:.2f}%" x2="{x:.2f}%" y1="{top:.0f}" y2="{bottom:.0f}"/>'


# Both sensors, as they came


def _trains(strobe: Strobe) -> Iterable[str]:
    """The last pulses of both sensors against time, and one lag between them."""
    begin_s = min(strobe.up_train_s[0], strobe.down_train_s[0])

    def x(at_s: float) -> float:
        return (
            _across(TRAIN_FROM + (1 - TRAIN_FROM) * (at_s - begin_s) / -begin_s)
            if begin_s < 0
            else _across(TRAIN_FROM)
        )

    lag_ms = number_words(1000 * strobe.lag_s, 1)
    title = say("The last {ms} ms as they came, {lag} ms apart", ms=f"{-1000 * begin_s:.0f}", lag=lag_ms)
    yield _text(LEFT / 3, TRAIN_Y - 32, title, "title", anchor="start")
    for name, times_s, top in (("up", strobe.up_train_s, -20), ("down", strobe.down_train_s, 6)):
        yield _text(LEFT / 3, TRAIN_Y + top + 12, name, "name", anchor="start")
        y = TRAIN_Y + top + 16
        yield f'<line class="axis" x1="{_across(TRAIN_FROM):.2f}%" x2="{_across(1):.2f}%" y1="{y:.0f}" y2="{y:.0f}"/>'
        for at_s in times_s.tolist():
            yield f'<line class="train-{name}" x1="{x(at_s):.2f}%" x2="{x(at_s):.2f}%" y1="{y - 16:.0f}" y2="{y:.0f}"/>'
    after = strobe.down_train_s[strobe.down_train_s > strobe.up_train_s[0]]
    if len(after):
        flash_s = float(strobe.up_train_s[strobe.up_train_s.searchsorted(after[0]) - 1])
        start, end = x(flash_s), x(float(after[0]))
        yield f'<line class="lag-line" x1="{start:.2f}%" x2="{end:.2f}%" y1="{TRAIN_Y + 1:.0f}" y2="{TRAIN_Y + 1:.0f}"/>'


def _text(x: float, y: float, words: str, kind: str = "", *, anchor: str = "middle") -> str:
    named = f' class="{kind}"' if kind else ""
    return f'<text{named} x="{x:.2f}%" y="{y:.0f}" text-anchor="{anchor}">{escape(figures(words))}</text>'
