"""`linklag drive take-off`, `event` and `lives`."""

import time
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from service.adapters.database.connect import open_database
from service.core.upkeep import UpkeepKind
from tests.commands.command_line import Cli, command_line
from tests.contracts.given import S, a_reading

ADD = ("drive", "add", "infeed-2", "-n", "20", "--chain", "16B-1", "--loop", "120", "--fitted", "2026-01-01")


@pytest.fixture
def cli(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str]) -> Iterator[Cli]:
    """Run the command line in this process, with data of the test's own and one drive."""
    with command_line(tmp_path, monkeypatch, capfd) as call:
        assert call(*ADD).code == 0
        yield call


def test_a_chain_comes_off_with_what_is_known_of_it(cli: Cli, tmp_path: Path) -> None:
    database = open_database(f"sqlite:///{tmp_path}/linklag.db")
    t_ns = time.time_ns() - 60 * S
    chain_id = database.register.chains("infeed-2")[0].chain_id
    reading = replace(
        a_reading(0, 1.25), drive_id="infeed-2", chain_id=chain_id, t_ns=t_ns, t0_ns=t_ns - 10 * S
    )
    database.readings.store([reading])
    database.close()
    said = cli("drive", "take-off", "infeed-2", "--kind", "worn", "--why", "at its limit")
    assert said.code == 0
    assert "elongation 1.25 % +/- 0.02 % (live)" in said.out
    assert f"{chain_id} is off infeed-2: worn" in said.err
    told = cli("drive", "lives", "infeed-2")
    assert "worn" in told.out
    assert "at its limit" in told.out
    again = cli("drive", "take-off", "infeed-2")
    assert again.code == 1
    assert "no chain is on infeed-2 now" in again.err


def test_what_a_person_says_goes_first(cli: Cli) -> None:
    said = cli(
        "drive", "take-off", "infeed-2", "--kind", "broken", "--elongation", "2.1", "--elongation-u", "0.1",
        "--removed", "2026-02-01",
    )  # fmt: skip
    assert "31 days" in said.out
    assert "elongation 2.10 % +/- 0.20 % (said)" in said.out


def test_a_chain_that_was_never_measured_says_so(cli: Cli) -> None:
    assert "its elongation was never measured" in cli("drive", "take-off", "infeed-2").out


@pytest.mark.parametrize(
    ("arguments", "fix"),
    [
        (("take-off", "infeed-2", "--removed", "2099-01-01"), "--removed: lies ahead of now"),
        (("take-off", "infeed-2", "--removed", "soon"), "--removed:"),
        (("take-off", "infeed-2", "--elongation", "99"), "--elongation:"),
        (("take-off", "none"), "none"),
        (("event", "infeed-2", "lubricant-changed"), "--lubricant: say which lubricant"),
        (("event", "infeed-2", "other"), "--note: say what was done"),
        (("event", "infeed-2", "cleaned", "--at", "2099-01-01"), "--at: lies ahead of now"),
        (("lives", "none"), "none"),
    ],
)
def test_what_cannot_be_is_told_by_its_option_and_stores_nothing(
    cli: Cli, tmp_path: Path, arguments: tuple[str, ...], fix: str
) -> None:
    said = cli("drive", *arguments)
    assert said.code == 1
    assert fix in said.err
    database = open_database(f"sqlite:///{tmp_path}/linklag.db")
    assert database.upkeep_log.of() == []
    assert database.register.chains("infeed-2")[0].removed_ns is None
    database.close()


def test_what_was_done_is_recorded(cli: Cli, tmp_path: Path) -> None:
    said = cli(
        "drive", "event", "infeed-2", "lubricant-changed", "--lubricant", "oil ISO VG 150", "--at", "2026-03-01",
        "--by", "A. Vogt",
    )  # fmt: skip
    assert (said.code, "event 1" in said.err) == (0, True)
    database = open_database(f"sqlite:///{tmp_path}/linklag.db")
    (done,) = database.upkeep_log.of("infeed-2")
    database.close()
    assert (done.kind, done.lubricant, done.by) == (
        UpkeepKind.LUBRICANT_CHANGED,
        "oil ISO VG 150",
        "A. Vogt",
    )


def test_a_drive_without_chains_says_so(cli: Cli) -> None:
    assert cli("drive", "add", "saw", "-n", "20").code == 0
    assert "no chain was ever on saw" in cli("drive", "lives", "saw").err


def test_lives_of_a_chain_that_is_on(cli: Cli) -> None:
    assert "it is on" in cli("drive", "lives", "infeed-2").out
