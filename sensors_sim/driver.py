"""How the driver sprocket drags the strand: from teeth turned to displacement of the strand, and back.

Knows geometry only. The joints on the sprocket are the corners of a polygon on the pitch circle; the joint nearest
the tangent point carries the straight strand along, by R sin(angle from the tangent point), until half way to the next
joint, which then takes over. Nothing here is a series or a correction formula.
"""

import math
from dataclasses import dataclass
from typing import Self

import numpy as np
import numpy.typing as npt

from sensors_sim.chain import SimulatedChain

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class Driver:
    """A chain laid on its driver.

    `places_mm`: shape (pitches + 1,), place of each joint from joint 0, trailing; the last is joint 0 a lap later.
    `angles_rad`: shape (pitches + 1,), turn of the sprocket at which that joint stands at the tangent point; None where
    the driver drags without polygon effect. `radius_mm` is the pitch circle's.
    Travel is counted in joints: one joint of travel turns the sprocket by one tooth.
    """

    places_mm: Floats
    teeth: int | None
    radius_mm: float = math.inf
    angles_rad: Floats | None = None

    @classmethod
    def carrying(cls, chain: SimulatedChain, teeth: int | None) -> Self:
        """Return the chain laid on a sprocket of so many teeth (None: dragged evenly).

        The pitch circle is the one on which a whole lap of the chain, link by link as a chord, turns the sprocket by
        exactly as many teeth as the chain has joints: a worn chain rides higher.
        """
        links = chain.links_mm
        places = np.concatenate(([0.0], np.cumsum(links)))
        if teeth is None:
            return cls(places_mm=places, teeth=None)
        if teeth < 5:
            raise ValueError("a chain sprocket needs 5 teeth or more; None leaves the polygon effect out")
        turn = 2 * math.pi * len(links) / teeth
        radius = float(places[-1]) / len(links) / (2 * math.sin(math.pi / teeth))
        for _ in range(3):  # Newton; starts within the square of the spread of the links
            half = np.arcsin(links / (2 * radius))
            radius += (2 * float(half.sum()) - turn) * radius / (2 * float(np.tan(half).sum()))
        angles = np.concatenate(([0.0], np.cumsum(2 * np.arcsin(links / (2 * radius)))))
        return cls(places_mm=places, teeth=teeth, radius_mm=radius, angles_rad=angles)

    @property
    def pitches(self) -> int:
        """Joints in a lap."""
        return len(self.places_mm) - 1

    @property
    def lap_mm(self) -> float:
        """Length of a lap."""
        return float(self.places_mm[-1])

    def displacement_mm(self, travel: Floats) -> Floats:
        """Return how far the strand has been dragged after `travel` joints (shape (n,))."""
        laps: Floats = np.floor(travel / self.pitches)
        within: Floats = travel - laps * self.pitches
        if self.angles_rad is None or self.teeth is None:
            return (laps + within / self.pitches) * self.lap_mm
        angle = within * (2 * math.pi / self.teeth)
        joint = np.searchsorted((self.angles_rad[1:] + self.angles_rad[:-1]) / 2, angle)
        carried: Floats = self.radius_mm * np.sin(angle - self.angles_rad[joint])
        return carried + self.places_mm[joint] + laps * self.lap_mm

    def travel(self, displacement_mm: Floats) -> Floats:
        """Return the joints of travel after which the strand has been dragged so far: the inverse, exact."""
        laps = np.floor(displacement_mm / self.lap_mm)
        within = displacement_mm - laps * self.lap_mm
        if self.angles_rad is None or self.teeth is None:
            return (laps + within / self.lap_mm) * self.pitches
        joint = np.searchsorted((self.places_mm[1:] + self.places_mm[:-1]) / 2, within)
        angle = self.angles_rad[joint] + np.arcsin((within - self.places_mm[joint]) / self.radius_mm)
        return laps * self.pitches + angle * (self.teeth / (2 * math.pi))

    def place_mm(self, joint: npt.NDArray[np.int64]) -> Floats:
        """Return the place of joints by their running number, which goes on over the laps (shape (n,))."""
        laps, within = np.divmod(joint, self.pitches)
        return laps * self.lap_mm + self.places_mm[within]

    def joints_up_to(self, place_mm: float) -> int:
        """Return the running number of the first joint whose place is beyond `place_mm`."""
        laps = math.floor(place_mm / self.lap_mm)
        within = int(np.searchsorted(self.places_mm[:-1], place_mm - laps * self.lap_mm, side="right"))
        return laps * self.pitches + within
