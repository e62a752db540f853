"""The links of a chain, each with its own elongation: what the sums of a `ChainMap` say.

Knows sums of joints and the pitches between the sensors; must not know pulses, nor what is a fault (`chain_faults`).

Two rows are known of each joint: its PLACE on a smoothed count when it passed `up`, and how many pitches lay between the
sensors (APART) when it passed `down`. PLACE holds the links and what speed did within some tens of pitches. APART holds no
speed at all, since both sensors see the same motion, but only the difference of what passes `up` and `down` together.
With x the places of the joints along the chain, w what speed added at `up` (or the driver, which may follow its own
links), H the delay by the pitches between, and G what the clock smooths away, each harmonic of the loop has

    PLACE = (1 - G) (x - w + noise of up)        APART = x - H x + noise of down - H (noise of up)

and so each sensor's own row of places is

    up = PLACE / (1 - G) = x - w + noise         down = APART + H up = x - H w + noise

Two equations, two unknowns. up - down shows w, the mean of both holds w (1 + H) / 2. The best linear unbiased estimate
takes off as much of it as up - down shows above its noise. Where APART sees a harmonic it so settles it, whatever the
speed did; where it is blind (harmonics that repeat with the spacing) the mean of both sensors is left. A long worn
section, which changes of speed would hide, comes from APART; a single link, which the spacing would repeat round the
loop, comes mostly from PLACE. Polygon action is the same for every joint to first order, and drops out.
"""

import math
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from service.core.alternation import POLYGON_SHARE
from service.core.chain_map import ChainMap, Sums, long_and_short
from service.core.passage import APART, CLOCK, CLOCK_HALF, PLACE

Floats = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]
Modes = npt.NDArray[np.complex128]

_TEETH_UNKNOWN = 11  # of the driver, where nobody gave them: a small one
LAPS_MIN = 3.0  # before a map is shown
_ROUNDS_MAX = 12
_SETTLED = 1e-5  # pitches
_BESIDE = 9  # joints: each is held against a straight line through so many
_DISPLACED = 6.0  # times its noise, by which a joint must lie otherwise at one sensor than at the other


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LinkMap:
    """Each link's own elongation. Arrays have shape (pitches,); link j lies between joints j and j + 1.

    `u_pct` is that of a link against the chain's mean; the mean's own, that of the reading, shifts all alike.
    `sign`: 1 for links of the long kind, -1 for the short, 0 for the cranked one of an odd loop. On rollers or
    bushes outer links are the long ones, on pins or plates inner ones.
    `displaced_pct`: by how much later in its row a joint comes at `up` than at `down`, per cent of pitch; 0 for nearly all.
    `harmonics`: shape (pitches // 2 + 1,), variance of the joints' places in each harmonic, pitches squared.
    """

    elongation_pct: Floats
    u_pct: Floats
    sign: Floats
    displaced_pct: Floats
    displaced_u_pct: float
    harmonics: Floats
    mean_pct: float
    laps: float
    confidence: float

    @property
    def pitches(self) -> int:
        """Pitches in the loop."""
        return len(self.elongation_pct)

    def run_u_pct(self, links: int) -> float:
        """Return the standard uncertainty of the mean elongation of so many links in a row, per cent."""
        turn = 2 * math.pi * np.arange(len(self.harmonics)) / self.pitches
        ends = 4 * np.sin(turn * links / 2) ** 2  # the two end joints of the run
        variance = float((_both_sides(self.pitches) * ends * self.harmonics).sum()) / self.pitches**2
        return 100 * (1 + self.mean_pct / 100) * math.sqrt(variance) / links


def map_of(chain_map: ChainMap, mean_pct: float, driver_teeth: int | None = None) -> LinkMap | None:
    """Return each link's elongation with its standard uncertainty; None before LAPS_MIN laps of nearly all joints.

    Beyond noise, the uncertainty of a link holds what polygon action does to its difference from the mean.

    Args:
        chain_map: as folded so far. While its place is lost, the map is the one from before.
        mean_pct: mean elongation of the chain now, per cent, from its readings.
        driver_teeth: of the sprocket that pulls the strand; None: 11.
    """
    known = chain_map.known
    if known.laps < LAPS_MIN or not known.whole:
        return None
    solved = _solve(known, chain_map.pitches_between)
    stretch = 1 + mean_pct / 100
    counts = np.maximum(known.count.sum(axis=0), 0.5)
    thin = (1 / counts + np.roll(1 / counts, -1)) / 2  # links at joints that were seldom seen are less sure
    links = np.roll(solved.places, -1) - solved.places
    sign, swing = long_and_short(links, np.ones(len(links)))
    found = LinkMap(
        elongation_pct=100 * (stretch * (1 + links) - 1),
        u_pct=np.zeros(len(links)),
        sign=sign if swing >= 0 else -sign,
        displaced_pct=100 * stretch * solved.displaced,
        displaced_u_pct=100 * stretch * math.sqrt(2 * solved.noise),
        harmonics=solved.harmonics,
        mean_pct=mean_pct,
        laps=known.laps,
        confidence=chain_map.confidence,
    )
    noise_pct = found.run_u_pct(1) * np.sqrt(thin / float((1 / counts).mean()))
    slope = POLYGON_SHARE / (driver_teeth or _TEETH_UNKNOWN) ** 2
    unseen = known.count.sum(axis=0) == 0
    guessed = np.where(
        unseen | np.roll(unseen, -1), links.std(), 0.0
    )  # only both links of that joint together are known
    others = np.hypot(slope * links, guessed)
    return replace(found, u_pct=np.hypot(noise_pct, 100 * stretch * others))


def behind_up(chain_map: ChainMap, link: int) -> int | None:
    """Return how many links pass `up` before this one begins to, from the last batch on; None while the place is lost.

    Joint `link` is then at `up`: with the drive stopped and locked out, count from the sensor against the travel.
    """
    if chain_map.lost or chain_map.at_ns is None:
        return None
    return (link - chain_map.joint) % chain_map.pitches_in_loop


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Solved:
    """Places of the joints against an even chain, pitches; what differs between the sensors; and how sure that is."""

    places: Floats  # shape (pitches,)
    displaced: Floats  # shape (pitches,)
    harmonics: Floats  # shape (pitches // 2 + 1,)
    noise: float  # variance of a joint's mean at one sensor, pitches squared


def _solve(sums: Sums, pitches_between: float) -> _Solved:
    """The places of the joints that explain both rows, by the estimate at the top of this module.

    The equations there hold for small differences. Each round takes the rows that the places so far would give exactly
    (`_rows_of`) off those that were measured and solves for what is left.
    """
    pitches = sums.count.shape[1]
    seen = sums.count > 0
    means = sums.means()
    whole, part = divmod(pitches_between, 1.0)
    turn = 2 * math.pi * np.arange(pitches // 2 + 1) / pitches
    smoothed = CLOCK @ np.cos(np.outer(np.arange(-CLOCK_HALF, CLOCK_HALF + 1), turn))
    delay: Modes = np.exp(1j * turn * whole) * (1 - part + part * np.exp(1j * turn))
    alone = (
        1 + part**2 + (1 - part) ** 2
    )  # a value of `apart` holds one pulse's noise and that of two, weighted
    noise = sums.noise(APART) / alone * float((1 / np.maximum(sums.count, 0.5)).mean())
    places, displaced, harmonics = np.zeros(pitches), np.zeros(pitches), np.zeros(len(turn))
    for _ in range(_ROUNDS_MAX):
        left = np.where(seen, means - _rows_of(places, pitches_between), 0.0)
        left -= left.sum(axis=1, keepdims=True) / seen.sum(axis=1, keepdims=True)
        rows = np.fft.rfft(left * seen)
        up = np.zeros(len(turn), dtype=np.complex128)
        up[1:] = rows[PLACE, 1:] / (1 - smoothed[1:])
        down = rows[APART] + delay * up
        apart = up - down
        displaced = _displaced(np.fft.irfft(apart, pitches), noise)
        apart -= np.fft.rfft(displaced)
        correction, harmonics = _weigh(apart, delay, noise * pitches)
        estimate = (up + down) / 2 + correction * apart
        estimate[0] = 0.0
        step = np.fft.irfft(estimate, pitches)
        places = _bridged(places + step, seen)
        if float(np.abs(step).max()) < _SETTLED:
            break
    return _Solved(places=places, displaced=displaced, harmonics=harmonics, noise=noise)


def _bridged(places: Floats, seen: Bools) -> Floats:
    """The places, with joints that neither sensor ever saw put half way between their neighbours."""
    unseen = ~seen.any(axis=0)
    if not unseen.any():
        return places
    joints = np.arange(len(places))
    return np.interp(joints, joints[~unseen], places[~unseen], period=len(places))


def _rows_of(places: Floats, pitches_between: float) -> Floats:
    """Both rows as a chain with such places gives them at even speed without noise: shape (2, pitches)."""
    pitches = len(places)
    reach = 2 * CLOCK_HALF + 2
    joints = np.arange(-reach, pitches + math.ceil(pitches_between) + reach)
    times = joints + places[joints % pitches]
    clock = np.convolve(times, CLOCK, "valid")
    passing = np.arange(pitches) + places
    place = np.interp(passing, clock, joints[CLOCK_HALF:-CLOCK_HALF])
    apart = np.interp(passing + pitches_between, times, joints) - pitches_between
    return np.stack((place, apart)) - np.arange(pitches)


def _displaced(apart: Floats, noise: float) -> Floats:
    """By how much single joints lie later at `up` than at `down`, pitches, 0 for nearly all: shape (pitches,).

    Speed moves neighbours together; a joint that stands out alone was itself in another place at the other sensor.
    """
    half = _BESIDE // 2
    around = np.concatenate((apart[-half:], apart, apart[:half]))
    windows = np.lib.stride_tricks.sliding_window_view(around, _BESIDE)
    slope = np.median(windows[:, 1:] - windows[:, :-1], axis=1)
    level = np.median(windows - slope[:, None] * np.arange(-half, half + 1), axis=1)
    alone = apart - level
    spread = max(1.4826 * float(np.median(np.abs(alone))), math.sqrt(2 * noise))
    return np.where(np.abs(alone) > _DISPLACED * spread, alone, 0.0)


def _weigh(apart: Modes, delay: Modes, noise: float) -> tuple[Modes, Floats]:
    """What to add to the mean of both sensors for each unit of their difference, and the variance then left.

    The difference of the sensors is w (H - 1) and two sensors' noise; the mean holds -w (1 + H) / 2. The variance of w is
    what the difference shows above noise, over seven neighbouring harmonics. At the highest harmonic of an even
    loop speed does not alternate from joint to joint, and w is 0.
    """
    lever = np.abs(delay - 1) ** 2
    harmonic = np.arange(1, len(delay), dtype=np.float64)
    steep = harmonic**2  # w falls steeply with the harmonic: its low ones must not stand for their neighbours
    excess = np.convolve(steep * (np.abs(apart[1:]) ** 2 - 2 * noise), np.ones(7), "same")
    levers = np.convolve(steep * lever[1:], np.ones(7), "same")
    speed = np.zeros(len(delay))
    speed[1:] = np.maximum(excess, 0.0) / np.maximum(levers, 1e-9)
    if abs(delay[-1].imag) < 1e-9:
        speed[-1] = 0.0
    shared = speed / np.maximum(lever * speed + 2 * noise, 1e-300)
    correction: Modes = (1 + delay) / 2 * np.conj(delay - 1) * shared
    return correction, noise * (0.5 + np.abs(1 + delay) ** 2 / 2 * shared)


def _both_sides(pitches: int) -> Floats:
    """How often each harmonic of a real series counts in its sum of squares: twice but for the first and an even last."""
    times = np.full(pitches // 2 + 1, 2.0)
    times[0] = 1.0
    if pitches % 2 == 0:
        times[-1] = 1.0
    return times
