"""A chain drive at work: chain, driver, motion, surroundings and two sensors joined, giving pulses.

Knows the places along the strand: `up` at 0, `down` at the spacing, the driver's tangent point further on. Joints
travel from `up` to `down` to the driver. Must not know how pulses are encoded or sent.
"""

import math
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
import numpy.typing as npt

from sensors_sim.chain import SimulatedChain, Wear
from sensors_sim.driver import Driver
from sensors_sim.motion import Motion, Stretch
from sensors_sim.sensor import Sensor, SensorRun

Floats = npt.NDArray[np.float64]
Ticks = npt.NDArray[np.int64]

_UPDATE_S = 1.0  # wear, temperature and load are held for so long where they change fast
_SLOW_UPDATE_S = 60.0  # wear at its natural rate


@dataclass(frozen=True, slots=True, kw_only=True)
class Surroundings:
    """Temperature and load around their reference values, each swinging as a sine from 0 at the start.

    The chain and the sensors' mount expand by their temperature above `reference_c`; the strand stretches elastically
    by its tension above `reference_load_n`.
    """

    chain_c: float = 20.0
    chain_swing_k: float = 0.0
    mount_c: float = 20.0
    mount_swing_k: float = 0.0
    temperature_period_s: float = 600.0
    reference_c: float = 20.0
    chain_expansion_per_k: float = 11.7e-6  # steel: Machinery's Handbook (from memory)
    mount_expansion_per_k: float = 11.7e-6
    load_n: float = 0.0
    load_swing_n: float = 0.0
    load_period_s: float = 20.0
    reference_load_n: float = 0.0
    strain_pct_per_kn: float = 0.0

    @property
    def steady(self) -> bool:
        """Whether nothing swings."""
        return not (self.chain_swing_k or self.mount_swing_k or self.load_swing_n)

    def temperature_c(self, t_s: float) -> float:
        """Return the temperature of the chain."""
        return self.chain_c + self.chain_swing_k * math.sin(2 * math.pi * t_s / self.temperature_period_s)

    def mount_temperature_c(self, t_s: float) -> float:
        """Return the temperature of the mount that holds both sensors."""
        return self.mount_c + self.mount_swing_k * math.sin(2 * math.pi * t_s / self.temperature_period_s)

    def tension_n(self, t_s: float) -> float:
        """Return the tension in the measured strand."""
        return self.load_n + self.load_swing_n * math.sin(2 * math.pi * t_s / self.load_period_s)

    def stretch(self, t_s: float) -> float:
        """Return how many times longer the strand is than at reference temperature and load."""
        warm = self.chain_expansion_per_k * (self.temperature_c(t_s) - self.reference_c)
        pulled = self.strain_pct_per_kn / 100 * (self.tension_n(t_s) - self.reference_load_n) / 1000
        return (1 + warm) * (1 + pulled)

    def mount_stretch(self, t_s: float) -> float:
        """Return how many times longer the mount is than at reference temperature."""
        return 1 + self.mount_expansion_per_k * (self.mount_temperature_c(t_s) - self.reference_c)


@dataclass(frozen=True, slots=True, kw_only=True)
class Pulses:
    """What the one clock of a device has stamped in (start, start + span], with the truth beside it.

    `up_ticks`, `down_ticks`: shape (n,), (m,), int64, ticks since the start of the span.
    The truths are those in the middle of the span: elongation in per cent at reference temperature and load; pitches
    between the sensors at the same reference (spacing / mean worn pitch); mean speed of the strand, m/s, signed.
    """

    t0_ns: int
    tick_ns: int
    span_ticks: int
    up_ticks: Ticks
    down_ticks: Ticks
    true_elongation_pct: float
    true_pitches_between: float
    true_speed_m_s: float


@dataclass(kw_only=True)
class SimulatedDrive:
    """One drive, run from its start in as many calls as wanted; each call goes on where the last ended.

    Args:
        chain: as it is at the start.
        motion: commanded mean speed of the strand with the chain as it is at the start.
        spacing_mm: actual length along the strand between the sensors at reference temperature.
        up_to_driver_mm: along the strand from `up` to the driver's tangent point.
        driven_to_up_mm: along the strand from where it leaves the driven sprocket to `up`; a stiff joint was bent there.
        teeth: of the driver; None leaves the polygon effect out.
        up, down: the sensors.
        wear: how the chain wears on; None: not at all.
        tick_ns: of the device's clock; its pulses are stamped with the tick they fall in (rounded down).
        clock_ppm: the device's clock runs fast by so much.
        start_ns: what the device's clock says at the start, ns since 1970.
        moved_at_s, moved_mm: at that time (on to the next full second) somebody moves `down`'s bracket by so much.
        seed: of everything random.
    """

    chain: SimulatedChain
    motion: Motion
    spacing_mm: float
    up_to_driver_mm: float
    driven_to_up_mm: float = 100.0
    teeth: int | None = None
    up: Sensor = field(default_factory=Sensor)
    down: Sensor = field(default_factory=Sensor)
    surroundings: Surroundings = field(default_factory=Surroundings)
    wear: Wear | None = None
    tick_ns: int = 1000
    clock_ppm: float = 0.0
    start_ns: int = 0
    moved_at_s: float = math.inf
    moved_mm: float = 0.0
    seed: int = 0

    def __post_init__(self) -> None:
        if not 0 < self.spacing_mm <= self.up_to_driver_mm:
            raise ValueError("both sensors sit before the driver: give 0 < spacing_mm <= up_to_driver_mm")
        if self.tick_ns < 1:
            raise ValueError("tick_ns must be 1 or more")
        self._start_pitch_mm = self.chain.mean_pitch_mm
        self._new_chain = self.chain
        self._now_s = 0.0
        self._ticks = 0
        self._travel = float(np.random.default_rng((self.seed, 0)).random() * self.chain.pitches)
        self._worked = 0.0
        self._driver = Driver.carrying(self.chain, self.teeth)
        self._runs = (
            SensorRun(sensor=self.up, key=(self.seed, 1)),
            SensorRun(sensor=self.down, key=(self.seed, 2)),
        )

    @property
    def now_s(self) -> float:
        """How long it has run."""
        return self._now_s

    @property
    def laps(self) -> float:
        """Laps of the chain so far, forward and back alike."""
        return self._worked / self.chain.pitches

    @cached_property
    def _held_s(self) -> float:
        """How long chain and surroundings are held between two updates."""
        sped_up = self.wear is not None and self.wear.speedup > 1
        if sped_up or not self.surroundings.steady or math.isfinite(self.moved_at_s):
            return _UPDATE_S
        return _SLOW_UPDATE_S

    def run(self, duration_s: float) -> Pulses:
        """Run on for so long (whole ticks of the clock) and return the pulses of that time."""
        clock = 1e9 * (1 + self.clock_ppm * 1e-6) / self.tick_ns  # ticks a second
        first, last = self._ticks, self._ticks + round(duration_s * 1e9 / self.tick_ns)
        end_s, begin_s, travel = last / clock, self._now_s, self._travel
        elongation_pct, middle_s = self.chain.mean_elongation_pct, (begin_s + end_s) / 2
        found: tuple[list[Floats], list[Floats]] = ([], [])
        while self._now_s < end_s:
            held_from_s = math.floor(self._now_s / self._held_s + 1e-9) * self._held_s
            held_to_s = held_from_s + self._held_s
            self._step(held_from_s, min(end_s, held_to_s), found)
            if end_s >= held_to_s:
                self._wear_on()
        self._ticks = last
        elongation_pct = (elongation_pct + self.chain.mean_elongation_pct) / 2
        pitch_mm = self.chain.pitch_mm * (1 + elongation_pct / 100)
        speed = (self._travel - travel) * pitch_mm * self.surroundings.stretch(middle_s) / 1000
        up, down = (self._stamp(times, clock, first, last) for times in found)
        return Pulses(
            t0_ns=self.start_ns + first * self.tick_ns,
            tick_ns=self.tick_ns,
            span_ticks=last - first,
            up_ticks=up,
            down_ticks=down,
            true_elongation_pct=elongation_pct,
            true_pitches_between=self._spacing_at(middle_s) / pitch_mm,
            true_speed_m_s=speed / (end_s - begin_s),
        )

    def _spacing_at(self, t_s: float) -> float:
        return self.spacing_mm + (self.moved_mm if t_s >= self.moved_at_s else 0.0)

    def _step(self, held_from_s: float, end_s: float, found: tuple[list[Floats], list[Floats]]) -> None:
        """Run on to `end_s` with chain and surroundings held as they were at `held_from_s`."""
        now = self._now_s
        strand, mount = self.surroundings.stretch(held_from_s), self.surroundings.mount_stretch(held_from_s)
        # In lengths of the strand at reference: a joint that is stretched passes a sensor sooner by as much.
        up_mm = -self.up_to_driver_mm * mount / strand
        down_mm = up_mm + self._spacing_at(held_from_s) * mount / strand
        stretches: list[tuple[Stretch, Floats]] = []
        for stretch in self.motion.stretches(now, end_s, per_m=1000 / self._start_pitch_mm):
            after = self._travel + stretch.sign * float(stretch.travel[-1])
            stretches.append((stretch, np.array([self._travel, after])))
            self._travel = after
            self._worked += float(stretch.travel[-1])
        for run, place, times in zip(self._runs, (up_mm, down_mm), found, strict=True):
            late_mm = self.chain.shifts_mm(self.driven_to_up_mm + place - up_mm)
            times.append(
                run.pulses(
                    stretches, self._driver, sensor_mm=place, start_s=now, end_s=end_s, late_mm=late_mm
                )
            )
        self._now_s = end_s

    def _wear_on(self) -> None:
        """Let the chain wear for what it has run."""
        if self.wear is not None:
            self.chain = self._new_chain.worn_by(self.wear.growth_pct(self.laps))
            self._driver = Driver.carrying(self.chain, self.teeth)

    @staticmethod
    def _stamp(times: list[Floats], clock: float, first: int, last: int) -> Ticks:
        """Return the ticks, since tick `first`, in which the pulses fall."""
        ticks = np.floor(np.concatenate(times) * clock).astype(np.int64)
        return np.clip(ticks, first, last) - first
