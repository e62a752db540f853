"""The strobe as SVG: marks stand where their numbers are, the way from new to limit goes round, nothing leaves the picture."""

from dataclasses import replace
from typing import Any
from xml.etree import ElementTree as ET

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from service.adapters.web.strobe_picture import HALVES, LENS_BEYOND, WIDE, Held, close_half, draw_strobe
from service.adapters.web.texts import speak
from service.core.strobe import Strobe

HELD = Held(new_pitches=20.4, limit_pitches=20.4 / 1.03, pitch_mm=25.4, corrected=20.153)


def a_strobe(between: float = 20.15, *, spread: float = 0.004, pulses: int = 60, **more: Any) -> Strobe:
    """Pulses spread evenly about their mean, one each 40 ms."""
    return Strobe(
        **{
            "apart": between + spread * np.linspace(-1, 1, pulses),
            "at_s": 0.04 * np.arange(1 - pulses, 1),
            "odd": np.arange(pulses) % 2 == 1,
            "pitches_between": between,
            "u_pitches": 0.0003,
            "period_s": 0.04,
            "averaged": pulses,
            "left_out": 0,
            "reduced": False,
            "up_train_s": 0.04 * np.arange(-6, 1) - 0.006,
            "down_train_s": 0.04 * np.arange(-6, 1),
            **more,
        }
    )


def drawn(strobe: Strobe, held: Held = HELD) -> Any:
    return ET.fromstring(draw_strobe(strobe, held))  # noqa: S314 (our own)


def of_kind(picture: Any, kind: str) -> list[Any]:
    return [each for each in picture.iter() if each.get("class") == kind]


def at(each: Any, name: str = "x1") -> float:
    return float(each.get(name).rstrip("%"))


def short_of_down(picture: Any, x: float) -> float:
    """How many pitches short of `down` something is drawn: the lens is a pitch wide, and a little more."""
    return (at(of_kind(picture, "at-down")[0]) - x) / (WIDE / (1 + 2 * LENS_BEYOND))


def test_the_joint_stands_short_of_down_by_the_lag() -> None:
    picture = drawn(a_strobe(20.9))
    joints = [short_of_down(picture, at(each, "cx")) for each in of_kind(picture, "close-joint")]
    assert joints == pytest.approx([0.9, -0.1], abs=1e-3)


def test_every_pulse_has_a_tick_twice_with_when_it_came() -> None:
    picture = drawn(a_strobe())
    ticks = of_kind(picture, "pulse")
    assert len(ticks) == 120
    assert sorted({float(each.get("data-s")) for each in ticks}) == pytest.approx(
        0.04 * np.arange(-59, 1), abs=1e-3
    )


def test_close_up_more_worn_is_further_right_and_every_second_joint_is_above() -> None:
    picture = drawn(a_strobe())
    close = of_kind(picture, "pulse")[60:]
    places = [at(each) for each in close]
    assert places == sorted(places, reverse=True)  # the pulses come with N rising
    tops = [at(each, "y1") for each in close]
    assert max(tops[::2]) < min(tops[1::2])


def test_the_close_view_holds_all_but_a_few_pulses_and_says_how_many_it_leaves_out() -> None:
    strobe = a_strobe(spread=0.004, pulses=100)
    assert close_half(strobe) == 0.005
    strays = replace(strobe, apart=np.concatenate((strobe.apart[:-1], [20.35])))
    assert close_half(strays) == 0.005
    assert "1 beyond the edge" in [each.text for each in drawn(strays).iter("text")]
    assert "beyond the edge" not in draw_strobe(strobe, HELD)


@settings(deadline=None)
@given(st.floats(0, 0.5))
def test_the_close_view_is_one_of_a_few_scales(spread: float) -> None:
    assert close_half(a_strobe(spread=spread)) in HALVES


@settings(deadline=None)
@given(between=st.floats(19.0, 20.39))
def test_the_way_from_new_to_the_limit_is_as_long_as_the_wear(between: float) -> None:
    picture = drawn(a_strobe(between))
    gone, left = (
        sum(
            short_of_down(picture, at(each)) - short_of_down(picture, at(each, "x2"))
            for each in of_kind(picture, kind)
        )
        for kind in ("track-gone", "track-left")
    )
    assert gone == pytest.approx(20.4 - between, abs=0.01)
    assert left == pytest.approx(max(0.0, between - 20.4 / 1.03), abs=0.01)


def test_where_another_joint_has_come_its_turn_that_is_said() -> None:
    assert "another joint than when it was new" not in draw_strobe(a_strobe(20.1), HELD)
    assert "another joint than when it was new" in draw_strobe(a_strobe(19.95), HELD)


@settings(deadline=None, max_examples=30)
@given(
    between=st.floats(4, 60),
    worn_pct=st.floats(-0.3, 4.5),
    limit_pct=st.floats(0.5, 6),
    spread=st.floats(0, 0.4),
)
def test_nothing_leaves_the_picture(between: float, worn_pct: float, limit_pct: float, spread: float) -> None:
    new = between * (1 + worn_pct / 100)
    held = Held(new_pitches=new, limit_pitches=new / (1 + limit_pct / 100), pitch_mm=12.7, corrected=between)
    picture = drawn(a_strobe(between, spread=spread), held)
    for each in picture.iter():
        for name in ("x", "x1", "x2", "cx"):
            if (value := each.get(name, "")).endswith("%"):
                assert -0.01 <= float(value[:-1]) <= 100.01
    heights = [float(each.get(name)) for each in picture.iter("line") for name in ("y1", "y2")]
    assert max(heights) < float(picture.get("height"))


def test_means_alone_have_neither_ticks_nor_trains() -> None:
    none = np.zeros(0)
    means = a_strobe(
        reduced=True, apart=none, at_s=none, odd=none.astype(bool), up_train_s=none, down_train_s=none
    )
    picture = drawn(means)
    assert not of_kind(picture, "pulse")
    assert of_kind(picture, "track-gone")
    assert float(picture.get("height")) < 300


def test_the_mark_of_the_lag_spans_it_among_the_pulses_as_they_came() -> None:
    picture = drawn(a_strobe())
    line = of_kind(picture, "lag-line")[0]
    ups, downs = (sorted(at(each) for each in of_kind(picture, f"train-{name}")) for name in ("up", "down"))
    assert at(line) in ups
    assert at(line, "x2") in downs
    assert (at(line, "x2") - at(line)) / (ups[1] - ups[0]) == pytest.approx(0.15, abs=0.01)


def test_decimals_are_those_of_the_language() -> None:
    with speak("de"):
        written = [each.text or "" for each in drawn(a_strobe(20.15)).iter("text")]
    assert any("0,150" in text for text in written)
    assert not any("0.150" in text or "25.4" in text for text in written)
