"""One simulated batch in one call, with the truth beside it: what accuracy tests are made of."""

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from sensors_sim.chain import SimulatedChain, WornSection
from sensors_sim.drive import SimulatedDrive, Surroundings
from sensors_sim.motion import Motion
from sensors_sim.sensor import Sensor

Ticks = npt.NDArray[np.int64]


@dataclass(frozen=True, slots=True, kw_only=True)
class SimulatedBatch:
    """Pulses of one batch, and the truth.

    `up`, `down`: shape (n,), (m,), int64 ticks since t0. Elongation in per cent at reference temperature and load;
    pitches between = actual spacing / mean worn pitch, at the same reference; mean speed of the strand, m/s.
    """

    t0_ns: int
    tick_ns: int
    up: Ticks
    down: Ticks
    span_ticks: int
    true_elongation_pct: float
    true_pitches_between: float
    true_speed_m_s: float


def simulate_batch(  # noqa: PLR0913 - one knob each, all by name
    *,
    pitch_mm: float = 12.7,
    whole_pitches: int = 24,
    offset_pitches: float = 0.0,
    teeth: int | None = 19,
    up_to_driver_mm: float | None = None,
    speed_m_s: float = 1.0,
    motion: Motion | None = None,
    elongation_pct: float = 1.0,
    manufacture_pct: float = 0.0,
    tolerance_pct: float = 0.1,
    outer_minus_inner_pct: float = 0.0,
    wear_spread: float = 0.1,
    worn_section: WornSection | None = None,
    pitches_in_loop: int = 120,
    laps: float = 1.05,
    duration_s: float | None = None,
    missed: float = 0.0,
    doubled: float = 0.0,
    spurious_per_s: float = 0.0,
    repeatability_mm: float = 0.05,
    up_delay_s: float = 0.0,
    down_delay_s: float = 0.0,
    target_mm: float = 0.0,
    spacing_error_mm: float = 0.0,
    surroundings: Surroundings | None = None,
    tick_ns: int = 1000,
    clock_ppm: float = 0.0,
    t0_ns: int = 1_795_000_000_000_000_000,
    seed: int = 0,
) -> SimulatedBatch:
    """Return the pulses that one window of a running drive gives, with the truth.

    The sensors stand (whole_pitches + offset_pitches) x pitch_mm + spacing_error_mm apart. The window lasts `duration_s`,
    or as long as `laps` laps of the chain take at `speed_m_s`. `motion` overrides `speed_m_s` (give `duration_s` too).
    `up_to_driver_mm` defaults to ten pitches beyond `down`. `elongation_pct` is the chain's true mean elongation,
    manufacture (`manufacture_pct`) included, and must not be less than that. The phase of the chain is drawn from `seed`.
    """
    if motion is not None and duration_s is None:
        raise ValueError("with a motion of your own, give duration_s too")
    spacing_mm = (whole_pitches + offset_pitches) * pitch_mm + spacing_error_mm
    chain = SimulatedChain.make(
        pitch_mm=pitch_mm,
        pitches=pitches_in_loop,
        elongation_pct=elongation_pct,
        manufacture_pct=manufacture_pct,
        tolerance_pct=tolerance_pct,
        outer_minus_inner_pct=outer_minus_inner_pct,
        wear_spread=wear_spread,
        worn_section=worn_section,
        rng=np.random.default_rng((seed, 9)),
    )
    up, down = (
        Sensor(
            repeatability_mm=repeatability_mm,
            delay_s=delay_s,
            target_mm=target_mm,
            missed=missed,
            doubled=doubled,
            spurious_per_s=spurious_per_s,
        )
        for delay_s in (up_delay_s, down_delay_s)
    )
    drive = SimulatedDrive(
        chain=chain,
        motion=motion if motion is not None else Motion.constant(speed_m_s),
        spacing_mm=spacing_mm,
        up_to_driver_mm=up_to_driver_mm if up_to_driver_mm is not None else spacing_mm + 10 * pitch_mm,
        teeth=teeth,
        up=up,
        down=down,
        surroundings=surroundings if surroundings is not None else Surroundings(),
        tick_ns=tick_ns,
        clock_ppm=clock_ppm,
        start_ns=t0_ns,
        seed=seed,
    )
    window_s = duration_s if duration_s is not None else laps * chain.length_mm / 1000 / abs(speed_m_s)
    ticks = max(1, math.ceil(window_s * 1e9 / tick_ns))
    pulses = drive.run(ticks * tick_ns / 1e9)
    return SimulatedBatch(
        t0_ns=pulses.t0_ns,
        tick_ns=pulses.tick_ns,
        up=pulses.up_ticks,
        down=pulses.down_ticks,
        span_ticks=pulses.span_ticks,
        true_elongation_pct=pulses.true_elongation_pct,
        true_pitches_between=pulses.true_pitches_between,
        true_speed_m_s=pulses.true_speed_m_s,
    )
