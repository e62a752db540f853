"""InfluxDB by the settings: what the commands open, and what `linklag check` says of it."""

from collections.abc import Iterator
from pathlib import Path

import pytest

from service.adapters.influx.readings import InfluxReadings
from service.commands import CommandError, series
from service.commands.check import check_influx, findings
from service.commands.parts import opened_database
from service.settings import Settings, read_settings
from tests.conftest import free_port
from tests.contracts.given import MEASURED
from tests.influx import InfluxServer
from tests.influx import server as influx_server


@pytest.fixture
def influx() -> Iterator[InfluxServer]:
    server = influx_server()
    server.ask("CREATE DATABASE checked")
    yield server
    server.ask("DROP DATABASE checked")


def settings_of(folder: Path, url: str) -> Settings:
    section = {"url": url, "bucket": "checked/autogen", "timeout_s": 2.0}
    return read_settings(overrides={"store": {"folder": folder}, "influx": section if url else {}})


def test_readings_go_where_the_settings_say(tmp_path: Path, influx: InfluxServer) -> None:
    with opened_database(settings_of(tmp_path, influx.url)) as database:
        assert isinstance(database.readings, InfluxReadings)
        assert database.store_all([MEASURED], []) == 1
    with opened_database(settings_of(tmp_path, "")) as database:
        assert database.readings.raw("press-3", 0, 2**62) == []


def test_one_that_is_well_is_written_and_read(tmp_path: Path, influx: InfluxServer) -> None:
    finding = check_influx(settings_of(tmp_path, influx.url))
    assert not finding.fix
    assert "bucket checked/autogen, written and read" in finding.found


def test_readings_that_stayed_in_the_database_are_told(tmp_path: Path, influx: InfluxServer) -> None:
    with opened_database(settings_of(tmp_path, "")) as database:
        database.readings.store([MEASURED])
    finding = check_influx(settings_of(tmp_path, influx.url))
    assert "readings of 1 drives are not in it" in finding.found
    assert "linklag move" in finding.fix


def test_one_that_is_away_is_told_among_the_findings(tmp_path: Path) -> None:
    found = {
        each.subject: each for each in findings(settings_of(tmp_path, f"http://127.0.0.1:{free_port()}"))
    }
    assert "it cannot be reached" in found["influx"].found
    assert not found["store"].fix, "the database is well by itself"


def test_without_the_library_it_is_said_how_to_get_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setitem(__import__("sys").modules, "influxdb_client.client.influxdb_client", None)
    with (
        pytest.raises(CommandError, match=r"pip install 'linklag\[influx\]'"),
        series.influx_client(settings_of(tmp_path, "http://127.0.0.1:1")),
    ):
        pass
