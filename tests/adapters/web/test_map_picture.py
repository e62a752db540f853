"""The map of a chain as SVG: what can be read off it, and what must not lie on top of each other."""

import re
from dataclasses import replace
from typing import Any
from xml.etree import ElementTree as ET

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.adapters.web.map_picture import draw_map
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
