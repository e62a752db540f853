"""What people are told to type, what CI runs and what the package declares are the same."""

import os
import re
import shlex
import subprocess
import tomllib
from pathlib import Path
from typing import Any

import pytest
from typer.main import get_command

from service.main import app, run

ROOT = Path(__file__).parents[1]
RUN = ROOT / ".ci" / "run"
DEMO_COMMAND = "python3 -m venv .venv && .venv/bin/pip install -q -e '.[demo]' && .venv/bin/linklag demo"
TEST_COMMAND = "python3 -m venv .venv && .venv/bin/pip install -q -e '.[test]' && .venv/bin/pytest"


@pytest.fixture(scope="module")
def project() -> dict[str, Any]:
    return tomllib.loads((ROOT / "pyproject.toml").read_text())


@pytest.mark.parametrize("command", [DEMO_COMMAND, TEST_COMMAND])
def test_readme_gives_the_two_commands_as_lines_of_their_own(command: str) -> None:
    assert command in [line.strip() for line in (ROOT / "README.md").read_text().splitlines()]


def commands_in(text: str) -> list[list[str]]:
    """Return the `linklag` commands that the fences of a document tell people to type."""
    fences = re.findall(r"(?s)```(?:sh|bash|console)\n(.*?)```", text)
    lines = "\n".join(fences).replace("\\\n", " ").splitlines()
    return [shlex.split(line, comments=True)[1:] for line in lines if line.startswith("linklag ")]


@pytest.mark.parametrize(
    "words", commands_in((ROOT / "README.md").read_text()), ids=lambda words: " ".join(words)[:40]
)
def test_each_command_of_the_readme_exists_with_its_options(words: list[str]) -> None:
    command: Any = get_command(app)
    while words and words[0] in getattr(command, "commands", {}):
        command = command.commands[words.pop(0)]
    assert not hasattr(command, "commands"), f"there is no command {words[0]}"
    known = {option for parameter in command.params for option in parameter.opts}
    assert {word for word in words if word.startswith("-") and word != "-"} <= known


def test_ci_ends_with_exactly_the_test_command_of_the_readme_and_lets_nothing_skip() -> None:
    lines = [line for line in RUN.read_text().splitlines() if line.strip()]
    assert lines[-1] == TEST_COMMAND
    assert lines[-2].startswith("export LINKLAG_REQUIRE_ALL=1")


def test_ci_is_an_executable_bash_script_that_stops_at_the_first_failure() -> None:
    assert os.access(RUN, os.X_OK)
    assert RUN.read_text().startswith("#!/usr/bin/env bash\n")
    assert "\nset -euo pipefail\n" in RUN.read_text()
    assert subprocess.run(["bash", "-n", str(RUN)], check=False).returncode == 0


@pytest.mark.parametrize(
    "check", ["ruff format --check .", "ruff check .", "mypy", "mypy tests", "lint-imports"]
)
def test_ci_runs_each_check(check: str) -> None:
    assert f"\n.venv/bin/{check}\n" in RUN.read_text()


def test_commands_install_extras_that_the_package_has(project: dict[str, Any]) -> None:
    told = set(re.findall(r"-e '\.\[(\w+)\]'", RUN.read_text() + DEMO_COMMAND + TEST_COMMAND))
    assert told == {"demo", "dev", "test"}
    assert told <= set(project["project"]["optional-dependencies"])


def test_command_of_the_package_exists(project: dict[str, Any]) -> None:
    assert project["project"]["scripts"]["linklag"] == "service.main:run"
    assert callable(run)


def test_every_folder_at_the_top_is_packaged_or_tests_or_deploy(project: dict[str, Any]) -> None:
    made = {"build", "dist", "__pycache__"}
    tops = {path.name for path in ROOT.iterdir() if path.is_dir() and not path.name.startswith(".")}
    packages = set(project["tool"]["hatch"]["build"]["targets"]["wheel"]["packages"])
    assert {top for top in tops - made if not top.endswith(".egg-info")} == packages | {"tests", "deploy"}
