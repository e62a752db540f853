"""`linklag measure`: captures of simulated drives, whose truth is known, in every form; and captures that are wrong."""

import base64
import csv
import io
import json
import re
import sys
from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np
import pytest

from sensors_sim.batch import SimulatedBatch, simulate_batch
from sensors_sim.chain import WornSection
from sensors_sim.drive import Surroundings
from sensors_sim.encoding import Encoding, encode
from sensors_sim.motion import Motion
from service import main
from service.adapters.capture_files import line_of
from service.adapters.pulse_tables import Wanted
from service.commands import CommandError
from service.commands import measure as measure_module
from service.commands.measure import CAUTION, Asked, Given, measure
from tests.adapters.test_pulse_tables import needs_module

DRIVE: dict[str, Any] = {
    "pitch_mm": 25.4,
    "whole_pitches": 20,
    "teeth": 19,
    "up_to_driver_mm": 820.0,
    "pitches_in_loop": 122,
}
GIVEN = Given(
    designation="16B-1", whole_pitches=20, driver_teeth=19, up_to_driver_mm=820.0, pitches_in_loop=122
)


class Told(NamedTuple):
    code: int
    out: str
    err: str
    rows: list[dict[str, str]]

    def number(self, name: str, row: int = 0) -> float:
        return float(self.rows[row][name])

    @property
    def mean(self) -> tuple[float, float]:
        """Elongation and its expanded uncertainty of the whole capture."""
        found = re.search(r"^elongation +(\S+) % \+/- (\S+) % \(k = 2\)", self.out, re.MULTILINE)
        assert found is not None, self.out
        return float(found[1]), float(found[2])


Measured = Callable[..., Told]


@pytest.fixture
def told(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> Measured:
    """Measure a file and return what was told, with the rows of the table."""

    def call(file: Path, given: Given = GIVEN, **asked: Any) -> Told:
        table = tmp_path / "table.csv"
        capsys.readouterr()
        code = measure(str(file), given, Asked(table=table, **asked))
        with table.open(newline="") as stream:
            rows = list(csv.DictReader(stream))
        return Told(code, *capsys.readouterr(), rows)

    return call


# Writing captures, none of it by the code that reads them


def write(path: Path, text: str | bytes) -> Path:
    path.write_bytes(text.encode() if isinstance(text, str) else text)
    return path


def wide_csv(made: SimulatedBatch) -> str:
    up, down = made.up.tolist(), made.down.tolist()
    longest = max(len(up), len(down))
    cells = ([*train, *[""] * (longest - len(train))] for train in (up, down))
    return "up_us,down_us\n" + "".join(f"{a},{b}\n" for a, b in zip(*cells, strict=True))


def long_csv(made: SimulatedBatch) -> str:
    """Semicolons, decimal commas, seconds since 1970."""
    rows = sorted(
        [(tick, "up") for tick in made.up.tolist()] + [(tick, "down") for tick in made.down.tolist()]
    )
    t0_us = made.t0_ns // 1000
    return "sensor;time_s\n" + "".join(
        f"{name};{(t0_us + tick) // 10**6},{(t0_us + tick) % 10**6:06}\n" for tick, name in rows
    )


def batch_fields(made: SimulatedBatch, seq: int = 0, **more: Any) -> dict[str, Any]:
    return {
        "v": 1, "seq": seq, "t0": made.t0_ns // 1000, "tick_ns": made.tick_ns, "span_ticks": made.span_ticks,
        "up": made.up, "down": made.down, **more,
    }  # fmt: skip


def json_lines(*payloads: bytes, drive: str = "kiln") -> bytes:
    return b"".join(line_of(f"linklag/v1/{drive}/pulses", each, None, 10**18) for each in payloads)


def parquet(made: SimulatedBatch) -> bytes:
    arrow, writer = needs_module("pyarrow"), needs_module("pyarrow.parquet")
    longest = max(len(made.up), len(made.down))
    columns = {
        f"{name}_us": [*ticks.tolist(), *[None] * (longest - len(ticks))]
        for name, ticks in (("up", made.up), ("down", made.down))
    }
    out = io.BytesIO()
    writer.write_table(arrow.table(columns), out)
    return out.getvalue()


FORMS: dict[str, Callable[[SimulatedBatch], str | bytes]] = {
    "two columns": wide_csv,
    "a row a pulse": long_csv,
    "Parquet": parquet,
    "recorded JSON": lambda made: json_lines(encode(batch_fields(made), Encoding.JSON)),
    "recorded CBOR": lambda made: json_lines(encode(batch_fields(made), Encoding.CBOR)),
    "recorded plain CBOR": lambda made: json_lines(encode(batch_fields(made), Encoding.CBOR_PLAIN)),
    "bare batch": lambda made: encode(batch_fields(made), Encoding.JSON),
    "other tools' lines": lambda made: json.dumps(
        {
            "topic": "x/kiln/pulses",
            "payload_base64": base64.b64encode(encode(batch_fields(made), Encoding.CBOR)).decode(),
        }
    ),
}


@pytest.fixture(scope="module")
def made() -> SimulatedBatch:
    return simulate_batch(
        **DRIVE, elongation_pct=1.3, speed_m_s=1.2, laps=3.1, missed=0.01, doubled=0.01, seed=3
    )


@pytest.mark.parametrize("form", FORMS)
def test_every_form_of_one_capture_gives_the_same_reading_and_it_is_true(
    told: Measured, tmp_path: Path, made: SimulatedBatch, form: str
) -> None:
    first = told(write(tmp_path / "reference.csv", wide_csv(made)), window_s=3600.0)
    same = told(write(tmp_path / "capture", FORMS[form](made)), window_s=3600.0)
    assert same.code == 0
    assert same.number("elongation_pct") == pytest.approx(made.true_elongation_pct, abs=0.01)
    for name in ("elongation_pct", "elongation_u_pct", "pitches_between", "coherence", "up_alternation_pct"):
        assert same.number(name) == pytest.approx(first.number(name), rel=1e-7), name
    assert same.number("speed_m_s") == pytest.approx(made.true_speed_m_s, rel=1e-3)
    assert same.number("whole_laps") == 3
    assert {
        same.rows[0][f"{sensor}_{what}"] for sensor in ("up", "down") for what in ("missed", "extra")
    } != {"0"}
    for name in ("up_missed", "down_missed", "up_extra", "down_extra"):
        assert same.rows[0][name] == first.rows[0][name]


def test_a_long_table_is_cut_into_laps_where_the_loop_is_known_else_into_10_s(
    told: Measured, tmp_path: Path
) -> None:
    made = simulate_batch(**DRIVE, elongation_pct=0.8, speed_m_s=2.0, duration_s=45, missed=0.03, seed=5)
    path = write(tmp_path / "capture.csv", wide_csv(made))
    laps = told(path)
    assert len(laps.rows) == 26
    assert all(row["whole_laps"] in {"1", "2"} for row in laps.rows)
    tens = told(path, replace(GIVEN, pitches_in_loop=None))
    assert [float(row["length_s"]) for row in tens.rows] == pytest.approx([10, 10, 10, 15], abs=0.1)
    asked = told(path, window_s=5.0)
    assert len(asked.rows) == 8
    for each in (laps, tens, asked):
        mean, expanded = each.mean
        assert mean == pytest.approx(made.true_elongation_pct, abs=0.01)
        assert 0.15 < expanded < 0.25  # 0.5 mm on 508 mm is 0.1 %, and does not average out


def test_what_is_told_of_the_whole_capture(told: Measured, tmp_path: Path, made: SimulatedBatch) -> None:
    said = told(write(tmp_path / "capture.csv", wide_csv(made)), window_s=2.0)
    assert "16B-1, pitch 25.4 mm; 20 + 0 pitches between the sensors: 508.00 mm" in said.out
    assert "loop of 122 pitches" in said.out
    assert "tick 1 us" in said.out
    assert "made of      spacing or baseline N0 0.0997," in said.out
    for word in ("trend", "alternation", "speed", "coherence", "missed", "extra"):
        assert word in said.out
    assert CAUTION not in said.out


def test_a_baseline_takes_the_place_of_the_spacing(told: Measured, tmp_path: Path) -> None:
    """Sensors 1 mm further apart than they are said to be, on a chain that was at 0.1 % then."""
    made = simulate_batch(**DRIVE, elongation_pct=1.3, spacing_error_mm=1.0, seed=6)
    path = write(tmp_path / "capture.csv", wide_csv(made))
    n0 = (20 * 25.4 + 1.0) / (25.4 * 1.001)
    given = replace(
        GIVEN, baseline_pitches=n0, baseline_pitches_u=0.0005, baseline_pct=0.1, baseline_u_pct=0.02
    )
    said = told(path, given)
    assert said.number("elongation_pct") == pytest.approx(1.3, abs=0.01)
    assert said.number("since_pct") == pytest.approx(100 * (1.013 / 1.001 - 1), abs=0.01)
    assert said.mean[1] < 0.08
    assert told(path).number("elongation_pct") == pytest.approx(1.3 - 0.2, abs=0.02)  # 1 mm of 508
    assert told(path, replace(given, whole_pitches=None)).mean == said.mean


def test_temperatures_are_corrected_for_where_they_were_given(told: Measured, tmp_path: Path) -> None:
    """40 K on steel is 0.047 % (11.7e-6 per kelvin, Machinery's Handbook, from memory); the mount stays at 20."""
    made = simulate_batch(**DRIVE, elongation_pct=1.0, surroundings=Surroundings(chain_c=60.0), seed=7)
    path = write(tmp_path / "capture.csv", wide_csv(made))
    warm, corrected = told(path), told(path, replace(GIVEN, temp_c=60.0, mount_c=20.0))
    assert warm.number("elongation_pct") - corrected.number("elongation_pct") == pytest.approx(
        0.0468, abs=1e-4
    )
    assert corrected.number("elongation_pct") == pytest.approx(1.0, abs=0.01)
    payload = encode(batch_fields(made, temp_c=60.0, mount_c=20.0), Encoding.JSON)
    sent = told(
        write(tmp_path / "capture.jsonl", json_lines(payload)), replace(GIVEN, temp_c=0.0, mount_c=0.0)
    )
    assert sent.number("elongation_pct") == pytest.approx(
        corrected.number("elongation_pct")
    )  # what was sent counts


def test_more_than_one_whole_number_is_refused_and_about_settles_it(told: Measured, tmp_path: Path) -> None:
    """Leaf chain has no alternation to tell it by."""
    drive = DRIVE | {"whole_pitches": 34, "up_to_driver_mm": 1100.0}
    made = simulate_batch(**drive, elongation_pct=0.6, seed=8)
    path = write(tmp_path / "capture.csv", wide_csv(made))
    given = replace(GIVEN, designation="LH1644", whole_pitches=34, up_to_driver_mm=1100.0)
    said = told(path, given)
    assert said.code == 1
    assert "More than one whole number of pitches fits" in said.out
    assert "--about" in said.out
    assert CAUTION in said.out
    assert told(path, replace(given, about_pct=0.5)).mean[0] == pytest.approx(0.6, abs=0.01)


def test_a_bracket_that_was_moved_shows_against_the_alternation(told: Measured, tmp_path: Path) -> None:
    """The lag jumps, long and short links do not: a finding with both numbers, and how to go there safely."""
    made = simulate_batch(**DRIVE, elongation_pct=1.0, spacing_error_mm=-6.0, laps=5.1, seed=9)
    given = replace(
        GIVEN, baseline_pitches=20.0, baseline_pitches_u=0.001, baseline_pct=0.0, baseline_u_pct=0.02
    )
    said = told(write(tmp_path / "capture.csv", wide_csv(made)), given)
    assert re.search(r"they differ  lag says 2\.\d+ %, alternation [01]\.\d+ %", said.out)
    assert CAUTION in said.out
    sound = told(
        write(tmp_path / "sound.csv", wide_csv(simulate_batch(**DRIVE, elongation_pct=1.0, laps=5.1))), given
    )
    assert "they differ" not in sound.out


def test_windows_without_a_number_say_why_and_the_others_count(told: Measured, tmp_path: Path) -> None:
    motion = Motion.start_stop(1.0, run_s=35, stand_s=25)
    made = simulate_batch(**DRIVE, elongation_pct=0.9, motion=motion, duration_s=150, seed=10)
    said = told(write(tmp_path / "capture.csv", wide_csv(made)), window_s=10.0)
    reasons = [row["reason"] for row in said.rows]
    assert reasons.count("stopped") >= 2
    assert "Drive stands still (0 pulses of up, 0 of down)" in said.out
    assert said.code == 0
    assert said.mean[0] == pytest.approx(0.9, abs=0.02)


def test_a_capture_that_gives_no_number_says_why_and_is_code_1(
    told: Measured, tmp_path: Path, made: SimulatedBatch
) -> None:
    rows = "".join(f"{n * 20000},\n" for n in range(500))
    silent = told(write(tmp_path / "silent.csv", "up_us,down_us\n" + rows))
    assert silent.code == 1
    assert "3 of 3 windows: One sensor is silent. Check the silent sensor" in silent.out
    assert CAUTION in silent.out
    rows = "".join(f"{n * 20000},{n * 20000 + 9000}\n" for n in range(9))
    few = told(write(tmp_path / "few.csv", "up_us,down_us\n" + rows))
    assert few.code == 1
    assert "Too few pulses. Give a longer --window-s" in few.out
    wrong = told(
        write(tmp_path / "wrong.csv", wide_csv(made)),
        replace(GIVEN, offset_pitches=0.6, designation="LH1644"),
    )
    assert wrong.code == 1
    assert "Check --chain, --whole-pitches and --offset, and whether up and down are swapped" in wrong.out


def test_swapped_sensors_can_be_put_right_by_option(
    told: Measured, tmp_path: Path, made: SimulatedBatch
) -> None:
    text = wide_csv(replace(made, up=made.down, down=made.up))
    path = write(tmp_path / "swapped.csv", text)
    wrong = told(path)
    assert "they differ" in wrong.out
    assert "which sensor is up" in wrong.out
    right = told(path, wanted=Wanted(up="down_us", down="up_us"))
    assert right.mean[0] == pytest.approx(made.true_elongation_pct, abs=0.01)


# Recorded messages


def numbered(count: int, **more: Any) -> list[bytes]:
    made = [
        simulate_batch(**DRIVE, elongation_pct=1.3, t0_ns=1_795_000_000_000_000_000 + seq * 10**10, seed=seq)
        for seq in range(count)
    ]
    return [encode(batch_fields(each, seq, **more), Encoding.JSON) for seq, each in enumerate(made)]


def test_batches_are_taken_once_each_in_the_order_of_their_time(told: Measured, tmp_path: Path) -> None:
    payloads = numbered(4)
    shuffled = [payloads[at] for at in (2, 0, 3, 0, 1, 2)]
    said = told(write(tmp_path / "capture.jsonl", json_lines(*shuffled)))
    assert [row["seq"] for row in said.rows] == ["0", "1", "2", "3"]
    assert "2 batches were sent twice and are counted once" in said.err
    assert "kiln, 4 batches from 2026-11-18T" in said.out
    assert said.rows[0]["start_utc"].startswith("2026-11-18T")


def test_what_the_worker_would_refuse_is_told_by_line_and_the_rest_is_measured(
    told: Measured, tmp_path: Path
) -> None:
    payloads = numbered(2)
    garbage = [b"ERR 17", b'{"v":9}', payloads[0][: len(payloads[0]) // 2]]
    said = told(write(tmp_path / "capture.jsonl", json_lines(payloads[0], *garbage, payloads[1])[:-1]))
    assert said.code == 0
    assert len(said.rows) == 2
    assert re.findall(r"line (\d) is refused", said.err) == ["2", "3", "4"]
    assert 'send "v": 1' in said.err


def test_nothing_but_refused_messages_is_an_error_that_says_why(tmp_path: Path) -> None:
    path = write(tmp_path / "capture.jsonl", json_lines(b'{"v":1,"seq":0,"t0":0,"up":[],"down":[]}', b"ERR"))
    with pytest.raises(
        CommandError, match=r"(?s)no batch that can be read.*line 1 is refused.*before 2000.*line 2"
    ):
        measure(str(path), GIVEN, Asked())


def test_status_messages_and_a_cut_off_line_do_no_harm(told: Measured, tmp_path: Path) -> None:
    status = line_of("linklag/v1/kiln/status", b'{"v":1,"online":true}', None, 10**18)
    text = status + json_lines(*numbered(2))
    said = told(write(tmp_path / "capture.jsonl", text + text[:50]))
    assert len(said.rows) == 2
    assert "line 4 is cut off" in said.err


def test_of_several_drives_one_must_be_chosen(told: Measured, tmp_path: Path) -> None:
    text = json_lines(*numbered(2)) + json_lines(*numbered(3), drive="press")
    path = write(tmp_path / "capture.jsonl", text)
    with pytest.raises(CommandError, match=r"2 drives: choose one with --drive: press \(3\), kiln \(2\)"):
        measure(str(path), GIVEN, Asked())
    assert len(told(path, drive_id="press").rows) == 3
    with pytest.raises(CommandError, match="holds no batch of mill"):
        measure(str(path), GIVEN, Asked(drive_id="mill"))


def test_reduced_batches_are_measured_too(told: Measured, tmp_path: Path) -> None:
    """What a PLC reduces, by plain arithmetic."""
    clean = simulate_batch(**DRIVE, elongation_pct=1.3, laps=1.1, seed=12)
    pairs = 120
    after = np.searchsorted(clean.down, clean.up[:pairs], side="right")
    lags = clean.down[after] - clean.up[:pairs]
    period_us = float(clean.up[pairs] - clean.up[0]) / pairs
    fields = {
        "v": 1, "seq": 0, "t0": "2026-11-25T08:15:00Z", "period_us": period_us, "count": pairs,
        "lag_us": float(lags.mean()), "sd_us": float(lags.std(ddof=1)),
    }  # fmt: skip
    said = told(write(tmp_path / "capture.jsonl", json.dumps(fields)))
    assert said.mean[0] == pytest.approx(1.3, abs=0.1)


# Outputs


def test_the_table_holds_every_window_and_can_be_read_by_pandas(tmp_path: Path, made: SimulatedBatch) -> None:
    pandas = needs_module("pandas")
    path, table = write(tmp_path / "capture.csv", wide_csv(made)), tmp_path / "table.csv"
    assert measure(str(path), GIVEN, Asked(table=table)) == 0
    frame = pandas.read_csv(table)
    assert list(frame.columns[:3]) == ["window", "start_s", "length_s"]
    assert len(frame) == 2
    terms = frame[[name for name in frame.columns if name.startswith("u_")]]
    assert np.sqrt((terms**2).sum(axis=1)).to_numpy() == pytest.approx(frame["elongation_u_pct"].to_numpy())


def test_the_links_are_told_written_and_drawn(told: Measured, tmp_path: Path) -> None:
    needs_module("matplotlib")
    made = simulate_batch(
        **DRIVE,
        elongation_pct=1.0,
        laps=8.2,
        worn_section=WornSection(first_joint=30, joints=20, factor=3.0),
        seed=14,
    )
    links, picture = tmp_path / "links.csv", tmp_path / "picture.svg"
    said = told(write(tmp_path / "capture.csv", wide_csv(made)), links=links, plot=picture)
    assert re.search(r"links        122 from (7\.9|8\.\d) laps", said.out)
    assert re.search(r"Links \d+ to \d+ .* are worn more than the rest of the chain", said.out)
    assert CAUTION in said.out
    with links.open(newline="") as stream:
        rows = list(csv.DictReader(stream))
    assert [row["link"] for row in rows] == [str(number) for number in range(122)]
    assert {row["kind"] for row in rows} == {"long", "short"}
    mean = np.mean([float(row["elongation_pct"]) for row in rows])
    assert mean == pytest.approx(said.mean[0], abs=0.005)
    assert "link of the loop" in picture.read_text()


def test_without_enough_laps_no_links_are_written(
    told: Measured, tmp_path: Path, made: SimulatedBatch
) -> None:
    links = tmp_path / "links.csv"
    path = write(tmp_path / "capture.csv", wide_csv(simulate_batch(**DRIVE, elongation_pct=1.0, laps=1.5)))
    said = told(path, links=links)
    assert "no map: 1." in said.out
    assert "is not written: a map needs --loop and 3 laps" in said.err
    assert not links.exists()
    assert "links  " not in told(write(path, wide_csv(made)), replace(GIVEN, pitches_in_loop=None)).out


def test_free_text_does_not_become_a_formula_in_a_spreadsheet(told: Measured, tmp_path: Path) -> None:
    said = told(write(tmp_path / "capture.jsonl", json_lines(*numbered(1, dev="=1+1"))))
    assert said.rows[0]["device_id"] == "'=1+1"


def test_many_windows_are_told_in_part_and_written_in_full(
    told: Measured, tmp_path: Path, made: SimulatedBatch
) -> None:
    said = told(write(tmp_path / "capture.csv", wide_csv(made)), window_s=0.1)
    assert len(said.rows) > 60
    assert f"and {len(said.rows) - 40} more windows: --table FILE has all of them" in said.out


@pytest.mark.parametrize("suffix", ["png", "svg", "pdf"])
def test_the_picture_is_drawn(told: Measured, tmp_path: Path, made: SimulatedBatch, suffix: str) -> None:
    needs_module("matplotlib")
    picture = tmp_path / f"picture.{suffix}"
    said = told(write(tmp_path / "capture.csv", wide_csv(made)), plot=picture)
    assert said.code == 0
    begins = {"png": b"\x89PNG", "svg": b"<?xml", "pdf": b"%PDF"}
    assert picture.read_bytes().startswith(begins[suffix])


def test_no_picture_of_nothing(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    needs_module("matplotlib")
    path = write(tmp_path / "capture.csv", "up_us,down_us\n1,2\n")
    assert measure(str(path), GIVEN, Asked(plot=tmp_path / "picture.png")) == 1
    assert "is not drawn: there is nothing to show" in capsys.readouterr().err
    assert not (tmp_path / "picture.png").exists()


@pytest.mark.parametrize(
    ("asked", "said"),
    [
        ({"plot": "picture.gif"}, "a picture ends in .png, .svg, .pdf"),
        ({"plot": "none/picture.png"}, "there is no such folder"),
        ({"table": "none/table.csv"}, "there is no such folder"),
        ({"table": "capture.csv"}, "is the capture itself"),
        ({"table": "."}, "cannot be written"),
    ],
)
def test_an_output_that_cannot_be_is_told(
    tmp_path: Path, made: SimulatedBatch, asked: dict[str, str], said: str
) -> None:
    path = write(tmp_path / "capture.csv", wide_csv(made))
    outputs: dict[str, Any] = {name: tmp_path / each for name, each in asked.items()}
    with pytest.raises(CommandError, match=said):
        measure(str(path), GIVEN, Asked(**outputs))
    assert path.read_bytes() == wide_csv(made).encode()


# Wrong use


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({"whole_pitches": None}, "how many pitches lie between the sensors"),
        ({"designation": ""}, "give the pitch in mm"),
        ({"designation": "16"}, "say the series"),
        ({"pitch_mm": 12.7}, "16B-1 has 25.4 mm pitch, not 12.7"),
        ({"whole_pitches": 0}, "whole_pitches: 0 is not within"),
        ({"offset_pitches": 1.5}, "offset_pitches: 1.5 is not within"),
        ({"spacing_u_mm": -1.0}, "spacing_u_mm"),
        ({"pitches_in_loop": 2}, "pitches_in_loop"),
        ({"baseline_pitches": 20.0, "baseline_pct": 90.0}, "elongation_pct: 90.0 is not within"),
        ({"baseline_pitches": float("nan")}, "pitches_between"),
    ],
)
def test_a_drive_that_cannot_be_is_told(tmp_path: Path, changes: dict[str, Any], said: str) -> None:
    path = write(tmp_path / "capture.csv", "up_us,down_us\n1,2\n")
    with pytest.raises(CommandError, match=said):
        measure(str(path), replace(GIVEN, **changes), Asked())


@pytest.mark.parametrize(
    ("text", "said"),
    [
        (b"", "capture, it is empty"),
        (b"\x00" * 100, "capture, line 1"),
        (b"up_us,down_us\n1,2\nnan,3\n", "capture, line 3, up_us: 'nan' is no time"),
        (b"up_us,down_us\n5,2\n3,3\n", "capture, line 3, up_us: the time goes back"),
        (b"PAR1 and nothing more", "capture, it cannot be read as Parquet"),
        (b'{"topic":"a/b/pulses","payload":{}}\nup_us,down_us\n', "capture, line 2 is no JSON object"),
        (b"up_s,down_s\n0,1\n9000000000,9000000001\n", "check the unit of the times"),
    ],
)
def test_a_capture_that_is_wrong_is_told(tmp_path: Path, text: bytes, said: str) -> None:
    if text.startswith(b"PAR1"):
        needs_module("pyarrow")
    with pytest.raises(CommandError, match=said):
        measure(str(write(tmp_path / "capture", text)), GIVEN, Asked())


@pytest.mark.parametrize("form", FORMS)
def test_a_damaged_capture_is_measured_or_refused_and_nothing_else(
    tmp_path: Path, made: SimulatedBatch, form: str
) -> None:
    rng = np.random.default_rng(13)
    text = FORMS[form](made)
    whole = text.encode() if isinstance(text, str) else text
    junk = (
        b"nan",
        b"-",
        b"e99",
        b"\n",
        b";",
        b'"',
        b"{",
        b"[",
        b"\x00",
        b"9" * 21,
        b"null",
        b"\xff\xfe",
        b"",
    )
    refused = []
    for _ in range(40):
        at, end = sorted(rng.integers(0, len(whole), 2).tolist())
        end = min(end, at + 20)
        damaged = whole[:at] + junk[int(rng.integers(len(junk)))] + whole[end:]
        try:
            measure(str(write(tmp_path / "capture", damaged)), GIVEN, Asked())
        except CommandError as error:
            refused.append(str(error))
    assert refused
    assert all("capture, " in said for said in refused)


def test_a_capture_that_is_not_there_is_told(tmp_path: Path) -> None:
    with pytest.raises(CommandError, match="cannot be read"):
        measure(str(tmp_path / "none.csv"), GIVEN, Asked())
    with pytest.raises(CommandError, match="cannot be read"):
        measure(str(tmp_path), GIVEN, Asked())


def test_too_many_batches_are_told(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(measure_module, "BATCHES_MAX", 2)
    path = write(tmp_path / "capture.jsonl", json_lines(*numbered(3)))
    with pytest.raises(CommandError, match="line 3: over 2 batches; divide the capture"):
        measure(str(path), GIVEN, Asked())


# The command line


def run(
    monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str], *arguments: str
) -> tuple[int, str, str]:
    monkeypatch.setattr(sys, "argv", ["linklag", "measure", *arguments])
    with pytest.raises(SystemExit) as left:
        main.run()
    code = left.value.code
    assert isinstance(code, int)
    return code, *capfd.readouterr()


def test_it_needs_no_settings_broker_or_register(
    tmp_path: Path, made: SimulatedBatch, monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(tmp_path)
    write(tmp_path / "linklag.toml", "this is no settings file")
    path = write(tmp_path / "capture.csv", wide_csv(made).replace("up_us,down_us", "x7,x9"))
    options: Sequence[str] = (
        "--chain",
        "16B-1",
        "-n",
        "20",
        "--loop",
        "122",
        "--unit",
        "us",
        "--up",
        "x7",
        "--down",
        "x9",
    )
    code, out, err = run(monkeypatch, capfd, str(path), *options)
    assert (code, err) == (0, "")
    assert re.search(r"elongation   1\.(30|29)\d %", out)
    assert sorted(each.name for each in tmp_path.iterdir()) == ["capture.csv", "linklag.toml"]


def test_standard_input_is_a_capture_too(
    made: SimulatedBatch, monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str]
) -> None:
    forms = [wide_csv(made).encode(), json_lines(encode(batch_fields(made), Encoding.CBOR)), parquet(made)]
    for text in forms:
        monkeypatch.setattr(sys, "stdin", io.TextIOWrapper(io.BufferedReader(NotSeekable(text))))
        code, out, _err = run(monkeypatch, capfd, "-", "--pitch", "25.4", "-n", "20", "--window-s", "3600")
        assert code == 0
        assert re.search(r"elongation   1\.(30|29)\d %", out)


class NotSeekable(io.RawIOBase):
    """As a pipe is."""

    def __init__(self, content: bytes) -> None:
        self._rest = memoryview(content)

    def readable(self) -> bool:
        return True

    def readinto(self, buffer: Any) -> int:
        part = self._rest[: len(buffer)]
        buffer[: len(part)] = part
        self._rest = self._rest[len(part) :]
        return len(part)


def test_wrong_use_is_told_without_a_traceback(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str]
) -> None:
    path = str(write(tmp_path / "capture.csv", "up_us,down_us\n1,2\n"))
    for arguments, code, said in (
        ((path, "--chain", "16B-1"), 1, "--whole-pitches"),
        ((path, "--chain", "16B-1", "-n", "20", "--up", "x"), 2, "--up and --down go together"),
        ((path, "--chain", "16B-1", "-n", "20", "--unit", "h"), 2, "--unit"),
        ((path, "--chain", "nosuch", "-n", "20"), 1, "not in the catalogue"),
    ):
        found, _out, err = run(monkeypatch, capfd, *arguments)
        assert found == code
        assert said in err
        assert "Traceback" not in err
