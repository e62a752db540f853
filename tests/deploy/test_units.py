"""The units of deploy/systemd: systemd understands them, finds little to reach from within, and linklag their commands."""

import re
import shlex
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest
from typer.main import get_command

from service.main import app
from tests.conftest import needs

UNITS = Path(__file__).parents[2] / "deploy" / "systemd"
SERVICES = sorted(UNITS.glob("*.service"))
EXPOSURE_MAX = {"linklag-backup": 0.5}  # of 10, by systemd 252; the others must reach the network
NETWORK_EXPOSURE_MAX = 1.2


def values_of(unit: Path, key: str) -> list[str]:
    return [line.split("=", 1)[1] for line in unit.read_text().splitlines() if line.startswith(f"{key}=")]


def test_there_is_one_for_each_part_that_can_run_apart() -> None:
    assert [unit.stem for unit in SERVICES] == [
        "linklag-backup",
        *(f"linklag-{part}" for part in ("deliver", "watch", "web", "worker")),
    ]


@pytest.mark.parametrize("unit", SERVICES, ids=lambda unit: unit.stem)
def test_what_it_starts_is_a_command_with_its_options(unit: Path) -> None:
    (line,) = values_of(unit, "ExecStart")
    program, name, *words = shlex.split(line)
    assert program == "/opt/linklag/bin/linklag"
    command: Any = get_command(app)
    known = {option for parameter in command.commands[name].params for option in parameter.opts}
    assert {word for word in words if word.startswith("-")} <= known


@pytest.mark.parametrize("unit", SERVICES, ids=lambda unit: unit.stem)
def test_systemd_understands_every_line(unit: Path, tmp_path: Path) -> None:
    systemd_analyze = needs("systemd-analyze", why="apt-get install systemd")
    text = unit.read_text().replace("/opt/linklag/bin/linklag", sys.executable)
    text = re.sub(r"(?m)^(After|Wants)=.*\n", "", text)  # units of the machine, which may have others
    (tmp_path / unit.name).write_text(text)
    done = subprocess.run(
        [systemd_analyze, "verify", "--man=no", str(tmp_path / unit.name)],
        capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert [line for line in done.stderr.splitlines() if unit.name in line] == []


@pytest.mark.parametrize("unit", SERVICES, ids=lambda unit: unit.stem)
def test_little_can_be_reached_from_within(unit: Path) -> None:
    systemd_analyze = needs("systemd-analyze", why="apt-get install systemd")
    done = subprocess.run(
        [systemd_analyze, "security", "--offline=yes", "--no-pager", str(unit)],
        capture_output=True, text=True, check=True,
    )  # fmt: skip
    score = re.search(r"Overall exposure level for \S+: ([\d.]+)", done.stdout)
    assert score is not None, done.stdout
    assert float(score[1]) <= EXPOSURE_MAX.get(unit.stem, NETWORK_EXPOSURE_MAX)
    assert values_of(unit, "User") == ["linklag"]
