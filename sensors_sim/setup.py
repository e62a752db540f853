"""One simulated drive completely described: what the register is told, what is true, and how its device behaves.

Knows how to build a running device from that, and what a commissioning measurement would have written down. Must not
know MQTT.
"""

from dataclasses import dataclass, field, replace
from zlib import crc32

import numpy as np

from sensors_sim.chain import SimulatedChain, StiffJoint, Wear, WornSection
from sensors_sim.device import Device, Trouble
from sensors_sim.drive import SimulatedDrive, Surroundings
from sensors_sim.encoding import Encoding
from sensors_sim.motion import Motion
from sensors_sim.sensor import Sensor


@dataclass(frozen=True, slots=True, kw_only=True)
class Commissioning:
    """What was written down when the sensors were set up on the chain, with its errors."""

    pitches_between: float
    pitches_between_u: float
    elongation_pct: float
    elongation_u_pct: float


@dataclass(frozen=True, slots=True, kw_only=True)
class DeviceSetup:
    """How the device on a drive is built and set: see `Device` for the fields."""

    device_id: str = ""
    window_s: float = 5.0
    tick_ns: int = 1000
    clock_ppm: float = 0.0
    encoding: Encoding = Encoding.JSON
    delta: bool = False
    reduced: bool = False
    integer_time: bool = False
    sends_direction: bool = False
    sends_temperature: bool = False
    sends_load: bool = False
    sends_on_time: bool = False
    trouble: Trouble = field(default_factory=Trouble)


@dataclass(frozen=True, slots=True, kw_only=True)
class DriveSetup:
    """One simulated drive.

    The register is told the geometry as measured with a tape; `spacing_error_mm` is what the tape was wrong by.
    `elongation_pct` is the true mean elongation when the run starts; `new_pct` what the chain was made with;
    `worn_since_pct` how much of the wear came after the sensors were set up on the running chain (never more than all).
    `registered`: whether `register` lists it at all.
    """

    drive_id: str
    name: str
    site: str = ""
    area: str = ""
    line: str = ""
    drive_class: str = ""
    designation: str
    pitch_mm: float
    pitches_in_loop: int
    whole_pitches: int
    offset_pitches: float = 0.0
    driver_teeth: int
    driven_teeth: int
    up_to_driver_mm: float
    fixed_centres: bool = False
    own_limit_pct: float | None = None
    note: str = ""
    registered: bool = True
    spacing_error_mm: float = 0.3
    new_pct: float = 0.06
    worn_since_pct: float = 0.12
    elongation_pct: float = 0.5
    worn_section: WornSection | None = None
    bad_joint_mm: float = 0.0
    stiff: StiffJoint | None = None
    wear: Wear = field(default_factory=Wear)
    motion: Motion
    up: Sensor = field(default_factory=Sensor)
    down: Sensor = field(default_factory=Sensor)
    surroundings: Surroundings = field(default_factory=Surroundings)
    moved_at_s: float = float("inf")
    moved_mm: float = 0.0
    device: DeviceSetup = field(default_factory=DeviceSetup)

    @property
    def spacing_mm(self) -> float:
        """The actual length along the strand between the sensors."""
        return (self.whole_pitches + self.offset_pitches) * self.pitch_mm + self.spacing_error_mm

    def own_seed(self, seed: int) -> int:
        """Return a seed that differs from drive to drive and is the same in every run with `seed`."""
        return crc32(f"{seed}/{self.drive_id}".encode())

    @property
    def commissioned_pct(self) -> float:
        """The true mean elongation when the sensors were set up."""
        return max(self.new_pct, self.elongation_pct - self.worn_since_pct)

    def commissioning(self, seed: int) -> Commissioning:
        """Return what a fitter wrote down at the time: both values with the error they are said to have."""
        rng = np.random.default_rng((self.own_seed(seed), 7))
        true_pitches = self.spacing_mm / (self.pitch_mm * (1 + self.commissioned_pct / 100))
        pitches_u, elongation_u_pct = 0.0005, 0.02
        return Commissioning(
            pitches_between=round(true_pitches + rng.normal(0, pitches_u), 4),
            pitches_between_u=pitches_u,
            elongation_pct=round(self.commissioned_pct + rng.normal(0, elongation_u_pct), 3),
            elongation_u_pct=elongation_u_pct,
        )

    def build(
        self,
        *,
        seed: int,
        start_ns: int,
        root: str = "linklag/v1",
        speedup: float = 1.0,
        window_s: float | None = None,
    ) -> Device:
        """Return the device on its running drive. `speedup` multiplies the wear; `window_s` overrides the setup's."""
        own_seed = self.own_seed(seed)
        chain = SimulatedChain.make(
            pitch_mm=self.pitch_mm,
            pitches=self.pitches_in_loop,
            elongation_pct=self.elongation_pct,
            manufacture_pct=self.new_pct,
            worn_section=self.worn_section,
            bad_joint_mm=self.bad_joint_mm,
            stiff=self.stiff,
            rng=np.random.default_rng((own_seed, 9)),
        )
        drive = SimulatedDrive(
            chain=chain,
            motion=self.motion,
            spacing_mm=self.spacing_mm,
            up_to_driver_mm=self.up_to_driver_mm,
            teeth=self.driver_teeth,
            up=self.up,
            down=self.down,
            surroundings=self.surroundings,
            wear=replace(self.wear, speedup=self.wear.speedup * speedup),
            tick_ns=self.device.tick_ns,
            clock_ppm=self.device.clock_ppm,
            start_ns=start_ns,
            moved_at_s=self.moved_at_s,
            moved_mm=self.moved_mm,
            seed=own_seed,
        )
        device = self.device
        return Device(
            drive=drive,
            drive_id=self.drive_id,
            root=root,
            device_id=device.device_id,
            window_s=window_s if window_s is not None else device.window_s,
            encoding=device.encoding,
            delta=device.delta,
            reduced=device.reduced,
            integer_time=device.integer_time,
            sends_direction=device.sends_direction,
            sends_temperature=device.sends_temperature,
            sends_load=device.sends_load,
            sends_on_time=device.sends_on_time,
            trouble=device.trouble,
            seed=own_seed,
        )
