"""Every scenario does what its sentence says."""

import itertools
import json
from typing import Any

import numpy as np
import pytest

from sensors_sim.device import Connection, Device, Message, Window
from sensors_sim.scenario import SCENARIOS

START_NS = 1_764_058_500_000_000_000


def device(name: str) -> Device:
    return SCENARIOS[name].drive.build(seed=1, start_ns=START_NS)


def windows(name: str, until_s: float) -> list[Window]:
    return list(itertools.takewhile(lambda w: w.due_s <= until_s, device(name).windows()))


def events(name: str, until_s: float) -> list[Message | Connection]:
    return list(itertools.takewhile(lambda e: e.due_s <= until_s, device(name).messages()))


def fields(message: Message) -> dict[str, Any]:
    read: dict[str, Any] = json.loads(message.payload)
    return read


@pytest.mark.parametrize("name", SCENARIOS)
def test_every_scenario_runs_and_has_one_sentence(name: str) -> None:
    scenario = SCENARIOS[name]
    assert scenario.name == name
    assert scenario.about.endswith(".")
    assert any(isinstance(event, Message) for event in events(name, 21.0))


@pytest.mark.parametrize("name", SCENARIOS)
def test_every_scenario_is_the_same_in_every_run(name: str) -> None:
    assert events(name, 21.0) == events(name, 21.0)


def test_ramping_covers_its_speeds() -> None:
    speeds = [w.pulses.true_speed_m_s for w in windows("ramping", 90)]
    assert min(speeds) < 0.65
    assert max(speeds) > 1.35


def test_start_stop_has_windows_without_pulses_and_windows_with() -> None:
    counts = [len(w.pulses.up_ticks) for w in windows("start_stop", 60)]
    assert 0 in counts
    assert max(counts) > 300


def test_reversing_says_so() -> None:
    sent = [fields(e) for e in events("reversing", 60) if isinstance(e, Message)]
    assert {f["dir"] for f in sent} == {1, -1}


@pytest.mark.parametrize(
    ("name", "least", "most"), [("missed_pulses", 0.93, 0.97), ("doubled_pulses", 1.01, 1.03)]
)
def test_pulses_are_missed_and_doubled(name: str, least: float, most: float) -> None:
    plain = sum(len(w.pulses.up_ticks) for w in windows("steady", 60))
    counted = sum(len(w.pulses.up_ticks) for w in windows(name, 60))
    assert least < counted / plain < most


def test_spurious_pulses_come_to_up_only() -> None:
    pulses = [w.pulses for w in windows("spurious", 60)]
    extra = sum(len(p.up_ticks) - len(p.down_ticks) for p in pulses)
    assert 12 <= extra <= 52


def test_a_loose_wire_loses_pulses_of_down() -> None:
    missing = [len(w.pulses.up_ticks) - len(w.pulses.down_ticks) for w in windows("loose_wire", 100)]
    assert max(missing) > 20
    assert min(missing) <= 1


def test_unequal_delay_shows_as_a_lag_that_follows_the_speed() -> None:
    setup = SCENARIOS["unequal_delay"].drive
    assert setup.down.delay_s - setup.up.delay_s == pytest.approx(0.3e-3)
    speeds = [w.pulses.true_speed_m_s for w in windows("unequal_delay", 60)]
    assert max(speeds) / min(speeds) > 1.3


def test_a_worn_section_wears_more_than_the_rest() -> None:
    chain = device("worn_section").drive.chain
    assert chain.wear_mm[30:50].mean() > 3 * chain.wear_mm[:30].mean()
    assert chain.mean_elongation_pct == pytest.approx(1.2)


def test_the_bracket_moves_at_its_time() -> None:
    """Late enough that a dozen readings came before it: fewer show no jump."""
    between = [w.pulses.true_pitches_between for w in windows("moved_bracket", 120)]
    assert between[17] - between[0] == pytest.approx(0.0, abs=0.002)
    assert between[19] - between[0] == pytest.approx(0.6 / 12.7, abs=0.002)


def test_the_sensor_fails_at_its_time() -> None:
    counts = [(len(w.pulses.up_ticks), len(w.pulses.down_ticks)) for w in windows("sensor_fails", 60)]
    assert counts[5][1] > 300
    assert counts[6][1] == 0
    assert counts[6][0] > 300


def test_the_device_restarts() -> None:
    assert [w.seq for w in windows("device_restart", 60)] == [0, 1, 2, 3, 0, 1, 2, 3, 0, 1]
    assert [e.up for e in events("device_restart", 60) if isinstance(e, Connection)] == [False, True] * 2


def test_batches_are_redelivered() -> None:
    seqs = [fields(e)["seq"] for e in events("redelivery", 300) if isinstance(e, Message)]
    assert 8 < len(seqs) - len(set(seqs)) < 35


def test_a_backlog_arrives_at_once() -> None:
    due = [e.due_s for e in events("backlog", 60) if isinstance(e, Message)]
    assert due.count(50.0) >= 6
    assert not [t for t in due if 20 < t < 50]


@pytest.mark.parametrize(
    ("name", "at", "shift_s"), [("clock_ahead", 5, 3600), ("clock_lost", 2, -1e9), ("clock_back", 8, -12)]
)
def test_clocks_are_wrong_at_their_time(name: str, at: int, shift_s: float) -> None:
    wrong = windows(name, 60)
    assert (wrong[at].t0_ns - START_NS) / 1e9 == pytest.approx(at * 5.0 + shift_s)
    assert any(abs(w.t0_ns - START_NS - i * 5e9) < 1 for i, w in enumerate(wrong))


def test_slow_and_fast_run_at_their_speeds() -> None:
    assert windows("slow", 60)[0].pulses.true_speed_m_s == pytest.approx(0.2, rel=0.02)
    assert windows("fast", 60)[0].pulses.true_speed_m_s == pytest.approx(4.0, rel=0.02)


def test_the_reduced_form_is_sent() -> None:
    assert {e.topic for e in events("reduced", 20) if isinstance(e, Message)} == {"linklag/v1/reduced/lag"}


@pytest.mark.parametrize(
    ("name", "late_mm"),
    [("stiff_joint", 0.8), ("steady", 0.0)],
)
def test_only_a_stiff_joint_is_late(name: str, late_mm: float) -> None:
    late = device(name).drive.chain.shifts_mm(0.0)
    assert (0.0 if late is None else late.max()) == pytest.approx(late_mm)


def test_a_spliced_section_is_new_and_a_cranked_link_makes_the_loop_odd() -> None:
    spliced = device("spliced_section").drive.chain
    inside = np.arange(70, 93)
    assert 100 * (spliced.links_mm[inside].mean() / spliced.pitch_mm - 1) < 0.15
    assert device("cranked_link").drive.chain.pitches == 121


def test_a_hot_chain_sends_its_temperatures_and_the_truth_stays_at_the_reference() -> None:
    sent = [fields(e) for e in events("hot_chain", 60) if isinstance(e, Message)]
    assert all(f["temp_c"] > f["mount_c"] + 45 for f in sent)
    truths = [w.pulses.true_elongation_pct for w in windows("hot_chain", 60)]
    assert truths == pytest.approx(np.full(len(truths), 1.2), abs=1e-4)


def test_a_swinging_load_is_sent() -> None:
    loads = [fields(e)["load_n"] for e in events("load_swings", 60) if isinstance(e, Message)]
    assert min(loads) < 1300
    assert max(loads) > 2700


def test_near_the_limit_stays_below_and_crossing_passes_it_within_the_demo() -> None:
    near = [w.pulses.true_elongation_pct for w in windows("near_limit", 120)]
    crossing = [w.pulses.true_elongation_pct for w in windows("crossing_limit", 120)]
    assert max(near) < 3.0
    assert crossing[0] < 2.95
    passed_s = 5.0 * (1 + next(i for i, e in enumerate(crossing) if e > 3.0))
    assert 40 <= passed_s <= 90
