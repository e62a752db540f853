"""The drawing of a drive as SVG: it is to scale, shows every link, stays on its sheet, and dashes what is supposed."""

import math
import re
from typing import Any
from xml.etree import ElementTree as ET

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from service.adapters.web.drawing_picture import draw_drive, round_length
from service.core.drive import Chain, Drive
from service.core.side_view import SideView, StrandView, known_chain, view_of
from tests.core.test_side_view import a_chain, a_drive

NUMBER = re.compile(r"-?\d+\.?\d*")


def drawn(drive: Drive, chain: Chain, centres_mm: float | None = None) -> tuple[SideView | StrandView, Any]:
    view = view_of(drive, chain, centres_mm)
    return view, ET.fromstring(draw_drive(view, known_chain(chain), title="Feeder <1>"))  # noqa: S314 (our own)


def of_kind(picture: Any, kind: str) -> list[Any]:
    return [each for each in picture.iter() if each.get("class") == kind]


def moves(path: Any) -> int:
    return (path.get("d") or "").count("M")


def test_every_link_and_every_joint_is_drawn() -> None:
    _, picture = drawn(a_drive(), a_chain())
    assert [moves(each) for each in of_kind(picture, "plate-inner")] == [50]
    assert [moves(each) for each in of_kind(picture, "plate-outer")] == [50]
    assert not of_kind(picture, "plate-cranked")
    assert moves(of_kind(picture, "pins")[0]) == 101  # the first once more, where the loop closes


def test_a_cranked_link_is_drawn_as_one() -> None:
    _, picture = drawn(a_drive(), a_chain(pitches_in_loop=101))
    assert [moves(each) for each in of_kind(picture, "plate-cranked")] == [1]


def test_both_ways_and_the_rule_have_one_scale() -> None:
    """Centres across, pitch circles as radii, and the rule at the foot: pixels a millimetre."""
    view, picture = drawn(a_drive(), a_chain())
    assert isinstance(view, SideView)
    circles = of_kind(picture, "pitch-circle")
    scales = [
        float(circle.get("r")) / wheel.radius_mm
        for circle, wheel in zip(circles, (view.driven, view.driver), strict=True)
    ]
    scales.append((float(circles[1].get("cx")) - float(circles[0].get("cx"))) / view.centres_mm)
    (mm_line, in_line) = of_kind(picture, "rule-line")
    words = [each.text.replace("\N{NO-BREAK SPACE}", " ") for each in picture.iter("text") if each.text]
    mm = next(float(text.split()[0]) for text in words[-2:] if text.endswith(" mm"))
    inches = next(float(text.split()[0]) for text in words[-2:] if text.endswith(" in"))
    for line, length_mm in ((mm_line, mm), (in_line, 25.4 * inches)):
        scales.append(float(NUMBER.findall(line.get("d"))[2]) / length_mm)
    assert scales == pytest.approx([scales[0]] * 5, rel=2e-3)


def test_the_teeth_are_as_many_as_the_sprockets_have() -> None:
    _, picture = drawn(a_drive(), a_chain())
    assert sorted((each.get("d") or "").count("Q") for each in of_kind(picture, "cog")) == [19, 38]
    said = [each.text for each in picture.iter("text")]
    assert "driven, 38 teeth" in said
    assert "driver, 19 teeth" in said


def test_a_joint_of_the_chain_lies_in_a_gap_between_two_teeth() -> None:
    view, picture = drawn(a_drive(), a_chain())
    assert isinstance(view, SideView)
    circles, cogs = of_kind(picture, "pitch-circle"), of_kind(picture, "cog")
    pins = NUMBER.findall(of_kind(picture, "pins")[0].get("d").replace("h0", ""))
    points = list(zip(map(float, pins[::2]), map(float, pins[1::2]), strict=True))
    for circle, cog, wheel in zip(circles, cogs, (view.driven, view.driver), strict=True):
        x, y, radius = (float(circle.get(name)) for name in ("cx", "cy", "r"))
        numbers = NUMBER.findall(cog.get("d"))
        gap = math.atan2(float(numbers[3]) - y, float(numbers[2]) - x)
        off = [
            ((math.atan2(py - y, px - x) - gap) * wheel.teeth / math.tau + 0.5) % 1 - 0.5
            for px, py in points
            if abs(math.hypot(px - x, py - y) - radius) < 0.1
        ]
        assert len(off) >= wheel.wrap_pitches - 1
        assert max(map(abs, off)) < 0.1


@pytest.mark.parametrize(
    ("drive", "dashed"),
    [
        ({}, 0),
        ({"driven_teeth": None}, 1),
        ({"up_to_driver_mm": None}, 2),
        ({"driven_teeth": None, "up_to_driver_mm": None}, 3),
    ],
)
def test_what_is_supposed_is_dashed(drive: dict[str, Any], dashed: int) -> None:
    _, picture = drawn(a_drive(**drive), a_chain())
    assert len(of_kind(picture, "cog supposed") + of_kind(picture, "probe-body supposed")) == dashed


@settings(deadline=None, max_examples=30)
@given(
    z1=st.integers(9, 120),
    z2=st.integers(9, 120),
    more=st.integers(8, 3000),
    pitch_mm=st.floats(6, 300),
    whole=st.integers(1, 60),
)
def test_nothing_leaves_the_sheet(z1: int, z2: int, more: int, pitch_mm: float, whole: int) -> None:
    drive = a_drive(driver_teeth=z1, driven_teeth=z2, whole_pitches=whole, up_to_driver_mm=None)
    chain = a_chain(designation="", pitch_mm=pitch_mm, pitches_in_loop=z1 + z2 + more)
    _, picture = drawn(drive, chain)
    width, height = float(picture.get("width")), float(picture.get("height"))
    for kind in ("plate-edge", "chain-line"):
        for path in of_kind(picture, kind):
            numbers = list(map(float, NUMBER.findall(path.get("d"))))
            assert all(0 <= x <= width for x in numbers[::2])
            assert all(0 <= y <= height for y in numbers[1::2])
    assert len(ET.tostring(picture)) < 60_000


def test_a_strand_says_where_it_goes_and_ends_in_breaks() -> None:
    view, picture = drawn(a_drive(), a_chain(designation="LH1623"))
    assert isinstance(view, StrandView)
    assert len(of_kind(picture, "break")) == 2
    assert len(of_kind(picture, "probe-body")) == 2
    assert not of_kind(picture, "cog")
    assert "a piece of straight strand" in picture.get("aria-label")


def test_a_name_is_text_whatever_it_holds() -> None:
    _, picture = drawn(a_drive(), a_chain())
    assert picture.get("aria-label").startswith("Feeder <1>, from the side")


@settings(deadline=None)
@given(st.floats(1e-3, 1e6))
def test_a_round_length_is_one_two_or_five_and_not_above(most: float) -> None:
    length = round_length(most)
    assert 0.4 * most < length <= most * (1 + 1e-9)
    assert f"{length:e}"[:4] in {"1.00", "2.00", "5.00"}
