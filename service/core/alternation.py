"""The independent check: elongation from the long and short intervals of ONE sensor.

Pins sit in the outer plates and bushes in the inner ones, so inner links keep their pitch and outer links grow by
twice the mean: with delta the wear of a joint, rollers pass at intervals of p and p + 2 delta in turn. Half their
difference over their mean is a = delta / (p + delta) = e / (1 + e). No spacing, no baseline, no whole pitch is in it.
It is less exact than the lag (a difference of two intervals, not a sum over many pitches), so it checks a reading and is
not one.

Elongation is counted against nominal, and links are not made to nominal. With inner links made longer by i, outer ones by
o, and wear w, all as means over the pitch, e = (i + o) / 2 + w, while half the difference is (o - i) / 2 + w = e - i. So
what inner links were made over nominal is added: it is not known of this chain, but bounded. What outer ones were is in
the difference.

Which links are the longer ones is not known, so half the difference is taken as >= 0. That is wrong only where inner links
were made longer and are still: then o + 2 w < i, and the two estimates, i0 + |e - i| and i0 + (e - i), are off by the same
on the whole (of a new chain i0 - i or i0 - o, whichever link is the shorter; both have the same mean square). The stated
uncertainty therefore holds for a new chain too.

Knows pulse times and pitches; must not know the lag.
"""

import math
from dataclasses import dataclass

import numpy as np

from service.core.train import Times

# What inner links were made over nominal: 0 to 0.15 %, the tolerance on the length of new chain (ISO 606, from memory), each
# kind of link having its own place in it (common practice, no source). Middle and rectangle (JCGM 100:2008, 4.3.7).
INNER_MADE_PCT = 0.15 / 2
INNER_MADE_U_PCT = 0.15 / math.sqrt(12.0)
# The driver moves the strand unevenly within a pitch, and differently for a long and a short link; what that adds to or
# takes from the alternation is at most 6.9 / z^2 of the elongation, and 4.1 / z^2 as root mean square over all places of
# the sensor: by simulation of links as chords on the pitch circle, 11 to 25 teeth (tests/core/test_alternation.py).
POLYGON_SHARE = 4.1


@dataclass(frozen=True, slots=True)
class Alternation:
    """By how much long and short intervals differ: half the difference over the mean, >= 0; u is its scatter's."""

    ratio: float
    u: float


def measure_alternation(times_s: Times, *, own_clock: bool = False) -> Alternation:
    """Return the alternation of one train.

    The mean of (t_odd - t_even) / 2 over pairs of intervals, over the mean interval, less what a steady change of
    speed adds (half the change of the interval from pitch to pitch). Neighbouring pairs share a pulse, so that their
    mean varies more than that of unrelated pairs: by 4/3 for jitter alone. On a clock made of the train itself by
    (1, 2, 1) / 4 jitter is damped by sin^2(w / 2) but for alternation (w = pi), and it is by 64/35: the mean over all w
    of (1 - cos w)^2 is 3/2, and of (1 - cos w)^4 / 4 it is 35/32, against 2.

    Args:
        times_s: shape (k,), k >= 8, seconds, increasing, one time for each joint in turn.
        own_clock: the times are on such a clock.
    """
    intervals = times_s[1:] - times_s[:-1]
    pairs = len(intervals) // 2
    difference = intervals[1 : 2 * pairs : 2] - intervals[0 : 2 * pairs : 2]
    mean = float(difference.sum()) / pairs
    variance = max(0.0, float(difference.dot(difference)) / pairs - mean * mean)
    period_s = float(times_s[2 * pairs] - times_s[0]) / (2 * pairs)
    first_s = float(times_s[2] - times_s[0])
    last_s = float(times_s[2 * pairs] - times_s[2 * pairs - 2])
    change_s = (last_s - first_s) / 4 / max(1, pairs - 1)  # of the interval, from one pitch to the next
    ratio = (mean - change_s) / (2 * period_s)
    return Alternation(
        abs(ratio), math.sqrt((64 / 35 if own_clock else 4 / 3) * variance / pairs) / (2 * period_s)
    )


def elongation_by_alternation(alternation: Alternation, driver_teeth: int | None) -> tuple[float, float]:
    """Return the elongation against nominal by alternation and its standard uncertainty, both per cent.

    a = (e - i) / (1 + e), so e = (a + i) / (1 - a), i what inner links were made over nominal. The uncertainty holds the
    scatter, that of i, and the polygon effect, which stretches or shrinks the difference with the slope of the strand's
    motion at the sensor.

    Args:
        alternation: of one sensor.
        driver_teeth: of the sprocket that pulls the strand; None: 11.
    """
    ratio = min(alternation.ratio, 0.5)
    elongation = (ratio + INNER_MADE_PCT / 100) / (1 - ratio)
    polygon = ratio / (1 - ratio) * _polygon_share(driver_teeth)
    scatter = alternation.u / (1 - ratio) ** 2
    return 100 * elongation, 100 * math.hypot(scatter, polygon, INNER_MADE_U_PCT / 100)


def _polygon_share(driver_teeth: int | None) -> float:
    return POLYGON_SHARE / (driver_teeth or 11) ** 2


def against_nominal(grown_pct: float) -> float:
    """Return the elongation against nominal where outer links outgrew inner ones by so much of inner ones, per cent."""
    return grown_pct + INNER_MADE_PCT * (1 + grown_pct / 100)


def combined(
    first: tuple[float, float], second: tuple[float, float], driver_teeth: int | None
) -> tuple[float, float]:
    """Return the mean of both sensors' elongation by alternation and its standard uncertainty, per cent.

    They see the same links, so what inner ones were made over nominal is in both and does not average out. Nor is the polygon
    effect taken to: with a whole number of pitches between the sensors it is the same at both. What is left of either
    uncertainty is scatter, of its own times, and averages out (JCGM 100:2008, 5.2.2, from memory).

    Args:
        first: what `elongation_by_alternation` gave of one sensor.
        second: of the other.
        driver_teeth: that was given to it.
    """
    made_u = INNER_MADE_U_PCT
    polygons = [max(0.0, each[0] - INNER_MADE_PCT) * _polygon_share(driver_teeth) for each in (first, second)]
    scatters = [
        max(0.0, u_pct**2 - made_u**2 - polygon**2)
        for (_, u_pct), polygon in zip((first, second), polygons, strict=True)
    ]
    u_pct = math.sqrt(made_u**2 + (sum(polygons) / 2) ** 2 + sum(scatters) / 4)
    return (first[0] + second[0]) / 2, u_pct


def fits(elongation_pct: float, u_pct: float, alternation: tuple[float, float], coverage: float) -> bool:
    """Whether a value agrees with the alternation within `coverage` combined standard uncertainties."""
    return abs(elongation_pct - alternation[0]) <= coverage * float(np.hypot(u_pct, alternation[1]))
