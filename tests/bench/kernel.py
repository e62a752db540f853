"""Time of one batch's conversion against resampling to square waves and cross-correlating them with scipy.

    .venv/bin/python tests/bench/kernel.py

The rival resamples both pulse trains to square waves (high for half a mean period after each pulse) at a fixed
rate, correlates them with scipy.signal.correlate (FFT), and refines the peak by a parabola through an eighth of a
period either side. Its rate is the lowest of the list at which its error is no more than ours; where none reaches it, the
lowest within 5 % of its best error is timed and the line says so. Ratios hold within one run.
"""

import math
import sys
import timeit
from collections.abc import Callable
from functools import partial
from pathlib import Path

import numpy as np
from scipy import signal

sys.path.insert(0, str(Path(__file__).parents[2]))

from sensors_sim.batch import SimulatedBatch, simulate_batch
from service.core.batch import Batch
from service.core.drive import Chain, Drive
from service.core.lag import Lag, measure_lag
from service.core.reading import convert

RATES_HZ = (2e3, 5e3, 1e4, 2e4, 5e4, 1e5, 2e5, 5e5)
DRIVE = Drive(drive_id="bench", whole_pitches=24, driver_teeth=19, up_to_driver_mm=600.0)
CHAIN = Chain(
    chain_id="c", drive_id="bench", designation="08B", pitch_mm=12.7, pitches_in_loop=120, fitted_ns=0
)


def batches(count: int, **fault: float) -> list[tuple[Batch, SimulatedBatch]]:
    """Batches of 2 x 150 pulses at 1 m/s of a worn 08B chain without a polygon, so that only the method errs."""
    made = [
        simulate_batch(
            seed=seed, laps=1.25, elongation_pct=1.5, offset_pitches=seed / count, teeth=None,
            wear_spread=0.0, tolerance_pct=0.0, **fault,  # type: ignore[arg-type]
        )
        for seed in range(count)
    ]  # fmt: skip
    return [
        (
            Batch(
                drive_id="bench", seq=0, t0_ns=m.t0_ns, tick_ns=m.tick_ns, up=m.up, down=m.down, span_ns=None
            ),
            m,
        )
        for m in made
    ]


def by_correlation(batch: Batch, rate_hz: float) -> float:
    """The lag in pitches, by square waves and scipy."""
    up_s, down_s = batch.up * batch.tick_ns * 1e-9, batch.down * batch.tick_ns * 1e-9
    period_s = float(np.median(np.diff(up_s)))
    grid = np.arange(0.0, max(up_s[-1], down_s[-1]), 1 / rate_hz)

    def square(times_s: np.ndarray) -> np.ndarray:
        since = grid - times_s[np.maximum(np.searchsorted(times_s, grid, side="right") - 1, 0)]
        wave = ((since >= 0) & (since < period_s / 2)).astype(float)
        return np.asarray(wave - wave.mean())

    up, down = square(up_s), square(down_s)
    product = signal.correlate(down, up, method="fft")
    middle, period = len(up) - 1, period_s * rate_hz
    shifts = np.arange(-math.ceil(period / 4), math.ceil(1.25 * period) + 1)
    near = product[middle + shifts] / (len(up) - np.abs(shifts))  # each sum by the samples that it has
    peak = shifts[int(np.argmax(np.where((shifts >= 0) & (shifts <= period), near, -np.inf)))]
    around = np.abs(shifts - peak) <= max(1.0, period / 8)
    curve, slope, _ = np.polyfit(shifts[around] - peak, near[around], 2)
    return float((peak - slope / (2 * curve)) / rate_hz / period_s)


def rms_error(found: Callable[[Batch], float], cases: list[tuple[Batch, SimulatedBatch]]) -> float:
    """Root mean square error of the lag, pitches, round the pitch."""
    errors = []
    for batch, made in cases:
        error = found(batch) - made.true_pitches_between
        errors.append(error - round(error))
    return float(np.sqrt(np.mean(np.square(errors))))


def ours(batch: Batch) -> float:
    """The lag by `measure_lag`."""
    lag = measure_lag(batch, 120)
    assert isinstance(lag, Lag)
    return lag.pitches


def best_us(work: Callable[[], object], number: int) -> float:
    """Least time of one call of five rounds, microseconds."""
    return min(timeit.repeat(work, number=number, repeat=5)) / number * 1e6


def main() -> None:
    """Print both times and their ratio, for clean and for rough batches."""
    for name, fault in {"clean": {}, "5 % missed, 2 % doubled": {"missed": 0.05, "doubled": 0.02}}.items():
        cases = batches(40, **fault)
        error = rms_error(ours, cases)
        batch = cases[7][0]
        lag_us = best_us(partial(measure_lag, batch, 120), 200)
        whole = partial(convert, batch, drive=DRIVE, chain=CHAIN, baseline=None, last=None)
        whole_us = best_us(whole, 200)
        rivals = {rate: rms_error(partial(by_correlation, rate_hz=rate), cases) for rate in RATES_HZ}
        reached = [rate for rate, rival in rivals.items() if rival <= error]
        best = min(rivals.values())
        rate = reached[0] if reached else next(rate for rate, rival in rivals.items() if rival <= 1.05 * best)
        rival_us = best_us(partial(by_correlation, batch, rate), 3)
        print(f"{name}: lag {lag_us:.0f} us, whole conversion {whole_us:.0f} us, rms error {error:.5f} pitch")
        print(
            f"  square waves at {rate:.0f} Hz: {rival_us:.0f} us, rms error {rivals[rate]:.5f} pitch"
            f"{'' if reached else ' (no rate reached our error)'}; ratio {rival_us / lag_us:.0f} to the lag,"
            f" {rival_us / whole_us:.0f} to the whole conversion"
        )


if __name__ == "__main__":
    main()
