"""`linklag move`, and `backup`, `restore`, `check` of a store on a server."""

from collections.abc import Iterator
from pathlib import Path

import pytest
from typer.testing import CliRunner

from service.adapters.database.connect import open_database
from service.adapters.influx.readings import InfluxReadings
from service.commands.check import check_store
from service.commands.options import settings_of
from service.commands.parts import opened_database
from service.main import app
from service.settings import read_settings
from tests.conftest import free_port
from tests.contracts.given import A_DRIVE, MEASURED
from tests.influx import InfluxServer
from tests.influx import server as influx_server
from tests.postgres import ACCESS, PASSWORD, a_database


def test_a_store_is_moved_and_the_next_start_finds_it_on_the_server(tmp_path: Path) -> None:
    database = open_database(f"sqlite:///{tmp_path / 'linklag.db'}")
    database.register.add_drive(A_DRIVE)
    database.readings.store([MEASURED])
    database.close()
    (tmp_path / "secret").write_text(f"{PASSWORD}\n")
    with a_database("by_command") as url:
        new = tmp_path / "on-server.toml"
        new.write_text(f"[store]\nurl = '{url}'\npassword_file = 'secret'\nfolder = 'marks'\n")
        done = CliRunner().invoke(app, ["move", "--data", str(tmp_path), "--to", str(new)])
        assert done.exit_code == 0, done.output
        assert "reading                          1  the same on both sides" in done.output
        assert f"start linklag with --config {new}" in " ".join(done.output.split())
        moved = open_database(url, access=ACCESS)
        assert moved.register.drives() == [A_DRIVE]
        assert moved.readings.raw("press-3", 0, 2**62) == [MEASURED]
        moved.close()
        again = CliRunner().invoke(app, ["move", "--data", str(tmp_path), "--to", str(new)])
        assert again.exit_code == 1
        assert "is not empty" in str(again.exception)


@pytest.fixture
def influx() -> Iterator[InfluxServer]:
    server = influx_server()
    server.ask("CREATE DATABASE moved")
    yield server
    server.ask("DROP DATABASE moved")


def test_readings_are_moved_to_influx_and_the_next_start_finds_them_there(
    tmp_path: Path, influx: InfluxServer
) -> None:
    database = open_database(f"sqlite:///{tmp_path / 'linklag.db'}")
    database.readings.store([MEASURED])
    while database.readings.roll_up():
        pass
    database.close()
    new = tmp_path / "with-influx.toml"
    new.write_text(f"[store]\nfolder = '.'\n[influx]\nurl = '{influx.url}'\nbucket = 'moved/autogen'\n")
    for _ in range(2):
        done = CliRunner().invoke(app, ["move", "--data", str(tmp_path), "--to", str(new)])
        assert done.exit_code == 0, done.output
        assert "1 of 1 readings, 3 of 3 roll-ups, read back the same" in done.output
        with opened_database(read_settings(new)) as moved:
            assert isinstance(moved.readings, InfluxReadings)
            assert moved.readings.raw("press-3", 0, 2**62) == [MEASURED]


def test_a_server_that_is_away_says_how_to_go_on(tmp_path: Path) -> None:
    database = open_database(f"sqlite:///{tmp_path / 'linklag.db'}")
    database.readings.store([MEASURED])
    database.close()
    new = tmp_path / "with-influx.toml"
    new.write_text(f"[store]\nfolder = '.'\n[influx]\nurl = 'http://127.0.0.1:{free_port()}'\n")
    done = CliRunner().invoke(app, ["move", "--data", str(tmp_path), "--to", str(new)])
    assert done.exit_code == 1
    assert "run this again then: what was moved is left as it is" in str(done.exception)


def test_both_at_once_go_where_they_belong_or_nowhere(
    tmp_path: Path, influx: InfluxServer, monkeypatch: pytest.MonkeyPatch
) -> None:
    database = open_database(f"sqlite:///{tmp_path / 'linklag.db'}")
    database.readings.store([MEASURED])
    database.close()
    (tmp_path / "secret").write_text(f"{PASSWORD}\n")
    new = tmp_path / "both.toml"
    command = ["move", "--data", str(tmp_path), "--to", str(new)]
    with a_database("both_by_command") as url:

        def written(influx_url: str) -> None:
            store = f"[store]\nurl = '{url}'\npassword_file = 'secret'\nfolder = 'marks'\n"
            new.write_text(f"{store}[influx]\nurl = '{influx_url}'\nbucket = 'moved/autogen'\n")

        written(f"http://127.0.0.1:{free_port()}")
        done = CliRunner().invoke(app, command)
        assert "it cannot be reached" in str(done.exception)
        assert "nothing was moved" in str(done.exception)
        written(influx.url)
        with monkeypatch.context() as patched:  # the server goes away between the two
            patched.setattr("service.commands.series.move_series", lambda _settings: "away: run this again")
            done = CliRunner().invoke(app, command)
        assert f"with --config a copy of {new} without [influx]" in str(done.exception)
        only_store = tmp_path / "only-store.toml"
        only_store.write_text(new.read_text().partition("[influx]")[0])
        done = CliRunner().invoke(app, ["move", "--config", str(only_store), "--to", str(new)])
        assert done.exit_code == 0, done.output + str(done.exception)
        with opened_database(read_settings(new)) as moved:
            assert isinstance(moved.readings, InfluxReadings)
            assert moved.readings.raw("press-3", 0, 2**62) == [MEASURED]


def test_readings_in_influx_are_not_left_behind_by_a_move_of_the_store(tmp_path: Path) -> None:
    """Who then started linklag on the new settings would find a store without a reading."""
    old, new = tmp_path / "old.toml", tmp_path / "new.toml"
    old.write_text("[store]\nfolder = '.'\n[influx]\nurl = 'http://127.0.0.1:1'\n")
    store = "[store]\nurl = 'postgresql://linklag@127.0.0.1:1/linklag'\n"
    for section in ("", "[influx]\nurl = 'http://127.0.0.1:1'\nbucket = 'another'\n"):
        new.write_text(store + section)
        done = CliRunner().invoke(app, ["move", "--config", str(old), "--to", str(new)])
        assert done.exit_code == 1
        assert f"give {new} the same [influx]" in str(done.exception)


def test_what_cannot_be_moved_says_what_to_set(tmp_path: Path) -> None:
    (tmp_path / "same.toml").write_text("[store]\nfolder = 'here'\n")
    done = CliRunner().invoke(app, ["move", "--data", str(tmp_path), "--to", str(tmp_path / "same.toml")])
    assert "store.url names no server" in str(done.exception)


def test_a_store_on_a_server_is_copied_put_back_and_checked(tmp_path: Path) -> None:
    (tmp_path / "secret").write_text(f"{PASSWORD}\n")
    with a_database("cli_full") as full, a_database("cli_empty") as empty:
        for name, url in (("full", full), ("empty", empty)):
            (tmp_path / f"{name}.toml").write_text(
                f"[store]\nurl = '{url}'\npassword_file = 'secret'\nfolder = 'marks'\n"
            )
        database = open_database(full, access=ACCESS)
        database.register.add_drive(A_DRIVE)
        database.close()
        (tmp_path / "backups").mkdir()
        said = CliRunner().invoke(
            app, ["backup", str(tmp_path / "backups"), "--keep", "2", "--config", str(tmp_path / "full.toml")]
        )
        assert said.exit_code == 0, said.output + str(said.exception)
        (copy,) = (tmp_path / "backups").iterdir()
        assert copy.suffix == ".dump"
        said = CliRunner().invoke(app, ["restore", str(copy), "--config", str(tmp_path / "empty.toml")])
        assert said.exit_code == 0, said.output + str(said.exception)
        settings = read_settings(tmp_path / "empty.toml")
        finding = check_store(settings)
        assert finding.fix == ""
        assert finding.found == f"{empty}, written; 1 drives registered"
    assert "no such database" in check_store(settings).found
    assert check_store(settings).fix == "start the server, or correct store.url and store.password_file"


def test_a_folder_on_the_command_line_makes_no_second_store_beside_that_on_a_server(tmp_path: Path) -> None:
    (tmp_path / "linklag.toml").write_text("[store]\nurl = 'postgresql://linklag@127.0.0.1/linklag'\n")
    store = settings_of(tmp_path / "linklag.toml", tmp_path / "here", quiet=True).store
    assert (store.on_server, store.file.parent) == (True, tmp_path / "here")
    (tmp_path / "linklag.toml").write_text("[store]\nurl = 'sqlite:////elsewhere/x.db'\n")
    store = settings_of(tmp_path / "linklag.toml", tmp_path / "here", quiet=True).store
    assert store.file == tmp_path / "here" / "linklag.db"
