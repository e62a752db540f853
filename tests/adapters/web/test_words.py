"""What a reading says in words."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.adapters.web import words
from service.adapters.web.words import Verdict
from service.core.batch import RejectionReason
from service.core.drive import Drive, LimitTerm, limit
from service.core.health import Sign, SignKind, Status, health
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


def test_what_keeps_a_reading_from_a_number_is_not_hidden_by_a_silent_sensor() -> None:
    reading = not_measured("a", 0, NotMeasured.NO_CHAIN, up_pulses=331, down_pulses=0)
    told = words.finding(reading)
    assert told is not None
    assert "No chain" in told.what


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
    ("change_pct", "u_pct", "said"),
    [
        (1.1625, 0.0123, ("+1.163", "0.025")),
        (-0.03, 0.004, ("\N{MINUS SIGN}0.030", "0.008")),
        (0.0, 0.02, ("+0.000", "0.040")),
    ],
)
def test_a_change_is_written_with_its_sign(change_pct: float, u_pct: float, said: tuple[str, str]) -> None:
    assert words.change_words(change_pct, u_pct) == said


def test_missed_and_extra_pulses_are_shares_of_what_was_due_and_of_what_came() -> None:
    reading = reading_of("a", 0, 1.0, up_pulses=95, up_missed=5, down_pulses=104, down_extra=4)
    shares = words.pulse_shares(reading)
    assert shares["up_missed"] == pytest.approx(0.05)
    assert shares["down_extra"] == pytest.approx(4 / 104)
    assert (shares["down_missed"], shares["up_extra"]) == (0.0, 0.0)


def a_sign(kind: SignKind, status: Status, what: str) -> Sign:
    return Sign(kind=kind, status=status, since_ns=0, what=what, mend="Mend it.")


def test_the_gravest_sign_is_said_and_how_many_more_there_are() -> None:
    silent = a_sign(SignKind.SENSOR_SILENT, Status.FAILURE, "Sensor up is silent")
    none_yet = a_sign(SignKind.NO_BASELINE, Status.FUNCTION_CHECK, "No baseline")
    assert words.health_words(health([none_yet, silent], None)) == "Sensor up is silent, and 1 more"
    assert words.health_words(health([none_yet], None)) == "No baseline"
    assert words.health_words(health([], reading_of("a", 0, 1.0))) == "Both sensors good"
    stopped = not_measured("a", 0, NotMeasured.STOPPED)
    assert words.health_words(health([], stopped)) == "Not judged from this window"


def test_every_status_has_its_words() -> None:
    assert set(words.STATUS_WORDS) == set(Status)
