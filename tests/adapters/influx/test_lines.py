"""Points and tags: what goes in comes back, whatever people call their chains."""

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.adapters.influx.lines import NONE, reading_line, rows_of, tag, text_of
from tests.contracts.given import MEASURED, a_reading

anything = st.text(max_size=30)
awkward = st.sampled_from(
    ["", "-", "%", "%2D", "trail\\", "a b", "a,b", "a=b", "two\nlines", "tab\t", "\x7f", "ä", '"', "'"]
)


@given(anything.filter(lambda text: text.isprintable()) | awkward)
def test_a_text_comes_back_from_its_tag(text: str) -> None:
    assert text_of(tag(text)) == text


@given(anything, anything)
def test_no_two_texts_share_a_tag(one: str, other: str) -> None:
    assert (tag(one) == tag(other)) == (one == other)


@given(anything | awkward)
def test_no_tag_is_empty_or_has_what_line_protocol_changes(text: str) -> None:
    """An empty one is left out by it, a backslash at the end gets a blank, a new line two characters."""
    made = tag(text)
    assert made not in {"", NONE}
    assert not any(each in made for each in "\\\n\r\t\0")


def test_what_is_not_known_has_a_tag_of_its_own() -> None:
    assert tag(None) == NONE
    assert text_of(NONE) is None


def test_a_text_that_no_text_can_be_is_refused() -> None:
    with pytest.raises(UnicodeEncodeError):
        tag("\ud800")


def test_a_line_has_all_tags_always_and_numbers_with_a_point() -> None:
    line = reading_line(replace(MEASURED, device_id="", chain_id=None), 0, 0)
    assert line.startswith("reading,chain=-,device=-,drive=press-3,rev=0,twin=0 ")
    fields = line.split(" ")[1].split(",")
    assert all("." in value or "e" in value for _name, value in (field.split("=") for field in fields))


def test_a_line_of_a_stopped_drive_says_why() -> None:
    line = reading_line(a_reading(10, None, seq=3), 2, 1)
    assert ",rev=2,twin=1 " in line
    assert 'reason="stopped"' in line
    assert "elongation_pct" not in line


@pytest.mark.parametrize("value", [float("nan"), float("inf"), -float("inf")])
def test_what_is_no_number_is_refused_by_name(value: float) -> None:
    """InfluxDB would leave the field out, and the reading would say less than it did."""
    with pytest.raises(ValueError, match=r"load_n is .*, which is no number"):
        reading_line(replace(MEASURED, load_n=value), 0, 0)


@given(st.integers(0, 2**63 - 1))
def test_a_sequence_number_comes_back_to_the_last_digit(seq: int) -> None:
    fields = dict(
        field.split("=") for field in reading_line(replace(MEASURED, seq=seq), 0, 0).split(" ")[1].split(",")
    )
    high = fields.get("seq_high")
    values = [
        MEASURED.t_ns,
        "-",
        "x",
        "0",
        "0",
        float(fields["window_ns"]),
        float(fields["seq"]),
        high and float(high),
    ]
    (row,) = rows_of("press-3", [values])
    assert row.identity == ("press-3", "", MEASURED.t0_ns, seq)
