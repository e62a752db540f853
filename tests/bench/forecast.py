"""Forecasts held against what came: published paths, and simulated chains with known truth; and what a forecast costs.

    .venv/bin/python tests/bench/forecast.py [--chains 2000]

Published paths: at several parts of the way to the crossing, the 80 % interval from what was read by then; once from the
path alone and once with the class of all other units (leave one out). Simulated chains (tests/core/worn_chains.py): at
30, 50, 70 and 90 % of the limit, beside a Kalman filter that knows the true parameters and a straight line by least
squares through the last month. One process, one thread.
"""

import os

os.environ.setdefault("OMP_NUM_THREADS", "1")

import argparse
import math
import sys
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[2]))

from service.core.duty import learn_duty
from service.core.forecast_metrics import Told, alpha_lambda, prognostic_horizon, score
from service.core.prognosis import Case, Outcome, forecast, series_of
from service.core.wear_class import learn_class
from service.core.wear_clock import NS_PER_DAY, count_clock, days_of
from tests.core import reference_wear, worn_chains
from tests.core.worn_chains import START_NS, Kind

PARTS = (0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9)
SHARES = (0.3, 0.5, 0.7, 0.9)


def published(data: reference_wear.DataSet, *, lend: bool, every: int = 1) -> None:
    """Print one line for each part, and one for all."""
    rows = list(reference_wear.histories(data, PARTS, lend=lend, every=every))
    name = f"{data.name}, {'class' if lend else 'alone'}"
    together = []
    for index, part in enumerate(PARTS):
        told = [(history[index], end) for _, end, history in rows]
        fair = [(each, end) for each, end in told if each is not None]
        together += fair
        if fair:
            s = score(fair)
            print(
                f"| {name} | {part:.0%} | {len(fair)} of {len(told)} | {s.coverage:.0%} | {s.early:.0%} | {s.late:.0%} |"
                f" {s.accurate:.0%} | {s.relative_error:.2f} |"
            )
    if not together:
        print(f"| {name} | none answered |")
        return
    s = score(together)
    horizons = [
        prognostic_horizon([each for each in history if each is not None], end) / end
        for _, end, history in rows
    ]
    halfway = [alpha_lambda([each for each in history if each is not None], end) for _, end, history in rows]
    print(
        f"| {name} | all | {len(together)} | {s.coverage:.0%} | {s.early:.0%} | {s.late:.0%} | {s.accurate:.0%} |"
        f" {s.relative_error:.2f} | horizon {np.median(horizons):.2f} of life, alpha-lambda at 0.5:"
        f" {sum(each is True for each in halfway)} of {len(halfway)} |"
    )


def case_of(chain: worn_chains.Chain, now: int) -> Case:
    """What is known of a chain at the end of a day."""
    clock = count_clock(chain.intervals(now))
    return Case(
        observations=chain.observations(now),
        limit_pct=worn_chains.LIMIT_PCT,
        now_ns=START_NS + (now + 1) * NS_PER_DAY,
        now_clock=float(chain.joints[now]),
        now_hours=float(chain.hours[now]),
        duty=learn_duty(days_of(clock)),
    )


def told_days(found: tuple[int | None, int | None, int | None], now: int) -> Told:
    """P10, P50, P90 as days since fitting."""
    p10, p50, p90 = (math.inf if each is None else (each - START_NS) / NS_PER_DAY for each in found)
    return Told(made=now + 1.0, p10=p10, p50=p50, p90=p90)


def simulated(
    chains: int,
) -> dict[float, dict[str, list[tuple[str, float, float, Told | None, float, float, Told]]]]:
    """Every forecast of every chain: by share of the limit and kind."""
    rows: dict[float, dict[str, list[tuple[str, float, float, Told | None, float, float, Told]]]] = {
        share: {kind.value: [] for kind in Kind} for share in SHARES
    }
    for seed in range(chains):
        kind = list(Kind)[seed % len(Kind)]
        chain = worn_chains.make_chain(seed, kind)
        for share in SHARES:
            now = chain.first_day(share)
            prognosis = forecast(case_of(chain, now))
            told, as_it_goes = None, math.nan
            if prognosis.passages and prognosis.as_it_goes is not None:
                told = told_days(prognosis.interval_ns, now)
                at = prognosis.as_it_goes.t_ns
                as_it_goes = math.inf if at is None else (at - START_NS) / NS_PER_DAY
            line = worn_chains.line_of_last_month(chain, now)
            rows[share][kind.value].append(
                (prognosis.outcome.value, chain.end_day, now + 1.0, told, as_it_goes, worn_chains.best_end_day(chain, now),
                 Told(made=now + 1.0, p10=line[0], p50=line[1], p90=line[2]))
            )  # fmt: skip
    return rows


def print_simulated(chains: int) -> None:
    """Print the table of simulated chains."""
    rows = simulated(chains)
    every: list[tuple[Told, float]] = []
    for share in SHARES:
        for kind in ("all", *(each.value for each in Kind)):
            found = [row for name, some in rows[share].items() if kind in {"all", name} for row in some]
            fair = [row for row in found if row[3] is not None]
            s = score([(row[3], row[1]) for row in fair if row[3] is not None])
            line = score([(row[6], row[1]) for row in fair])
            best = float(np.median([abs(row[5] - row[1]) for row in fair]))
            goes = float(np.median([abs(row[4] - row[1]) for row in fair]))
            if kind == "all":
                every += [(row[3], row[1]) for row in fair if row[3] is not None]
            print(
                f"| {share:.0%} | {kind} | {len(fair)} of {len(found)} | {s.coverage:.1%} | {s.early:.1%} | {s.late:.1%} |"
                f" {s.error:.1f} ({s.error / best:.2f}) | {goes:.1f} ({goes / best:.2f}) | {best:.1f} |"
                f" {line.error:.1f} ({line.error / best:.2f}) | {line.coverage:.0%} |"
            )
    print(f"all forecasts: 80 % interval holds {score(every).coverage:.1%} of {len(every)}")
    said = [row[0] for some in rows.values() for each in some.values() for row in each if row[3] is None]
    print("no date:", {each.value: said.count(each.value) for each in Outcome if each.value in said})


def cost_ms(work: Callable[[], object], rounds: int = 20) -> tuple[float, float]:
    """Median and greatest processor time of a call, ms."""
    took = []
    for _ in range(rounds):
        start = time.process_time()
        work()
        took.append((time.process_time() - start) * 1e3)
    return float(np.median(took)), max(took)


def print_cost() -> None:
    """Print what one forecast from a year of daily readings costs, and what learning a class does."""
    chain = next(
        made
        for made in (worn_chains.make_chain(seed, Kind.STEADY) for seed in range(1000))
        if len(made.read) > 400
    )
    case = case_of(chain, 364)
    median, most = cost_ms(lambda: forecast(case))
    print(
        f"one forecast, {len(case.observations)} daily readings: median {median:.1f} ms, most {most:.1f} ms"
    )
    median, most = cost_ms(lambda: case_of(chain, 364))
    print(f"clock and duty of a year of days: median {median:.1f} ms, most {most:.1f} ms")
    made = [worn_chains.make_chain(seed, Kind.STEADY) for seed in range(20)]
    mates = [series_of(each.observations(len(each.read) - 1), worn_chains.LIMIT_PCT) for each in made]
    fit = [each for each in mates if each is not None]
    median, most = cost_ms(lambda: learn_class(fit), 3)
    print(f"learning a class of 20 chains: median {median:.0f} ms")
    cases = [case_of(each, each.first_day(0.5)) for each in made]
    start = time.process_time()
    for number in range(200):
        forecast(cases[number % len(cases)])
    print(f"200 forecasts of 20 chains at half of their life: {time.process_time() - start:.1f} s")


def main() -> None:
    """Print all tables."""
    options = argparse.ArgumentParser()
    options.add_argument("--chains", type=int, default=2000)
    chains = options.parse_args().chains
    print_cost()
    print("| data | part of life | forecasts | holds | early | late | within 20 % | error / life left |")
    for data in (reference_wear.lasers(), reference_wear.alloy(), reference_wear.virkler()):
        for lend in (False, True):
            published(data, lend=lend)
    for load in ("10", "50", "100"):
        published(reference_wear.metal(load), lend=False)
        for lend in (False, True):
            published(reference_wear.metal(load, logarithms=True), lend=lend)
    print(
        "| share | kind | dates told | holds | early | late | error P50, days | as it goes | best | line | line holds |"
    )
    print_simulated(chains)


if __name__ == "__main__":
    main()
