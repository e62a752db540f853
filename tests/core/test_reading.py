"""From a batch to a reading: the whole of core, held against the simulator's truth."""

import dataclasses

import numpy as np
import pytest

from sensors_sim.batch import SimulatedBatch, simulate_batch
from service.core.batch import WINDOW_S_MAX, Batch
from service.core.drive import Baseline, Chain, Drive
from service.core.not_measured import NotMeasured
from service.core.reading import CONVERSION, Last, Reading, alternations_pct, convert

T0_NS = 1_795_000_000_000_000_000  # of every simulated batch
DRIVE = Drive(
    drive_id="press-infeed",
    whole_pitches=20,
    offset_pitches=0.4,
    spacing_u_mm=0.3,
    driver_teeth=19,
    driven_teeth=57,
    up_to_driver_mm=(20.4 + 10) * 12.7,
)
CHAIN = Chain(
    chain_id="press-infeed/1",
    drive_id="press-infeed",
    designation="08B",
    pitch_mm=12.7,
    pitches_in_loop=120,
    fitted_ns=0,
)


def simulated(**setting: object) -> SimulatedBatch:
    return simulate_batch(**({"whole_pitches": 20, "offset_pitches": 0.4, "elongation_pct": 1.5} | setting))  # type: ignore[arg-type]


def batch_of(made: SimulatedBatch, **more: object) -> Batch:
    return Batch(
        drive_id="press-infeed",
        seq=7,
        t0_ns=made.t0_ns,
        tick_ns=made.tick_ns,
        up=made.up,
        down=made.down,
        span_ns=made.span_ticks * made.tick_ns,
        **more,  # type: ignore[arg-type]
    )


def read(made: SimulatedBatch, drive: Drive = DRIVE, **more: object) -> Reading:
    given = {"chain": CHAIN, "baseline": None, "last": None} | more
    return convert(batch_of(made), drive=drive, **given)  # type: ignore[arg-type]


@pytest.mark.parametrize("seed", range(8))
def test_a_reading_is_the_chains_true_mean_elongation(seed: int) -> None:
    made = simulated(seed=seed, missed=0.02, doubled=0.01)
    reading = read(made)
    assert reading.elongation_pct == pytest.approx(made.true_elongation_pct, abs=0.02)
    assert reading.pitches_between == pytest.approx(made.true_pitches_between, abs=0.004)
    assert reading.speed_m_s == pytest.approx(made.true_speed_m_s, rel=2e-3)
    assert reading.reason is None
    assert reading.whole_laps == 1


def test_a_reading_carries_the_identity_and_the_time_of_its_batch() -> None:
    made = simulated()
    reading = read(made)
    assert (reading.drive_id, reading.device_id, reading.seq) == ("press-infeed", "", 7)
    assert reading.t0_ns == made.t0_ns
    assert reading.t_ns == made.t0_ns + made.span_ticks * made.tick_ns
    assert reading.chain_id == "press-infeed/1"


def test_a_moved_bracket_shifts_the_reading_by_its_share_of_the_spacing() -> None:
    """0.1 mm over 24 x 12.7 mm is 0.033 % (arithmetic)."""
    setting = {"whole_pitches": 24, "offset_pitches": 0.0, "teeth": None, "seed": 3, "repeatability_mm": 0.0}
    drive = dataclasses.replace(DRIVE, whole_pitches=24, offset_pitches=0.0, driver_teeth=None)
    here = read(simulated(**setting), drive, last=Last(1.5, T0_NS)).elongation_pct
    moved = read(simulated(spacing_error_mm=-0.1, **setting), drive, last=Last(1.5, T0_NS)).elongation_pct
    assert here is not None
    assert moved is not None
    assert moved - here == pytest.approx(0.1 / (24 * 12.7) * 100 * 1.015, abs=0.001)


def test_with_a_baseline_the_spacing_does_not_matter() -> None:
    """A spacing wrong by 2 mm is wrong by 0.8 %; a baseline taken there is not."""
    new = simulated(seed=1, elongation_pct=0.1, spacing_error_mm=2.0)
    worn = simulated(seed=2, elongation_pct=2.2, spacing_error_mm=2.0)
    baseline = Baseline(
        chain_id="press-infeed/1",
        pitches_between=new.true_pitches_between,
        pitches_between_u=0.001,
        elongation_pct=new.true_elongation_pct,
        elongation_u_pct=0.01,
        taken_ns=0,
        recorded_ns=0,
        recorded_by="tests",
        why="fitted",
    )
    drive = dataclasses.replace(DRIVE, up_to_driver_mm=None)
    with_it = read(worn, drive, baseline=baseline, last=Last(2.0, T0_NS))
    assert with_it.elongation_pct == pytest.approx(worn.true_elongation_pct, abs=0.03)


@pytest.mark.parametrize(("temp_c", "mount_c"), [(80.0, 20.0), (60.0, 45.0), (-5.0, 10.0)])
def test_temperatures_that_were_sent_are_taken_off(temp_c: float, mount_c: float) -> None:
    """The chain looks longer by 11.7e-6 / K times the difference, in the reading without them."""
    made = simulated(seed=5)
    plain = convert(batch_of(made), drive=DRIVE, chain=CHAIN, baseline=None, last=None)
    sent = convert(
        batch_of(made, temp_c=temp_c, mount_c=mount_c), drive=DRIVE, chain=CHAIN, baseline=None, last=None
    )
    assert plain.elongation_pct is not None
    assert sent.elongation_pct is not None
    assert plain.elongation_pct - sent.elongation_pct == pytest.approx(11.7e-4 * (temp_c - mount_c), abs=1e-9)
    assert plain.elongation_u_pct is not None
    assert sent.elongation_u_pct is not None
    assert sent.elongation_u_pct < plain.elongation_u_pct


@pytest.mark.parametrize(
    ("change", "reason"),
    [
        ({"up": np.array([], dtype=np.int64), "down": np.array([], dtype=np.int64)}, NotMeasured.STOPPED),
        ({"down": np.array([], dtype=np.int64)}, NotMeasured.SENSOR_SILENT),
        ({"direction": -1}, NotMeasured.REVERSED),
        ({"span_ns": int(WINDOW_S_MAX * 1e9) + 1}, NotMeasured.WINDOW_TOO_LONG),
    ],
)
def test_what_cannot_be_measured_is_a_reading_with_its_reason(
    change: dict[str, object], reason: NotMeasured
) -> None:
    batch = dataclasses.replace(batch_of(simulated()), **change)  # type: ignore[arg-type]
    reading = convert(batch, drive=DRIVE, chain=CHAIN, baseline=None, last=None)
    assert reading.reason is reason
    assert reading.elongation_pct is None
    assert reading.elongation_u_pct is None
    assert reading.up_pulses == len(batch.up)


def test_a_drive_without_a_chain_gives_no_number() -> None:
    reading = convert(batch_of(simulated()), drive=DRIVE, chain=None, baseline=None, last=None)
    assert reading.reason is NotMeasured.NO_CHAIN
    assert reading.chain_id is None


def test_a_stopped_drive_has_speed_nought_and_an_unmeasured_one_has_none() -> None:
    empty = np.array([], dtype=np.int64)
    stopped = convert(
        dataclasses.replace(batch_of(simulated()), up=empty, down=empty),
        drive=DRIVE,
        chain=CHAIN,
        baseline=None,
        last=None,
    )
    assert stopped.speed_m_s == 0.0
    silent = convert(
        dataclasses.replace(batch_of(simulated()), down=empty),
        drive=DRIVE,
        chain=CHAIN,
        baseline=None,
        last=None,
    )
    assert silent.speed_m_s is None


def test_a_lag_that_neither_past_nor_alternation_bears_out_is_refused() -> None:
    """A bracket moved by 6 mm: half a pitch of lag, and the links are as long as before."""
    reading = read(simulated(elongation_pct=1.5, spacing_error_mm=-6.0), last=Last(1.5, T0_NS))
    assert reading.reason is NotMeasured.OUT_OF_RANGE
    assert reading.lag_pitches is not None


def test_after_a_long_outage_the_alternation_confirms_the_whole_number() -> None:
    """From 0.2 to 3.4 % with nothing in between is more than the past allows, and over half a pitch of lag."""
    made = simulated(elongation_pct=3.4)
    reading = read(made, last=Last(0.2, T0_NS))
    assert reading.elongation_pct == pytest.approx(made.true_elongation_pct, abs=0.02)


def test_leaf_chain_has_no_alternation_to_go_by() -> None:
    leaf = dataclasses.replace(CHAIN, designation="LH0823")
    reading = read(simulated(elongation_pct=3.4), chain=leaf, last=Last(0.2, T0_NS))
    assert reading.reason is NotMeasured.OUT_OF_RANGE


def test_an_odd_loop_has_no_alternation_to_go_by() -> None:
    """Past the cranked link long and short links change places, so that they cancel over a lap."""
    odd = dataclasses.replace(CHAIN, pitches_in_loop=121)
    reading = read(
        simulated(elongation_pct=3.4, pitches_in_loop=121, laps=2.1), chain=odd, last=Last(0.2, T0_NS)
    )
    assert reading.reason is NotMeasured.OUT_OF_RANGE
    assert reading.up_alternation_pct is None


def test_the_same_batch_gives_the_same_reading() -> None:
    made = simulated(seed=11, missed=0.05, doubled=0.02)
    assert read(made) == read(made)


def test_a_switching_delay_that_is_known_is_taken_off_at_every_speed() -> None:
    """100 us late at 0.5 to 2 m/s: v dt / p pitches, 0.016 % for each 0.5 m/s at 24 x 12.7 mm (arithmetic)."""
    drive = dataclasses.replace(DRIVE, delay_us=100.0, delay_u_us=3.0)
    off = []
    for speed in (0.5, 1.0, 2.0):
        made = simulated(seed=4, speed_m_s=speed, down_delay_s=100e-6, repeatability_mm=0.005)
        late, right = read(made).elongation_pct, read(made, drive)
        assert late is not None
        assert right.elongation_pct is not None
        off.append(right.elongation_pct - made.true_elongation_pct)
        assert late - made.true_elongation_pct < -0.02 * speed
        assert right.delay_taken_pct == pytest.approx(late - right.elongation_pct, abs=1e-3)
    assert np.abs(off).max() < 0.01


def test_what_was_taken_off_adds_up() -> None:
    made = simulated(seed=6)
    drive = dataclasses.replace(
        DRIVE, load_ref_n=1000.0, strain_pct_per_kn=0.02, strain_u_pct_per_kn=0.002, delay_us=40.0
    )
    reading = convert(
        batch_of(made, temp_c=60.0, mount_c=30.0, load_n=3000.0),
        drive=drive,
        chain=CHAIN,
        baseline=None,
        last=None,
    )
    bare = dataclasses.replace(DRIVE, up_to_driver_mm=None)
    raw = convert(batch_of(made), drive=bare, chain=CHAIN, baseline=None, last=None)
    taken = [
        reading.polygon_taken_pct,
        reading.delay_taken_pct,
        reading.temperature_taken_pct,
        reading.load_taken_pct,
    ]
    assert raw.elongation_pct is not None
    assert reading.elongation_pct is not None
    assert all(each is not None for each in taken)
    assert raw.elongation_pct - sum(each or 0.0 for each in taken) == pytest.approx(
        reading.elongation_pct, abs=1e-4
    )
    assert (raw.polygon_taken_pct, raw.delay_taken_pct, raw.temperature_taken_pct, raw.load_taken_pct) == (
        None,
    ) * 4


def test_a_strain_that_is_not_significant_is_not_applied() -> None:
    drive = dataclasses.replace(DRIVE, load_ref_n=1000.0, strain_pct_per_kn=0.02, strain_u_pct_per_kn=0.01)
    reading = convert(
        batch_of(simulated(), load_n=3000.0), drive=drive, chain=CHAIN, baseline=None, last=None
    )
    assert reading.load_taken_pct is None


def test_the_change_since_the_baseline_knows_nothing_of_its_elongation() -> None:
    """A chain that was 0.1 +/- 0.04 % when fitted: the change is known better than the sum."""
    new = simulated(seed=1, elongation_pct=0.1)
    worn = simulated(seed=2, elongation_pct=2.2)
    baseline = Baseline(
        chain_id="press-infeed/1",
        pitches_between=new.true_pitches_between,
        pitches_between_u=0.001,
        elongation_pct=0.1,
        elongation_u_pct=0.043,
        taken_ns=1,
        recorded_ns=2,
        recorded_by="tests",
        why="fitted",
    )
    reading = read(worn, baseline=baseline, last=Last(2.0, T0_NS))
    assert reading.elongation_pct is not None
    assert reading.since_pct == pytest.approx(
        ((1 + reading.elongation_pct / 100) / 1.001 - 1) * 100, abs=1e-9
    )
    assert reading.since_u_pct is not None
    assert reading.elongation_u_pct is not None
    assert reading.since_u_pct < 0.03 < reading.elongation_u_pct
    assert (reading.baseline_taken_ns, reading.baseline_recorded_ns) == (1, 2)


def test_a_drive_registered_without_sensors_gives_no_number_until_it_has_a_baseline() -> None:
    reading = read(simulated(), dataclasses.replace(DRIVE, whole_pitches=None))
    assert reading.reason is NotMeasured.NO_SPACING
    assert reading.speed_m_s is not None


def test_the_alternation_of_an_older_reading_is_told_as_that_of_a_new_one() -> None:
    """Conversion 1 left out 0.075 % of a link: inner links are that much over nominal, in the middle."""
    reading = read(simulated(seed=7, elongation_pct=2.0))
    assert reading.conversion == CONVERSION == 2
    assert alternations_pct(reading) == (reading.up_alternation_pct, reading.down_alternation_pct)
    older = dataclasses.replace(
        reading, conversion=1, up_alternation_pct=2.0, down_alternation_pct=0.0, elongation_pct=2.1
    )
    assert alternations_pct(older) == pytest.approx((2.0765, 0.075))
    bare = dataclasses.replace(older, up_alternation_pct=None, down_alternation_pct=None)
    assert alternations_pct(bare) == (None, None)


def test_both_sensors_show_the_wear_by_themselves() -> None:
    made = simulated(seed=7, elongation_pct=2.0)
    reading = read(made)
    for found, u in (
        (reading.up_alternation_pct, reading.up_alternation_u_pct),
        (reading.down_alternation_pct, reading.down_alternation_u_pct),
    ):
        assert u is not None
        assert found == pytest.approx(made.true_elongation_pct, abs=3 * u)
