"""The state of the sensing by NAMUR NE 107: each fault of a simulated drive is named, and none on sound ones."""

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import pytest

from sensors_sim.device import ClockFault, Trouble
from sensors_sim.motion import Motion
from sensors_sim.sensor import Sensor
from sensors_sim.setup import DeviceSetup
from service.core.health import (
    GRAVEST_FIRST,
    LETTERS,
    Health,
    Known,
    Sign,
    SignKind,
    Status,
    carried_on,
    health,
    lasting_signs,
    present_signs,
    silent_sensor,
)
from service.core.not_measured import NotMeasured
from tests.core.watched import START_NS, S, Watched, ordinary, watch

HOUR_NS = 3600 * S


def judged(watched: Watched, earlier: Watched | None = None, **known: Any) -> Health:
    """The state of the sensing just after the newest reading."""
    newest = watched.readings[-1] if watched.readings else None
    now_ns = START_NS if newest is None else newest.t_ns
    pitch_mm = watched.chain.pitch_mm
    told = Known(
        **{"now_ns": now_ns, "pitch_mm": pitch_mm, "commissioned": watched.baseline is not None} | known
    )
    before = earlier.readings if earlier else ()
    signs = [
        *present_signs(watched.readings, told),
        *lasting_signs(watched.readings, before, watched.findings, pitch_mm),
    ]
    return health(signs, newest)


def sign(found: Health, kind: SignKind) -> Sign:
    return next(each for each in found.signs if each.kind is kind)


def devised(**trouble: Any) -> DeviceSetup:
    return DeviceSetup(trouble=Trouble(**trouble))


def silent() -> Health:
    return judged(watch(ordinary(down=Sensor(silent_from_s=30)), 12))


def silent_in_short_windows() -> Health:
    """With 12 pulses a window no reason of the reading says that one sensor is silent."""
    return judged(watch(ordinary(down=Sensor(silent_from_s=0)), 12, window_s=0.15))


def quiet() -> Health:
    watched = watch(ordinary(), 12)
    return judged(watched, now_ns=watched.readings[-1].t_ns + 600 * S)


def offline() -> Health:
    watched = watch(ordinary(), 12)
    ended_ns = watched.readings[-1].t_ns
    return judged(watched, now_ns=ended_ns + 60 * S, online=False, online_since_ns=ended_ns + 40 * S)


def refused_for_its_clock() -> Health:
    watched = watch(ordinary(), 12)
    ended_ns = watched.readings[-1].t_ns
    refused = tuple(ended_ns + number * 5 * S for number in range(1, 5))
    return judged(watched, now_ns=ended_ns + 21 * S, clock_refused_ns=refused)


def commissioning() -> Health:
    return judged(watch(ordinary(), 6, commissioned=False), commissioning_since_ns=START_NS)


def without_baseline() -> Health:
    return judged(watch(ordinary(), 12, commissioned=False))


def simulated() -> Health:
    return judged(watch(ordinary(), 6), simulated=True)


def incoherent() -> Health:
    loose = Sensor(repeatability_mm=1.6)
    return judged(watch(ordinary(up=loose, down=loose), 12))


def ambiguous() -> Health:
    watched = watch(ordinary(), 12)
    reduced = [
        replace(each, reason=NotMeasured.AMBIGUOUS, elongation_pct=None, elongation_u_pct=None)
        for each in watched.readings
    ]
    return judged(replace(watched, readings=reduced))


def out_of_range() -> Health:
    before = watch(ordinary(), 4)
    return judged(watch(ordinary(spacing_error_mm=6.5), 12, by=before, start_ns=START_NS + 60 * S))


def too_slow() -> Health:
    return judged(watch(ordinary(motion=Motion.constant(0.03)), 12))


def never_steady() -> Health:
    return judged(watch(ordinary(motion=Motion.start_stop(1.0, run_s=0.15, stand_s=0.3, ramp_s=0.02)), 12))


def always_backwards() -> Health:
    device = DeviceSetup(sends_direction=True)
    return judged(watch(ordinary(motion=Motion.constant(-1.0), device=device), 12))


def ahead() -> Health:
    watched = watch(ordinary(), 12)
    return judged(watched, now_ns=watched.readings[-1].t_ns - 40 * S)


def doubted() -> Health:
    return judged(watch(ordinary(moved_at_s=300, moved_mm=0.4), 110))


def missing_pulses() -> Health:
    return judged(watch(ordinary(up=Sensor(missed=0.03)), 12))


def doubling_pulses() -> Health:
    return judged(watch(ordinary(down=Sensor(doubled=0.03)), 12))


def over_days(**sensor_on: Callable[[float], Sensor]) -> Health:
    """Ten days, 8 readings each, on which a sensor gets worse: `part` runs from 0 to 1."""
    past = watch(ordinary(), 2)
    for day in range(10):
        worse = {name: make(day / 9) for name, make in sensor_on.items()}
        today = watch(ordinary(**worse), 8, by=past, start_ns=START_NS + day * 24 * HOUR_NS)
        past = past.then(today)
    newest = replace(past, readings=past.readings[-8:])
    return judged(newest, replace(past, readings=past.readings[:-8]))


def missing_more() -> Health:
    return over_days(up=lambda part: Sensor(missed=0.008 * part))


def doubling_more() -> Health:
    return over_days(down=lambda part: Sensor(doubled=0.008 * part))


def scattering_more() -> Health:
    return over_days(down=lambda part: Sensor(repeatability_mm=0.05 + 0.4 * part))


def following_the_speed() -> Health:
    swinging = Motion.drift(1.25, swing=0.6, period_s=200)
    return judged(watch(ordinary(motion=swinging, down=Sensor(delay_s=100e-6)), 90))


def losing_batches() -> Health:
    return judged(watch(ordinary(), 60, lost=(10, 11, 25, 40, 41)))


def set_back() -> Health:
    return judged(watch(ordinary(device=devised(clock=(ClockFault(from_s=30, shift_s=-12),))), 20))


FAULTS: dict[str, tuple[Callable[[], Health], SignKind, Status]] = {
    "a sensor silent": (silent, SignKind.SENSOR_SILENT, Status.FAILURE),
    "silent in windows of few pulses": (silent_in_short_windows, SignKind.SENSOR_SILENT, Status.FAILURE),
    "no data": (quiet, SignKind.NO_DATA, Status.FAILURE),
    "device offline by its last will": (offline, SignKind.DEVICE_OFFLINE, Status.FAILURE),
    "clock refused": (refused_for_its_clock, SignKind.CLOCK_INVALID, Status.FAILURE),
    "being commissioned": (commissioning, SignKind.COMMISSIONING, Status.FUNCTION_CHECK),
    "no baseline": (without_baseline, SignKind.NO_BASELINE, Status.FUNCTION_CHECK),
    "simulated": (simulated, SignKind.SIMULATED, Status.FUNCTION_CHECK),
    "coherence low": (incoherent, SignKind.LOW_COHERENCE, Status.OUT_OF_SPECIFICATION),
    "ambiguous": (ambiguous, SignKind.AMBIGUOUS, Status.OUT_OF_SPECIFICATION),
    "out of range": (out_of_range, SignKind.OUT_OF_RANGE, Status.OUT_OF_SPECIFICATION),
    "too slow": (too_slow, SignKind.SPEED_OUT_OF_RANGE, Status.OUT_OF_SPECIFICATION),
    "never steady": (never_steady, SignKind.SPEED_OUT_OF_RANGE, Status.OUT_OF_SPECIFICATION),
    "always backwards": (always_backwards, SignKind.BACKWARDS, Status.OUT_OF_SPECIFICATION),
    "clock ahead": (ahead, SignKind.CLOCK_AHEAD, Status.OUT_OF_SPECIFICATION),
    "a bracket moved": (doubted, SignKind.VALUE_DOUBTFUL, Status.OUT_OF_SPECIFICATION),
    "pulses missed": (missing_pulses, SignKind.PULSES_MISSED, Status.MAINTENANCE_REQUIRED),
    "pulses doubled": (doubling_pulses, SignKind.PULSES_EXTRA, Status.MAINTENANCE_REQUIRED),
    "pulse loss rising": (missing_more, SignKind.MISSED_RISING, Status.MAINTENANCE_REQUIRED),
    "doubles rising": (doubling_more, SignKind.EXTRA_RISING, Status.MAINTENANCE_REQUIRED),
    "coherence falling": (scattering_more, SignKind.COHERENCE_FALLING, Status.MAINTENANCE_REQUIRED),
    "delay unequal": (following_the_speed, SignKind.DELAY_DRIFTS, Status.MAINTENANCE_REQUIRED),
    "batches lost": (losing_batches, SignKind.BATCHES_MISSING, Status.MAINTENANCE_REQUIRED),
    "clock set back": (set_back, SignKind.CLOCK_SET_BACK, Status.MAINTENANCE_REQUIRED),
}


@pytest.mark.parametrize("fault", FAULTS)
def test_each_fault_is_named_with_its_class_and_what_would_mend_it(fault: str) -> None:
    make, kind, status = FAULTS[fault]
    found = make()
    told = sign(found, kind)
    assert (found.status, told.status) == (status, status)
    assert found.what == told.what
    assert found.letter == LETTERS[status]
    assert told.mend.endswith(".")


def test_every_kind_of_sign_has_its_fault() -> None:
    assert {kind for _, kind, _ in FAULTS.values()} == set(SignKind)


@pytest.mark.parametrize("seed", range(20))
def test_a_sound_drive_has_a_good_state(seed: int) -> None:
    motions = (
        Motion.constant(0.8),
        Motion.drift(1.0, swing=0.2, period_s=60),
        Motion.start_stop(1.0, run_s=25, stand_s=15),
    )
    sensor = Sensor(missed=0.003 * (seed % 2), doubled=0.003 * (seed % 3 == 0))
    setup = ordinary(motion=motions[seed % 3], up=sensor, down=sensor)
    earlier = watch(setup, 30, seed=seed)
    watched = watch(setup, 30, seed=seed, by=earlier, start_ns=START_NS + HOUR_NS)
    found = judged(watched, earlier)
    stands = watched.readings[-1].reason is not None
    assert (found.status, found.signs) == (Status.NOT_JUDGED if stands else Status.GOOD, ())
    assert found.letter == ""


# Which one wins


def a_sign(status: Status, since_ns: int = 0) -> Sign:
    return Sign(kind=SignKind.NO_DATA, status=status, since_ns=since_ns, what=status.value, mend="m.")


def test_the_gravest_wins_in_the_order_of_the_standard() -> None:
    """NE 107: failure, function check, out of specification, maintenance required (from memory)."""
    assert [LETTERS[status] for status in GRAVEST_FIRST] == ["F", "C", "S", "M"]
    for first, status in enumerate(GRAVEST_FIRST):
        present = [a_sign(each) for each in reversed(GRAVEST_FIRST[first:])]
        found = health(present, None)
        assert found.status is status
        assert [each.status for each in found.signs] == list(GRAVEST_FIRST[first:])


def test_a_silent_sensor_hides_no_missing_baseline() -> None:
    found = judged(watch(ordinary(down=Sensor(silent_from_s=0)), 6, commissioned=False))
    assert [each.kind for each in found.signs] == [SignKind.SENSOR_SILENT, SignKind.NO_BASELINE]


def test_without_signs_a_stopped_drive_is_not_judged() -> None:
    found = judged(watch(ordinary(motion=Motion.constant(0.0)), 6))
    assert (found.status, found.what) == (Status.NOT_JUDGED, "Not judged from this window")


def test_a_drive_of_which_nothing_is_known_is_not_judged() -> None:
    assert judged(replace(watch(ordinary(), 1), readings=[])).status is Status.NOT_JUDGED


# Since when


def test_a_silent_sensor_is_named_with_the_time_it_fell_silent() -> None:
    """It falls silent after 30 s, so the window that ends at 35 s is the first without it."""
    told = sign(silent(), SignKind.SENSOR_SILENT)
    assert (told.sensor, told.since_ns) == ("down", START_NS + 35 * S)
    assert "Sensor down is silent" in told.what


def test_a_stop_does_not_make_a_fault_younger() -> None:
    setup = ordinary(motion=Motion.start_stop(1.0, run_s=10, stand_s=10), up=Sensor(silent_from_s=0))
    told = sign(judged(watch(setup, 11)), SignKind.SENSOR_SILENT)
    assert told.since_ns == START_NS + 5 * S


def test_what_goes_on_keeps_its_beginning_and_what_is_new_does_not() -> None:
    before = [a_sign(Status.FAILURE, 100)]
    (again,) = carried_on([a_sign(Status.FAILURE, 900)], before)
    assert again.since_ns == 100
    other = replace(a_sign(Status.FAILURE, 900), sensor="up")
    assert carried_on([other], before) == [other]


# What is no fault


def test_a_backlog_that_came_after_the_last_will_is_no_device_offline() -> None:
    watched = watch(ordinary(), 12)
    before_ns = watched.readings[-1].t_ns - 20 * S
    assert judged(watched, online=False, online_since_ns=before_ns).status is Status.GOOD


def test_a_device_that_sends_a_window_a_quarter_of_an_hour_is_not_quiet_between() -> None:
    watched = watch(ordinary(motion=Motion.constant(0.2)), 3, window_s=900)
    assert judged(watched, now_ns=watched.readings[-1].t_ns + 1000 * S).status is Status.GOOD


def test_a_clock_that_was_refused_long_ago_is_forgotten() -> None:
    watched = watch(ordinary(), 12)
    now_ns = watched.readings[-1].t_ns
    assert judged(watched, clock_refused_ns=(now_ns - 60 * S,)).status is Status.GOOD
    old = replace(watched, readings=[])
    assert judged(old, now_ns=now_ns, clock_refused_ns=(now_ns - 1000 * S,)).status is Status.NOT_JUDGED


def test_a_restart_is_no_gap_and_a_second_device_neither() -> None:
    setup = ordinary(device=devised(restarts_s=(43.0, 88.0)))
    assert judged(watch(setup, 40)).status is Status.GOOD
    watched = watch(ordinary(), 40)
    in_turn = [
        replace(each, device_id="ab"[each.seq // 5 % 2], seq=each.seq // 10 * 5 + each.seq % 5)
        for each in watched.readings
    ]
    assert lasting_signs(in_turn) == []


def test_one_bad_window_of_a_slow_drive_says_nothing() -> None:
    assert judged(watch(ordinary(motion=Motion.constant(0.03)), 3)).status is Status.NOT_JUDGED


@pytest.mark.parametrize(("missed", "status"), [(2, Status.GOOD), (3, Status.MAINTENANCE_REQUIRED)])
def test_two_missed_pulses_are_chance(missed: int, status: Status) -> None:
    watched = watch(ordinary(), 1, window_s=2.0)
    (reading,) = watched.readings
    lost = replace(reading, up_pulses=reading.up_pulses - missed, up_missed=missed)
    assert judged(replace(watched, readings=[lost])).status is status


def test_pulses_are_not_counted_where_the_drive_starts_or_stops() -> None:
    """A joint that came late while the drive ran up looks missed, one that came early looks extra."""
    setup = ordinary(motion=Motion.start_stop(1.0, run_s=2, stand_s=1, ramp_s=0.5))
    watched = watch(setup, 24)
    assert sum(each.up_missed + each.up_extra for each in watched.readings) > 50
    assert judged(watched).signs == ()


def test_wear_is_no_fault_of_the_sensing() -> None:
    before = watch(ordinary(), 60)
    worn = watch(ordinary(elongation_pct=1.26), 60, by=before, start_ns=before.readings[-1].t_ns)
    assert judged(before.then(worn)).status is Status.GOOD


@pytest.mark.parametrize(
    ("up", "down", "which"), [(0, 331, "up"), (331, 0, "down"), (331, 331, ""), (0, 0, "")]
)
def test_the_silent_sensor_is_the_one_without_pulses(up: int, down: int, which: str) -> None:
    reading = replace(watch(ordinary(), 1).readings[0], up_pulses=up, down_pulses=down)
    assert silent_sensor(reading) == which
