"""The command line: what each command answers, how it fails, and that it stops when told to."""

import logging
import os
import subprocess
import sys
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import NamedTuple

import pytest

from service import main

LINKLAG = [sys.executable, "-P", "-c", "from service.main import run; run()"]
ADD = ("drive", "add", "infeed-2", "-n", "24", "-d", "0.1", "--chain", "16B-1", "--driven-teeth", "57")
HEAVY = (
    "numpy",
    "sqlalchemy",
    "pydantic",
    "fastapi",
    "uvicorn",
    "paho",
    "alembic",
    "structlog",
    "prometheus_client",
)


class Said(NamedTuple):
    code: int
    out: str
    err: str


Cli = Callable[..., Said]


@pytest.fixture
def cli(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str]) -> Iterator[Cli]:
    """Run the command line in this process, with settings and data of the test's own."""
    for name in list(os.environ):
        if name.startswith("LINKLAG_"):
            monkeypatch.delenv(name)
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("LINKLAG_STORE__FOLDER", str(tmp_path / "data"))

    def call(*arguments: str) -> Said:
        monkeypatch.setattr(sys, "argv", ["linklag", *arguments])
        capfd.readouterr()
        with pytest.raises(SystemExit) as left:
            main.run()
        code = left.value.code
        assert isinstance(code, int)
        return Said(code, *capfd.readouterr())

    handlers, level = logging.root.handlers[:], logging.root.level
    yield call
    logging.root.handlers[:], logging.root.level = handlers, level


# Help


def test_help_answers_without_loading_what_only_a_command_needs() -> None:
    program = f"import service.main, sys; print([name for name in {HEAVY!r} if name in sys.modules])"
    done = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"


def test_help_says_what_linklag_is_and_lists_every_command(cli: Cli) -> None:
    said = cli("--help")
    assert said.code == 0
    for word in ("elongation", "no safety function", "LINKLAG_BROKER__HOST", "linklag demo", "UTC"):
        assert word in said.out
    for command in ("demo", "run", "worker", "web", "sim", "check", "drive", "version"):
        assert f"\n  {command} " in said.out


@pytest.mark.parametrize("command", ["demo", "run", "worker", "web", "check", "version"])
def test_help_of_each_command_is_readable(cli: Cli, command: str) -> None:
    said = cli(command, "--help")
    assert said.code == 0
    assert said.out.startswith(f"Usage: linklag {command}")
    assert "\\b" not in said.out
    assert "\b" not in said.out


@pytest.mark.parametrize("arguments", [("-h",), ("--help",), ("run", "-h"), ("run", "nosuch")])
def test_the_simulator_names_the_command_as_it_was_typed(arguments: tuple[str, ...]) -> None:
    command = [*LINKLAG, "sim", *arguments]
    told = subprocess.run(command, capture_output=True, text=True, check=False)
    said = " ".join((told.stdout + told.stderr).split())
    assert f"Usage: linklag sim {'run ' if 'run' in arguments else ''}[OPTIONS]" in said
    assert "sensors_sim" not in said


@pytest.mark.parametrize("command", ["add", "list", "show", "import", "export"])
def test_help_of_each_drive_command_is_readable(cli: Cli, command: str) -> None:
    said = cli("drive", command, "--help")
    assert said.code == 0
    assert "\b" not in said.out


def test_help_of_add_says_how_to_stay_safe_at_the_drive(cli: Cli) -> None:
    assert "lock out and tag out" in cli("drive", "add", "--help").out


def test_version_is_that_of_the_package(cli: Cli) -> None:
    assert cli("version") == Said(0, "linklag 0.1.0\n", "")


@pytest.mark.parametrize(
    "arguments", [("nonsense",), ("run", "--port", "0"), ("drive", "show"), ("run", "--nosuch")]
)
def test_wrong_use_is_code_2(cli: Cli, arguments: tuple[str, ...]) -> None:
    said = cli(*arguments)
    assert said.code == 2
    assert "Traceback" not in said.err


# Settings


@pytest.mark.parametrize("command", [("run",), ("worker",), ("web",), ("check",), ("drive", "list")])
def test_wrong_settings_are_code_2_with_the_key_named(
    cli: Cli, command: tuple[str, ...], tmp_path: Path
) -> None:
    (tmp_path / "linklag.toml").write_text("[broker]\nhots = 1883\n")
    said = cli(*command)
    assert said.code == 2
    assert said.err == "linklag: linklag.toml: unknown key broker.hots: did you mean broker.host?\n"


def test_missing_settings_file_is_code_2(cli: Cli) -> None:
    said = cli("drive", "list", "--config", "nowhere.toml")
    assert (said.code, said.out) == (2, "")
    assert "nowhere.toml does not exist" in said.err


def test_data_option_wins_over_settings(cli: Cli, tmp_path: Path) -> None:
    assert cli(*ADD, "--data", str(tmp_path / "elsewhere")).code == 0
    assert (tmp_path / "elsewhere" / "linklag.db").exists()
    assert not (tmp_path / "data").exists()


# Drives


def test_drive_that_was_added_is_listed_and_shown(cli: Cli) -> None:
    said = cli(*ADD)
    assert said.code == 0
    assert "added infeed-2: limit 3 %, bound by general" in said.err
    assert "linklag/v1/infeed-2/pulses" in said.err
    assert "infeed-2" in cli("drive", "list").out
    shown = cli("drive", "show", "infeed-2").out
    assert "16B-1" in shown
    assert "612.14" in shown  # spacing: 24.1 pitches of 25.4 mm


def test_drive_without_sensors_is_added_listed_and_shown(cli: Cli) -> None:
    said = cli("drive", "add", "hoist", "--chain", "16B-1")
    assert said.code == 0
    assert "no sensors: measured by hand" in said.err
    assert "no sensors" in cli("drive", "list").out
    shown = cli("drive", "show", "hoist")
    assert (shown.code, "chain spacing_mm" in shown.out) == (0, False)


def test_delay_and_strain_are_given_with_their_uncertainties(cli: Cli) -> None:
    given = (
        "--delay",
        "85",
        "--delay-u",
        "4",
        "--load-ref",
        "2000",
        "--strain",
        "0.02",
        "--strain-u",
        "0.003",
    )
    assert cli(*ADD, *given).code == 0
    shown = cli("drive", "show", "infeed-2").out
    for name, value in (
        ("delay_us", "85"),
        ("delay_u_us", "4"),
        ("load_ref_n", "2000"),
        ("strain_pct_per_kn", "0.02"),
        ("strain_u_pct_per_kn", "0.003"),
    ):
        assert [line.split()[1] for line in shown.splitlines() if line.startswith(f"{name} ")] == [value]


def test_limit_and_its_reason_are_told(cli: Cli) -> None:
    said = cli("drive", "add", "lift", "-n", "10", "--driven-teeth", "100", "--limit", "2.5")
    assert "limit 2 %, bound by large_sprocket" in said.err
    assert "no chain yet" in said.err


def test_all_that_is_wrong_with_a_drive_is_told_in_one_line(cli: Cli) -> None:
    said = cli("drive", "add", "Ä", "-n", "0")
    assert said.code == 1
    assert "drive_id: 'Ä' is no id" in said.err
    assert "whole_pitches: 0 is not within 1 to 1000" in said.err
    assert said.err.count("\n") == 1


@pytest.mark.parametrize(
    ("more", "told"),
    [
        (("--chain", "99Z"), "not in the catalogue"),
        (("--chain", "16B-1", "--pitch", "19.05"), "25.4"),
        (("--chain", "16B-1", "--fitted", "2026-13-01"), "give 2026-03-01"),
        (("--chain", "16B-1", "--fitted", "2099-01-01"), "lies ahead of now"),
        (("--strands", "2"), "pitch"),
    ],
)
def test_wrong_chain_leaves_no_drive_behind(cli: Cli, more: tuple[str, ...], told: str) -> None:
    said = cli("drive", "add", "infeed-2", "-n", "24", *more)
    assert said.code == 1
    assert told in said.err
    assert "Traceback" not in said.err
    assert cli("drive", "list").out == ""


def test_drive_is_added_once(cli: Cli) -> None:
    assert cli("drive", "add", "infeed-2", "-n", "24").code == 0
    again = cli("drive", "add", "infeed-2", "-n", "24")
    other = cli("drive", "add", "infeed-2", "-n", "25")
    assert (again.code, other.code) == (1, 1)
    assert "registered already" in again.err
    assert "registered already" in other.err


def test_drive_that_nobody_registered_cannot_be_shown(cli: Cli) -> None:
    said = cli("drive", "show", "nowhere")
    assert (said.code, said.out) == (1, "")
    assert "nowhere" in said.err


@pytest.mark.parametrize("form", ["csv", "toml"])
def test_export_is_imported_back_the_same_into_an_empty_register(cli: Cli, form: str, tmp_path: Path) -> None:
    cli(*ADD, "--name", 'Größe, "2"; =1')
    cli("drive", "add", "free", "-n", "3", "--pitch", "200", "--loop", "60", "--fitted", "2026-01-02")
    file = f"drives.{form}"
    assert cli("drive", "export", file).code == 0
    new = ("--data", str(tmp_path / "new"))
    preview = cli("drive", "import", file, "--dry-run", *new)
    assert (preview.code, preview.err) == (0, "would be added: 2 (free, infeed-2)\n")
    assert cli("drive", "list", *new).out == ""
    assert cli("drive", "import", file, *new).err == "added: 2 (free, infeed-2)\n"
    assert cli("drive", "import", file, *new).err == "unchanged: 2 (free, infeed-2)\n"
    exported = cli("drive", "export", "-", "--format", form, *new)
    assert (
        exported.out == Path(file).read_bytes().decode().replace("\r\n", "\n")
        or exported.out == Path(file).read_bytes().decode()
    )


def test_import_reads_standard_input(cli: Cli, tmp_path: Path) -> None:
    table = "drive_id,whole_pitches,chain_designation,chain_fitted_utc\n" + "".join(
        f"d{number:03},20,08B-1,2026-01-02\n" for number in range(200)
    )
    environ = {**os.environ, "LINKLAG_STORE__FOLDER": str(tmp_path / "data")}
    done = subprocess.run(
        [*LINKLAG, "drive", "import", "-", "--format", "csv"],
        input=table,
        capture_output=True,
        text=True,
        env=environ,
        check=False,
    )
    assert (done.returncode, done.stdout) == (0, "")
    assert done.stderr.startswith("added: 200 (d000, d001, ")
    assert done.stderr.endswith("d009, and 190 more)\n")
    assert len(cli("drive", "list").out.splitlines()) == 201


def test_file_with_anything_wrong_is_not_taken_and_each_line_of_it_is_told(cli: Cli, tmp_path: Path) -> None:
    (tmp_path / "bad.csv").write_text("drive_id,whole_pitches\ngood,20\nbad,0\nBAD,7\n")
    said = cli("drive", "import", "bad.csv")
    assert said.code == 1
    assert "nothing was imported" in said.err
    assert "line 3" in said.err
    assert "line 4" in said.err
    assert cli("drive", "list").out == ""


def test_drive_that_contradicts_the_register_is_refused_and_the_others_go_in(
    cli: Cli, tmp_path: Path
) -> None:
    cli("drive", "add", "one", "-n", "20")
    (tmp_path / "two.csv").write_text("drive_id,whole_pitches\none,21\ntwo,20\n")
    said = cli("drive", "import", "two.csv")
    assert said.code == 1
    assert "added: 1 (two)" in said.err
    assert "refused: one" in said.err
    assert cli("drive", "import", "two.csv", "--replace").err.startswith("changed: 1 (one)")


@pytest.mark.parametrize(
    ("arguments", "told"),
    [
        (("import", "nowhere.csv"), "nowhere.csv cannot be read: No such file"),
        (("import", "drives.txt"), "is drives.txt CSV or TOML?"),
        (("export", "-"), "give --format".lower()),
        (("export", "no/such/folder.csv"), "cannot be written: No such file"),
    ],
)
def test_file_that_cannot_be_used_is_told_in_one_line(
    cli: Cli, arguments: tuple[str, ...], told: str
) -> None:
    said = cli("drive", *arguments)
    assert said.code == 1
    assert told in said.err.lower() or told in said.err
    assert said.err.count("\n") == 1


def test_store_that_is_no_store_is_told_in_one_line(cli: Cli, tmp_path: Path) -> None:
    (tmp_path / "data").mkdir()
    (tmp_path / "data" / "linklag.db").write_bytes(b"This is a shopping list." * 100)
    said = cli("drive", "list")
    assert said.code == 1
    assert "linklag.db" in said.err
    assert "Traceback" not in said.err


def test_folder_that_cannot_be_made_is_told_in_one_line(cli: Cli, tmp_path: Path) -> None:
    (tmp_path / "data").write_text("in the way")
    said = cli("drive", "list")
    assert said.code == 1
    assert "correct --data or store.folder" in said.err
