"""`linklag move` from the command line: settings in, one store on a server out."""

from pathlib import Path

from typer.testing import CliRunner

from service.adapters.database.connect import open_database
from service.main import app
from tests.contracts.given import A_DRIVE, MEASURED
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


def test_what_cannot_be_moved_says_what_to_set(tmp_path: Path) -> None:
    (tmp_path / "same.toml").write_text("[store]\nfolder = 'here'\n")
    done = CliRunner().invoke(app, ["move", "--data", str(tmp_path), "--to", str(tmp_path / "same.toml")])
    assert "store.url names no server" in str(done.exception)
