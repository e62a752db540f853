"""What many readings show together: each fault of a simulated drive is named, and none on sound ones.

The simulator's physics, device and commissioning are its own; what is true of a drive is what it was told.
"""

import math
from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from sensors_sim.chain import Wear, WornSection
from sensors_sim.drive import Surroundings
from sensors_sim.motion import Motion
from sensors_sim.sensor import Sensor
from sensors_sim.setup import DeviceSetup, DriveSetup
from service.core.findings import TITLES, Finding, FindingKind, amount, cross_check, links_pct
from service.core.reading import Reading
from tests.core.watched import START_NS, S, Watched, ordinary, watch

DAY_NS = 86_400 * S
WINDOW_NS = 5 * S


def kinds(watched: Watched) -> set[FindingKind]:
    return {finding.kind for finding in watched.findings}


def only(watched: Watched) -> Finding:
    (finding,) = watched.findings
    return finding


def size(finding: Finding, name: str) -> tuple[float, float]:
    return next((each.value, each.u) for each in finding.sizes if each.name == name)


def on(before: Watched, setup: DriveSetup, readings: int, *, after_ns: int = 0, **how: Any) -> Watched:
    """Watch a drive on from where it was left, `after_ns` later, as another setup has it."""
    start_ns = before.readings[-1].t_ns + after_ns
    return before.then(watch(setup, readings, by=before, start_ns=start_ns, **how))


# A bracket that moved, and wear


@pytest.mark.parametrize("seed", range(5))
@pytest.mark.parametrize("moved_mm", [0.1, -0.1])
def test_a_bracket_that_moved_by_a_tenth_of_a_millimetre_is_named_with_its_size(
    seed: int, moved_mm: float
) -> None:
    watched = watch(ordinary(moved_at_s=500, moved_mm=moved_mm), 200, seed=seed)
    finding = only(watched)
    assert finding.kind is FindingKind.BRACKET_MOVED
    assert finding.since_ns == START_NS + 505 * S
    moved, u = size(finding, "bracket")
    assert moved == pytest.approx(moved_mm, abs=max(3 * u, 0.003))
    assert size(finding, "lag")[0] == pytest.approx(-moved_mm / (24.1 * 12.7) * 101.2, abs=0.002)
    assert ("further apart" if moved_mm > 0 else "closer together") in finding.words
    assert ("too low" if moved_mm > 0 else "too high") in finding.words
    assert finding.at_drive


@pytest.mark.parametrize("seed", range(5))
def test_as_much_wear_at_once_is_told_from_a_bracket(seed: int) -> None:
    """0.03 % is what a bracket moved by 0.1 mm would look like on this drive."""
    before = watch(ordinary(), 100, seed=seed)
    finding = only(on(before, ordinary(elongation_pct=1.23), 100, seed=seed))
    assert finding.kind is FindingKind.WORE_AT_ONCE
    for name in ("lag", "links"):
        grown, u = size(finding, name)
        assert grown == pytest.approx(0.03, abs=max(3.5 * u, 0.002))


@pytest.mark.parametrize("seed", range(2))
def test_as_much_wear_that_came_slowly_is_nothing_to_tell(seed: int) -> None:
    watched = watch(ordinary(wear=Wear(speedup=1000)), 200, seed=seed)
    first, last = (
        np.mean([each.elongation_pct or 0.0 for each in part])
        for part in (watched.readings[:10], watched.readings[-10:])
    )
    assert last - first > 0.02
    assert watched.findings == []


def test_from_few_readings_nobody_says_which_it_is() -> None:
    """A step that temperature and load cannot have made, and too few readings of the links to tell why."""
    setup = ordinary(
        moved_at_s=300, moved_mm=0.12, up=Sensor(repeatability_mm=0.2), down=Sensor(repeatability_mm=0.2)
    )
    finding = only(watch(setup, 76, temp_range_k=0.0, load_u_pct=0.0))
    assert finding.kind is FindingKind.LAG_JUMPED
    assert "cannot tell yet" in finding.words


def test_a_jump_that_load_or_warmth_may_have_made_is_not_told_before_the_links_have_decided() -> None:
    setup = ordinary(
        moved_at_s=300, moved_mm=0.12, up=Sensor(repeatability_mm=0.2), down=Sensor(repeatability_mm=0.2)
    )
    assert watch(setup, 76).findings == []


def test_a_bracket_moved_during_a_stop_is_named_if_warmth_cannot_have_done_it() -> None:
    night_ns = 8 * 3600 * S
    sends = DeviceSetup(sends_temperature=True, sends_load=True)
    for moved_mm, expected in ((0.6, {FindingKind.BRACKET_MOVED}), (0.12, set())):
        before = watch(ordinary(), 80)
        moved = ordinary(spacing_error_mm=0.3 + moved_mm)
        assert kinds(on(before, moved, 80, after_ns=night_ns)) == expected
    # Where the device sends both, a fifth of it is enough.
    known: dict[str, Any] = {"load_u_pct": 0.001, "strain_pct_per_kn": 0.02, "strain_u_pct_per_kn": 0.001}
    before = watch(ordinary(device=sends), 80, **known)
    moved = ordinary(device=sends, spacing_error_mm=0.3 + 0.12)
    assert kinds(on(before, moved, 80, after_ns=night_ns)) == {FindingKind.BRACKET_MOVED}


def test_wear_over_a_long_stop_is_told_only_if_it_is_faster_than_chains_wear() -> None:
    before = watch(ordinary(), 80)
    worn = ordinary(elongation_pct=1.35)
    assert kinds(on(before, worn, 80, after_ns=30 * DAY_NS)) == set()
    fast = only(on(before, worn, 80, after_ns=DAY_NS))
    assert (fast.kind, "within 24 h" in fast.words) == (FindingKind.WORE_AT_ONCE, True)


def test_a_later_jump_is_the_one_that_is_told() -> None:
    first = watch(ordinary(moved_at_s=300, moved_mm=0.3), 120)
    finding = only(on(first, ordinary(spacing_error_mm=0.3 + 0.3 - 0.2), 60))
    assert finding.kind is FindingKind.BRACKET_MOVED
    assert size(finding, "bracket")[0] == pytest.approx(-0.2, abs=0.01)


def test_after_a_new_baseline_an_old_jump_is_settled() -> None:
    watched = watch(ordinary(moved_at_s=300, moved_mm=0.3), 120)
    assert watched.baseline is not None
    again = replace(watched.baseline, recorded_ns=watched.readings[-1].t_ns)
    readings = [
        each if each.t_ns <= START_NS + 300 * S else replace(each, baseline_recorded_ns=again.recorded_ns)
        for each in watched.readings
    ]
    assert replace(watched, readings=readings, baseline=again).findings == []


def test_another_offset_in_the_register_is_no_jump() -> None:
    """Readings made with settings other than the newest are left out."""
    before = watch(ordinary(), 60, commissioned=False, spacing_u_mm=2.0)
    corrected = replace(before.drive, offset_pitches=0.12)
    after = watch(ordinary(), 60, by=replace(before, drive=corrected), start_ns=before.readings[-1].t_ns)
    watched = replace(before.then(after), drive=corrected)
    assert abs((watched.readings[-1].elongation_pct or 0) - (watched.readings[0].elongation_pct or 0)) > 0.05
    assert watched.findings == []


# The other faults: each is found and named


def shorter() -> Watched:
    return on(watch(ordinary(), 60), ordinary(elongation_pct=0.1), 60, after_ns=3600 * S)


def creeping() -> Watched:
    """`down` creeps forward by 2 micrometres a window, 0.4 mm in all."""
    watched = watch(ordinary(), 1)
    for number in range(200):
        watched = on(watched, ordinary(spacing_error_mm=0.3 + 0.002 * number), 1, seed=1 + number % 3)
    return watched


def unequal(down_s: float = 100e-6, **settings: Any) -> Watched:
    swinging = Motion.drift(1.25, swing=0.6, period_s=200)
    return watch(ordinary(motion=swinging, down=Sensor(delay_s=down_s)), 120, **settings)


def backwards() -> Watched:
    return watch(ordinary(motion=Motion.constant(-1.0)), 40)


def backwards_and_measured() -> Watched:
    """A lag for which both ways lie within the range that is possible: 0.3 and 0.7 of a pitch."""
    setup = ordinary(offset_pitches=0.55, elongation_pct=1.1, motion=Motion.constant(-1.0))
    return watch(setup, 40, commissioned=False)


def moved_before() -> Watched:
    """A bracket was moved by 1.5 mm before anybody looked."""
    return watch(ordinary(spacing_error_mm=1.8), 60, by=watch(ordinary(), 2), start_ns=START_NS + 60 * S)


def outage() -> Watched:
    """Two days without readings in which the chain wore by 2.4 %, more than half a pitch of lag."""
    return watch(ordinary(elongation_pct=3.6), 40, by=watch(ordinary(), 4), start_ns=START_NS + 2 * DAY_NS)


FAULTS: dict[str, tuple[Callable[[], Watched], FindingKind]] = {
    "a chain replaced that nobody registered": (shorter, FindingKind.CHAIN_CHANGED),
    "a bracket that creeps": (creeping, FindingKind.LAG_DRIFTS),
    "switching delays 100 us apart": (unequal, FindingKind.DELAY_UNEQUAL),
    "up and down swapped": (backwards, FindingKind.REVERSED),
    "up and down swapped, and a number all the same": (backwards_and_measured, FindingKind.REVERSED),
    "a bracket moved before anybody looked": (moved_before, FindingKind.DISAGREE),
    "an outage with over half a pitch of wear": (outage, FindingKind.WHOLE_BY_ALTERNATION),
}


@pytest.mark.parametrize("fault", FAULTS)
def test_each_fault_is_named(fault: str) -> None:
    make, expected = FAULTS[fault]
    found = make().findings
    assert expected in {finding.kind for finding in found}
    finding = next(each for each in found if each.kind is expected)
    assert all(math.isfinite(each.value) and each.u >= 0 for each in finding.sizes)
    assert finding.title == TITLES[finding.kind]
    assert finding.words.endswith(".")
    assert finding.mend.endswith(".")


@pytest.mark.parametrize("delay_s", [-100e-6, 100e-6])
def test_an_unequal_delay_is_found_to_a_few_microseconds(delay_s: float) -> None:
    swinging = Motion.drift(1.25, swing=0.6, period_s=200)
    late = {("down" if delay_s > 0 else "up"): Sensor(delay_s=abs(delay_s))}
    finding = only(watch(ordinary(motion=swinging, **late), 120))
    delay, u = size(finding, "delay")
    assert finding.kind is FindingKind.DELAY_UNEQUAL
    assert delay == pytest.approx(delay_s * 1e6, abs=3.5 * u)
    assert u < 3
    assert "commission" in finding.mend


def test_a_delay_that_is_taken_off_is_found_no_more_and_one_that_changed_is() -> None:
    assert unequal(delay_us=100.0, delay_u_us=2.0).findings == []
    changed = only(unequal(160e-6, delay_us=100.0, delay_u_us=2.0))
    assert size(changed, "delay")[0] == pytest.approx(60.0, abs=6.0)
    assert "more than the 100 µs that are taken off" in changed.words


def test_at_one_speed_a_delay_cannot_be_told_and_is_not() -> None:
    assert watch(ordinary(down=Sensor(delay_s=100e-6)), 120).findings == []


def test_both_numbers_of_a_disagreement_are_given() -> None:
    finding = only(moved_before())
    lag, links = size(finding, "lag")[0], size(finding, "links")[0]
    assert links == pytest.approx(1.2, abs=0.1)  # what the simulator wore it to
    assert lag == pytest.approx(1.2 - 1.5 / (24.1 * 12.7) * 101.2, abs=0.05)
    assert f"{lag:.3f}" in finding.words


def test_the_other_way_round_is_given_as_a_number() -> None:
    finding = next(each for each in backwards().findings if each.kind is FindingKind.REVERSED)
    assert size(finding, "other_way")[0] == pytest.approx(1.2, abs=0.06)


def test_a_whole_number_that_the_past_bears_out_rests_on_nothing_else() -> None:
    watched = watch(ordinary(), 30)
    readings = [replace(each, by_alternation=each.seq == 20) for each in watched.readings]
    assert replace(watched, readings=readings).findings == []


# None on sound drives


def sound(seed: int) -> tuple[DriveSetup, float]:
    """A drive of its own kind, motion, surroundings and wear, and the length of its windows."""
    rng = np.random.default_rng((seed, 77))
    pitch_mm = float(rng.choice((9.525, 12.7, 15.875, 19.05, 25.4)))
    loop, whole = 2 * int(rng.integers(35, 61)), int(rng.integers(8, 31))
    speed = float(np.exp(rng.uniform(math.log(0.4), math.log(2.5))))
    motions = (
        Motion.constant(speed),
        Motion.wander(speed, spread=0.01, correlation_s=5, seed=seed, length_s=120),
        Motion.drift(speed, swing=0.3, period_s=100),
        Motion.drift(speed, swing=0.1, period_s=400),
        Motion.start_stop(speed, run_s=40, stand_s=20),
    )
    arounds = (
        Surroundings(),
        Surroundings(chain_c=45, chain_swing_k=8, mount_c=30, temperature_period_s=900),
        Surroundings(
            load_n=2000, load_swing_n=400, load_period_s=70, reference_load_n=2000, strain_pct_per_kn=0.02
        ),
    )
    missed = float(rng.choice((0.0, 0.002, 0.01)))
    sensor = Sensor(missed=missed, repeatability_mm=float(rng.uniform(0.03, 0.08)))
    setup = ordinary(
        drive_id=f"sound-{seed}",
        designation="",
        pitch_mm=pitch_mm,
        pitches_in_loop=loop,
        whole_pitches=whole,
        offset_pitches=float(rng.random()),
        driver_teeth=int(rng.integers(13, 36)),
        up_to_driver_mm=(whole + float(rng.uniform(4, 20))) * pitch_mm,
        elongation_pct=float(rng.uniform(0.2, 2.5)),
        wear=Wear(speedup=float(rng.choice((1, 100, 2000)))),
        motion=motions[int(rng.integers(len(motions)))],
        surroundings=arounds[int(rng.integers(len(arounds)))],
        up=sensor,
        down=sensor,
        worn_section=WornSection(first_joint=5, joints=15, factor=3.0) if rng.random() < 0.3 else None,
        device=DeviceSetup(sends_temperature=bool(rng.random() < 0.5), sends_load=bool(rng.random() < 0.5)),
    )
    lap_s = loop * pitch_mm / 1000 / speed
    return setup, min(20.0, max(1.0, lap_s * float(rng.choice((0.6, 1.1, 2.1)))))


@pytest.mark.parametrize("seed", range(100))
def test_on_a_sound_drive_nothing_is_found(seed: int) -> None:
    setup, window_s = sound(seed)
    watched = watch(setup, 60, seed=seed, window_s=window_s)
    assert sum(each.reason is None for each in watched.readings) > 20
    assert [finding.words for finding in watched.findings] == []


# Readings of an older conversion


def as_of_conversion_1(reading: Reading) -> Reading:
    """The reading as conversion 1 stated it: by how much outer links outgrew inner ones, 0.075 % of a link less."""
    up, down = reading.up_alternation_pct, reading.down_alternation_pct
    assert up is not None
    assert down is not None
    return replace(
        reading,
        conversion=1,
        up_alternation_pct=(up - 0.075) / 1.00075,
        down_alternation_pct=(down - 0.075) / 1.00075,
    )


def half_older(watched: Watched) -> Watched:
    half = len(watched.readings) // 2
    older = [as_of_conversion_1(each) for each in watched.readings[:half]]
    return replace(watched, readings=older + watched.readings[half:])


@pytest.mark.parametrize(
    "make", [lambda: watch(ordinary(), 120), moved_before, lambda: watch(ordinary(moved_at_s=300), 120)]
)
def test_readings_of_an_older_conversion_are_held_against_new_ones_as_they_are_meant(
    make: Callable[[], Watched],
) -> None:
    watched = make()
    found, mixed = watched.findings, half_older(watched).findings
    assert [each.words for each in mixed] == [each.words for each in found]


# What cannot be looked at


def test_few_readings_or_none_find_nothing() -> None:
    watched = watch(ordinary(), 11)
    assert watched.findings == []
    assert replace(watched, readings=[]).findings == []


def test_readings_of_another_chain_are_left_out() -> None:
    before = watch(ordinary(elongation_pct=2.0), 60)
    new_chain = replace(before.chain, chain_id="steady-2")
    after = watch(ordinary(elongation_pct=0.2), 60, commissioned=False, start_ns=before.readings[-1].t_ns)
    readings = [*before.readings, *(replace(each, chain_id="steady-2") for each in after.readings)]
    found = cross_check(readings, drive=after.drive, chain=new_chain, baseline=None)
    assert found == []


def test_a_chain_without_alternation_is_held_against_nothing() -> None:
    """A leaf chain, or batches that the device reduced: a jump is told, and not what it was."""
    watched = watch(ordinary(moved_at_s=300, moved_mm=0.6), 100)
    bare = {"up_alternation_pct": None, "down_alternation_pct": None}
    readings = [replace(each, **bare) for each in watched.readings]  # type: ignore[arg-type]
    finding = only(replace(watched, readings=readings))
    assert finding.kind is FindingKind.LAG_JUMPED
    assert math.isnan(links_pct(readings[0]))


@pytest.mark.parametrize("window_s", [1.2, 5.0])
def test_a_chain_with_a_cranked_link_is_held_against_nothing(window_s: float) -> None:
    """Long and short change places with each lap: what a sensor shows of them is anything between nought and all."""
    watched = watch(ordinary(pitches_in_loop=121), 60, window_s=window_s)
    assert watched.findings == []
    jumped = watch(
        ordinary(pitches_in_loop=121, moved_at_s=30 * window_s, moved_mm=0.6), 60, window_s=window_s
    )
    assert kinds(jumped) <= {FindingKind.LAG_JUMPED}


def test_a_wild_reading_is_left_out() -> None:
    watched = watch(ordinary(), 60)
    wild = replace(watched.readings[30], elongation_pct=4.0)
    readings = [*watched.readings[:30], wild, *watched.readings[31:]]
    assert replace(watched, readings=readings).findings == []


@pytest.mark.parametrize(
    ("value", "u", "unit", "said"),
    [
        (-0.0327, 0.00042, "%", "−0.033 ± 0.001 %"),
        (1.2, 0.0, "%", "1.200 %"),
        (98.73, 0.9, "µs", "98.7 ± 1.8 µs"),
        (0.0981, 0.0041, "mm", "0.098 ± 0.008 mm"),
        (-0.00001, 0.00021, "%", "0.0000 ± 0.0004 %"),
        (120.0, 60.0, "µs", "120 ± 120 µs"),
    ],
)
def test_numbers_are_rounded_to_agree_with_their_uncertainty(
    value: float, u: float, unit: str, said: str
) -> None:
    assert amount(value, u, unit) == said
