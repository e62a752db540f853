"""One proximity sensor and everything that may be wrong with it.

Knows when a sensor switches, given where the chain is. Must not know the device that stamps the pulses.

Every draw depends on the seed, the sensor and the running number of the joint (or the stretch of time), never on how
the run is cut into pieces; so a run in small steps gives the same pulses as a run in one go.
"""

import math
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from sensors_sim.driver import Driver
from sensors_sim.motion import Stretch

Floats = npt.NDArray[np.float64]
# Of each joint: error of the switching place, mm; whether it is missed; pitches to its double or 0.
Drawn = tuple[Floats, npt.NDArray[np.bool_], Floats]

_JOINTS_A_BLOCK = 512  # drawn at once
_S_A_BLOCK = 20.0  # of time, for what happens at random times
_BOUNCE_S_MAX = 0.2  # a second pulse comes at most so late, however slow the chain


@dataclass(frozen=True, slots=True, kw_only=True)
class Sensor:
    """What one sensor is like.

    `repeatability_mm`: standard deviation of the place at which it switches. `delay_s`: fixed time from there to the
    pulse. `target_mm`: width over which a joint holds it on; matters in reverse, where the other edge comes first.
    `missed`, `doubled`: probability for each joint. `spurious_per_s`: pulses without a joint.
    `silent_from_s`: dead from then on. `outages_per_s`, `outage_s`: a loose wire, and how long it stays off (mean).
    """

    repeatability_mm: float = 0.05
    delay_s: float = 0.0
    target_mm: float = 0.0
    missed: float = 0.0
    doubled: float = 0.0
    bounce: tuple[float, float] = (0.02, 0.15)  # of a pitch, from a pulse to its double
    spurious_per_s: float = 0.0
    silent_from_s: float = math.inf
    outages_per_s: float = 0.0
    outage_s: float = 1.0

    def __post_init__(self) -> None:
        if not (0 <= self.missed <= 1 and 0 <= self.doubled <= 1):
            raise ValueError("missed and doubled are probabilities: give 0 to 1")
        if (
            min(self.repeatability_mm, self.delay_s, self.target_mm, self.spurious_per_s, self.outages_per_s)
            < 0
        ):
            raise ValueError("repeatability, delay, target width and rates must be 0 or more")


@dataclass(slots=True, kw_only=True)
class SensorRun:
    """A sensor at work: how far the chain has come past it, and pulses whose time is still ahead."""

    sensor: Sensor
    key: tuple[int, int]  # seed, number of the sensor
    _sign: int = 0  # direction of the last stretch
    _turns: int = 0  # changes of direction so far
    _passed: int = (
        0  # running number of the next joint to come (going back: of the last to have come, plus one)
    )
    _pending_s: Floats = field(default_factory=lambda: np.zeros(0))
    # By turns and block, those of the last stretch.
    _drawn: dict[tuple[int, int], Drawn] = field(default_factory=dict)

    def pulses(
        self,
        stretches: list[tuple[Stretch, Floats]],
        driver: Driver,
        *,
        sensor_mm: float,
        start_s: float,
        end_s: float,
        late_mm: Floats | None = None,
    ) -> Floats:
        """Return the times in (start_s, end_s] at which the sensor's pulse comes, sorted (shape (n,)).

        Args:
            stretches: the motion between the two times, each with the joints of travel at its start and end.
            driver: the chain on its driver, as it is in this time.
            sensor_mm: place of the sensor along the strand from the driver's tangent point, negative before it.
            start_s: where the last call ended.
            end_s: where this one ends.
            late_mm: by how much each joint of the lap trails its place here, shape (pitches,); None: none does.
        """
        found = [self._pending_s]
        for stretch, ends in stretches:
            found += self._of_stretch(stretch, ends, driver, sensor_mm, late_mm)
        if self.sensor.spurious_per_s > 0:
            found.append(self._spurious(start_s, end_s))
        times = np.sort(np.concatenate(found))
        due = int(np.searchsorted(times, end_s, side="right"))
        self._pending_s = times[due:]
        return self._heard(times[:due], start_s, end_s)

    def _of_stretch(
        self, stretch: Stretch, ends: Floats, driver: Driver, sensor_mm: float, late_mm: Floats | None
    ) -> list[Floats]:
        """Return the times of the pulses that one stretch causes, doubles apart."""
        sign, sensor = stretch.sign, self.sensor
        from_mm, to_mm = driver.displacement_mm(ends)
        edge_mm = sensor_mm - sign * sensor.target_mm / 2
        first, turned = self._passed, sign != self._sign
        if turned:
            self._turns += 1
            first = driver.joints_up_to(from_mm - edge_mm) - sign
        last = driver.joints_up_to(to_mm - edge_mm) + sign
        joints = np.arange(first, last, dtype=np.int64) if sign > 0 else np.arange(first - 1, last - 2, -1)
        switch_mm, missed, bounce = self._draw(joints)
        at_mm = driver.place_mm(joints) + edge_mm + switch_mm
        if late_mm is not None:
            at_mm += late_mm[joints % driver.pitches]
        reached = sign * at_mm <= sign * to_mm
        ahead = sign * at_mm > sign * from_mm
        seen = (
            reached & ahead if turned else reached
        )  # one that wear pulled past between two steps counts now
        self._sign, self._passed = sign, first + sign * int(np.count_nonzero(reached))
        times, speeds = stretch.when(np.where(ahead, np.abs(driver.travel(at_mm) - ends[0]), 0.0)[seen])
        kept = ~missed[seen]
        times, bounce = times + sensor.delay_s, bounce[seen]
        twice = kept & (bounce > 0)
        doubles = times[twice] + np.minimum(bounce[twice] / np.maximum(speeds[twice], 1e-9), _BOUNCE_S_MAX)
        return [times[kept], doubles]

    def _draw(self, joints: npt.NDArray[np.int64]) -> Drawn:
        """Return what chance has for each joint, in its order."""
        if not len(joints):
            return np.zeros(0), np.zeros(0, dtype=bool), np.zeros(0)
        ends = int(joints[0]), int(joints[-1])
        low, high = min(ends) // _JOINTS_A_BLOCK, max(ends) // _JOINTS_A_BLOCK
        blocks = [(self._turns, block) for block in range(low, high + 1)]
        self._drawn = {each: self._drawn.get(each) or self._draw_block(*each) for each in blocks}
        rows = joints - low * _JOINTS_A_BLOCK
        first, *more = self._drawn.values()
        if not more:
            return first[0][rows], first[1][rows], first[2][rows]
        switch_mm, missed, bounce = (np.concatenate(parts) for parts in zip(first, *more, strict=True))
        return switch_mm[rows], missed[rows], bounce[rows]

    def _draw_block(self, turns: int, block: int) -> Drawn:
        rng = np.random.default_rng((*self.key, 1, turns, block + 2**40))
        switch_mm = rng.standard_normal(_JOINTS_A_BLOCK) * self.sensor.repeatability_mm
        chance = rng.random((3, _JOINTS_A_BLOCK))
        least, most = self.sensor.bounce
        bounce = np.where(chance[1] < self.sensor.doubled, least + (most - least) * chance[2], 0.0)
        return switch_mm, chance[0] < self.sensor.missed, bounce

    def _spurious(self, start_s: float, end_s: float) -> Floats:
        """Return the times in (start_s, end_s] of pulses that no joint has caused."""
        found = []
        for block in range(math.floor(start_s / _S_A_BLOCK), math.floor(end_s / _S_A_BLOCK) + 1):
            rng = np.random.default_rng((*self.key, 2, block))
            count = rng.poisson(self.sensor.spurious_per_s * _S_A_BLOCK)
            found.append((block + rng.random(count)) * _S_A_BLOCK)
        times = np.concatenate(found)
        return times[(times > start_s) & (times <= end_s)]

    def _heard(self, times: Floats, start_s: float, end_s: float) -> Floats:
        """Return the pulses that get through: not from a dead sensor, not over a wire that is off."""
        times = times[times < self.sensor.silent_from_s]
        if self.sensor.outages_per_s > 0:
            for block in range(math.floor(start_s / _S_A_BLOCK) - 1, math.floor(end_s / _S_A_BLOCK) + 1):
                rng = np.random.default_rng((*self.key, 3, block + 1))
                count = rng.poisson(self.sensor.outages_per_s * _S_A_BLOCK)
                begins = (block + rng.random(count)) * _S_A_BLOCK
                lasts = np.minimum(rng.exponential(self.sensor.outage_s, count), _S_A_BLOCK)
                for begin, last in zip(begins, lasts, strict=True):
                    times = times[(times < begin) | (times > begin + last)]
        return times
