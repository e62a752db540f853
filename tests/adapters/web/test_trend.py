"""The trend of a drive over a window: which window an address means, at which resolution it is drawn, what lies in it, its files."""

import csv
import io
import json
import re
from dataclasses import replace
from html import unescape
from typing import Any
from xml.etree import ElementTree as ET

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.adapters.web.chart import DAY_NS, thin
from service.adapters.web.instants import SECOND_NS, rfc3339
from service.adapters.web.pages_trend import asked_trend
from service.adapters.web.parts import Parts
from service.adapters.web.saving import standalone
from service.adapters.web.series import COLUMNS_OF_ONE, Span, drawn_at, points_between
from service.adapters.web.time_lane import HAPPENINGS_MAX, Happening, Kind, Stood, draw_lane, within
from service.adapters.web.trend_view import trend_figure
from service.adapters.web.window import LEAST_NS, MOST_NS, SPANS, TrendAsked, named_window, own_window
from service.core.alert import Act, Event, advance, applied, begin
from service.core.reading import Reading
from service.core.setpoint import ConditionKind, Facts, Override, Priority, Scope
from service.ports import Resolution
from tests.adapters.web.plant import API, NOW_NS, Plant, add, reading_of, with_press
from tests.contracts.given import A_HAND_VALUE, NOON_NS, S
from tests.foretold import kept

HOSTILE = "<script>alert(1)</script>\"'&"
INTERVALS_NS = {Span.RAW: 0, Span.MINUTE: 60 * S, Span.HOUR: 3600 * S, Span.DAY: DAY_NS}


def stored(plant: Plant, *readings: Reading) -> None:
    """Store readings and bring the roll-ups up to date."""
    plant.ports.readings.store(readings)
    while plant.ports.readings.roll_up():
        pass


def of_press(at_s: float, pct: float | None, seq: int = 1) -> Reading:
    return replace(reading_of("press-3", at_s, pct, seq=seq), chain_id="press-3-a")


# The window


def asked_for(**more: Any) -> TrendAsked:
    return TrendAsked.model_validate(more)


@given(
    st.integers(0, NOW_NS).map(lambda ns: ns // 1000 * 1000),
    st.integers(LEAST_NS, MOST_NS).map(lambda ns: ns // 1000 * 1000),
)
def test_a_window_comes_back_from_its_address(from_ns: int, length_ns: int) -> None:
    window = own_window(
        asked_for(**{"from": rfc3339(from_ns), "to": rfc3339(from_ns + max(length_ns, LEAST_NS))}), NOW_NS
    )
    assert window is not None
    query = dict(each.split("=") for each in window.query().split("&"))
    assert own_window(asked_for(**query), NOW_NS + DAY_NS) == window


def test_without_an_end_a_window_goes_on_and_a_named_span_too() -> None:
    given_ = {"from": "2026-09-10T12:00:00Z"}
    window = own_window(asked_for(**given_), NOW_NS)
    assert window is not None
    assert (window.from_ns, window.to_ns, window.query()) == (NOON_NS, NOW_NS, "from=2026-09-10T12:00:00Z")
    later = own_window(asked_for(**given_), NOW_NS + S)
    assert later is not None
    assert later.to_ns == NOW_NS + S
    assert named_window("hour", NOW_NS).query() == "span=hour"
    assert own_window(asked_for(span="hour"), NOW_NS) is None


@pytest.mark.parametrize(
    ("query", "fix"),
    [
        ("from=yesterday&to=2026-09-10T12:00:00Z", "write it like 2026-11-25T08:15:00Z"),
        ("to=2026-09-10T12:00:00Z", "give from beside to"),
        ("from=2026-09-10T12:00:00Z&to=2026-09-10T11:00:00Z", "exchange or correct the two times"),
        ("from=2026-09-10T12:00:00Z&to=2026-09-10T12:00:01Z", "10 seconds or more"),
        ("from=1971-01-01T00:00:00Z&to=2026-09-10T12:00:00Z", "ask for less at once"),
        ("width=7", ""),
    ],
)
def test_a_window_that_is_none_says_what_to_do(fake_plant: Plant, query: str, fix: str) -> None:
    add(fake_plant, "a", 1.0)
    for path in ("/drives/a/trend.svg", "/drives/a/trend.csv", "/drives/a/trend"):
        answer = fake_plant.client.get(f"{path}?{query}")
        assert answer.status_code == 422, path
        assert fix in answer.json()["detail"]
    assert fake_plant.client.get("/drives/nobody/trend.svg").status_code == 404


# At which resolution


@given(st.integers(LEAST_NS, MOST_NS), st.integers(200, 4000))
def test_a_roll_up_is_never_wider_than_some_columns_and_the_next_longer_one_would_be(
    span_ns: int, columns: int
) -> None:
    drawn = drawn_at(span_ns, columns)
    order = list(INTERVALS_NS)
    assert INTERVALS_NS[drawn] * columns <= COLUMNS_OF_ONE * span_ns
    if drawn is not Span.DAY:
        longer = order[order.index(drawn) + 1]
        assert INTERVALS_NS[longer] * columns > COLUMNS_OF_ONE * span_ns


def test_usual_windows_are_drawn_as_one_would_think() -> None:
    lengths = {
        "year": 365 * DAY_NS,
        "month": 30 * DAY_NS,
        "week": 7 * DAY_NS,
        "day": DAY_NS,
        "hour": 3600 * S,
    }
    found = {name: drawn_at(length_ns, 1000) for name, length_ns in lengths.items()}
    assert found == {
        "year": Span.DAY,
        "month": Span.HOUR,
        "week": Span.MINUTE,
        "day": Span.MINUTE,
        "hour": Span.RAW,
    }


def test_what_is_kept_no_longer_at_a_resolution_is_drawn_at_the_next_longer_one(plant: Plant) -> None:
    add(plant, "a")
    start_ns = NOW_NS - 6 * 3600 * S
    rows = [
        replace(
            reading_of("a", 0, 1 + n / 1000, seq=n),
            t_ns=start_ns + 30 * n * S,
            t0_ns=start_ns + 30 * n * S - 10 * S,
        )
        for n in range(1, 721)
    ]
    stored(plant, *rows)
    all_of_it = points_between(plant.ports.readings, "a", start_ns, NOW_NS, Span.RAW)
    assert len(all_of_it) == 720
    plant.ports.readings.forget(None, NOW_NS - 2 * 3600 * S)
    plant.ports.readings.forget(Resolution.MINUTE, NOW_NS - 4 * 3600 * S)
    found = points_between(plant.ports.readings, "a", start_ns, NOW_NS, Span.RAW)
    assert [each.t_ns for each in found] == sorted(each.t_ns for each in found)
    assert {each.of_ns for each in found} == {0, 60 * S, 3600 * S}
    assert found[0].t_ns <= start_ns + 3600 * S
    assert sum(each.readings for each in found) == pytest.approx(720, abs=3)
    joined = thin(found, start_ns, NOW_NS, 100)
    assert len(joined) <= 101
    assert min(each.low or 0 for each in joined) == pytest.approx(1.001)
    assert max(each.high or 0 for each in joined) == pytest.approx(1.72)


def test_what_was_joined_stays_joined_while_time_goes_on() -> None:
    from tests.adapters.web.test_chart import point

    points = [point(hour, hour / 10) for hour in range(1, 200)]
    first = thin(points, 0, 100 * 3600 * SECOND_NS, 10)
    later = thin(points, 7 * 3600 * SECOND_NS, 107 * 3600 * SECOND_NS, 10)
    assert first == later


# What lies in it


def alerts_of(plant: Plant, kind: ConditionKind, *steps: tuple[Event, int]) -> None:
    alert = begin("press-3", kind)
    for event, at_ns in steps:
        act = Act(
            event=event,
            true_ns=at_ns,
            recorded_ns=at_ns + S,
            facts=Facts(cause="so", mend="look"),
            priority=Priority.LOW if event is Event.OCCUR else None,
        )
        transition = advance(alert, act)
        alert = applied(alert, transition)
        alert = replace(alert, number=plant.ports.alert_log.record(transition, alert))


def in_it(plant: Plant, **asked: Any) -> ET.Element:
    document = plant.client.get("/drives/press-3/trend.svg", params=asked)
    assert document.status_code == 200, document.text
    return ET.fromstring(document.text)  # noqa: S314 - ours


def of_class(root: ET.Element, *names: str) -> list[ET.Element]:
    return [each for each in root.iter() if set(names) <= set(each.get("class", "").split())]


def test_alerts_baselines_chains_and_setpoints_lie_on_the_trend_each_by_its_shape(plant: Plant) -> None:
    with_press(plant)
    stored(plant, of_press(60, 1.2))
    begun_ns = NOW_NS - 1200 * S
    alerts_of(
        plant,
        ConditionKind.APPROACHING,
        (Event.OCCUR, begun_ns),
        (Event.ACKNOWLEDGE, begun_ns + S),
        (Event.CLEAR, begun_ns + 60 * S),
        (Event.OCCUR, begun_ns + 600 * S),
    )
    root = in_it(plant, span="day")
    shapes = {
        kind: {path.get("d") for each in of_class(root, kind) for path in each.iter() if path.get("d")}
        for kind in ("chain", "baseline", "occurred", "cleared")
    }
    assert all(shapes.values())
    assert len({frozenset(each) for each in shapes.values()}) == 4
    assert len(of_class(root, "occurred")) == 2
    assert len(of_class(root, "cleared")) == 1
    assert len(of_class(root, "stood")) == 2
    assert len(of_class(root, "stood", "open")) == 1
    labels = ["".join(each.itertext()) for each in of_class(root, "set-label")]
    assert labels == ["on its way to the limit, 0.88 %", "close to the limit, 1.12 %"]
    page = plant.page("/drives/press-3?span=day")
    assert "Elongation on its way to the limit: occurred" in page
    assert "What happened in this time" in page


def test_a_setpoint_that_is_off_or_elsewhere_is_not_drawn_where_it_was(plant: Plant) -> None:
    with_press(plant)
    stored(plant, of_press(60, 1.2))
    for kind, how in ((ConditionKind.APPROACHING, {"value": 50.0}), (ConditionKind.NEAR, {"enabled": False})):
        plant.ports.setpoints.put(
            Override(scope=Scope.DRIVE, name="press-3", kind=kind, by="x", why="so", at_ns=NOW_NS, **how)
        )
    labels = ["".join(each.itertext()) for each in of_class(in_it(plant, span="day"), "set-label")]
    assert labels == ["on its way to the limit, 0.62 %"]


def test_an_own_window_without_a_point_is_still_a_picture_that_can_be_moved(plant: Plant) -> None:
    with_press(plant)
    page = plant.page("/drives/press-3?from=2020-01-01T00:00:00Z&to=2020-02-01T00:00:00Z")
    assert 'id="trend-view"' in page
    assert "Nothing was measured over the time shown" in page
    assert "data-goes-on" not in page
    assert "Nothing came over this span" in plant.page("/drives/press-3?span=day")


def test_an_own_window_into_the_time_to_come_shows_the_forecast_and_one_before_it_does_not(
    plant: Plant,
) -> None:
    with_press(plant)
    plant.ports.prognoses.keep([kept("press-3", 100, NOW_NS, chain_id="press-3-a")])
    ahead, before = (
        {"from": rfc3339(from_ns), "to": rfc3339(from_ns + DAY_NS)}
        for from_ns in (NOW_NS + 90 * DAY_NS, NOW_NS - 9 * DAY_NS)
    )
    assert of_class(in_it(plant, **ahead), "fan-middle")
    assert not of_class(in_it(plant, **before), "fan-middle")


@given(st.lists(st.integers(0, 10_000), max_size=400))
def test_the_lane_holds_the_newest_in_order_and_no_more_than_it_may(at: list[int]) -> None:
    happenings = [Happening(each, Kind.OCCURRED, HOSTILE) for each in at]
    found = within(happenings, 100, 9000)
    assert len(found) == min(HAPPENINGS_MAX, sum(100 < each <= 9000 for each in at))
    assert [each.t_ns for each in found] == sorted(each.t_ns for each in found)
    drawn = draw_lane(happenings, [Stood(0, None), Stood(50, 90), Stood(50, 200)], (100, 9000), 10, 5000)
    assert "<script" not in drawn
    assert drawn.count('class="stood') == 2


def test_a_script_is_told_the_points_that_are_drawn(fake_plant: Plant) -> None:
    add(fake_plant, "a")
    fake_plant.ports.readings.store(
        [
            reading_of("a", 3000, 1.0, seq=1),
            reading_of("a", 3100, None, seq=2),
            reading_of("a", 3200, 1.1, seq=3),
        ]
    )
    part = fake_plant.page("/drives/a/trend?span=hour&width=800")
    assert "<html" not in part
    told = re.search(r'data-points="([^"]*)"', part)
    assert told is not None
    points = json.loads(unescape(told[1]))
    assert [row[:4] for row in points] == [
        [(NOON_NS + 3000 * S) // 10**6, 0, 1.0, 0.022],
        [(NOON_NS + 3100 * S) // 10**6, 0, None, None],
        [(NOON_NS + 3200 * S) // 10**6, 0, 1.1, 0.022],
    ]
    assert 'data-trend="/drives/a"' in fake_plant.page("/drives/a")


# The files


def test_the_data_of_a_window_are_all_that_is_behind_it_and_what_was_measured_by_hand(plant: Plant) -> None:
    with_press(plant)
    stored(plant, *(of_press(600 + 10 * n, 1.2, n) for n in range(250)))
    plant.ports.hand_values.record(
        replace(A_HAND_VALUE, drive_id="press-3", chain_id="press-3-a", measured_ns=NOON_NS + 1000 * S)
    )
    answer = plant.client.get("/drives/press-3/trend.csv?span=hour&width=1000")
    found = list(csv.DictReader(io.StringIO(answer.text)))
    assert [row["from"] for row in found].count("reading") == 250
    assert found[-1]["from"] == "by hand"
    assert {row["elongation_pct"] for row in found[:-1]} == {"1.2"}
    since = plant.client.get("/drives/press-3/trend.csv?span=hour&of=since").text
    assert since.startswith("time,from,chain_id,since_pct,")


def test_the_picture_of_a_window_stands_by_itself(plant: Plant) -> None:
    with_press(plant)
    drive = plant.ports.register.drive("press-3")
    plant.ports.register.change_drive(replace(drive, name=HOSTILE))
    stored(plant, of_press(60, 1.2))
    root = in_it(plant, **{"from": "2026-09-10T12:00:00Z", "to": "2026-09-10T13:00:00Z"})
    said = " ".join("".join(root.itertext()).split())
    assert HOSTILE in said
    assert "10 Sep 2026, local time, UTC" in said
    parts: Parts = plant.app.state.parts
    document, style = standalone(trend_figure(*asked_trend(parts, "press-3", asked_for(span="day"))), "Saved")
    assert ".trend .set-line" in style
    assert "href" not in document


def test_every_span_has_its_file(fake_plant: Plant) -> None:
    add(fake_plant, "a")
    stored(fake_plant, reading_of("a", 3599, 1.0))
    for span in SPANS:
        page = fake_plant.page(f"/drives/a?span={span}")
        assert f'href="/drives/a/trend.svg?span={span}" download' in page
        assert fake_plant.client.get(f"/drives/a/trend.svg?span={span}").status_code == 200
    assert fake_plant.client.get(f"{API}/drives/a/trend.svg").status_code == 404
