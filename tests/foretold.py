"""Prognoses made by hand, for tests of what is done with them."""

from service.core.prognosis import PROBABILITIES, DataUsed, Outcome, Passage, Prognosis, plain
from service.ports import KeptPrognosis

DAY_NS = 86_400 * 10**9

# What the door adds to core's report.
MORE = {
    "clock": {"unit": "joints", "now": 1e6, "hours": 100.0, "filled_share": 0.0, "load_n": None},
    "duty": {"hours_a_week": 80.0, "planned": False, "weeks": 8.0, "stops": 0},
}


def a_prognosis(made_ns: int, days: dict[float, float], outcome: Outcome = Outcome.FORECAST) -> Prognosis:
    """A prognosis whose quantiles lie so many days after it was made."""
    return Prognosis(
        failure_mode="wear elongation reaches its limit",
        set_point_pct=3.0,
        made_ns=made_ns,
        outcome=outcome,
        sentence="",
        elongation_pct=1.5,
        elongation_u_pct=0.02,
        rate=None,
        confidence=0.8,
        passages=tuple(
            Passage(probability=p, clock=1.0, hours=1.0, t_ns=made_ns + round(each * DAY_NS))
            for p, each in days.items()
        ),
        as_it_goes=None,
        bend=None,
        lent=None,
        data=DataUsed(
            observations=9,
            by_hand=0,
            epochs=1,
            left_out_bedding_in=0,
            left_out_old_epochs=0,
            first_ns=made_ns - 90 * DAY_NS,
            last_ns=made_ns,
        ),
        assumptions=(),
        version="by hand",
    )


def kept(
    drive_id: str, middle: float, made_ns: int, *, chain_id: str = "", outcome: Outcome = Outcome.FORECAST
) -> KeptPrognosis:
    """A forecast around `middle` days: P10 at 0.8 and P90 at 1.2 of it, evenly between; none for another outcome."""
    days = {p: middle * (1 + 0.5 * (p - 0.5)) for p in PROBABILITIES} if outcome is Outcome.FORECAST else {}
    prognosis = a_prognosis(made_ns, days, outcome)
    p10_ns, p50_ns, p90_ns = prognosis.interval_ns
    return KeptPrognosis(
        drive_id=drive_id,
        chain_id=chain_id or f"{drive_id}-a",
        made_ns=made_ns,
        outcome=outcome,
        set_point_pct=3.0,
        p10_ns=p10_ns,
        p50_ns=p50_ns,
        p90_ns=p90_ns,
        version="by hand",
        document=plain(prognosis) | MORE,
    )
