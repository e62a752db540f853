"""Tables of partitions: what each worker takes, and every way in which they would get in each other's way."""

import os
import re
from pathlib import Path

import pytest

from service.settings import Partition, SettingsError, read_settings
from tests.test_settings import ANNOTATED, written, wrong

TWO = """
[broker]
root = "plant"
[partition.kilns]
drives = ["kiln-feed", "kiln-out"]
[partition.presses]
roots = ["plant/site-a", "plant/site-b"]
client_id = "presses"
host = "127.0.0.2"
port = 1884
sparkplug_groups = ["presses"]
"""


@pytest.fixture(autouse=True)
def _bare(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    for name in list(os.environ):
        if name.startswith("LINKLAG_"):
            monkeypatch.delenv(name)
    monkeypatch.chdir(tmp_path)


def test_each_partition_sees_the_broker_its_own_way(tmp_path: Path) -> None:
    settings = read_settings(written(tmp_path, TWO))
    kilns, presses = settings.broker_of("kilns"), settings.broker_of("presses")
    assert (kilns.client_id, kilns.host, kilns.port, kilns.root) == (
        "linklag-worker-kilns", "127.0.0.1", 1883, "plant",
    )  # fmt: skip
    assert (presses.client_id, presses.host, presses.port) == ("presses", "127.0.0.2", 1884)
    assert presses.sparkplug_groups == ("presses",)
    assert settings.broker_of(None) == settings.broker


def test_each_partition_takes_its_roots_and_drives(tmp_path: Path) -> None:
    settings = read_settings(written(tmp_path, TWO))
    kilns, presses = settings.taken_by("kilns"), settings.taken_by("presses")
    assert (kilns.roots, kilns.drives, kilns.alone) == (
        ("plant",), frozenset({"kiln-feed", "kiln-out"}), False,
    )  # fmt: skip
    assert (presses.roots, presses.drives) == (("plant/site-a", "plant/site-b"), None)
    assert settings.taken_by(None).alone


def test_partitions_can_come_from_the_environment(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("LINKLAG_PARTITION__KILNS__DRIVES", "kiln-feed, kiln-out")
    monkeypatch.setenv("LINKLAG_PARTITION__KILNS__PORT", "1884")
    settings = read_settings()
    assert settings.partition["kilns"].drives == ("kiln-feed", "kiln-out")
    assert settings.broker_of("kilns").port == 1884


@pytest.mark.parametrize(
    ("tables", "told"),
    [
        ("[partition.a]\n[partition.b]", "partition.a and partition.b both take linklag/v1/+/pulses"),
        (
            "[partition.a]\ndrives=['d1','d2']\n[partition.b]\ndrives=['d2']",
            "both take linklag/v1/d2/pulses: give each drive to one of them",
        ),
        ("[partition.a]\nroots=['p/x']\n[partition.b]\nroots=['p/y','p/x']\ndrives=['d1']", "p/x/d1/pulses"),
        (
            "[partition.a]\nroots=['x']\nclient_id='w'\n[partition.b]\nroots=['y']\nclient_id='w'",
            "the client id w at one broker",
        ),
        (
            "[partition.a]\nroots=['x']\nsparkplug_groups=['g']\n[partition.b]\nroots=['y']\nsparkplug_groups=['g']",
            "the Sparkplug group g",
        ),
        ("[broker]\nsparkplug_groups=['g']\n[partition.a]", "give each group to one of them"),
        ("[partition.a]\ndrives=['d1']\nsparkplug_groups=['g']", "a group comes whole"),
        ("[partition.a]\ndrives=['press-*']", "partition.a.drives 'press-*' is no drive id"),
        ("[partition.a]\nroots=['$share/g/plant']", "partition.a.roots is a shared subscription"),
        ("[broker]\nroot='$share/g/plant'", "broker.root is a shared subscription"),
        ("[partition.a]\nroots=['plant/+']", "no + # $"),
        ("[partition.'Kilns 1']", "up to 32 of a-z"),
        ("[partition.a]\ndrive=['d1']", "unknown key partition.a.drive: did you mean partition.a.drives?"),
        ("[partition.a]\nport='x'", "partition.a.port"),
        ("[partition.a]\nhost='b.plant'", "partition.a.host b.plant is another machine and TLS is off"),
        ("partition = 3", "partition"),
    ],
)
def test_what_would_get_in_the_way_is_told_with_its_table(tmp_path: Path, tables: str, told: str) -> None:
    assert told in wrong(tmp_path, tables)


def test_the_same_filters_at_two_brokers_are_no_crossing(tmp_path: Path) -> None:
    settings = read_settings(written(tmp_path, "[partition.a]\n[partition.b]\nport=1884\n"))
    assert list(settings.partition) == ["a", "b"]


def test_a_wrong_value_from_the_environment_is_told_by_its_variable(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("LINKLAG_PARTITION__KILNS__PORT", "many")
    with pytest.raises(SettingsError, match="environment variable LINKLAG_PARTITION__KILNS__PORT"):
        read_settings()


def test_the_annotated_file_shows_every_key_of_a_partition() -> None:
    table = ANNOTATED.read_text().split("# [partition.kilns]\n")[1].split("\n\n")[0]
    assert re.findall(r"(?m)^# ([a-z_]+) = ", table) == list(Partition.model_fields)
    assert all(field.description for field in Partition.model_fields.values())
