"""`linklag backup` and `linklag restore`, as typed."""

import os
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.commands.command_line import Cli, command_line

ADD = ("drive", "add", "infeed-2", "-n", "24", "--chain", "16B-1", "--driven-teeth", "57")


@pytest.fixture
def cli(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str]) -> Iterator[Cli]:
    with command_line(tmp_path, monkeypatch, capfd) as call:
        yield call


def test_a_drive_added_after_the_backup_is_gone_after_the_restore(cli: Cli, tmp_path: Path) -> None:
    assert cli(*ADD).code == 0
    said = cli("backup", str(tmp_path / "copy.db"))
    assert (said.code, said.err) == (0, "")
    assert "sound" in said.out
    assert cli("drive", "add", "late", *ADD[3:]).code == 0
    said = cli("restore", str(tmp_path / "copy.db"))
    assert said.code == 0
    assert ".aside: what was there before" in said.out
    listed = cli("drive", "list").out
    assert "infeed-2" in listed
    assert "late" not in listed


def test_who_has_readings_elsewhere_is_told_that_they_are_not_in_the_copy(
    cli: Cli, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert cli(*ADD).code == 0
    assert "InfluxDB" not in cli("backup", str(tmp_path / "one.db")).out
    monkeypatch.setenv("LINKLAG_INFLUX__URL", "http://127.0.0.1:1")
    said = cli("backup", str(tmp_path / "two.db"))
    assert said.code == 0
    assert "readings and roll-ups are not in it: back up http://127.0.0.1:1 after this" in said.out


def test_a_folder_keeps_the_newest_and_touches_nothing_else(cli: Cli, tmp_path: Path) -> None:
    assert cli(*ADD).code == 0
    folder = tmp_path / "backups"
    folder.mkdir()
    for name in ("linklag-2026-01-01T020000Z.db", "linklag-2026-01-02T020000Z.db", "letter.db"):
        (folder / name).write_bytes(b"")
    assert cli("backup", str(folder), "--keep", "2").code == 0
    names = sorted(path.name for path in folder.iterdir())
    assert names[:2] == ["letter.db", "linklag-2026-01-02T020000Z.db"]
    assert len(names) == 3
    assert (folder / names[2]).stat().st_size > 0


def test_what_somebody_named_is_kept_and_so_is_the_one_just_made(cli: Cli, tmp_path: Path) -> None:
    """The second of the names is of a clock that ran far ahead once."""
    assert cli(*ADD).code == 0
    folder = tmp_path / "backups"
    folder.mkdir()
    named = ["linklag-2026-01-01T020000Z.db", "linklag-2199-01-01T020000Z.db", "linklag-before-upgrade.db"]
    for name in named:
        (folder / name).write_bytes(b"")
    assert cli("backup", str(folder), "--keep", "1").code == 0
    kept = {path.name: path.stat().st_size for path in folder.iterdir()}
    assert kept.pop("linklag-before-upgrade.db") == 0
    assert [size > 0 for size in kept.values()] == [True]


def test_what_backups_that_were_cut_off_left_goes_after_a_day(cli: Cli, tmp_path: Path) -> None:
    assert cli(*ADD).code == 0
    folder = tmp_path / "backups"
    folder.mkdir()
    old, new = (folder / f".linklag-2026-01-0{day}T020000Z.db.part" for day in (1, 2))
    for part in (old, new):
        part.write_bytes(b"half")
    os.utime(old, (1e9, 1e9))
    assert f"{old}: deleted, cut off" in cli("backup", str(folder), "--keep", "9").out
    assert (old.exists(), new.exists()) == (False, True)


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (("backup", "copy.db"), "there is no store at"),
        (("restore", "copy.db"), "there is no file copy.db"),
        (("backup", "copy.db", "--keep", "3"), "name a folder that is there"),
    ],
)
def test_what_cannot_be_done_is_one_line_and_code_1(cli: Cli, words: tuple[str, ...], told: str) -> None:
    said = cli(*words)
    assert said.code == 1
    assert said.err.startswith("linklag: ")
    assert told in said.err
    assert len(said.err.splitlines()) == 1
