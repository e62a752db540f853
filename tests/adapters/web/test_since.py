"""The two elongations kept apart: against nominal, and since the baseline; on board, page, chart, API and CSV."""

import csv
import io
import math
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.adapters.web.chart import Point
from service.adapters.web.since import since_pct, since_points, since_u_pct
from tests.adapters.web.plant import API, CHECKED, NOW_NS, Plant, add, reading_of, with_press
from tests.adapters.web.test_pages import seen
from tests.adapters.web.watched_plant import put
from tests.contracts.given import A_BASELINE, NOON_NS, S
from tests.core.watched import ordinary, watch

BASELINE = replace(A_BASELINE, elongation_pct=0.5, elongation_u_pct=0.03)


def test_the_change_is_against_the_length_at_the_baseline() -> None:
    """A chain that was 0.5 % long and is 2.01 % long has grown by 1.0201 / 1.005 - 1 = 1.5025 % (arithmetic)."""
    assert since_pct(2.01, BASELINE) == pytest.approx((1.0201 / 1.005 - 1) * 100)
    assert since_pct(0.5, BASELINE) == 0.0


def test_it_is_as_core_has_it_and_so_is_its_uncertainty() -> None:
    watched = watch(ordinary(), 3)
    assert watched.baseline is not None
    for reading in watched.readings:
        e, u = reading.elongation_pct or 0.0, reading.elongation_u_pct or 0.0
        assert since_pct(e, watched.baseline) == pytest.approx(reading.since_pct)
        assert since_u_pct(e, u, watched.baseline) == pytest.approx(reading.since_u_pct, rel=1e-3)


@given(st.floats(-0.3, 4), st.floats(0, 0.5))
def test_the_change_is_never_less_sure_than_the_elongation(elongation_pct: float, u_pct: float) -> None:
    assert 0 <= since_u_pct(elongation_pct, u_pct, BASELINE) <= u_pct


def point(t_ns: int, mean: float | None, chain_id: str = "press-3-a") -> Point:
    return Point(t_ns, mean, mean, mean, 0.05, chain_id)


def test_points_count_from_the_baseline_in_force_and_break_where_it_changes() -> None:
    later = replace(BASELINE, elongation_pct=1.0, taken_ns=100, recorded_ns=100)
    first = replace(BASELINE, taken_ns=0, recorded_ns=0)
    found = since_points([point(50, 0.9), point(150, 1.2)], {"press-3-a": [first, later]})
    assert found[0].mean == pytest.approx((1.009 / 1.005 - 1) * 100)
    assert found[1].mean == pytest.approx((1.012 / 1.010 - 1) * 100)
    assert found[0].chain_id != found[1].chain_id
    assert found[0].u == pytest.approx(math.sqrt(0.05**2 - (0.03 * 100.9 / 100.5) ** 2))


def test_points_of_a_chain_without_a_baseline_are_not_measured() -> None:
    (found,) = since_points([point(50, 0.9, "other")], {"press-3-a": [BASELINE]})
    assert (found.mean, found.u, found.measured) == (None, None, 0)


def test_the_page_of_a_drive_shows_both_and_says_which_is_which(plant: Plant) -> None:
    add(plant, "a")
    plant.ports.readings.store([reading_of("a", 3599, 1.0, **CHECKED)])
    assert "1.000 ± 0.022 % since baseline +0.900 ± 0.008 %" in seen(plant, "/drives/a")


def test_a_drive_without_a_baseline_shows_one(plant: Plant) -> None:
    add(plant, "a")
    plant.ports.readings.store(
        [reading_of("a", 3599, 1.0, since_pct=None, since_u_pct=None, baseline_taken_ns=None)]
    )
    page = seen(plant, "/drives/a?of=since")
    assert "since baseline" not in page
    assert "since the baseline" not in page


def test_the_page_says_which_baseline_it_counts_from(plant: Plant) -> None:
    put(plant, "a", watch(ordinary(), 12))
    text = seen(plant, "/drives/a")
    assert "% since it was taken, 10 Sep 2026, 1" in text
    assert "by tests" in text
    assert "a newer one counts" not in text
    chain = plant.ports.register.chains("a")[0]
    old = plant.ports.register.baselines(chain.chain_id)[0]
    plant.ports.register.record_baseline(replace(old, taken_ns=NOW_NS, recorded_ns=NOW_NS))
    assert "a newer one counts from the next reading on" in seen(plant, "/drives/a")


def test_the_chart_shows_one_of_them_and_says_where_the_limit_is_on_it(plant: Plant) -> None:
    with_press(plant)
    plant.ports.readings.store(
        [reading_of("press-3", 3000 + 10 * n, 0.8, seq=n, chain_id="press-3-a") for n in range(50)]
    )
    while plant.ports.readings.roll_up():
        pass
    against = seen(plant, "/drives/press-3?span=hour")
    assert "From 0.800 % to 0.800 % over the last hour. The limit is 1.25 %" in against
    for span in ("hour", "day", "month"):
        text = seen(plant, f"/drives/press-3?span={span}&of=since&scale=data")
        # (1.008 / 1.0005 - 1) and, of the limit of 1.25 %, (1.0125 / 1.0005 - 1)
        assert "From 0.750 % to 0.750 % since the baseline" in text
        assert "The limit is 1.20 % (1.25 % against nominal)" in text
    html = plant.page("/drives/press-3?span=hour&of=since")
    assert (
        '<a href="/drives/press-3?span=hour&amp;of=since#trend" aria-current="true">since the baseline'
        in html.replace("&of", "&amp;of")
    )


def test_roll_ups_carry_both_in_json_and_csv(plant: Plant) -> None:
    with_press(plant)
    plant.ports.readings.store(
        [reading_of("press-3", 3000 + 10 * n, 0.8, seq=n, chain_id="press-3-a") for n in range(50)]
    )
    while plant.ports.readings.roll_up():
        pass
    (row,) = plant.get("/drives/press-3/readings?last=1h&resolution=hour")["rows"]
    assert row["mean_since_pct"] == pytest.approx((1.008 / 1.0005 - 1) * 100)
    assert row["mean_since_u_pct"] == 0.0  # the reading's 0.011 % is less than e0 is uncertain by
    text = plant.client.get(f"{API}/drives/press-3/readings?last=1h&resolution=hour&format=csv").text
    (line,) = csv.DictReader(io.StringIO(text))
    assert float(line["mean_since_pct"]) == pytest.approx(row["mean_since_pct"])


def test_roll_ups_without_a_baseline_carry_one(plant: Plant) -> None:
    add(plant, "a")
    plant.ports.readings.store([reading_of("a", 3000, 1.0)])
    while plant.ports.readings.roll_up():
        pass
    (row,) = plant.get("/drives/a/readings?last=1h&resolution=hour")["rows"]
    assert (row["mean_pct"], row["mean_since_pct"], row["mean_since_u_pct"]) == (1.0, None, None)


def test_the_earliest_baseline_counts_before_it_was_taken() -> None:
    """The sensors stood as they did when it was taken (`baseline_at`)."""
    only = {"press-3-a": [replace(BASELINE, taken_ns=NOON_NS + 60 * S)]}
    (found,) = since_points([point(NOON_NS, 0.9)], only)
    assert found.mean == pytest.approx((1.009 / 1.005 - 1) * 100)
