"""`linklag hand`: what it records, asks about, lists and prints."""

import time
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from service.adapters.database.connect import open_database
from service.commands.by_hand import WIDTH
from tests.commands.command_line import Cli, command_line
from tests.contracts.given import S, a_reading

ADD = ("drive", "add", "infeed-2", "-n", "20", "--chain", "16B-1", "--loop", "120", "--fitted", "2026-01-01")
RULE = ("hand", "add", "infeed-2", "-n", "24", "--length", "616.5", "--tight", "--by", "H. Brandt")


@pytest.fixture
def cli(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str]) -> Iterator[Cli]:
    """Run the command line in this process, with data of the test's own and one drive."""
    with command_line(tmp_path, monkeypatch, capfd) as call:
        assert call(*ADD).code == 0
        yield call


def with_readings(folder: Path) -> None:
    """Store five readings of about now."""
    now_ns = time.time_ns()
    database = open_database(f"sqlite:///{folder}/linklag.db")
    (chain,) = database.register.chains("infeed-2")
    database.readings.store(
        [
            replace(
                a_reading(0, 1.2, seq=n),
                drive_id="infeed-2",
                chain_id=chain.chain_id,
                t_ns=now_ns - n * 10 * S,
                t0_ns=now_ns - (n + 1) * 10 * S,
            )
            for n in range(5)
        ]
    )
    database.close()


def test_a_measurement_is_recorded_and_answered_at_once(cli: Cli) -> None:
    said = cli(*RULE)
    assert said.code == 0
    # 616.5 mm over 24 x 25.4 mm are 1.132 %; 3 % of 609.6 mm are 18.288 mm, of which 6.9 are used (by hand).
    assert said.out.splitlines() == [
        "1.13 % +/- 0.18 % (k = 2)",
        "11.4 mm left until the limit of 3.00 % over these 24 pitches",
        "no value of the sensors near that time to hold it against",
    ]
    assert said.err == "recorded for infeed-2, chain infeed-2-2026-01-01\n"


def test_the_sensors_are_held_against_it(cli: Cli, tmp_path: Path) -> None:
    with_readings(tmp_path)
    assert "Agrees with the sensors: 0.07 % higher by the sensors" in cli(*RULE).out
    listed = cli("hand", "list", "infeed-2").out
    assert "1.20 % agrees" in listed


def test_over_the_limit_is_said_in_words(cli: Cli) -> None:
    said = cli("hand", "add", "infeed-2", "-n", "24", "--length", "629.6", "--tight")
    assert "1.7 mm OVER the limit of 3.00 %" in said.out


def test_a_count_is_asked_about_by_the_name_of_the_option(cli: Cli) -> None:
    wrong = [*RULE[:4], "23", *RULE[5:]]
    said = cli(*wrong)
    assert said.code == 1
    assert said.err.startswith("linklag: --pitches: 616.5 mm over 23 pitches would be +5.53 %")
    assert "did you count 23 or 24?" in said.err
    assert said.err.endswith("if 23 is right after all, give --counted-again\n")
    assert "nothing was measured" in cli("hand", "list").err
    assert cli(*wrong, "--counted-again").code == 0


@pytest.mark.parametrize(
    ("given", "told"),
    [
        (("-n", "24", "--length", "616.5"), "give --tight or --slack"),
        (("-n", "10", "--outside", "272.9", "--tight"), "--outside: give both calliper readings"),
        (("-n", "24", "--length", "24.3", "--tight"), "--length: 24.3 mm over 24 pitches"),
        (("-n", "24", "--length", "616.5", "--tight", "--cranked"), "--cranked: a cranked link"),
        (("-n", "24", "--length", "616.5", "--tight", "--measured", "May"), "--measured: 'MayT00:00:00Z' is"),
        (("-n", "24", "--length", "616.5", "--tight", "--temp-c", "900"), "--temp-c: 900.0 is not within"),
    ],
)
def test_what_cannot_be_is_told_by_the_name_of_the_option(
    cli: Cli, given: tuple[str, ...], told: str
) -> None:
    said = cli("hand", "add", "infeed-2", *given)
    assert said.code in {1, 2}
    assert told in said.err
    assert "Traceback" not in said.err


def test_a_drive_that_is_not_there_is_told(cli: Cli) -> None:
    for command in (("add", "nope", "-n", "24", "--length", "616.5", "--tight"), ("card", "nope")):
        said = cli("hand", *command)
        assert (said.code, "nope" in said.err) == (1, True)


def test_the_list_holds_calliper_and_slack_values_too(cli: Cli) -> None:
    calliper = ("-n", "10", "--outside", "272.9", "--inside", "241.2", "--tight", "--measured", "2026-05-01")
    assert cli("hand", "add", "infeed-2", *calliper).code == 0
    slack = cli("hand", "add", "infeed-2", "-n", "12", "--length", "305", "--slack")
    assert slack.out.startswith("The chain was slack")
    lines = cli("hand", "list", "infeed-2").out.splitlines()
    assert len(lines) == 3
    assert "2026-05-01 00:00  1.20 %" in lines[1]
    assert "257.05 mm / 10, calliper" in lines[1]
    assert "slack" in lines[2]


def test_the_card_begins_with_cautions_and_fits_a_page(cli: Cli) -> None:
    cli(*RULE)
    said = cli("hand", "card", "infeed-2")
    assert said.code == 0
    lines = said.out.splitlines()
    assert "lock it out" in lines[3]
    assert said.out.index("no safety function") < said.out.index("pitches")
    assert max(map(len, lines)) <= WIDTH
    assert len(lines) <= 60  # of a page of A4
    # 16B-1, 3 %: 50 pitches are 1270 mm, new up to 1271.9, replaced at 1308.1; ten by calliper 254 +/- 15.88 (by hand).
    for figure in (
        "1270.0 to 1271.9",
        "1308.1",
        "269.88",
        "238.12",
        "277.50",
        "245.74",
        "1220 mm",
        "1.13 % by hand",
        "25.4 mm pitch, 120 pitches in the loop.",
    ):
        assert figure in " ".join(said.out.split())


def test_the_newest_few_are_shown_with_their_drive(cli: Cli) -> None:
    assert "by hand" not in cli("drive", "show", "infeed-2").out
    for day in range(1, 7):
        given = (*RULE[:6], f"{616 + day / 10}", *RULE[7:])
        assert cli(*given, "--measured", f"2026-02-0{day}").code == 0
    cli("hand", "add", "infeed-2", "-n", "24", "--length", "616.5", "--slack", "--measured", "2026-02-07")
    shown = cli("drive", "show", "infeed-2").out.splitlines()
    told = [" ".join(line.split()) for line in shown if line.startswith("by hand ")]
    assert [line.split()[2] for line in told] == [f"2026-02-0{day}T00:00:00Z" for day in (7, 6, 5, 4, 3)]
    assert "slack: does not count" in told[0]
    assert "1.148 %, u 0.0" in told[1]
    assert "616.6 mm over 24 pitches, rule, by H. Brandt" in told[1]


def test_a_baseline_is_taken_from_the_newest(cli: Cli, tmp_path: Path) -> None:
    refused = cli("hand", "baseline", "infeed-2")
    assert (refused.code, "record one" in refused.err) == (1, True)
    cli(*RULE)
    with_readings(tmp_path)
    said = cli("hand", "baseline", "infeed-2", "--why", "after the stop")
    assert said.code == 0
    assert said.out.startswith("baseline of infeed-2-2026-01-01: 1.132 % (u = 0.0")
    assert "after the stop; by hand: 616.5 mm over 24 pitches, rule" in said.out
    assert "1.13" in cli("drive", "show", "infeed-2").out
