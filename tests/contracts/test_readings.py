"""What every adapter of the port `Readings` keeps to. pandas says what a roll-up must be."""

import math
import random
from collections.abc import Callable, Iterator
from dataclasses import replace
from typing import Any

import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from service.core.reading import NotMeasured, Reading
from service.ports import PASSED_MAX, ROWS_MAX, Passed, Readings, Resolution, RollUp, Span, Superseded
from tests.contracts.given import (
    DAY_NS,
    FAKE,
    INFLUX,
    MEASURED,
    NOON_NS,
    POSTGRES,
    SERIES_STORES,
    SQLITE,
    S,
    a_reading,
    a_store,
)
from tests.strategies import maybe

pytestmark = pytest.mark.parametrize("kind", SERIES_STORES)
EVER = (0, 2**62)
ENDS = ("newest", "oldest")

CORRECTIONS = (
    "since_pct", "since_u_pct", "up_alternation_pct", "up_alternation_u_pct", "down_alternation_pct",
    "down_alternation_u_pct", "polygon_taken_pct", "delay_taken_pct", "temperature_taken_pct", "load_taken_pct",
)  # fmt: skip
BASELINE_INSTANTS = ("baseline_taken_ns", "baseline_recorded_ns")

finite = st.floats(allow_nan=False, allow_infinity=False)
count = st.integers(0, 2**40)
texts = st.text(st.characters(codec="utf-8", exclude_characters="\0"), max_size=20)
drive_ids, chain_ids = st.sampled_from(["a", "b"]), st.sampled_from([None, "x", "y"])
reasons = st.sampled_from(NotMeasured)
device_ids = st.sampled_from(["", "plc-1"]) | texts
lengths_ns = st.sampled_from([0, 10 * S, 61 * S, 3600 * S]) | st.integers(0, 3600 * S)


@pytest.fixture
def readings(kind: str) -> Iterator[Readings]:
    with a_store(kind) as store:
        yield store.readings


@st.composite
def any_reading(draw: st.DrawFn) -> Reading:
    """Any reading that could come, on few drives and within a few hours around midnight."""
    t0_ns = NOON_NS + DAY_NS // 2 + draw(st.integers(-7200 * S, 7200 * S))
    pct = draw(maybe(st.floats(-1, 5)))
    more: dict[str, Any] = {name: draw(maybe(finite)) for name in CORRECTIONS}
    more |= {name: draw(maybe(st.integers(0, 2**62))) for name in BASELINE_INSTANTS}
    return Reading(
        drive_id=draw(drive_ids),
        device_id=draw(device_ids),
        t0_ns=t0_ns,
        seq=draw(st.integers(0, 3)),
        t_ns=t0_ns + draw(lengths_ns),
        chain_id=draw(chain_ids),
        elongation_pct=pct,
        elongation_u_pct=None if pct is None else draw(st.floats(0, 1)),
        reason=draw(reasons) if pct is None else None,
        pitches_between=draw(maybe(finite)),
        lag_pitches=draw(maybe(finite)),
        speed_m_s=draw(maybe(st.floats(0, 10))),
        coherence=draw(maybe(st.floats(0, 1))),
        pitches_averaged=draw(count),
        whole_laps=draw(count),
        up_pulses=draw(count),
        down_pulses=draw(count),
        up_missed=draw(count),
        down_missed=draw(count),
        up_extra=draw(count),
        down_extra=draw(count),
        temp_c=draw(maybe(finite)),
        mount_c=draw(maybe(finite)),
        load_n=draw(maybe(finite)),
        by_alternation=draw(st.booleans()),
        conversion=draw(st.integers(1, 9)),
        **more,
    )


def identity(reading: Reading) -> tuple[str, str, int, int]:
    return reading.drive_id, reading.device_id, reading.t0_ns, reading.seq


def in_time(reading: Reading) -> tuple[int, int, int, str]:
    return reading.t_ns, reading.t0_ns, reading.seq, reading.device_id


def drawn(
    *strategies: st.SearchStrategy[Any], examples: int
) -> Callable[[Callable[..., None]], Callable[[str], None]]:
    """Run a test on so many draws, and on a few where each is a store on a server, which takes its time."""

    def decorate(test: Callable[..., None]) -> Callable[[str], None]:
        runs = {
            kind: settings(deadline=None, max_examples=few)(given(*strategies)(test))
            for kind, few in ((INFLUX, 3), (POSTGRES, 3), (FAKE, examples), (SQLITE, examples))
        }

        def run(kind: str) -> None:
            runs[kind](kind)

        run.__name__, run.__doc__ = test.__name__, test.__doc__
        return run

    return decorate


several = st.lists(any_reading(), min_size=1, max_size=30, unique_by=identity)


def roll_up_all(readings: Readings) -> None:
    while readings.roll_up():
        pass


def everything(readings: Readings) -> list[object]:
    """All that the store shows of two drives."""
    newest = sorted(readings.newest(), key=lambda one: one.drive_id)
    series: list[object] = [readings.raw(drive_id, *EVER) for drive_id in ("a", "b")]
    rolled = [
        readings.rolled(drive_id, *EVER, resolution) for drive_id in ("a", "b") for resolution in Resolution
    ]
    return [newest, series, rolled]


# Storing


@drawn(several, examples=25)
def test_readings_come_back_as_they_were(kind: str, some: list[Reading]) -> None:
    with a_store(kind) as store:
        assert store.readings.store(some) == len(some)
        for drive_id in ("a", "b"):
            expected = sorted((one for one in some if one.drive_id == drive_id), key=in_time)
            assert store.readings.raw(drive_id, *EVER) == expected


def test_nothing_to_store_is_no_reading(readings: Readings) -> None:
    assert readings.store([]) == 0


@pytest.mark.parametrize("part", ["drive_id", "device_id", "t0_ns", "seq"])
def test_each_part_of_the_identity_makes_another_reading(readings: Readings, part: str) -> None:
    other = {"drive_id": "press-4", "device_id": "plc-2", "t0_ns": MEASURED.t0_ns + 1, "seq": 8}[part]
    assert readings.store([MEASURED, replace(MEASURED, **{part: other})]) == 2  # type: ignore[arg-type]


def test_a_reading_stored_already_changes_nothing_whatever_it_says(readings: Readings) -> None:
    """A device that sends other content under the same identity: the first one stands, everywhere."""
    readings.store([MEASURED, a_reading(20, None, seq=8)])
    roll_up_all(readings)
    before = (
        readings.raw("press-3", *EVER),
        readings.newest(),
        readings.rolled("press-3", *EVER, Resolution.MINUTE),
    )
    other = replace(MEASURED, t_ns=MEASURED.t_ns + 3000 * S, elongation_pct=2.5)
    assert readings.store([other]) == 0
    assert readings.store([replace(a_reading(20, 3.0, seq=8), t_ns=MEASURED.t_ns + 100 * S)]) == 0
    roll_up_all(readings)
    assert before == (
        readings.raw("press-3", *EVER),
        readings.newest(),
        readings.rolled("press-3", *EVER, Resolution.MINUTE),
    )


def test_a_false_repeat_beside_new_readings_hides_none_of_them(readings: Readings) -> None:
    readings.store([a_reading(0, None, seq=1)])
    repeat = replace(a_reading(0, 2.0, seq=1), t_ns=NOON_NS + 500 * S)
    new = a_reading(10, 0.5, seq=2)
    assert readings.store([repeat, new]) == 1
    newest = readings.newest_of("press-3")
    assert newest is not None
    assert (newest.reading, newest.measured) == (new, new)


def test_a_false_repeat_does_not_make_a_stopped_reading_a_measured_one(readings: Readings) -> None:
    readings.store([a_reading(0, 0.5, seq=0), a_reading(10, None, seq=1)])
    assert readings.store([a_reading(10, 2.0, seq=1), a_reading(5, None, seq=2)]) == 1
    newest = readings.newest_of("press-3")
    assert newest is not None
    assert (newest.reading, newest.measured) == (a_reading(10, None, seq=1), a_reading(0, 0.5, seq=0))


def test_the_same_reading_twice_in_one_call_is_stored_once(readings: Readings) -> None:
    assert readings.store([MEASURED, MEASURED, replace(MEASURED, elongation_pct=3.0)]) == 1
    assert readings.raw("press-3", *EVER) == [MEASURED]


@pytest.mark.parametrize(
    ("t0_ns", "window_ns"),
    [(NOON_NS, -1), (NOON_NS, 3600 * S + 1), (-1, S)],
    ids=["backwards", "too long", "before 1970"],
)
def test_a_window_that_cannot_be_is_refused_and_nothing_is_stored(
    readings: Readings, t0_ns: int, window_ns: int
) -> None:
    wrong = replace(MEASURED, seq=9, t0_ns=t0_ns, t_ns=t0_ns + window_ns)
    with pytest.raises(
        ValueError, match="t0_ns must be 0 or more, and t_ns must lie 0 to 3600 s after t0_ns"
    ):
        readings.store([MEASURED, wrong])
    assert readings.raw("press-3", *EVER) == []


# Reading raw


def test_a_range_is_open_at_its_start_and_closed_at_its_end(readings: Readings) -> None:
    three = [a_reading(at_s, seq=at_s) for at_s in (10, 20, 30)]
    readings.store([*three, a_reading(90, seq=90, window_s=60)])  # a longer window: queries look back further
    assert readings.raw("press-3", NOON_NS + 10 * S, NOON_NS + 20 * S) == three[1:2]
    assert readings.raw("press-3", NOON_NS + 30 * S, NOON_NS + 40 * S) == []
    assert readings.raw("press-3", NOON_NS, NOON_NS + 30 * S) == three
    assert readings.raw("press-9", *EVER) == []


def test_a_range_may_begin_and_end_where_no_clock_goes(readings: Readings) -> None:
    readings.store([MEASURED])
    roll_up_all(readings)
    assert readings.raw("press-3", -(2**80), 2**80) == [MEASURED]
    assert len(readings.rolled("press-3", -(2**80), 2**80, Resolution.DAY)) == 1
    assert readings.forget(None, -(2**80)) == 0
    assert readings.forget(Resolution.DAY, 2**80) == 1


@drawn(several, st.integers(1, 8), st.integers(-7200, 9000), st.integers(0, 9000), examples=25)
def test_the_newest_of_a_range_are_those_that_end_last(
    kind: str, some: list[Reading], rows_max: int, from_s: int, length_s: int
) -> None:
    """Windows of unlike lengths overlap, so that the order of t0 is not the order of t."""
    from_ns = NOON_NS + DAY_NS // 2 + from_s * S
    to_ns = from_ns + length_s * S
    with a_store(kind) as store:
        store.readings.store(some)
        inside = [one for one in some if one.drive_id == "a" and from_ns < one.t_ns <= to_ns]
        assert store.readings.raw("a", from_ns, to_ns, rows_max) == sorted(inside, key=in_time)[-rows_max:]


@st.composite
def any_span(draw: st.DrawFn) -> Span:
    """Spans that lie over each other, and far from each other; of drives and chains that are not there, too."""
    from_ns = NOON_NS + DAY_NS // 2 + draw(st.integers(-7200, 9000)) * S
    return Span(
        drive_id=draw(st.sampled_from(["a", "b", "c"])),
        from_ns=from_ns,
        to_ns=from_ns + draw(st.sampled_from([0, 600, 3600]) | st.integers(0, 9000)) * S,
        chain_id=draw(st.sampled_from([None, "x", "y", "z"])),
    )


@drawn(several, st.lists(any_span(), max_size=6), st.integers(1, 8), st.sampled_from(ENDS), examples=60)
def test_many_spans_give_what_each_gives_by_itself(
    kind: str, some: list[Reading], spans: list[Span], rows_max: int, end: str
) -> None:
    oldest = end == "oldest"
    with a_store(kind) as store:
        store.readings.store(some)
        one_by_one = []
        for span in spans:
            inside = store.readings.raw(span.drive_id, span.from_ns, span.to_ns)
            if span.chain_id is not None:
                inside = [
                    each
                    for each in inside
                    if each.chain_id == span.chain_id and each.elongation_pct is not None
                ]
            one_by_one.append(inside[:rows_max] if oldest else inside[-rows_max:])
        assert store.readings.raw_of(spans, rows_max, oldest=oldest) == one_by_one


@pytest.mark.parametrize("end", ENDS)
def test_the_ends_of_many_spans_are_theirs_where_there_is_more_than_is_asked_for(
    readings: Readings, end: str
) -> None:
    """Of one drive many readings end at the instant at which the look is cut off, of another many were corrected."""
    oldest = end == "oldest"
    many = [replace(MEASURED, drive_id="a", seq=seq, t_ns=MEASURED.t_ns + seq // 40) for seq in range(120)]
    corrected = [replace(MEASURED, drive_id="b", seq=seq, t_ns=MEASURED.t_ns + seq) for seq in range(60)]
    wrong = corrected[:45] if oldest else corrected[-45:]
    readings.store([*many, *corrected])
    stopped: dict[str, Any] = {
        "elongation_pct": None,
        "elongation_u_pct": None,
        "reason": NotMeasured.STOPPED,
    }
    readings.supersede([replace(each, **stopped) for each in wrong], NOON_NS, "it stood")
    whole = [Span(drive_id=each, from_ns=0, to_ns=2**62, chain_id=MEASURED.chain_id) for each in ("a", "b")]
    left = [each for each in corrected if each not in wrong]
    expected = [some[:9] if oldest else some[-9:] for some in (sorted(many, key=in_time), left)]
    assert readings.raw_of(whole, 9, oldest=oldest) == expected


def test_no_more_rows_of_spans_are_asked_for_than_a_query_may_return(readings: Readings) -> None:
    spans = [Span(drive_id="a", from_ns=0, to_ns=1)] * 3
    with pytest.raises(ValueError, match="3 spans of 50000 rows are more than 100000: ask in parts"):
        readings.raw_of(spans, 50_000)
    with pytest.raises(ValueError, match="rows_max must be 1 to 100000"):
        readings.raw_of(spans, 0)


@drawn(
    several,
    st.integers(1, 8),
    st.integers(-7200, 9000),
    st.integers(-60, 12000),
    st.integers(1, 4000),
    examples=40,
)
def test_samples_are_what_is_read_of_each_interval_in_turn(
    kind: str, some: list[Reading], rows_max: int, from_s: int, length_s: int, every_s: int
) -> None:
    """Also where windows are longer than an interval, and where the range does not end with one."""
    from_ns, every_ns = NOON_NS + DAY_NS // 2 + from_s * S, every_s * S
    to_ns = from_ns + min(length_s, 1000 * every_s) * S
    with a_store(kind) as store:
        store.readings.store(some)
        one_by_one = [
            each
            for end_ns in range(from_ns + every_ns, to_ns + 1, every_ns)
            for each in store.readings.raw("a", end_ns - every_ns, end_ns, rows_max)
        ]
        assert store.readings.sampled("a", from_ns, to_ns, every_ns, rows_max) == one_by_one


def test_what_cannot_be_sampled_is_refused_and_a_drive_without_readings_has_no_samples(
    readings: Readings,
) -> None:
    assert readings.sampled("press-9", 0, 100, 10, 5) == []
    for every_ns in (0, -10):
        with pytest.raises(ValueError, match="every_ns must be above 0"):
            readings.sampled("press-3", 0, 100, every_ns, 5)
    with pytest.raises(ValueError, match="10000 intervals"):
        readings.sampled("press-3", 0, 10_001, 1, 5)
    with pytest.raises(ValueError, match="rows_max must be 1 to 100000"):
        readings.sampled("press-3", 0, 100, 10, 0)


@pytest.mark.parametrize("rows_max", [0, -1, ROWS_MAX + 1])
def test_a_number_of_rows_out_of_bounds_is_refused(readings: Readings, rows_max: int) -> None:
    with pytest.raises(ValueError, match="rows_max must be 1 to 100000"):
        readings.raw("press-3", *EVER, rows_max)
    with pytest.raises(ValueError, match="rows_max must be 1 to 100000"):
        readings.rolled("press-3", *EVER, Resolution.DAY, rows_max)


# The newest


@drawn(several, st.integers(1, 10), examples=25)
def test_the_newest_is_the_one_that_ended_last(kind: str, some: list[Reading], at_once: int) -> None:
    with a_store(kind) as store:
        for start in range(0, len(some), at_once):
            store.readings.store(some[start : start + at_once])
        found = {newest.drive_id: newest for newest in store.readings.newest()}
        assert found.keys() == {one.drive_id for one in some}
        for drive_id, newest in found.items():
            of_drive = [one for one in some if one.drive_id == drive_id]
            measured = [one for one in of_drive if one.elongation_pct is not None]
            assert newest.reading == max(of_drive, key=in_time)
            assert newest.measured == max(measured, key=in_time, default=None)
            assert store.readings.newest_of(drive_id) == newest


def test_a_drive_without_readings_has_no_newest(readings: Readings) -> None:
    assert readings.newest() == []
    assert readings.newest_of("press-3") is None


# Roll-ups


def by_pandas(some: list[Reading], drive_id: str, resolution: Resolution) -> list[dict[str, Any]]:
    """The roll-ups of a drive by pandas' resample, straight from the readings."""
    table = pd.DataFrame(
        {
            "end": pd.to_datetime([one.t_ns for one in some], unit="ns"),
            "chain": [one.chain_id or "" for one in some],
            "pct": pd.array([one.elongation_pct for one in some], dtype="Float64"),
            "u": pd.array([one.elongation_u_pct for one in some], dtype="Float64"),
            "speed": pd.array([one.speed_m_s for one in some], dtype="Float64"),
            "pulses": [one.up_pulses for one in some],
            "drive": [one.drive_id for one in some],
            "order": range(len(some)),
        }
    )
    order = {identity(one): place for place, one in enumerate(sorted(some, key=in_time))}
    table["order"] = [order[identity(one)] for one in some]
    table = table[table["drive"] == drive_id].sort_values("order").set_index("end")
    rows: list[dict[str, Any]] = []
    for chain, of_chain in table.groupby("chain"):
        buckets = of_chain.resample(f"{int(resolution)}s", label="right", closed="right")
        made = pd.DataFrame(
            {
                "readings": buckets["pulses"].count(),
                "measured": buckets["pct"].count(),
                "mean_pct": buckets["pct"].mean(),
                "min_pct": buckets["pct"].min(),
                "max_pct": buckets["pct"].max(),
                "last_pct": buckets["pct"].last(),
                "mean_u_pct": buckets["u"].mean(),
                "mean_speed_m_s": buckets["speed"].mean(),
                "pulses": buckets["pulses"].sum(),
            }
        )
        made = made[made["readings"] > 0]
        ends = pd.DatetimeIndex(made.index).as_unit("ns").asi8
        for end_ns, row in zip(ends, made.to_dict("records"), strict=True):
            values = {str(name): None if pd.isna(value) else value for name, value in row.items()}
            rows.append({"chain_id": chain or None, "end_ns": int(end_ns), **values})
    return sorted(rows, key=lambda row: (row["end_ns"], row["chain_id"] or ""))


def assert_same(rolled: list[RollUp], expected: list[dict[str, Any]]) -> None:
    assert [(one.end_ns, one.chain_id) for one in rolled] == [
        (row["end_ns"], row["chain_id"]) for row in expected
    ]
    for one, row in zip(rolled, expected, strict=True):
        for name in ("readings", "measured", "pulses", "min_pct", "max_pct", "last_pct"):
            assert getattr(one, name) == row[name], name
        for name in ("mean_pct", "mean_u_pct", "mean_speed_m_s"):
            mean, value = getattr(one, name), row[name]
            assert (mean is None) == (value is None), name
            assert mean is None or math.isclose(mean, value, rel_tol=1e-9, abs_tol=1e-12), name


@drawn(several, examples=20)
def test_roll_ups_are_what_pandas_makes_of_the_readings(kind: str, some: list[Reading]) -> None:
    """Hours from minutes and days from hours equal what the readings themselves give. Checked against pandas."""
    with a_store(kind) as store:
        store.readings.store(some)
        roll_up_all(store.readings)
        for drive_id in {one.drive_id for one in some}:
            for resolution in Resolution:
                rolled = store.readings.rolled(drive_id, *EVER, resolution)
                assert_same(rolled, by_pandas(some, drive_id, resolution))


@drawn(several, st.data(), examples=20)
def test_order_of_arrival_and_redelivery_do_not_show(
    kind: str, some: list[Reading], data: st.DataObject
) -> None:
    again = data.draw(st.lists(st.sampled_from(some), max_size=10))
    mixed = data.draw(st.permutations(some + again))
    cuts = sorted(data.draw(st.sets(st.integers(0, len(mixed)), max_size=4)))
    with a_store(kind) as in_order, a_store(kind) as as_it_came:
        in_order.readings.store(sorted(some, key=in_time))
        roll_up_all(in_order.readings)
        new = 0
        for start, end in zip([0, *cuts], [*cuts, len(mixed)], strict=True):
            new += as_it_came.readings.store(mixed[start:end])
            as_it_came.readings.roll_up(data.draw(st.integers(0, 5)))
        roll_up_all(as_it_came.readings)
        assert new == len(some)
        assert everything(as_it_came.readings) == everything(in_order.readings)


@drawn(several, st.sampled_from(Resolution), st.integers(-7200, 9000), st.integers(0, 20000), examples=25)
def test_what_roll_ups_of_many_drives_say_together_is_their_sum(
    kind: str, some: list[Reading], resolution: Resolution, from_s: int, length_s: int
) -> None:
    from_ns = NOON_NS + DAY_NS // 2 + from_s * S
    range_ns = from_ns, from_ns + length_s * S
    with a_store(kind) as store:
        store.readings.store(some)
        roll_up_all(store.readings)
        expected = []
        for drive_id in ("a", "b"):
            rolled = store.readings.rolled(drive_id, *range_ns, resolution)
            chains = {each.chain_id for each in rolled if each.measured}
            passed = Passed(
                drive_id=drive_id,
                readings=sum(each.readings for each in rolled),
                pulses=sum(each.pulses for each in rolled),
                measured={
                    chain_id: [each.end_ns for each in rolled if each.measured and each.chain_id == chain_id]
                    for chain_id in chains
                },
            )
            expected += [passed] if rolled else []
        assert store.readings.passed(["b", "c", "a", "b"], *range_ns, resolution) == expected


def test_no_more_intervals_are_looked_at_together_than_may_be(readings: Readings) -> None:
    readings.store([MEASURED])
    roll_up_all(readings)
    many = ["press-3", *(f"press-{number}" for number in range(10, 109))]
    length_ns = PASSED_MAX // len(many) * 60 * S
    whole = readings.passed(
        many, MEASURED.t_ns - length_ns // 2, MEASURED.t_ns + length_ns // 2, Resolution.MINUTE
    )
    assert [each.readings for each in whole] == [1]
    with pytest.raises(ValueError, match="ask for fewer drives at once"):
        readings.passed([*many, "press-110"], 0, length_ns, Resolution.MINUTE)


def test_an_interval_holds_its_end_but_not_its_start(readings: Readings) -> None:
    at_ends = [a_reading(0, 1.0, seq=1), a_reading(1e-9, 2.0, seq=2), a_reading(60, 3.0, seq=3)]
    readings.store([*at_ends, a_reading(120, 4.0, seq=4, window_s=60)])
    roll_up_all(readings)
    minutes = readings.rolled("press-3", *EVER, Resolution.MINUTE)
    expected = [(NOON_NS, 1.0), (NOON_NS + 60 * S, 2.5), (NOON_NS + 120 * S, 4.0)]
    assert [(one.end_ns, one.mean_pct) for one in minutes] == expected
    assert readings.rolled("press-3", NOON_NS, NOON_NS + 60 * S, Resolution.MINUTE) == minutes[1:2]
    assert readings.rolled("press-3", *EVER, Resolution.MINUTE, 1) == minutes[2:]


def test_a_stopped_drive_has_roll_ups_without_elongation(readings: Readings) -> None:
    readings.store([a_reading(10, None, seq=1), a_reading(20, None, seq=2)])
    roll_up_all(readings)
    (day,) = readings.rolled("press-3", *EVER, Resolution.DAY)
    assert (day.readings, day.measured, day.mean_speed_m_s) == (2, 0, 0.0)
    assert (day.mean_pct, day.min_pct, day.max_pct, day.last_pct, day.mean_u_pct) == (None,) * 5


def test_a_late_reading_corrects_minute_hour_and_day(readings: Readings) -> None:
    readings.store([a_reading(10, 1.0, seq=1)])
    roll_up_all(readings)
    readings.store([a_reading(5, 4.0, seq=0)])
    roll_up_all(readings)
    for resolution in Resolution:
        (one,) = readings.rolled("press-3", *EVER, resolution)
        assert (one.readings, one.mean_pct, one.max_pct, one.last_pct) == (2, 2.5, 4.0, 1.0)


def test_rolling_up_stops_at_its_bound_and_goes_on_next_time(readings: Readings) -> None:
    readings.store([a_reading(60 * minute, seq=minute) for minute in range(1, 51)])
    assert readings.roll_up(7) == 7
    roll_up_all(readings)
    assert len(readings.rolled("press-3", *EVER, Resolution.MINUTE)) == 50
    (hour,) = readings.rolled("press-3", *EVER, Resolution.HOUR)
    assert hour.readings == 50
    assert readings.roll_up() == 0


# Forgetting


def a_day_of_readings() -> list[Reading]:
    return [a_reading(600 * number, 0.5 + number / 1000, seq=number) for number in range(1, 145)]


def test_forgotten_readings_leave_their_roll_ups(readings: Readings) -> None:
    some = a_day_of_readings()
    readings.store(some)
    roll_up_all(readings)
    days = readings.rolled("press-3", *EVER, Resolution.DAY)
    assert readings.forget(None, some[99].t_ns) == 99
    assert readings.raw("press-3", *EVER) == some[99:]
    assert readings.forget(None, some[99].t_ns) == 0
    roll_up_all(readings)
    assert readings.rolled("press-3", *EVER, Resolution.DAY) == days


def test_no_more_is_forgotten_at_once_than_was_asked_for(readings: Readings) -> None:
    some = a_day_of_readings()
    readings.store([*some, *(replace(one, drive_id="press-4") for one in some)])
    roll_up_all(readings)
    went = [readings.forget(None, NOON_NS + 2 * DAY_NS, rows_max=100) for _ in range(4)]
    assert went == [100, 100, 86, 0]  # the newest of each drive stays


def test_readings_that_a_due_roll_up_needs_are_kept(readings: Readings) -> None:
    some = a_day_of_readings()
    readings.store(some)
    assert readings.forget(None, NOON_NS + 2 * DAY_NS) == 0
    roll_up_all(readings)
    assert readings.forget(None, NOON_NS + 2 * DAY_NS) == len(some) - 1


@pytest.mark.parametrize(
    ("resolution", "longer"), [(Resolution.MINUTE, Resolution.HOUR), (Resolution.HOUR, Resolution.DAY)]
)
def test_roll_ups_that_a_longer_one_needs_are_kept(
    readings: Readings, resolution: Resolution, longer: Resolution
) -> None:
    some = a_day_of_readings()
    readings.store(some)
    while not readings.rolled("press-3", *EVER, resolution):
        readings.roll_up(1)
    while (due := readings.roll_up(1)) and len(readings.rolled("press-3", *EVER, longer)) == 0:
        readings.forget(resolution, NOON_NS + 9 * DAY_NS)
    assert due
    roll_up_all(readings)
    assert sum(one.readings for one in readings.rolled("press-3", *EVER, longer)) == len(some)
    assert sum(one.readings for one in readings.rolled("press-3", *EVER, Resolution.DAY)) == len(some)


def test_the_newest_stay_however_old(readings: Readings) -> None:
    """The board shows them, and the next batch of the drive is converted with the last elongation."""
    some = [
        a_reading(10, 1.0, seq=1),
        a_reading(20, 2.0, seq=2),
        a_reading(30, None, seq=3),
        a_reading(40, None, seq=4),
    ]
    readings.store(some)
    roll_up_all(readings)
    assert readings.forget(None, NOON_NS + 10**6 * DAY_NS // 1000) == 2
    newest = readings.newest_of("press-3")
    assert newest is not None
    assert (newest.measured, newest.reading) == (some[1], some[3])


def test_a_late_reading_for_a_forgotten_minute_does_not_spoil_its_roll_ups(readings: Readings) -> None:
    some = [a_reading(10 * number, 1.0, seq=number) for number in range(1, 20)]
    readings.store(some)
    roll_up_all(readings)
    before = [readings.rolled("press-3", *EVER, resolution) for resolution in Resolution]
    assert readings.forget(None, NOON_NS + 120 * S + 1) == 12
    readings.store([some[2], a_reading(35, 9.0, seq=99)])
    roll_up_all(readings)
    assert [readings.rolled("press-3", *EVER, resolution) for resolution in Resolution] == before


@pytest.mark.parametrize("resolution", Resolution)
def test_roll_ups_are_forgotten_by_whole_longer_intervals(readings: Readings, resolution: Resolution) -> None:
    readings.store([a_reading(60 * minute, seq=minute) for minute in range(-1500, 1500, 15)])
    roll_up_all(readings)
    before_ns = NOON_NS + 3 * 3600 * S + 17 * 60 * S
    length_ns = {Resolution.MINUTE: 3600 * S, Resolution.HOUR: DAY_NS, Resolution.DAY: 1}[resolution]
    cut_ns = before_ns // length_ns * length_ns
    kept = [one for one in readings.rolled("press-3", *EVER, resolution) if one.end_ns > cut_ns]
    assert readings.forget(resolution, before_ns) > 0
    assert readings.rolled("press-3", *EVER, resolution) == kept
    for other in set(Resolution) - {resolution}:
        assert readings.rolled("press-3", *EVER, other)


def test_a_backlog_gives_the_same_as_live_data(kind: str) -> None:
    """Two days of three drives, live in order, and all at once after an outage, newest first and shuffled."""
    some = [
        replace(
            a_reading(97 * number, None if number % 7 == 0 else number / 1000, seq=number), drive_id=drive_id
        )
        for number in range(200 if kind == INFLUX else 600)
        for drive_id in ("a", "b")
    ]
    backlog = random.Random(4).sample(some, len(some))
    with a_store(kind) as live, a_store(kind) as late:
        for start in range(0, len(some), 40):
            live.readings.store(some[start : start + 40])
            live.readings.roll_up()
        late.readings.store(backlog)
        roll_up_all(live.readings)
        roll_up_all(late.readings)
        assert everything(live.readings) == everything(late.readings)


# Superseding


def test_a_superseded_reading_is_kept_with_when_and_why(readings: Readings) -> None:
    readings.store([MEASURED])
    corrected = replace(MEASURED, elongation_pct=0.75, since_pct=0.7)
    assert readings.supersede([corrected], NOON_NS + S, "baseline corrected") == 1
    assert readings.raw("press-3", *EVER) == [corrected]
    assert readings.superseded("press-3", *EVER) == [
        Superseded(reading=MEASURED, at_ns=NOON_NS + S, why="baseline corrected")
    ]
    newest = readings.newest_of("press-3")
    assert newest is not None
    assert (newest.reading, newest.measured) == (corrected, corrected)


def test_the_same_again_or_one_that_is_not_stored_supersedes_nothing(readings: Readings) -> None:
    readings.store([MEASURED])
    assert readings.supersede([MEASURED, replace(MEASURED, seq=8)], NOON_NS, "again") == 0
    assert readings.supersede([replace(MEASURED, drive_id="saw-1")], NOON_NS, "again") == 0
    assert readings.supersede([], NOON_NS, "again") == 0
    assert readings.raw("press-3", *EVER) == [MEASURED]
    assert readings.raw("saw-1", *EVER) == []
    assert readings.superseded("press-3", *EVER) == []


def test_every_correction_is_kept_and_none_twice(readings: Readings) -> None:
    readings.store([MEASURED])
    second, third = replace(MEASURED, elongation_pct=0.7), replace(MEASURED, elongation_pct=0.6)
    assert readings.supersede([second], NOON_NS + 2 * S, "first") == 1
    assert readings.supersede([third], NOON_NS + 2 * S, "second") == 1
    assert readings.supersede([third], NOON_NS + 3 * S, "again") == 0
    assert readings.supersede([MEASURED, second], NOON_NS + 4 * S, "the last of two counts") == 1
    assert [(old.reading, old.why) for old in readings.superseded("press-3", *EVER)] == [
        (MEASURED, "first"),
        (second, "second"),
        (third, "the last of two counts"),
    ]
    assert readings.raw("press-3", *EVER) == [second]


def test_superseded_readings_come_by_their_own_time_then_by_that_of_the_correction(
    readings: Readings,
) -> None:
    some = [a_reading(10 * n, 1.0, seq=n) for n in range(1, 5)]
    readings.store(some)
    for round_, pct in ((2, 1.1), (1, 1.2)):  # the clock of who corrects was set back meanwhile
        readings.supersede([replace(one, elongation_pct=pct) for one in some], NOON_NS + round_ * S, "x")
    found = [(old.reading.seq, old.at_ns - NOON_NS) for old in readings.superseded("press-3", *EVER)]
    assert found == [(n, at_ns) for n in range(1, 5) for at_ns in (S, 2 * S)]
    part = readings.superseded("press-3", NOON_NS + 10 * S, NOON_NS + 30 * S)
    assert [old.reading.seq for old in part] == [2, 2, 3, 3]
    assert readings.superseded("press-3", *EVER, 3) == readings.superseded("press-3", *EVER)[-3:]
    assert readings.superseded("saw-1", *EVER) == []
    with pytest.raises(ValueError, match="rows_max must be 1 to 100000"):
        readings.superseded("press-3", *EVER, 0)


def test_a_reading_that_is_measured_no_more_gives_its_place_to_the_one_before(readings: Readings) -> None:
    readings.store([a_reading(10, 0.5, seq=1), a_reading(20, 0.6, seq=2), a_reading(30, None, seq=3)])
    readings.supersede([a_reading(20, None, seq=2)], NOON_NS, "n was wrong")
    newest = readings.newest_of("press-3")
    assert newest is not None
    assert (newest.reading, newest.measured) == (a_reading(30, None, seq=3), a_reading(10, 0.5, seq=1))
    readings.supersede([a_reading(10, None, seq=1)], NOON_NS, "n was wrong")
    newest = readings.newest_of("press-3")
    assert newest is not None
    assert newest.measured is None
    readings.supersede([a_reading(30, 0.7, seq=3)], NOON_NS, "n was right")
    newest = readings.newest_of("press-3")
    assert newest is not None
    assert newest.measured == a_reading(30, 0.7, seq=3)


def test_a_chain_that_is_registered_later_takes_its_readings_and_their_roll_ups(readings: Readings) -> None:
    bare = [replace(a_reading(20 * n, None, seq=n), chain_id=None) for n in range(1, 10)]
    readings.store(bare)
    roll_up_all(readings)
    measured = [a_reading(20 * n, 0.5, seq=n) for n in range(1, 10)]
    assert readings.supersede(measured[:4], NOON_NS, "chain registered") == 4
    roll_up_all(readings)
    for resolution in Resolution:
        rolled = readings.rolled("press-3", *EVER, resolution)
        assert sum(one.readings for one in rolled if one.chain_id is None) == 5
        assert sum(one.readings for one in rolled if one.chain_id == "press-3-a") == 4
    assert readings.supersede(measured, NOON_NS, "chain registered") == 5
    roll_up_all(readings)
    for resolution in Resolution:
        assert_same(readings.rolled("press-3", *EVER, resolution), by_pandas(measured, "press-3", resolution))


def changed(data: st.DataObject, reading: Reading) -> Reading:
    """Another reading of the same identity."""
    other = data.draw(any_reading())
    longer_ns = data.draw(st.sampled_from([0, 0, 1, 7 * S, 61 * S]))
    return replace(
        other,
        drive_id=reading.drive_id,
        device_id=reading.device_id,
        t0_ns=reading.t0_ns,
        seq=reading.seq,
        t_ns=min(reading.t_ns + longer_ns, reading.t0_ns + 3600 * S),
    )


@drawn(several, st.data(), examples=30)
def test_a_store_that_was_corrected_shows_what_one_that_was_right_from_the_start_does(
    kind: str, some: list[Reading], data: st.DataObject
) -> None:
    """Whatever was rolled up before and between, chains and ends of windows that change included."""
    now = {identity(one): one for one in some}
    with a_store(kind) as corrected, a_store(kind) as right:
        corrected.readings.store(some)
        corrected.readings.roll_up(data.draw(st.integers(0, 60)))
        old: dict[str, list[Reading]] = {"a": [], "b": []}
        for _ in range(data.draw(st.integers(1, 3))):
            wanted = [changed(data, one) for one in data.draw(st.lists(st.sampled_from(some), max_size=6))]
            last = {identity(one): one for one in wanted}
            differing = {which: one for which, one in last.items() if now[which] != one}
            for which in differing:
                old[now[which].drive_id].append(now[which])
            assert corrected.readings.supersede(wanted, NOON_NS, "x") == len(differing)
            now |= differing
            corrected.readings.roll_up(data.draw(st.integers(0, 60)))
        roll_up_all(corrected.readings)
        right.readings.store(list(now.values()))
        roll_up_all(right.readings)
        assert everything(corrected.readings) == everything(right.readings)
        for drive_id, expected in old.items():
            kept = [one.reading for one in corrected.readings.superseded(drive_id, *EVER)]
            assert sorted(kept, key=repr) == sorted(expected, key=repr)


def test_a_forgotten_reading_is_not_superseded_and_its_roll_ups_stay(readings: Readings) -> None:
    some = [a_reading(10 * number, 1.0, seq=number) for number in range(1, 20)]
    readings.store(some)
    roll_up_all(readings)
    before = [readings.rolled("press-3", *EVER, resolution) for resolution in Resolution]
    readings.forget(None, NOON_NS + 120 * S + 1)
    assert readings.supersede([replace(some[2], chain_id="other")], NOON_NS, "too late") == 0
    late = a_reading(35, 9.0, seq=99)
    readings.store([late])
    assert readings.supersede([replace(late, elongation_pct=8.0)], NOON_NS, "late") == 1
    roll_up_all(readings)
    assert [readings.rolled("press-3", *EVER, resolution) for resolution in Resolution] == before
    assert readings.supersede([replace(late, chain_id="other")], NOON_NS, "another chain") == 1
    roll_up_all(readings)
    after = [readings.rolled("press-3", *EVER, resolution) for resolution in Resolution]
    assert [[one for one in rolled if one.chain_id != "other"] for rolled in after] == before


def test_superseded_readings_are_forgotten_with_raw_ones(readings: Readings) -> None:
    some = [a_reading(60 * n, 1.0, seq=n) for n in range(1, 6)]
    readings.store(some)
    readings.supersede([replace(one, elongation_pct=1.5) for one in some], NOON_NS, "x")
    roll_up_all(readings)
    assert readings.forget(None, NOON_NS + 120 * S + 1, rows_max=3) == 3
    assert readings.forget(None, NOON_NS + 120 * S + 1) == 1
    assert [old.reading for old in readings.superseded("press-3", *EVER)] == some[2:]
    assert [one.seq for one in readings.raw("press-3", *EVER)] == [3, 4, 5]


@pytest.mark.parametrize(("t0_ns", "window_ns"), [(NOON_NS, -1), (NOON_NS, 3600 * S + 1), (-1, S)])
def test_a_window_that_cannot_be_supersedes_nothing(readings: Readings, t0_ns: int, window_ns: int) -> None:
    readings.store([MEASURED])
    wrong = replace(MEASURED, seq=9, t0_ns=t0_ns, t_ns=t0_ns + window_ns)
    with pytest.raises(ValueError, match="t_ns must lie 0 to 3600 s after t0_ns"):
        readings.supersede([replace(MEASURED, elongation_pct=0.1), wrong], NOON_NS, "x")
    assert readings.raw("press-3", *EVER) == [MEASURED]
