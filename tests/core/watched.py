"""A simulated drive with its device and its commissioning, watched for a while: the readings and what is registered."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import islice
from typing import Any

from sensors_sim.device import Window
from sensors_sim.motion import Motion
from sensors_sim.scenario import ORDINARY
from sensors_sim.sensor import Sensor
from sensors_sim.setup import DriveSetup
from service.core.batch import Batch
from service.core.drive import Baseline, Chain, Drive
from service.core.findings import Finding, cross_check
from service.core.reading import Last, Reading, convert
from service.core.trend import mean_of

S = 1_000_000_000
START_NS = 1_795_000_000 * S
COMMISSIONED_NS = START_NS - 3600 * S


@dataclass(frozen=True, slots=True, kw_only=True)
class Watched:
    """What the register holds of a drive, and its readings in the order of time."""

    drive: Drive
    chain: Chain
    baseline: Baseline | None
    readings: list[Reading]

    @property
    def findings(self) -> list[Finding]:
        """What the readings show together."""
        return cross_check(self.readings, drive=self.drive, chain=self.chain, baseline=self.baseline)

    def then(self, later: "Watched") -> "Watched":
        """Return this drive watched on, its readings followed by those of `later`."""
        return replace(self, readings=[*self.readings, *later.readings])


def ordinary(**changes: Any) -> DriveSetup:
    """The simulator's ordinary drive with something about it changed."""
    return replace(ORDINARY, **changes)


def watch(
    setup: DriveSetup,
    readings: int,
    *,
    seed: int = 1,
    start_ns: int = START_NS,
    lost: Sequence[int] = (),
    commissioned: bool = True,
    by: Watched | None = None,
    window_s: float | None = None,
    windows: Sequence[Window] | None = None,
    **settings: Any,
) -> Watched:
    """Watch a drive from `start_ns` on.

    lost: numbers of the batches that never arrive. by: a drive that it is; its register and last elongation count on.
    windows: what its device saw, where that was simulated before.
    settings: of the drive in the register, where they differ from what the simulator's own register would say.
    """
    if windows is None:
        windows = seen_by(setup, readings, seed=seed, start_ns=start_ns, window_s=window_s)
    drive = by.drive if by else registered(setup, **settings)
    chain = by.chain if by else chain_of(setup)
    baseline = by.baseline if by else _baseline(setup, seed, drive, chain) if commissioned else None
    last = _last(by.readings) if by else None
    found = []
    for window in windows[:readings]:
        reading = convert(batch_of(setup, window), drive=drive, chain=chain, baseline=baseline, last=last)
        last = _last([reading]) or last
        if window.seq not in lost:
            found.append(reading)
    found.sort(key=lambda each: each.t_ns)
    return Watched(drive=drive, chain=chain, baseline=baseline, readings=found)


def seen_by(
    setup: DriveSetup, count: int, *, seed: int, start_ns: int = START_NS, window_s: float | None = None
) -> list[Window]:
    """The first windows that the device of a drive sees."""
    return list(islice(setup.build(seed=seed, start_ns=start_ns, window_s=window_s).windows(), count))


def registered(setup: DriveSetup, **settings: Any) -> Drive:
    """The drive as it is registered: geometry by tape, references of temperature and load."""
    around = setup.surroundings
    told: dict[str, Any] = {
        "drive_id": setup.drive_id,
        "whole_pitches": setup.whole_pitches,
        "offset_pitches": setup.offset_pitches,
        "driver_teeth": setup.driver_teeth,
        "up_to_driver_mm": setup.up_to_driver_mm,
        "temp_ref_c": around.reference_c,
        "load_ref_n": around.reference_load_n,
    }
    return Drive(**told | settings)


def chain_of(setup: DriveSetup) -> Chain:
    return Chain(
        chain_id=f"{setup.drive_id}-1",
        drive_id=setup.drive_id,
        designation=setup.designation,
        pitch_mm=setup.pitch_mm,
        pitches_in_loop=setup.pitches_in_loop,
        fitted_ns=0,
    )


def _baseline(setup: DriveSetup, seed: int, drive: Drive, chain: Chain) -> Baseline:
    """What was written down when the sensors were set up, with the alternation of the readings of that time."""
    written = setup.commissioning(seed)
    then = replace(
        setup, elongation_pct=setup.commissioned_pct, motion=Motion.constant(0.8), up=Sensor(), down=Sensor()
    )
    device = then.build(seed=seed, start_ns=COMMISSIONED_NS)
    seen = [
        convert(batch_of(then, window), drive=drive, chain=chain, baseline=None, last=None)
        for window in islice(device.windows(), 6)
    ]
    return Baseline(
        chain_id=chain.chain_id,
        pitches_between=written.pitches_between,
        pitches_between_u=written.pitches_between_u,
        elongation_pct=written.elongation_pct,
        elongation_u_pct=written.elongation_u_pct,
        taken_ns=COMMISSIONED_NS,
        recorded_ns=COMMISSIONED_NS,
        recorded_by="tests",
        why="commissioning",
        up_alternation_pct=mean_of(each.up_alternation_pct for each in seen),
        down_alternation_pct=mean_of(each.down_alternation_pct for each in seen),
    )


def batch_of(setup: DriveSetup, window: Window) -> Batch:
    """A window of a device as the worker decodes it."""
    pulses, device = window.pulses, setup.device
    around, middle_s = setup.surroundings, window.due_s - pulses.span_ticks * pulses.tick_ns / 2e9
    return Batch(
        drive_id=setup.drive_id,
        device_id=device.device_id,
        seq=window.seq,
        t0_ns=window.t0_ns,
        tick_ns=pulses.tick_ns,
        up=pulses.up_ticks,
        down=pulses.down_ticks,
        span_ns=pulses.span_ticks * pulses.tick_ns,
        direction=-1 if device.sends_direction and pulses.true_speed_m_s < 0 else 1,
        temp_c=around.temperature_c(middle_s) if device.sends_temperature else None,
        mount_c=around.mount_temperature_c(middle_s) if device.sends_temperature else None,
        load_n=around.tension_n(middle_s) if device.sends_load else None,
    )


def _last(readings: Sequence[Reading]) -> Last | None:
    measured: Iterator[Reading] = (each for each in reversed(readings) if each.elongation_pct is not None)
    newest = next(measured, None)
    return None if newest is None else Last(newest.elongation_pct or 0.0, newest.t_ns)
