"""compose.postgres.yaml: what it adds to compose.yaml is read, names keys that there are, and shows nothing to anybody.

An engine is not needed: docker-compose reads both files where it is installed; no image is started.
"""

import os
import re
import shutil
import signal
import subprocess
import tempfile
from pathlib import Path
from typing import Any

import pytest
import yaml

from service.adapters.database.access import Access
from service.adapters.database.connect import open_database
from service.settings import all_keys, env_name
from tests.conftest import needs
from tests.postgres import IN_MEMORY, USER, Postgres, program

DEPLOY = Path(__file__).parents[2] / "deploy"
SCRIPT = DEPLOY / "postgres-first-start.sh"
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


def test_linklag_is_nobody_of_importance_on_the_server() -> None:
    """It gets a user and a database by a script that the image runs once; another user runs the server."""
    server = ADDED["services"]["postgres"]
    told = server["environment"]
    assert told["POSTGRES_USER"] != "linklag"
    assert told["POSTGRES_PASSWORD_FILE"] != told["STORE_PASSWORD_FILE"]
    assert {Path(told[each]).name for each in ("POSTGRES_PASSWORD_FILE", "STORE_PASSWORD_FILE")} <= set(
        server["secrets"]
    )
    assert f"./{SCRIPT.name}:/docker-entrypoint-initdb.d/linklag.sh:ro" in server["volumes"]


def test_the_first_start_makes_a_database_and_its_owner_who_may_do_nothing_else(tmp_path: Path) -> None:
    folder = Path(tempfile.mkdtemp(prefix="linklag-postgres-", dir=IN_MEMORY))
    folder.chmod(0o755)
    server = Postgres(folder)
    password = "it's a \\ secret $HOME"  # noqa: S105
    (tmp_path / "store-password").write_text(password + "\nsecond line\n")
    try:
        server.start()
        server.sql("CREATE ROLE keeper SUPERUSER LOGIN PASSWORD 'of the keeper'")
        as_keeper = os.environ | {
            "PATH": f"{Path(program('psql')).parent}:{os.environ['PATH']}",
            "PGHOST": "127.0.0.1", "PGPORT": str(server.port), "PGPASSWORD": "of the keeper", "PGDATA": str(server.data),
            "POSTGRES_USER": "keeper", "STORE_PASSWORD_FILE": str(tmp_path / "store-password"),
        }  # fmt: skip
        rename = f'ALTER ROLE "{USER}" RENAME TO first'
        subprocess.run(["psql", "-U", "keeper", "-d", "postgres", "-c", rename], env=as_keeper, check=True)
        subprocess.run(["sh", str(SCRIPT)], env=as_keeper, check=True)
        store = open_database(server.url("linklag", user="linklag"), access=Access(password=password))
        assert store.readings.newest() == []
        store.close()
        for not_allowed in (
            "CREATE DATABASE another",
            "CREATE ROLE another",
            "COPY (SELECT 1) TO PROGRAM 'true'",
        ):
            done = subprocess.run(
                ["psql", "-U", "linklag", "-d", "linklag", "-c", not_allowed],
                env=as_keeper | {"PGPASSWORD": password},
                capture_output=True,
                text=True,
                check=False,
            )
            assert re.search("permission denied|must be superuser", done.stderr), not_allowed
        kinds = {
            line.split()[0]
            for line in (server.data / "pg_hba.conf").read_text().splitlines()
            if line[:1] not in "# "
        }
        assert kinds == {"local", "hostssl"}
    finally:
        server.stop(signal.SIGQUIT)
        shutil.rmtree(folder, ignore_errors=True)


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
