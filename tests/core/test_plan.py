"""The plan against arithmetic, standards and independent numerics, and against what simulated sensors then do."""

import math
from dataclasses import asdict, fields, replace
from functools import cache
from statistics import fmean
from typing import Any

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.stats import norm

from sensors_sim.batch import SimulatedBatch, simulate_batch
from sensors_sim.drive import Surroundings
from service.core.batch import Batch
from service.core.drive import Baseline, Chain, Drive
from service.core.elongation import Budget
from service.core.fields import FieldsRefusedError
from service.core.plan import (
    TERM_WORDS,
    Expected,
    Layout,
    Plan,
    Value,
    expected,
    lag_bound_pitches,
    largest_tick_ns,
    layout_of,
    learnt_delay_u_us,
    load_strain_u_pct,
    plan_sensors,
    seconds_words,
    strain_pct_per_kn,
    tick_locked_u,
    unique_pitches,
    worst_expected,
)
from service.core.reading import Last, Reading, convert
from service.operate import reference_pitches
from tests.bench.chain_map import Follower, Setting

USUAL: dict[str, Any] = {
    "designation": "08B-1",
    "driver_teeth": 19,
    "driven_teeth": 57,
    "speed_min_m_s": 0.8,
    "speed_max_m_s": 1.6,
    "strand_mm": 700.0,
    "pitches_in_loop": 122,
}


def layout(**more: Any) -> Layout:
    return layout_of(**USUAL | more)


@cache
def usual_plan() -> Plan:
    return plan_sensors(layout())


def planned(**more: Any) -> Plan:
    return plan_sensors(layout(**more)) if more else usual_plan()


def at_limit(plan: Plan, value: Value) -> Expected:
    return next(each for each in plan.expected if each.value is value)


def remarked(plan: Plan, field: str) -> str:
    return "\n".join(remark.words for remark in plan.remarks if remark.field == field)


# Check values from outside


@pytest.mark.parametrize(("n", "wrap_pct"), [(24, 4.3478), (34, 3.0303), (40, 2.5641)])
def test_the_lag_first_comes_round_where_the_definition_says(n: int, wrap_pct: float) -> None:
    """s = n p = N p (1 + e): N is n - 1 at e = 1 / (n - 1). Arithmetic."""
    assert planned(whole_pitches=n, strand_mm=None, pitches_in_loop=None).place.wrap_pct == pytest.approx(
        wrap_pct, abs=1e-4
    )


@pytest.mark.parametrize(
    ("limit_pct", "travel"), [(3.0, 0.699029), (1.0, 0.237624), (1.5, 0.354680), (2.0, 0.470588)]
)
def test_the_lag_falls_by_what_the_definition_says(limit_pct: float, travel: float) -> None:
    """24 pitches less 24 / (1 + e). Arithmetic."""
    place = planned(whole_pitches=24, own_limit_pct=limit_pct).place
    assert place.lag_travel_pitches == pytest.approx(travel, abs=1e-6)
    assert place.lag_limit_pitches == pytest.approx(1 - travel, abs=1e-6)


def test_up_to_34_pitches_are_unique_to_3_per_cent_and_26_to_4() -> None:
    """n <= 1 + 1 / e without a guard; a guard g at both ends leaves 1 - 2 g of it. Arithmetic."""
    assert math.floor(unique_pitches(3.0, 0.0)) == 34
    assert math.floor(unique_pitches(4.0, 0.0)) == 26
    assert unique_pitches(3.0, 0.1) == pytest.approx(0.8 * unique_pitches(3.0, 0.0))


@pytest.mark.parametrize(
    ("pulses", "scatter", "lag", "expected_pitches", "rel"),
    [(1000, 0.01, 0.0, 4.4721e-4, 1e-4), (20, 0.02, 0.7, 0.006336, 1e-3), (20, 0.02, 24.0, 0.014603, 1e-3)],
)
def test_the_bound_of_the_lag_has_its_known_values(
    pulses: int, scatter: float, lag: float, expected_pitches: float, rel: float
) -> None:
    """Values computed apart from this code, the last two also by simulation (0.00634 and 0.01464)."""
    assert lag_bound_pitches(scatter, pulses, lag) == pytest.approx(expected_pitches, rel=rel)


@pytest.mark.parametrize(("pulses", "lag"), [(16, 0.0), (50, 0.4), (12, 5.0)])
def test_the_bound_of_the_lag_is_the_inverse_of_the_fisher_information(pulses: int, lag: float) -> None:
    """Kay, Estimation Theory, ch. 3: for a linear model with white noise the information is H' H / sigma^2.

    Times a_k = t0 + k T and b_k = t0 + D + k T, unknown t0, D, T; var(D / T) by the gradient (1/T, -D/T^2), T = 1.
    """
    k = np.arange(pulses) - (pulses - 1) / 2
    one, zero = np.ones(pulses), np.zeros(pulses)
    model = np.vstack([np.column_stack([one, zero, k]), np.column_stack([one, one, k])])
    covariance = np.linalg.inv(model.T @ model) * 0.03**2
    gradient = np.array([0.0, 1.0, -lag])
    assert lag_bound_pitches(0.03, pulses, lag) == pytest.approx(
        math.sqrt(gradient @ covariance @ gradient), rel=1e-9
    )


def test_a_tick_of_a_millisecond_is_a_standard_deviation_of_0_289_ms() -> None:
    """JCGM 100:2008, F.2.2.1 (from memory): q / sqrt(12) each; two pulses that lock have sqrt(2) of that."""
    assert tick_locked_u(1.0, 0.0) / math.sqrt(2) == pytest.approx(0.288675, rel=2e-3)  # 200 harmonics


@pytest.mark.parametrize("ratio", [0.1, 0.2, 0.35, 0.5])
def test_what_scatter_leaves_of_a_locked_tick_is_that_of_quadrature(ratio: float) -> None:
    """The mean error of rounding x + sigma z for a place x within the tick, its mean square over x; two pulses."""

    def mean_error(x: float) -> float:
        steps = np.arange(-8, 9)
        share = norm.cdf((steps + 0.5 - x) / ratio) - norm.cdf((steps - 0.5 - x) / ratio)
        return float((steps * share).sum() - x)

    mean_square, _ = quad(lambda x: mean_error(x) ** 2, -0.5, 0.5)
    assert tick_locked_u(1.0, ratio) == pytest.approx(math.sqrt(2 * mean_square), rel=1e-3, abs=1e-6)


def test_the_largest_tick_adds_a_tenth_to_the_scatter_and_the_next_one_more() -> None:
    """50 um of place at 1 m/s are 50 us; 50 and 100 us as rectangles (q / sqrt(12)) add 4 and 15 %."""
    tick_ns = largest_tick_ns(0.05, 1.0)
    assert tick_ns == 50_000
    assert math.hypot(50e3, tick_ns / math.sqrt(12)) <= 1.1 * 50e3 < math.hypot(50e3, 100e3 / math.sqrt(12))


def test_sag_reads_low_by_the_arc_of_the_parabola() -> None:
    """2 % of the span: the arc of y = 4 s x (1 - x) over its chord, by quadrature: 0.107 %."""
    arc, _ = quad(lambda x: math.hypot(1.0, 4 * 0.02 * (1 - 2 * x)), 0, 1)
    words = remarked(planned(slack=True), "slack")
    assert f"{100 * (arc - 1):.3f} % low" in words
    assert "0.107 % low" in words
    assert "0.427 %" in words
    assert "slack" not in {remark.field for remark in planned().remarks}


def test_two_clocks_a_millisecond_apart_are_a_third_of_a_per_cent() -> None:
    """1 ms at 1 m/s are 1 mm; over 24 pitches of 12.7 mm that is 0.07874 pitch or 0.3281 %. Arithmetic."""
    told = layout(
        whole_pitches=24, speed_min_m_s=1.0, speed_max_m_s=1.0, two_clocks=True, sync_error_us=1000.0
    )
    plan = plan_sensors(told)
    new = expected(plan.layout, Value.CHANGE, 0.0, 1.0)
    assert new.u_pct("two_clocks") == pytest.approx(0.3281, abs=1e-4)
    assert "0.0787 pitch, or 0.33 %" in remarked(plan, "two_clocks")


def test_two_clocks_do_to_simulated_readings_what_the_plan_says() -> None:
    """Sensor `down` stamped 1 ms late is what a clock 1 ms ahead does."""
    found = []
    for delay_s in (0.0, 1e-3):
        simulated = simulate_batch(
            whole_pitches=24, teeth=None, elongation_pct=1.0, wear_spread=0.0, down_delay_s=delay_s, seed=3
        )
        reading = read(simulated, layout(whole_pitches=24), None)
        assert reading.elongation_pct is not None
        found.append(reading.elongation_pct)
    told = layout(whole_pitches=24, offset_pitches=0.0, two_clocks=True, window_s=5.0)
    planned_pct = expected(told, Value.CHANGE, 1.0, 1.0).u_pct("two_clocks")
    assert planned_pct == pytest.approx(1.01 * 0.3281, abs=1e-4)
    assert found[0] - found[1] == pytest.approx(planned_pct, rel=0.01)


def test_the_joint_rate_asks_for_three_times_as_fast_a_switch() -> None:
    """1 m/s over 12.7 mm is 79 Hz, 5 m/s is 393.70 Hz (speed over pitch); three times is common practice."""
    needs = planned(speed_min_m_s=1.0, speed_max_m_s=5.0).needs
    assert needs.joint_rate_max_hz == pytest.approx(393.70, abs=0.005)
    assert needs.switching_hz == pytest.approx(3 * 393.70, abs=0.02)
    slow = planned(speed_min_m_s=1.0, speed_max_m_s=5.0, switching_hz=500.0)
    assert "may lose pulses" in remarked(slow, "switching_hz")
    assert "1181 Hz or more" in remarked(slow, "switching_hz")
    slower = planned(speed_min_m_s=1.0, speed_max_m_s=5.0, switching_hz=300.0)
    assert "will lose pulses" in remarked(slower, "switching_hz")
    assert not remarked(planned(switching_hz=2000.0), "switching_hz")


def test_the_repeat_accuracy_of_the_standard_bounds_the_scatter() -> None:
    """IEC 60947-5-2 (from memory): R <= 0.1 s_r, s_r <= 1.1 s_n. 4 mm: R = 0.44 mm wide, 0.127 mm as a rectangle."""
    plan = planned(rated_distance_mm=4.0)
    assert plan.layout.repeatability_mm == pytest.approx(0.127, abs=5e-4)
    assert planned(rated_distance_mm=4.0, repeatability_mm=0.02).layout.repeatability_mm == 0.02
    assert "standard target of 12 mm" in remarked(plan, "rated_distance_mm")


def test_rev_per_min_of_the_driver_are_the_textbook_speed() -> None:
    """Bhandari, Design of Machine Elements, ex. 14.1: 17 teeth, 19.05 mm, 1000 rev/min: 5.3975 m/s."""
    told = layout_of(pitch_mm=19.05, driver_teeth=17, rpm_min=500, rpm_max=1000)
    assert told.speed_max_m_s == pytest.approx(5.3975, abs=1e-9)
    assert told.speed_min_m_s == pytest.approx(5.3975 / 2, abs=1e-9)


def test_the_budget_has_the_sizes_that_are_known_for_24_pitches_of_12_7_mm() -> None:
    """Each size on its own, n = 24, p = 12.7 mm, 17 teeth, by arithmetic from the sources of each coefficient.

    Jitter of 1000 pulses at 1 m/s: 50 us and a tick of 100 us, so 57.7 us, 0.0009 %. Polygon effect: at most 0.63 / z^2 pitches, 0.009 %. Chain and mount 15 K
    apart: 11.7e-6 / K (Machinery's Handbook, from memory), 0.018 % as half width. A mount that creeps by 0.1 mm: 0.033 %.
    A new chain within 0 to 0.15 % (ISO 606:2015, 3.4.4, from memory): 0.043 %. A delay of 0.1 ms over +/- 0.5 m/s:
    0.016 % as half width. A tape of 1 mm: 0.33 %.
    """
    told = layout(
        driver_teeth=17, whole_pitches=24, speed_min_m_s=0.5, speed_max_m_s=1.5, strand_mm=700.0, pitches_in_loop=1000,
        window_s=13.0, tick_ns=100_000, mount_u_mm=0.1, delay_mismatch_us=100.0, spacing_u_mm=1.0, temp_range_k=15.0,
    )  # fmt: skip
    filled = plan_sensors(told).layout
    new = expected(filled, Value.ABSOLUTE, 0.0, 1.0)
    assert new.pitches_averaged == 1000
    assert new.u_pct("jitter") == pytest.approx(0.0009, abs=1e-4)
    assert new.u_pct("temperature") * math.sqrt(3) == pytest.approx(0.018, abs=5e-4)
    assert new.u_pct("mount") == pytest.approx(0.033, abs=5e-4)
    assert new.u_pct("start") == pytest.approx(0.043, abs=5e-4)
    assert new.u_pct("unequal_delay") * math.sqrt(3) == pytest.approx(0.016, abs=5e-4)
    assert expected(filled, Value.BY_SPACING, 0.0, 1.0).u_pct("spacing") == pytest.approx(0.33, abs=5e-3)
    assert 0.001 < planned(driver_teeth=17, whole_pitches=24).place.polygon_most_pct <= 0.0092
    absolute, change = new.combined_pct, expected(filled, Value.CHANGE, 0.0, 1.0).combined_pct
    assert absolute == pytest.approx(0.07, abs=0.008)
    assert change == pytest.approx(0.05, abs=0.008)


def test_a_load_that_swings_by_a_tenth_of_the_strength_is_the_known_order() -> None:
    """Plates at their waist: stiffness over strength 130 to 260, so a tenth of the strength is 0.04 to 0.08 %."""
    tenth_n = 17_800 / 10  # 08B: 17.8 kN (ISO 606:1994 as reprinted in GOST 13568-97)
    told = layout(load_swing_n=tenth_n)
    strain = strain_pct_per_kn(told)
    assert strain is not None
    assert 0.04 <= strain * tenth_n / 1000 <= 0.08
    assert load_strain_u_pct(told) == pytest.approx(strain * tenth_n / 1000 / math.sqrt(3))
    assert strain_pct_per_kn(layout(designation="08B-2")) == pytest.approx(strain / 2)
    assert strain_pct_per_kn(layout(designation="", pitch_mm=12.7)) is None


def test_sending_the_load_leaves_a_quarter_of_what_it_does() -> None:
    unknown = at_limit(planned(load_swing_n=1000.0), Value.CHANGE).u_pct("load")
    sent = at_limit(planned(load_swing_n=1000.0, load_sent=True), Value.CHANGE).u_pct("load")
    assert sent == pytest.approx(unknown / 4)


# What is recommended


def test_the_usual_drive_gets_an_even_number_that_fits_and_needs_no_history() -> None:
    plan = planned()
    assert plan.pitches.chosen % 2 == 0
    assert plan.pitches.least <= plan.pitches.chosen <= min(plan.pitches.most, plan.pitches.without_history)
    assert plan.place.spacing_mm == pytest.approx(plan.pitches.chosen * 12.7)
    assert plan.place.strand_needed_mm <= 700
    assert plan.place.down_to_driver_mm >= plan.place.clearance_mm
    assert plan.place.driven_to_up_mm is not None
    assert plan.place.driven_to_up_mm >= plan.place.clearance_mm
    ends = plan.place.up_to_driver_mm + plan.place.driven_to_up_mm
    assert ends == pytest.approx(700)


def test_without_history_is_what_a_first_reading_accepts_and_no_more() -> None:
    """Simulated first readings over the whole range of elongation: never ambiguous there, and sometimes beyond."""
    most = planned(spacing_u_mm=0.1).pitches.without_history
    assert most == 22

    def refusals(n: int) -> int:
        told = layout(whole_pitches=n, spacing_u_mm=0.1)
        found = 0
        for step in range(40):
            simulated = simulate_batch(
                whole_pitches=n, teeth=None, elongation_pct=0.1 * step, outer_minus_inner_pct=0.0, seed=step
            )
            leaf = replace(told, designation="")
            reading = convert(
                batch_of(simulated),
                drive=drive_of(leaf),
                chain=chain_of(
                    leaf, designation="LH0822"
                ),  # whose links do not alternate, so nothing else helps
                baseline=None,
                last=None,
            )
            found += reading.elongation_pct is None
        return found

    assert refusals(most) == 0
    assert refusals(most + 4) > 0


def test_a_strand_that_is_shorter_gets_fewer_pitches_and_says_what_it_costs() -> None:
    plan = planned(strand_mm=230.0)
    assert plan.pitches.chosen == plan.pitches.fits == 12
    assert "short: it takes 12 pitches" in remarked(plan, "strand_mm")
    assert at_limit(plan, Value.CHANGE).combined_pct > at_limit(planned(), Value.CHANGE).combined_pct
    few = planned(strand_mm=130.0)
    assert few.pitches.chosen == 4
    assert "over only 4 pitches" in remarked(few, "whole_pitches")


def test_a_strand_with_no_room_is_refused_with_what_it_takes() -> None:
    with pytest.raises(FieldsRefusedError, match=r"strand_mm: .*101\.6 mm"):
        planned(strand_mm=100.0)


def test_without_the_strand_its_length_is_reckoned_from_loop_and_teeth() -> None:
    """122 pitches less half of 19 + 57 round the sprockets, half of it: 42 pitches (exact for equal sprockets)."""
    plan = planned(strand_mm=None)
    assert plan.pitches.fits == 36
    assert f"{42 * 12.7:.0f} mm" in remarked(plan, "strand_mm")
    assert planned(strand_mm=None, pitches_in_loop=None).pitches.fits is None


def test_a_small_pitch_and_a_coarse_tape_get_a_baseline_rather_than_few_pitches() -> None:
    plan = plan_sensors(layout_of(pitch_mm=3.2, speed_min_m_s=0.5, strand_mm=200.0))
    assert plan.pitches.without_history < plan.pitches.chosen == 16
    assert "known to 0.5 mm: take a baseline" in remarked(plan, "whole_pitches")


def test_a_large_sprocket_lowers_the_limit_and_leaves_more_pitches_unique() -> None:
    """Chain makers' advice: 200 / z % over 66 teeth; 2 % at 100."""
    plan = planned(driven_teeth=100, pitches_in_loop=None, strand_mm=2000.0)
    assert plan.limit.limit_pct == pytest.approx(2.0)
    assert plan.pitches.to_limit > planned().pitches.to_limit
    assert "200/100 = 2.00 %" in remarked(plan, "driven_teeth")


def test_pulses_get_a_whole_lag_at_the_start_and_means_one_that_never_crosses() -> None:
    """A new chain then shows no polygon effect in its baseline; a mean of lags must not straddle a whole pitch."""
    assert planned().layout.offset_pitches == 0.0
    means = planned(reduced=True)
    offset = means.layout.offset_pitches
    assert offset is not None
    n = means.pitches.chosen + offset
    assert math.floor(n / 0.997) == math.floor(n / 1.03)
    assert min((n / 1.03) % 1, 1 - (n / 0.997) % 1) > 0.1
    assert not remarked(means, "offset_pitches")
    assert "crosses a whole pitch" in remarked(planned(reduced=True, offset_pitches=0.0), "offset_pitches")


def test_the_place_of_the_sensors_is_the_one_of_least_polygon_effect_nearby() -> None:
    plan = planned(driver_teeth=11)
    others = [
        planned(driver_teeth=11, up_to_driver_mm=plan.place.up_to_driver_mm + shift * 12.7).place
        for shift in (-0.35, -0.2, 0.2, 0.35)
    ]
    assert all(plan.place.polygon_most_pct <= other.polygon_most_pct + 1e-5 for other in others)
    assert abs(plan.place.down_to_driver_mm - (plan.place.driven_to_up_mm or 0)) <= 12.8


def test_at_a_spacing_that_is_whole_at_the_limit_the_polygon_effect_is_none_there() -> None:
    spacing = planned().place.whole_at_limit_mm / 12.7
    told = planned(whole_pitches=int(spacing), offset_pitches=spacing % 1)
    assert (
        at_limit(told, Value.CHANGE).u_pct("polygon")
        < 1e-9
        < at_limit(planned(), Value.CHANGE).u_pct("polygon")
    )


def test_a_window_holds_a_whole_lap_at_the_lowest_speed() -> None:
    plan = planned()
    simulated = simulate_batch(
        whole_pitches=plan.pitches.chosen, pitches_in_loop=122, elongation_pct=3.0, speed_m_s=0.8,
        duration_s=plan.needs.window_s,
    )  # fmt: skip
    reading = read(simulated, plan.layout, None, last_pct=3.0)
    assert reading.whole_laps >= 1
    assert at_limit(plan, Value.CHANGE).u_pct("sample") == 0.0
    odd = planned(pitches_in_loop=121)
    assert odd.needs.lap_s is not None
    assert plan.needs.lap_s is not None
    assert odd.needs.lap_s > 1.9 * plan.needs.lap_s
    assert "cranked link" in remarked(odd, "pitches_in_loop")


def test_a_window_that_is_too_short_is_refused_with_the_least_that_will_do() -> None:
    with pytest.raises(
        FieldsRefusedError, match=r"window_s: 0\.1 s hold too few joints at 0\.8 m/s.*give 0\.3"
    ) as told:
        planned(window_s=0.1)
    least_s = float(str(told.value).split("give ")[1].split(" s")[0])
    assert planned(window_s=least_s + 0.01).needs.window_s == least_s + 0.01


@pytest.mark.parametrize(
    ("more", "field", "words"),
    [
        ({"vertical": True}, "vertical", "take-up"),
        ({"reverses": True}, "reverses", '"dir"'),
        ({"driver_teeth": 13}, "driver_teeth", "17 or more"),
        ({"driver_teeth": 7}, "driver_teeth", "too few"),
        ({"whole_pitches": 21}, "whole_pitches", "odd"),
        ({"whole_pitches": 40, "strand_mm": 2000.0}, "whole_pitches", "take a baseline"),
        ({"whole_pitches": 40, "strand_mm": 2000.0}, "whole_pitches", "unique up to the limit"),
        ({"whole_pitches": 60, "strand_mm": 2000.0}, "whole_pitches", "even the last elongation"),
        ({"whole_pitches": 54}, "strand_mm", "do not fit"),
        ({"pitches_in_loop": None}, "window_s", "count them"),
        ({"window_s": 2.0}, "window_s", "no whole lap"),
        ({"spacing_u_mm": 0.05, "delay_mismatch_us": 10.0}, "spacing_u_mm", "let the baseline's e0 be what the first readings show"),
        ({"speed_min_m_s": 0.02}, "window_s", "60 s or less are usual"),
        ({"speed_min_m_s": 0.001, "speed_max_m_s": 1.0, "window_s": 3600.0}, "window_s", "pulses at 1 m/s"),
        ({"tick_ns": 50_000}, "tick_ns", "20 µs or less"),
        ({"tick_ns": 1_000_000}, "tick_ns", "locks"),
        ({"repeatability_mm": 0.5}, "repeatability_mm", "some readings"),
        ({"repeatability_mm": 1.0}, "repeatability_mm", "readings will be refused"),
        ({"designation": "LH0822", "driver_teeth": None}, "designation", "no safety function"),
    ],
)  # fmt: skip
def test_what_may_go_wrong_is_said(more: dict[str, Any], field: str, words: str) -> None:
    assert words in remarked(planned(**more), field)
    assert words not in remarked(planned(), field)


LONG: dict[str, Any] = {"driven_teeth": 19, "strand_mm": 1500.0, "pitches_in_loop": 96}


@pytest.mark.parametrize(
    ("loop", "n", "words"),
    [
        (96, 24, "96 joints are almost 4 times the pitches between the sensors, most so when new"),
        (94, 24, "almost 4 times the pitches between the sensors, most so at 2.1 % of elongation"),
        (110, 22, "almost 5 times"),
        (60, 30, "almost 2 times"),
    ],
)
def test_a_loop_of_almost_a_whole_multiple_of_n_is_told_with_what_to_change(
    loop: int, n: int, words: str
) -> None:
    """A wave of N pitches then passes both sensors alike (arithmetic: 4 x 24 = 96; 4 x 24 / 94 = 1.021)."""
    told = remarked(planned(**LONG | {"pitches_in_loop": loop, "whole_pitches": n}), "whole_pitches")
    assert words in told
    instead = int(told.split("Set the sensors ")[1].split()[0])
    assert instead != n
    assert "joints are" not in remarked(
        planned(**LONG | {"pitches_in_loop": loop, "whole_pitches": instead}), "whole_pitches"
    )


@pytest.mark.parametrize(
    "more",
    [
        {"whole_pitches": 22},  # 4.4 times
        {"pitches_in_loop": 104, "whole_pitches": 24},  # 4.3 times
        {"pitches_in_loop": None, "whole_pitches": 24},
        {"reduced": True, "whole_pitches": 24},  # there is no map
        {"whole_pitches": 12},  # one sensor tells a wave of 12 pitches
    ],
)
def test_elsewhere_nothing_is_said_of_it(more: dict[str, Any]) -> None:
    assert "joints are almost" not in remarked(planned(**LONG | more), "whole_pitches")


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_the_map_of_links_is_as_unsure_of_that_wave_as_the_plan_says_and_surer_at_the_advised_number(
    seed: int,
) -> None:
    """Folded from simulated pulses: the wave that repeats 4 times a lap against those beside it."""
    times_as_unsure = {}
    for n in (24, 22):
        setting = Setting(pitches=96, between=n * 1.012, elongation_pct=1.2, seed=seed)
        harmonics = np.sqrt(Follower(setting).laps(20).links().harmonics)
        times_as_unsure[n] = harmonics[4] / np.median(np.delete(harmonics, 4)[1:7])
    assert times_as_unsure[24] > 7
    assert times_as_unsure[22] < 4


def test_a_drive_with_nothing_to_remark_gets_no_remark() -> None:
    assert planned().remarks == ()


# What limits it and what would make it better


def test_the_terms_add_up_by_squares_and_stand_largest_first() -> None:
    for each in (*planned().expected, *planned().expected_new):
        assert each.combined_pct == pytest.approx(math.sqrt(sum(term.u_pct**2 for term in each.terms)))
        stated = math.sqrt(sum(term.u_pct**2 for term in each.terms if term.stated))
        assert each.stated_pct == pytest.approx(stated)
        assert each.largest.u_pct == max(term.u_pct for term in each.terms)
        assert {term.name for term in each.terms} >= {
            field.name.removesuffix("_pct") for field in fields(Budget)
        }
        assert {term.name for term in each.terms} <= set(TERM_WORDS)


def test_what_limits_new_chain_is_not_knowing_its_length() -> None:
    absolute, change = at_limit(planned(), Value.ABSOLUTE), at_limit(planned(), Value.CHANGE)
    assert absolute.largest.name == "start"
    assert change.u_pct("start") == 0.0
    assert change.combined_pct < absolute.combined_pct


@pytest.mark.parametrize("value", [Value.ABSOLUTE, Value.CHANGE])
def test_each_change_alone_leaves_what_planning_anew_with_it_gives(value: Value) -> None:
    plan = planned(designation="12B-1", strand_mm=800.0)
    improvement = next(each for each in plan.improvements if each.value is value)
    assert improvement.now_pct == pytest.approx(at_limit(plan, value).combined_pct)
    left = {change.field: change.combined_pct for change in improvement.alone}
    given: dict[str, dict[str, Any]] = {
        "temperature_sent": {"temperature_sent": True},
        "load_sent": {"load_sent": True},
        "whole_pitches": {"whole_pitches": plan.pitches.most},
        "mount_u_mm": {"mount_u_mm": 0.005},
    }
    for field in given.keys() & left.keys():
        anew = plan_sensors(replace(plan.layout, **given[field]))
        assert left[field] == pytest.approx(at_limit(anew, value).combined_pct, rel=1e-6), field
    assert {"load_sent", "temperature_sent"} <= left.keys()
    assert ("e0_u_pct" in left) is (value is Value.ABSOLUTE)
    assert [change.combined_pct for change in improvement.alone] == sorted(left.values())


def test_the_changes_together_halve_it_where_they_can() -> None:
    for improvement in planned().improvements:
        steps = [improvement.now_pct, *(change.combined_pct for change in improvement.together)]
        assert steps == sorted(steps, reverse=True)
        assert improvement.halved
        assert steps[-1] <= improvement.now_pct / 2 < steps[-2]


def test_one_thing_that_outweighs_all_others_is_named_first() -> None:
    first = {
        "two_clocks": planned(two_clocks=True),
        "tick_ns": planned(tick_ns=2_000_000),
        "mount_u_mm": planned(mount_u_mm=1.0),
        "delay_u_us": planned(delay_mismatch_us=3000.0),
        "load_sent": planned(load_u_pct=0.3),
        "temperature_sent": planned(temp_range_k=150.0),
        "stamp_jitter_us": planned(stamp_jitter_us=500.0, load_u_pct=0.0),
    }
    for field, plan in first.items():
        change = next(each for each in plan.improvements if each.value is Value.CHANGE)
        assert change.alone[0].field == field
        assert change.together[0].field == field


def test_a_longer_strand_is_asked_for_where_the_strand_is_what_limits() -> None:
    plan = planned(strand_mm=130.0, mount_u_mm=0.2)
    change = next(each for each in plan.improvements if each.value is Value.CHANGE)
    assert "strand_mm" in {each.field for each in change.alone}
    words = next(each.words for each in change.alone if each.field == "strand_mm")
    assert "find a straight strand of" in words


def test_where_nothing_can_halve_it_that_is_said() -> None:
    plan = planned(
        temperature_sent=True, load_sent=True, mount_u_mm=0.004, e0_u_pct=0.01, delay_u_us=1.0, strand_mm=600.0,
        whole_pitches=30,
    )  # fmt: skip
    assert not any(improvement.halved for improvement in plan.improvements)


# How people describe a drive


@pytest.mark.parametrize(
    ("given", "field"),
    [
        ({}, "designation"),
        ({"designation": "16Z", "speed_min_m_s": 1.0}, "designation"),
        ({"designation": "16B", "pitch_mm": 12.7, "speed_min_m_s": 1.0}, "pitch_mm"),
        ({"designation": "M80", "speed_min_m_s": 1.0}, "pitch_mm"),
        ({"designation": "16B"}, "speed_min_m_s"),
        ({"designation": "16B", "rpm_min": 100}, "driver_teeth"),
        ({"designation": "16B", "rpm_min": 100, "speed_min_m_s": 1.0, "driver_teeth": 19}, "rpm_min"),
        ({"designation": "16B", "rpm_min": -1, "driver_teeth": 19}, "rpm_min"),
        ({"designation": "16B", "speed_min_m_s": 2.0, "speed_max_m_s": 1.0}, "speed_max_m_s"),
        ({"designation": "16B", "speed_min_m_s": math.nan}, "speed_min_m_s"),
        ({"designation": "16B", "speed_min_m_s": 1.0, "tick_ns": 0}, "tick_ns"),
        ({"designation": "16B", "speed_min_m_s": 1.0, "slack": "yes"}, "slack"),
    ],
)
def test_what_cannot_be_is_refused_by_field(given: dict[str, Any], field: str) -> None:
    with pytest.raises(FieldsRefusedError) as told:
        layout_of(**given)
    assert next(iter(told.value.problems)) == field


def test_chain_and_speed_are_taken_as_people_say_them() -> None:
    told = layout_of(designation="ansi 80", speed_max_m_s=1.2)
    assert (told.designation, told.pitch_mm, told.speed_min_m_s) == ("16A-1", 25.4, 1.2)
    free = layout_of(pitch_mm=30.0, speed_min_m_s=1.0)
    assert (free.designation, free.pitch_mm) == ("", 30.0)
    conveyor = layout_of(designation="M80", pitch_mm=160.0, speed_min_m_s=0.3)
    assert (conveyor.designation, conveyor.pitch_mm) == ("M80", 160.0)


def test_a_plan_of_every_kind_of_chain_comes_out() -> None:
    for told in (
        layout_of(designation="LH1023", speed_min_m_s=0.2, strand_mm=1500.0),
        layout_of(designation="M112", pitch_mm=250.0, speed_min_m_s=0.05, speed_max_m_s=0.2, driver_teeth=8),
        layout_of(
            designation="208B", speed_min_m_s=0.5, driver_teeth=20, driven_teeth=20, pitches_in_loop=80
        ),
        layout_of(pitch_mm=3.2, speed_min_m_s=0.5, repeatability_mm=0.01, strand_mm=200.0),
    ):
        plan = plan_sensors(told)
        assert all(0 < each.combined_pct < 2 for each in plan.expected)
        assert plan.pitches.chosen >= 2


# Plan and reading agree: simulated sensors


def batch_of(simulated: SimulatedBatch) -> Batch:
    return Batch(
        drive_id="d",
        seq=0,
        t0_ns=simulated.t0_ns,
        tick_ns=simulated.tick_ns,
        up=simulated.up,
        down=simulated.down,
        span_ns=simulated.span_ticks * simulated.tick_ns,
    )


def drive_of(told: Layout) -> Drive:
    return Drive(
        drive_id="d",
        whole_pitches=told.whole_pitches,
        offset_pitches=told.offset_pitches or 0.0,
        spacing_u_mm=told.spacing_u_mm,
        driver_teeth=told.driver_teeth,
        up_to_driver_mm=told.up_to_driver_mm,
        temp_range_k=told.temp_range_k,
        load_u_pct=told.load_u_pct,
    )


def chain_of(told: Layout, designation: str = "") -> Chain:
    return Chain(
        chain_id="c",
        drive_id="d",
        designation=designation,
        pitch_mm=told.pitch_mm,
        pitches_in_loop=told.pitches_in_loop,
        fitted_ns=0,
    )


def read(
    simulated: SimulatedBatch, told: Layout, baseline: Baseline | None, *, last_pct: float | None = None
) -> Reading:
    last = None if last_pct is None else Last(last_pct, simulated.t0_ns)
    return convert(
        batch_of(simulated), drive=drive_of(told), chain=chain_of(told), baseline=baseline, last=last
    )


def random_layout(rng: np.random.Generator, **more: Any) -> Layout:
    """A drive over the range that linklag is made for, with its plan's choices filled in at random."""
    pitch_mm = float(rng.choice([8.0, 9.525, 12.7, 15.875, 19.05, 25.4, 38.1, 50.8]))
    speed = float(np.exp(rng.uniform(math.log(0.2), math.log(4.0))))
    repeatability_mm = float(rng.uniform(0.01, 0.08))
    loop = 2 * int(rng.integers(35, 101))
    n = 2 * int(rng.integers(4, 16))
    given: dict[str, Any] = {
        "pitch_mm": pitch_mm,
        "pitches_in_loop": loop,
        "speed_min_m_s": speed,
        "whole_pitches": n,
        "offset_pitches": float(rng.choice([0.0, rng.random()])),
        "up_to_driver_mm": (n + float(rng.uniform(3, 12))) * pitch_mm,
        "repeatability_mm": repeatability_mm,
        "tick_ns": int(rng.choice([1000, largest_tick_ns(repeatability_mm, speed)])),
        "window_s": loop * pitch_mm / speed / 1000 * float(rng.integers(1, 3) + rng.uniform(0.1, 0.9)),
    }
    return layout_of(**given | more)


def simulated_on(told: Layout, seed: int, **more: Any) -> SimulatedBatch:
    return simulate_batch(
        pitch_mm=told.pitch_mm,
        whole_pitches=told.whole_pitches or 0,
        offset_pitches=told.offset_pitches or 0.0,
        teeth=told.driver_teeth,
        up_to_driver_mm=told.up_to_driver_mm,
        speed_m_s=told.speed_min_m_s,
        pitches_in_loop=told.pitches_in_loop or 120,
        duration_s=told.window_s,
        repeatability_mm=told.repeatability_mm or 0.0,
        tick_ns=told.tick_ns,
        seed=seed,
        **more,
    )


@pytest.mark.parametrize("laps", [True, False])
def test_readings_scatter_as_the_plan_predicts(laps: bool) -> None:  # noqa: FBT001
    """200 drives at random, without polygon effect or other systematic parts: scatter over predicted is 1."""
    rng = np.random.default_rng(41 + laps)
    ratios = []
    for seed in range(200):
        told = random_layout(rng)
        if not laps:  # a quarter to three quarters of a lap
            told = replace(told, window_s=(told.window_s or 0.0) * 0.25)
        pct = float(rng.uniform(0.1, 3.0))
        simulated = simulated_on(told, seed, elongation_pct=pct, wear_spread=0.15)
        reading = read(simulated, told, None, last_pct=pct)
        assert reading.elongation_pct is not None
        foreseen = expected(told, Value.CHANGE, pct, told.speed_min_m_s)
        assert (foreseen.whole_laps > 0) is laps
        assert abs(foreseen.pitches_averaged - reading.pitches_averaged) <= 2
        random_pct = math.hypot(foreseen.u_pct("jitter"), foreseen.u_pct("sample"))
        ratios.append((reading.elongation_pct - simulated.true_elongation_pct) / random_pct)
    assert math.sqrt(fmean(ratio**2 for ratio in ratios)) == pytest.approx(1.0, abs=0.15)


def test_the_uncertainty_that_is_planned_is_the_one_that_readings_state() -> None:
    """The same drives with polygon effect, spacing, temperature and load not sent; each value on its own baseline."""
    rng = np.random.default_rng(43)
    for seed in range(60):
        told = random_layout(rng, driver_teeth=int(rng.integers(11, 41)), spacing_u_mm=0.3)
        pct = float(rng.uniform(0.1, 3.0))
        simulated = simulated_on(told, seed, elongation_pct=pct)
        speed = told.speed_min_m_s
        absolute, change, by_spacing = (expected(told, value, pct, speed) for value in Value)
        reading = read(simulated, told, None, last_pct=pct)
        assert reading.elongation_u_pct == pytest.approx(by_spacing.stated_pct, rel=0.05)
        n = (told.whole_pitches or 0) + (told.offset_pitches or 0.0)
        n0_u_pct = absolute.u_pct("spacing") / (1 + pct / 100)
        baseline = Baseline(
            chain_id="c", pitches_between=n / 1.00075, pitches_between_u=n0_u_pct / 100 * n / 1.00075,
            elongation_pct=0.075, elongation_u_pct=0.15 / math.sqrt(12), taken_ns=0, recorded_ns=0, recorded_by="", why="",
        )  # fmt: skip
        reading = read(simulated, told, baseline, last_pct=pct)
        assert reading.elongation_u_pct == pytest.approx(absolute.stated_pct, rel=0.05)
        assert reading.since_u_pct == pytest.approx(change.stated_pct, rel=0.05)


@pytest.mark.parametrize("window_s", [2.0, 0.9])
def test_the_baseline_that_is_planned_is_as_good_as_the_one_that_is_taken(window_s: float) -> None:
    """N0 of 40 readings of new chain as the register's door takes it, over a lap and over half a lap."""
    told = layout(
        whole_pitches=22, offset_pitches=0.3, up_to_driver_mm=500.0, window_s=window_s, repeatability_mm=0.05,
        load_u_pct=0.002, temp_range_k=2.0,
    )  # fmt: skip
    readings = [
        read(simulated_on(told, seed, elongation_pct=0.075), told, None, last_pct=0.075) for seed in range(40)
    ]
    n0, n0_u = reference_pitches(drive_of(told), readings)
    planned_u_pct = expected(told, Value.CHANGE, 0.075, 0.8).u_pct("spacing")
    assert n0 == pytest.approx(22.3 / 1.00075, abs=0.01)
    assert planned_u_pct == pytest.approx(100 * n0_u / n0, rel=0.25)


def test_the_delay_is_learnt_as_well_as_planned() -> None:
    """Two readings at the ends of the speed range, 60 times: the scatter of (lag difference) p / (speed difference)."""
    told = layout(whole_pitches=22, offset_pitches=0.0, up_to_driver_mm=500.0, window_s=4.0)
    found_us = []
    for seed in range(60):
        between = []
        for speed in (0.8, 1.6):
            simulated = simulate_batch(
                whole_pitches=22, teeth=None, speed_m_s=speed, duration_s=4.0, pitches_in_loop=122, elongation_pct=0.075,
                down_delay_s=100e-6, seed=1000 * seed + int(10 * speed),
            )  # fmt: skip
            reading = read(simulated, told, None, last_pct=0.075)
            assert reading.pitches_between is not None
            between.append(reading.pitches_between)
        found_us.append((between[1] - between[0]) * 12.7 * 1.00075 / 0.8 * 1000)
    assert fmean(found_us) == pytest.approx(100, abs=2)
    worse = learnt_delay_u_us(told)  # of the end with fewer laps, for both
    assert 0.7 * worse < float(np.std(found_us)) < 1.15 * worse


@pytest.mark.parametrize(
    ("loop", "laps", "whole"), [(121, 3.3, 2), (121, 1.3, 1), (120, 3.3, 3), (120, 0.61, 0)]
)
def test_laps_and_pitches_are_counted_as_a_reading_counts_them(loop: int, laps: float, whole: int) -> None:
    """An odd loop is taken in pairs of laps, a part of a lap in pairs of pitches."""
    told = layout(
        whole_pitches=20, offset_pitches=0.0, pitches_in_loop=loop, window_s=laps * loop * 12.7 * 1.01 / 800
    )
    reading = read(simulated_on(told, 5, elongation_pct=1.0), told, None, last_pct=1.0)
    foreseen = expected(told, Value.CHANGE, 1.0, 0.8)
    assert foreseen.whole_laps == reading.whole_laps == whole
    assert abs(foreseen.pitches_averaged - reading.pitches_averaged) <= 2
    assert foreseen.pitches_averaged % 2 == (loop % 2 if whole == 1 else 0)


def test_before_a_baseline_all_of_an_unequal_delay_counts_and_after_it_what_the_speed_changes() -> None:
    """0.1 ms at 1.6 m/s are 0.16 mm, over 20 pitches of 12.7 mm 0.063 %; the range of 0.8 m/s as a rectangle 0.0091 %."""
    told = layout(whole_pitches=20, offset_pitches=0.0, window_s=5.0, delay_mismatch_us=100.0)
    assert expected(told, Value.BY_SPACING, 0.0, 1.6).u_pct("unequal_delay") == pytest.approx(
        0.0630, abs=1e-4
    )
    assert expected(told, Value.CHANGE, 0.0, 1.6).u_pct("unequal_delay") == pytest.approx(0.0091, abs=1e-4)
    learnt = replace(told, delay_u_us=5.0)
    assert expected(learnt, Value.CHANGE, 0.0, 1.6).u_pct("unequal_delay") == 0.0
    assert expected(learnt, Value.CHANGE, 0.0, 1.6).u_pct("delay") == pytest.approx(0.0630 / 20, rel=1e-3)


def test_what_is_told_is_of_the_worse_end_of_the_speeds() -> None:
    plan = planned(tick_ns=200_000, stamp_jitter_us=200.0)
    for each in plan.expected:
        ends = [expected(plan.layout, each.value, each.at_pct, speed).combined_pct for speed in (0.8, 1.6)]
        assert ends[0] != ends[1]
        assert each.combined_pct == max(ends)


def test_the_stated_total_covers_the_truth() -> None:
    """Spacing, temperature, load and sensors drawn as uncertain as the layout says: within 2 u about 95 %."""
    rng = np.random.default_rng(47)
    inside = []
    for seed in range(200):
        told = random_layout(rng, driver_teeth=int(rng.integers(11, 41)), mount_u_mm=0.05, spacing_u_mm=0.1)
        pct = float(rng.uniform(0.1, 3.0))
        around = Surroundings(
            chain_c=20 + float(rng.uniform(-15, 15)),
            load_n=1000 * float(rng.normal(0, 0.02)),
            strain_pct_per_kn=1.0,
        )
        moved_mm = float(rng.normal(0, math.hypot(told.spacing_u_mm, told.mount_u_mm)))
        simulated = simulated_on(
            told, seed, elongation_pct=pct, spacing_error_mm=moved_mm, surroundings=around, wear_spread=0.15
        )
        reading = read(simulated, told, None, last_pct=pct)
        assert reading.elongation_pct is not None
        foreseen = worst_expected(replace(told, delay_mismatch_us=0.0), Value.BY_SPACING, pct)
        error_pct = reading.elongation_pct - simulated.true_elongation_pct
        inside.append(abs(error_pct) <= 2 * foreseen.combined_pct)
    assert 0.92 <= fmean(inside) <= 0.99


def test_times_are_told_with_three_digits_and_never_too_short() -> None:
    assert seconds_words(0.3265) == "0.327 s"
    assert seconds_words(0.5) == "0.5 s"
    assert seconds_words(33.33) == "33.4 s"
    assert seconds_words(1234.5) == "1235 s"


def test_a_plan_is_plain_data() -> None:
    """So that command and API give the same: every field a number, a text, a list or none."""

    def plain(value: Any) -> bool:
        if isinstance(value, dict):
            return all(plain(each) for each in value.values())
        if isinstance(value, list | tuple):
            return all(plain(each) for each in value)
        return value is None or isinstance(value, int | float | str)

    assert plain(asdict(planned()))
