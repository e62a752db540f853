"""Tables of pulse times: the many ways to write them give the same pulses, and what is wrong is named by line."""

import csv
import importlib
import io
import os
from collections.abc import Callable, Sequence
from datetime import UTC, datetime, timedelta
from types import ModuleType
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.adapters import pulse_tables
from service.adapters.pulse_tables import CaptureError, PulseTimes, Wanted, read_csv, read_parquet

UP_NS = [12_000, 19_856_000, 39_701_000]
DOWN_NS = [8_931_000, 28_777_000]


def needs_module(name: str) -> ModuleType:
    """Return a module, or skip naming what is missing (fail under LINKLAG_REQUIRE_ALL=1)."""
    try:
        return importlib.import_module(name)
    except ImportError:
        lack = f"{name} is not installed: pip install 'linklag[parquet]'"
        if os.environ.get("LINKLAG_REQUIRE_ALL") == "1":
            pytest.fail(lack)
        pytest.skip(lack)


def read(text: str | bytes, **wanted: str) -> PulseTimes:
    data = text.encode() if isinstance(text, str) else text
    return read_csv(io.BufferedReader(io.BytesIO(data)), Wanted(**wanted))


def is_the_usual(pulses: PulseTimes) -> bool:
    return (pulses.up_ns.tolist(), pulses.down_ns.tolist()) == (UP_NS, DOWN_NS)


SAME: dict[str, tuple[str | bytes, dict[str, str]]] = {
    "two columns": ("up_us,down_us\n12,8931\n19856,28777\n39701,\n", {}),
    "short rows": ("up_us,down_us\n12,8931\n19856,28777\n39701\n", {}),
    "down first, other columns between": ("down_us,note,up_us\n8931,x,12\n28777,,19856\n,,39701\n", {}),
    "units in brackets": ("Up sensor [ms];Down sensor [ms]\n0,012;8,931\n19,856;28,777\n39,701;\n", {}),
    "a unit each": ("upstream (s)\tdownstream (us)\n0.000012\t8931\n1.9856e-2\t28777\n0.039701\t\n", {}),
    "a unit by option": ("up,down\n12,8931\n19856,28777\n39701,\n", {"unit": "us"}),
    "no headings": ("12,8931\n19856,28777\n39701,\n", {"unit": "us"}),
    "numbered channels": ("ch1_us,ch2_us\n12,8931\n19856,28777\n39701,\n", {}),
    "channels from 0": ("CH0 us,CH1 us\n12,8931\n19856,28777\n39701,\n", {}),
    "letters": ("Sensor A (us),Sensor B (us)\n12,8931\n19856,28777\n39701,\n", {}),
    "names by option": (
        "x7_us,x9_us,up_us\n12,8931,1\n19856,28777,2\n39701,,3\n",
        {"up": "X7_us", "down": "x9"} | {"down": "x9_us"},
    ),
    "names by option without unit": ("x7_us,x9_us\n12,8931\n19856,28777\n39701,\n", {"up": "x 7", "down": "x 9"}),
    "gaps where the other pulsed": ("up_us,down_us\n12,\n,8931\n19856,\n,28777\n39701,\n", {}),
    "a row a pulse": ("sensor,time_us\nup,12\ndown,8931\nup,19856\ndown,28777\nup,39701\n", {}),
    "a row a pulse, by sensor": ("time_us,channel\n8931,2\n28777,2\n12,1\n19856,1\n39701,1\n", {}),
    "a row a pulse, no headings": ("up,12\ndown,8931\nup,19856\ndown,28777\nup,39701\n", {"unit": "us"}),
    "a row a pulse, names by option": (
        "sensor,time_us\nx7,12\nx9,8931\nx7,19856\nx9,28777\nx7,39701\n",
        {"up": "X7", "down": "x9"},
    ),
    "edges of both kinds": (
        "sensor,time_us,edge\nup,12,1\nup,500,0\ndown,8931,rising\nup,19856,on\ndown,28777,1\ndown,30000,off\nup,39701,1\n",
        {},
    ),
    "Windows lines and byte order mark": (b"\xef\xbb\xbfup_us,down_us\r\n12,8931\r\n19856,28777\r\n39701,\r\n", {}),
    "UTF-16 of a spreadsheet": ("up_us\tdown_us\n12\t8931\n19856\t28777\n39701\t\n".encode("utf-16"), {}),
    "comments, blank lines, blanks, quotes": (
        '# logger 3\n\nup_us , down_us\n 12 , "8931"\n\n#\n19856,28777\n,\n39701,\n',
        {},
    ),
    "micro sign": ("up (µs),down (μs)\n12,8931\n19856,28777\n39701,\n", {}),
    "signs and points": ("up_us,down_us\n+12.000,8931.\n19856,028777\n39701,\n", {}),
}  # fmt: skip


@pytest.mark.parametrize("name", SAME)
def test_one_capture_in_many_ways_of_writing_it(name: str) -> None:
    text, wanted = SAME[name]
    pulses = read(text, **wanted)
    assert is_the_usual(pulses), (pulses.up_ns, pulses.down_ns)
    assert pulses.tick_ns == 1000
    assert not pulses.since_1970


def test_instants_are_read_with_zone_and_without() -> None:
    pulses = read(
        "up,down\n2026-11-25T08:15:00.000012Z,2026-11-25 08:15:00.008931\n2026-11-25T09:15:00.019856+01:00,\n"
    )
    t0_ns = int(datetime(2026, 11, 25, 8, 15, tzinfo=UTC).timestamp()) * 10**9
    assert pulses.up_ns.tolist() == [t0_ns + 12_000, t0_ns + 19_856_000]
    assert pulses.down_ns.tolist() == [t0_ns + 8_931_000]
    assert pulses.since_1970


def test_seconds_since_1970_lose_no_digit() -> None:
    """float64 has 0.24 us there."""
    pulses = read("up_s,down_s\n1795000000.123456789,1795000000.123456790\n1795000001.000000001,\n")
    assert pulses.up_ns.tolist() == [1_795_000_000_123_456_789, 1_795_000_001_000_000_001]
    assert pulses.since_1970


@given(
    st.lists(st.integers(-(2**61), 2**61), max_size=30),
    st.lists(st.integers(-(2**61), 2**61), max_size=30),
    st.sampled_from([("s", 9), ("ms", 6), ("us", 3), ("ns", 0)]),
)
def test_any_times_in_any_unit_are_read_to_the_nanosecond(
    up: list[int], down: list[int], unit: tuple[str, int]
) -> None:
    up, down = sorted(up), sorted(down)
    name, digits = unit

    def cell(time_ns: int) -> str:
        text = f"{abs(time_ns):0{digits + 1}d}"
        return ("-" if time_ns < 0 else "") + (f"{text[:-digits]}.{text[-digits:]}" if digits else text)

    out = io.StringIO()
    writer = csv.writer(out)
    writer.writerow([f"up_{name}", f"down_{name}"])
    for at in range(max(len(up), len(down))):
        writer.writerow([cell(train[at]) if at < len(train) else "" for train in (up, down)])
    if not up and not down:
        with pytest.raises(CaptureError, match="no pulses"):
            read(out.getvalue())
        return
    pulses = read(out.getvalue())
    assert (pulses.up_ns.tolist(), pulses.down_ns.tolist()) == (up, down)


@pytest.mark.parametrize(
    ("times", "tick_ns"),
    [
        ([0, 20_000_000, 40_000_000], 20_000_000),
        ([5, 1_000_005, 3_000_005], 1_000_000),  # a scan cycle of 1 ms, whatever it began with
        ([0, 7], 7),
        ([3], 1_000_000_000),  # no step is seen
        ([0, 3_000_000_000], 1_000_000_000),
        ([0, 2_500_000_000], 500_000_000),
    ],
)
def test_the_tick_is_the_step_that_the_times_show(times: list[int], tick_ns: int) -> None:
    """A coarse tick stands in the uncertainty, so it must not be taken for finer than it is."""
    pulses = read("up_ns,down_ns\n" + "".join(f"{time},{time}\n" for time in times))
    assert pulses.tick_ns == tick_ns
    assert all((time - times[0]) % tick_ns == 0 for time in times)


WRONG: dict[str, tuple[str | bytes, str]] = {
    "nothing": ("", "it is empty; name the columns up_us and down_us"),
    "headings alone": ("up_us,down_us\n", "holds no pulses"),
    "one column": ("up_us\n1\n", "line 1 has one column"),
    "odd headings": (
        "foo,bar\n1,2\n",
        "line 1: which columns hold .* Found 'foo', 'bar'; .* or give --up and --down",
    ),
    "up twice": ("up_us,up_us\n1,2\n", "which columns"),
    "no unit": ("up,down\n1,2\n", "line 2, up: in which unit is '1'"),
    "three columns, no headings": ("1,2,3\n", "no headings and 3 columns"),
    "NaN": ("up_us,down_us\n1,2\nnan,3\n", "line 3, up_us: 'nan' is no time; .*leave the cell empty"),
    "infinity": ("up_us,down_us\n1,2\n2,-inf\n", "line 3, down_us: '-inf' is no time"),
    "words": ("up_us,down_us\n1,2\nERR,3\n", "line 3, up_us: 'ERR' is no time"),
    "digits of other scripts": ("up_us,down_us\n1,2\n٣,3\n", "line 3, up_us: '.u0663' is no time"),
    "underscores": ("up_us,down_us\n1,2\n1_000,3\n", "is no time"),
    "backwards": (
        "up_us,down_us\n1,2\n9,3\n8,4\n",
        "line 4, up_us: the time goes back to '8'; .* divide the capture where the counter began anew",
    ),
    "a counter that wraps": (
        "sensor,time_us\nup,4294967290\ndown,4294967295\nup,12\n",
        "line 4, .*goes back to '12'",
    ),
    "too far": ("up_s,down_s\n1,2\n99999999999,3\n", "line 3, up_s: '99999999999' is too far from 0"),
    "far too far": ("up_s,down_s\n1,2\n1e999999999,3\n", "line 3, up_s: '1e999999999' is too far from 0"),
    "mixed kinds": (
        "up,down\n2026-11-25T08:15:00Z,2026-11-25T08:15:00Z\n3,4\n",
        "line 3, up: '3Z' is no RFC 3339 time",
    ),
    "JSON after CSV": ('up_us,down_us\n1,2\n{"v":1,"seq":1}\n', "line 3: .*write plain cells"),
    "an open quote": ('up_us,down_us\n"1,2\n', "line 2: unexpected end of data"),
    "three sensors": (
        "sensor,time_us\nup,1\ndown,2\nleft,3\n",
        "line 4: 'left' is a third sensor beside 'up' and 'down'",
    ),
    "odd sensors": ("sensor,time_us\nx,1\ny,2\n", "which sensor is 'x' and 'y'"),
    "one sensor of a number": ("sensor,time_us\n1,1\n1,2\n", "which sensor is '1'"),
    "a pulse without time": ("sensor,time_us\nup,1\ndown,\n", "line 3 lacks sensor or time"),
    "a pulse without sensor": ("sensor,time_us\nup,1\n,2\n", "which sensor is 'up' and ''"),
    "neither on nor off": ("sensor,time_us,edge\nup,1,maybe\n", "line 2: 'maybe' is neither on nor off"),
    "a line without end": ("up_us,down_us\n" + "1" * 200_000, "line 2 has over 100000 characters"),
    "binary": (b"\x7fELF\x02\x01\x01\x00\xff\xfe\x80,", "holds what is no text in utf-8"),
    "cut UTF-16": (b"\xff\xfeu\x00p\x00\x00\xd8", "holds what is no text in utf-16"),
}


@pytest.mark.parametrize("name", WRONG)
def test_a_table_that_is_wrong_is_told_with_line_and_what_mends_it(name: str) -> None:
    text, said = WRONG[name]
    with pytest.raises(CaptureError, match=said):
        read(text)


def test_a_unit_that_contradicts_the_heading_is_told() -> None:
    with pytest.raises(CaptureError, match="another unit than --unit ms"):
        read("up_us,down_us\n1,2\n", unit="ms")
    with pytest.raises(CaptureError, match="is no unit of time"):
        read("up,down\n1,2\n", unit="h")


def test_a_table_without_end_costs_no_more_than_the_bound(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(pulse_tables, "PULSES_MAX", 1000)

    class Endless(io.RawIOBase):
        def readable(self) -> bool:
            return True

        def readinto(self, buffer: Any) -> int:
            row = b"5,6\n" * (len(buffer) // 4)
            buffer[: len(row)] = row
            return len(row)

    stream = io.BufferedReader(Endless())
    with pytest.raises(CaptureError, match="over 1000 pulses of column 1; divide the capture"):
        read_csv(stream, Wanted(unit="us"))


@given(st.text(max_size=200) | st.binary(max_size=200).map(lambda raw: raw.decode("latin-1")))
def test_whatever_text_comes_it_is_pulses_or_a_refusal(text: str) -> None:
    for unit in ({}, {"unit": "us"}):
        try:
            pulses = read(text, **unit)
        except CaptureError:
            continue
        assert len(pulses.up_ns) + len(pulses.down_ns) > 0


def test_one_sensor_alone_is_taken() -> None:
    """Its partner is silent: a matter for the reading, not for the file."""
    assert read("up_us,down_us\n1,\n2,\n").down_ns.tolist() == []
    assert read("sensor,time_us\ndown,1\ndown,2\n").up_ns.tolist() == []


# Parquet


def parquet(columns: dict[str, Any]) -> io.BytesIO:
    arrow, writer = needs_module("pyarrow"), needs_module("pyarrow.parquet")
    out = io.BytesIO()
    writer.write_table(arrow.table(columns), out)
    out.seek(0)
    return out


def typed(values: Sequence[Any], kind: Callable[[Any], Any]) -> Any:
    arrow = needs_module("pyarrow")
    return arrow.array(values, kind(arrow))


def instants(times_ns: Sequence[int]) -> list[datetime]:
    return [
        datetime(2026, 11, 25, tzinfo=UTC) + timedelta(microseconds=time_ns // 1000) for time_ns in times_ns
    ]


def test_parquet_of_whole_numbers_and_floats_gives_what_csv_gives() -> None:
    assert is_the_usual(
        read_parquet(parquet({"up_us": [12, 19856, 39701], "down_us": [8931, 28777, None]}), Wanted())
    )
    floats = {"up_ms": [0.012, 19.856, 39.701], "down_ms": [8.931, 28.777, float("nan")]}
    assert is_the_usual(read_parquet(parquet(floats), Wanted()))
    small = {
        "up": typed([12, 19856, 39701], lambda arrow: arrow.uint16()),
        "down": typed([8931, 28777, None], lambda arrow: arrow.int32()),
    }
    assert is_the_usual(read_parquet(parquet(small), Wanted(unit="us")))


def test_parquet_of_timestamps_and_durations_needs_no_unit() -> None:
    padded = [*instants(DOWN_NS), None]
    pulses = read_parquet(parquet({"up": instants(UP_NS), "down": padded}), Wanted())
    assert pulses.since_1970
    assert (pulses.up_ns - pulses.up_ns[0]).tolist() == [time - UP_NS[0] for time in UP_NS]
    durations = {
        "up": [timedelta(microseconds=time // 1000) for time in UP_NS],
        "down": [*(timedelta(microseconds=time // 1000) for time in DOWN_NS), None],
    }
    assert is_the_usual(read_parquet(parquet(durations), Wanted()))


def test_parquet_with_a_row_a_pulse() -> None:
    rows = sorted([(time, "up") for time in UP_NS] + [(time, "down") for time in DOWN_NS])
    columns: dict[str, Any] = {"time_ns": [time for time, _ in rows], "sensor": [name for _, name in rows]}
    assert is_the_usual(read_parquet(parquet(columns), Wanted()))
    columns["sensor"] = typed(columns["sensor"], lambda arrow: arrow.dictionary(arrow.int8(), arrow.string()))
    assert is_the_usual(read_parquet(parquet(columns), Wanted()))
    columns = {
        "time_ns": [1, *columns["time_ns"]],
        "sensor": [1, *(1 if name == "up" else 2 for _, name in rows)],
        "state": [False, *[True] * len(rows)],
    }
    assert is_the_usual(read_parquet(parquet(columns), Wanted()))


def test_parquet_that_is_wrong_is_told_with_row_and_what_mends_it() -> None:
    def refused(columns: dict[str, Any], said: str, **wanted: str) -> None:
        with pytest.raises(CaptureError, match=said):
            read_parquet(parquet(columns), Wanted(**wanted))

    refused({"up_us": [1, 9, 8], "down_us": [1, 2, 3]}, "row 3, up_us: the time goes back to 8000 ns")
    refused({"up_us": [1, None, 9, 8], "down_us": [1, 2, 3, 4]}, "row 4, up_us")
    refused({"up": [1, 2], "down": [1, 2]}, "up: in which unit")
    refused({"up_us": ["1", "2"], "down_us": [1, 2]}, "up_us holds string")
    refused({"up_us": [1.0, float("inf")], "down_us": [1, 2]}, "up_us: a time is too far from 0")
    refused({"up_s": [1, 2**62], "down_s": [1, 2]}, "up_s: a time is too far from 0")
    refused({"up_us": [None, None], "down_us": [float("nan"), None]}, "up_us holds null")
    refused({"foo": [1], "bar": [2]}, "which columns")
    refused({"sensor": ["up", None], "time_us": [1, 2]}, "lacks its sensor")
    refused({"sensor": ["up", "down"], "time_us": [1, None]}, "row 2 lacks its time")
    refused({"sensor": ["up", "down", "left"], "time_us": [1, 2, 3]}, "third sensor")
    refused({"sensor": ["up", "down"], "time_us": [1, 2], "edge": ["up", "down"]}, "neither on nor off")


def test_damaged_parquet_is_told() -> None:
    whole = parquet({"up_us": list(range(1000)), "down_us": list(range(1000))}).getvalue()
    for damaged in (whole[:-20], whole[:100], b"PAR1", whole[:200] + b"\xff" * 300 + whole[500:]):
        with pytest.raises(CaptureError, match=r"cannot be read as Parquet|goes back|holds no"):
            read_parquet(io.BytesIO(damaged), Wanted())


def test_without_pyarrow_it_is_told_how_to_get_it(monkeypatch: pytest.MonkeyPatch) -> None:
    def missing(name: str) -> ModuleType:
        raise ModuleNotFoundError(name)

    monkeypatch.setattr(pulse_tables, "import_module", missing)
    with pytest.raises(CaptureError, match=r"pip install 'linklag\[parquet\]', or save the table as CSV"):
        read_parquet(io.BytesIO(b"PAR1"), Wanted())


def test_many_pulses_are_read_in_bounded_time() -> None:
    """Linear: eight times the pulses take about eight times as long; squared would be 64."""
    import time

    def seconds(count: int) -> float:
        rows = np.arange(count) * 12_700
        text = "up_us,down_us\n" + "".join(f"{row},{row + 555}\n" for row in rows.tolist())
        best = 1e9
        for _ in range(3):
            began = time.perf_counter()
            read(text)
            best = min(best, time.perf_counter() - began)
        return best

    assert seconds(40_000) < 24 * seconds(5_000)
