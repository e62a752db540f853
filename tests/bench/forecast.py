"""Forecasts held against what came: published paths, and simulated chains with known truth; and what a forecast costs.

    .venv/bin/python tests/bench/forecast.py [--chains 2000] [--first 0] [--processes 1]

Published paths: at several parts of the way to the crossing, the 80 % interval from what was read by then; once from the
path alone and once with the class of all other units (leave one out). Simulated chains (tests/core/worn_chains.py): at
30, 50, 70 and 90 % of the limit, beside a Kalman filter that knows the true parameters and a straight line by least
squares through the last month. At 70 % also beside filters that know all of that but not what nobody can know then:
whether, where and by how much a rate has bent. --first: another range of seeds. Costs are taken in one process, one thread.
"""

import os

os.environ.setdefault("OMP_NUM_THREADS", "1")

import argparse
import math
import sys
import time
from collections.abc import Callable
from dataclasses import dataclass
from multiprocessing import Pool
from pathlib import Path

import numpy as np
import numpy.typing as npt

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
WANTED_AT, WANTED = 0.7, 1.20  # share of the limit, and median error by that of the best
DRAWS = 400  # of chains for an interval, and of what is left of a life

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class Row:
    """One forecast of a simulated chain, days since fitting. bent: its bend had come. blind: `told_without_hindsight`."""

    share: float
    kind: str
    outcome: str
    end: float
    told: Told | None
    as_it_goes: float
    best: float
    blind: float
    line: Told
    bent: bool


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


def rows_of(seed: int) -> list[Row]:
    """The forecasts of one chain."""
    kind = list(Kind)[seed % len(Kind)]
    chain = worn_chains.make_chain(seed, kind)
    rows = []
    for share in SHARES:
        now = chain.first_day(share)
        prognosis = forecast(case_of(chain, now))
        told, as_it_goes = None, math.nan
        if prognosis.passages and prognosis.as_it_goes is not None:
            told = told_days(prognosis.interval_ns, now)
            at = prognosis.as_it_goes.t_ns
            as_it_goes = math.inf if at is None else (at - START_NS) / NS_PER_DAY
        line = worn_chains.line_of_last_month(chain, now)
        blind = told_without_hindsight(chain, now) if share == WANTED_AT else math.nan
        rows.append(
            Row(
                share=share, kind=kind.value, outcome=prognosis.outcome.value, end=chain.end_day, told=told,
                as_it_goes=as_it_goes, best=worn_chains.best_end_day(chain, now), blind=blind,
                line=Told(made=now + 1.0, p10=line[0], p50=line[1], p90=line[2]),
                bent=bool(chain.worn[now] >= chain.bend_pct),
            )
        )  # fmt: skip
    return rows


def told_without_hindsight(chain: worn_chains.Chain, now: int) -> float:
    """Return the median day of the limit as `best_end_day` would tell it if it did not know whether the rate has bent.

    One filter of true parameters for no bend and for a bend on each day that it may have come by four factors, weighted by
    the odds the chains are made with (one in four bends, evenly from 65 to 90 % of the limit, 1.5 to 3 times) and by
    their likelihood; bends to come by the same odds. So no forecast can be much better in the median over all.
    """
    days = np.arange(chain.first_day(0.64), now + 1)
    come = np.diff(np.clip((chain.worn[days] / worn_chains.LIMIT_PCT - 0.65) / 0.25, 0, 1), prepend=0.0)
    since = np.concatenate(([now + 1], np.repeat(days, 4)))
    factor = np.concatenate(([1.0], np.tile([1.6, 2.0, 2.4, 2.8], len(days))))
    held = np.concatenate(([1 - 0.25 * come.sum()], np.repeat(0.25 * come / 4, 4)))
    since, factor, held = since[held > 0], factor[held > 0], held[held > 0]
    state, covariance, log_likelihood = _filtered(chain, now, since, factor)
    weight = held * np.exp(log_likelihood - log_likelihood.max())
    rng = np.random.default_rng(now)
    pick = rng.choice(len(held), DRAWS, p=weight / weight.sum())
    draws = [rng.multivariate_normal(state[each], covariance[each], check_valid="ignore") for each in pick]
    worn, rate, passing = np.array(draws)[:, :3].T
    bedding = chain.bedding_pct * (1 - math.exp(-chain.joints[now] / chain.bedding_joints))
    left = np.maximum(worn_chains.LIMIT_PCT - bedding - worn, 1e-3) / factor[pick]
    rate = np.maximum(rate, 0.2 * chain.rate)
    needed = left / rate
    for _ in range(6):
        fades = chain.stray_joints * -np.expm1(-needed / chain.stray_joints) / needed
        needed = left / np.maximum(rate + passing * fades, 0.1 * chain.rate)
    share = float(np.clip(chain.worn[now] / worn_chains.LIMIT_PCT, 0.65, 0.9))
    to_come = 0.25 * (0.9 - share) / 0.25
    bends = (pick == 0) & (rng.random(DRAWS) < to_come / (0.75 + to_come))
    place, pace = rng.uniform(share, 0.9, DRAWS), rng.uniform(1.5, 3, DRAWS)
    needed = np.where(bends, needed * ((place - share) + (1 - place) / pace) / (1 - share), needed)
    a_day = float(chain.usual_week[now]) / 7 * (1 - chain.lost)
    return now + 1 + float(np.median(needed)) / a_day


def _filtered(
    chain: worn_chains.Chain, now: int, since: Floats, factor: Floats
) -> tuple[Floats, Floats, Floats]:
    """The filters of `best_end_day` over all days, one for each bend: states (n, 6), covariances (n, 6, 6), log likelihoods."""
    joints = chain.joints[: now + 1]
    steps = np.diff(joints, prepend=0.0)
    read = chain.read[: now + 1] - chain.bedding_pct * (1 - np.exp(-joints / chain.bedding_joints))
    usual = worn_chains.LIMIT_PCT / (worn_chains.MEAN_LIFE_DAYS * float(chain.joints[-1]) / len(chain.joints))
    swing = (chain.stray * chain.rate) ** 2
    first = (
        0.04**2, (worn_chains.LIFE_SPREAD * usual) ** 2, swing, chain.common**2, chain.common**2, chain.u**2,
    )  # fmt: skip
    count = len(since)
    state = np.tile([0.06, usual, 0.0, 0.0, 0.0, 0.0], (count, 1))
    covariance = np.tile(np.diag(first), (count, 1, 1))
    log_likelihood = np.zeros(count)
    apart = int(since.min())  # until then all are one
    for day in range(now + 1):
        some = slice(0, count if day >= apart else 1)
        if day == apart:
            state[:], covariance[:], log_likelihood[:] = state[0], covariance[0], log_likelihood[0]
        pace = np.where(day > since[some], factor[some], 1.0)
        step = float(steps[day])
        keep = math.exp(-step / chain.stray_joints)
        move = np.tile(np.eye(6), (len(pace), 1, 1))
        move[:, 0, 1] = move[:, 0, 2] = pace * step
        move[:, 2, 2], move[:, 5, 5] = keep, 0.8
        state[some] = (move @ state[some, :, None])[:, :, 0]
        covariance[some] = move @ covariance[some] @ move.transpose(0, 2, 1)
        covariance[some, 0, 0] += chain.gamma * chain.rate * pace * step
        covariance[some, 2, 2] += swing * (1 - keep * keep)
        covariance[some, 5, 5] += (0.36 * chain.u) ** 2
        if step > 0:
            h = np.array([1.0, 0, 0, 1.0 - chain.epoch[day], float(chain.epoch[day]), 1.0])
            gain = covariance[some] @ h
            variance = gain @ h + (0.8 * chain.u) ** 2
            error = read[day] - state[some] @ h
            log_likelihood[some] -= 0.5 * (np.log(variance) + error * error / variance)
            state[some] += gain * (error / variance)[:, None]
            covariance[some] -= gain[:, :, None] * gain[:, None, :] / variance[:, None, None]
    return state, covariance, log_likelihood


def print_simulated(seeds: range, processes: int) -> None:
    """Print the table of simulated chains, and how sure the wanted figure is."""
    with Pool(processes) as pool:
        rows = [row for some in pool.imap(rows_of, seeds, chunksize=20) for row in some]
    for share in SHARES:
        for kind in ("all", *(each.value for each in Kind)):
            found = [row for row in rows if row.share == share and kind in {"all", row.kind}]
            fair = [row for row in found if row.told is not None]
            s = score([(row.told, row.end) for row in fair if row.told is not None])
            line = score([(row.line, row.end) for row in fair])
            best = float(np.median([abs(row.best - row.end) for row in fair]))
            goes = float(np.median([abs(row.as_it_goes - row.end) for row in fair]))
            print(
                f"| {share:.0%} | {kind} | {len(fair)} of {len(found)} | {s.coverage:.1%} | {s.early:.1%} | {s.late:.1%} |"
                f" {s.error:.1f} ({s.error / best:.2f}) | {goes:.1f} ({goes / best:.2f}) | {best:.1f} |"
                f" {line.error:.1f} ({line.error / best:.2f}) | {line.coverage:.0%} |"
            )
    every = [(row.told, row.end) for row in rows if row.told is not None]
    print(f"all forecasts: 80 % interval holds {score(every).coverage:.1%} of {len(every)}")
    said = [row.outcome for row in rows if row.told is None]
    print("no date:", {each.value: said.count(each.value) for each in Outcome if each.value in said})
    print_wanted([row for row in rows if row.share == WANTED_AT])


def print_wanted(rows: list[Row]) -> None:
    """Print the median error at WANTED_AT by that of the best, with a 95 % interval by drawing chains anew, and what it hangs on."""
    fair = [row for row in rows if row.told is not None]
    ours = np.array([abs(row.told.p50 - row.end) for row in fair if row.told is not None])
    best, blind = (
        np.array([abs(each - row.end) for each, row in pairs])
        for pairs in ([(row.best, row) for row in fair], [(row.blind, row) for row in fair])
    )
    bent = np.array([row.bent for row in fair])
    every = np.full(len(fair), fill_value=True)
    print(f"median error of the date at {WANTED_AT:.0%} of the limit, wanted {WANTED:.2f} of the best:")
    for name, over, under, which in (
        ("ours by best", ours, best, every),
        ("ours by best, no bend had come", ours, best, ~bent),
        ("without hindsight by best", blind, best, every),
        ("ours by without hindsight", ours, blind, every),
    ):
        ratio, low, high = ratio_of_medians(over[which], under[which])
        print(f"  {name}: {ratio:.3f}, 95 % interval {low:.2f} to {high:.2f}, {which.sum()} chains")


def ratio_of_medians(over: Floats, under: Floats) -> tuple[float, float, float]:
    """Ratio of two medians of the same chains and its 95 % interval by the bootstrap (Efron 1979, from memory)."""
    rng = np.random.default_rng(1)
    drawn = rng.integers(0, len(over), (1000, len(over)))
    ratios = np.median(over[drawn], axis=1) / np.median(under[drawn], axis=1)
    low, high = np.quantile(ratios, (0.025, 0.975))
    return float(np.median(over) / np.median(under)), float(low), float(high)


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
    options.add_argument("--first", type=int, default=0, help="seed of the first chain")
    options.add_argument("--processes", type=int, default=1, help="for the simulated chains")
    asked = options.parse_args()
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
    print_simulated(range(asked.first, asked.first + asked.chains), asked.processes)


if __name__ == "__main__":
    main()
