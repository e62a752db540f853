"""A simulated drive that is being set up: its batches, as a device would send them, and what is true of it."""

import json
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np

from sensors_sim.chain import SimulatedChain
from sensors_sim.drive import Pulses, SimulatedDrive, Surroundings
from sensors_sim.motion import Motion
from sensors_sim.sensor import Sensor
from service.core.batch import Batch
from service.core.drive import Chain, Drive
from service.core.instant import format_rfc3339
from service.core.wire import Form
from service.ports import RawBatch

S = 10**9
T0_NS = 1_795_000_000 * S


@dataclass(frozen=True, kw_only=True)
class Running:
    """What a test changes of a sound drive. `registered` overrides what the register says of drive and chain."""

    seed: int = 0
    pitch_mm: float = 12.7
    whole_pitches: int = 24
    offset_pitches: float = 0.3
    loop: int = 120
    teeth: int = 19
    new_pct: float = 0.07
    elongation_pct: float = 0.07
    tolerance_pct: float = 0.1
    spacing_error_mm: float = 0.0
    up_to_driver_pitches: float = 45.0
    speeds: Sequence[float] = (1.0,)
    motion: Motion | None = None
    seconds: float = 120.0  # at each speed
    window_s: float = 5.0
    tick_ns: int = 1000
    up: Sensor = field(default_factory=Sensor)
    down: Sensor = field(default_factory=Sensor)
    surroundings: Surroundings = field(default_factory=Surroundings)
    sends: Sequence[str] = ()  # of temp_c, mount_c, load_n, up_on_us, down_on_us
    registered: dict[str, Any] = field(default_factory=dict)

    @property
    def spacing_mm(self) -> float:
        return (self.whole_pitches + self.offset_pitches) * self.pitch_mm + self.spacing_error_mm

    @property
    def true_pitches_between(self) -> float:
        """At reference temperature and load."""
        return self.spacing_mm / self.pitch_mm / (1 + self.elongation_pct / 100)

    @property
    def drive(self) -> Drive:
        given = {
            "drive_id": "d",
            "whole_pitches": self.whole_pitches,
            "offset_pitches": self.offset_pitches,
            "driver_teeth": self.teeth,
        }
        changed = {
            name: value for name, value in self.registered.items() if name in Drive.__dataclass_fields__
        }
        return Drive(**given | changed)  # type: ignore[arg-type]

    @property
    def chain(self) -> Chain:
        given = {
            "chain_id": "d/1",
            "drive_id": "d",
            "designation": "",
            "pitch_mm": self.pitch_mm,
            "pitches_in_loop": self.loop,
            "fitted_ns": 0,
        }
        changed = {
            name: value for name, value in self.registered.items() if name in Chain.__dataclass_fields__
        }
        return Chain(**given | changed)  # type: ignore[arg-type]

    def batches(self) -> list[Batch]:
        """The batches of all speeds, one after the other, as one device sends them."""
        chain = SimulatedChain.make(
            pitch_mm=self.pitch_mm,
            pitches=self.loop,
            elongation_pct=self.elongation_pct,
            manufacture_pct=self.new_pct,
            tolerance_pct=self.tolerance_pct,
            rng=np.random.default_rng((self.seed, 9)),
        )
        found: list[Batch] = []
        for number, speed in enumerate(self.speeds):
            drive = SimulatedDrive(
                chain=chain,
                motion=self.motion or Motion.constant(speed),
                spacing_mm=self.spacing_mm,
                up_to_driver_mm=self.up_to_driver_pitches * self.pitch_mm,
                teeth=self.teeth,
                up=self.up,
                down=self.down,
                surroundings=self.surroundings,
                tick_ns=self.tick_ns,
                start_ns=T0_NS + round(number * (self.seconds + 20)) * S,
                seed=1000 * self.seed + number,
            )
            for _ in range(round(self.seconds / self.window_s)):
                found.append(self._batch(drive, len(found)))
        return found

    def _batch(self, drive: SimulatedDrive, seq: int) -> Batch:
        middle_s = drive.now_s + self.window_s / 2
        made = drive.run(self.window_s)
        sent = {
            "temp_c": self.surroundings.temperature_c(middle_s),
            "mount_c": self.surroundings.mount_temperature_c(middle_s),
            "load_n": self.surroundings.tension_n(middle_s),
            "up_on_us": _on_us(self.up, made),
            "down_on_us": _on_us(self.down, made),
        }
        return Batch(
            drive_id="d",
            seq=seq,
            t0_ns=made.t0_ns,
            tick_ns=made.tick_ns,
            up=made.up_ticks,
            down=made.down_ticks,
            span_ns=made.span_ticks * made.tick_ns,
            **{name: value for name, value in sent.items() if name in self.sends},  # type: ignore[arg-type]
        )


def _on_us(sensor: Sensor, made: Pulses) -> float | None:
    """How long a joint keeps a sensor on, on the mean: the width over which it does over the mean speed."""
    return 1000 * sensor.target_mm / abs(made.true_speed_m_s) if made.true_speed_m_s else None


def exchanged(batches: Sequence[Batch]) -> list[Batch]:
    """The same with the plugs of the two sensors exchanged."""
    return [replace(each, up=each.down, down=each.up) for each in batches]


def sent(batch: Batch) -> RawBatch:
    """The batch as its device sent it: JSON by the wire contract, written by the standard library."""
    fields: dict[str, Any] = {
        "v": 1,
        "seq": batch.seq,
        "t0": format_rfc3339(batch.t0_ns),
        "tick_ns": batch.tick_ns,
        "up": batch.up.tolist(),
        "down": batch.down.tolist(),
        "temp_c": batch.temp_c,
        "mount_c": batch.mount_c,
        "load_n": batch.load_n,
        "up_on_us": batch.up_on_us,
        "down_on_us": batch.down_on_us,
        "dev": batch.device_id or None,
    }
    if batch.span_ns is not None:
        fields["span_ticks"] = batch.span_ns // batch.tick_ns
    return RawBatch(
        drive_id=batch.drive_id,
        device_id=batch.device_id,
        t0_ns=batch.t0_ns,
        seq=batch.seq,
        t_ns=batch.end_ns,
        form=Form.PULSES,
        content_type="application/json",
        payload=json.dumps(fields).encode(),
    )
