"""What a change costs early, in life of the chain given up, against late, in the chance of a stop that nobody planned.

Knows prices and forecasts; must not know where they are kept. Without prices there is no cost, and the answer says which are
missing. Numbers are in one currency, as people gave them.
"""

from dataclasses import dataclass
from datetime import date

from service.core.planned_stop import PlannedStop
from service.core.prognosis import Outcome
from service.core.replacement import DAY_NS, Answer, Change, day_of


@dataclass(frozen=True, slots=True, kw_only=True)
class Cost:
    """What a change on a day is expected to cost: life of the chain given up, and the chance of a stop before it."""

    t_ns: int
    day: date
    stop: PlannedStop | None
    chance: float
    early: float
    late: float

    @property
    def total(self) -> float:
        """Both."""
        return self.early + self.late


@dataclass(frozen=True, slots=True, kw_only=True)
class Costs:
    """The change-by day and each stop to come, by day, with the day on which the sum is least; or why there are none."""

    currency: str = ""
    rows: tuple[Cost, ...] = ()
    least: Cost | None = None
    missing: str = ""
    assumptions: tuple[str, ...] = ()


def costs_of(change: Change, now_ns: int) -> Costs:
    """Return early against late: C(t) = (chain + change) L(t) / life + F(t) hours x price of an hour.

    F is the forecast, L(t) the mean of the life given up at t, life the mean from fitting to the limit.
    """
    facts, terms = change.facts, change.facts.terms
    missing = _missing(change)
    if missing or facts.outlook is None or facts.chain is None or change.reached_ns is None:
        return Costs(missing=missing)
    outlook = facts.outlook
    price = (terms.chain_price or 0.0) + (terms.change_price or 0.0)
    stop_price = (terms.stop_hour_price or 0.0) * (terms.unplanned_h or 0.0)
    life_ns = outlook.made_ns - facts.chain.fitted_ns + outlook.life_left_ns(outlook.made_ns)

    def cost(t_ns: int, stop: PlannedStop | None = None) -> Cost:
        chance = outlook.chance_before(t_ns) or 0.0
        return Cost(
            t_ns=t_ns,
            day=day_of(t_ns, facts.zone),
            stop=stop,
            chance=chance,
            early=price * outlook.life_left_ns(t_ns) / life_ns,
            late=stop_price * chance,
        )

    last_ns = outlook.points[-1][1]
    rows = [cost(each.starts_ns, each) for each in facts.stops if each.starts_ns <= last_ns]
    rows.append(cost(max(change.reached_ns, now_ns)))
    days = range(now_ns, max(last_ns, now_ns) + 1, max(DAY_NS, (last_ns - now_ns) // 1000))
    return Costs(
        currency=terms.currency or "",
        rows=tuple(sorted(rows, key=lambda each: each.t_ns)),
        least=min((cost(each) for each in days), key=lambda each: each.total),
        assumptions=(
            f"Early: the part of the chain's mean life that is given up, of {price:g} for chain and change.",
            f"Late: the chance of reaching the limit first, times {terms.unplanned_h:g} h of unplanned stop at {terms.stop_hour_price:g} an hour.",
            "A limit that is reached is counted as a stop, though the chain may run on.",
            "Damage to sprockets, people and goods is not in it.",
        ),
    )


def _missing(change: Change) -> str:
    terms = change.facts.terms
    if change.answer not in {Answer.BY_DATE, Answer.NOW} or change.facts.outlook is None:
        return "There is no date to cost."
    if change.facts.outlook.outcome is not Outcome.FORECAST or not change.facts.outlook.points:
        return "There is nothing to weigh up: it is due now."
    if not change.facts.outlook.complete:
        return "Part of the forecast lies more than ten years ahead, so no cost is told."
    if terms.mixed_currencies:
        return "The prices are in several currencies: set them in one."
    wanted = {
        "the price of the chain": terms.chain_price,
        "the price of an hour of unplanned stop": terms.stop_hour_price,
        "the hours of an unplanned change": terms.unplanned_h,
    }
    lacking = [name for name, value in wanted.items() if value is None]
    return f"Not costed: {', '.join(lacking)} not set." if lacking else ""
