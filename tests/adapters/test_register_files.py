"""The register as CSV and TOML: back the same, 200 drives at once, and what spreadsheets do to a file."""

import csv
import dataclasses
import io
from functools import cache
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from service.adapters.register_files import (
    COLUMNS,
    DRIVES_MAX,
    Problem,
    RegisterFileError,
    read_csv,
    read_toml,
    write_csv,
    write_toml,
)
from service.core import catalogue
from service.core.drive import Baseline, Chain, Drive, Registration
from tests.strategies import maybe

MARCH_NS = 1_772_323_200 * 10**9  # 2026-03-01T00:00:00Z


# Back the same


@cache
def words(*, lines: bool = False) -> st.SearchStrategy[str]:
    """Any text that the classes take, often beginning with what a spreadsheet would run."""
    plain = st.characters(exclude_categories=("Cc", "Cs", "Zl", "Zp"))
    letters = plain | st.sampled_from("\n\r\t") if lines else plain
    starts = st.sampled_from(["", "", "=", "'=", "''@", "'", "+1", "-2", "@x", '"', ",;", "＝"])
    return st.tuples(starts, st.text(letters, max_size=12)).map(lambda parts: "".join(parts).strip())


instants = st.integers(0, 9 * 10**18)
ids = st.from_regex(r"[a-z0-9][a-z0-9_-]{0,12}", fullmatch=True)
chain_ids = st.from_regex(r"[A-Za-z0-9][A-Za-z0-9_./:+-]{0,30}", fullmatch=True)
designations = st.sampled_from(["", "16B-2", "ANSI 80", "BL523", "M80", "M80-160", "own special", "=2040"])


@st.composite
def drives(draw: st.DrawFn) -> Drive:
    return Drive(
        drive_id=draw(ids),
        name=draw(words()),
        site=draw(words()),
        area=draw(words()),
        line=draw(words()),
        drive_class=draw(words()),
        strand_group=draw(words()),
        whole_pitches=draw(maybe(st.integers(1, 1000))),
        offset_pitches=draw(st.floats(0, 1, exclude_max=True)),
        spacing_u_mm=draw(st.floats(0.001, 1000)),
        driver_teeth=draw(maybe(st.integers(3, 1000))),
        driven_teeth=draw(maybe(st.integers(3, 1000))),
        up_to_driver_mm=draw(maybe(st.floats(0, 1e6))),
        fixed_centres=draw(st.booleans()),
        parallel_strands=draw(st.booleans()),
        own_limit_pct=draw(maybe(st.floats(0.05, 10))),
        temp_ref_c=draw(st.floats(-100, 500)),
        temp_range_k=draw(st.floats(0, 500)),
        mount_expansion_per_k=draw(st.floats(0, 1e-3)),
        load_ref_n=draw(maybe(st.floats(0, 1e8))),
        strain_pct_per_kn=draw(maybe(st.floats(0, 10))),
        strain_u_pct_per_kn=draw(maybe(st.floats(0, 10))),
        delay_us=draw(maybe(st.floats(-1e6, 1e6))),
        delay_u_us=draw(st.floats(0, 1e6)),
        load_u_pct=draw(st.floats(0, 10)),
        note=draw(words(lines=True)),
        retired_ns=draw(maybe(instants)),
    )


@st.composite
def chains(draw: st.DrawFn, drive_id: str) -> Chain:
    designation = draw(designations)
    try:
        fixed_mm = catalogue.find(designation).pitch_mm if designation else None
    except catalogue.DesignationError:
        fixed_mm = None
    fitted_ns = draw(st.integers(0, 8 * 10**18))
    return Chain(
        chain_id=draw(chain_ids),
        drive_id=drive_id,
        designation=designation,
        pitch_mm=fixed_mm or draw(st.floats(3, 2000)),
        strands=draw(st.integers(1, 12)),
        pitches_in_loop=draw(maybe(st.integers(4, 1_000_000))),
        fitted_ns=fitted_ns,
        removed_ns=draw(st.none() | st.integers(fitted_ns + 1, 9 * 10**18)),
        removed_why=draw(words(lines=True)),
        note=draw(words(lines=True)),
    )


@st.composite
def registrations(draw: st.DrawFn) -> Registration:
    drive = draw(drives())
    if draw(st.booleans()):
        return Registration(drive)
    chain = draw(chains(drive.drive_id))
    if draw(st.booleans()):
        return Registration(drive, chain)
    baseline = Baseline(
        chain_id=chain.chain_id,
        pitches_between=draw(st.floats(0.5, 1001)),
        pitches_between_u=draw(st.floats(0, 10)),
        elongation_pct=draw(st.floats(-5, 20)),
        elongation_u_pct=draw(st.floats(0, 10)),
        taken_ns=draw(instants),
        recorded_ns=draw(instants),
        recorded_by=draw(words()),
        why=draw(words(lines=True)),
        up_alternation_pct=draw(maybe(st.floats(-5, 50))),
        down_alternation_pct=draw(maybe(st.floats(-5, 50))),
    )
    return Registration(drive, chain, baseline)


def _distinct(found: list[Registration]) -> list[Registration]:
    drives = {each.drive.drive_id: each for each in found}
    by_chain = {each.chain.chain_id if each.chain else f"?{drive}": each for drive, each in drives.items()}
    return list(by_chain.values())


@settings(deadline=None)
@given(st.lists(registrations(), max_size=4).map(_distinct))
def test_what_is_written_is_read_back_the_same(given_ones: list[Registration]) -> None:
    assert read_csv(write_csv(given_ones)) == given_ones
    assert read_toml(write_toml(given_ones)) == given_ones
    assert read_csv(write_csv(given_ones).encode("utf-8-sig")) == given_ones
    assert read_csv(write_csv(given_ones).encode("utf-16")) == given_ones


@given(st.lists(registrations(), min_size=1, max_size=3).map(_distinct))
def test_nothing_that_is_written_begins_as_a_formula(given_ones: list[Registration]) -> None:
    """What a spreadsheet runs begins with = + - @ or a tab; a negative number is the one exception."""
    for cells in csv.reader(io.StringIO(write_csv(given_ones), newline="")):
        for cell in cells:
            assert not cell.startswith(("=", "+", "@", "\t", "\r", "＝", "＋", "－", "＠"))
            if cell.startswith("-"):
                assert isinstance(float(cell), float)


def test_all_fields_have_a_column() -> None:
    """A field added to a class must not be lost in a file."""
    held = {(column.of, column.field) for column in COLUMNS.values()}
    wanted = {(of, field.name) for of in (Drive, Chain, Baseline) for field in dataclasses.fields(of)}
    assert wanted - held == {(Chain, "drive_id"), (Baseline, "chain_id")}


def test_a_drive_without_sensors_leaves_whole_pitches_empty() -> None:
    (by_csv,) = read_csv("drive_id,whole_pitches,name\nhoist,,Hoist\n")
    (by_toml,) = read_toml("[[drive]]\ndrive_id = 'hoist'\nname = 'Hoist'\n")
    assert by_csv == by_toml == Registration(Drive(drive_id="hoist", name="Hoist"))


def test_a_file_without_drives_is_the_form_to_fill_in() -> None:
    assert write_csv([]).strip().split(",") == list(COLUMNS)
    assert read_csv(write_csv([])) == []
    assert read_toml(write_toml([])) == []
    assert read_toml("") == []


# As people write it


def test_a_short_file_is_filled_from_the_catalogue() -> None:
    (found,) = read_csv(
        "drive_id,whole_pitches,chain_designation,chain_fitted_utc\npress-infeed,24,ANSI 80-2,2026-03-01\n"
    )
    assert found == Registration(
        Drive(drive_id="press-infeed", whole_pitches=24),
        Chain(
            chain_id="press-infeed/2026-03-01",
            drive_id="press-infeed",
            designation="ANSI 80-2",
            pitch_mm=25.4,
            strands=2,
            fitted_ns=MARCH_NS,
        ),
    )


def test_toml_says_the_same_in_the_same_words() -> None:
    text = """
    [[drive]]
    drive_id = "press-infeed"
    whole_pitches = 24
    chain_designation = "ANSI 80-2"
    chain_fitted_utc = 2026-03-01
    """
    same = "drive_id,whole_pitches,chain_designation,chain_fitted_utc\npress-infeed,24,ANSI 80-2,2026-03-01\n"
    assert read_toml(text) == read_csv(same)


def test_two_hundred_drives_at_once() -> None:
    head = "drive_id,name,area,whole_pitches,driver_teeth,driven_teeth,chain_designation,chain_pitches_in_loop,chain_fitted_utc"
    rows = [
        f"conveyor-{n:03},Conveyor {n},Hall {n % 7},24,19,57,16B-1,{100 + 2 * (n % 20)},2026-03-{1 + n % 28:02}"
        for n in range(200)
    ]
    found = read_csv("\n".join([head, *rows]))
    assert len(found) == 200
    assert found[199].drive.name == "Conveyor 199"
    assert {each.chain.pitch_mm for each in found if each.chain} == {25.4}
    assert len({each.chain.chain_id for each in found if each.chain}) == 200


@pytest.mark.parametrize(
    "text",
    [
        "drive_id,whole_pitches,offset_pitches,fixed_centres\na,24,0.25,yes\n",
        "\ufeffDrive ID,Whole pitches,OFFSET-PITCHES,Fixed Centres\r\na,24,0.25,TRUE\r\n",
        "drive_id;whole_pitches;offset_pitches;fixed_centres\na;24;0,25;1\n",
        "sep=;\r\ndrive_id;whole_pitches;offset_pitches;fixed_centres\r\na;24;0,25;Yes\r\n",
        "drive_id\twhole_pitches\toffset_pitches\tfixed_centres\na\t24\t0.25\ttrue\n",
        '"drive_id","whole_pitches","offset_pitches","fixed_centres"\n"a","24","0.25","y"\n'.replace(
            '"y"', '"yes"'
        ),
        "fixed_centres,offset_pitches,whole_pitches,drive_id\nyes, .25 ,24.0, a\n\n , , ,\n",
        "drive_id,whole_pitches,# our cost centre,offset_pitches,fixed_centres\na,24,4711,2.5e-1,yes\n",
    ],
)
def test_what_spreadsheets_make_of_a_file(text: str) -> None:
    drive = Drive(drive_id="a", whole_pitches=24, offset_pitches=0.25, fixed_centres=True)
    assert read_csv(text) == [Registration(drive)]


@pytest.mark.parametrize(
    ("written", "t_ns"),
    [
        ("2026-03-01", MARCH_NS),
        ("2026-03-01T00:00:00Z", MARCH_NS),
        ("2026-03-01 00:00Z", MARCH_NS),
        ("2026-03-01T01:00:00+01:00", MARCH_NS),
        ("2026-03-01T00:00:00.000000001z", MARCH_NS + 1),
        ("2026-02-28T19:30:00.5-04:30", MARCH_NS + 500_000_000),
    ],
)
def test_instants_are_rfc_3339(written: str, t_ns: int) -> None:
    (by_csv,) = read_csv(f"drive_id,whole_pitches,retired_utc\na,24,{written}\n")
    (by_toml,) = read_toml(f'[[drive]]\ndrive_id = "a"\nwhole_pitches = 24\nretired_utc = "{written}"\n')
    assert by_csv.drive.retired_ns == by_toml.drive.retired_ns == t_ns


def test_toml_has_instants_of_its_own() -> None:
    for written in ("2026-03-01", "2026-03-01T00:00:00Z", "2026-03-01T01:00:00+01:00"):
        (found,) = read_toml(f'[[drive]]\ndrive_id = "a"\nwhole_pitches = 24\nretired_utc = {written}\n')
        assert found.drive.retired_ns == MARCH_NS


def test_a_baseline_needs_no_more_than_its_figures_and_its_date() -> None:
    (found,) = read_csv(
        "drive_id,whole_pitches,chain_designation,chain_fitted_utc,baseline_pitches_between,baseline_pitches_between_u,"
        "baseline_elongation_pct,baseline_elongation_u_pct,baseline_taken_utc\n"
        "a,24,08B,2026-03-01,23.98,0.002,0.075,0.043,2026-03-02\n"
    )
    assert found.baseline is not None
    assert found.baseline.chain_id == "a/2026-03-01"
    assert found.baseline.recorded_ns == found.baseline.taken_ns == MARCH_NS + 86_400 * 10**9


# What is refused


def problems(text: str | bytes, read: Any = read_csv) -> list[tuple[int | None, str, str]]:
    with pytest.raises(RegisterFileError) as refused:
        read(text)
    for problem in refused.value.problems[:50]:
        assert str(problem) in str(refused.value)
    return [(problem.line, problem.column, problem.text) for problem in refused.value.problems]


@pytest.mark.parametrize(
    ("column", "cell", "says"),
    [
        ("drive_id", "Press 1", "use small letters"),
        ("whole_pitches", "24.5", "is no whole number"),
        ("whole_pitches", "twenty", "write digits alone"),
        ("whole_pitches", "1e999", "is no whole number"),
        (
            "offset_pitches",
            '"0,25"',
            "has a decimal comma; write 0.25, or separate the cells with semicolons",
        ),
        ("offset_pitches", "1.5", "count whole ones in whole_pitches"),
        ("offset_pitches", "nan", "is no number"),
        ("own_limit_pct", "2 %", "without unit"),
        ("load_ref_n", "3 400", "without marks between thousands"),
        ("load_ref_n", "٣", "is no number"),
        ("fixed_centres", "maybe", "neither yes nor no"),
        ("chain_designation", "16C", "16A, 16B"),
        ("chain_designation", "M80", "chain_pitch_mm"),
        ("chain_pitch_mm", "12.7", "16B-1 has 25.4 mm pitch, not 12.7"),
        ("chain_fitted_utc", "", "is missing; give the day on which the chain was fitted"),
        ("chain_fitted_utc", "01.03.2026", "write year-month-day"),
        ("chain_fitted_utc", "3/1/26", "write year-month-day"),
        ("chain_fitted_utc", "46082", "write year-month-day"),
        ("chain_fitted_utc", "2026-02-30", "day is out of range for month"),
        ("chain_fitted_utc", "2026-03-01 06:00", "does not say its time zone"),
        ("chain_fitted_utc", "1899-12-31", "correct the year"),
        ("chain_fitted_utc", "9999-01-01", "correct the year"),
        ("chain_removed_utc", "2026-02-01", "came off before it was fitted"),
        ("baseline_pitches_between", "", "is missing"),
        ("baseline_elongation_pct", "", "new chain of ISO 606 lies within 0 and 0.15"),
    ],
)
def test_each_problem_names_its_line_its_column_and_the_fix(column: str, cell: str, says: str) -> None:
    good = {
        "drive_id": "press-infeed",
        "whole_pitches": "24",
        "offset_pitches": "0.25",
        "own_limit_pct": "2",
        "load_ref_n": "",
        "fixed_centres": "no",
        "chain_designation": "16B-1",
        "chain_pitch_mm": "",
        "chain_fitted_utc": "2026-03-01",
        "chain_removed_utc": "",
        "baseline_pitches_between": "24",
        "baseline_pitches_between_u": "0.01",
        "baseline_elongation_pct": "0.1",
        "baseline_elongation_u_pct": "0.05",
        "baseline_taken_utc": "2026-03-02",
    }
    rows = [
        ",".join(good),
        ",".join(good.values()),
        "",
        ",".join((good | {"drive_id": "second", column: cell}).values()),
    ]
    assert len(read_csv("\n".join(rows[:2]))) == 1
    ((line, named, text),) = problems("\n".join(rows))
    assert line == 4
    assert says in f"{named}: {text}"
    assert column in {named, "chain_designation"}


def test_all_problems_are_told_and_nothing_is_half_read() -> None:
    text = (
        "drive_id,whole_pitches,offset_pitches,chain_designation,chain_fitted_utc\n"
        "good,24,0,16B,2026-03-01\n"
        "Bad,0,2,16C,never\n"
        "good,x,0,,\n"
    )
    found = problems(text)
    assert {(line, column) for line, column, _ in found} == {
        (3, "drive_id"),
        (3, "whole_pitches"),
        (3, "offset_pitches"),
        (3, "chain_designation"),
        (3, "chain_fitted_utc"),
        (4, "whole_pitches"),
        (4, "drive_id"),
    }
    assert [line for line, _, _ in found] == sorted(line or 0 for line, _, _ in found)
    assert any("stands in line 2 already" in text for _, _, text in found)


def test_a_chain_id_stands_once() -> None:
    text = "drive_id,whole_pitches,chain_id,chain_pitch_mm,chain_fitted_utc\na,24,c,12.7,2026-03-01\nb,24,c,12.7,2026-03-01\n"
    assert problems(text) == [(3, "chain_id", "'c' stands in line 2 already; give each its own")]


def test_lines_are_counted_as_the_file_has_them() -> None:
    text = 'sep=,\ndrive_id,note,whole_pitches\r\na,"one\r\ntwo\nthree",24\r\n\r\nb,,x\r\n'
    ((line, column, _),) = problems(text)
    assert (line, column) == (7, "whole_pitches")


@pytest.mark.parametrize(
    ("head", "says"),
    [
        ("drive_id,whole_pitch", "did you mean whole_pitches"),
        ("drive_id,whole_pitches,designation", "did you mean chain_designation?"),
        ("drive_id,whole_pitches,cost centre", "put # before the heading"),
        ("drive_id,whole_pitches,name,Name", "is a heading twice"),
        ("name,site", "is missing among the headings"),
    ],
)
def test_headings_that_are_none(head: str, says: str) -> None:
    assert any(line == 1 and says in text for line, _, text in problems(f"{head}\na,24,x,y\n"))


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("", "is empty; the first row must name the columns"),
        (" \n\n", "is empty"),
        ('drive_id,whole_pitches,note\na,24,"open\nb,24,x\n', "close the quotation marks"),
        ("drive_id,whole_pitches\na,24,25\n", "more cells than there are headings; is a decimal comma"),
        (
            "drive_id;offset_pitches;spacing_u_mm;whole_pitches\na;0,5;1.234;24\n",
            "has a point where other numbers",
        ),
        (b"drive_id,whole_pitches,name\na,24,M\xfcller\n", "not in UTF-8"),
        ("x" * 8_000_001, "divide it"),
        (b"x" * 32_000_001, "divide it"),
        ("drive_id,whole_pitches\n" + "a,24\n" * (DRIVES_MAX + 1), f"at most {DRIVES_MAX}"),
        (f"drive_id,whole_pitches,note\na,24,{'x' * 200_000}\n", "cannot be divided into cells"),
        ("drive_id,whole_pitches,baseline_pitches_between\na,24,24\n", "a baseline belongs to a chain"),
    ],
)
def test_files_that_are_none(text: str | bytes, says: str) -> None:
    assert any(says in found for _, _, found in problems(text))


@pytest.mark.parametrize(
    ("text", "line", "column", "says"),
    [
        ("x = ", None, "", "is no TOML"),
        ("\nx = = 1", 2, "", "is no TOML"),
        ("a = " + "[" * 100_000, None, "", "is no TOML"),
        ("a = 1" + "0" * 10_000, None, "", "is no TOML"),
        ("[[drives]]\ndrive_id = 'a'", None, "drives", "write one [[drive]] table for each"),
        ("[drive]\ndrive_id = 'a'", None, "drive", "with two brackets"),
        ("drive = [1]", None, "drive", "with two brackets"),
        ("[[drive]]\n[[drive]]\ndrive_id = 'b'\nwhole_pitches = 24\n", 1, "drive_id", "is missing"),
        ("[[drive]]\ndrive_id = 'a'\nwhole_pitches = '24'", 1, "whole_pitches", "is no whole number"),
        ("[[drive]]\ndrive_id = 'a'\nwhole_pitches = 24\nname = 5", 1, "name", "is no text"),
        (
            "[[drive]]\ndrive_id = 'a'\nwhole_pitches = 24\noffset_pitches = nan",
            1,
            "offset_pitches",
            "is not within",
        ),
        (
            "[[drive]]\ndrive_id = 'a'\nwhole_pitches = 24\nretired_utc = 2026-03-01T00:00:00",
            1,
            "retired_utc",
            "its zone",
        ),
        (
            "[[drive]]\ndrive_id = 'a'\nwhole_pitches = 24\nretired_utc = 5",
            1,
            "retired_utc",
            "does not say an instant",
        ),
        (
            "[[drive]]\ndrive_id = 'a'\nwhole_pitches = 24\n[drive.chain]\npitch = 1",
            1,
            "chain",
            "is no column of a register",
        ),
        ("drive = [{drive_id = 'a', whole_pitches = 0}]", None, "whole_pitches", "drive 1: 0 is not within"),
    ],
)
def test_toml_that_is_none(text: str, line: int | None, column: str, says: str) -> None:
    assert any(
        (at, named) == (line, column) and says in found for at, named, found in problems(text, read_toml)
    )


def test_many_problems_make_a_message_that_ends() -> None:
    with pytest.raises(RegisterFileError) as refused:
        read_csv("drive_id,whole_pitches\n" + "A,0\n" * 500)
    assert len(refused.value.problems) > 1000
    assert str(refused.value).count("\n") == 50
    assert str(refused.value).endswith("more")


def refused_problems(read: Any, text: str) -> tuple[Problem, ...] | None:
    """Return why a file was refused, None where it was read; any other exception is a fault."""
    try:
        read(text)
    except RegisterFileError as refused:
        return refused.problems
    return None


cell = st.sampled_from(
    [
        "",
        "a",
        "24",
        "16B",
        "x",
        '"',
        "0,5",
        "1.5",
        "2026-03-01",
        "\ufeff",
        "=1",
        "yes",
        "M80",
        "-",
        "\n",
        "\x00",
    ]
) | st.text(max_size=6)


@given(
    st.lists(st.sampled_from([*COLUMNS, "", "#x", "other"]), max_size=8),
    st.lists(st.lists(cell, max_size=8), max_size=4),
    st.sampled_from(",;\t"),
)
@settings(max_examples=200)
def test_no_file_makes_another_error(heads: list[str], rows: list[list[str]], delimiter: str) -> None:
    text = "\n".join(delimiter.join(cells) for cells in [["drive_id", "whole_pitches", *heads], *rows])
    found = refused_problems(read_csv, text)
    assert found is None or (found and all(problem.text for problem in found))


toml_value: st.SearchStrategy[Any] = st.sampled_from(
    [
        "1",
        "'a'",
        "24",
        "1.5",
        "true",
        "2026-03-01",
        "07:00:00",
        "2026-03-01T00:00:00",
        "[1]",
        "{x=1}",
        "inf",
        "'16B'",
        "''",
        "-1",
    ]
)


@given(st.dictionaries(st.sampled_from(list(COLUMNS)), toml_value, max_size=10))
@settings(max_examples=200)
def test_no_toml_makes_another_error(table: dict[str, str]) -> None:
    text = "[[drive]]\n" + "\n".join(f"{name} = {value}" for name, value in table.items())
    found = refused_problems(read_toml, text)
    assert found is None or {problem.line for problem in found} == {1}


def test_ten_thousand_drives_are_one_file() -> None:
    head = "drive_id,whole_pitches,chain_designation,chain_fitted_utc\n"
    found = read_csv(head + "".join(f"d{n},24,16B-1,2026-03-01\n" for n in range(DRIVES_MAX)))
    assert len(found) == DRIVES_MAX
