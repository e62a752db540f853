"""What was taken off a reading, and what its uncertainty is made of, told in words; on page and API."""

import math
from dataclasses import replace
from typing import Any

import pytest

from sensors_sim.drive import Surroundings
from sensors_sim.setup import DeviceSetup
from service.adapters.web.taken import Term, account
from tests.adapters.web.plant import Plant, add
from tests.adapters.web.test_pages import seen
from tests.adapters.web.watched_plant import put
from tests.core.watched import Watched, ordinary, watch

SENT = DeviceSetup(sends_temperature=True, sends_load=True)
WARM = Surroundings(chain_c=48, mount_c=24, load_n=3400, reference_load_n=2000, strain_pct_per_kn=0.012)
KNOWN: dict[str, Any] = {
    "strain_pct_per_kn": 0.012,
    "strain_u_pct_per_kn": 0.002,
    "delay_us": 40.0,
    "delay_u_us": 2.0,
}
CORRECTIONS = ["Polygon effect", "Switching delay", "Temperature", "Load"]


def corrected() -> Watched:
    return watch(ordinary(device=SENT, surroundings=WARM), 6, **KNOWN)


def terms(watched: Watched, **drive: Any) -> dict[str, Term]:
    settings = replace(watched.drive, **drive)
    found = account(watched.readings[-1], settings, watched.chain, watched.baseline)
    return {term.name: term for term in found}


def test_each_correction_is_told_with_its_size_its_uncertainty_and_its_source() -> None:
    """Temperature and load by hand: 11.7e-6/K x (48 - 24) K = 0.0281 %; 0.012 %/kN x 1.4 kN = 0.0168 %."""
    found = terms(corrected())
    assert list(found)[:4] == CORRECTIONS
    assert found["Temperature"].taken_pct == pytest.approx(0.02808, abs=1e-5)
    assert found["Load"].taken_pct == pytest.approx(0.0168, abs=1e-5)
    assert found["Load"].u_pct == pytest.approx(1.4 * 0.002)
    # 40 us at 1 m/s over 12.7 mm pitches, of 24 pitches: 100 x 40e-6 / 12.7e-3 / 24 = 0.013 %
    assert found["Switching delay"].taken_pct == pytest.approx(-0.0132, abs=4e-4)
    assert found["Switching delay"].u_pct == pytest.approx(0.0132 * 2 / 40, abs=4e-5)
    assert found["Polygon effect"].taken_pct is not None
    for name, word in (
        ("Polygon effect", "geometry of the driver: 19 teeth"),
        ("Switching delay", "fitted from lag against speed: down later than up by 40 ± 4 µs"),
        ("Temperature", "48.0 °C at 11.7e-6 per K (steel, Machinery's Handbook)"),
        ("Load", "3400 N at 0.012 ± 0.004 % per kN (the drive's setting)"),
    ):
        assert word in found[name].source
        assert found[name].why == ""


def test_the_terms_of_the_uncertainty_add_up_to_that_of_the_reading() -> None:
    watched = corrected()
    found = terms(watched)
    total = math.hypot(*(term.u_pct or 0.0 for term in found.values()))
    assert total == pytest.approx(watched.readings[-1].elongation_u_pct)
    assert found["Elongation at the baseline, e0"].u_pct == pytest.approx(0.02, rel=0.01)
    without_start = [term.u_pct or 0.0 for name, term in found.items() if "e0" not in name]
    assert math.hypot(*without_start) == pytest.approx(watched.readings[-1].since_u_pct, rel=1e-3)


@pytest.mark.parametrize(
    ("settings", "name", "why"),
    [
        ({"driver_teeth": None}, "Polygon effect", "the driver's teeth not given"),
        ({"up_to_driver_mm": None}, "Polygon effect", "the distance from up to the driver not given"),
        ({}, "Switching delay", "not known"),
        ({}, "Temperature", "not sent: chain and mount"),
        ({}, "Load", "not sent"),
    ],
)
def test_what_was_not_taken_off_says_why(settings: dict[str, Any], name: str, why: str) -> None:
    found = terms(watch(ordinary(), 3, **settings))
    assert found[name].taken_pct is None
    assert why in found[name].why


def test_every_term_says_where_it_comes_from() -> None:
    """Of a drive of which everything is known, and of one of which nothing is."""
    for found in (terms(corrected()), terms(watch(ordinary(), 3, driver_teeth=None))):
        assert [name for name, term in found.items() if not term.source] == []


@pytest.mark.parametrize(
    ("settings", "why"),
    [
        ({"strain_pct_per_kn": None}, "the strand's strain not known"),
        ({"load_ref_n": None}, "the reference load not known"),
        ({"strain_u_pct_per_kn": 0.006}, "not significant: 0.012 ± 0.012 % per kN"),
    ],
)
def test_a_load_that_was_sent_and_not_taken_off_says_why(settings: dict[str, Any], why: str) -> None:
    found = terms(watch(ordinary(device=SENT, surroundings=WARM), 3, **KNOWN | settings))
    assert found["Load"].taken_pct is None
    assert why in found["Load"].why


def test_at_the_reference_load_nothing_was_taken_off_and_that_is_a_number() -> None:
    at_reference = replace(WARM, load_n=2000.0)
    found = terms(watch(ordinary(device=SENT, surroundings=at_reference), 3, **KNOWN))
    assert (found["Load"].taken_pct, found["Load"].why) == (0.0, "")


def test_without_a_baseline_the_spacing_is_what_it_rests_on() -> None:
    """0.5 mm over 306 mm is 0.163 % (arithmetic)."""
    found = terms(watch(ordinary(), 3, commissioned=False))
    assert found["Spacing of the sensors"].u_pct == pytest.approx(0.5 / (24.1 * 12.7) * 101.1, rel=0.01)


def test_settings_that_changed_since_leave_the_rest_untold() -> None:
    found = terms(corrected(), load_u_pct=5.0, strain_pct_per_kn=None)
    rest = found["Scatter, and links not seen"]
    assert rest.u_pct is None
    assert "settings have changed" in rest.source


def test_the_page_and_the_api_tell_the_same(plant: Plant) -> None:
    put(plant, "a", corrected())
    body = plant.get("/drives/a/account")
    assert [term["name"] for term in body["terms"]][:4] == CORRECTIONS
    text = seen(plant, "/drives/a")
    assert "What was taken off" in text
    for term in body["terms"]:
        assert term["source"] in text
        if term["taken_pct"] is not None:
            assert f"{term['taken_pct']:+.4f} %".replace("-", "−") in text


def test_a_drive_without_a_number_has_nothing_taken_off(plant: Plant) -> None:
    add(plant, "a")
    assert plant.get("/drives/a/account") == {
        "time": None,
        "elongation_pct": None,
        "elongation_u_pct": None,
        "terms": [],
    }
    assert "Nothing was measured yet" in seen(plant, "/drives/a")
