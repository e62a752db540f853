"""Early against late: what a change is expected to cost, held to sums that can be done by hand."""

from dataclasses import replace
from datetime import UTC, datetime
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.core.change_cost import Costs, costs_of
from service.core.drive import Chain, Drive
from service.core.planned_stop import PlannedStop
from service.core.prognosis import Outcome
from service.core.replacement import Facts, Outlook, plan_changes
from service.core.supply import Terms

DAY_NS = 86_400 * 10**9
NOW_NS = int(datetime(2026, 9, 10, 12, tzinfo=UTC).timestamp()) * 10**9
PRICED = Terms(
    lead_days=0,
    chain_price=800.0,
    change_price=200.0,
    stop_hour_price=500.0,
    unplanned_h=4.0,
    currency="EUR",
)
# The limit comes evenly between day 100 and day 200.
EVEN = Outlook(
    made_ns=NOW_NS,
    outcome=Outcome.FORECAST,
    points=tuple((p / 100, NOW_NS + (100 + p) * DAY_NS) for p in range(101)),
)


def a_stop(days: int, number: int) -> PlannedStop:
    start_ns = NOW_NS + days * DAY_NS
    return PlannedStop(
        name=f"Stop {number}",
        starts_ns=start_ns,
        ends_ns=start_ns + DAY_NS,
        by="x",
        recorded_ns=0,
        number=number,
    )


def costs(terms: Terms = PRICED, outlook: Outlook = EVEN, risk: float = 0.1, **facts: Any) -> Costs:
    chain = Chain(
        chain_id="a", drive_id="a", designation="16B-1", pitch_mm=25.4, fitted_ns=NOW_NS - 350 * DAY_NS
    )
    given = Facts(drive=Drive(drive_id="a"), chain=chain, outlook=outlook, terms=terms, **facts)
    [change] = plan_changes([given], now_ns=NOW_NS, risk=risk)
    return costs_of(change, NOW_NS)


def test_early_and_late_are_what_a_sum_by_hand_gives() -> None:
    """Evenly from day 100 to 200: mean 150, life 350 + 150 = 500 days. At day 150 half of the chains are worn out, and the
    other half has 25 days left in the mean: 12.5 days of 500, of 1000; and 0.5 x 4 h x 500."""
    found = costs(stops=(a_stop(50, 1), a_stop(150, 2)))
    first, due, second = found.rows
    assert (first.chance, first.late) == (0.0, 0.0)
    assert first.early == pytest.approx(1000 * 100 / 500)
    assert second.chance == pytest.approx(0.5)
    assert second.early == pytest.approx(1000 * 12.5 / 500)
    assert second.late == pytest.approx(0.5 * 2000)
    assert due.chance == pytest.approx(0.1)
    assert due.total == due.early + due.late
    assert found.currency == "EUR"
    assert found.missing == ""
    assert len(found.assumptions) >= 3


def test_the_cheapest_day_is_where_a_day_more_costs_what_it_saves() -> None:
    """d early/dt = -1000 (1 - F) / 500 a day, d late/dt = 2000 / 100 = 20 a day from day 100 on: so day 100."""
    least = costs().least
    assert least is not None
    assert least.day == datetime(2026, 12, 19, tzinfo=UTC).date()
    dear = replace(PRICED, chain_price=20_000.0)
    later = costs(dear).least  # 20200 (1 - F) / 500 = 20 at F = 0.505
    assert later is not None
    assert later.chance == pytest.approx(1 - 20 * 500 / 20_200, abs=0.02)


@given(hour_price=st.floats(0, 1e5), more=st.floats(1.1, 10))
def test_the_dearer_a_stop_the_earlier_the_cheapest_day(hour_price: float, more: float) -> None:
    cheap, dear = (
        costs(replace(PRICED, stop_hour_price=each)).least for each in (hour_price, hour_price * more)
    )
    assert cheap is not None
    assert dear is not None
    assert dear.t_ns <= cheap.t_ns


@pytest.mark.parametrize(
    ("terms", "said"),
    [
        (Terms(), "the price of the chain"),
        (replace(PRICED, stop_hour_price=None), "hour of unplanned stop"),
        (replace(PRICED, unplanned_h=None), "hours of an unplanned change"),
        (replace(PRICED, mixed_currencies=True), "several currencies"),
    ],
)
def test_without_prices_there_is_no_cost_and_it_says_which(terms: Terms, said: str) -> None:
    found = costs(terms)
    assert said in found.missing
    assert not found.rows
    assert found.least is None


@pytest.mark.parametrize("outcome", [Outcome.LIMIT_REACHED, Outcome.NO_TREND_YET, Outcome.STANDS])
def test_without_a_forecast_there_is_no_cost(outcome: Outcome) -> None:
    assert costs(outlook=Outlook(made_ns=NOW_NS, outcome=outcome)).missing


def test_a_forecast_that_is_partly_out_of_sight_is_not_costed() -> None:
    assert "ten years" in costs(outlook=replace(EVEN, complete=False)).missing
