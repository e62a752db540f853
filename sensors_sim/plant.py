"""A brick works of our own invention, with drives of many kinds. It exists nowhere.

Knows which drives there are and what becomes of each within two minutes. Every figure here is invented.
"""

from dataclasses import dataclass

from sensors_sim.chain import Wear
from sensors_sim.device import Trouble
from sensors_sim.drive import Surroundings
from sensors_sim.encoding import Encoding
from sensors_sim.motion import Motion
from sensors_sim.sensor import Sensor
from sensors_sim.setup import DeviceSetup, DriveSetup


@dataclass(frozen=True, slots=True, kw_only=True)
class Plant:
    """A name, one sentence about it, and its drives."""

    name: str
    about: str
    drives: tuple[DriveSetup, ...]


_SITE = "Marrowdale brick works"

BRICKWORKS = Plant(
    name="brickworks",
    about="Nine drives of a brick works of our own invention: one passes its limit after about a minute, one loses a sensor "
    "after 60 s, one starts and stops, one nobody registered, one device sends garbage now and then.",
    drives=(
        DriveSetup(
            drive_id="clay-feeder",
            name="Clay box feeder",
            site=_SITE,
            area="Clay preparation",
            line="Preparation 1",
            drive_class="feeder",
            designation="16B-1",
            pitch_mm=25.4,
            pitches_in_loop=90,
            whole_pitches=20,
            offset_pitches=0.2,
            driver_teeth=17,
            driven_teeth=38,
            up_to_driver_mm=30 * 25.4,
            elongation_pct=0.85,
            motion=Motion.wander(0.6, spread=0.004, correlation_s=6.0, seed=11),
            device=DeviceSetup(device_id="plc-feeder", reduced=True),
        ),
        DriveSetup(
            drive_id="bucket-elevator",
            name="Clay bucket elevator",
            site=_SITE,
            area="Clay preparation",
            line="Preparation 1",
            drive_class="elevator",
            designation="24B-1",
            pitch_mm=38.1,
            pitches_in_loop=110,
            whole_pitches=14,
            offset_pitches=0.3,
            driver_teeth=15,
            driven_teeth=15,
            up_to_driver_mm=22 * 38.1,
            new_pct=0.09,
            elongation_pct=1.62,
            motion=Motion.wander(0.9, spread=0.006, correlation_s=5.0, seed=12),
            device=DeviceSetup(encoding=Encoding.CBOR, integer_time=True),
        ),
        DriveSetup(
            drive_id="wire-cutter",
            name="Wire cutter table",
            site=_SITE,
            area="Shaping",
            line="Extruder 2",
            drive_class="cutter",
            designation="08B-1",
            pitch_mm=12.7,
            pitches_in_loop=96,
            whole_pitches=24,
            driver_teeth=21,
            driven_teeth=21,
            up_to_driver_mm=32 * 12.7,
            fixed_centres=True,
            note="Starts and stops with every column of clay.",
            new_pct=0.04,
            elongation_pct=1.18,
            motion=Motion.start_stop(0.8, run_s=18, stand_s=9, ramp_s=0.8),
            device=DeviceSetup(device_id="cap-07", window_s=4.0, sends_direction=True),
        ),
        DriveSetup(
            drive_id="setting-conveyor",
            name="Setting machine conveyor",
            site=_SITE,
            area="Shaping",
            line="Extruder 2",
            drive_class="conveyor",
            designation="12B-1",
            pitch_mm=19.05,
            pitches_in_loop=100,
            whole_pitches=22,
            offset_pitches=0.1,
            driver_teeth=19,
            driven_teeth=57,
            up_to_driver_mm=29 * 19.05,
            new_pct=0.07,
            elongation_pct=2.935,
            wear=Wear(speedup=60_000),
            motion=Motion.wander(1.1, spread=0.004, correlation_s=4.0, seed=14),
            device=DeviceSetup(device_id="cap-03"),
        ),
        DriveSetup(
            drive_id="dryer-conveyor",
            name="Dryer slat conveyor",
            site=_SITE,
            area="Drying",
            line="Chamber dryer",
            drive_class="conveyor",
            designation="216A",
            pitch_mm=50.8,
            pitches_in_loop=80,
            whole_pitches=11,
            offset_pitches=0.4,
            driver_teeth=12,
            driven_teeth=12,
            up_to_driver_mm=18 * 50.8,
            new_pct=0.05,
            elongation_pct=0.41,
            motion=Motion.wander(0.5, spread=0.004, correlation_s=8.0, seed=15),
            surroundings=Surroundings(chain_c=62, chain_swing_k=6, mount_c=48, temperature_period_s=900),
            device=DeviceSetup(window_s=10.0, sends_temperature=True),
        ),
        DriveSetup(
            drive_id="kiln-car-pusher",
            name="Kiln car pusher",
            site=_SITE,
            area="Kiln",
            line="Tunnel kiln",
            drive_class="pusher",
            designation="24A-1",
            pitch_mm=38.1,
            pitches_in_loop=64,
            whole_pitches=13,
            offset_pitches=0.25,
            driver_teeth=13,
            driven_teeth=25,
            up_to_driver_mm=20 * 38.1,
            own_limit_pct=2.0,
            new_pct=0.08,
            elongation_pct=1.07,
            motion=Motion.wander(0.3, spread=0.004, correlation_s=10.0, seed=16),
            surroundings=Surroundings(chain_c=78, chain_swing_k=4, mount_c=41, temperature_period_s=1200),
            device=DeviceSetup(
                window_s=10.0, encoding=Encoding.CBOR_PLAIN, delta=True, sends_temperature=True
            ),
        ),
        DriveSetup(
            drive_id="kiln-exit-transfer",
            name="Kiln exit transfer",
            site=_SITE,
            area="Kiln",
            line="Tunnel kiln",
            drive_class="conveyor",
            designation="16A-1",
            pitch_mm=25.4,
            pitches_in_loop=84,
            whole_pitches=18,
            offset_pitches=0.15,
            driver_teeth=17,
            driven_teeth=51,
            up_to_driver_mm=26 * 25.4,
            elongation_pct=1.94,
            motion=Motion.wander(0.7, spread=0.004, correlation_s=5.0, seed=17),
            down=Sensor(silent_from_s=60.0),
            device=DeviceSetup(device_id="cap-05"),
        ),
        DriveSetup(
            drive_id="pallet-conveyor",
            name="Pallet conveyor",
            site=_SITE,
            area="Packing",
            line="Packing 1",
            drive_class="conveyor",
            designation="10B-1",
            pitch_mm=15.875,
            pitches_in_loop=112,
            whole_pitches=23,
            offset_pitches=0.05,
            driver_teeth=23,
            driven_teeth=46,
            up_to_driver_mm=32 * 15.875,
            note="The firmware of this device is old and sends garbage now and then.",
            elongation_pct=0.72,
            motion=Motion.wander(0.9, spread=0.006, correlation_s=4.0, seed=18),
            up=Sensor(missed=0.02),  # clear of 1 %, at which a sensor is said to want looking after
            down=Sensor(missed=0.004, doubled=0.004),
            surroundings=Surroundings(
                load_n=900, load_swing_n=300, load_period_s=45, reference_load_n=900, strain_pct_per_kn=0.025
            ),
            device=DeviceSetup(
                device_id="cap-02", sends_load=True, trouble=Trouble(garbage=0.2, redelivered=0.05)
            ),
        ),
        DriveSetup(
            drive_id="strapping-lift",
            name="Strapping lift",
            designation="08A-1",
            pitch_mm=12.7,
            pitches_in_loop=88,
            whole_pitches=24,
            driver_teeth=19,
            driven_teeth=19,
            up_to_driver_mm=31 * 12.7,
            registered=False,
            elongation_pct=0.33,
            motion=Motion.wander(0.6, spread=0.004, correlation_s=4.0, seed=19),
            device=DeviceSetup(device_id="cap-11"),
        ),
    ),
)

PLANTS: dict[str, Plant] = {BRICKWORKS.name: BRICKWORKS}
