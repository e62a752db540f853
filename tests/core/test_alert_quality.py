"""Quality of alerts, against cases worked by hand."""

from collections.abc import Iterable
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.core.alert import Act, Alert, Event, NotAllowedError, Transition, advance, applied, begin
from service.core.alert_quality import DAY_NS, HOUR_NS, Fault, Figure, Quality, S, Verdict, in_steps, measure
from service.core.setpoint import ConditionKind, Priority

START_NS = 1_795_000_000 * S
DAYS_10 = START_NS + 10 * DAY_NS
MIN = 60
KIND = ConditionKind.NEAR


class Plant:
    """Alerts that live by what is said of them, seconds after the start."""

    def __init__(self) -> None:
        self.alerts: dict[str, Alert] = {}
        self.transitions: list[Transition] = []

    def happen(self, drive_id: str, event: Event, at_s: float, **more: object) -> None:
        at_ns = START_NS + round(at_s * S)
        fields = {"true_ns": at_ns, "recorded_ns": at_ns} | more
        alert = self.alerts.get(drive_id) or begin(drive_id, KIND)
        transition = advance(alert, Act(event=event, **fields))  # type: ignore[arg-type]
        transition = replace(transition, number=len(self.transitions) + 1)
        self.transitions.append(transition)
        self.alerts[drive_id] = applied(alert, transition)

    def once(self, drive_id: str, at_s: float, length_s: float = HOUR_NS / S, **more: object) -> None:
        """It occurs, is acknowledged after a minute, and clears."""
        self.happen(drive_id, Event.OCCUR, at_s, **more)
        self.happen(drive_id, Event.ACKNOWLEDGE, at_s + min(60, length_s / 2))
        self.happen(drive_id, Event.CLEAR, at_s + length_s)

    def quality(self, to_ns: int = DAYS_10, operators: int = 1) -> Quality:
        return measure(
            self.transitions, self.alerts.values(), from_ns=START_NS, to_ns=to_ns, operators=operators
        )


def figure(quality: Quality, name: str) -> Figure:
    (found,) = [each for each in quality.figures if each.name == name]
    return found


def value(quality: Quality, name: str) -> tuple[float, Verdict]:
    found = figure(quality, name)
    return found.value, found.verdict


def test_without_alerts_all_is_well_as_far_as_it_can_be_judged() -> None:
    quality = Plant().quality()
    assert quality.annunciations == 0
    assert {each.verdict for each in quality.figures} == {Verdict.GOOD, Verdict.NOT_JUDGED}
    assert quality.suspects == ()


def test_every_figure_says_its_target_and_its_source() -> None:
    figures = Plant().quality().figures
    assert len({each.name for each in figures}) == len(figures)
    assert all(each.words and each.target and "from memory" in each.source for each in figures)


@pytest.mark.parametrize(
    ("count", "hours", "operators", "per_hour", "verdict"),
    [
        (48, 24, 1, 2.0, Verdict.GOOD),
        (144, 24, 1, 6.0, Verdict.GOOD),
        (145, 24, 1, 145 / 24, Verdict.BEARABLE),
        (288, 24, 1, 12.0, Verdict.BEARABLE),
        (289, 24, 1, 289 / 24, Verdict.TOO_MUCH),
        (289, 24, 2, 289 / 48, Verdict.BEARABLE),
        (36, 6, 1, 6.0, Verdict.GOOD),
    ],
)
def test_rates_count_annunciations_an_operator(
    count: int, hours: int, operators: int, per_hour: float, verdict: Verdict
) -> None:
    plant = Plant()
    for n in range(count):
        plant.once(f"d{n}", (n + 1) * hours * 3600 / (count + 1))
    quality = plant.quality(START_NS + hours * HOUR_NS, operators)
    assert quality.annunciations == count
    assert figure(quality, "per_hour").value == pytest.approx(per_hour)
    assert figure(quality, "per_hour").verdict is verdict
    assert figure(quality, "per_day").value == pytest.approx(24 * per_hour)


def test_what_was_held_or_returned_is_no_annunciation() -> None:
    plant = Plant()
    plant.happen("a", Event.SUPPRESS, 10, why="drive stands")
    plant.happen("a", Event.OCCUR, 20)
    plant.happen("a", Event.CLEAR, 30)
    plant.happen("a", Event.UNSUPPRESS, 40)
    assert plant.quality().annunciations == 0


def test_what_was_recorded_outside_the_period_is_left_out() -> None:
    plant = Plant()
    plant.happen("a", Event.OCCUR, 0)  # at its start: not in it
    plant.happen("b", Event.OCCUR, 10 * 86_400)  # at its end
    plant.happen("c", Event.OCCUR, 10 * 86_400 + 1)
    assert plant.quality().annunciations == 1


def test_an_hour_of_over_thirty_is_a_busy_one() -> None:
    plant = Plant()
    for n in range(31):
        plant.once(f"a{n}", 10 + n * 110)
    for n in range(30):
        plant.once(f"b{n}", 4 * 3600 + 10 + n * 110)
    quality = plant.quality(START_NS + 100 * HOUR_NS)
    assert value(quality, "busy_hours") == (1.0, Verdict.TOO_MUCH)


# Floods


def came(plant: Plant, counts: Iterable[int]) -> None:
    """So many annunciations in each ten minutes."""
    for step, count in enumerate(counts):
        for n in range(count):
            plant.once(f"d{step}-{n}", step * 600 + 5 + n * 20)


@pytest.mark.parametrize(
    ("counts", "operators", "floods"),
    [
        ([10, 10, 10], 1, []),
        ([3, 11, 4, 3], 1, [(1, 2, 11)]),
        ([11, 5, 6, 4, 11, 0], 1, [(0, 3, 22), (4, 5, 11)]),
        ([0, 11, 9, 5], 1, [(1, 4, 25)]),  # goes on to the end of the period
        ([20, 12, 9], 2, []),
        ([21, 10, 9], 2, [(0, 2, 31)]),
        ([5, 9, 5], 1, []),
    ],
)
def test_a_flood_starts_with_over_ten_in_ten_minutes_and_ends_with_under_five(
    counts: list[int], operators: int, floods: list[tuple[int, int, int]]
) -> None:
    plant = Plant()
    came(plant, counts)
    quality = plant.quality(START_NS + len(counts) * 600 * S, operators)
    found = [
        ((each.from_ns - START_NS) // (600 * S), (each.to_ns - START_NS) // (600 * S), each.annunciations)
        for each in quality.floods
    ]
    assert found == floods
    share = 100 * sum(end - start for start, end, _ in floods) / len(counts)
    assert figure(quality, "time_in_flood").value == pytest.approx(share)
    assert figure(quality, "most_in_ten_minutes").value == max(counts) / operators


def test_a_backlog_that_comes_at_once_is_a_flood_to_people_though_not_to_the_process() -> None:
    plant = Plant()
    for n in range(11):
        plant.happen(f"d{n}", Event.OCCUR, n * 3600, recorded_ns=START_NS + 40 * HOUR_NS)
    quality = plant.quality()
    assert len(quality.floods) == 1
    assert value(quality, "chattering") == (0, Verdict.GOOD)


@given(st.lists(st.integers(1, 10_000), max_size=50), st.integers(1, 700))
def test_steps_hold_every_instant_once(times: list[int], step: int) -> None:
    counts = in_steps(times, 0, 10_000, step)
    assert sum(counts) == len(times)
    for n, count in enumerate(counts):
        assert count == sum(n * step < at <= (n + 1) * step for at in times)


# Nuisances


@pytest.mark.parametrize(
    ("at_s", "chatters"),
    [([0, 30, 60], True), ([0, 30, 61], False), ([0, 500, 530, 560], True), ([0, 1], False)],
)
def test_three_occurrences_in_a_minute_are_chatter(at_s: list[float], *, chatters: bool) -> None:
    plant = Plant()
    for at in at_s:
        plant.happen("a", Event.OCCUR, 100 + at)
        plant.happen("a", Event.CLEAR, 100 + at + 0.5)
    quality = plant.quality()
    assert value(quality, "chattering")[0] == (1 if chatters else 0)
    (suspect,) = quality.suspects
    assert (Fault.CHATTERS in suspect.faults) is chatters
    assert suspect.fleeting == suspect.annunciations == len(at_s)


def test_chatter_of_two_alerts_is_not_that_of_one() -> None:
    plant = Plant()
    for n in range(4):
        plant.once(f"d{n}", 100 + n)
    assert value(plant.quality(), "chattering") == (0, Verdict.GOOD)


@pytest.mark.parametrize(("length_s", "fleeting"), [(599, 1), (600, 1), (601, 0)])
def test_what_goes_by_itself_within_ten_minutes_is_fleeting(length_s: float, fleeting: int) -> None:
    plant = Plant()
    plant.happen("a", Event.OCCUR, 100)
    plant.happen("a", Event.CLEAR, 100 + length_s)
    assert value(plant.quality(), "fleeting")[0] == fleeting


def test_what_somebody_acknowledged_before_it_went_was_not_fleeting() -> None:
    plant = Plant()
    plant.once("a", 100, length_s=60)
    assert value(plant.quality(), "fleeting") == (0, Verdict.GOOD)
    assert plant.quality().suspects == ()


def test_an_alert_that_is_more_than_a_twentieth_of_all_dominates() -> None:
    plant = Plant()
    for n in range(10):
        plant.once("often", 1000 + n * 7200)
    for n in range(189):
        plant.once(f"d{n}", 2000 + n * 3600)
    (suspect,) = plant.quality().suspects  # 10 of 199
    assert (suspect.drive_id, suspect.kind, suspect.faults) == ("often", KIND, (Fault.DOMINATES,))
    plant.once("more", 5)
    assert plant.quality().suspects == ()  # 10 of 200: 5 % and not more


def test_nine_are_no_burden_whatever_their_share() -> None:
    plant = Plant()
    for n in range(9):
        plant.once("only", 1000 + n * 7200)
    assert plant.quality().suspects == ()


# What stands


def test_what_is_active_for_over_a_day_is_stale_unless_it_is_planned_or_held() -> None:
    plant = Plant()
    ten_days = 10 * 86_400
    plant.happen("new", Event.OCCUR, ten_days - 86_400)  # a day to the second
    plant.happen("old", Event.OCCUR, ten_days - 86_401)
    plant.happen("seen", Event.OCCUR, 100)
    plant.happen("seen", Event.ACKNOWLEDGE, 200)
    plant.happen("planned", Event.OCCUR, 100)
    plant.happen("planned", Event.SET_WORK_ORDER, 150, work_order="WO-1")
    assert set(plant.quality().stale) == {"old.near", "seen.near", "planned.near"}
    plant.happen("planned", Event.ACKNOWLEDGE, 200)
    plant.happen("shelved", Event.OCCUR, 100)
    plant.happen("shelved", Event.SHELVE, 200, why="x", until_ns=DAYS_10 + DAY_NS)
    plant.once("over", 100)
    quality = plant.quality()
    assert quality.stale == ("old.near", "seen.near")
    assert quality.planned == ("planned.near",)
    assert value(quality, "stale") == (2, Verdict.GOOD)


def test_five_that_are_stale_are_too_many() -> None:
    plant = Plant()
    for n in range(5):
        plant.happen(f"d{n}", Event.OCCUR, 100)
    assert value(plant.quality(), "stale") == (5, Verdict.TOO_MUCH)


# Shares


def test_the_share_of_the_ten_most_frequent() -> None:
    plant = Plant()
    for n in range(200):
        plant.once(f"d{n}", 100 + n * 3600)
    assert value(plant.quality(), "top_ten_share") == (5.0, Verdict.GOOD)
    plant.once("d0", 100 + 210 * 3600)
    found = figure(plant.quality(), "top_ten_share")
    assert found.value == pytest.approx(100 * 11 / 201)
    assert found.verdict is Verdict.TOO_MUCH


def test_with_fewer_alerts_that_share_says_nothing() -> None:
    plant = Plant()
    for n in range(199):
        plant.once(f"d{n}", 100 + n * 3600)
    assert figure(plant.quality(), "top_ten_share").verdict is Verdict.NOT_JUDGED


@pytest.mark.parametrize(
    ("low", "medium", "high", "verdicts"),
    [
        (80, 15, 5, (Verdict.GOOD,) * 3),
        (70, 25, 5, (Verdict.GOOD,) * 3),
        (69, 15, 16, (Verdict.TOO_MUCH, Verdict.GOOD, Verdict.TOO_MUCH)),
        (80, 15, 4, (Verdict.NOT_JUDGED,) * 3),
    ],
)
def test_priorities_are_split_about_80_15_5(
    low: int, medium: int, high: int, verdicts: tuple[Verdict, ...]
) -> None:
    plant = Plant()
    each_of = [Priority.LOW] * low + [Priority.MEDIUM] * medium + [Priority.HIGH] * high
    for n, priority in enumerate(each_of):
        plant.once(f"d{n}", 100 + n * 3600, priority=priority)
    quality = plant.quality()
    names = ("low_share", "medium_share", "high_share")
    assert tuple(figure(quality, name).verdict for name in names) == verdicts
    assert [figure(quality, name).value for name in names] == [
        pytest.approx(100 * count / len(each_of)) for count in (low, medium, high)
    ]


# For every life


@given(
    st.lists(
        st.tuples(st.sampled_from("abc"), st.sampled_from([Event.OCCUR, Event.CLEAR, Event.ACKNOWLEDGE])),
        max_size=60,
    ),
    st.integers(1, 400),
    st.integers(1, 3),
)
def test_figures_agree_with_each_other(events: list[tuple[str, Event]], step_s: int, operators: int) -> None:
    plant = Plant()
    for n, (drive_id, event) in enumerate(events, 1):
        try:
            plant.happen(drive_id, event, n * step_s)
        except NotAllowedError:
            continue
    quality = plant.quality(operators=operators)
    assert quality.annunciations == sum(each.act.event is Event.OCCUR for each in plant.transitions)
    assert 0 <= figure(quality, "time_in_flood").value <= 100
    assert sum(each.annunciations for each in quality.floods) <= quality.annunciations
    shares = [figure(quality, f"{each.name.lower()}_share").value for each in Priority]
    assert sum(shares) == pytest.approx(100 if quality.annunciations else 0)
    assert not set(quality.stale) & set(quality.planned)


@pytest.mark.parametrize(("to_ns", "operators"), [(START_NS, 1), (DAYS_10, 0)])
def test_no_time_and_nobody_to_tell_are_refused(to_ns: int, operators: int) -> None:
    with pytest.raises(ValueError, match="period"):
        Plant().quality(to_ns, operators)
