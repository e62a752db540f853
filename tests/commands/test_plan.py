"""`linklag plan`: what it prints, what it refuses, and that the drive it plans can be registered."""

import json
import shlex
from collections.abc import Iterator
from dataclasses import fields
from pathlib import Path

import pytest

from service.commands.plan import OPTIONS
from service.commands.plan_text import COLUMNS, as_text
from service.core.plan import Layout, layout_of, plan_sensors
from tests.commands.command_line import Cli, command_line

GIVEN = (
    "plan", "--chain", "16B", "--driver-teeth", "19", "--driven-teeth", "57", "--speed", "0.8..1.6", "--strand", "1200",
    "--loop", "122",
)  # fmt: skip
BAD = (
    "plan", "--chain", "08B", "--driver-teeth", "11", "--driven-teeth", "100", "--rpm", "60..900", "--strand", "260",
    "--loop", "121", "--slack", "--vertical", "--reverses", "--two-clocks", "--tick-ns", "1000000", "--switching-hz", "200",
    "--rated-distance", "8", "--limit", "0.7",
)  # fmt: skip


@pytest.fixture
def cli(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str]) -> Iterator[Cli]:
    """Run the command line in this process, with data of the test's own."""
    with command_line(tmp_path, monkeypatch, capfd) as call:
        yield call


def test_a_plan_says_where_and_how_well_and_what_to_change(cli: Cli) -> None:
    said = cli(*GIVEN)
    assert (said.code, said.err) == (0, "")
    for words in (
        "Two sensors on 16B-1, 25.4 mm, driver 19 teeth, driven 57 teeth, 0.8 to 1.6 m/s",
        "Set them 22 pitches apart: 558.8 mm",
        "189 Hz or more",
        "What to change: against nominal",
        "What to change: change since commissioning",
        "Most of it against nominal: start: length of the chain (e0)",
    ):
        assert words in said.out
    assert "Look at this twice" not in said.out


def test_cautions_come_before_the_places(cli: Cli) -> None:
    said = cli(*GIVEN).out
    caution = " ".join(said.split("Where to mount")[0].split())
    for words in (
        "lock it out and tag it out",
        "stored energy",
        "guard",
        "Local codes",
        "no safety function",
    ):
        assert words in caution


def test_what_may_go_wrong_is_listed_by_field(cli: Cli) -> None:
    twice = cli(*BAD).out.split("Look at this twice")[1]
    for field in ("slack", "vertical", "reverses", "strand_mm", "two_clocks", "tick_ns", "switching_hz"):
        assert f"\n  - {field}: " in twice


@pytest.mark.parametrize("arguments", [GIVEN, BAD])
def test_no_line_is_wider_than_a_terminal(cli: Cli, arguments: tuple[str, ...]) -> None:
    assert max(len(line) for line in cli(*arguments).out.splitlines()) <= COLUMNS


def test_json_is_the_same_plan_for_programs(cli: Cli) -> None:
    plan = json.loads(cli(*GIVEN, "--json").out)
    same = plan_sensors(
        layout_of(
            designation="16B", driver_teeth=19, driven_teeth=57, speed_min_m_s=0.8, speed_max_m_s=1.6, strand_mm=1200.0,
            pitches_in_loop=122,
        )
    )  # fmt: skip
    assert plan["place"]["spacing_mm"] == same.place.spacing_mm
    assert [each["value"] for each in plan["expected"]] == ["absolute", "change", "by_spacing"]
    assert plan["expected"][0]["combined_pct"] == same.expected[0].combined_pct
    assert plan["expected"][0]["terms"][0] == {
        "name": "start", "u_pct": same.expected[0].terms[0].u_pct, "stated": True,
    }  # fmt: skip


def test_the_drive_is_registered_by_the_line_that_the_plan_ends_with(cli: Cli) -> None:
    line = " ".join(cli(*GIVEN).out.split("To register the drive as planned")[1].split())
    program, *arguments = shlex.split(line.replace(" ID ", " infeed-2 "))
    assert program == "linklag"
    assert cli(*arguments).code == 0
    shown = cli("drive", "show", "infeed-2").out
    for words in ("whole_pitches", "22", "16B-1", "558.80", "870.5"):
        assert words in shown


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (("plan",), "--chain: the chain is not described"),
        (("plan", "--chain", "16Z", "--speed", "1"), "--chain: '16Z' is not in the catalogue"),
        (("plan", "--chain", "16B"), "--speed: give the chain speed"),
        (("plan", "--chain", "16B", "--speed", "fast"), "--speed: 'fast' is no range: give lowest..highest"),
        (("plan", "--chain", "16B", "--speed", "1..2..3"), "--speed: '1..2..3' is no range"),
        (("plan", "--chain", "16B", "--speed", "2..1"), "--speed: 1 is below the lowest, 2"),
        (("plan", "--chain", "16B", "--rpm", "100"), "--driver-teeth: rev/min mean a chain speed only"),
        (("plan", "--chain", "16B", "--speed", "1", "--strand", "100"), "--strand: there is no room"),
        (
            ("plan", "--chain", "16B", "--speed", "1", "--window", "0.1"),
            "--window: 0.1 s hold too few joints",
        ),
        (("plan", "--chain", "16B", "--speed", "1", "--tick-ns", "0"), "--tick-ns: 0 is not within 1"),
        (("plan", "--chain", "16B", "--speed", "1", "--spacing-u", "nan"), "--spacing-u: nan is not within"),
    ],
)
def test_what_cannot_be_is_told_by_option_with_its_fix(
    cli: Cli, arguments: tuple[str, ...], words: str
) -> None:
    said = cli(*arguments)
    assert said.code == 2
    assert words in said.err
    assert "Traceback" not in said.err
    assert said.out == ""


@pytest.mark.parametrize(
    "speed", ["0.8..1.6", "0.8 .. 1.6", "0.8-1.6", "0.8 to 1.6", "0,8..1,6", "8e-1..1.6"]
)
def test_a_range_of_speeds_may_be_written_as_people_do(cli: Cli, speed: str) -> None:
    plan = json.loads(cli("plan", "--chain", "16B", "--speed", speed, "--json").out)
    assert (plan["layout"]["speed_min_m_s"], plan["layout"]["speed_max_m_s"]) == (0.8, 1.6)


def test_one_speed_is_a_steady_speed(cli: Cli) -> None:
    layout = json.loads(cli("plan", "--pitch", "160", "--speed", "0.2", "--json").out)["layout"]
    assert (layout["speed_min_m_s"], layout["speed_max_m_s"]) == (0.2, 0.2)


def test_every_field_of_a_layout_has_an_option(cli: Cli) -> None:
    help_text = cli("plan", "--help").out
    for field in fields(Layout):
        option = OPTIONS.get(field.name, f"--{field.name.replace('_', '-')}")
        assert f"{option} " in help_text or f"{option}," in help_text, field.name
    assert "lock out and tag out" in help_text
    assert "\b" not in help_text


def test_a_plan_without_teeth_loop_or_strand_can_be_printed() -> None:
    text = as_text(plan_sensors(layout_of(pitch_mm=160.0, speed_min_m_s=0.2)))
    assert "160 mm chain, 0.2 m/s" in text
    assert "polygon effect " in text.split("Standard uncertainty")[1]
    assert "driven sprocket to up" not in text
    assert "(unique up to the limit)" in text


def test_where_nothing_halves_it_the_text_says_so() -> None:
    told = layout_of(
        designation="16B", driver_teeth=19, speed_min_m_s=1.0, temperature_sent=True, load_sent=True, e0_u_pct=0.01,
        mount_u_mm=0.004, delay_mismatch_us=1.0, whole_pitches=30, pitches_in_loop=122,
    )  # fmt: skip
    text = as_text(plan_sensors(told))
    assert "Nothing here" in text
    assert "Halved by" not in text
