"""Every kind of fault that a simulated drive can have is found and named, and none is named on a hundred sound ones.

One drive, one fault, and all that looks for faults in what it sends: what readings show together (`findings`), the state
of the sensing (`health`), the chain link by link (`chain_faults`). What must be told is in the table whole, so nothing else
may be: a moved bracket also makes the value doubtful, a worn section no sensor bad. Setting a drive up has a table of its
own (`tests/core/test_commission.py`), which is gone through here as well. Sizes, places and words: tests of each part.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
import pytest

from sensors_sim.chain import StiffJoint, WornSection
from sensors_sim.device import ClockFault, Trouble, Window
from sensors_sim.motion import Motion
from sensors_sim.sensor import Sensor
from sensors_sim.setup import DeviceSetup, DriveSetup
from service.core.chain_faults import Fault, faults_of
from service.core.chain_map import begin, fold
from service.core.commission import StepState
from service.core.findings import FindingKind
from service.core.health import Known, SignKind, lasting_signs, present_signs
from service.core.link_map import map_of
from tests.core import test_commission, test_findings
from tests.core.watched import START_NS, S, Watched, batch_of, ordinary, seen_by, watch

DAY_NS = 24 * 3600 * S
SWINGING = Motion.drift(1.25, swing=0.6, period_s=200)
LOOSE = Sensor(repeatability_mm=1.6)
WORN, NEW = (WornSection(first_joint=30, joints=20, factor=factor) for factor in (4.0, 0.0))


# --- what is told of a drive ----------------------------------------------------------------------------------


def told_by_readings(watched: Watched, **known: Any) -> set[str]:
    """The names of what is found in readings: findings, and signs of the state of the sensing."""
    findings = watched.findings
    newest_ns, pitch_mm = watched.readings[-1].t_ns, watched.chain.pitch_mm
    about = Known(**{"now_ns": newest_ns, "pitch_mm": pitch_mm} | known)
    signs = [
        *present_signs(watched.readings, about),
        *lasting_signs(watched.readings, (), findings, pitch_mm),
    ]
    return {each.kind.value for each in findings} | {each.kind.value for each in signs}


def told_by_links(setup: DriveSetup, windows: Sequence[Window]) -> set[str]:
    """The names of what is wrong with single links, folded from what the device saw."""
    chain_map = begin(setup.pitches_in_loop)
    between = setup.spacing_mm / setup.pitch_mm / (1 + setup.elongation_pct / 100)
    for window in windows:
        batch = batch_of(setup, window)
        up_s, down_s = (np.multiply(each, batch.tick_ns * 1e-9) for each in (batch.up, batch.down))
        if len(up_s) > 1 and len(down_s) > 1:
            chain_map, _ = fold(
                chain_map, up_s=up_s, down_s=down_s, t0_ns=batch.t0_ns, pitches_between=between
            )
    links = map_of(chain_map, setup.elongation_pct, setup.driver_teeth)
    return set() if links is None else {each.fault.value for each in faults_of(links, setup.pitch_mm)}


# --- the faults -----------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class Case:
    """A fault: what makes it, and all that must be told of it.

    changes: of the simulator's ordinary drive. watched: makes the readings where that is not enough.
    known: of the device, besides its readings.
    """

    told: set[str]
    changes: dict[str, Any] = field(default_factory=dict)
    windows: int = 40
    watched: Callable[[], Watched] | None = None
    known: Callable[[Watched], dict[str, Any]] = lambda _: {}

    def all_told(self) -> set[str]:
        setup = ordinary(**self.changes)
        watched = self.watched() if self.watched else watch(setup, self.windows)
        return told_by_readings(watched, **self.known(watched)) | told_by_links(
            setup, seen_by(setup, 8, seed=1)
        )


def worn_at_once() -> Watched:
    return test_findings.on(watch(ordinary(), 100), ordinary(elongation_pct=1.23), 100)


def over_days(**sensors: Callable[[float], Sensor]) -> Watched:
    """Ten days, two minutes of each, over which a sensor changes: `part` of the change goes from 0 to 1."""
    watched = watch(ordinary(), 2)
    for day in range(1, 11):
        changed = ordinary(**{name: sensor((day - 1) / 9) for name, sensor in sensors.items()})
        today = watch(changed, 24, by=watched, start_ns=START_NS + day * DAY_NS)
        watched = watched.then(today)
    return watched


def delay_grows() -> Watched:
    return over_days(down=lambda part: Sensor(delay_s=part * 300e-6))


def gap_opens() -> Watched:
    """Further from the chain a sensor switches less surely, and not for every joint."""
    return over_days(up=lambda part: Sensor(repeatability_mm=0.05 + 0.35 * part, missed=0.008 * part))


def ended_ns(watched: Watched) -> int:
    return watched.readings[-1].t_ns


def went_offline(watched: Watched) -> dict[str, Any]:
    return {"now_ns": ended_ns(watched) + 60 * S, "online": False, "online_since_ns": ended_ns(watched) + S}


FAULTS: dict[str, Case] = {
    # mounting
    "a bracket moved by 0.1 mm": Case(
        told={FindingKind.BRACKET_MOVED, SignKind.VALUE_DOUBTFUL},
        changes={"moved_at_s": 500, "moved_mm": 0.1},
        windows=200,
    ),
    "a bracket that creeps": Case(
        told={FindingKind.LAG_DRIFTS, SignKind.DELAY_DRIFTS}, watched=test_findings.creeping
    ),
    "a bracket moved before anybody looked": Case(
        told={FindingKind.DISAGREE, SignKind.VALUE_DOUBTFUL}, watched=test_findings.moved_before
    ),
    "up and down swapped": Case(
        told={FindingKind.REVERSED, SignKind.OUT_OF_RANGE, SignKind.VALUE_DOUBTFUL},
        watched=test_findings.backwards,
    ),
    "switching delays 100 us apart": Case(
        told={FindingKind.DELAY_UNEQUAL, SignKind.DELAY_DRIFTS},
        changes={"motion": SWINGING, "down": Sensor(delay_s=100e-6)},
        windows=120,
    ),
    # sensors
    "a sensor silent": Case(told={SignKind.SENSOR_SILENT}, changes={"down": Sensor(silent_from_s=100)}),
    "a sensor that misses pulses": Case(told={SignKind.PULSES_MISSED}, changes={"up": Sensor(missed=0.03)}),
    "a sensor that doubles pulses": Case(
        told={SignKind.PULSES_EXTRA}, changes={"down": Sensor(doubled=0.03)}
    ),
    "loose sensors, no common lag": Case(told={SignKind.LOW_COHERENCE}, changes={"up": LOOSE, "down": LOOSE}),
    "a switching delay that grows over days": Case(
        told={FindingKind.LAG_DRIFTS, SignKind.DELAY_DRIFTS}, watched=delay_grows
    ),
    "a gap that opens over days": Case(
        told={SignKind.MISSED_RISING, SignKind.COHERENCE_FALLING}, watched=gap_opens
    ),
    # device
    "a device gone offline": Case(told={SignKind.DEVICE_OFFLINE}, known=went_offline),
    "a device that sends nothing more": Case(
        told={SignKind.NO_DATA}, known=lambda watched: {"now_ns": ended_ns(watched) + 600 * S}
    ),
    "a clock ahead": Case(
        told={SignKind.CLOCK_AHEAD}, known=lambda watched: {"now_ns": ended_ns(watched) - 40 * S}
    ),
    "a clock set back": Case(
        told={SignKind.CLOCK_SET_BACK},
        changes={"device": DeviceSetup(trouble=Trouble(clock=(ClockFault(from_s=30, shift_s=-12),)))},
        windows=20,
    ),
    "batches lost": Case(
        told={SignKind.BATCHES_MISSING}, watched=lambda: watch(ordinary(), 60, lost=(10, 11, 25, 40, 41))
    ),
    "too slow for its windows": Case(
        told={SignKind.SPEED_OUT_OF_RANGE}, changes={"motion": Motion.constant(0.03)}, windows=12
    ),
    # chain
    "wear of 0.03 % at once": Case(told={FindingKind.WORE_AT_ONCE}, watched=worn_at_once),
    "a chain replaced that nobody registered": Case(
        told={FindingKind.CHAIN_CHANGED, FindingKind.WHOLE_BY_ALTERNATION, SignKind.VALUE_DOUBTFUL},
        watched=test_findings.shorter,
    ),
    "an outage with over half a pitch of wear": Case(
        told={FindingKind.WHOLE_BY_ALTERNATION, SignKind.VALUE_DOUBTFUL}, watched=test_findings.outage
    ),
    "a joint 1 mm long": Case(told={Fault.LONG_LINK}, changes={"bad_joint_mm": 1.0}),
    "a section worn fourfold": Case(told={Fault.WORN_SECTION}, changes={"worn_section": WORN}),
    "a section spliced in new": Case(told={Fault.NEW_SECTION}, changes={"worn_section": NEW}),
    "a stiff joint": Case(told={Fault.STIFF_JOINT}, changes={"stiff": StiffJoint(joint=40, shift_mm=0.8)}),
    "a joint out of place": Case(
        told={Fault.JOINT_OUT_OF_PLACE},
        changes={"stiff": StiffJoint(joint=40, shift_mm=-0.6, straightens_mm=float("inf"))},
    ),
    "a cranked link": Case(told={Fault.CRANKED_LINK}, changes={"pitches_in_loop": 121}),
}


@pytest.mark.parametrize("fault", FAULTS)
def test_each_fault_is_told_by_its_name_and_nothing_else_is(fault: str) -> None:
    case = FAULTS[fault]
    assert case.all_told() == case.told


@pytest.mark.parametrize("fault", test_commission.FAULTS)
def test_each_fault_at_set_up_fails_its_step_and_stands_in_the_way_of_the_baseline(fault: str) -> None:
    *_, step, _, _ = test_commission.FAULTS[fault]
    found = test_commission.judged(fault)
    assert found.step(step).state is StepState.FAILED
    assert not found.ready_for_baseline


# --- sound drives ---------------------------------------------------------------------------------------------


@pytest.mark.parametrize("seed", range(100))
def test_nothing_is_told_of_a_sound_drive(seed: int) -> None:
    """Of any size, motion and surroundings, with the few pulses missed that every sensor misses."""
    setup, window_s = test_findings.sound(seed)
    sensor = replace(setup.up, missed=min(setup.up.missed, 0.002))
    setup = replace(setup, up=sensor, down=sensor, worn_section=None)
    windows = seen_by(setup, 50, seed=seed, window_s=window_s)
    watched = watch(setup, 50, seed=seed, windows=windows)
    assert sum(each.reason is None for each in watched.readings) > 20
    assert told_by_readings(watched) | told_by_links(setup, windows) == set()


@pytest.mark.parametrize("seed", range(100, 150))
def test_a_sound_drive_is_ready_for_its_baseline(seed: int) -> None:
    running = test_commission.any_sound_drive(seed)
    found = test_commission.judge(running)
    assert test_commission.unsound(found) == {}
    assert found.ready_for_baseline
