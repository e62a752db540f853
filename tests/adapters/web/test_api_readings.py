"""A drive's readings over a range of time: JSON, CSV, and pandas in one line over real HTTP."""

import csv
import io
from typing import Any

import pandas as pd
import pytest

from service.adapters.web import schemas
from service.adapters.web.series import Span, resolution_for
from service.core.reading import NotMeasured
from tests.adapters.web.client import Client
from tests.adapters.web.plant import API, CHECKED, CHECKED_JSON, Plant, add, app_on, not_measured, reading_of
from tests.adapters.web.served import served
from tests.contracts.given import NOON_NS, SQLITE, S, a_store


def with_readings(plant: Plant, count: int = 60) -> None:
    """Give drive a one reading a minute up to 13:00, the tenth of them not measured; roll them up."""
    add(plant, "a")
    readings = [
        not_measured("a", 60 * (n + 1), NotMeasured.STOPPED, seq=n)
        if n == 9
        else reading_of("a", 60 * (n + 1), 1 + n / 100, seq=n)
        for n in range(count)
    ]
    plant.ports.readings.store(readings)
    while plant.ports.readings.roll_up():
        pass


def rows(plant: Plant, query: str) -> list[dict[str, Any]]:
    found: list[dict[str, Any]] = plant.get(f"/drives/a/readings?{query}")["rows"]
    return found


def test_a_range_is_open_at_its_start_and_closed_at_its_end(plant: Plant) -> None:
    with_readings(plant)
    found = rows(plant, "from=2026-09-10T12:10:00Z&to=2026-09-10T12:12:00Z&resolution=raw")
    assert [row["time"] for row in found] == ["2026-09-10T12:11:00Z", "2026-09-10T12:12:00Z"]
    assert [row["elongation_pct"] for row in found] == [1.1, 1.11]


def test_the_last_so_long_up_to_now(plant: Plant) -> None:
    with_readings(plant)
    body = plant.get("/drives/a/readings?last=5min")
    assert (body["from"], body["to"]) == ("2026-09-10T12:55:00Z", "2026-09-10T13:00:00Z")
    assert (body["resolution"], body["truncated"], len(body["rows"])) == ("raw", False, 5)


def test_a_reading_that_was_not_measured_comes_with_its_reason_and_no_number(plant: Plant) -> None:
    with_readings(plant)
    (row,) = rows(plant, "from=2026-09-10T12:09:30Z&to=2026-09-10T12:10:30Z")
    assert (row["elongation_pct"], row["elongation_u_pct"], row["reason"]) == (None, None, "stopped")


def with_superseded(plant: Plant) -> None:
    """Have the readings of 12:20 to 12:22 made anew at 13:00:01, and that of 12:22 once more a second later."""
    with_readings(plant)
    for at_s, minutes, pct, why in (
        (3601, (20, 21, 22), 2.0, "baseline corrected"),
        (3602, (22,), 2.5, "=teeth"),
    ):
        anew = [reading_of("a", 60 * minute, pct, seq=minute - 1) for minute in minutes]
        assert plant.ports.readings.supersede(anew, NOON_NS + at_s * S, why) == len(minutes)


def test_readings_that_others_were_put_in_place_of_come_with_when_and_why(plant: Plant) -> None:
    with_superseded(plant)
    body = plant.get("/drives/a/superseded?from=2026-09-10T12:20:00Z&to=2026-09-10T12:22:00Z")
    told = [(row["time"], row["elongation_pct"], row["superseded"], row["why"]) for row in body["rows"]]
    assert told == [
        ("2026-09-10T12:21:00Z", 1.2, "2026-09-10T13:00:01Z", "baseline corrected"),
        ("2026-09-10T12:22:00Z", 1.21, "2026-09-10T13:00:01Z", "baseline corrected"),
        ("2026-09-10T12:22:00Z", 2.0, "2026-09-10T13:00:02Z", "=teeth"),
    ]
    schemas.SupersededOut.model_validate(body)
    plain = plant.get("/drives/a/readings?last=1h&resolution=raw")["rows"][0]
    assert body["rows"][0].keys() == plain.keys() | {"superseded", "why"}
    less = plant.get("/drives/a/superseded?last=1h&rows_max=2")
    assert (less["truncated"], less["rows"]) == (True, body["rows"][-2:])
    assert plant.get("/drives/a/superseded?last=5min")["rows"] == []


def test_superseded_readings_come_as_csv_too(plant: Plant) -> None:
    with_superseded(plant)
    answer = plant.client.get(f"{API}/drives/a/superseded?last=1h&format=csv")
    assert (answer.headers["content-type"], answer.headers["linklag-truncated"]) == (
        "text/csv; charset=utf-8",
        "false",
    )
    found = list(csv.DictReader(io.StringIO(answer.text)))
    assert [(row["elongation_pct"], row["why"]) for row in found] == [
        ("1.19", "baseline corrected"),
        ("1.2", "baseline corrected"),
        ("1.21", "baseline corrected"),
        ("2.0", "'=teeth"),
    ]
    assert found[0]["superseded"] == "2026-09-10T13:00:01.000000000Z"


def test_superseded_readings_of_a_drive_that_is_none_are_refused(plant: Plant) -> None:
    assert plant.client.get(f"{API}/drives/a/superseded").status_code == 404
    with_readings(plant)
    refused = plant.client.get(f"{API}/drives/a/superseded?last=1h&from=2026-09-10T12:20:00Z")
    assert (refused.status_code, "either from or last" in refused.text) == (422, True)


def test_roll_ups_come_by_the_minute_the_hour_and_the_day(plant: Plant) -> None:
    with_readings(plant)
    minutes = rows(plant, "last=1h&resolution=minute")
    assert len(minutes) == 60
    assert minutes[9]["mean_pct"] is None
    (hour,) = rows(plant, "last=1h&resolution=hour")
    assert (hour["time"], hour["readings"], hour["measured"]) == ("2026-09-10T13:00:00Z", 60, 59)
    assert hour["min_pct"] == 1.0
    assert hour["max_pct"] == pytest.approx(1.59)
    assert hour["mean_pct"] == pytest.approx((sum(1 + n / 100 for n in range(60)) - 1.09) / 59)
    (day,) = rows(plant, "last=1d&to=2026-09-11T00:00:00Z&resolution=day")
    assert (day["time"], day["readings"]) == ("2026-09-11T00:00:00Z", 60)


def test_the_newest_rows_are_kept_where_there_are_too_many_and_that_is_said(plant: Plant) -> None:
    with_readings(plant)
    answer = plant.client.get(f"{API}/drives/a/readings?last=1h&rows_max=2")
    body = answer.json()
    assert body["truncated"] is True
    assert answer.headers["linklag-truncated"] == "true"
    assert [row["time"] for row in body["rows"]] == ["2026-09-10T12:59:00Z", "2026-09-10T13:00:00Z"]
    exact = plant.get("/drives/a/readings?from=2026-09-10T12:58:00Z&rows_max=2")
    assert exact["truncated"] is False


def test_a_plus_that_a_url_turned_into_a_blank_is_still_an_offset(plant: Plant) -> None:
    with_readings(plant)
    assert len(rows(plant, "from=2026-09-10T14:58:00+02:00")) == 2


@pytest.mark.parametrize(
    "query",
    [
        "from=2026-09-10T12:00:00Z&last=1h",
        "from=2026-09-10T14:00:00Z",  # after now
        "last=soon",
        "rows_max=0",
        "rows_max=50001",
        "from=2026-09-10T12:00:00",
    ],
)
def test_a_range_that_is_none_is_refused(plant: Plant, query: str) -> None:
    add(plant, "a")
    assert plant.client.get(f"{API}/drives/a/readings?{query}").status_code == 422


@pytest.mark.parametrize(
    ("hours", "expected"),
    [
        (6, Span.RAW),
        (6.1, Span.MINUTE),
        (168, Span.MINUTE),
        (169, Span.HOUR),
        (9600, Span.HOUR),
        (9601, Span.DAY),
    ],
)
def test_the_resolution_suits_the_span(hours: float, expected: Span) -> None:
    assert resolution_for(int(hours * 3600 * S)) is expected


# CSV


@pytest.mark.parametrize(
    ("query", "accept", "content_type"),
    [
        ("format=csv", "*/*", "text/csv; charset=utf-8"),
        ("", "text/csv", "text/csv; charset=utf-8"),
        ("", "text/csv;q=0.9, application/json;q=0.1", "text/csv; charset=utf-8"),
        ("", "application/json", "application/json"),
        ("", "text/html,application/xhtml+xml,*/*;q=0.8", "application/json"),
        ("format=json", "text/csv", "application/json"),
    ],
)
def test_the_form_is_asked_for_by_query_or_accept(
    fake_plant: Plant, query: str, accept: str, content_type: str
) -> None:
    with_readings(fake_plant, 3)
    answer = fake_plant.client.get(f"{API}/drives/a/readings?last=1h&{query}", headers={"Accept": accept})
    assert answer.status_code == 200
    assert answer.headers["content-type"] == content_type


def test_a_form_that_there_is_not_is_refused(fake_plant: Plant) -> None:
    add(fake_plant, "a")
    answer = fake_plant.client.get(f"{API}/drives/a/readings", headers={"Accept": "image/png"})
    assert answer.status_code == 406


def test_csv_and_json_say_the_same(plant: Plant) -> None:
    with_readings(plant)
    for resolution in ("raw", "minute"):
        query = f"/drives/a/readings?last=1h&resolution={resolution}"
        as_json = plant.get(query)["rows"]
        text = plant.client.get(f"{API}{query}&format=csv").text
        as_csv = list(csv.DictReader(io.StringIO(text)))
        assert len(as_csv) == len(as_json)
        for ours, theirs in zip(as_csv, as_json, strict=True):
            assert list(ours) == list(theirs)
            for name, value in theirs.items():
                if name in {"time", "t0", "baseline_taken", "baseline_recorded"} and value is not None:
                    assert pd.Timestamp(ours[name]) == pd.Timestamp(value)
                else:
                    assert ours[name] == ("" if value is None else str(value))


def test_both_elongations_and_what_was_taken_off_are_columns_of_their_own(plant: Plant) -> None:
    add(plant, "a")
    unchecked = dict.fromkeys(CHECKED) | {"by_alternation": False}
    plant.ports.readings.store(
        [reading_of("a", 3000, 1.0, **CHECKED), reading_of("a", 3100, 1.0, seq=1, **unchecked)]
    )
    text = plant.client.get(f"{API}/drives/a/readings?last=1h&format=csv").text
    checked, bare = csv.DictReader(io.StringIO(text))
    assert (checked["elongation_pct"], checked["since_pct"], checked["since_u_pct"]) == (
        "1.0",
        "0.9",
        "0.004",
    )
    assert checked["baseline_taken"] == "2026-09-10T12:00:01.000000000Z"
    assert (checked["by_alternation"], checked["down_alternation_u_pct"]) == ("True", "0.05")
    taken = ("polygon", "delay", "temperature", "load")
    assert [checked[f"{name}_taken_pct"] for name in taken] == ["-0.002", "0.006", "0.028", "0.0"]
    assert {
        bare[name] for name in ("since_pct", "baseline_taken", "up_alternation_pct", "delay_taken_pct")
    } == {""}
    assert rows(plant, "last=1h")[0] | CHECKED_JSON == rows(plant, "last=1h")[0]


def test_text_that_a_spreadsheet_would_run_is_made_plain(fake_plant: Plant) -> None:
    add(fake_plant, "a")
    fake_plant.ports.readings.store([reading_of("a", 3000, 1.0, device_id="=HYPERLINK(1)")])
    text = fake_plant.client.get(f"{API}/drives/a/readings?last=1h&format=csv").text
    assert ",'=HYPERLINK(1)," in text


def test_many_rows_come_whole(fake_plant: Plant) -> None:
    add(fake_plant, "a")
    fake_plant.ports.readings.store([reading_of("a", 100 + n, 1.0, seq=n) for n in range(3001)])
    text = fake_plant.client.get(f"{API}/drives/a/readings?last=1h&format=csv").text
    lines = text.splitlines()
    assert len(lines) == 3002
    assert len({line.count(",") for line in lines}) == 1


@pytest.mark.parametrize("resolution", ["raw", "minute", "hour"])
def test_pandas_reads_it_in_one_line_over_http(resolution: str) -> None:
    with a_store(SQLITE) as ports, served(app_on(ports)) as url:
        with_readings(Plant(ports, app_on(ports), Client(app_on(ports))))
        frame = pd.read_csv(
            f"{url}/api/v1/drives/a/readings?last=1h&resolution={resolution}&format=csv", parse_dates=["time"]
        )
    expected = {"raw": 60, "minute": 60, "hour": 1}[resolution]
    assert len(frame) == expected
    assert str(frame["time"].dtype).startswith("datetime64[")
    assert str(frame["time"].dtype).endswith("UTC]")
    assert frame["time"].iloc[-1] == pd.Timestamp("2026-09-10T13:00:00Z")
    column = "elongation_pct" if resolution == "raw" else "mean_pct"
    assert frame[column].dtype == float
    assert frame[column].isna().sum() == (0 if resolution == "hour" else 1)
