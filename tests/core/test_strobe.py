"""Pulses under a stroboscope: what they show is the lag, by the simulator's truth, and nothing of them is lost unsaid."""

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sensors_sim.sensor import Sensor
from service.core.batch import Batch, Reduced
from service.core.not_measured import NotMeasured
from service.core.strobe import SHOWN_MAX, TRAIN_JOINTS, Strobe, frozen_joints, strobe_of
from tests.core.running import Running

NONE = np.zeros(0, dtype=np.int64)


def shown(running: Running) -> Strobe:
    """The strobe of the first batch of a simulated drive."""
    found = strobe_of(running.batches()[1], running.loop, running.true_pitches_between)
    assert isinstance(found, Strobe)
    return found


@pytest.mark.parametrize("worn_pct", [0.1, 0.8, 1.6, 2.9])
def test_the_mean_of_the_ticks_is_what_lies_between_the_sensors_in_truth(worn_pct: float) -> None:
    running = Running(elongation_pct=worn_pct, seconds=20.0, window_s=8.0)
    strobe = shown(running)
    assert strobe.pitches_between == pytest.approx(running.true_pitches_between, abs=0.004)
    assert float(strobe.apart.mean()) == pytest.approx(strobe.pitches_between, abs=0.003)
    assert strobe.lag_pitches == pytest.approx(strobe.pitches_between % 1)


def test_a_joint_creeps_up_to_down_as_the_chain_wears() -> None:
    lags = [shown(Running(elongation_pct=pct, seconds=20.0)).pitches_between for pct in (0.1, 0.5, 0.9, 1.3)]
    assert lags == sorted(lags, reverse=True)
    assert lags[0] - lags[-1] == pytest.approx(24.3 * 1.2 / 100, rel=0.05)  # N de / (1 + e)


def test_flashes_are_joints_a_second() -> None:
    strobe = shown(Running(seconds=20.0, speeds=(0.5,), elongation_pct=0.0, new_pct=0.0))
    assert strobe.flashes_per_s == pytest.approx(500 / 12.7, rel=2e-3)
    assert strobe.lag_s == pytest.approx(strobe.lag_pitches / strobe.flashes_per_s)


def test_every_second_joint_of_a_worn_chain_is_told_from_the_others() -> None:
    """Over 24.3 pitches outer links outweigh inner ones for one half of the joints only."""
    strobe = shown(Running(elongation_pct=2.5, seconds=20.0))
    odd, even = strobe.apart[strobe.odd], strobe.apart[~strobe.odd]
    assert abs(float(odd.mean() - even.mean())) > 3 * float(odd.std()) / len(odd) ** 0.5
    new = shown(Running(elongation_pct=0.07, tolerance_pct=0.0, seconds=20.0))
    assert abs(float(new.apart[new.odd].mean() - new.apart[~new.odd].mean())) < 0.003


@pytest.mark.parametrize("lag", [0.0, 0.004, 0.5, 0.997])
def test_every_second_joint_is_told_where_the_lag_is_near_a_whole_pitch_too(lag: float) -> None:
    up = np.arange(80, dtype=np.int64) * 40_000
    early_and_late = np.tile([-600, 500], 40)
    found = strobe_of(a_batch(up, up + round(lag * 40_000) + early_and_late), None, 20 + lag)
    assert isinstance(found, Strobe)
    assert (found.odd[1:] != found.odd[:-1]).all()
    assert (found.apart[found.odd] > found.apart[~found.odd].max()).all() or (
        found.apart[~found.odd] > found.apart[found.odd].max()
    ).all()


def test_missed_pulses_leave_out_what_has_no_ordinary_interval_and_are_counted() -> None:
    running = Running(seconds=20.0, up=Sensor(missed=0.05), down=Sensor(missed=0.05))
    strobe = shown(running)
    assert strobe.left_out > 0
    assert strobe.pitches_between == pytest.approx(running.true_pitches_between, abs=0.005)
    # parity is counted over the missed ones too, so that the halves keep their places
    assert float(np.abs(strobe.apart - strobe.pitches_between).max()) <= 0.5


@settings(deadline=None)
@given(st.integers(-(2**40), 2**40), st.floats(0.25, 4))
def test_neither_the_clock_nor_the_speed_changes_what_is_seen(shift: int, faster: float) -> None:
    up = np.arange(60, dtype=np.int64) * 40_000 + np.tile([0, 300], 30)
    down = np.arange(60, dtype=np.int64) * 40_000 + 9_000
    one = strobe_of(a_batch(up, down), None, 20.2)
    other = strobe_of(
        a_batch(
            np.rint(up * faster).astype(np.int64) + shift, np.rint(down * faster).astype(np.int64) + shift
        ),
        None,
        20.2,
    )
    assert isinstance(one, Strobe)
    assert isinstance(other, Strobe)
    assert other.apart == pytest.approx(one.apart, abs=2e-4)
    assert other.odd.tolist() == one.odd.tolist()
    assert other.at_s == pytest.approx(one.at_s * faster, abs=2e-6)


def test_the_whole_number_is_the_one_nearest_to_what_is_known() -> None:
    up = np.arange(60, dtype=np.int64) * 40_000
    for near in (7.4, 20.2, 33.1):
        found = strobe_of(a_batch(up, up + 8_000), None, near)
        assert isinstance(found, Strobe)
        assert abs(found.pitches_between - near) <= 0.5
        assert found.lag_pitches == pytest.approx(0.2, abs=1e-6)


def test_only_the_newest_pulses_are_shown_of_a_long_batch_and_the_last_joints_as_they_came() -> None:
    up = np.arange(3000, dtype=np.int64) * 40_000
    found = strobe_of(a_batch(up, up + 8_000), None, 20.2)
    assert isinstance(found, Strobe)
    assert len(found.apart) == len(found.at_s) == len(found.odd) == SHOWN_MAX
    assert found.at_s[-1] <= 0
    assert (np.diff(found.at_s) > 0).all()
    assert len(found.up_train_s) == TRAIN_JOINTS + 1
    assert len(found.down_train_s) in {TRAIN_JOINTS, TRAIN_JOINTS + 1}


def test_a_device_that_sends_means_has_no_pulses_to_show() -> None:
    means = Reduced(period_us=40_000.0, lag_us=10_000.0, count=100, sd_us=40.0)
    found = strobe_of(a_batch(NONE, NONE, reduced=means), None, 20.2)
    assert isinstance(found, Strobe)
    assert found.reduced
    assert len(found.apart) == 0
    assert found.pitches_between == pytest.approx(20.25)
    assert found.u_pitches == pytest.approx(0.001 / 10)


def test_a_batch_without_a_lag_says_why() -> None:
    up = np.arange(60, dtype=np.int64) * 40_000
    assert strobe_of(a_batch(up, NONE), None, 20.2) is NotMeasured.SENSOR_SILENT
    assert strobe_of(a_batch(NONE, NONE), None, 20.2) is NotMeasured.STOPPED
    assert strobe_of(replace(a_batch(up, up + 1), direction=-1), None, 20.2) is NotMeasured.REVERSED


@settings(deadline=None)
@given(between=st.floats(5, 60), pct=st.floats(0, 4), reach=st.floats(0.5, 3))
def test_frozen_joints_are_equally_far_apart_and_one_is_at_up(
    between: float, pct: float, reach: float
) -> None:
    new = between * (1 + pct / 100)
    joints = frozen_joints(between, new, reach)
    assert 0.0 in joints
    assert np.diff(joints) == pytest.approx(1 + pct / 100)
    short = new - max(each for each in joints if each <= new + 1e-9)
    assert min(
        abs(short / (1 + pct / 100) - between % 1), 1 - abs(short / (1 + pct / 100) - between % 1)
    ) == pytest.approx(0, abs=1e-6)
    assert -reach <= joints[0] + 1e-9
    assert joints[-1] <= new + reach + 1e-9


def a_batch(up: Any, down: Any, **more: Any) -> Batch:
    return Batch(drive_id="d", seq=1, t0_ns=10**18, tick_ns=1000, up=up, down=down, span_ns=None, **more)
