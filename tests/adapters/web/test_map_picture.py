"""The map of a chain as SVG: what can be read off it, and what must not lie on top of each other."""

import math
import re
from dataclasses import replace
from typing import Any
from xml.etree import ElementTree as ET

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from service.adapters.web.map_picture import Shape, draw_map, shape_of
from service.core.chain_faults import Fault, Finding
from service.core.link_map import LinkMap


def a_map(pitches: int = 120, *, worn_pct: float = 1.5, u_pct: float = 0.1) -> LinkMap:
    elongation = np.where(np.arange(pitches) % 2, 2 * worn_pct, 0.05)
    return LinkMap(
        elongation_pct=elongation,
        u_pct=np.full(pitches, u_pct),
        sign=np.where(np.arange(pitches) % 2, 1.0, -1.0),
        displaced_pct=np.zeros(pitches),
        displaced_u_pct=0.05,
        harmonics=np.full(pitches // 2 + 1, 1e-6),
        mean_pct=float(elongation.mean()),
        laps=20.0,
        confidence=1.0,
    )


def at(link: int, links: int = 1) -> Finding:
    return Finding(
        fault=Fault.LONG_LINK,
        first_link=link,
        links=links,
        from_mm=0.0,
        excess_mm=1.0,
        u_mm=0.1,
        words="Long.",
    )


def drawn(links: LinkMap, *faults: Finding) -> Any:
    return ET.fromstring(draw_map(links, list(faults)))  # noqa: S314 (our own)


def texts(picture: Any) -> list[tuple[str, float, float]]:
    """What is written, with its place: per cent across (what stands at the left edge counts as 0), and down."""
    return [
        (each.text or "", float(each.get("x", "0").rstrip("%")), float(each.get("y", "0")))
        for each in picture.iter("text")
    ]


@settings(deadline=None)
@given(
    pitches=st.integers(12, 400), worn_pct=st.floats(0, 5), u_pct=st.floats(0, 1), link=st.integers(0, 399)
)
def test_every_link_has_its_bar_its_uncertainty_and_a_scale_to_read_it_by(
    pitches: int, worn_pct: float, u_pct: float, link: int
) -> None:
    links = a_map(pitches, worn_pct=worn_pct, u_pct=u_pct)
    picture = drawn(links, at(link % pitches))
    bars = list(picture.iter("rect"))
    assert len(bars) == pitches
    assert len([each for each in picture.iter("line") if each.get("class") == "link-u"]) == pitches
    assert len([each for each in bars if each.get("class") == "link-bar fault"]) == 1
    scale = [
        float(text.removesuffix(" %").replace("\N{MINUS SIGN}", "-"))
        for text, _, _ in texts(picture)
        if text.endswith(" %")
    ]
    assert 0 in scale
    assert 2 <= len(scale) <= 8
    numbers = [
        int(text.removeprefix("link ")) for text, _, _ in texts(picture) if re.search(r"^(link )?\d+$", text)
    ]
    assert numbers[0] == 0
    assert 2 <= len(numbers) <= 8


def test_what_is_below_nought_has_a_minus_sign() -> None:
    links = a_map()
    picture = draw_map(replace(links, elongation_pct=links.elongation_pct - 1.2, mean_pct=-0.09), [])
    said = re.findall(r">([^<]*\d[^<]*)<", picture) + re.findall(r'aria-label="([^"]*)"', picture)
    assert "link 0: \N{MINUS SIGN}1.15 % ± 0.20 %" in said
    assert "120 links from \N{MINUS SIGN}1.15 to 1.80 %, mean \N{MINUS SIGN}0.09 %" in said
    assert "\N{MINUS SIGN}1 %" in said
    assert not any("-" in text for text in said)


@pytest.mark.parametrize("link", [0, 59, 117, 119])
def test_the_mark_of_a_fault_lies_on_nothing_that_is_written(link: int) -> None:
    picture = drawn(a_map(), at(link))
    (mark,) = (each for each in texts(picture) if each[0] == "▲")
    assert mark[1] == pytest.approx(100 * (link + 0.5) / 120, abs=0.01)
    assert all(abs(y - mark[2]) >= 12 for text, _, y in texts(picture) if text != "▲")


def test_the_scale_is_written_before_the_bars() -> None:
    kinds = [each.get("class") for each in drawn(a_map())]
    assert kinds.index("plan-text scale") > len(kinds) - 1 - kinds[::-1].index("link-bar")


def test_a_section_round_the_end_of_the_loop_is_marked_at_both_ends() -> None:
    bars = list(drawn(a_map(), at(118, 4)).iter("rect"))
    assert [n for n, bar in enumerate(bars) if bar.get("class") == "link-bar fault"] == [0, 1, 118, 119]


# The ring


def ring(links: LinkMap, *faults: Finding) -> Any:
    return ET.fromstring(draw_map(links, list(faults), Shape.RING))  # noqa: S314 (our own)


def places(path: Any) -> list[tuple[float, float]]:
    """The points of a path from the middle of the ring: turns from the top, to the right; distance."""
    numbers = [float(each) for each in re.findall(r"-?[\d.]+", path.get("d"))]
    middle = 280.0
    return [
        ((math.atan2(x - middle, middle - y) / math.tau) % 1, math.hypot(x - middle, y - middle))
        for x, y in zip(numbers[::2], numbers[1::2], strict=True)
    ]


def bars(picture: Any) -> list[Any]:
    return [each for each in picture.iter("path") if (each.get("class") or "").startswith("link-bar")]


@settings(deadline=None, max_examples=30)
@given(pitches=st.integers(12, 400), worn_pct=st.floats(0.1, 5), link=st.integers(0, 399))
def test_the_ring_has_every_link_in_its_place_round_the_loop(
    pitches: int, worn_pct: float, link: int
) -> None:
    picture = ring(a_map(pitches, worn_pct=worn_pct), at(link % pitches))
    found = bars(picture)
    assert len(found) == pitches
    turns = [sum(turn for turn, _ in places(each)) / 4 for each in found[1 : pitches // 2]]
    assert turns == pytest.approx([(n + 0.5) / pitches for n in range(1, pitches // 2)], abs=2e-3)
    assert len([each for each in found if each.get("class") == "link-bar fault"]) == 1
    assert len([each for each in picture.iter("text") if each.text == "▲"]) == 1


def test_longer_is_further_out_on_one_scale() -> None:
    picture = ring(a_map(120, worn_pct=1.5))
    long, short = (max(radius for _, radius in places(bars(picture)[n])) for n in (61, 60))
    nought = float(next(each.get("r") for each in picture.iter("circle") if each.get("class") == "nought"))
    assert (long - nought) / (short - nought) == pytest.approx(3.0 / 0.05, rel=0.1)


def test_the_ring_and_what_is_written_round_it_stay_in_the_picture() -> None:
    picture = ring(a_map(400, worn_pct=5.0, u_pct=1.0), at(0), at(100), at(200), at(300))
    for path in picture.iter("path"):
        assert all(radius <= 236.1 for _, radius in places(path))
    for text in picture.iter("text"):
        assert 10 <= float(text.get("x")) <= 550
        assert 10 <= float(text.get("y")) <= 550


def test_the_ring_says_the_same_as_the_strip() -> None:
    links = a_map()
    strip, round_ = drawn(links), ring(links)
    assert strip.get("aria-label") == round_.get("aria-label")
    titles = [[each.text for each in picture.iter("title")] for picture in (strip, round_)]
    assert titles[0] == titles[1]
    written = [each.text for each in round_.iter("text")]
    assert "120 links" in written
    assert "mean 1.52 %" in written


def test_a_shape_that_is_none_is_the_strip() -> None:
    assert shape_of("ring") is Shape.RING
    assert shape_of("") is shape_of("cube") is Shape.STRIP
