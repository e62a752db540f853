"""The plan of changes: dates at a risk, days of the site across clock changes, stops, sets, and what goes along."""

import math
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.core.drive import Chain, Drive
from service.core.planned_stop import PlannedStop
from service.core.prognosis import (
    PROBABILITIES,
    DataUsed,
    Outcome,
    Passage,
    Prognosis,
    plain,
    probability_before,
)
from service.core.replacement import (
    RISK_LEAST,
    RISK_MOST,
    Answer,
    Change,
    Facts,
    Outlook,
    by_stop,
    day_of,
    outlook_of,
    plan_changes,
)
from service.core.supply import Terms

DAY_NS = 86_400 * 10**9
BERLIN = ZoneInfo("Europe/Berlin")
NOW = datetime(2026, 9, 10, 12, tzinfo=UTC)
NOW_NS = int(NOW.timestamp()) * 10**9
LEAD = Terms(lead_days=14, margin_days=7)


def ns(days: float) -> int:
    """An instant so many days from now."""
    return NOW_NS + round(days * DAY_NS)


def an_outlook(middle: float, spread: float = 0.2, outcome: Outcome = Outcome.FORECAST) -> Outlook:
    """A forecast around `middle` days from now: P10 at 1 - spread of it, P90 at 1 + spread, evenly between."""
    if outcome is not Outcome.FORECAST:
        return Outlook(made_ns=NOW_NS, outcome=outcome)
    points = tuple((p, ns(middle * (1 + spread * (p - 0.5) / 0.4))) for p in PROBABILITIES)
    return Outlook(made_ns=NOW_NS, outcome=outcome, points=points)


def a_stop(days: float, number: int = 1, **more: Any) -> PlannedStop:
    return PlannedStop(
        name=f"Stop {number}",
        starts_ns=ns(days),
        ends_ns=ns(days + 1),
        by="H. Brandt",
        recorded_ns=0,
        number=number,
        **more,
    )


def facts(
    drive_id: str = "a",
    middle: float | None = 100.0,
    *stops: PlannedStop,
    fitted_days: float = -900.0,
    designation: str = "16B-1",
    terms: Terms = LEAD,
    **drive: Any,
) -> Facts:
    return Facts(
        drive=Drive(drive_id=drive_id, **drive),
        chain=Chain(
            chain_id=f"{drive_id}-1",
            drive_id=drive_id,
            designation=designation,
            pitch_mm=25.4,
            fitted_ns=ns(fitted_days),
        ),
        outlook=None if middle is None else an_outlook(middle),
        terms=terms,
        stops=stops,
        zone=UTC,
    )


def plan(*given: Facts, risk: float = 0.1) -> list[Change]:
    return plan_changes(given, now_ns=NOW_NS, risk=risk)


def day(days: int) -> date:
    return NOW.date() + timedelta(days=days)


# Dates


def test_the_chain_is_changed_when_the_chance_comes_to_the_risk() -> None:
    [change] = plan(facts(middle=100.0))
    assert change.answer is Answer.BY_DATE
    assert change.change_by == day(80)
    assert change.order_by == day(80 - 14 - 7)
    assert change.needed_on == change.change_by


@given(risks=st.lists(st.floats(RISK_LEAST, RISK_MOST), min_size=2, max_size=2), middle=st.floats(30, 3000))
def test_who_takes_more_risk_changes_no_earlier(risks: list[float], middle: float) -> None:
    low, high = (plan(facts(middle=middle), risk=each)[0].reached_ns for each in sorted(risks))
    assert low is not None
    assert high is not None
    assert low <= high


@given(risk=st.floats(RISK_LEAST, RISK_MOST), middle=st.floats(30, 3000))
def test_the_chance_at_the_instant_told_is_the_risk_taken(risk: float, middle: float) -> None:
    [change] = plan(facts(middle=middle), risk=risk)
    assert change.reached_ns is not None
    assert change.facts.outlook is not None
    assert change.facts.outlook.chance_before(change.reached_ns) == pytest.approx(risk, abs=1e-9)


@given(
    steps=st.lists(st.integers(1, 400 * DAY_NS), min_size=len(PROBABILITIES), max_size=len(PROBABILITIES)),
    known=st.integers(0, len(PROBABILITIES)),
    at=st.integers(-10 * DAY_NS, 5000 * DAY_NS),
)
def test_chances_are_those_of_the_prognosis(steps: list[int], known: int, at: int) -> None:
    """Whatever the quantiles and however many of them lie within what is told, kept and read back."""
    times: list[int | None] = []
    t_ns = NOW_NS
    for number, step in enumerate(steps):
        t_ns += step
        times.append(t_ns if number < known else None)
    passages = tuple(
        Passage(probability=p, clock=None, hours=None, t_ns=t)
        for p, t in zip(PROBABILITIES, times, strict=True)
    )
    prognosis = a_prognosis(passages)
    outlook = outlook_of(plain(prognosis))
    expected = probability_before(prognosis, NOW_NS + at)
    assert expected is not None
    assert outlook.chance_before(NOW_NS + at) == pytest.approx(expected, abs=1e-9)
    assert outlook.complete is (known == len(PROBABILITIES))


def a_prognosis(passages: tuple[Passage, ...], outcome: Outcome = Outcome.FORECAST) -> Prognosis:
    return Prognosis(
        failure_mode="",
        set_point_pct=3.0,
        made_ns=NOW_NS,
        outcome=outcome,
        sentence="",
        elongation_pct=None,
        elongation_u_pct=None,
        rate=None,
        confidence=0.8,
        passages=passages,
        as_it_goes=None,
        bend=None,
        lent=None,
        data=DataUsed(
            observations=0,
            by_hand=0,
            epochs=0,
            left_out_bedding_in=0,
            left_out_old_epochs=0,
            first_ns=None,
            last_ns=None,
        ),
        assumptions=(),
        version="",
    )


@pytest.mark.parametrize(
    ("outcome", "answer"),
    [
        (Outcome.NO_TREND_YET, Answer.NO_TREND_YET),
        (Outcome.RATE_NOT_ABOVE_ZERO, Answer.NO_WEAR_SEEN),
        (Outcome.STANDS, Answer.STANDS),
    ],
)
def test_without_a_forecast_there_is_an_answer_and_no_date(outcome: Outcome, answer: Answer) -> None:
    [change] = plan(replace(facts("a", 1, a_stop(5)), outlook=an_outlook(1, outcome=outcome)))
    assert change.answer is answer
    assert change.sentence
    assert {change.change_by, change.order_by, change.needed_on, change.stop, change.reached_ns} == {None}


@pytest.mark.parametrize("outcome", [None, Outcome.NO_TREND_YET, Outcome.RATE_NOT_ABOVE_ZERO, Outcome.STANDS])
def test_without_a_forecast_what_was_measured_counts(outcome: Outcome | None) -> None:
    given = replace(facts("a", None, a_stop(5)), outlook=an_outlook(1, outcome=outcome) if outcome else None)
    [reached] = plan(replace(given, measured_chance=1.0))
    [likely] = plan(replace(given, measured_chance=0.8))
    [not_yet] = plan(replace(given, measured_chance=0.4))
    assert (reached.answer, likely.answer) == (Answer.NOW, Answer.NOW)
    assert reached.change_by == reached.order_by == day(0)
    assert reached.sentence.startswith("The limit is reached")
    assert "80 % already" in likely.sentence
    assert not_yet.answer is not Answer.NOW


def test_a_forecast_goes_before_what_was_measured_last() -> None:
    [change] = plan(replace(facts("a", 100), measured_chance=1.0))
    assert change.answer is Answer.BY_DATE


def test_a_drive_without_prognosis_or_chain_says_so() -> None:
    none, bare = plan(facts(middle=None), replace(facts("b"), chain=None))
    assert (none.answer, bare.answer) == (Answer.NO_FORECAST, Answer.NO_CHAIN)


def test_a_date_beyond_what_is_told_is_none() -> None:
    far = Outlook(made_ns=NOW_NS, outcome=Outcome.FORECAST, points=((0.01, ns(3000)),), complete=False)
    [change] = plan(replace(facts(), outlook=far))
    assert change.answer is Answer.FAR
    assert change.change_by is None


def test_a_limit_that_is_reached_waits_for_no_stop() -> None:
    reached = an_outlook(1, outcome=Outcome.LIMIT_REACHED)
    [change] = plan(replace(facts("a", 1, a_stop(5)), outlook=reached))
    assert change.answer is Answer.NOW
    assert change.stop is None
    assert change.next_stop == a_stop(5)
    assert change.next_chance == 1.0
    assert change.order_by == change.change_by == day(0)


def test_a_risk_that_is_passed_already_is_told_with_its_chance() -> None:
    old = replace(an_outlook(100), made_ns=ns(-30), points=((0.1, ns(-2)), (0.5, ns(18))))
    [change] = plan(replace(facts(), outlook=old))
    assert change.answer is Answer.NOW
    assert "14 % already" in change.sentence


@pytest.mark.parametrize("risk", [0.0, 0.005, 0.51, 1.0, math.nan])
def test_a_risk_out_of_range_is_refused(risk: float) -> None:
    with pytest.raises(ValueError, match="risk"):
        plan(facts(), risk=risk)


def test_without_lead_time_no_order_date_is_made_up() -> None:
    [change] = plan(facts(terms=Terms()))
    assert change.change_by == day(80)
    assert change.order_by is None
    assert any("lead time" in note for note in change.notes)


def test_an_order_that_is_late_says_by_how_much() -> None:
    [change] = plan(facts(middle=20.0, terms=Terms(lead_days=16, margin_days=10)))
    assert change.order_by == day(16 - 26)
    assert any("10 days late" in note for note in change.notes)


# Days and clocks


@pytest.mark.parametrize(
    ("local", "shown"),
    [
        (datetime(2027, 3, 28, 0, 30, tzinfo=BERLIN), date(2027, 3, 28)),
        (datetime(2027, 3, 28, 23, 30, tzinfo=BERLIN), date(2027, 3, 28)),
        (datetime(2026, 10, 25, 0, 30, tzinfo=BERLIN), date(2026, 10, 25)),
        (datetime(2026, 10, 25, 23, 59, tzinfo=BERLIN), date(2026, 10, 25)),
        (datetime(2026, 10, 26, 0, 1, tzinfo=BERLIN), date(2026, 10, 26)),
    ],
)
def test_a_day_is_that_of_the_site_on_the_days_of_clock_changes(local: datetime, shown: date) -> None:
    """28 March 2027 has 23 hours in Berlin, 25 October 2026 has 25."""
    assert day_of(int(local.timestamp()) * 10**9, BERLIN) == shown


@given(
    start=st.dates(date(2026, 10, 1), date(2027, 4, 30)),
    hour=st.integers(0, 23),
    minute=st.integers(0, 59),
    lead=st.integers(0, 300),
    margin=st.integers(0, 60),
)
def test_days_are_counted_by_the_calendar_across_clock_changes(
    start: date, hour: int, minute: int, lead: int, margin: int
) -> None:
    local = datetime(start.year, start.month, start.day, hour, minute, tzinfo=BERLIN)
    at_ns = int(local.timestamp()) * 10**9
    outlook = Outlook(made_ns=NOW_NS, outcome=Outcome.FORECAST, points=((0.1, at_ns), (0.5, at_ns + DAY_NS)))
    terms = Terms(lead_days=lead, margin_days=margin)
    [change] = plan(replace(facts(terms=terms), outlook=outlook, zone=BERLIN))
    shown = datetime.fromtimestamp(local.timestamp(), tz=BERLIN).date()
    assert change.change_by == shown
    assert change.order_by == shown - timedelta(days=lead + margin)


# Stops


def test_the_last_stop_before_the_day_is_used_and_the_chain_ordered_for_it() -> None:
    [change] = plan(facts("a", 100.0, a_stop(30, 1), a_stop(60, 2), a_stop(90, 3)))
    assert change.stop == a_stop(60, 2)
    assert change.needed_on == day(60)
    assert change.order_by == day(60 - 21)
    assert change.chance is not None
    assert change.chance < 0.1
    assert change.change_by == day(80)


def test_a_stop_before_the_chain_can_be_here_is_of_no_use() -> None:
    [change] = plan(facts("a", 20.0, a_stop(10, 1), a_stop(40, 2)))
    assert change.stop is None
    assert change.next_stop == a_stop(40, 2)
    assert change.next_chance == 0.99
    assert any("comes too late for Stop 1" in note for note in change.notes)


def test_with_no_stop_before_it_the_next_one_stands_there_with_its_chance() -> None:
    [change] = plan(facts("a", 100.0, a_stop(100)))
    assert change.stop is None
    assert change.next_stop == a_stop(100)
    assert change.next_chance == pytest.approx(0.5)
    assert change.order_by == day(80 - 21)


def test_the_last_stop_planned_so_far_is_not_used_where_it_gives_up_much() -> None:
    [change] = plan(facts("a", 1000.0, a_stop(30), fitted_days=-100))
    assert change.stop is None
    assert any("last stop planned so far" in note for note in change.notes)
    [near] = plan(facts("a", 100.0, a_stop(75), fitted_days=-900))
    assert near.stop == a_stop(75)
    assert near.loss_pct == pytest.approx(100 * 5 / 1000)


@given(
    days=st.lists(st.floats(1, 400), min_size=0, max_size=8, unique=True),
    middle=st.floats(5, 300),
    lead=st.integers(0, 90),
)
def test_a_stop_that_is_used_is_before_the_day_and_after_the_chain_is_here(
    days: list[float], middle: float, lead: int
) -> None:
    stops = tuple(a_stop(each, number) for number, each in enumerate(sorted(days), 1))
    [change] = plan(facts("a", middle, *stops, terms=Terms(lead_days=lead)))
    if change.stop is not None:
        assert change.reached_ns is not None
        assert change.stop.starts_ns < change.reached_ns
        assert day_of(change.stop.starts_ns, UTC) >= day(lead)
        assert change.chance is not None
        assert change.chance <= 0.1
        later = [each for each in stops if change.stop.starts_ns < each.starts_ns < change.reached_ns]
        assert not later
    elif change.next_stop is not None:
        assert change.reached_ns is not None
        assert change.next_stop.starts_ns >= change.reached_ns


# Along


def test_what_is_due_in_the_next_stop_may_go_along_at_a_small_loss() -> None:
    stops = (a_stop(60, 1), a_stop(90, 2), a_stop(120, 3))
    changes = plan(
        facts("first", 100.0, *stops),  # by day 80: stop 1
        facts("second", 120.0, *stops, fitted_days=-880),  # by day 96: stop 2; a day is a 1000th of its life
        facts("young", 120.0, *stops, fitted_days=-80),  # the same day, of a life of 200 days
        facts("third", 160.0, *stops),  # by day 128: stop 3, two stops on
    )
    first, *_ = by_stop(changes)
    assert [each.drive.drive_id for each in first.must] == ["first"]
    [along] = first.along
    assert along.change.drive.drive_id == "second"
    assert along.loss_pct == pytest.approx(100 * 30 / 1000)
    assert (along.days, along.due) == (30, day(90))
    wider, *_ = by_stop(changes, small_pct=15)
    assert [each.change.drive.drive_id for each in wider.along] == ["second", "young"]


def test_a_supposed_stop_is_told_of_with_what_could_go_along_though_nothing_must() -> None:
    supposed = a_stop(40, -1)
    asked, planned = by_stop(plan(facts("a", 100.0, supposed, a_stop(60, 1))))
    assert (asked.stop, asked.must) == (supposed, ())
    assert [each.change.drive.drive_id for each in asked.along] == ["a"]
    assert [each.drive.drive_id for each in planned.must] == ["a"]


def test_stops_come_by_start_each_with_its_own() -> None:
    stops = (a_stop(60, 1), a_stop(90, 2))
    plans = by_stop(plan(facts("b", 120.0, *stops), facts("a", 100.0, *stops), facts("none", None)))
    assert [(each.stop.number, [one.drive.drive_id for one in each.must]) for each in plans] == [
        (1, ["a"]),
        (2, ["b"]),
    ]


# Sets


def test_chains_that_share_a_load_are_changed_by_the_first_of_them() -> None:
    changes = plan(
        facts("left", 200.0, strand_group="pair"),
        facts("right", 100.0, strand_group="pair"),
        facts("blind", None, strand_group="pair"),
        facts("other", 300.0),
        facts("elsewhere", 50.0, strand_group="pair", site="Talheim"),
    )
    left, right, blind, other, elsewhere = changes
    assert left.change_by == right.change_by == blind.change_by == day(80)
    assert (left.leads, right.leads, blind.leads) == ("right", "", "right")
    assert blind.answer is Answer.BY_DATE
    assert "as a set with" in " ".join(left.notes)
    assert other.change_by == day(240)
    assert elsewhere.change_by == day(40)
    assert elsewhere.set_name == ""


def test_a_set_of_which_one_is_at_its_limit_is_due_now() -> None:
    reached = replace(
        facts("left", strand_group="pair"), outlook=an_outlook(1, outcome=Outcome.LIMIT_REACHED)
    )
    _, right = plan(reached, facts("right", 500.0, strand_group="pair"))
    assert right.answer is Answer.NOW
    assert right.leads == "left"
    assert "A chain of the set" in right.sentence


def test_a_set_goes_along_as_a_whole_or_not_at_all() -> None:
    stops = (a_stop(60, 1), a_stop(90, 2))
    old = facts("left", 120.0, *stops, fitted_days=-880, strand_group="pair")
    young = facts("right", 120.0, *stops, fitted_days=-30, strand_group="pair")
    first = facts("first", 100.0, *stops)
    [at_one, *_] = by_stop(plan(first, old, young))
    assert at_one.along == ()
    [both, *_] = by_stop(plan(first, old, replace(young, chain=replace(old.chain, drive_id="right"))))  # type: ignore[type-var]
    assert {each.change.drive.drive_id for each in both.along} == {"left", "right"}


def test_lifting_chains_go_with_their_bolts() -> None:
    [change] = plan(facts(designation="LH1623"))
    assert any("anchor bolts" in note for note in change.notes)


def test_strands_side_by_side_without_a_group_are_told() -> None:
    [change] = plan(facts(parallel_strands=True))
    assert any("as a set" in note for note in change.notes)
