"""Dockerfile and compose file: no rights that are not needed, no secrets, and what they start exists.

An engine is not needed, and so nothing is built here: the compose file is read by docker-compose where it is installed, and
what both say is held against the code.
"""

import os
import re
import shutil
import subprocess
import tomllib
from pathlib import Path
from typing import Any

import pytest
import yaml
from typer.main import get_command

from service.main import app
from service.settings import all_keys, env_name
from tests.conftest import needs

ROOT = Path(__file__).parents[2]
DEPLOY = ROOT / "deploy"
COMPOSE: dict[str, Any] = yaml.safe_load((DEPLOY / "compose.yaml").read_text())
SERVICES: dict[str, dict[str, Any]] = COMPOSE["services"]
LINES = re.sub(r"\\\n", " ", (DEPLOY / "Dockerfile").read_text()).splitlines()


def stages() -> dict[str, list[list[str]]]:
    """Return the instructions of each stage of the Dockerfile, as words."""
    found: dict[str, list[list[str]]] = {}
    for line in LINES:
        words = line.split()
        if not words or words[0].startswith("#"):
            continue
        if words[0] == "FROM":
            stage = found.setdefault(words[3], [])
        stage.append(words)
    return found


STAGES = stages()


def values_of(stage: str, instruction: str) -> list[str]:
    return [" ".join(words[1:]) for words in STAGES[stage] if words[0] == instruction]


@pytest.mark.parametrize("stage", list(STAGES))
def test_the_base_is_named_to_the_release(stage: str) -> None:
    (base,) = values_of(stage, "FROM")
    assert re.match(r"(python:3\.\d+-slim-bookworm|debian:bookworm-slim) AS ", base)


@pytest.mark.parametrize("stage", ["linklag", "broker"])
def test_an_image_runs_as_somebody_without_rights_and_says_how_it_is(stage: str) -> None:
    assert values_of(stage, "USER")[-1].split(":")[0] not in {"", "0", "root"}
    assert [words[0] for words in STAGES[stage]].index("USER") > max(
        number for number, words in enumerate(STAGES[stage]) if words[0] in {"RUN", "COPY"}
    )
    assert len(values_of(stage, "HEALTHCHECK")) == 1
    assert values_of(stage, "STOPSIGNAL") == ["SIGTERM"]


def test_no_secret_can_get_into_an_image() -> None:
    told = " ".join(LINES).upper()
    assert not [word for word in ("PASSWORD=", "TOKEN=", "_KEY=", "ARG ", ".PEM", "SECRETS/") if word in told]
    copied = {
        word.split("/")[0]
        for stage in STAGES
        for value in values_of(stage, "COPY")
        if not value.startswith("--from")
        for word in value.split()[:-1]
    }
    assert copied == {"pyproject.toml", "README.md", "service", "sensors_sim", "deploy"}
    ignored = (DEPLOY / "Dockerfile.dockerignore").read_text().splitlines()
    assert "*" in ignored
    sent = {line[1:] for line in ignored if line.startswith("!")}
    assert sent == (copied - {"deploy"}) | {"deploy/mosquitto.conf", "deploy/acl"}


def test_the_wheel_is_made_of_all_that_the_package_needs() -> None:
    packages = tomllib.loads((ROOT / "pyproject.toml").read_text())["tool"]["hatch"]["build"]["targets"]
    copied = {value.split()[0] for value in values_of("wheels", "COPY")}
    assert set(packages["wheel"]["packages"]) <= copied


@pytest.mark.parametrize("name", list(SERVICES))
def test_a_service_has_no_more_rights_than_it_needs(name: str) -> None:
    service = SERVICES[name]
    assert service["read_only"] is True
    assert service["cap_drop"] == ["ALL"]
    assert service["security_opt"] == ["no-new-privileges:true"]
    stage = service["build"]["target"]
    assert service["user"] == values_of(stage, "USER")[-1]
    assert not {"privileged", "cap_add", "pid", "network_mode", "devices"} & set(service)


@pytest.mark.parametrize("name", list(SERVICES))
def test_ports_are_for_this_machine_alone_unless_somebody_says_otherwise(name: str) -> None:
    assert all(":-127.0.0.1}:" in port for port in SERVICES[name].get("ports", []))


@pytest.mark.parametrize("name", list(SERVICES))
def test_all_that_is_written_lies_on_volumes(name: str) -> None:
    service = SERVICES[name]
    places = {volume.split(":")[1] for volume in service["volumes"]}
    told = {
        place
        for value in values_of(service["build"]["target"], "VOLUME")
        for place in re.findall(r'"(.*?)"', value)
    }
    assert places <= told
    assert {volume.split(":")[0] for volume in service["volumes"]} <= set(COMPOSE["volumes"])


def test_secrets_come_as_files_and_each_service_gets_its_own_only() -> None:
    given = {
        name: {
            secret if isinstance(secret, str) else secret["source"] for secret in service.get("secrets", [])
        }
        for name, service in SERVICES.items()
    }
    assert set().union(*given.values()) == set(COMPOSE["secrets"])
    keys = [
        (name, secret) for name, secrets in given.items() for secret in secrets if secret.endswith("_key")
    ]
    assert sorted(keys) == [
        ("broker", "broker_key"), ("deliver", "worker_key"), ("web", "page_key"), ("worker", "worker_key")
    ]  # fmt: skip
    assert all(set(secret) == {"file"} for secret in COMPOSE["secrets"].values())
    for service in SERVICES.values():
        named = [value for value in service.get("environment", {}).values() if "/run/secrets/" in value]
        assert {value.removeprefix("/run/secrets/") for value in named} <= set(COMPOSE["secrets"])


@pytest.mark.parametrize("name", ["worker", "watch", "deliver", "web"])
def test_linklag_knows_the_commands_and_settings_it_is_given(name: str) -> None:
    command: Any = get_command(app)
    service = SERVICES[name]
    assert service["command"][0] in command.commands
    assert service["healthcheck"]["test"][1:] == ["linklag", "health", name]
    assert set(service["environment"]) <= {env_name(key) for key in all_keys()}
    said = values_of("linklag", "ENV")[0].split()
    assert {word.split("=")[0] for word in said} - {"PYTHONDONTWRITEBYTECODE"} <= {
        env_name(key) for key in all_keys()
    }


@pytest.mark.parametrize("key", ["web.zone", "web.public_url"])
def test_worker_and_page_have_one_clock_and_one_address(key: str) -> None:
    """The worker's mails, quiet hours, handovers and forecasts are by the plant's zone as the page is."""
    parts = ("worker", "watch", "deliver", "web")
    assert len({SERVICES[name]["environment"][env_name(key)] for name in parts}) == 1


def test_the_images_bear_the_version_of_the_package() -> None:
    version = tomllib.loads((ROOT / "pyproject.toml").read_text())["project"]["version"]
    assert SERVICES["worker"]["image"] == SERVICES["web"]["image"] == f"linklag:{version}"


def test_the_broker_finds_in_its_image_what_its_settings_name() -> None:
    conf = dict(
        line.split(" ", 1)
        for line in (DEPLOY / "mosquitto.conf").read_text().splitlines()
        if line and not line.startswith(("#", "log_type"))
    )
    given = {secret["target"] for secret in SERVICES["broker"]["secrets"]}
    assert {conf[key] for key in ("cafile", "certfile", "keyfile", "crlfile")} == given
    assert SERVICES["broker"]["volumes"][0].split(":")[1] == conf["persistence_location"].rstrip("/")


def test_devices_reach_their_own_listener_only() -> None:
    """The other one is for linklag, on a network that devices are not on."""
    listeners = re.findall(r"(?m)^listener (.*)$", (DEPLOY / "mosquitto.conf").read_text())
    assert listeners == ["8883", "8884 127.0.0.1"]
    assert [port.rsplit(":", 1)[1] for port in SERVICES["broker"]["ports"]] == ["8883"]
    assert SERVICES["worker"]["environment"]["LINKLAG_BROKER__PORT"] == "8884"
    assert COMPOSE["networks"]["messages"]["internal"] is True
    assert any("s/^listener 8884 127.0.0.1$/listener 8884/" in value for value in values_of("broker", "RUN"))


def test_docker_compose_understands_the_file(tmp_path: Path) -> None:
    """It needs no engine to read it. Versions before 2 do not know `name`, which says what volumes are called."""
    docker_compose = needs("docker-compose", why="apt-get install docker-compose")
    folder = tmp_path / "deploy"
    folder.mkdir()
    text = (DEPLOY / "compose.yaml").read_text()
    (folder / "compose.yaml").write_text(re.sub(r"(?m)^name: .*\n", "", text))
    shutil.copy(DEPLOY / "Dockerfile", folder)

    def config(**environ: str) -> "subprocess.CompletedProcess[str]":
        return subprocess.run(
            [docker_compose, "-f", str(folder / "compose.yaml"), "config", "--quiet"],
            env={"PATH": os.environ["PATH"], "HOME": str(tmp_path), **environ},
            capture_output=True, text=True, check=False,
        )  # fmt: skip

    done = config(LINKLAG_NAME="chains.eschbach.example")
    assert done.returncode == 0, done.stderr
    assert "give the name under which people reach the page" in config().stderr
