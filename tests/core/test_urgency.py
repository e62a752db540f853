"""What needs doing first."""

import math
from dataclasses import replace
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.core.setpoint import Priority
from service.core.urgency import NEEDS, S_NS, Need, Sound, Standing, need_of, rank, spare_s

NOW_NS = 1_789_000_000 * S_NS
DAY_NS = 86_400 * S_NS
CALM = Standing(drive_id="a", used=0.5, lead_days=28.0)

standings = st.builds(
    Standing,
    drive_id=st.text("abc-1", min_size=1, max_size=5),
    used=st.none() | st.floats(-0.1, 5.0),
    reached=st.booleans(),
    may_be_reached=st.booleans(),
    unanswered=st.none() | st.sampled_from(Priority),
    unanswered_since_ns=st.integers(0, NOW_NS),
    early_ns=st.none() | st.integers(NOW_NS - 900 * DAY_NS, NOW_NS + 9000 * DAY_NS),
    lead_days=st.floats(0.0, 730.0),
    sound=st.sampled_from(Sound),
    is_answered=st.booleans(),
)


def placed(*drives: Standing) -> list[str]:
    return [each.drive_id for each in sorted(drives, key=lambda each: rank(each, NOW_NS))]


@given(st.lists(standings, max_size=12))
def test_the_order_is_that_of_the_needs_whatever_else_is_so(drives: list[Standing]) -> None:
    in_order = sorted(drives, key=lambda each: rank(each, NOW_NS))
    needs = [NEEDS.index(need_of(each, NOW_NS)) for each in in_order]
    assert needs == sorted(needs)


@given(standings, standings)
def test_ranks_are_of_one_length_and_go_by_the_need(one: Standing, other: Standing) -> None:
    heads = [rank(each, NOW_NS).partition(" ")[0] for each in (one, other)]
    assert [len(head) for head in heads] == [17, 17]
    assert all(head.isdigit() for head in heads)
    assert heads[0][0] == str(NEEDS.index(need_of(one, NOW_NS)))


@given(standings)
def test_the_place_of_a_drive_stays_as_time_goes_by_unless_its_need_changes(drive: Standing) -> None:
    later_ns = NOW_NS + 3600 * S_NS
    if need_of(drive, NOW_NS) is need_of(drive, later_ns):
        assert rank(drive, NOW_NS) == rank(drive, later_ns)


@given(standings)
def test_a_limit_that_is_reached_comes_first_and_a_calm_drive_last(drive: Standing) -> None:
    assert need_of(replace(drive, reached=True), NOW_NS) is Need.REACHED
    calm = replace(
        drive, reached=False, may_be_reached=False, unanswered=None, early_ns=None, sound=Sound.GOOD
    )
    assert need_of(calm, NOW_NS) is Need.REST


@pytest.mark.parametrize(
    ("so", "need"),
    [
        ({}, Need.REST),
        ({"unanswered": Priority.LOW}, Need.UNANSWERED),
        ({"early_ns": NOW_NS + 27 * DAY_NS}, Need.LATE),
        ({"early_ns": NOW_NS + 28 * DAY_NS}, Need.LATE),  # the last day to order
        ({"early_ns": NOW_NS + 29 * DAY_NS}, Need.REST),
        ({"early_ns": NOW_NS + 29 * DAY_NS, "lead_days": 60.0}, Need.LATE),
        ({"may_be_reached": True}, Need.LATE),
        ({"sound": Sound.SILENT}, Need.SENSING),
        ({"sound": Sound.FAILED, "unanswered": Priority.LOW}, Need.UNANSWERED),
        ({"reached": True, "unanswered": Priority.LOW}, Need.REACHED),
    ],
)
def test_each_need_has_its_facts(so: dict[str, object], need: Need) -> None:
    assert need_of(replace(CALM, **so), NOW_NS) is need  # type: ignore[arg-type]


def test_of_drives_at_the_limit_those_nobody_is_on_come_first_then_the_most_worn() -> None:
    seen = replace(CALM, drive_id="seen", reached=True, used=1.4, is_answered=True)
    worst = replace(CALM, drive_id="worst", reached=True, used=1.2)
    less = replace(CALM, drive_id="less", reached=True, used=1.1)
    assert placed(seen, less, worst) == ["worst", "less", "seen"]


def test_of_alerts_that_nobody_answered_the_priority_counts_and_then_how_long_it_stands() -> None:
    low = replace(CALM, drive_id="low", unanswered=Priority.LOW, unanswered_since_ns=1)
    new = replace(CALM, drive_id="new", unanswered=Priority.HIGH, unanswered_since_ns=NOW_NS)
    old = replace(CALM, drive_id="old", unanswered=Priority.HIGH, unanswered_since_ns=NOW_NS - DAY_NS)
    assert placed(low, new, old) == ["old", "new", "low"]


def test_forecasts_are_held_against_the_lead_time_not_against_each_other() -> None:
    sooner = replace(CALM, drive_id="sooner", early_ns=NOW_NS + 20 * DAY_NS, lead_days=25.0)
    slower = replace(CALM, drive_id="slower", early_ns=NOW_NS + 40 * DAY_NS, lead_days=90.0)
    at_once = replace(CALM, drive_id="at-once", may_be_reached=True)
    assert placed(sooner, slower, at_once) == ["at-once", "slower", "sooner"]
    assert spare_s(sooner, NOW_NS) == -5 * 86_400
    assert spare_s(CALM, NOW_NS) == math.inf


def test_the_rest_goes_by_date_then_by_wear_in_whole_per_cent() -> None:
    dated = replace(CALM, drive_id="dated", early_ns=NOW_NS + 300 * DAY_NS, used=0.1)
    worn = replace(CALM, drive_id="worn", used=0.62)
    a, b = replace(CALM, drive_id="a", used=0.5001), replace(CALM, drive_id="b", used=0.5049)
    assert placed(b, worn, a, dated) == ["dated", "worn", "a", "b"]


def test_a_sensor_that_failed_comes_before_one_in_doubt_before_silence_before_nothing_yet() -> None:
    drives = [replace(CALM, drive_id=each, sound=each, used=None) for each in reversed(Sound)]
    assert placed(*drives) == ["failed", "doubtful", "silent", "never", "good"]
    ranks = sorted(rank(each, NOW_NS) for each in drives)
    assert all(before < after for before, after in pairwise(ranks))
