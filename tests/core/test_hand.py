"""A measurement by hand: published examples, what people get wrong at the drive, and a simulation of its own."""

import math
import random
from dataclasses import dataclass, replace
from itertools import cycle, islice
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import norm

from service.core import hand
from service.core.drive import Chain, Drive, limit
from service.core.fields import FieldsRefusedError
from service.core.hand import HandMethod, HandValue, Known, agrees, card, count_doubt, hand_elongation

DAY_NS = 86_400 * 10**9
NOW_NS = 20_706 * DAY_NS
FIELDS: dict[str, Any] = {
    "drive_id": "kiln-4",
    "chain_id": "kiln-4-a",
    "measured_ns": NOW_NS,
    "recorded_ns": NOW_NS,
    "recorded_by": "H. Brandt",
    "pitches": 24,
    "pitch_mm": 25.4,
    "tight": True,
}


def by_rule(length_mm: float, **more: Any) -> HandValue:
    method = more.pop("method", HandMethod.RULE)
    u_mm = more.pop("length_u_mm", hand.default_length_u_mm(method, length_mm))
    return HandValue(**{**FIELDS, "method": method, "length_mm": length_mm, "length_u_mm": u_mm, **more})


def worn(pct: float, **more: Any) -> HandValue:
    """Return a value of the length that a chain worn by so much has."""
    nominal_mm = more.get("pitches", 24) * more.get("pitch_mm", 25.4)
    return by_rule(nominal_mm * (1 + pct / 100), **more)


# Published figures


def test_three_per_cent_of_24_half_inch_pitches() -> None:
    """3 % of 24 x 12.7 mm is 9.144 mm (arithmetic)."""
    new = by_rule(304.8, pitch_mm=12.7)
    assert hand.remaining_mm(new, hand_elongation(new), 3.0) == pytest.approx(9.144, rel=1e-9)


def test_a_published_worked_example() -> None:
    """A public page on measuring chain: 24 links of 12.7 mm measured 307.2 mm, printed 0.79 %."""
    assert hand_elongation(by_rule(307.2, pitch_mm=12.7)).elongation_pct == pytest.approx(0.787, abs=0.005)


def test_the_reject_length_of_a_lift_truck_manual() -> None:
    """US Army TM 10-3930-671-24, lift chain inspection: 12 pitches of 1 in are rejected at 12 3/8 in, 3.125 %."""
    rejected = hand_elongation(by_rule(12.375 * 25.4, pitches=12))
    assert rejected.elongation_pct == pytest.approx(3.125, rel=1e-6)


def test_the_calliper_rule_leaves_the_roller_out() -> None:
    """Trade texts on chain length: L = (L1 + L2) / 2 of the same end joints; 138.05 and 121.03 mm over ten are 2 %."""
    value = HandValue.by_calliper(
        outside_mm=138.05, inside_mm=121.03, **FIELDS | {"pitches": 10, "pitch_mm": 12.7, "note": "by the door"}
    )  # fmt: skip
    assert hand_elongation(value).elongation_pct == pytest.approx(2.0, rel=1e-9)
    # Two independent readings of 0.1 mm, and their mean (JCGM 100:2008, 5.1.2).
    assert value.length_u_mm == pytest.approx(0.1 / math.sqrt(2))
    assert value.note == "by the door\n138.05 mm outside over the rollers, 121.03 mm inside between them"


def test_warm_steel() -> None:
    """Steel, 11.7e-6 per K (Machinery's Handbook, from memory), over 30 K: 0.0351 %."""
    cold, warm = hand_elongation(worn(1.0)), hand_elongation(worn(1.0, temp_c=50.0))
    assert cold.elongation_pct - warm.elongation_pct == pytest.approx(0.0351, rel=1e-9)
    # A drive whose elongation is stated at 50 degrees has it stated with that stretch in it.
    at_50 = hand_elongation(worn(1.0, temp_c=50.0), temp_ref_c=50.0)
    assert at_50.elongation_pct == pytest.approx(1.0, rel=1e-9)


def test_new_chain_at_the_upper_tolerance_of_iso_606() -> None:
    """ISO 606 (from memory): 0 to +0.15 %, so 1220 mm nominal are 1221.83 mm at most; with attachments +0.30 %."""
    chain = a_chain(designation="16B-1")
    longest = card(Drive(drive_id="kiln-4"), chain, limit(Drive(drive_id="kiln-4"))).spans[0]
    assert longest.new_least_mm == longest.nominal_mm
    assert longest.new_most_mm * 1220 / longest.nominal_mm == pytest.approx(1221.83, abs=0.005)


def test_the_tolerance_of_new_leaf_chain() -> None:
    """ASME B29.8, 1.6: 0.031 in a foot, 0.2583 %, either way."""
    drive = Drive(drive_id="kiln-4")
    made = card(drive, a_chain(designation="BL 844"), limit(drive))
    assert 100 * (made.spans[0].new_most_mm / made.spans[0].nominal_mm - 1) == pytest.approx(
        0.2583, abs=0.001
    )
    assert 100 * (made.spans[0].new_least_mm / made.spans[0].nominal_mm - 1) == pytest.approx(
        -0.2583, abs=0.001
    )
    assert (made.calliper, made.measured_least_mm) == (None, None)  # no rollers, and no chain of ISO 606


# Uncertainty


def test_the_reading_counts_less_over_a_longer_span() -> None:
    """0.5 mm with a rule over 609.6 mm is 0.082 % (by hand)."""
    assert hand_elongation(worn(1.0)).reading_pct == pytest.approx(0.5 / 609.6 * 100, rel=1e-6)
    assert hand_elongation(worn(1.0, pitches=12)).reading_pct == pytest.approx(0.164, abs=0.001)


@pytest.mark.parametrize(
    ("method", "length_mm", "u_mm"),
    [
        (HandMethod.RULE, 609.6, 0.5),
        (HandMethod.RULE, 1800.0, 0.5 * math.sqrt(2)),  # a rule of a metre, laid twice
        (HandMethod.TAPE, 1800.0, 1.0),
        (HandMethod.TAPE, 9000.0, math.sqrt(2)),
        (HandMethod.CALLIPER, 140.0, 0.1 / math.sqrt(2)),
    ],
)
def test_uncertainty_by_method_and_span(method: HandMethod, length_mm: float, u_mm: float) -> None:
    """Common practice, no source."""
    assert hand.default_length_u_mm(method, length_mm) == pytest.approx(u_mm)


@given(
    half=st.integers(2, 30),
    pct=st.floats(0.0, 3.0),
    pitch_mm=st.sampled_from([12.7, 25.4, 100.0]),
    inner_first=st.booleans(),
)
def test_an_odd_number_of_pitches_errs_by_as_much_as_its_uncertainty_says(
    half: int, pct: float, pitch_mm: float, *, inner_first: bool
) -> None:
    """Worn pins and bushes lengthen every second pitch by twice the mean (from the construction of the chain)."""
    pair = [pitch_mm * (1 + 2 * pct / 100), pitch_mm]
    links = cycle(pair if inner_first else reversed(pair))
    length_mm = sum(islice(links, 2 * half + 1))
    value = by_rule(length_mm, pitches=2 * half + 1, pitch_mm=pitch_mm)
    found = hand_elongation(value)
    assert abs(found.elongation_pct - pct) == pytest.approx(found.odd_pct, rel=1.1 / half, abs=1e-9)
    even = hand_elongation(by_rule(length_mm + next(links), pitches=2 * half + 2, pitch_mm=pitch_mm))
    assert even.elongation_pct == pytest.approx(pct, abs=1e-9)
    assert even.odd_pct == 0


def test_a_whole_chain_on_the_bench_leaves_no_link_unseen() -> None:
    assert hand_elongation(worn(2.0, pitches=98), pitches_in_loop=98).sample_pct == 0
    assert hand_elongation(worn(2.0), pitches_in_loop=98).sample_pct > 0.04


def test_combined_as_the_root_of_the_sum_of_squares() -> None:
    found = hand_elongation(worn(2.0, pitches=25, temp_c=40.0))
    terms = (found.reading_pct, found.odd_pct, found.temperature_pct, found.tension_pct, found.sample_pct)
    assert found.u_pct == pytest.approx(math.sqrt(sum(term**2 for term in terms)))
    assert all(term > 0 for term in terms)


@dataclass
class Fitter:
    """Somebody measures chains, with all that goes wrong. Own physics: joints that wear, steel that warms."""

    rng: random.Random

    def measures(self) -> tuple[float, HandValue, Known | None, int, int]:
        """Return the true elongation, what was entered, what the sensors said, the true count and the loop."""
        rng = self.rng
        pitch_mm = rng.choice([12.7, 19.05, 25.4, 50.8, 100.0])
        loop = 2 * rng.randint(40, 100)
        joints = self._joints(loop, rng.uniform(0.0, 3.5))
        n = rng.choice([2 * rng.randint(3, 24), 2 * rng.randint(3, 24), 2 * rng.randint(3, 24) + 1])
        start = rng.randrange(loop)
        links = [joints[(start + i) % loop] for i in range(n)]
        rule_c = rng.uniform(5, 35)
        sent = rng.random() < 0.5
        chain_c = rng.uniform(5, 70) if sent else rule_c + rng.uniform(-15, 15)
        length_mm = sum(links) * pitch_mm * (1 + rng.gauss(0, 2e-4)) * (1 + 11.7e-6 * (chain_c - rule_c))
        true_pct = 100 * (sum(joints) / loop - 1)
        live = Known(elongation_pct=true_pct + rng.gauss(0, 0.04), u_pct=0.04, t_ns=NOW_NS)
        counted = n + (rng.choice([-1, 1]) if rng.random() < 0.05 else 0)
        told = {
            "pitches": counted,
            "pitch_mm": pitch_mm,
            "temp_c": chain_c + rng.uniform(-2, 2) if sent else None,
        }
        return true_pct, self._read(length_mm, told), live if rng.random() < 0.7 else None, n, loop

    def _joints(self, loop: int, pct: float) -> list[float]:
        """Lengths of the links in pitches: each made to 0.1 %; each joint worn by pct, 15 % of it more or less.

        Inner and outer links are made over nominal, each kind by 0 to 0.15 %.
        """
        rng = self.rng
        made = [1 + rng.uniform(0, 1.5e-3), 1 + rng.uniform(0, 1.5e-3)]
        worn = [pct / 100 * (1 + rng.gauss(0, 0.15)) for _ in range(loop)]
        return [
            made[i % 2] + rng.gauss(0, 1e-3) + (worn[i] + worn[(i + 1) % loop] if i % 2 == 0 else 0.0)
            for i in range(loop)
        ]

    def _read(self, length_mm: float, told: dict[str, Any]) -> HandValue:
        """Read a length with a rule (0.5 mm, a metre at a time), a tape (1 mm) or a calliper (0.1 mm, twice)."""
        rng = self.rng
        if length_mm < 280 and rng.random() < 0.7:
            outside_mm = length_mm + 15.88 + rng.gauss(0, 0.1)
            inside_mm = length_mm - 15.88 + rng.gauss(0, 0.1)
            return HandValue.by_calliper(outside_mm=outside_mm, inside_mm=inside_mm, **FIELDS | told)
        if rng.random() < 0.5:
            read_mm = length_mm + sum(rng.gauss(0, 0.5) for _ in range(math.ceil(length_mm / 1000)))
            return by_rule(read_mm, **told)
        return by_rule(length_mm + rng.gauss(0, 1.0), method=HandMethod.TAPE, **told)


def test_the_stated_uncertainty_is_honest() -> None:
    """Over 1000 chains, methods, spans, temperatures and miscounts the 95 % interval (k = 2) holds 93 to 97 %.

    A miscount that is asked about is counted again; one that is not goes in as it is.
    """
    fitter = Fitter(random.Random(606))
    held = miscounts = asked = asked_for_nothing = 0
    for _ in range(1000):
        true_pct, value, live, n, loop = fitter.measures()
        doubt = bool(count_doubt(value, live))
        miscounts += value.pitches != n
        asked += doubt and value.pitches != n
        asked_for_nothing += doubt and value.pitches == n
        found = hand_elongation(replace(value, pitches=n) if doubt else value, pitches_in_loop=loop)
        held += abs(found.elongation_pct - true_pct) <= 2 * found.u_pct
    assert 930 <= held <= 970, held
    assert miscounts >= 30
    assert asked >= 0.8 * miscounts
    assert asked_for_nothing <= 10


def a_chain(**more: Any) -> Chain:
    return Chain(
        **{"chain_id": "kiln-4-a", "drive_id": "kiln-4", "designation": "16B-1", "pitch_mm": 25.4, "fitted_ns": 0, **more}
    )  # fmt: skip


# What people get wrong


@pytest.mark.parametrize(
    ("said", "counted", "others"),
    [
        (worn(1.2, pitches=24), 23, "23 or 24"),
        (worn(1.2, pitches=24), 25, "24 or 25"),
        (worn(1.2, pitches=24), 22, "22 or 24"),  # counted in pairs, and one pair lost
        (worn(0.0, pitches=10), 11, "10 or 11"),
    ],
)
def test_a_pitch_too_many_or_too_few_is_asked_about(said: HandValue, counted: int, others: str) -> None:
    doubt = count_doubt(replace(said, pitches=counted))
    assert f"did you count {others}?" in doubt
    assert count_doubt(said) == ""


def test_over_a_long_span_what_is_known_of_the_chain_tells_a_miscount() -> None:
    """One pitch in 96 is 1.04 %, which alone could be wear."""
    value = replace(worn(1.0, pitches=96), pitches=95)
    assert count_doubt(value) == ""
    known = Known(elongation_pct=1.0, u_pct=0.05, t_ns=NOW_NS)
    assert "did you count 95 or 96?" in count_doubt(value, known)
    # A year later the chain may have worn by as much.
    assert count_doubt(replace(value, measured_ns=NOW_NS + 365 * DAY_NS), known) == ""


def test_a_chain_that_is_worn_further_than_is_known_is_not_asked_about() -> None:
    """A sensor that was moved is for the comparison to tell: no other count explains it."""
    assert count_doubt(worn(2.0), Known(elongation_pct=1.0, u_pct=0.05, t_ns=NOW_NS)) == ""


def test_a_length_that_no_count_explains_is_asked_about() -> None:
    assert "Check length, count and the chain" in count_doubt(worn(7.0, pitches=12))
    assert "was the chain tight?" in count_doubt(worn(-1.5, pitches=12))


def test_a_slack_chain_is_kept_and_gives_no_number_to_rely_on() -> None:
    slack = worn(-1.5, tight=False)
    assert count_doubt(slack) == ""
    assert not hand_elongation(slack).reliable
    assert [each.split(":")[0] for each in hand.warnings(slack)] == ["The chain was slack"]


def test_warnings_name_what_would_mend_it() -> None:
    assert hand.warnings(worn(1.0, pitches=40)) == ()
    (odd,) = hand.warnings(worn(2.0, pitches=41))
    assert odd.endswith("off by 0.05 %. Measure over 40 or 42")  # e / n = 2 / 41
    few = HandValue.by_calliper(outside_mm=66.9, inside_mm=35.1, **FIELDS | {"pitches": 2})
    assert any("take 6 to 10" in each for each in hand.warnings(few))
    (cranked,) = hand.warnings(worn(1.0, pitches=40), pitches_in_loop=99)
    assert "cranked link" in cranked


def test_the_span_that_is_advised_is_long_enough() -> None:
    (unsure,) = hand.warnings(worn(1.0, pitches=12, pitch_mm=12.7))
    advised = int(unsure.removesuffix(" or so").rsplit(" ", 1)[1])
    assert advised > 12
    assert advised % 2 == 0
    assert hand.warnings(worn(1.0, pitches=advised, pitch_mm=12.7)) == ()


@pytest.mark.parametrize(
    ("wrong", "field"),
    [
        ({"pitches": 0}, "pitches"),
        ({"length_mm": 24.0}, "length_mm"),  # inches
        ({"length_mm": math.nan}, "length_mm"),
        ({"length_u_mm": 0.0}, "length_u_mm"),
        ({"tight": "yes"}, "tight"),
        ({"temp_c": 900.0}, "temp_c"),
        ({"pitch_mm": 0.5}, "pitch_mm"),
        ({"note": " x"}, "note"),
        ({"recorded_by": "a\nb"}, "recorded_by"),
        ({"method": "rule"}, "method"),
        ({"drive_id": "Kiln 4"}, "drive_id"),
        ({"measured_ns": -1}, "measured_ns"),
    ],
)
def test_what_cannot_be_is_refused_by_its_field(wrong: dict[str, Any], field: str) -> None:
    fields = FIELDS | {"method": HandMethod.RULE, "length_mm": 612.0, "length_u_mm": 0.5}
    with pytest.raises(FieldsRefusedError) as refused:
        HandValue(**fields | wrong)
    assert set(refused.value.problems) == {field}


def test_inches_for_millimetres_are_told() -> None:
    with pytest.raises(FieldsRefusedError, match=r"would be -96 %; check length \(1 in = 25.4 mm\)"):
        worn(-96.0)


@pytest.mark.parametrize(("outside_mm", "inside_mm"), [(121.03, 138.05), (math.nan, 121.03), (138.05, -1.0)])
def test_calliper_readings_that_cannot_be_are_refused(outside_mm: float, inside_mm: float) -> None:
    with pytest.raises(FieldsRefusedError) as refused:
        HandValue.by_calliper(
            outside_mm=outside_mm, inside_mm=inside_mm, **FIELDS | {"pitches": 10, "pitch_mm": 12.7}
        )
    assert set(refused.value.problems) <= {"outside_mm", "inside_mm"}


# Beside the sensors


def test_values_within_their_uncertainties_agree() -> None:
    by_hand = hand_elongation(worn(1.2))
    told = agrees(by_hand, 1.25, 0.04, 0.1)
    assert told.agree
    assert told.difference_pct == pytest.approx(0.05)
    assert told.words.startswith("Agrees with the sensors: 0.05 % higher by the sensors")


def test_values_beyond_their_uncertainties_disagree_with_both_numbers_and_what_to_do() -> None:
    told = agrees(hand_elongation(worn(1.6)), 1.2, 0.04, 0.1)
    assert not told.agree
    assert told.words.startswith("Disagrees with the sensors: 0.40 % lower by the sensors, and only 0.2")
    assert "whether a sensor was moved" in told.words


def test_days_between_the_two_are_allowed_for() -> None:
    """0.02 % a day at most, rectangular: 0.0115 % a day of standard uncertainty (JCGM 100:2008, 4.3.7, from memory)."""
    by_hand = hand_elongation(worn(1.2))
    near, far = agrees(by_hand, 1.6, 0.04, 0.0), agrees(by_hand, 1.6, 0.04, -30.0)
    assert (near.agree, far.agree) == (False, True)
    assert far.u_pct**2 - near.u_pct**2 == pytest.approx((30 * 0.02) ** 2 / 3)


@given(st.floats(-0.2, 3.5), st.floats(-0.2, 3.5), st.floats(0.001, 0.3))
def test_agreement_is_what_the_uncertainties_say(hand_pct: float, live_pct: float, u_pct: float) -> None:
    by_hand = hand_elongation(worn(hand_pct))
    told = agrees(by_hand, live_pct, u_pct, 0.0)
    assert told.agree == (abs(live_pct - hand_pct) <= 2 * math.hypot(by_hand.u_pct, u_pct))


def test_a_baseline_taken_later_is_less_sure_of_its_start() -> None:
    value = worn(0.9)
    by_hand = hand_elongation(value)
    assert hand.start_of(value, by_hand, NOW_NS) == (by_hand.elongation_pct, by_hand.u_pct)
    assert hand.start_of(value, by_hand, NOW_NS + 30 * DAY_NS)[1] > by_hand.u_pct + 0.1


# The card


def test_the_card_says_cautions_and_lengths_for_spans_of_even_pitches() -> None:
    drive = Drive(drive_id="kiln-4", driven_teeth=80)
    made = card(drive, a_chain(), limit(drive), Known(elongation_pct=1.0, u_pct=0.05, t_ns=NOW_NS))
    assert "lock it out" in made.cautions[0]
    assert any("no safety function" in each for each in made.cautions)
    assert [span.pitches for span in made.spans] == [50, 24, 12]
    assert all(span.pitches % 2 == 0 for span in made.spans)
    longest = made.spans[0]
    # 16B: ISO 606 (from memory) asks for 1220 mm at least; the limit is 200 / 80 = 2.5 %.
    assert (made.measured_least_mm, longest.nominal_mm) == (1220.0, 1270.0)
    assert longest.new_most_mm == pytest.approx(1271.905)
    assert made.new_attachments_mm == pytest.approx(1273.81)
    assert longest.expected_mm == pytest.approx(1282.7)
    assert longest.limit_mm == pytest.approx(1301.75)
    assert longest.expected_u_mm is not None
    assert longest.expected_u_mm > 0.05 / 100 * 1270


def test_the_card_of_a_small_chain_needs_610_mm() -> None:
    drive = Drive(drive_id="kiln-4")
    made = card(drive, a_chain(designation="08B-1", pitch_mm=12.7), limit(drive))
    assert (made.measured_least_mm, made.spans[0].pitches) == (610.0, 50)
    assert made.spans[0].nominal_mm >= 610
    assert made.spans[0].expected_mm is None


def test_the_calliper_figures_of_the_card_are_those_of_the_calliper_rule() -> None:
    """What the card says at the limit, entered as read, is the limit."""
    drive = Drive(drive_id="kiln-4")
    figures = card(drive, a_chain(), limit(drive), Known(elongation_pct=1.0, u_pct=0.05, t_ns=0)).calliper
    assert figures is not None
    assert (figures.pitches, figures.roller_dia_mm) == (10, 15.88)
    assert (figures.new_outside_mm, figures.new_inside_mm) == pytest.approx((269.88, 238.12))
    at_limit = HandValue.by_calliper(
        outside_mm=figures.limit_outside_mm, inside_mm=figures.limit_inside_mm, **FIELDS | {"pitches": 10}
    )
    assert hand_elongation(at_limit).elongation_pct == pytest.approx(3.0)
    assert figures.expected_outside_mm is not None
    assert figures.expected_inside_mm is not None
    now = HandValue.by_calliper(
        outside_mm=figures.expected_outside_mm,
        inside_mm=figures.expected_inside_mm,
        **FIELDS | {"pitches": 10},
    )
    assert hand_elongation(now).elongation_pct == pytest.approx(1.0)


def test_a_chain_that_no_standard_names_has_a_card() -> None:
    drive = Drive(drive_id="kiln-4")
    made = card(drive, a_chain(designation="", pitch_mm=250.0, pitches_in_loop=40), limit(drive))
    assert [span.pitches for span in made.spans] == [6]
    short = card(drive, a_chain(designation="", pitch_mm=250.0, pitches_in_loop=5), limit(drive))
    assert [span.pitches for span in short.spans] == [4]


# Sent later

INSTANTS = st.integers(min_value=10**17, max_value=2 * 10**18)
LENGTHS = st.integers(min_value=0, max_value=10**16)


@given(at_ns=INSTANTS, ago_ns=LENGTHS, off_ns=st.integers(min_value=-(10**16), max_value=10**16))
def test_how_long_ago_it_was_counts_and_not_what_the_clock_shows(
    at_ns: int, ago_ns: int, off_ns: int
) -> None:
    sent_ns = at_ns + off_ns
    assert hand.measured_at(sent_ns - ago_ns, sent_ns, at_ns) == at_ns - ago_ns


@given(told_ns=INSTANTS, sent_ns=INSTANTS, at_ns=INSTANTS)
def test_nothing_sent_later_was_measured_ahead_of_now(told_ns: int, sent_ns: int, at_ns: int) -> None:
    assert 0 <= hand.measured_at(told_ns, sent_ns, at_ns) <= at_ns


@given(st.floats(0, 4), st.floats(0.001, 0.5), st.floats(0.5, 3.5))
def test_the_chance_of_being_over_the_limit_is_that_of_the_normal_law(
    elongation_pct: float, u_pct: float, limit_pct: float
) -> None:
    known = Known(elongation_pct=elongation_pct, u_pct=u_pct, t_ns=0)
    assert hand.chance_over(known, limit_pct) == pytest.approx(
        norm.sf(limit_pct, elongation_pct, u_pct), abs=1e-12
    )  # scipy


def test_without_an_uncertainty_a_limit_is_reached_or_not() -> None:
    at, below = (Known(elongation_pct=e, u_pct=0.0, t_ns=0) for e in (3.0, 2.999))
    assert (hand.chance_over(at, 3.0), hand.chance_over(below, 3.0)) == (1.0, 0.0)
