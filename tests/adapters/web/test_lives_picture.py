"""The pictures of lives and of influence."""

import re
from datetime import UTC
from xml.etree import ElementTree as ET

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from service.adapters.survival import ScipyLifeFitter
from service.adapters.web.chart import Mark
from service.adapters.web.lives_picture import Curve, Span, draw_influence, draw_lives
from service.core.influence import RateBin
from service.core.life import LifeUnit, Survival

DAY_NS = 86_400_000_000_000
SPAN = Span(from_ns=0, to_ns=70 * DAY_NS, zone=UTC)


def a_bin(
    week: int, rate: float | None = 0.05, rate_u: float | None = 0.01, **beside: float | None
) -> RateBin:
    known: dict[str, float | None] = {"load_n": 3000.0 + week, "speed_m_s": 1.0, "temp_c": None} | beside
    return RateBin(
        chain_id="a",
        from_ns=7 * week * DAY_NS,
        to_ns=7 * (week + 1) * DAY_NS,
        km=100.0,
        rate=rate,
        rate_u=None if rate is None else rate_u,
        **known,
    )


def texts(svg: str) -> list[str]:
    return [each.text or "" for each in ET.fromstring(svg).iter("text")]  # noqa: S314 - made by us


@settings(deadline=None)  # the first asks for a heavy library
@given(
    st.lists(st.tuples(st.floats(1, 1e9), st.booleans()), min_size=1, max_size=20),
    st.sampled_from(list(LifeUnit)),
)
def test_a_curve_never_rises_and_stays_inside(rows: list[tuple[float, bool]], unit: LifeUnit) -> None:
    survival = ScipyLifeFitter().survival([length for length, _ in rows], [ended for _, ended in rows])
    svg = draw_lives([Curve("one", survival)], unit, title="t", summary="s")
    (path,) = re.findall(r'<path class="one" [^>]*d="M([^"]*)"', svg)
    corners = [tuple(map(float, pair.split())) for pair in path.split("L")]
    assert all(0 <= x <= 1000.1 and 0 <= y <= 1000 for x, y in corners)
    assert [y for _, y in corners] == sorted(y for _, y in corners)
    texts(svg)


def test_two_curves_have_bands_and_the_unit_is_named() -> None:
    survival = ScipyLifeFitter().survival([1e8, 2e8, 3e8], [True, True, False])
    svg = draw_lives(
        [Curve("one", survival), Curve("other", Survival(count=1, ended=0, longest=2e8))],
        LifeUnit.PASSAGES,
        title="<Lives>",
        summary="s",
    )
    assert svg.count('band"') == 1  # of the one in which something ended
    assert "million joints passed" in texts(svg)
    assert "300" in texts(svg)
    assert "&lt;Lives&gt;" in svg


def test_what_is_not_known_has_no_plot() -> None:
    svg = draw_influence([a_bin(0), a_bin(1)], SPAN, title="t", summary="s")
    words = texts(svg)
    assert "Wear rate, % per 1000 km" in words
    assert "Load, kN" in words
    assert not any(each.startswith("Temperature") for each in words)


def test_a_bin_without_a_rate_is_left_empty_and_the_others_stand() -> None:
    svg = draw_influence([a_bin(0, None), a_bin(1)], SPAN, title="t", summary="s")
    assert svg.count('class="whisker"') == 1
    assert svg.count('class="level"') == 1 + 2 + 2


def test_marks_are_named_and_escaped() -> None:
    svg = draw_influence([a_bin(0)], SPAN, [Mark(3 * DAY_NS, "<b>")], title="t", summary="s")
    assert "&lt;b&gt;" in svg
    assert svg.count('class="event"') == 1


@pytest.mark.parametrize(("rate", "u"), [(0.0, 0.0), (-0.01, 5.0), (1e-9, 1e-12), (50.0, 1.0)])
def test_any_rate_can_be_drawn(rate: float, u: float) -> None:
    svg = draw_influence([a_bin(0, rate, u, load_n=0.0, speed_m_s=0.0)], SPAN, title="t", summary="s")
    texts(svg)
    ys = [float(each) for each in re.findall(r' y[12]?="([\d.-]+)"', svg)]
    assert all(0 <= y <= 500 for y in ys)


def test_values_that_are_alike_but_for_rounding_are_drawn_as_alike() -> None:
    bins = [a_bin(0, speed_m_s=1.25), a_bin(1, speed_m_s=1.25 * (1 + 2e-16) + 2e-16)]
    labels = texts(draw_influence(bins, SPAN, title="t", summary="s"))
    assert {"1.2", "1.3"} <= set(labels)


def test_no_bins_give_an_empty_plot_of_the_rate() -> None:
    assert "Wear rate, % per 1000 km" in texts(draw_influence([], SPAN, title="t", summary="s"))
