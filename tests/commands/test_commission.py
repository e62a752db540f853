"""`linklag commission`: steps as they turn, the baseline at the end, and what it asks for."""

import dataclasses
import os
import time
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

import pytest

from sensors_sim.sensor import Sensor
from service.adapters.database.connect import Database, open_database
from service.commands import CommandError
from service.commands.steps_live import EVERY_S, Wanted, follow
from service.core.batch import Batch
from service.settings import Settings, read_settings
from tests.commands.command_line import Cli, command_line
from tests.core.running import Running, S, exchanged, sent

SOUND = Running()
SENT = SOUND.batches()
SHAFT = 1000 * 60 / (19 * 12.7)
TAKE = ("--baseline", "new", "--by", "A. Kern", "--why", "new chain fitted")


@pytest.fixture
def cli(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str]) -> Iterator[Cli]:
    """Run the command line in this process, with data of the test's own."""
    with command_line(tmp_path, monkeypatch, capfd) as call:
        yield call


def stored(folder: Path) -> Database:
    return open_database(f"sqlite:///{folder}/linklag.db")


def with_batches(folder: Path, batches: Sequence[Batch], *, new: bool = True) -> None:
    """Store the drive, if it is new, and these batches, the newest ended a second ago."""
    database = stored(folder)
    if new:
        database.register.add_drive(SOUND.drive)
        database.register.fit_chain(SOUND.chain)
    if batches:
        later_ns = time.time_ns() - S - batches[-1].end_ns
        moved = [dataclasses.replace(each, t0_ns=each.t0_ns + later_ns) for each in batches]
        database.raw_batches.keep([sent(each) for each in moved])
    database.close()


def test_a_drive_that_is_ready_says_so_and_how_to_take_the_baseline(cli: Cli, tmp_path: Path) -> None:
    with_batches(tmp_path, SENT)
    said = cli("commission", "d", "--shaft", f"{SHAFT:.2f}")
    assert said.code == 0
    assert "passed   up comes before down: The links' own lengths match 24.28 pitches on" in said.out
    assert "passed   Speed agrees with the shaft: 0.999 m/s" in said.out
    assert "waiting  Baseline: Ready: N0 = 24.28" in said.out
    assert (
        "take it with --baseline new (e0 = 0.075 %, u 0.043 %; new chain, 0 to +0.15 % by ISO 606)"
        in said.err
    )


def test_the_baseline_is_taken_once_it_is_ready(cli: Cli, tmp_path: Path) -> None:
    with_batches(tmp_path, SENT)
    said = cli("commission", "d", *TAKE)
    assert said.code == 0
    assert "baseline of d/1 recorded by A. Kern: N0 = 24.28" in said.err
    database = stored(tmp_path)
    (made,) = database.register.baselines("d/1")
    database.close()
    assert made.why == "new chain fitted; new chain, 0 to +0.15 % by ISO 606"
    assert made.up_alternation_pct is not None


def test_a_delay_that_is_found_is_taken_off_and_the_baseline_then_taken(cli: Cli, tmp_path: Path) -> None:
    unequal = Running(speeds=(0.6, 1.2), down=Sensor(delay_s=1e-4))
    with_batches(tmp_path, unequal.batches())
    left = cli("commission", "d", "--once")
    assert left.code == 1
    assert "> To have it taken off: --delay --by NAME --why TEXT" in left.out
    said = cli("commission", "d", "--delay", *TAKE)
    assert said.code == 0
    assert "is taken off from now on\nbaseline of d/1 recorded by A. Kern" in said.err
    database = stored(tmp_path)
    drive = database.register.drive("d")
    database.close()
    assert drive.delay_us == pytest.approx(100, abs=3 * drive.delay_u_us)
    assert "new chain fitted" in drive.note


def test_no_delay_is_taken_off_where_none_was_found(cli: Cli, tmp_path: Path) -> None:
    with_batches(tmp_path, SENT)
    said = cli("commission", "d", "--delay", *TAKE)
    assert said.code == 0
    assert "taken off from now on" not in said.err


@pytest.mark.parametrize("value", ["0.1+-0.02", "0.1±0.02", "0,1 +/- 0,02"])
def test_a_value_of_ones_own_is_taken(cli: Cli, tmp_path: Path, value: str) -> None:
    with_batches(tmp_path, SENT)
    assert cli("commission", "d", "--baseline", value, "--by", "A. Kern", "--why", "by tape").code == 0
    database = stored(tmp_path)
    (made,) = database.register.baselines("d/1")
    database.close()
    assert (made.elongation_pct, made.elongation_u_pct) == (0.1, 0.02)


def test_once_prints_the_steps_and_leaves_with_1_while_not_ready(cli: Cli, tmp_path: Path) -> None:
    with_batches(tmp_path, exchanged(SENT))
    said = cli("commission", "d", "--once")
    assert said.code == 1
    assert (
        "FAILED   up comes before down: The links' own lengths match 24.28 pitches the other way round"
        in said.out
    )
    assert "> Exchange the plugs of `up` and `down` at the device" in said.out
    assert "> At the drive: lock out and tag out first." in said.out
    assert said.err == "not ready for a baseline yet\n"
    fresh = cli("commission", "d", "--once", "--since", "now")
    assert "waiting  Both sensors pulse: No batch has come." in fresh.out


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (("nobody", "--once"), "nobody"),
        (("d", "--baseline", "new"), "give --by and --why"),
        (("d", "--delay", "--by", "x"), "who has the delay taken off and why: give --by and --why"),
        (
            ("d", "--baseline", "guess", "--by", "x", "--why", "y"),
            "a value with its uncertainty such as 0.42+-0.05",
        ),
        (("d", "--baseline", "hand", "--by", "x", "--why", "y"), "was not measured by hand"),
        (("d", "--shaft", "-4"), "--shaft: -4 is no speed of a shaft"),
        (("d", "--since", "yesterday"), "--since: 'yesterday' is no RFC 3339 time"),
        (
            ("d", "--baseline", "0.1+-30", "--by", "x", "--why", "y"),
            "elongation_u_pct: 30.0 is not within 0 to 10",
        ),
    ],
)
def test_what_is_wrong_is_one_line_that_says_the_fix(
    cli: Cli, tmp_path: Path, arguments: tuple[str, ...], said: str
) -> None:
    with_batches(tmp_path, SENT)
    answer = cli("commission", *arguments)
    assert answer.code == 1
    assert said in answer.err
    assert "Traceback" not in answer.err


def test_help_says_what_it_is_and_the_cautions(cli: Cli) -> None:
    said = cli("commission", "--help")
    assert said.code == 0
    for word in ("--baseline", "0.42+-0.05", "lock out and tag out", "Ctrl-C"):
        assert word in said.out


def test_steps_are_printed_as_they_turn_and_only_then(
    tmp_path: Path, capfd: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Batches come while it waits; each step is printed at first and when its state turns."""
    settings = settings_in(tmp_path, monkeypatch)
    with_batches(tmp_path, [])
    coming = [SENT[:2], SENT[:2], SENT[:8], SENT]
    waits: list[float] = []

    def wait(seconds: float) -> None:
        waits.append(seconds)
        database = stored(tmp_path)
        database.raw_batches.forget(2**62)
        database.close()
        with_batches(tmp_path, coming.pop(0), new=False)

    assert follow(settings, Wanted(drive_id="d"), wait=wait) == 0
    out = capfd.readouterr().out
    assert len(waits) >= 2
    assert set(waits) == {EVERY_S}
    turns = [
        line.split(" Both sensors pulse: ")[0].split()[-1]
        for line in out.splitlines()
        if " Both sensors pulse: " in line
    ]
    assert turns == ["waiting", "passed"]
    assert out.count("The lag is steady:") == 2


def test_ctrl_c_ends_it_in_one_line(
    tmp_path: Path, capfd: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    settings = settings_in(tmp_path, monkeypatch)
    with_batches(tmp_path, [])

    def wait(_seconds: float) -> None:
        raise KeyboardInterrupt

    assert follow(settings, Wanted(drive_id="d"), wait=wait) == 1
    assert capfd.readouterr().err.endswith("ended; not ready for a baseline yet\n")


def test_nothing_is_asked_of_the_store_before_who_and_why_are_given(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    with pytest.raises(CommandError, match="--by and --why"):
        follow(settings_in(tmp_path / "none", monkeypatch), Wanted(drive_id="d", e0="new", by="A. Kern"))
    assert not (tmp_path / "none").exists()


def settings_in(folder: Path, monkeypatch: pytest.MonkeyPatch) -> Settings:
    for name in list(os.environ):
        if name.startswith("LINKLAG_"):
            monkeypatch.delenv(name)
    overrides: dict[str, dict[str, Any]] = {"store": {"folder": folder, "url": ""}}
    return read_settings(None, overrides)
