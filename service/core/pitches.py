"""The whole number of pitches between the sensors, which pulses cannot show.

Knows what elongation is possible; must not know pulses. A number that is not sure is refused.
"""

import math
from dataclasses import dataclass
from typing import NamedTuple

from service.core.not_measured import NotMeasured

# What the elongation may be, per cent, for a chain of which nothing was measured yet.
ELONGATION_MIN_PCT = -0.3  # a new chain reads 0 to +0.15 %; the rest is room for temperature and load
ELONGATION_MAX_PCT = (
    4.0  # a chain far over its limit. The range is unique up to 23 pitches between the sensors
)
# What it may be once it was measured.
FALL_MAX_PCT = 0.5  # wear does not heal: temperature, load, and a late batch
RISE_MAX_PCT = 1.5  # at once: a bracket that moved, lubrication lost
RISE_PCT_PER_DAY = 0.02  # and for each day since: a chain that is worn out in five months
# How far the elongation may be from that by alternation, standard uncertainties: once in 10 000 beyond, if normal.
ALTERNATION_COVERAGE = 4.0
ELONGATION_CREDIBLE_PCT = 8.0  # no chain runs beyond that


@dataclass(frozen=True, slots=True)
class Expectation:
    """The range that the pitches between the sensors may lie in, and the value most likely."""

    least: float
    likely: float
    most: float


def expect_pitches(
    new_pitches: float, new_u_pitches: float, last_pct: float | None, days_since: float = 0.0
) -> Expectation:
    """The pitches between the sensors that the chain's past allows.

    N = N_new / (1 + e), N_new the pitches between the sensors of a chain with e = 0.

    Args:
        new_pitches: N_new, from the baseline or from the spacing, > 0.
        new_u_pitches: its standard uncertainty; twice that is added at both ends.
        last_pct: the chain's last elongation, per cent; None before the first.
        days_since: since that was measured; the longer, the more it may have risen.
    """
    if last_pct is None:
        least_pct, likely_pct, most_pct = ELONGATION_MIN_PCT, 0.0, ELONGATION_MAX_PCT
    else:
        risen_pct = RISE_MAX_PCT + RISE_PCT_PER_DAY * max(0.0, days_since)
        least_pct, likely_pct = last_pct - FALL_MAX_PCT, last_pct
        most_pct = max(last_pct + RISE_MAX_PCT, min(last_pct + risen_pct, ELONGATION_MAX_PCT))
    return Expectation(
        least=(new_pitches - 2 * new_u_pitches) / (1 + most_pct / 100),
        likely=new_pitches / (1 + likely_pct / 100),
        most=(new_pitches + 2 * new_u_pitches) / (1 + least_pct / 100),
    )


class Whole(NamedTuple):
    """N, and whether the alternation had to tell the whole number, the chain's past leaving it open."""

    pitches_between: float
    by_alternation: bool


def pitches_between(
    lag_pitches: float,
    expected: Expectation,
    new_pitches: float,
    alternation: tuple[float, float] | None = None,
) -> Whole | NotMeasured:
    """Return N, the pitches between the sensors: the lag and the one whole number that fits.

    The chain's past decides where it leaves one number. Where it leaves more, or none (a long outage), the
    alternation of long and short links does, if it leaves one; else there is none.

    Args:
        lag_pitches: fractional part of N, 0 <= lag < 1.
        expected: from `expect_pitches`.
        new_pitches: N_new, > 0.
        alternation: elongation by alternation and its standard uncertainty, per cent; None: not known.
    """
    found = _only_whole(lag_pitches, expected.least, expected.most)
    if not isinstance(found, NotMeasured):
        return Whole(found, by_alternation=False)
    if alternation is None:
        return found
    worn_pct, reach_pct = alternation[0], ALTERNATION_COVERAGE * alternation[1]
    least = new_pitches / (1 + min(worn_pct + reach_pct, ELONGATION_CREDIBLE_PCT) / 100)
    by_it = _only_whole(lag_pitches, least, new_pitches / (1 + (worn_pct - reach_pct) / 100))
    return found if isinstance(by_it, NotMeasured) else Whole(by_it, by_alternation=True)


def _only_whole(lag_pitches: float, least: float, most: float) -> float | NotMeasured:
    """The lag and the one whole number that lies in the range, or that none or more than one does."""
    lowest = math.ceil(least - lag_pitches)
    highest = math.floor(most - lag_pitches)
    if lowest > highest:
        return NotMeasured.OUT_OF_RANGE
    if lowest < highest:
        return NotMeasured.AMBIGUOUS
    return lag_pitches + lowest
