"""Lengths in both units, and those of the inch series as the trade writes them."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.adapters.web.lengths import inch_words, length_words, mm_words, pitch_words


def plain(words: str) -> str:
    return words.replace("\N{NO-BREAK SPACE}", " ")


@pytest.mark.parametrize(
    ("mm", "inches"),
    [
        (6.35, "1/4 in"),
        (9.525, "3/8 in"),
        (12.7, "1/2 in"),
        (15.875, "5/8 in"),
        (25.4, "1 in"),
        (31.75, "1 1/4 in"),
        (44.45, "1 3/4 in"),
        (114.3, "4 1/2 in"),
        (8.0, "0.31 in"),
        (160.0, "6.30 in"),
        (513.08, "20.2 in"),
    ],
)
def test_pitches_of_the_inch_series_are_fractions_and_others_are_not(mm: float, inches: str) -> None:
    assert plain(inch_words(mm)) == inches


def test_millimetres_come_first_with_as_many_places_as_can_be_measured() -> None:
    assert plain(length_words(12.7)) == "12.7 mm (1/2 in)"
    assert plain(mm_words(762.0)) == "762 mm"
    assert plain(mm_words(1234.56)) == "1235 mm"


def test_a_pitch_is_written_to_its_last_digit() -> None:
    assert plain(pitch_words(19.05)) == "19.05 mm (3/4 in)"
    assert plain(pitch_words(15.875)) == "15.875 mm (5/8 in)"
    assert plain(pitch_words(160.0)) == "160 mm (6.30 in)"


@given(st.floats(0.5, 1e5))
def test_what_is_written_is_the_length(mm: float) -> None:
    words = plain(inch_words(mm)).removesuffix(" in")
    parts = [each.partition("/") for each in words.split(" ")]
    inches = sum(float(top) / float(bottom or 1) for top, _, bottom in parts)
    assert inches * 25.4 == pytest.approx(mm, abs=0.13 if mm < 254 else 1.3)
