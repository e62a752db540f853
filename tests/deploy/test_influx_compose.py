"""compose.influx.yaml: what it adds to compose.yaml is read, names keys that there are, and shows nothing to anybody.

An engine is not needed: docker-compose reads both files where it is installed; no image is started.
"""

import os
import re
import shutil
import subprocess
from pathlib import Path
from typing import Any

import pytest
import yaml

from service.settings import all_keys, env_name
from tests.conftest import needs

DEPLOY = Path(__file__).parents[2] / "deploy"
ADDED: dict[str, Any] = yaml.safe_load((DEPLOY / "compose.influx.yaml").read_text())
READERS = ["worker", "web", "watch", "deliver"]


@pytest.fixture
def together(tmp_path: Path) -> dict[str, Any]:
    """Both files as docker-compose reads them. Versions before 2 do not know `name`."""
    program = needs("docker-compose", why="apt-get install docker-compose")
    text = (DEPLOY / "compose.yaml").read_text()
    (tmp_path / "compose.yaml").write_text(re.sub(r"(?m)^name: .*\n", "", text))
    shutil.copy(DEPLOY / "compose.influx.yaml", tmp_path)
    told = subprocess.run(
        [program, "-f", "compose.yaml", "-f", "compose.influx.yaml", "config"],
        cwd=tmp_path,
        env={"PATH": os.environ["PATH"], "HOME": str(tmp_path), "LINKLAG_NAME": "chains.plant.example"},
        capture_output=True,
        check=False,
        text=True,
    )
    assert told.returncode == 0, told.stderr
    services: dict[str, Any] = yaml.safe_load(told.stdout)["services"]
    return services


@pytest.mark.parametrize("name", READERS)
def test_each_part_that_reads_or_writes_readings_reaches_it_by_tls_and_a_token_from_a_file(name: str) -> None:
    service = ADDED["services"][name]
    told = service["environment"]
    assert set(told) <= {env_name(key) for key in all_keys()}
    assert told["LINKLAG_INFLUX__URL"].startswith("https://influx:")
    assert told[f"{env_name('influx.token')}_FILE"].startswith("/run/secrets/")
    assert set(service["secrets"]) == {"ca", "influx_token"}


def test_it_is_reached_by_nobody_else_and_may_write_to_its_own_volume_only() -> None:
    influx = ADDED["services"]["influx"]
    assert "ports" not in influx
    assert ADDED["networks"] == {"readings": {"internal": True}}
    assert influx["networks"] == ["readings"]
    assert (influx["read_only"], influx["cap_drop"]) == (True, ["ALL"])
    assert influx["user"].split(":")[0] not in {"", "0"}
    assert influx["environment"]["INFLUXDB_HTTP_AUTH_ENABLED"] == "true"
    assert influx["environment"]["INFLUXDB_HTTP_HTTPS_ENABLED"] == "true"


def test_together_they_are_one_file_and_the_parts_keep_what_they_had(together: dict[str, Any]) -> None:
    worker = together["worker"]
    assert {"LINKLAG_BROKER__HOST", "LINKLAG_INFLUX__URL"} <= set(worker["environment"])
    assert {"messages", "outside", "readings"} <= set(worker["networks"])
    assert {each["source"] for each in worker["secrets"]} >= {"ca", "worker_key", "influx_token"}
    assert "readings" in together["web"]["networks"]
