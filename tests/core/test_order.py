"""What to order and the list to change it by: pitches held to a handbook, links, sprockets, cautions first."""

from dataclasses import replace
from typing import Any

import pytest

from service.core.drive import Chain, Drive
from service.core.hand import CAUTIONS
from service.core.order import AS_REGISTERED, BY_FORMULA, Order, check_list, order_of
from service.core.sprocket import Due, Place, Sprocket, SprocketState
from service.core.supply import Terms

DRIVE = Drive(drive_id="press-3", driver_teeth=21, driven_teeth=63)
CHAIN = Chain(chain_id="a", drive_id="press-3", designation="08B-1", pitch_mm=12.7, fitted_ns=0)


def order(
    chain: Chain = CHAIN,
    drive: Drive = DRIVE,
    *,
    sprockets: Any = (),
    speed_m_s: float | None = None,
    **terms: Any,
) -> Order:
    return order_of(drive, chain, Terms(**terms), sprockets, speed_m_s)


def a_state(due: Due, teeth: int = 21) -> SprocketState:
    sprocket = Sprocket(
        drive_id="press-3", place=Place.DRIVER, teeth=teeth, fitted_ns=0, recorded_ns=0, by="x", number=1
    )
    return SprocketState(sprocket=sprocket, inspected=None, chains=3, due=due, why="3 chains ran on it")


def test_the_number_of_pitches_and_the_centres_are_those_of_the_handbook() -> None:
    """Bhandari, Design of Machine Elements, ex. 14.3: 500 mm, p 12.7, 21 and 63 teeth: 121.875 -> 122; 500.804717 mm."""
    length = order(centre_distance_mm=500.0).length
    assert (length.pitches, length.how) == (122, BY_FORMULA)
    assert length.exact == pytest.approx(121.875097, rel=1e-6)
    assert length.centres_mm == pytest.approx(500.804717, abs=1e-6)


def test_centres_and_length_go_round() -> None:
    """Jindal, Machine Design, ex. 30-1: 300 mm, p 9.52, 17 and 51 teeth. The centres of an even number give it back."""
    drive = replace(DRIVE, driver_teeth=17, driven_teeth=51)
    first = order(replace(CHAIN, designation="", pitch_mm=9.52), drive, centre_distance_mm=300.0).length
    again = order(
        replace(CHAIN, designation="", pitch_mm=9.52), drive, centre_distance_mm=first.centres_mm
    ).length
    assert again.pitches == first.pitches
    assert again.exact == pytest.approx(float(first.pitches or 0), abs=1e-3)


def test_what_is_registered_goes_before_the_formula() -> None:
    length = order(replace(CHAIN, pitches_in_loop=122), centre_distance_mm=500.0).length
    assert (length.pitches, length.how, length.said) == (122, AS_REGISTERED, "")
    odd = order(replace(CHAIN, pitches_in_loop=130), centre_distance_mm=500.0).length
    assert odd.pitches == 130
    assert "121.9 pitches" in odd.said


@pytest.mark.parametrize(
    "drive", [replace(DRIVE, driver_teeth=None), replace(DRIVE, driven_teeth=None), DRIVE]
)
def test_without_loop_centres_or_teeth_the_joints_have_to_be_counted(drive: Drive) -> None:
    terms = {} if drive is DRIVE else {"centre_distance_mm": 500.0}
    found = order(CHAIN, drive, **terms)
    assert found.length.pitches is None
    assert "count" in found.length.how
    assert found.connecting_links is None


@pytest.mark.parametrize(("pitches", "cranked"), [(98, 0), (99, 1)])
def test_a_cranked_link_only_where_the_number_is_odd_and_why_not_good(pitches: int, cranked: int) -> None:
    found = order(replace(CHAIN, pitches_in_loop=pitches))
    assert (found.connecting_links, found.cranked_links) == (1, cranked)
    assert any("cranked link" in note for note in found.notes) is bool(cranked)


def test_leaf_chain_needs_bolts_and_no_links() -> None:
    found = order(
        replace(CHAIN, designation="LH1623", pitch_mm=25.4, pitches_in_loop=61), centre_distance_mm=500.0
    )
    assert found.anchor_bolts
    assert (found.connecting_links, found.cranked_links) == (0, 0)
    assert not any("odd number" in note for note in found.notes)
    assert "sheaves" in " ".join(check_list(found).steps)


def test_sprockets_that_are_due_or_to_be_looked_at_are_on_it() -> None:
    states = [a_state(Due.YES), a_state(Due.INSPECT, 25), a_state(Due.NO, 30)]
    found = order(sprockets=states)
    assert [each.sprocket.teeth for each in found.sprockets] == [21, 25]
    assert any("21 teeth" in step for step in check_list(found).steps)
    assert not any("on record" in note for note in found.notes)
    assert any("No sprockets are on record" in note for note in order().notes)


def test_oil_and_its_way_stand_in_the_order_and_on_the_list() -> None:
    found = order(
        replace(CHAIN, designation="16A-1", pitch_mm=25.4),
        speed_m_s=1.0,
        ambient_low_c=5.0,
        ambient_high_c=25.0,
    )
    assert (found.oil.grade, found.method.type) == (100, "B")
    said = " ".join(check_list(found).steps)
    assert found.oil.said in said
    assert found.method.said in said


def test_the_list_begins_with_cautions_and_names_the_set() -> None:
    found = check_list(order(), set_with=["Feed right"])
    assert found.cautions == CAUTIONS
    assert "lock it out" in found.cautions[0]
    assert "Feed right" in found.steps[0]
    assert any("Never splice" in step for step in found.steps)


def test_a_chain_of_no_standard_is_to_be_measured() -> None:
    found = order(replace(CHAIN, designation=""))
    assert found.designation == "free pitch 12.7 mm"
    assert any("No designation" in note for note in found.notes)
