"""The commands, as somebody at a shell meets them."""

import json
import signal
import subprocess
import sys
import time
import tomllib
from pathlib import Path
from typing import Any

import pytest
from paho.mqtt import subscribe
from paho.mqtt.enums import MQTTProtocolVersion
from typer.testing import CliRunner

from sensors_sim.main import app
from sensors_sim.plant import BRICKWORKS
from sensors_sim.scenario import SCENARIOS
from tests.conftest import Mosquitto, free_port

ROOT = Path(__file__).parents[2]


def start(*arguments: str) -> subprocess.Popen[str]:
    return subprocess.Popen(
        [sys.executable, "-m", "sensors_sim", *arguments],
        cwd=ROOT,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )


def status(port: int, drive_id: str) -> dict[str, Any]:
    """The retained status of a drive."""
    message = subscribe.simple(  # type: ignore[no-untyped-call]
        f"linklag/v1/{drive_id}/status", hostname="127.0.0.1", port=port, protocol=MQTTProtocolVersion.MQTTv5
    )
    read: dict[str, Any] = json.loads(message.payload)
    return read


def test_list_names_every_plant_and_scenario_with_its_sentence() -> None:
    shown = CliRunner().invoke(app, ["list"]).output
    for name, scenario in SCENARIOS.items():
        assert f"  {name} " in shown
        assert scenario.about in shown
    assert BRICKWORKS.about in shown


def test_register_prints_toml_of_a_plant_or_a_scenario() -> None:
    plant = tomllib.loads(CliRunner().invoke(app, ["register", "brickworks"]).output)
    assert len(plant["drive"]) == len(BRICKWORKS.drives) - 1
    copies = tomllib.loads(CliRunner().invoke(app, ["register", "steady", "--copies", "3"]).output)
    assert [row["drive_id"] for row in copies["drive"]] == ["steady", "steady-2", "steady-3"]
    assert len({row["chain_id"] for row in copies["drive"]}) == 3


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (["run", "stedy"], "there is no 'stedy'"),
        (["register", "stedy"], "there is no 'stedy'"),
        (["run", "steady", "--username", "me"], "needs --password-file"),
        (["run", "steady", "--password-file", "/nonexistent"], "needs --username"),
        (["run", "steady", "--username", "me", "--password-file", "/nonexistent"], "cannot read"),
        (["run", "steady", "--tls-ca", "/nonexistent"], "there is no file"),
        (["run", "steady", "--window-s", "0"], "--window-s"),
    ],
)
def test_a_wrong_command_line_is_refused_with_the_fix(arguments: list[str], said: str) -> None:
    result = CliRunner().invoke(app, arguments, env={"COLUMNS": "200", "TERM": "dumb"})
    assert result.exit_code == 2
    assert said in " ".join(result.output.split())


def test_an_empty_password_file_is_an_error(tmp_path: Path) -> None:
    empty = tmp_path / "password"
    empty.write_text("\nsecond line\n")
    result = CliRunner().invoke(app, ["run", "steady", "--username", "me", "--password-file", str(empty)])
    assert result.exit_code == 2


def test_without_a_broker_run_ends_with_1_and_says_so() -> None:
    run = start("run", "steady", "--port", str(free_port()))
    _, errors = run.communicate(timeout=30)
    assert run.returncode == 1
    assert "no broker at 127.0.0.1" in errors
    assert "Traceback" not in errors


def test_run_ends_by_itself_and_prints_little(mosquitto: Mosquitto) -> None:
    run = start(
        "run",
        "brickworks",
        "--port",
        str(mosquitto.port),
        "--seconds",
        "1.2",
        "--window-s",
        "0.5",
        "--json",
        "--seed",
        "3",
    )
    output, errors = run.communicate(timeout=30)
    assert (run.returncode, errors) == (0, "")
    assert len(output.splitlines()) == 2
    assert status(mosquitto.port, "clay-feeder")["online"] is False


def test_a_burst_tells_how_many_and_how_long(mosquitto: Mosquitto) -> None:
    run = start("run", "steady", "--port", str(mosquitto.port), "--burst", "200", "--window-s", "1", "--cbor")
    output, _ = run.communicate(timeout=60)
    assert run.returncode == 0
    assert "202 messages sent, 202 acknowledged" in output


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT])
def test_a_signal_ends_a_run_cleanly(mosquitto: Mosquitto, number: signal.Signals) -> None:
    run = start("run", "steady", "--port", str(mosquitto.port), "--window-s", "0.2")
    while not status(mosquitto.port, "steady")["online"]:
        time.sleep(0.02)
    run.send_signal(number)
    _, errors = run.communicate(timeout=30)
    assert (run.returncode, errors) == (0, "")
    assert status(mosquitto.port, "steady")["online"] is False


def test_a_killed_simulator_leaves_its_last_will(mosquitto: Mosquitto) -> None:
    run = start("run", "steady", "--port", str(mosquitto.port), "--window-s", "0.2")
    assert status(mosquitto.port, "steady")["online"] is True
    run.kill()
    run.communicate(timeout=30)
    end = time.monotonic() + 10
    while status(mosquitto.port, "steady")["online"]:
        assert time.monotonic() < end
        time.sleep(0.05)
