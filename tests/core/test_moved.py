"""When a forecast counts as moved, and what it is put down to."""

from dataclasses import replace

from hypothesis import given
from hypothesis import strategies as st

from service.core.moved import LEAST_NS, Outlook, why_moved

DAY = 86_400 * 10**9
NOW = 20_000 * DAY
OLD = Outlook(
    chain_id="a",
    made_ns=NOW,
    p10_ns=NOW + 80 * DAY,
    p50_ns=NOW + 100 * DAY,
    p90_ns=NOW + 130 * DAY,
    hours_a_week=80.0,
)


def later(p50_days: float | None, **changes: object) -> Outlook:
    p50_ns = None if p50_days is None else NOW + round(p50_days * DAY)
    return replace(OLD, made_ns=NOW + DAY, p50_ns=p50_ns, **changes)  # type: ignore[arg-type]


@given(st.floats(81, 124))
def test_within_its_old_interval_and_near_it_has_not_moved(p50_days: float) -> None:
    assert why_moved(OLD, later(p50_days)) is None


def test_outside_of_the_old_interval_or_by_a_quarter_it_has() -> None:
    assert why_moved(OLD, later(75)) == "by the readings since"
    assert why_moved(OLD, later(126)) == "by the readings since"
    assert why_moved(OLD, later(140)) == "by the readings since"


@given(st.integers(-LEAST_NS + 1, LEAST_NS - 1))
def test_less_than_three_days_is_never_a_move(by_ns: int) -> None:
    sharp = replace(OLD, p10_ns=OLD.p50_ns, p90_ns=OLD.p50_ns)
    assert OLD.p50_ns is not None
    assert why_moved(sharp, replace(sharp, made_ns=NOW + DAY, p50_ns=OLD.p50_ns + by_ns)) is None


def test_the_reason_names_what_changed() -> None:
    bent = later(60, bend=(2.0, NOW), by_hand=1, hours_a_week=120.0)
    assert why_moved(OLD, bent) == (
        "it wears faster by a factor of 2; it was measured by hand; the drive runs 120 h a week, it was 80 h"
    )
    assert why_moved(OLD, later(160, epochs=1, bend=(0.5, NOW))) == (
        "it wears slower by a factor of 0.5; a new baseline was taken"
    )


def test_the_first_forecast_of_a_chain_is_told_and_one_that_ended() -> None:
    assert why_moved(None, later(60)) == "the first forecast of this chain"
    assert why_moved(replace(OLD, chain_id="before"), later(60)) == "the first forecast of this chain"
    assert why_moved(None, later(None)) is None
    assert why_moved(OLD, later(None)) == "no date can be told any more"
    assert why_moved(replace(OLD, p50_ns=None), later(60)) == "a date can be told now"
    assert why_moved(replace(OLD, p50_ns=None), later(None)) is None


def test_a_limit_that_is_reached_is_no_forecast_that_moved() -> None:
    assert why_moved(OLD, later(None, reached=True)) is None


def test_an_interval_without_a_late_end_reaches_for_ever() -> None:
    assert why_moved(replace(OLD, p90_ns=None), later(124)) is None
