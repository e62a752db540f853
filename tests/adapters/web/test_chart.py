"""The trend as SVG: what is kept when points are joined, where the line breaks, what stands on the axes."""

import math
import re
from dataclasses import replace
from datetime import UTC, tzinfo
from itertools import pairwise
from xml.etree import ElementTree as ET
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.adapters.web.chart import (
    COLUMNS_MAX,
    DAY_NS,
    Fan,
    Frame,
    Mark,
    Point,
    draw,
    heights,
    runs,
    thin,
    time_ticks,
    value_ticks,
)
from service.adapters.web.instants import SECOND_NS, instant_ns

HOUR_NS = 3600 * SECOND_NS
BERLIN = ZoneInfo("Europe/Berlin")
SVG = "{http://www.w3.org/2000/svg}"


def point(
    hour: float, mean: float | None, *, chain: str = "a", spread: float = 0.0, measured: int = 1
) -> Point:
    low = None if mean is None else mean - spread
    high = None if mean is None else mean + spread
    u = None if mean is None else 0.04
    return Point(int(hour * HOUR_NS), mean, low, high, u, chain, 1, 0 if mean is None else measured)


def frame(hours: float = 24.0, **more: object) -> Frame:
    given_: dict[str, object] = {
        "from_ns": 0,
        "to_ns": int(hours * HOUR_NS),
        "low_pct": 0.0,
        "high_pct": 3.3,
        "limit_pct": 3.0,
        "limit_words": "general rule, 3 %",
        "zone": UTC,
    }
    return Frame(**given_ | more)  # type: ignore[arg-type]


def tree(points: list[Point], frame_: Frame, title: str = "Trend") -> ET.Element:
    svg = draw(points, frame_, title=title, summary="said")
    assert svg.startswith("<svg ")
    return ET.fromstring(svg.replace("<svg ", '<svg xmlns="http://www.w3.org/2000/svg" ', 1))  # noqa: S314 - ours


def of_class(root: ET.Element, name: str) -> list[ET.Element]:
    return [each for each in root.iter() if each.get("class", "").split(" ")[0] == name]


# Joining points

values = st.lists(st.one_of(st.none(), st.floats(-1, 5, allow_nan=False)), min_size=1, max_size=400)


@given(values, st.integers(2, 60))
def test_joining_keeps_the_extremes_the_counts_and_the_weighted_mean(
    pcts: list[float | None], columns: int
) -> None:
    points = [point(n + 1, pct) for n, pct in enumerate(pcts)]
    joined = thin(points, 0, len(pcts) * HOUR_NS, columns)
    assert len(joined) <= columns + 1
    assert sum(each.readings for each in joined) == len(pcts)
    measured = [pct for pct in pcts if pct is not None]
    assert sum(each.measured for each in joined) == len(measured)
    if measured:
        assert min(each.low for each in joined if each.low is not None) == min(measured)
        assert max(each.high for each in joined if each.high is not None) == max(measured)
        mean = sum((each.mean or 0) * each.measured for each in joined) / len(measured)
        assert mean == pytest.approx(math.fsum(measured) / len(measured), abs=1e-9)


def test_a_mean_minds_how_many_readings_stand_behind_each_point() -> None:
    joined = thin([point(1, 1.0, measured=3), point(2, 2.0, measured=1)], 0, 2 * HOUR_NS, 1)
    assert joined[0].mean == pytest.approx(1.25)


def test_points_of_two_chains_are_never_joined() -> None:
    joined = thin([point(1, 2.9, chain="old"), point(2, 0.1, chain="new")], 0, 2 * HOUR_NS, 1)
    assert [each.chain_id for each in joined] == ["old", "new"]


def test_few_points_stay_as_they_are() -> None:
    points = [point(n + 1, n / 10) for n in range(24)]
    assert thin(points, 0, 24 * HOUR_NS) == points


# Where the line breaks


def test_the_line_breaks_where_nothing_was_measured_where_nothing_came_and_at_a_new_chain() -> None:
    points = [
        *(point(h, 1.0) for h in (1, 2, 3)),
        point(4, None),
        *(point(h, 1.0) for h in (5, 6, 7)),
        *(point(h, 1.0) for h in (12, 13, 14)),
        *(point(h, 0.1, chain="b") for h in (15, 16)),
    ]
    assert [[p.t_ns // HOUR_NS for p in run] for run in runs(points)] == [
        [1, 2, 3],
        [5, 6, 7],
        [12, 13, 14],
        [15, 16],
    ]


def test_nothing_measured_gives_no_line() -> None:
    assert runs([point(1, None), point(2, None)]) == []
    assert runs([]) == []


# Heights and ticks


def test_the_plot_reaches_from_nought_over_the_limit_and_over_all_data() -> None:
    low, high = heights([point(1, 1.0)], 3.0, to_limit=True)
    assert low <= 0
    assert high > 3.0
    low, high = heights([point(1, 4.0), point(2, -0.5)], 3.0, to_limit=True)
    assert low < -0.5 - 0.08
    assert high > 4.0 + 0.08
    assert heights([], 3.0, to_limit=False)[1] > 3.0


def test_close_up_shows_the_band_of_all_data_and_little_more() -> None:
    low, high = heights([point(1, 1.0), point(2, 1.02)], 3.0, to_limit=False)
    assert low < 1.0 - 0.08 < 1.02 + 0.08 < high
    assert high - low < 0.3


@given(st.floats(-1, 5), st.floats(0.001, 20))
def test_value_ticks_are_few_round_and_inside(low: float, span: float) -> None:
    ticks = value_ticks(low, low + span)
    assert 2 <= len(ticks) <= 8
    assert all(low - 1e-6 * span <= tick <= low + span * (1 + 1e-6) for tick in ticks)
    steps = {round(b - a, 9) for a, b in pairwise(ticks)}
    assert len(steps) == 1
    mantissa = steps.pop()
    mantissa /= 10 ** math.floor(math.log10(mantissa) + 1e-9)
    assert round(mantissa, 6) in {1, 2, 5}


@pytest.mark.parametrize(
    ("start", "end", "zone", "labels"),
    [
        (
            "2026-11-25T08:02:00Z",
            "2026-11-25T09:02:00Z",
            UTC,
            ["08:10", "08:20", "08:30", "08:40", "08:50", "09:00"],
        ),
        (
            "2026-11-24T09:30:00Z",
            "2026-11-25T09:30:00Z",
            BERLIN,
            ["12:00", "15:00", "18:00", "21:00", "00:00", "03:00", "06:00", "09:00"],
        ),
        # Clocks go back on 25 October 2026 at 01:00 UTC: local midnights stay midnights.
        (
            "2026-10-23T12:00:00Z",
            "2026-10-27T12:00:00Z",
            BERLIN,
            ["Sat 24", "Sun 25", "Mon 26", "Tue 27"],
        ),
        (
            "2026-10-15T00:00:00Z",
            "2027-02-15T00:00:00Z",
            BERLIN,
            ["Nov", "Dec", "Jan 2027", "Feb"],
        ),
        # A zone a quarter of an hour off.
        (
            "2026-11-25T00:00:00Z",
            "2026-11-25T12:00:00Z",
            ZoneInfo("Asia/Kathmandu"),
            ["06:00", "09:00", "12:00", "15:00"],
        ),
    ],
)
def test_time_ticks_are_round_in_local_time(start: str, end: str, zone: tzinfo, labels: list[str]) -> None:
    ticks = time_ticks(instant_ns(start), instant_ns(end), zone)
    assert [label for _, label in ticks] == labels


def test_midnight_is_where_the_zone_has_it_after_the_clocks_went_back() -> None:
    ticks = time_ticks(instant_ns("2026-10-23T12:00:00Z"), instant_ns("2026-10-27T12:00:00Z"), BERLIN)
    assert [t_ns for t_ns, _ in ticks] == [
        instant_ns(f"2026-10-{text}") for text in
        ("23T22:00:00Z", "24T22:00:00Z", "25T23:00:00Z", "26T23:00:00Z")
    ]  # fmt: skip


@given(st.integers(60, 3 * 365 * 86400))
def test_every_span_has_some_ticks_and_not_too_many(seconds: int) -> None:
    start = instant_ns("2026-03-14T07:31:12Z")
    ticks = time_ticks(start, start + seconds * SECOND_NS, BERLIN)
    assert len(ticks) <= 14
    if seconds > 600:
        assert len(ticks) >= 1


# The picture


def test_the_limit_is_drawn_where_it_is_and_named() -> None:
    root = tree([point(1, 1.0), point(2, 1.1)], frame())
    (line,) = of_class(root, "limit")
    assert float(line.get("y1", "")) == pytest.approx(1000 * (3.3 - 3.0) / 3.3, abs=0.1)
    (label,) = of_class(root, "limit-label")
    assert label.text == "limit 3.00 %, general rule, 3 %"
    assert label.get("text-anchor", "start") == "start"  # not over the newest points


def test_a_limit_outside_the_view_is_said_to_be_above() -> None:
    root = tree([point(1, 1.0)], frame(high_pct=1.2, low_pct=0.9))
    assert of_class(root, "limit") == []
    (label,) = of_class(root, "limit-label")
    assert (label.text or "").endswith("is above this view")


def test_line_and_band_lie_at_the_values() -> None:
    root = tree([point(6, 1.0), point(12, 1.1)], frame())
    (mean,) = of_class(root, "mean")
    numbers = [float(each) for each in (mean.get("d") or "")[1:].replace("L", " ").split()]
    assert numbers == pytest.approx([250, 1000 * 2.3 / 3.3, 500, 1000 * 2.2 / 3.3], abs=0.06)
    (band,) = of_class(root, "band")
    first = [float(each) for each in (band.get("d") or "")[1:].split("L")[0].split()]
    assert first == pytest.approx([250, 1000 * (3.3 - 1.08) / 3.3], abs=0.06)  # mean + 2 u


def test_each_stretch_has_its_own_line_and_one_point_is_a_dot() -> None:
    root = tree([point(1, 1.0), point(2, 1.0), point(3, None), point(4, 1.0)], frame())
    paths = [each.get("d", "") for each in of_class(root, "mean")]
    assert len(paths) == 2
    assert paths[1].endswith("h0")


def test_the_strip_tells_measured_from_not_measured_from_nothing() -> None:
    points = (
        [point(h, 1.0) for h in (1, 2)] + [point(h, None) for h in (3, 4)] + [point(h, 1.0) for h in (20, 21)]
    )
    root = tree(points, frame())
    strip = [each for each in root.iter() if each.get("class") in {"measured", "unmeasured"}]
    assert [each.get("class") for each in strip] == ["measured", "unmeasured", "measured"]
    ends = [float(each.get("x", "")[:-1]) + float(each.get("width", "")[:-1]) for each in strip]
    assert ends == pytest.approx([100 * h / 24 for h in (2, 4, 21)], abs=0.02)
    hatched = next(each for each in strip if each.get("class") == "unmeasured")
    assert hatched.get("fill") == "url(#hatch)"  # by shape, not by colour alone


def test_hostile_text_is_text() -> None:
    bad = '<script>alert("1")</script>&'
    root = tree(
        [point(1, 1.0)],
        replace(frame(), limit_words=bad, marks=(Mark(12 * HOUR_NS, bad),)),
        title=bad,
    )
    assert root.find(f"{SVG}title") is not None
    assert bad in (root.findtext(f"{SVG}title") or "")
    assert not [each for each in root.iter() if "script" in each.tag]


def test_a_new_chain_is_marked_and_one_outside_the_span_is_not() -> None:
    marks = (Mark(12 * HOUR_NS, "chain b fitted"), Mark(-5 * HOUR_NS, "chain a fitted"))
    root = tree([point(1, 1.0)], frame(marks=marks))
    assert [each.text for each in of_class(root, "event-label")] == ["chain b fitted"]


def test_values_can_be_read_off_without_a_script() -> None:
    root = tree([point(6, 1.0), point(12, None)], frame())
    told = [each.findtext(f"{SVG}title") for each in of_class(root, "hint")]
    assert told == ["1 Jan 1970, 06:00: 1.000 % ± 0.080 %", "1 Jan 1970, 12:00: not measured"]


def test_no_colour_or_width_is_set_inline() -> None:
    """The Content Security Policy forbids style attributes; all looks are classes."""
    root = tree([point(h, 1.0, spread=0.1) for h in range(1, 20)], frame())
    assert not [each for each in root.iter() if each.get("style") is not None]


def test_a_year_of_hours_stays_small() -> None:
    points = [point(h + 1, 0.2 + 2.4 * h / 8760, spread=0.02) for h in range(8760)]
    joined = thin(points, 0, 8760 * HOUR_NS)
    assert COLUMNS_MAX / 2 < len(joined) <= COLUMNS_MAX + 1
    svg = draw(joined, frame(8760), title="t", summary="s")
    assert len(svg) < 120_000


def fan(p90_day: int | None = 30) -> Fan:
    return Fan(
        made_ns=10 * DAY_NS,
        pct=1.0,
        u_pct=0.1,
        limit_pct=3.0,
        p10_ns=16 * DAY_NS,
        p50_ns=20 * DAY_NS,
        p90_ns=None if p90_day is None else p90_day * DAY_NS,
    )


def paths(svg: str, kind: str) -> list[list[tuple[float, float]]]:
    found = re.findall(rf'<path class="{kind}"[^>]* d="M([^"Z]*)Z?"', svg)
    return [[(float(x), float(y)) for x, y in (pair.split() for pair in each.split("L"))] for each in found]


def test_a_forecast_is_drawn_from_now_to_the_limit_over_its_interval() -> None:
    shown = frame(40 * 24, low_pct=0.0, high_pct=4.0, fan=fan())
    svg = draw([Point(10 * DAY_NS, 1.0, 1.0, 1.0, 0.1, "a")], shown, title="t", summary="s")
    (area,) = paths(svg, "fan")
    assert area[0] == pytest.approx((250, 750 - 250 * 0.12816), abs=0.1)
    assert area[1:3] == [(400.0, 250.0), (750.0, 250.0)]
    assert area[3] == pytest.approx((250, 750 + 250 * 0.12816), abs=0.1)
    assert paths(svg, "fan-middle") == [[(250.0, 750.0), (500.0, 250.0)]]
    assert len(paths(svg, "fan-edge")) == 2
    open_ended = draw([], replace(shown, fan=fan(None)), title="t", summary="s")
    assert paths(open_ended, "fan")[0][2][0] > 1000, "it leaves the picture"
    close_up = draw([], replace(shown, low_pct=0.9, high_pct=1.1), title="t", summary="s")
    (middle,) = paths(close_up, "fan-middle")
    assert middle[1][1] == pytest.approx(1000 * (1.1 - 3.0) / 0.2, abs=0.1), (
        "its slope stays right beyond the picture"
    )
