"""`linklag reconvert` from the command line: what it did, and what is missing."""

from pathlib import Path

from typer.testing import CliRunner

from service.adapters.database.connect import open_database
from service.core.drive import Drive
from service.main import app

WHY = ["--since", "2026-11-20", "--why", "tests"]


def test_a_drive_without_stored_batches_says_so(tmp_path: Path) -> None:
    database = open_database(f"sqlite:///{tmp_path / 'linklag.db'}")
    database.register.add_drive(Drive(drive_id="kiln-feed", whole_pitches=20))
    database.close()
    result = CliRunner().invoke(app, ["reconvert", "kiln-feed", *WHY, "--data", str(tmp_path)])
    assert result.exit_code == 1
    assert "0 batches converted again" in result.output
    assert "retention.batches_mb" in result.output


def test_an_unknown_drive_is_named(tmp_path: Path, capsys: object) -> None:
    del capsys
    result = CliRunner().invoke(app, ["reconvert", "nowhere", *WHY, "--data", str(tmp_path)])
    assert result.exit_code == 1
    assert "nowhere" in result.output


def test_a_time_that_is_none_is_told(tmp_path: Path) -> None:
    command = ["reconvert", "x", "--since", "yesterday", "--why", "tests", "--data", str(tmp_path)]
    result = CliRunner().invoke(app, command)
    assert result.exit_code == 1
    assert "yesterday" in result.output
