"""Oil by the air about the drive, and its way to the chain by speed, held to the tables named."""

import pytest

from service.core.catalogue import find
from service.core.lubrication import method_for, oil_for


@pytest.mark.parametrize(
    ("low_c", "high_c", "grade"),
    [(-5, 5, 68), (5, 25, 100), (10, 25, 100), (25.5, 45, 150), (50, 70, 220), (0, 20, 100), (-5, 70, 220)],
)
def test_the_grade_is_that_of_the_warmest_air(low_c: float, high_c: float, grade: int) -> None:
    """ISO 10823 (from memory): -5 to 5 degC VG 68, 5 to 25 VG 100, 25 to 45 VG 150, 45 to 70 VG 220."""
    assert oil_for(low_c, high_c).grade == grade


def test_where_the_cold_wants_a_thinner_oil_it_says_so() -> None:
    assert "VG 68" in oil_for(0, 20).said
    for low_c, high_c in ((10, 20), (5, 25), (-5, 5), (25, 45), (5, 5)):
        assert "cold part" not in oil_for(low_c, high_c).said


@pytest.mark.parametrize(("low_c", "high_c"), [(-6.0, 20.0), (20.0, 71.0), (None, None), (None, 20.0)])
def test_outside_of_the_table_no_grade_is_named(low_c: float | None, high_c: float | None) -> None:
    assert oil_for(low_c, high_c).grade is None


@pytest.mark.parametrize(
    ("designation", "speed_m_s", "way"),
    [
        ("16A-1", 0.86, "A"),
        ("16A-1", 0.87, "B"),
        ("16A-1", 7.6, "B"),
        ("16A-1", 7.7, "C"),
        ("16B-1", 0.86, "A"),
        ("08B-1", 1.5, "A"),
        ("16A-1", None, None),
        ("04C", 1.0, None),
        ("LH1623", 0.5, None),
        ("208B", 0.5, None),
    ],
)
def test_the_way_goes_by_speed(designation: str, speed_m_s: float | None, way: str | None) -> None:
    """ASME B29.1 as distributors print it: No 80 by hand or drip to 170 ft/min, bath to 1500 (0.864 and 7.62 m/s)."""
    assert method_for(find(designation), speed_m_s).type == way


def test_a_chain_that_no_standard_names_gets_no_way() -> None:
    assert method_for(None, 1.0).type is None
