"""A chain as an array of links and joints: what wear does to the place of every roller.

Knows the construction of a chain only. Must not know speed, sensors or time, and nothing of how anybody
reads elongation from pulses.

Pins are pressed into outer plates and bushes into inner plates, and rollers turn on the bushes (ISO 606, from
memory). So two rollers of one inner link stay as far apart as they were made, and two rollers that face each
other across an outer link move apart by the wear of both joints between them.
"""

import math
from dataclasses import dataclass, replace
from typing import Self

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class WornSection:
    """A run of joints that have worn `factor` times as much as their neighbours.

    Over 1: a section that runs worse than the rest. Under 1: one that was spliced in later; 0: just now.
    """

    first_joint: int
    joints: int
    factor: float

    def __post_init__(self) -> None:
        if self.factor < 0 or self.joints < 1:
            raise ValueError("a section needs 1 joint or more and a factor of 0 or more; wear only lengthens")


@dataclass(frozen=True, slots=True, kw_only=True)
class StiffJoint:
    """A joint that stays bent when it leaves a sprocket, so that its roller is off its place until it is pulled straight.

    There it passes `shift_mm` late (negative: early); the further it was pulled, the less: shift_mm exp(-distance /
    straightens_mm). Its two links look as much longer and shorter; all other rollers keep their places.
    """

    joint: int
    shift_mm: float
    straightens_mm: float = 200.0

    def __post_init__(self) -> None:
        if self.joint < 0 or self.straightens_mm <= 0:
            raise ValueError(
                "give a joint of 0 or more, and straightens_mm over 0 (inf: it never straightens)"
            )


@dataclass(frozen=True, slots=True, kw_only=True)
class Wear:
    """How mean wear grows with the laps that the chain has run.

    First bedding-in, which dies away, then a steady rate: wear_pct(laps) = bedding_pct (1 - exp(-laps / bedding_laps))
    + pct_per_million_laps laps / 1e6. `speedup` makes each lap count as so many.
    Initial wear stays under 0.1 % and is mostly over within 20 h: The Complete Guide to Chain, 2.2.4.
    """

    pct_per_million_laps: float = 0.04
    bedding_pct: float = 0.0
    bedding_laps: float = 60_000.0
    speedup: float = 1.0

    def __post_init__(self) -> None:
        if min(self.pct_per_million_laps, self.bedding_pct, self.speedup) < 0 or self.bedding_laps <= 0:
            raise ValueError(
                "a chain only wears longer: give rates and speedup of 0 or more, bedding_laps over 0"
            )

    def growth_pct(self, laps: float) -> float:
        """Return the wear after so many laps, in per cent of the pitch, on top of the wear at the start."""
        counted = laps * self.speedup
        bedding = self.bedding_pct * -float(np.expm1(-counted / self.bedding_laps))
        return bedding + self.pct_per_million_laps * counted / 1e6


@dataclass(frozen=True, slots=True, kw_only=True)
class SimulatedChain:
    """One endless chain. Link j lies between joints j and j + 1; even links are inner, odd ones outer.

    A loop with an odd number of pitches closes with one cranked link (the last).

    `made_mm`: shape (pitches,), length of each link as made. `wear_mm`: shape (pitches,), wear of each joint along
    the pull. `wear_share`: shape (pitches,), mean 1, how fast each joint wears against the mean.
    All lengths are those at reference temperature and reference load.
    """

    pitch_mm: float
    made_mm: Floats
    wear_mm: Floats
    wear_share: Floats
    stiff: StiffJoint | None = None

    @classmethod
    def make(  # noqa: PLR0913 - one knob each, all by name
        cls,
        *,
        pitch_mm: float,
        pitches: int,
        elongation_pct: float = 0.0,
        manufacture_pct: float = 0.0,
        tolerance_pct: float = 0.1,
        outer_minus_inner_pct: float = 0.0,
        wear_spread: float = 0.1,
        worn_section: WornSection | None = None,
        bad_joint_mm: float = 0.0,
        stiff: StiffJoint | None = None,
        rng: np.random.Generator,
    ) -> Self:
        """Return a chain whose mean elongation is exactly `elongation_pct`.

        Args:
            pitch_mm: nominal pitch, > 0.
            pitches: of the whole loop, 6 or more.
            elongation_pct: total length against pitches x pitch_mm, manufacture and wear together.
            manufacture_pct: how much longer than nominal the chain was made; ISO 606 allows 0 to +0.15 % (from memory).
            tolerance_pct: standard deviation of a single link as made, per cent of the pitch.
            outer_minus_inner_pct: outer links were made so much longer than inner ones.
            wear_spread: standard deviation of the wear from joint to joint, relative to its mean.
            worn_section: joints that have worn more, or less, than the others.
            bad_joint_mm: wear of one joint (the middle one of the loop) beyond that of the others.
            stiff: a joint that does not straighten at once.
            rng: draws the spread.
        """
        if pitch_mm <= 0 or pitches < 6:
            raise ValueError("give a pitch over 0 mm and a loop of at least 6 pitches")
        share = _wear_share(pitches, wear_spread, worn_section, rng)
        mean_wear_mm = (elongation_pct - manufacture_pct) / 100 * pitch_mm - bad_joint_mm / pitches
        if mean_wear_mm < -1e-12:
            raise ValueError(
                "wear only lengthens: elongation_pct must cover manufacture_pct and bad_joint_mm"
            )
        wear_mm = share * mean_wear_mm
        wear_mm[pitches // 2] += bad_joint_mm
        spread_mm = rng.normal(0.0, tolerance_pct / 100 * pitch_mm, pitches)
        spread_mm[1::2] += outer_minus_inner_pct / 100 * pitch_mm
        made_mm = pitch_mm * (1 + manufacture_pct / 100) + spread_mm - spread_mm.mean()
        return cls(pitch_mm=pitch_mm, made_mm=made_mm, wear_mm=wear_mm, wear_share=share, stiff=stiff)

    @property
    def pitches(self) -> int:
        """The number of pitches (and of joints) in the loop."""
        return len(self.made_mm)

    @property
    def links_mm(self) -> Floats:
        """Shape (pitches,): distance from the roller of joint j to that of joint j + 1, as the chain is now."""
        growth = np.zeros(self.pitches)
        growth[1::2] = self.wear_mm[1::2]
        growth[1:-1:2] += self.wear_mm[2::2]
        # The last link closes the loop: an outer link gets its second joint, a cranked link its only one.
        growth[-1] += self.wear_mm[0]
        return self.made_mm + growth

    @property
    def length_mm(self) -> float:
        """Length of the whole loop as it is now."""
        return float(self.made_mm.sum() + self.wear_mm.sum())

    @property
    def mean_pitch_mm(self) -> float:
        """Mean pitch as the chain is now."""
        return self.length_mm / self.pitches

    @property
    def mean_elongation_pct(self) -> float:
        """The truth that a reading is compared with: total length / (pitches x nominal pitch) - 1, per cent.

        At reference temperature and reference load.
        """
        return (self.mean_pitch_mm / self.pitch_mm - 1) * 100

    def shifts_mm(self, pulled_mm: float) -> Floats | None:
        """Return by how much each joint passes late when it has been pulled so far from the sprocket behind it.

        Shape (pitches,); None where every joint straightens at once.
        """
        if self.stiff is None:
            return None
        late_mm = np.zeros(self.pitches)
        late_mm[self.stiff.joint % self.pitches] = self.stiff.shift_mm * math.exp(
            -pulled_mm / self.stiff.straightens_mm
        )
        return late_mm

    def worn_by(self, growth_pct: float) -> Self:
        """Return the chain after its mean wear grew by `growth_pct` of the pitch, each joint at its own rate."""
        return replace(self, wear_mm=self.wear_mm + self.wear_share * growth_pct / 100 * self.pitch_mm)


def _wear_share(pitches: int, spread: float, section: WornSection | None, rng: np.random.Generator) -> Floats:
    """Return how fast each joint wears against the mean: shape (pitches,), mean 1, none below a tenth."""
    share = np.maximum(rng.normal(1.0, spread, pitches), 0.1)
    if section is not None:
        rows = np.arange(section.first_joint, section.first_joint + section.joints) % pitches
        share[rows] *= section.factor
    return share / float(share.mean())
