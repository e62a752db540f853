"""The catalogue against published tables; what people write on plates and in spreadsheets; what they can measure."""

import csv
import re
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.core import catalogue
from service.core.catalogue import AmbiguousDesignationError, ChainKind, PitchError, UnknownDesignationError
from tests.conftest import REFERENCE

GOLDEN = Path(__file__).parents[1] / "golden"
CHAINS = catalogue.chains()


def _rows(path: Path) -> list[dict[str, str]]:
    if not path.exists():
        pytest.skip(f"{path} is not here: a table of published figures kept outside this repository")
    with path.open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def _figure(text: str) -> float | None:
    return float(text) if text else None


# Against published figures


def test_roller_chain_is_that_of_asme_b29_1() -> None:
    """The encyclopedia's table after ANSI/ASME B29.1 (tests/golden/README.md); its 180 roller is a misprint."""
    rows = _rows(GOLDEN / "asme_b29_1.csv")
    assert len(rows) == 14
    for row in rows:
        chain = catalogue.find(row["number"])
        assert chain.pitch_mm == pytest.approx(25.4 * float(row["pitch_in"]), abs=1e-9), row
        assert chain.min_tensile_kn == pytest.approx(0.0044482216 * float(row["tensile_lbf"]), rel=0.012), row
        printed_mm = 25.4 * (1.406 if row["number"] == "180" else float(row["roller_dia_in"]))
        assert chain.roller_dia_mm == pytest.approx(printed_mm, abs=0.015), row


def test_double_pitch_is_that_of_the_guide() -> None:
    """The Complete Guide to Chain, table 2.2 (tests/golden/README.md)."""
    rows = _rows(GOLDEN / "double_pitch.csv")
    assert len(rows) == 7
    for row in rows:
        for number in (row["number"], f"C{row['number']}"):
            assert catalogue.find(number).pitch_mm == float(row["pitch_mm"]), row


@pytest.mark.parametrize("size", ["06", "08", "10", "12", "16", "20", "24", "28", "32", "40", "48"])
def test_the_iso_number_is_the_pitch_in_sixteenths_of_an_inch(size: str) -> None:
    """ISO 606, designation (from memory)."""
    series = [chain for chain in CHAINS if re.fullmatch(f"{size}[ABC]", chain.designation)]
    assert series
    for chain in series:
        assert chain.pitch_mm == pytest.approx(int(size) * 1.5875, abs=0.001)


def test_the_asme_number_is_the_pitch_in_eighths_of_an_inch() -> None:
    """ASME B29.1: all but the last digit (41 and the 5 of 25 and 35 say the proportions)."""
    numbers = [(chain, alias) for chain in CHAINS for alias in chain.aliases if chain.standard == "ISO 606"]
    assert len(numbers) == 14
    for chain, number in numbers:
        assert chain.pitch_mm == pytest.approx(int(number[:-1]) * 3.175, abs=0.001), number


@pytest.mark.parametrize(
    ("designation", "field", "value"),
    [
        ("10A", "pitch_mm", 15.875),  # GOST 13568-97, table A.1 (ISO 606:1994)
        ("ANSI 50", "pitch_mm", 15.875),
        ("16B", "pitch_mm", 25.4),
        ("05B", "pitch_mm", 8.0),
        ("08A", "roller_dia_mm", 7.92),  # ISO 606; 7.95 in the edition of 1994
        ("08B", "roller_dia_mm", 8.51),
        ("16A", "measuring_force_n", 500),  # a public table of ISO 606, A series
        ("24A", "measuring_force_n", 1110),
        ("32A", "measuring_force_n", 2000),
        ("32A", "roller_dia_mm", 28.58),  # 25.40 in a copy of GOST 13568-97: a misprint
        ("25", "designation", "04C"),  # 05B in a public table: a wrong label
        ("35", "designation", "06C"),  # 06B there
        ("41", "designation", "085"),  # 08B there
        ("BL523", "pitch_mm", 15.875),  # ASME B29.8, 1.1: 5/8 in
        ("BL523", "lacing", "2x3"),
        ("LH1023", "designation", "LH1023"),
    ],
)
def test_single_figures(designation: str, field: str, value: object) -> None:
    assert getattr(catalogue.find(designation), field) == value


def test_measuring_force_is_near_one_per_cent_of_the_strength() -> None:
    """Common knowledge of ISO 606: 0.9 % for the A series; a typing error of ten would show."""
    forces = [chain for chain in CHAINS if chain.kind is ChainKind.ROLLER and chain.measuring_force_n]
    assert len(forces) > 30
    for chain in forces:
        ratio = (chain.measuring_force_n or 0) / (1000 * (chain.min_tensile_kn or 1))
        assert 0.005 < ratio < 0.02, chain


def test_iso_606_row_by_row() -> None:
    rows = _rows(REFERENCE / "iso606.csv")
    short = [c for c in CHAINS if c.kind in {ChainKind.ROLLER, ChainKind.BUSH} and not c.heavy]
    assert [row["iso_no"] for row in rows] == [chain.designation for chain in short]
    for row, chain in zip(rows, short, strict=True):
        assert chain.aliases == ((row["ansi_no"],) if row["ansi_no"] else ())
        assert chain.pitch_mm == _figure(row["pitch_mm"]), row
        assert chain.roller_dia_mm == _figure(row["roller_dia_mm_max"]), row
        assert chain.inner_width_mm == _figure(row["inner_width_mm_min"]), row
        assert chain.pin_dia_mm == _figure(row["pin_dia_mm_max"]), row
        assert chain.transverse_pitch_mm == _figure(row["transverse_pitch_mm"]), row
        assert chain.min_tensile_kn == _figure(row["min_tensile_kN_simplex"]), row
        assert chain.measuring_force_n == _figure(row["measuring_force_N"]), row


def test_iso_1275_row_by_row() -> None:
    rows = _rows(REFERENCE / "iso1275.csv")
    for row in rows:
        chain, base = catalogue.find(row["iso_no"]), catalogue.find(row["base_chain"])
        assert chain.kind is ChainKind.DOUBLE_PITCH
        assert chain.pitch_mm == _figure(row["pitch_mm"]) == 2 * (base.pitch_mm or 0)
        assert (chain.roller_dia_mm, chain.pin_dia_mm) == (base.roller_dia_mm, base.pin_dia_mm)
        assert not row["ansi_no"] or catalogue.find(row["ansi_no"]) == chain
    ours = [
        c.designation
        for c in CHAINS
        if c.kind is ChainKind.DOUBLE_PITCH and not c.designation.startswith("C")
    ]
    assert ours == [row["iso_no"] for row in rows]


def test_leaf_chain_row_by_row() -> None:
    rows = _rows(REFERENCE / "leaf.csv")
    leaf = {chain.designation: chain for chain in CHAINS if chain.kind is ChainKind.LEAF}
    assert {row["iso_4347_no"] for row in rows} == set(leaf)
    for row in rows:
        chain = catalogue.find(row["chain_no"])
        assert chain == leaf[row["iso_4347_no"]]
        assert chain.pitch_mm == _figure(row["pitch_mm"]), row
        assert chain.lacing == row["lacing"], row
        assert chain.min_tensile_kn == _figure(row["min_tensile_kN"]), row
        if row["series"] == "BL/LH" or chain.pin_dia_mm is not None:
            assert chain.pin_dia_mm == _figure(row["pin_dia_mm_max"]), row


def test_length_tolerances() -> None:
    """ISO 606: a new chain of 1220 mm may measure 1221.83 mm. ASME B29.8, 1.6: 0.031 in/ft is 0.2583 %."""
    _, most_pct = catalogue.find("08B").new_length_pct
    assert 1220 * (1 + most_pct / 100) == pytest.approx(1221.83, abs=0.005)
    assert catalogue.find("BL634").new_length_pct[1] == pytest.approx(0.2583, abs=0.001)
    assert catalogue.find("LL1222").new_length_pct == (-0.05, 0.20)
    assert catalogue.find("C2050").new_length_pct == (0.0, 0.15)  # The Complete Guide to Chain, 2.1.2


# Finding by designation


@pytest.mark.parametrize(
    ("written", "meant"),
    [
        ("16B-2", "16B-2"),
        ("16b2".replace("b2", "b-2"), "16B-2"),
        ("  16 B - 2 ", "16B-2"),
        ("16B – 2", "16B-2"),
        ("16B\N{NO-BREAK SPACE}-\N{NO-BREAK SPACE}2", "16B-2"),
        ("16В-2", "16B-2"),  # Cyrillic Ve
        ("16B duplex", "16B-2"),
        ("16B-TRIPLEX", "16B-3"),
        ("DIN 8187 16B-1", "16B-1"),
        ("DIN 8187-1 - 16B-1", "16B-1"),
        ("ISO 606 16B", "16B-1"),
        ("ISO 606:2015-16B-1", "16B-1"),
        ("BS 228 08B-3", "08B-3"),
        ("8b", "08B-1"),  # a spreadsheet drops the leading nought
        ("80", "16A-1"),
        ("80-2", "16A-2"),
        ("80 2", "16A-2"),
        ("ANSI 80", "16A-1"),
        ("ansi80-2", "16A-2"),
        ("ASME B29.1 80-2", "16A-2"),
        ("#40", "08A-1"),
        ("No. 40", "08A-1"),
        ("80H", "80H-1"),
        ("ANSI 80-H", "80H-1"),
        ("80H-2", "80H-2"),
        ("80-2H", "80H-2"),
        ("2040", "208A"),
        ("C2060H", "212A"),
        ("c 2062 h", "C212AHL"),
        ("BL 523", "LH1023"),
        ("bl-523", "LH1023"),
        ("LL 1644", "LL1644"),
        ("ISO 4347 LH0822", "LH0822"),
        ("081", "081-1"),
        ("ISO 081", "081-1"),
    ],
)
def test_what_people_write(written: str, meant: str) -> None:
    assert catalogue.find(written).full_designation == meant


@pytest.mark.parametrize(
    ("written", "pitch_mm"),
    [
        ("M80", None),
        ("m 80", None),
        ("M80-160", 160),
        ("M80-P-160", 160),
        ("ISO 1977 M80 160", 160),
        ("MC56-F-100", 100),
    ],
)
def test_conveyor_chain_says_its_pitch_only_where_it_stands_behind(
    written: str, pitch_mm: float | None
) -> None:
    chain = catalogue.find(written)
    assert chain.kind is ChainKind.CONVEYOR
    assert chain.pitch_mm == pitch_mm


def test_every_name_is_of_one_chain_and_finds_it() -> None:
    names = [name for chain in CHAINS for name in (chain.designation, *chain.aliases)]
    assert len(names) == len(set(names))
    for chain in CHAINS:
        for name in (chain.designation, *chain.aliases, chain.full_designation):
            assert catalogue.find(name) == chain


@given(st.sampled_from([chain for chain in CHAINS if chain.stranded]), st.integers(1, 12), st.data())
def test_case_and_spaces_do_not_matter(
    chain: catalogue.CatalogueChain, strands: int, data: st.DataObject
) -> None:
    text = f"{chain.designation}-{strands}"
    text = data.draw(st.sampled_from([text.lower(), text.upper()]))
    spaces = data.draw(st.lists(st.sampled_from(["", " "]), min_size=3, max_size=3))
    found = catalogue.find(f"{spaces[0]}{text.replace('-', f'{spaces[1]}-{spaces[2]}')}{spaces[0]}")
    assert (found.designation, found.strands) == (chain.designation, strands)


@pytest.mark.parametrize(
    ("written", "near"),
    [
        ("16C", "16B"),
        ("41H", "41"),
        ("81", "081"),
        ("BL599", "BL522"),
        ("04B", "04C"),
        ("40-1R", "40"),
        ("1OB", "10B"),
    ],
)
def test_an_unknown_designation_lists_what_may_be_meant(written: str, near: str) -> None:
    with pytest.raises(UnknownDesignationError, match=re.escape(repr(written))) as refused:
        catalogue.find(written)
    assert near in refused.value.near
    assert near in str(refused.value)


@pytest.mark.parametrize(
    "written",
    [
        "",
        "banana",
        "16B-0",
        "16B-99",
        "BL523-2",
        "M80-2",
        "2040-2",
        "\N{PILE OF POO}",
        "0" * 5000,
        "16B" + " " * 5000,
    ],
)
def test_nonsense_is_refused(written: str) -> None:
    with pytest.raises(UnknownDesignationError):
        catalogue.find(written)


@given(st.text(max_size=30))
def test_any_text_is_found_or_refused(text: str) -> None:
    try:
        found = catalogue.find(text)
    except catalogue.DesignationError:
        return
    assert catalogue.find(found.full_designation).designation == found.designation


@pytest.mark.parametrize(
    ("written", "series"), [("16", ("16A", "16B")), ("ISO 40", ("40A", "40B")), ("DIN 8", ("08A", "08B"))]
)
def test_a_bare_iso_number_is_ambiguous(written: str, series: tuple[str, ...]) -> None:
    with pytest.raises(AmbiguousDesignationError, match="say the series") as refused:
        catalogue.find(written)
    assert refused.value.near == series


# Pitch from designation


@pytest.mark.parametrize(
    ("designation", "given_mm", "pitch_mm"),
    [
        ("16B-1", None, 25.4),
        ("35", 9.52, 9.525),
        ("10A", 15.88, 15.875),
        ("", 152.4, 152.4),
        ("M80", 160.0, 160.0),
        ("M80-160", None, 160.0),
        ("special of our own", 78.1, 78.1),
    ],
)
def test_pitch_of_a_described_chain(designation: str, given_mm: float | None, pitch_mm: float) -> None:
    assert catalogue.pitch_of(designation, given_mm) == pitch_mm


@pytest.mark.parametrize(
    ("designation", "given_mm", "says"),
    [
        ("16B-1", 25.0, "16B-1 has 25.4 mm pitch, not 25"),
        ("M80", None, "M80 does not say the pitch; give the pitch"),
        ("", None, "not described; give the pitch in mm, or a designation"),
    ],
)
def test_a_pitch_that_is_missing_or_contradicts(designation: str, given_mm: float | None, says: str) -> None:
    with pytest.raises(PitchError, match=says):
        catalogue.pitch_of(designation, given_mm)


def test_an_unknown_designation_without_pitch_is_refused() -> None:
    with pytest.raises(UnknownDesignationError):
        catalogue.pitch_of("special of our own")


def test_notes_on_pitches() -> None:
    assert catalogue.pitch_note("M80", 160) == ""
    assert catalogue.pitch_note("", 78.1) == ""
    assert "not among the pitches of ISO 1977" in catalogue.pitch_note("M80", 152.4)
    assert "16B has 25.4 mm pitch, not 12.7" in catalogue.pitch_note("16B", 12.7)
    assert "not in the catalogue" in catalogue.pitch_note("16C", 25.4)


# Identifying by measurement


def test_half_an_inch_fits_both_series_until_the_roller_is_measured() -> None:
    """ISO 606: 08A has a roller of 7.92 mm, 08B of 8.51 mm, both 12.7 mm pitch."""
    matches = {match.chain.designation: match for match in catalogue.identify(10 * 12.71, pitches=10)}
    assert {"08A", "08B", "085", "LH0822", "LL0822"} <= set(matches)
    assert "roller diameter 7.92 mm (08B: 8.51 mm)" in matches["08A"].tell_apart
    assert any(line.startswith("rollers or bushes on the pins (LH0822") for line in matches["08A"].tell_apart)
    by_roller = catalogue.identify(10 * 12.71, pitches=10, roller_dia_mm=8.5)
    assert [match.chain.designation for match in by_roller] == ["08B"]
    assert by_roller[0].tell_apart == ()
    assert by_roller[0].new
    assert "as new chain" in by_roller[0].verdict


def test_one_inch_is_short_double_or_leaf_chain() -> None:
    """25.4 mm: ISO 606 16A and 16B (told apart by their width), ISO 1275 208A and 208B, ISO 4347."""
    matches = {match.chain.designation: match for match in catalogue.identify(25.4)}
    assert {"16A", "16B", "80H", "208A", "208B", "C208AL", "LH1622", "LL1622"} <= set(matches)
    assert any(
        "17.02 mm" in line and line.startswith("inner width 15.75 mm") for line in matches["16A"].tell_apart
    )
    assert any(
        "80H: plates as thick as of the next larger size" in line for line in matches["16A"].tell_apart
    )
    assert any(
        line.startswith("roller diameter 7.92 mm (") and "16A" in line for line in matches["208A"].tell_apart
    )
    assert matches["LH1622"].alike == ("LH1623", "LH1634", "LH1644", "LH1646", "LH1666")


def test_leaf_chain_has_no_rollers() -> None:
    kinds = {match.chain.kind for match in catalogue.identify(25.4, roller_dia_mm=0)}
    assert kinds == {ChainKind.LEAF}
    assert ChainKind.LEAF not in {match.chain.kind for match in catalogue.identify(25.4, roller_dia_mm=15.9)}


def test_new_two_inch_chain_may_be_worn_conveyor_chain() -> None:
    """50.8 mm is new 32A, or ISO 1977 chain of 50 mm worn by 1.6 %: the length alone cannot say."""
    matches = catalogue.identify(20 * 50.8, pitches=20)
    assert matches[0].chain.pitch_mm == 50.8
    (conveyor,) = (match for match in matches if match.chain.kind is ChainKind.CONVEYOR)
    assert conveyor.chain.pitch_mm == 50
    assert conveyor.elongation_pct == pytest.approx(1.6, abs=1e-9)
    assert conveyor.verdict.startswith("would be worn +1.60 %")
    assert not conveyor.new
    assert any("marking on the plates" in line for line in conveyor.tell_apart)


def test_one_link_of_worn_chain_may_be_twice_as_long() -> None:
    """Wear lengthens every second pitch by twice the mean: at 3 % an outer link of 12.7 mm measures 13.46 mm."""
    matches = {match.chain.designation: match for match in catalogue.identify(12.7 * 1.06)}
    assert "08B" in matches
    assert "even number of pitches" in matches["08B"].verdict
    assert not catalogue.identify(10 * 12.7 * 1.06, pitches=10)


def test_between_two_sizes_nothing_fits() -> None:
    assert catalogue.identify(10 * 14.5, pitches=10) == []


def test_wear_of_rollers_is_allowed_for() -> None:
    worn = {
        match.chain.designation for match in catalogue.identify(127, pitches=10, roller_dia_mm=8.51 * 0.96)
    }
    assert "08B" in worn
    assert "08A" not in worn
    assert catalogue.identify(127, pitches=10, roller_dia_mm=7.0) == []
    assert catalogue.identify(127, pitches=10, roller_dia_mm=9.0) == []


FIXED = [chain for chain in CHAINS if chain.pitch_mm is not None]


@given(st.sampled_from(FIXED), st.integers(1, 30), st.floats(0, 4))
def test_every_chain_is_recognised_new_and_worn(
    chain: catalogue.CatalogueChain, pairs: int, worn_pct: float
) -> None:
    pitches = 2 * pairs
    length_mm = pitches * (chain.pitch_mm or 0) * (1 + worn_pct / 100)
    matches = catalogue.identify(
        length_mm,
        pitches=pitches,
        roller_dia_mm=chain.roller_dia_mm,
        inner_width_mm=chain.inner_width_mm,
        pin_dia_mm=chain.pin_dia_mm,
    )
    (match,) = (each for each in matches if chain.designation in {each.chain.designation, *each.alike})
    assert match.elongation_pct == pytest.approx(worn_pct, abs=1e-6)
    for other in matches:
        nominal_mm = pitches * (other.chain.pitch_mm or 0)
        assert nominal_mm * (1 + other.elongation_pct / 100) == pytest.approx(length_mm, rel=1e-9)
        assert other is match or other.tell_apart


@given(st.sampled_from(FIXED), st.integers(10, 30))
def test_what_is_worn_beyond_use_or_too_short_is_no_match(
    chain: catalogue.CatalogueChain, pairs: int
) -> None:
    nominal_mm = 2 * pairs * (chain.pitch_mm or 0)
    for length_mm in (nominal_mm * 1.05, nominal_mm * 0.985):
        matches = catalogue.identify(length_mm, pitches=2 * pairs)
        assert all(chain.designation not in {match.chain.designation, *match.alike} for match in matches)


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        ({"length_mm": 0.0}, "length_mm: 0.0 is no measured length"),
        ({"length_mm": float("nan")}, "length_mm: nan"),
        ({"length_mm": 127.0, "pitches": 0}, "pitches: 0 is no count"),
        ({"length_mm": 127.0, "length_u_mm": -1.0}, "length_u_mm: -1.0"),
    ],
)
def test_no_measurement_is_refused(arguments: dict[str, float], says: str) -> None:
    with pytest.raises(ValueError, match=says):
        catalogue.identify(**arguments)  # type: ignore[arg-type]
