"""Named scenarios: one drive each, with one thing about it that a reader of pulses must cope with.

Each is the ordinary drive below with what its sentence says changed. Times are seconds into the run.
"""

from dataclasses import dataclass, replace
from typing import Any

from sensors_sim.chain import StiffJoint, Wear, WornSection
from sensors_sim.device import ClockFault, Trouble
from sensors_sim.drive import Surroundings
from sensors_sim.encoding import Encoding
from sensors_sim.motion import Motion
from sensors_sim.sensor import Sensor
from sensors_sim.setup import DeviceSetup, DriveSetup

_PITCH_MM = 12.7
_DECADES_S = 1_000_000_000.0  # takes any clock of today to before 2000

ORDINARY = DriveSetup(
    drive_id="steady",
    name="Test stand",
    site="Test stand",
    designation="08B-1",
    pitch_mm=_PITCH_MM,
    pitches_in_loop=120,
    whole_pitches=24,
    offset_pitches=0.1,
    driver_teeth=19,
    driven_teeth=38,
    up_to_driver_mm=36.4 * _PITCH_MM,
    new_pct=0.06,
    elongation_pct=1.2,
    motion=Motion.wander(1.0, spread=0.004, correlation_s=4.0, seed=1),
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Scenario:
    """A name, one sentence about it, and the drive."""

    name: str
    about: str
    drive: DriveSetup


def _scenario(name: str, about: str, **changes: Any) -> Scenario:
    drive = replace(ORDINARY, drive_id=name.replace("_", "-"), name=about.rstrip("."), **changes)
    return Scenario(name=name, about=about, drive=drive)


def _troubled(**trouble: Any) -> DeviceSetup:
    return DeviceSetup(device_id="cap-1", trouble=Trouble(**trouble))


SCENARIOS: dict[str, Scenario] = {
    scenario.name: scenario
    for scenario in (
        _scenario("steady", "An ordinary drive at a nearly steady speed."),
        _scenario(
            "ramping",
            "The speed ramps between 0.5 and 1.5 m/s in 20 s, again and again.",
            motion=Motion.ramp(0.5, 1.5, over_s=20, hold_s=20),
        ),
        _scenario(
            "start_stop",
            "The drive runs 25 s, stops within 1 s, stands 15 s, and starts again.",
            motion=Motion.start_stop(1.0, run_s=25, stand_s=15),
        ),
        _scenario(
            "reversing",
            "The drive runs 20 s forward and 10 s back, in turn.",
            motion=Motion.reversing(0.8, forward_s=20, reverse_s=10),
            up=Sensor(target_mm=8.51),
            down=Sensor(target_mm=8.51),
            device=DeviceSetup(sends_direction=True),
        ),
        _scenario(
            "missed_pulses",
            "Both sensors miss 5 % of the joints.",
            up=Sensor(missed=0.05),
            down=Sensor(missed=0.05),
        ),
        _scenario(
            "doubled_pulses",
            "Both sensors bounce on 2 % of the joints.",
            up=Sensor(doubled=0.02),
            down=Sensor(doubled=0.02),
        ),
        _scenario(
            "spurious",
            "Interference adds a pulse to `up` every 2 s on average.",
            up=Sensor(spurious_per_s=0.5),
        ),
        _scenario(
            "loose_wire",
            "The wire of `down` is loose: off for about 1 s every 20 s.",
            down=Sensor(outages_per_s=0.05, outage_s=1.0),
        ),
        _scenario(
            "unequal_delay",
            "`down` switches 0.3 ms later than `up`, at a speed that swings by a fifth.",
            motion=Motion.drift(1.0, swing=0.2, period_s=60),
            down=Sensor(delay_s=0.3e-3),
        ),
        _scenario(
            "gap_widened",
            "Somebody has moved `down` away from the chain since it was set up; the device sends how long each stays on.",
            up=Sensor(target_mm=6.4),
            down=Sensor(target_mm=3.9),
            device=DeviceSetup(sends_on_time=True),
        ),
        _scenario(
            "worn_section",
            "A run of 20 joints has worn four times as much as the others, and one joint is bad.",
            worn_section=WornSection(first_joint=30, joints=20, factor=4.0),
            bad_joint_mm=0.6,
        ),
        _scenario(
            "spliced_section",
            "A run of 24 joints is new: spliced in where the worn chain had broken.",
            worn_section=WornSection(first_joint=70, joints=24, factor=0.0),
        ),
        _scenario(
            "stiff_joint",
            "One joint stays bent when it leaves the sprocket, and is pulled straight on its way to the driver.",
            stiff=StiffJoint(joint=40, shift_mm=0.8),
        ),
        _scenario("cranked_link", "The loop has 121 pitches, so one link is cranked.", pitches_in_loop=121),
        _scenario(
            "moved_bracket",
            "After 90 s somebody knocks the bracket of `down` 0.6 mm forward.",
            moved_at_s=90,
            moved_mm=0.6,
        ),
        _scenario("sensor_fails", "`down` falls silent after 30 s.", down=Sensor(silent_from_s=30)),
        _scenario(
            "device_restart",
            "The device restarts after 23 s and 48 s and counts from 0 again.",
            device=_troubled(restarts_s=(23.0, 48.0)),
        ),
        _scenario(
            "redelivery", "Every third batch is sent a second time.", device=_troubled(redelivered=0.33)
        ),
        _scenario(
            "backlog",
            "The network is away from 20 s to 50 s; the device holds its batches and sends them afterwards.",
            device=_troubled(offline_s=((20.0, 50.0),)),
        ),
        _scenario(
            "clock_ahead",
            "From 20 s to 40 s the device's clock is an hour ahead.",
            device=_troubled(clock=(ClockFault(from_s=20, to_s=40, shift_s=3600),)),
        ),
        _scenario(
            "clock_lost",
            "Until 20 s the device does not know the year: its clock says a time before 2000.",
            device=_troubled(clock=(ClockFault(from_s=0, to_s=20, shift_s=-_DECADES_S),)),
        ),
        _scenario(
            "clock_back",
            "After 30 s the device's clock is set back by 12 s.",
            device=_troubled(clock=(ClockFault(from_s=30, shift_s=-12),)),
        ),
        _scenario(
            "slow",
            "A slow conveyor at 0.2 m/s with windows of 20 s, in CBOR.",
            motion=Motion.wander(0.2, spread=0.004, correlation_s=10.0, seed=2),
            device=DeviceSetup(window_s=20, encoding=Encoding.CBOR),
        ),
        _scenario(
            "fast",
            "A fast drive at 4 m/s, in CBOR.",
            motion=Motion.wander(4.0, spread=0.002, correlation_s=2.0, seed=3),
            device=DeviceSetup(encoding=Encoding.CBOR, tick_ns=500),
        ),
        _scenario(
            "reduced",
            "A small PLC that sends mean period and mean lag instead of pulses.",
            device=DeviceSetup(reduced=True, device_id="plc-1"),
        ),
        _scenario(
            "hot_chain",
            "The chain is 60 K warmer than its mount; the device sends both temperatures.",
            surroundings=Surroundings(chain_c=85, chain_swing_k=10, mount_c=25, temperature_period_s=120),
            device=DeviceSetup(sends_temperature=True),
        ),
        _scenario(
            "load_swings",
            "The tension swings between 1 and 3 kN; the device sends it.",
            surroundings=Surroundings(
                load_n=2000,
                load_swing_n=1000,
                load_period_s=30,
                reference_load_n=2000,
                strain_pct_per_kn=0.03,
            ),
            device=DeviceSetup(sends_load=True),
        ),
        _scenario("near_limit", "The chain is at 2.97 % and wears on unhurried.", elongation_pct=2.97),
        _scenario(
            "crossing_limit",
            "Wear sped up so that the chain passes 3 % after about 60 s.",
            elongation_pct=2.93,
            wear=Wear(pct_per_million_laps=0.04, speedup=45_000),
        ),
    )
}
