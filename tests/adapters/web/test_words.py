"""What a reading says in words."""

from dataclasses import replace
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.adapters.web import words
from service.adapters.web.words import Sensing, Verdict
from service.core.batch import RejectionReason
from service.core.drive import Drive, LimitTerm, limit
from service.core.reading import NotMeasured
from tests.adapters.web.plant import not_measured, reading_of


@pytest.mark.parametrize("reason", NotMeasured)
def test_every_reason_says_what_is_so_and_what_would_mend_it(reason: NotMeasured) -> None:
    told = words.finding(not_measured("a", 0, reason))
    assert told is not None
    assert told.what
    assert told.mend.endswith(".")


def test_every_rejection_says_what_is_so_and_what_would_mend_it() -> None:
    assert set(words.REJECTED) == set(RejectionReason)
    assert all(told.what and told.mend.endswith(".") for told in words.REJECTED.values())


def test_a_measured_reading_has_nothing_to_mend() -> None:
    assert words.finding(reading_of("a", 0, 1.0)) is None


@pytest.mark.parametrize(("up", "down", "which"), [(0, 331, "up"), (331, 0, "down")])
def test_the_silent_sensor_is_named(up: int, down: int, which: str) -> None:
    reading = not_measured("a", 0, NotMeasured.SENSOR_SILENT, up_pulses=up, down_pulses=down)
    told = words.finding(reading)
    assert told is not None
    assert told.what == f"Sensor {which} is silent"
    assert words.condition(reading).sensing is Sensing.FAILURE


@pytest.mark.parametrize(
    ("settings", "term", "said"),
    [
        ({}, LimitTerm.GENERAL, "general rule, 3 %"),
        ({"driven_teeth": 80}, LimitTerm.LARGE_SPROCKET, "large sprocket, 200/80 %"),
        ({"fixed_centres": True}, LimitTerm.FIXED_CENTRES, "fixed centres, 1.5 %"),
        ({"parallel_strands": True}, LimitTerm.PARALLEL_STRANDS, "parallel strands, 1.5 %"),
        ({"own_limit_pct": 1.0}, LimitTerm.OWN, "value given for this drive"),
    ],
)
def test_the_rule_that_bound_the_limit_is_said(
    settings: dict[str, object], term: LimitTerm, said: str
) -> None:
    drive = Drive(drive_id="a", whole_pitches=20, **settings)  # type: ignore[arg-type]
    assert limit(drive).term is term
    assert words.limit_words(drive, limit(drive)) == said


@pytest.mark.parametrize(
    ("elongation_pct", "u_pct", "expected"),
    [
        (3.0, 0.04, Verdict.REACHED),
        (3.2, 0.5, Verdict.REACHED),
        (2.93, 0.04, Verdict.WITHIN_UNCERTAINTY),
        (2.92, 0.04, Verdict.WITHIN_UNCERTAINTY),  # e + U is the limit itself
        (2.91, 0.04, Verdict.BELOW),
        (-0.1, 0.04, Verdict.BELOW),
    ],
)
def test_the_verdict_minds_the_uncertainty(elongation_pct: float, u_pct: float, expected: Verdict) -> None:
    assert words.verdict(elongation_pct, u_pct, 3.0) is expected


@pytest.mark.parametrize(
    ("elongation_pct", "u_pct", "said"),
    [
        (1.23456, 0.0421, ("1.235", "0.084")),
        (1.23456, 0.06, ("1.23", "0.12")),
        (1.23456, 0.6, ("1.2", "1.2")),
        (1.23456, 6.0, ("1.2", "12.0")),
        (1.23456, 0.0001, ("1.235", "0.000")),
        (-0.0004, 0.04, ("0.000", "0.080")),
        (-0.25, 0.04, ("\N{MINUS SIGN}0.250", "0.080")),
    ],
)
def test_elongation_and_uncertainty_are_rounded_to_agree(
    elongation_pct: float, u_pct: float, said: tuple[str, str]
) -> None:
    """JCGM 100:2008, 7.2.6 (from memory): two significant digits of the uncertainty, the value to agree."""
    assert words.elongation_words(elongation_pct, u_pct) == said


@given(st.floats(-0.5, 2.0))
def test_what_is_used_is_never_rounded_up_to_the_limit(used: float) -> None:
    number = int(words.used_words(used).removesuffix(" %").replace("\N{MINUS SIGN}", "-"))
    assert (number >= 100) == (used >= 1)
    assert number == pytest.approx(used * 100, abs=1)


@pytest.mark.parametrize(
    ("counts", "sensing", "said"),
    [
        ({}, Sensing.GOOD, "Both sensors good"),
        ({"up_missed": 2}, Sensing.GOOD, "Both sensors good"),  # over 1 %, but two are chance
        ({"up_pulses": 900, "up_extra": 9}, Sensing.GOOD, "Both sensors good"),  # 1 % is not over it
        ({"down_missed": 9}, Sensing.MAINTENANCE_REQUIRED, "Sensor down misses 4.3 % of its pulses"),
        ({"up_extra": 8}, Sensing.MAINTENANCE_REQUIRED, "Sensor up doubles 4.1 % of its pulses"),
    ],
)
def test_missed_and_extra_pulses_are_said_of_their_sensor(
    counts: dict[str, Any], sensing: Sensing, said: str
) -> None:
    found = words.condition(replace(reading_of("a", 0, 1.0, up_pulses=197, down_pulses=198), **counts))
    assert (found.sensing, found.words) == (sensing, said)


@pytest.mark.parametrize(
    ("reason", "sensing"),
    [
        (NotMeasured.LOW_COHERENCE, Sensing.OUT_OF_SPECIFICATION),
        (NotMeasured.OUT_OF_RANGE, Sensing.OUT_OF_SPECIFICATION),
        (NotMeasured.AMBIGUOUS, Sensing.OUT_OF_SPECIFICATION),
        (NotMeasured.STOPPED, Sensing.NOT_JUDGED),
        (NotMeasured.NO_CHAIN, Sensing.GOOD),
    ],
)
def test_the_condition_of_the_sensing_follows_the_reason(reason: NotMeasured, sensing: Sensing) -> None:
    assert words.condition(not_measured("a", 0, reason)).sensing is sensing
