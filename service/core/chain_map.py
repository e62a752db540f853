"""The map of a chain: what many laps of both sensors' pulses say of each joint, and which joint is where.

Knows pulse times, the number of pitches in the loop and the pitches between the sensors; must not know drives, stores or
the wire. Pure: what was folded so far comes in as a `ChainMap` and goes out as one. How long each link is follows from
it in `link_map`, and what is wrong with the chain in `chain_faults`.

Keeping the place. From batch to batch joints are counted on, over gaps of up to four pitches. After a longer gap the
batch's own pattern is laid over the map in every way round: how the pitches between the sensors change from joint to
joint, and which links are long. The place is taken only if it is a thousand times likelier than all others together
and than another chain. Until then what comes is folded apart (`sought`) and joined to the map as soon as that is sure;
so a chain whose links are much alike is found again after some laps instead of one. Nothing is folded at a guess.
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from enum import StrEnum
from typing import Any, Self

import numpy as np
import numpy.typing as npt

from service.core.passage import APART, PLACE, Passage, passages
from service.core.train import Times

Floats = npt.NDArray[np.float64]
Modes = npt.NDArray[np.complex128]

PITCHES_MIN = 12  # a loop shorter than that has no pattern to speak of
_LAPS_TO_REFUSE = 3.0  # folded since the place was lost, before they may be called another chain
_LAPS_TO_GIVE_UP = 300.0  # or _LAPS_TO_REFUSE times those of the old map, before a new one takes its place
_LAPS_TO_JUDGE = 5.0  # of a joint, before one value of it may be called a stray
_STRAY = 8.0  # noises
LAPS_KEPT = 1000.0  # older laps fade, so that the map follows the wear
SURE = 0.999  # least probability of a place that was found by its pattern
SURE_COUNTED = 0.98  # of one that was counted on; the pattern need only not speak against it
_LAPS_ODD = 4.0  # of an odd loop, before the place of its cranked link is sure
_SEEN_MIN = 0.95  # of all joints, before a pattern can be laid over the map
_OVERLAP_MIN = 12  # joints that two folds must share to be brought to one level
# Neighbouring values share pulses: so much of each one's weight is its own.
_OWN_WEIGHT = 0.5
_PAIR_NOISE = 0.55  # variance of the mean of two neighbours of `apart` against one's: 1/2 to 7/12 by the lag
_NOISE_MARGIN = 1.3  # by which noise may be larger than its estimate before it speaks against a chain
_CRANKED_REACH = 6  # links on each side of where the cranked link of an odd loop seems to be
# A gap up to so many pitches is counted over if the count misses a whole number by no more than so many pitches (more,
# and a clock was set, or the chain stopped in between); and how far that is to be trusted.
_COUNTED = ((4.0, 0.25, 0.9999), (8.0, 0.15, 0.99))
_GAP_TRUST = 0.95  # of the mean speed's answer for a longer one
_SPEED_U = 0.02  # relative uncertainty of the mean speed over a gap
# Probability, before the pattern is looked at, that it is another chain (or a repaired one).
_OTHER_RUNNING, _OTHER_SOON, _OTHER_LATER = 1e-9, 1e-3, 0.2
_SOON_PITCHES = 100.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Sums:
    """For each row (`place`, `apart`) and joint: how many values, their sum, and the sum of their squares.

    Each shape (2, pitches in the loop); counts may be fractions, since old laps fade.
    """

    count: Floats
    total: Floats
    square: Floats

    @classmethod
    def none(cls, pitches: int) -> Self:
        """Return sums of nothing."""
        return cls(count=np.zeros((2, pitches)), total=np.zeros((2, pitches)), square=np.zeros((2, pitches)))

    @classmethod
    def of(cls, passage: Passage, pitches: int) -> Self:
        """Return the sums of one passage, its first pulse of `up` being joint 0."""
        rows = []
        for joints, values in zip(passage.joints, passage.values, strict=True):
            joint = joints % pitches
            rows.append(
                (
                    np.bincount(joint, minlength=pitches).astype(np.float64),
                    np.bincount(joint, values, pitches),
                    np.bincount(joint, values * values, pitches),
                )
            )
        count, total, square = (np.stack(column) for column in zip(*rows, strict=True))
        return cls(count=count, total=total, square=square)

    def plus(self, part: "Sums", shift: int, level: float) -> "Sums":
        """Return the sums with those of `part` added, whose joint 0 is our joint `shift`.

        `level`: pitches by which the part's `apart` lies above ours; it is taken off.
        """
        count, total, square = (
            np.roll(values, shift, axis=1) for values in (part.count, part.total, part.square)
        )
        square[APART] += level * (level * count[APART] - 2 * total[APART])
        total[APART] -= level * count[APART]
        total, square = self._drawn_in(count, total, square)
        count += self.count
        keep = min(1.0, LAPS_KEPT / float(count[APART].mean()))
        return Sums(
            count=count * keep, total=(total + self.total) * keep, square=(square + self.square) * keep
        )

    def _drawn_in(self, count: Floats, total: Floats, square: Floats) -> tuple[Floats, Floats]:
        """Sums to be added, no farther from our means than _STRAY noises where we have laps enough to say.

        A stray pulse, or one lap numbered wrongly, so does little; a joint that has really changed comes through in time.
        """
        noise = np.array([[self.noise(PLACE)], [self.noise(APART)]])
        reach = _STRAY * np.sqrt(noise * count)
        moved = total - count * self.means()
        drawn = np.where(self.count >= _LAPS_TO_JUDGE, np.clip(moved, -reach, reach) - moved, 0.0)
        share = np.divide(drawn, count, out=np.zeros_like(drawn), where=count > 0)
        return total + drawn, square + share * (2 * total + drawn)

    @property
    def laps(self) -> float:
        """How often the average joint was seen at `down`."""
        return float(self.count[APART].mean())

    @property
    def whole(self) -> bool:
        """Whether nearly every joint was seen, so that a pattern can be laid over it.

        In an odd loop some laps more, for the place of the cranked link to be sure.
        """
        if self.count.shape[1] % 2 and self.laps < _LAPS_ODD:
            return False
        return float((self.count[APART] > 0).mean()) >= _SEEN_MIN

    def means(self) -> Floats:
        """Return the mean of each row and joint, 0 where nothing was seen: shape (2, pitches)."""
        return np.divide(self.total, self.count, out=np.zeros_like(self.total), where=self.count > 0)

    def noise(self, row: int) -> float:
        """Return the variance of a single value of a row about the mean of its joint, pitches squared.

        From lap to lap where there are laps enough; else from joints two apart, which takes the links' own
        differences for noise and so is rather too large.
        """
        count, total = self.count[row], self.total[row]
        seen = count > 0
        means = np.divide(total, count, out=np.zeros_like(total), where=seen)
        more = float(np.maximum(count - 1.0, 0.0).sum())
        if more >= len(count) / 2:
            return max(1e-12, float(self.square[row].sum() - means.dot(total)) / more)
        both = seen[2:] & seen[:-2]
        if np.count_nonzero(both) < 3:
            return 1e-4
        steps = (means[2:] - means[:-2])[both]
        return max(1e-12, float((steps * steps / (1 / count[2:][both] + 1 / count[:-2][both])).mean()))

    def to_dict(self) -> dict[str, list[list[float]]]:
        """Return plain lists."""
        return {"count": self.count.tolist(), "total": self.total.tolist(), "square": self.square.tolist()}

    @classmethod
    def from_dict(cls, fields: Mapping[str, Any], pitches: int) -> Self:
        """Return what `to_dict` gave. Raises ValueError, KeyError or TypeError where it is something else."""
        rows = [np.array(fields[name], dtype=np.float64) for name in ("count", "total", "square")]
        if any(row.shape != (2, pitches) or not np.isfinite(row).all() for row in rows):
            raise ValueError(f"sums of another loop than {pitches} pitches")
        return cls(count=rows[0], total=rows[1], square=rows[2])


# --- the place ----------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Pattern:
    """What two folds are compared by: for each link which are long, for each joint the mean of two of `apart`.

    `values`, `weights`: shape (2, pitches), values about their mean, 0 where the weight is 0.
    """

    values: Floats
    weights: Floats
    level: float  # the mean that was taken off `apart`

    @classmethod
    def of(cls, sums: Sums) -> "_Pattern":
        """Return the pattern of some sums. The mean of two neighbours of `apart` is blind to long and short links."""
        means, count = sums.means(), sums.count
        next_means, next_count = np.roll(means, -1, axis=1), np.roll(count, -1, axis=1)
        both = count + next_count
        weights = np.divide(2 * count * next_count, both, out=np.zeros_like(both), where=both > 0)
        values = np.stack((next_means[PLACE] - means[PLACE], (means[APART] + next_means[APART]) / 2))
        levels = (values * weights).sum(axis=1) / np.maximum(weights.sum(axis=1), 1e-9)
        values = np.where(weights > 0, values - levels[:, None], 0.0)
        return cls(values=values, weights=weights, level=float(levels[APART]))


def long_and_short(values: Floats, weights: Floats) -> tuple[Floats, float]:
    """Return the sign of each link (1 and -1 in turn, 0 the cranked one of an odd loop) and the mean of sign x value.

    In an odd loop the cranked link is put where the rest alternates most. Both arguments: shape (pitches,).
    """
    pitches = len(values)
    sign = np.where(np.arange(pitches) % 2, -1.0, 1.0)
    if pitches % 2:
        running = np.cumsum(sign * values * weights)
        contrast = np.abs(running[-1] - 2 * running + sign * values * weights)
        cranked = int(np.argmax(contrast))
        sign[:cranked] *= -1.0
        sign[cranked] = 0.0
    return sign, float((sign * values * weights).sum() / max(float(weights.sum()), 1e-9))


def _expected(known: Sums, pitches_between: float) -> tuple[Floats, Floats, float, float]:
    """What a fold at the map's own place should show: (values, seen, level, variance left in `apart`).

    Of the links only which are long; of `apart` its pattern, drawn towards its mean as far as it may be noise. By the
    cranked link of an odd loop every chain of that length looks the same: it tells the place but not which
    chain it is, so `apart` is left out there.
    """
    pattern = _Pattern.of(known)
    values, weights = pattern.values, pattern.weights
    sign, swing = long_and_short(values[PLACE], weights[PLACE])
    swing_variance = 2 * known.noise(PLACE) / max(float(weights[PLACE].sum()), 1e-9)
    swing *= max(0.0, 1 - swing_variance / max(swing * swing, 1e-30))
    seen = np.ones_like(weights)
    if len(sign) % 2:
        cranked, reach = int(np.flatnonzero(sign == 0)[0]), np.arange(-_CRANKED_REACH, _CRANKED_REACH + 1)
        seen[:, (cranked + reach) % len(sign)] = 0.0
        seen[APART, (cranked - round(pitches_between) + reach) % len(sign)] = 0.0
    seen[APART, weights[APART] == 0] = 0.0
    noise = _PAIR_NOISE * known.noise(APART) / np.maximum(weights[APART], 1e-9)
    joints = max(1.0, float(seen[APART].sum()))
    own = max(0.0, float(((values[APART] ** 2 - noise) * seen[APART]).sum()) / joints)
    share = own / (own + noise + 1e-30)
    left = float((share * noise * seen[APART]).sum()) / joints
    return np.stack((sign * swing, share * values[APART])) * seen, seen, pattern.level, left


def _evidence(part: Sums, known: Sums, pitches_between: float) -> tuple[Floats, Floats]:
    """How much likelier the part is as the known chain, laid on from each joint, than as another chain.

    Returns natural logarithms of odds, and the levels of the part's `apart` above the map's; both shape (pitches,).
    All ways round are weighed against each other by what each leaves unexplained (in units of the noise, or of what the best
    leaves); the best of them against a chain whose pattern is not ours, with the noise that both folds state.
    """
    expected, seen, level, left = _expected(known, pitches_between)
    pattern = _Pattern.of(part)
    values, weights = pattern.values, pattern.weights
    pitches = values.shape[1]
    ours = np.conj(np.fft.rfft(np.stack((weights, weights * values, weights * values**2, np.sign(weights)))))
    theirs = np.fft.rfft(np.stack((seen, expected, expected**2)))
    products = ((0, 0), (1, 0), (2, 0), (3, 0), (0, 1), (1, 1), (0, 2))
    weight, mean, square, joints, mean_there, product, square_there = np.fft.irfft(
        np.stack([ours[one] * theirs[other] for one, other in products]), pitches
    )
    weight, joints = np.maximum(weight, 0.5), np.maximum(joints, 1.0)
    levels = (mean - mean_there) / weight
    unexplained = square - 2 * product + square_there - levels**2 * weight
    mean_weight = float(weights[APART].sum()) / max(1.0, float(np.count_nonzero(weights[APART])))
    noise = _NOISE_MARGIN * (_PAIR_NOISE * part.noise(APART) + mean_weight * left)
    per_joint = unexplained / joints
    scales = (
        max(2 * part.noise(PLACE), float(per_joint[PLACE].min())),
        max(noise, float(per_joint[APART].min())),
    )
    too_much = unexplained / np.array(scales)[:, None] - joints  # each joint should leave one unit
    odds = -too_much.sum(axis=0) / 2
    best = int(np.argmax(odds))
    spread = float((square - mean**2 / weight)[APART, best] / joints[APART, best])
    gain = max(0.0, math.log(spread / noise)) * _independent(theirs[1, APART], noise)
    best_odds = float(joints[APART, best]) / 2 * (gain + 1 - float(per_joint[APART, best]) / noise)
    return _OWN_WEIGHT * (odds - odds[best] + best_odds), levels[APART] + pattern.level - level


def _independent(pattern: Modes, noise: float) -> float:
    """How much of what a pattern would tell if its joints were unlike each other it tells, 0 to 1.

    The pitches between the sensors change slowly from joint to joint, so that another chain may match by chance in
    most of them at once. Each harmonic tells the logarithm of its power over the noise; many joints that go together
    have it in few harmonics.

    Args:
        pattern: real Fourier transform of the pattern.
        noise: variance of a joint's value.
    """
    power = np.convolve(np.abs(pattern) ** 2, np.full(5, 0.2), "same") / (2 * len(pattern) - 1) / noise
    return float(np.log1p(power).mean() / max(math.log1p(float(power.mean())), 1e-12))


@dataclass(frozen=True, slots=True, kw_only=True)
class Placing:
    """Where a fold lies on the map: its joint 0 is the map's joint `joint`."""

    joint: int
    confidence: float  # probability of that joint, 0 to 1
    other: float  # probability that it is another chain
    level: float  # by which the fold's `apart` lies above the map's, pitches


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Prior:
    """What is known of the place before the pattern is looked at."""

    joints: Floats  # shape (pitches,), probability of each
    other: float
    counted: bool = False

    @classmethod
    def anywhere(cls, pitches: int, other: float = _OTHER_LATER) -> "_Prior":
        """Return: any joint is as likely as any other."""
        return cls(joints=np.full(pitches, 1.0 / pitches), other=other)

    @classmethod
    def counted_on(cls, pitches: int, joint: float, gap_pitches: float) -> "_Prior":
        """Return the prior where the count, carried over a gap at the mean speed, says `joint` (a fraction).

        Over few pitches it is sure, unless it misses a whole number, which says that a clock was set between.
        """
        other = _OTHER_SOON if abs(gap_pitches) < _SOON_PITCHES else _OTHER_LATER
        off_whole = abs(joint - round(joint))
        near = next((row for row in _COUNTED if 0 <= gap_pitches <= row[0]), None)
        u_pitches = 0.1 + _SPEED_U * gap_pitches
        if gap_pitches < 0 or u_pitches > pitches or (near and off_whole > near[1]):
            return cls.anywhere(pitches, other)
        off = (np.arange(pitches) - joint + pitches / 2) % pitches - pitches / 2
        chance = np.exp(-0.5 * (off / u_pitches) ** 2)
        if float(chance.sum()) < 1e-30:
            return cls.anywhere(pitches, other)
        if near:
            chance = (np.abs(off) == np.abs(off).min()).astype(np.float64)
        trust = near[2] if near else _GAP_TRUST
        chance = trust * chance / float(chance.sum()) + (1 - trust) / pitches
        return cls(joints=chance, other=_OTHER_RUNNING if near else other, counted=near is not None)


def _place_of(part: Sums, known: Sums, prior: _Prior, pitches_between: float) -> Placing:
    """Where a part lies on what is known. Before nearly every joint was seen only the count can say."""
    if not known.whole:
        joint = int(np.argmax(prior.joints))
        level = _level(part, known, joint)
        return Placing(joint=joint, confidence=float(prior.joints[joint]), other=0.0, level=level)
    odds, levels = _evidence(part, known, pitches_between)
    likely = np.log(prior.joints) + odds
    joint = int(np.argmax(likely))
    top = max(float(likely[joint]), math.log(prior.other))
    other = math.exp(math.log(prior.other) - top)
    total = float(np.exp(likely - top).sum()) + other
    return Placing(
        joint=joint,
        confidence=math.exp(float(likely[joint]) - top) / total,
        other=other / total,
        level=float(levels[joint]),
    )


def _level(part: Sums, known: Sums, joint: int) -> float:
    """By how much the part's `apart` lies above the known one's where both saw a joint; 0 with too few of these."""
    both = (np.roll(part.count[APART], joint) > 0) & (known.count[APART] > 0)
    if np.count_nonzero(both) < _OVERLAP_MIN:
        return 0.0
    return float((np.roll(part.means()[APART], joint) - known.means()[APART])[both].mean())


# --- folding ------------------------------------------------------------------------------------------


class Place(StrEnum):
    """How a batch was placed on the map, the worse the further down."""

    NOTHING = "nothing"  # no stretch long enough; nothing was folded
    COUNTED = "counted"  # counted on from the batch before
    FOUND = "found"  # found by its pattern
    BEGUN = "begun"  # the map begins with it: joint 0 is its first pulse of `up`
    SOUGHT = "sought"  # the place is lost: not sure yet; kept apart until it is
    BEGUN_AGAIN = "begun_again"  # the place on the old map could not be found; a new map was begun
    OTHER = "other"  # the pattern is another one: another chain, or a repair; a new map was begun


_WORSE = list(Place)


@dataclass(frozen=True, slots=True, kw_only=True)
class Folded:
    """What became of a batch."""

    place: Place
    confidence: float  # probability of the place, 0 to 1
    joint: int | None  # the map's number of the joint that passed `up` last; None while the place is lost
    laps: float  # folded from this batch, on average over the joints

    @property
    def lost(self) -> bool:
        """Whether the place on the map from before was lost."""
        return self.place in {Place.SOUGHT, Place.BEGUN_AGAIN, Place.OTHER}


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ChainMap:
    """What was folded of one chain so far, and where it is. `begin` makes an empty one, `fold` the next.

    Joints are numbered from 0 in the order in which they pass `up`; link j lies between joints j and j + 1.
    `sought`: sums since the place was lost, joint 0 of its own; None while it is not. `joint`: the last to
    pass `up`, at `at_ns`, numbered as in `sought` if there is one, else as in `known`.
    """

    pitches_in_loop: int
    known: Sums
    sought: Sums | None = None
    joint: int = 0
    at_ns: int | None = None
    period_s: float = 0.0
    pitches_between: float = 0.0
    confidence: float = 0.0

    @property
    def lost(self) -> bool:
        """Whether it is not known which joint is where."""
        return self.sought is not None

    def to_dict(self) -> dict[str, Any]:
        """Return plain numbers and lists, for a store; `from_dict` reads them back."""
        return {
            "v": 1,
            "pitches_in_loop": self.pitches_in_loop,
            "known": self.known.to_dict(),
            "sought": None if self.sought is None else self.sought.to_dict(),
            "joint": self.joint,
            "at_ns": self.at_ns,
            "period_s": self.period_s,
            "pitches_between": self.pitches_between,
            "confidence": self.confidence,
        }

    @classmethod
    def from_dict(cls, fields: Mapping[str, Any]) -> Self:
        """Return the map that `to_dict` wrote. Raises ValueError, saying what to do, where it is none."""
        try:
            return cls._read(fields)
        except (KeyError, TypeError, ValueError, ZeroDivisionError) as error:
            raise ValueError(
                f"this is no stored map of a chain ({error!r}); begin a new one, it is folded again in some laps"
            ) from error

    @classmethod
    def _read(cls, fields: Mapping[str, Any]) -> Self:
        if fields["v"] != 1:
            raise ValueError(f"version {fields['v']}")
        pitches, at_ns, sought = int(fields["pitches_in_loop"]), fields["at_ns"], fields["sought"]
        return cls(
            pitches_in_loop=pitches,
            known=Sums.from_dict(fields["known"], pitches),
            sought=None if sought is None else Sums.from_dict(sought, pitches),
            joint=int(fields["joint"]) % pitches,
            at_ns=None if at_ns is None else int(at_ns),
            period_s=float(fields["period_s"]),
            pitches_between=float(fields["pitches_between"]),
            confidence=float(fields["confidence"]),
        )


def begin(pitches_in_loop: int) -> ChainMap:
    """Return the empty map of a chain with so many pitches. Raises ValueError below PITCHES_MIN."""
    if pitches_in_loop < PITCHES_MIN:
        raise ValueError(
            f"pitches_in_loop: {pitches_in_loop} is no loop; give the pitches of the whole chain, {PITCHES_MIN} or more"
        )
    return ChainMap(pitches_in_loop=pitches_in_loop, known=Sums.none(pitches_in_loop))


def fold(
    chain_map: ChainMap, *, up_s: Times, down_s: Times, t0_ns: int, pitches_between: float
) -> tuple[ChainMap, Folded]:
    """Return the map with one more batch folded in, and what became of that.

    Batches come in the order of time, each once; gaps between them may be of any length. A batch of a chain that ran
    backwards, or that gave no reading, is not for the map.

    Args:
        chain_map: of this chain.
        up_s: shape (n,), seconds from t0, non-decreasing.
        down_s: shape (m,), seconds from t0, non-decreasing.
        t0_ns: the instant from which they count.
        pitches_between: N as the reading of this batch has it.
    """
    if not 1 < pitches_between < math.inf:
        raise ValueError(
            f"pitches_between: {pitches_between}; give the pitches between the sensors of this batch"
        )
    places, confidence, laps = [Place.NOTHING], chain_map.confidence, 0.0
    for passage in passages(up_s, down_s, pitches_between):
        part = Sums.of(passage, chain_map.pitches_in_loop)
        chain_map, place, confidence = _fold_passage(chain_map, passage, part, t0_ns, pitches_between)
        places.append(place)
        laps += part.laps
    joint = None if chain_map.lost or chain_map.at_ns is None else chain_map.joint
    place = max(places, key=_WORSE.index)
    return chain_map, Folded(place=place, confidence=confidence, joint=joint, laps=laps)


def _fold_passage(
    chain_map: ChainMap, passage: Passage, part: Sums, t0_ns: int, pitches_between: float
) -> tuple[ChainMap, Place, float]:
    """The map with one passage folded in, how it was placed, and with what probability."""
    pitches = chain_map.pitches_in_loop
    ended = replace(chain_map, at_ns=t0_ns + round(passage.last_s * 1e9), period_s=passage.period_s)
    if chain_map.at_ns is None:
        return _begun(ended, part, passage.passed, pitches_between), Place.BEGUN, 1.0
    prior = _prior(chain_map, passage, t0_ns, pitches_between)
    known = chain_map.known if chain_map.sought is None else chain_map.sought
    placing = _place_of(part, known, prior, pitches_between)
    sure = placing.confidence >= (SURE_COUNTED if prior.counted else SURE)
    joint = (placing.joint + passage.passed) % pitches
    if sure and chain_map.sought is None:
        place = Place.COUNTED if prior.counted else Place.FOUND
        return _joined(ended, part, placing, joint, pitches_between), place, placing.confidence
    if sure and chain_map.sought is not None:
        sought = chain_map.sought.plus(part, placing.joint, placing.level)
    else:
        sought, joint = Sums.none(pitches).plus(part, 0, 0.0), passage.passed % pitches
    return _seek(replace(ended, sought=sought, joint=joint), sought, pitches_between)


def _seek(chain_map: ChainMap, sought: Sums, pitches_between: float) -> tuple[ChainMap, Place, float]:
    """Join what was folded since the place was lost to the map, if its place is sure; see also what else it may be."""
    known = chain_map.known
    placing = Placing(joint=0, confidence=0.0, other=0.0, level=0.0)
    if known.whole:
        anywhere = _Prior.anywhere(chain_map.pitches_in_loop)
        placing = _place_of(sought, known, anywhere, pitches_between)
    if placing.confidence >= SURE:
        joint = (placing.joint + chain_map.joint) % chain_map.pitches_in_loop
        found = _joined(chain_map, sought, placing, joint, pitches_between)
        return found, Place.FOUND, placing.confidence
    if placing.other >= SURE and sought.laps >= _LAPS_TO_REFUSE:
        return _begun(chain_map, sought, chain_map.joint, pitches_between), Place.OTHER, placing.other
    enough = min(_LAPS_TO_REFUSE * known.laps, _LAPS_TO_GIVE_UP) if known.whole else known.laps
    if sought.laps >= enough:
        return _begun(chain_map, sought, chain_map.joint, pitches_between), Place.BEGUN_AGAIN, 1.0
    return replace(chain_map, confidence=placing.confidence), Place.SOUGHT, placing.confidence


def _prior(chain_map: ChainMap, passage: Passage, t0_ns: int, pitches_between: float) -> _Prior:
    """What the count says of the first pulse of a passage."""
    pitches = chain_map.pitches_in_loop
    if chain_map.at_ns is None or abs(pitches_between - chain_map.pitches_between) > 0.5:
        return _Prior.anywhere(pitches)  # a sensor was moved, or the whole number is not sure
    gap_s = (t0_ns - chain_map.at_ns) * 1e-9 + passage.first_s
    gap_pitches = gap_s / ((chain_map.period_s + passage.period_s) / 2)
    return _Prior.counted_on(pitches, chain_map.joint + gap_pitches, gap_pitches)


def _begun(chain_map: ChainMap, sums: Sums, joint: int, pitches_between: float) -> ChainMap:
    """A map that begins with these sums."""
    pitches = chain_map.pitches_in_loop
    return replace(
        chain_map,
        known=Sums.none(pitches).plus(sums, 0, 0.0),
        sought=None,
        joint=joint % pitches,
        pitches_between=pitches_between,
        confidence=1.0,
    )


def _joined(
    chain_map: ChainMap, sums: Sums, placing: Placing, joint: int, pitches_between: float
) -> ChainMap:
    """The map with these sums added where they belong."""
    known = chain_map.known.plus(sums, placing.joint, placing.level)
    share = sums.laps / max(known.laps, sums.laps, 1e-9)
    mean = chain_map.pitches_between + share * (pitches_between - chain_map.pitches_between)
    return replace(
        chain_map,
        known=known,
        sought=None,
        joint=joint,
        pitches_between=mean,
        confidence=placing.confidence,
    )
