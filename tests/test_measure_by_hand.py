"""The door for what people measure by hand: against both stores, the fake and the real one."""

from collections.abc import Iterator
from dataclasses import replace
from typing import Any

import pytest

from service.core.drive import Chain, Drive
from service.core.fields import FieldsRefusedError
from service.core.hand import HandMethod, HandValue
from service.measure_by_hand import MeasureByHand
from service.operate import Operate
from service.ports import ConflictError, NotFoundError
from tests.contracts.given import A_CHAIN, A_DRIVE, NOON_NS, STORES, Ports, S, a_reading, a_store

HOUR_NS = 3600 * S
DAY_NS = 24 * HOUR_NS
NOW_NS = NOON_NS + HOUR_NS
Fields = dict[str, Any]
ACT: Fields = {"at_ns": NOW_NS, "by": "H. Brandt"}
# 0.8 % over 24 pitches of 25.4 mm, which is about what the readings of given.py say.
RULE: Fields = {"method": HandMethod.RULE, "pitches": 24, "length_mm": 614.5, "tight": True}


@pytest.fixture(params=STORES)
def ports(request: pytest.FixtureRequest) -> Iterator[Ports]:
    with a_store(request.param) as store:
        store.register.add_drive(A_DRIVE)
        store.register.fit_chain(A_CHAIN)
        store.register.add_drive(Drive(drive_id="lift-2"))  # without sensors
        yield store


@pytest.fixture
def by_hand(ports: Ports) -> MeasureByHand:
    operate = Operate(ports.register, ports.refused, ports.readings)
    return MeasureByHand(ports.register, ports.readings, ports.hand_values, operate)


def test_a_measurement_is_kept_and_answered_with_what_it_says(ports: Ports, by_hand: MeasureByHand) -> None:
    report = by_hand.record_hand_value("press-3", **RULE, note="by the door", **ACT)
    assert ports.hand_values.of("press-3") == [report.value]
    assert (report.value.chain_id, report.value.pitch_mm) == ("press-3-a", 25.4)
    assert (report.value.length_u_mm, report.value.recorded_by) == (0.5, "H. Brandt")
    # The drive states its elongation at 22 degrees: 11.7e-6 per K over 2 K are 0.0023 %.
    assert report.elongation.elongation_pct == pytest.approx(100 * (614.5 / 609.6 - 1) + 0.00234, abs=1e-5)
    # Its limit is 1.25 %, 7.62 mm of 609.6 mm; 4.9 mm of that and the warmth are used.
    assert report.limit.limit_pct == 1.25
    assert report.remaining_mm == pytest.approx(7.62 - 4.9 - 0.0143, abs=1e-3)
    assert (report.live, report.agreement) == (None, None)
    assert by_hand.hand_reports("press-3") == [report]
    assert by_hand.newest_hand_report("press-3", NOW_NS) == report


def test_a_calliper_gives_two_readings_and_no_length(by_hand: MeasureByHand) -> None:
    readings: Fields = {"outside_mm": 271.9, "inside_mm": 240.1}
    report = by_hand.record_hand_value(
        "press-3", method=HandMethod.CALLIPER, pitches=10, tight=True, **readings, **ACT
    )
    assert report.value.length_mm == pytest.approx(256.0)
    wrongs: list[Fields] = [{"length_mm": 256.0}, {"length_mm": 256.0, **readings}, {"outside_mm": 271.9}]
    for wrong in wrongs:
        with pytest.raises(FieldsRefusedError, match="both calliper readings"):
            by_hand.record_hand_value(
                "press-3", method=HandMethod.CALLIPER, pitches=10, tight=True, **wrong, **ACT
            )
    with pytest.raises(FieldsRefusedError, match="pin centre to pin centre in mm, which a tape shows"):
        by_hand.record_hand_value(
            "press-3", method=HandMethod.TAPE, pitches=10, tight=True, **readings, **ACT
        )


def test_the_newest_reading_before_the_stop_is_held_against_it(ports: Ports, by_hand: MeasureByHand) -> None:
    ports.readings.store([a_reading(10 * n, 0.75 + n / 100, seq=n) for n in range(1, 6)])
    ports.readings.store([a_reading(100, None, seq=9)])
    report = by_hand.record_hand_value("press-3", **RULE, **ACT)
    assert report.live is not None
    assert report.live.elongation_pct == pytest.approx(0.80)
    assert report.agreement is not None
    assert report.agreement.agree


def test_where_it_stood_still_for_long_the_nearest_hour_counts(ports: Ports, by_hand: MeasureByHand) -> None:
    ports.readings.store([a_reading(10, 1.6, seq=1)])
    ports.readings.store([a_reading(60 + 10 * n, None, seq=10 + n) for n in range(120)])
    while ports.readings.roll_up():
        pass
    report = by_hand.record_hand_value("press-3", **RULE, **ACT)
    assert report.live is not None
    assert report.live.t_ns == NOW_NS
    assert report.agreement is not None
    assert not report.agreement.agree
    assert "Disagrees" in report.agreement.words


def test_readings_of_another_chain_say_nothing(ports: Ports, by_hand: MeasureByHand) -> None:
    ports.readings.store([replace(a_reading(10, 0.8), chain_id="an-older-one")])
    assert by_hand.record_hand_value("press-3", **RULE, **ACT).live is None


def test_a_count_that_cannot_be_is_asked_about_and_taken_once_it_is_confirmed(
    ports: Ports, by_hand: MeasureByHand
) -> None:
    wrong = {**RULE, "pitches": 23}
    with pytest.raises(FieldsRefusedError, match="did you count 23 or 24") as refused:
        by_hand.record_hand_value("press-3", **wrong, **ACT)
    assert set(refused.value.problems) == {"pitches"}
    assert ports.hand_values.of("press-3") == []
    kept = by_hand.record_hand_value("press-3", **wrong, counted_again=True, **ACT)
    assert ports.hand_values.of("press-3") == [kept.value]


def test_an_earlier_measurement_tells_a_miscount_where_there_are_no_sensors(
    ports: Ports, by_hand: MeasureByHand
) -> None:
    ports.register.fit_chain(
        Chain(chain_id="l", drive_id="lift-2", designation="BL 844", pitch_mm=25.4, fitted_ns=NOON_NS)
    )
    long: Fields = {**RULE, "method": HandMethod.TAPE, "length_mm": 96 * 25.4 * 1.01}
    by_hand.record_hand_value("lift-2", **{**long, "pitches": 96}, **ACT)
    with pytest.raises(FieldsRefusedError, match="did you count 95 or 96"):
        by_hand.record_hand_value("lift-2", **{**long, "pitches": 95}, at_ns=NOW_NS + DAY_NS, by="x")


@pytest.mark.parametrize(
    ("wrong", "field"),
    [
        ({"cranked": True}, "cranked"),
        ({"pitches": 99, "length_mm": 2520.0}, "pitches"),  # the loop has 98
        ({"measured_ns": NOW_NS + HOUR_NS}, "measured"),
        ({"length_mm": 24.2}, "length_mm"),
        ({"length_u_mm": -1.0}, "length_u_mm"),
    ],
)
def test_what_cannot_be_is_refused_and_not_kept(
    ports: Ports, by_hand: MeasureByHand, wrong: Fields, field: str
) -> None:
    with pytest.raises(FieldsRefusedError) as refused:
        by_hand.record_hand_value("press-3", **{**RULE, **wrong}, **ACT)
    assert set(refused.value.problems) == {field}
    assert ports.hand_values.of("press-3") == []


def test_a_drive_or_chain_that_is_not_there_is_told(by_hand: MeasureByHand) -> None:
    with pytest.raises(NotFoundError, match="kiln"):
        by_hand.record_hand_value("kiln", **RULE, **ACT)
    with pytest.raises(ConflictError, match="enter the chain that is on it, or correct the time"):
        by_hand.record_hand_value("lift-2", **RULE, **ACT)
    with pytest.raises(ConflictError, match="correct the time"):
        by_hand.record_hand_value("press-3", **RULE, measured_ns=NOON_NS - DAY_NS, **ACT)


def test_a_slack_chain_is_kept_and_not_counted(ports: Ports, by_hand: MeasureByHand) -> None:
    ports.readings.store([a_reading(10, 0.8)])
    slack = by_hand.record_hand_value("press-3", **{**RULE, "tight": False}, **ACT)
    assert ports.hand_values.of("press-3") == [slack.value]
    assert (slack.live, slack.agreement) == (None, None)
    assert "not counted" in slack.warnings[0]
    assert by_hand.newest_hand_report("press-3", NOW_NS) is None


# Baseline


def running(ports: Ports, from_s: int) -> None:
    ports.readings.store([a_reading(from_s + 10 * n, 0.5, seq=from_s + n) for n in range(5)])


def test_a_baseline_takes_e0_from_the_measurement_and_n0_from_the_newest_readings(
    ports: Ports, by_hand: MeasureByHand
) -> None:
    report = by_hand.record_hand_value("press-3", **RULE, **ACT)
    running(ports, 7000)
    later: Fields = {"at_ns": NOON_NS + 7200 * S, "by": "shift B"}
    baseline = by_hand.record_baseline_by_hand("press-3", why="after the stop", **later)
    assert ports.register.baselines("press-3-a") == [baseline]
    assert baseline.elongation_pct == report.elongation.elongation_pct
    assert baseline.elongation_u_pct == pytest.approx(report.elongation.u_pct, abs=1e-4)
    assert baseline.elongation_u_pct > report.elongation.u_pct  # an hour of wear, at most
    assert 20 < baseline.pitches_between < 20.5
    assert baseline.why == "after the stop; by hand: 614.5 mm over 24 pitches, rule, 2026-09-10"


def test_a_baseline_takes_the_measurement_that_is_named(ports: Ports, by_hand: MeasureByHand) -> None:
    by_hand.record_hand_value("press-3", **RULE, **ACT)
    other: Fields = {"at_ns": NOW_NS + S, "by": "x"}
    by_hand.record_hand_value("press-3", **{**RULE, "length_mm": 616.0}, **other)
    running(ports, 7000)
    later: Fields = {"at_ns": NOON_NS + 7200 * S, "by": "x"}
    named = by_hand.record_baseline_by_hand("press-3", recorded_ns=NOW_NS, **later)
    newest = by_hand.record_baseline_by_hand("press-3", **later)
    assert newest.elongation_pct - named.elongation_pct == pytest.approx(1.5 / 609.6 * 100)


def test_no_baseline_from_a_slack_chain_another_chain_or_nothing(
    ports: Ports, by_hand: MeasureByHand
) -> None:
    running(ports, 3000)
    with pytest.raises(NotFoundError, match="record one"):
        by_hand.record_baseline_by_hand("press-3", **ACT)
    by_hand.record_hand_value("press-3", **{**RULE, "tight": False}, **ACT)
    with pytest.raises(ConflictError, match="slack"):
        by_hand.record_baseline_by_hand("press-3", recorded_ns=NOW_NS, **ACT)
    by_hand.record_hand_value("press-3", **RULE, at_ns=NOW_NS + 1, by="x")
    ports.register.take_off_chain("press-3-a", NOW_NS + S, "worn")
    ports.register.fit_chain(replace(A_CHAIN, chain_id="press-3-b", fitted_ns=NOW_NS + S))
    with pytest.raises(ConflictError, match="another chain"):
        by_hand.record_baseline_by_hand("press-3", recorded_ns=NOW_NS + 1, at_ns=NOW_NS + 2 * S, by="x")
    assert by_hand.newest_hand_report("press-3", NOW_NS + 2 * S) is None


# The card


def test_the_card_expects_what_the_sensors_say_or_what_was_measured_later(
    ports: Ports, by_hand: MeasureByHand
) -> None:
    assert by_hand.card("press-3", NOW_NS).last is None
    ports.readings.store([a_reading(10, 0.8)])
    first = by_hand.record_hand_value("press-3", **RULE, **ACT)
    last = by_hand.card("press-3", NOW_NS).last
    assert last is not None
    assert (last.elongation_pct, last.by) == (0.8, "live")
    by_hand.record_hand_value("press-3", **RULE, at_ns=NOW_NS + 3 * DAY_NS, by="x")
    last = by_hand.card("press-3", NOW_NS + 3 * DAY_NS).last
    assert last is not None
    assert (last.elongation_pct, last.by) == (first.elongation.elongation_pct, "hand")


def test_no_card_without_a_chain(by_hand: MeasureByHand) -> None:
    with pytest.raises(ConflictError, match="enter the chain"):
        by_hand.card("lift-2", NOW_NS)


def test_the_newest_so_many_are_given(ports: Ports, by_hand: MeasureByHand) -> None:
    for n in range(5):
        by_hand.record_hand_value("press-3", **RULE, at_ns=NOW_NS + n, by="x")
    assert [each.value.recorded_ns - NOW_NS for each in by_hand.hand_reports("press-3", 2)] == [3, 4]
    assert isinstance(ports.hand_values.newest()[0], HandValue)


# Kept on a phone and sent later


def test_what_is_sent_again_is_stored_once_and_answered_alike(ports: Ports, by_hand: MeasureByHand) -> None:
    """Also after the chain was changed: the phone had got no answer, and asks again what became of it."""
    calliper: Fields = {"method": HandMethod.CALLIPER, "outside_mm": 271.9, "inside_mm": 240.1, "pitches": 10}
    sent: list[Fields] = [RULE, calliper | {"tight": True, "note": "by the door"}]
    first = [by_hand.record_hand_value("press-3", **each, key=f"k{n}", **ACT) for n, each in enumerate(sent)]
    ports.register.take_off_chain("press-3-a", NOW_NS + S, "worn")
    later: Fields = {"at_ns": NOW_NS + HOUR_NS, "by": "M. Brandt"}
    again = [
        by_hand.record_hand_value("press-3", **each, key=f"k{n}", **later) for n, each in enumerate(sent)
    ]
    assert again == first
    assert len(ports.hand_values.of("press-3")) == 2
    entries = [each for each in ports.audit_log.entries() if each.what == "measured by hand"]
    assert len(entries) == 2


@pytest.mark.parametrize("other", [{"length_mm": 614.0}, {"pitches": 26}, {"note": "x"}, {"tight": False}])
def test_a_key_that_was_used_for_another_measurement_is_refused(
    ports: Ports, by_hand: MeasureByHand, other: Fields
) -> None:
    by_hand.record_hand_value("press-3", **RULE, key="k", **ACT)
    with pytest.raises(FieldsRefusedError, match="another measurement is stored under this key"):
        by_hand.record_hand_value("press-3", **{**RULE, **other}, key="k", **ACT)
    assert len(ports.hand_values.of("press-3")) == 1


def test_a_key_that_is_none_is_refused(by_hand: MeasureByHand) -> None:
    for key in ("", "k" * 201, "\N{LATIN SMALL LETTER A WITH DIAERESIS}"):
        with pytest.raises(FieldsRefusedError, match="printable characters of ASCII"):
            by_hand.record_hand_value("press-3", **RULE, key=key, **ACT)


@pytest.mark.parametrize("off_ns", [0, 2 * HOUR_NS, -40 * DAY_NS], ids=["right", "ahead", "behind"])
def test_a_wrong_clock_moves_no_measurement_and_what_it_showed_is_kept(
    ports: Ports, by_hand: MeasureByHand, off_ns: int
) -> None:
    told_ns, sent_ns = NOW_NS - 600 * S + off_ns, NOW_NS + off_ns
    by_hand.record_hand_value("press-3", **RULE, measured_ns=told_ns, sent_ns=sent_ns, **ACT)
    (value,) = ports.hand_values.of("press-3")
    assert (value.measured_ns, value.recorded_ns, value.told_ns) == (NOW_NS - 600 * S, NOW_NS, told_ns)


def test_a_chain_that_was_changed_meanwhile_is_told_and_nothing_stored(
    ports: Ports, by_hand: MeasureByHand
) -> None:
    ports.register.take_off_chain("press-3-a", NOW_NS - 1200 * S, "worn")
    new = replace(A_CHAIN, chain_id="press-3-b", fitted_ns=NOW_NS - 900 * S)
    ports.register.fit_chain(new)
    sent: Fields = {"measured_ns": NOW_NS - 600 * S, "sent_ns": NOW_NS, "key": "k"}
    with pytest.raises(ConflictError, match="measured as chain 'press-3-a', but 'press-3-b' was on then"):
        by_hand.record_hand_value("press-3", **RULE, chain_id="press-3-a", **sent, **ACT)
    assert ports.hand_values.of("press-3") == []
    before = {**sent, "measured_ns": NOW_NS - 1500 * S}
    kept = by_hand.record_hand_value("press-3", **RULE, chain_id="press-3-a", **before, **ACT)
    assert kept.value.chain_id == "press-3-a"
    mended = {**sent, "key": "k2"}
    assert by_hand.record_hand_value("press-3", **RULE, chain_id="press-3-b", **mended, **ACT)
