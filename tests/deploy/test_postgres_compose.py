"""compose.postgres.yaml: what it adds to compose.yaml is read, names keys that there are, and shows nothing to anybody.

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
ADDED: dict[str, Any] = yaml.safe_load((DEPLOY / "compose.postgres.yaml").read_text())


@pytest.mark.parametrize("name", ["worker", "web", "watch", "deliver"])
def test_each_part_reaches_the_server_by_tls_and_a_password_from_a_file(name: str) -> None:
    service = ADDED["services"][name]
    told = service["environment"]
    assert set(told) <= {env_name(key) for key in all_keys()}
    assert told["LINKLAG_STORE__URL"].startswith("postgresql://linklag@postgres:")
    assert told["LINKLAG_STORE__TLS_CA_FILE"] == "/run/secrets/ca"
    assert told["LINKLAG_STORE__PASSWORD_FILE"] == "/run/secrets/store_password"  # noqa: S105
    assert set(service["secrets"]) == {"ca", "store_password"}


def test_the_server_is_reached_by_nobody_else_and_loses_nothing_that_it_acknowledged() -> None:
    server = ADDED["services"]["postgres"]
    assert "ports" not in server
    assert ADDED["networks"] == {"database": {"internal": True}}
    assert (server["read_only"], server["cap_drop"]) == (True, ["ALL"])
    assert server["user"].split(":")[0] not in {"", "0"}
    assert "ssl=on" in server["command"]
    assert not [each for each in server["command"] if "fsync" in each or "synchronous_commit" in each]
    assert "scram-sha-256" in server["environment"]["POSTGRES_INITDB_ARGS"]


def test_together_they_are_one_file_and_the_parts_keep_what_they_had(tmp_path: Path) -> None:
    """Versions before 2 do not know `name`."""
    program = needs("docker-compose", why="apt-get install docker-compose")
    text = (DEPLOY / "compose.yaml").read_text()
    (tmp_path / "compose.yaml").write_text(re.sub(r"(?m)^name: .*\n", "", text))
    shutil.copy(DEPLOY / "compose.postgres.yaml", tmp_path)
    told = subprocess.run(
        [program, "-f", "compose.yaml", "-f", "compose.postgres.yaml", "config"],
        cwd=tmp_path,
        env={"PATH": os.environ["PATH"], "HOME": str(tmp_path), "LINKLAG_NAME": "chains.plant.example"},
        capture_output=True,
        check=False,
        text=True,
    )
    assert told.returncode == 0, told.stderr
    services = yaml.safe_load(told.stdout)["services"]
    worker = services["worker"]
    assert {"LINKLAG_BROKER__HOST", "LINKLAG_STORE__URL"} <= set(worker["environment"])
    assert {"messages", "outside", "database"} <= set(worker["networks"])
    assert {each["source"] for each in worker["secrets"]} >= {"ca", "worker_key", "store_password"}


def test_the_image_has_what_a_store_on_a_server_needs() -> None:
    text = (DEPLOY / "Dockerfile").read_text()
    assert len(re.findall(r"\[[a-z,]*\bpostgres\b[a-z,]*\]", text)) == 2
    assert "postgresql-client" in text  # pg_dump, for `linklag backup`
