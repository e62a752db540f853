"""What README and INSTALL say of several workers and of RabbitMQ is what linklag and systemd take."""

import re
import subprocess
from pathlib import Path

import pytest

from service.adapters.amqp_definitions import Spread, definitions
from service.settings import Settings, read_settings

ROOT = Path(__file__).parents[2]
INSTALL = (ROOT / "deploy" / "INSTALL.md").read_text()
README = (ROOT / "README.md").read_text()


def tables_of(text: str, heading: str, folder: Path) -> Settings:
    """The settings that a section of a document shows, with the files that they name."""
    section = text.split(f"## {heading}\n", 1)[1].split("\n## ", 1)[0]
    (toml,) = re.findall(r"(?s)```toml\n(.*?)```", section)
    for name in re.findall(r'_file = "([^"]+)"', toml):
        (folder / name).write_text("first line\n")
    (folder / "shown.toml").write_text(toml)
    return read_settings(folder / "shown.toml")


def test_the_unit_of_a_partition_is_made_by_the_line_of_the_page() -> None:
    (expression,) = re.findall(r"sed '([^']+)' systemd/linklag-worker\.service", INSTALL)
    unit = (ROOT / "deploy" / "systemd" / "linklag-worker.service").read_text()
    made = subprocess.run(["sed", expression], input=unit, capture_output=True, text=True, check=True).stdout
    changed = [line for line in made.splitlines() if line not in unit.splitlines()]
    assert changed == [
        "ExecStart=/opt/linklag/bin/linklag worker --partition %i --config /etc/linklag/linklag.toml --data /var/lib/linklag"
    ]


def test_the_partitions_of_the_readme_are_two_workers(tmp_path: Path) -> None:
    settings = tables_of(README, "When one worker is not enough", tmp_path)
    assert settings.broker_of("kilns").client_id == "linklag-worker-kilns"
    assert settings.taken_by("site-b").roots == ("plant/site-b",)
    assert settings.broker_of("site-b").host == "127.0.0.2"


def test_the_settings_for_rabbitmq_are_taken_and_no_queue_is_left_over(tmp_path: Path) -> None:
    settings = tables_of(INSTALL, "RabbitMQ", tmp_path)
    taken = [number for name in settings.partition for number in settings.queues_of(name)]
    assert sorted(taken) == list(range(1, settings.amqp.queues + 1))
    assert settings.warnings == []


@pytest.mark.parametrize("form", ["pulses", "lag", "status"])
def test_a_device_may_write_its_own_topics_and_no_other(form: str) -> None:
    made = definitions(
        Spread(roots=("a/b", "c"), queues=1), worker="w", worker_password=None, drive_ids=["d-1"]
    )
    worker, device = (row["write"] for row in made["topic_permissions"])
    own = device.replace("{username}", "d-1")
    for root in ("a.b", "c"):
        assert re.search(own, f"{root}.d-1.{form}")
        assert not re.search(worker, f"{root}.d-1.{form}")
        assert re.search(worker, f"{root}.d-1.elongation")
    for key in (
        f"a.b.d-2.{form}",
        f"a.b.d-1.{form}.more",
        f"x.a.b.d-1.{form}",
        "a.b.d-1.elongation",
        f"aXb.d-1.{form}",
    ):
        assert not re.search(own, key)
