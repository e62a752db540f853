"""The door `foretell`, over the fake store: a year of a chain end to end, drives measured by hand, classes, and what fails."""

import threading
from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, datetime, tzinfo
from itertools import pairwise
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from service.core.drive import Chain, Drive
from service.core.duty import DutyPlan
from service.core.forecast_quality import judge_forecasts
from service.core.hand import HandMethod, HandValue
from service.core.life import ElongationSource, Removal, RemovalKind
from service.core.planned_stop import PlannedStop
from service.core.prognosis import Outcome
from service.core.reading import Reading
from service.core.shift import Site
from service.foretell import BY_CALENDAR, YOUNG, Foretell, courses_of, stretches_of
from service.ports import ROWS_MAX, KeptDutyPlan, NotFoundError, Resolution, RollUp, StoreUnavailableError
from tests.contracts.given import DAY_NS, MEASURED, SQLITE, Ports, S, a_store, fake_ports
from tests.contracts.test_changes import A_SUPPLY
from tests.fakes import FakeReadings

HOUR_NS = 3600 * S
START_NS = 20_454 * DAY_NS  # 2026-01-01T00:00:00Z, a Thursday
JOINTS_A_DAY = 960_000
LOOP = 98


class Clock:
    """A clock that a test sets."""

    def __init__(self, now_ns: int) -> None:
        self.now_ns = now_ns

    def __call__(self) -> int:
        return self.now_ns


def a_drive(ports: Ports, drive_id: str = "saw-1", **more: object) -> Drive:
    """A drive of the general limit with a chain that was fitted at the start."""
    drive = Drive(drive_id=drive_id, **{"whole_pitches": 20, **more})  # type: ignore[arg-type]
    ports.register.add_drive(drive)
    fit(ports, drive_id)
    return drive


def fit(ports: Ports, drive_id: str, letter: str = "a", fitted_ns: int = START_NS) -> Chain:
    chain = Chain(
        chain_id=f"{drive_id}-{letter}",
        drive_id=drive_id,
        designation="16B-1",
        pitch_mm=25.4,
        pitches_in_loop=LOOP,
        fitted_ns=fitted_ns,
    )
    ports.register.fit_chain(chain)
    return chain


class Rolled(FakeReadings):
    """Readings of which there are only roll-ups, put in as they are: years of them in no time."""

    def __init__(self) -> None:
        super().__init__()
        self.rows: dict[tuple[str, Resolution], list[RollUp]] = {}

    def put(self, drive_id: str, hours: Sequence[RollUp]) -> None:
        """Add roll-ups by the hour of whole days, and the days that they make."""
        self.rows.setdefault((drive_id, Resolution.HOUR), []).extend(hours)
        days = self.rows.setdefault((drive_id, Resolution.DAY), [])
        for first in range(0, len(hours), 24):
            day = hours[first : first + 24]
            days.append(
                replace(
                    day[-1],
                    readings=24,
                    measured=24,
                    mean_pct=sum(each.mean_pct or 0.0 for each in day) / 24,
                    mean_speed_m_s=sum(each.mean_speed_m_s or 0.0 for each in day) / 24,
                    pulses=sum(each.pulses for each in day),
                )
            )

    def rolled(
        self, drive_id: str, from_ns: int, to_ns: int, resolution: Resolution, rows_max: int = ROWS_MAX
    ) -> list[RollUp]:
        rows = self.rows.get((drive_id, resolution), [])
        return [each for each in rows if from_ns < each.end_ns <= to_ns][-rows_max:]


def hours_of(
    drive_id: str,
    days: Sequence[int],
    pct_a_day: float,
    *,
    seed: int = 1,
    working: Sequence[int] = range(7),
    zone: tzinfo = UTC,
    letter: str = "a",
) -> list[RollUp]:
    """Roll-ups by the hour of a chain that was new on the first of the days and works on some weekdays (0 Monday)."""
    rng = np.random.default_rng(seed)
    worn, found = 0.0, []
    for hour in range(days[0] * 24, (days[-1] + 1) * 24):
        end_ns = START_NS + (hour + 1) * HOUR_NS
        ran = datetime.fromtimestamp((end_ns - HOUR_NS) // S, tz=zone).weekday() in working
        worn += pct_a_day / 24 * rng.gamma(2, 1 / 2) if ran else 0.0
        read_pct = float(worn + rng.normal(0, 0.004))
        found.append(
            RollUp(
                drive_id=drive_id,
                chain_id=f"{drive_id}-{letter}",
                end_ns=end_ns,
                readings=1,
                measured=1,
                mean_pct=read_pct,
                min_pct=read_pct,
                max_pct=read_pct,
                last_pct=read_pct,
                mean_u_pct=0.03,
                mean_speed_m_s=1.2 if ran else 0.0,
                pulses=JOINTS_A_DAY // 24 if ran else 0,
            )
        )
    return found


def roll(ports: Ports, hours: Sequence[RollUp]) -> None:
    """Put roll-ups in."""
    assert isinstance(ports.readings, Rolled)
    ports.readings.put(hours[0].drive_id, hours)


def readings_of(hours: Sequence[RollUp]) -> list[Reading]:
    """The readings that make such roll-ups."""
    return [
        replace(
            MEASURED,
            drive_id=each.drive_id,
            chain_id=each.chain_id,
            t_ns=each.end_ns,
            t0_ns=each.end_ns - 10 * S,
            elongation_pct=each.mean_pct,
            elongation_u_pct=each.mean_u_pct,
            up_pulses=each.pulses,
            speed_m_s=each.mean_speed_m_s,
            load_n=None,
        )
        for each in hours
    ]


def by_hand(ports: Ports, drive_id: str, at: Sequence[tuple[int, float]]) -> None:
    """Measurements with a rule over 60 pitches: day, elongation in per cent."""
    for day, pct in at:
        value = HandValue(
            drive_id=drive_id,
            chain_id=f"{drive_id}-a",
            measured_ns=START_NS + day * DAY_NS,
            recorded_ns=START_NS + day * DAY_NS + HOUR_NS,
            recorded_by="M. Brandt",
            method=HandMethod.RULE,
            pitches=60,
            length_mm=60 * 25.4 * (1 + pct / 100),
            length_u_mm=0.7,
            pitch_mm=25.4,
            tight=True,
        )
        ports.hand_values.record(value)


def stop(ports: Ports, now_ns: int, starts_day: int, ends_day: int) -> None:
    """Plan a stop of the whole plant, in days from now."""
    ports.planned_stops.add(
        PlannedStop(
            name="Stop",
            starts_ns=now_ns + starts_day * DAY_NS,
            ends_ns=now_ns + ends_day * DAY_NS,
            by="M. Brandt",
            recorded_ns=now_ns,
        )
    )


def days_ahead(t_ns: int | None, now_ns: int) -> float:
    assert t_ns is not None
    return (t_ns - now_ns) / DAY_NS


@pytest.fixture
def ports() -> Ports:
    return replace(fake_ports(), readings=Rolled())


def test_a_year_of_readings_tells_when_the_limit_comes_and_keeps_what_was_told() -> None:
    with a_store(SQLITE) as ports:
        a_drive(ports)
        ports.readings.store(readings_of(hours_of("saw-1", range(365), 2.0 / 365, working=range(5))))
        while ports.readings.roll_up():
            pass
        tells_of_a_year(ports)


def tells_of_a_year(ports: Ports) -> None:
    clock = Clock(START_NS + 365 * DAY_NS)
    foretell = Foretell(ports, now_ns=clock)
    kept = foretell.foretell("saw-1")
    assert kept is not None
    assert ports.prognoses.newest_of("saw-1") == replace(kept, number=1)
    assert kept.outcome is Outcome.FORECAST
    # 2 x 5/7 % were worn in 365 days, so 3 % come after 766.5 days, 401.5 from now
    assert days_ahead(kept.p50_ns, clock.now_ns) == pytest.approx(401.5, rel=0.12)
    assert days_ahead(kept.p10_ns, clock.now_ns) < 401.5 < days_ahead(kept.p90_ns, clock.now_ns)
    document = kept.document
    assert document["clock"]["unit"] == "joints"
    assert document["clock"]["now"] == pytest.approx(JOINTS_A_DAY * 365 * 5 / 7, rel=0.01)
    assert document["duty"]["hours_a_week"] == pytest.approx(5 * JOINTS_A_DAY * 0.0254 / 1.2 / 3600, rel=0.03)
    assert document["rate"]["per_30_days_pct"] == pytest.approx(30 * 2 / 365 * 5 / 7, rel=0.1)
    assert document["data"]["observations"] > 100
    assert any("as its last" in each for each in document["assumptions"])


def test_what_is_looked_at_of_a_year_is_bounded(ports: Ports) -> None:
    a_drive(ports)
    roll(ports, hours_of("saw-1", range(365), 2.0 / 365))
    chain = ports.register.chains("saw-1")[0]
    found = stretches_of(ports.readings, chain, START_NS + 365 * DAY_NS)
    assert len(found) < 365 + 24 * 57
    assert all(a.end_ns <= b.start_ns for a, b in pairwise(found))
    assert sum(each.joints for each in found) == JOINTS_A_DAY * 365
    kept = Foretell(ports, now_ns=Clock(START_NS + 365 * DAY_NS)).foretell("saw-1")
    assert kept is not None
    assert kept.document["data"]["observations"] <= 500


def test_a_drive_that_is_only_measured_by_hand_goes_by_the_calendar_and_says_so(ports: Ports) -> None:
    a_drive(ports, whole_pitches=None)
    by_hand(ports, "saw-1", [(60, 0.32), (180, 0.91), (270, 1.34), (360, 1.82)])
    clock = Clock(START_NS + 365 * DAY_NS)
    kept = Foretell(ports, now_ns=clock).foretell("saw-1")
    assert kept is not None
    assert kept.outcome is Outcome.FORECAST
    assert days_ahead(kept.p50_ns, clock.now_ns) == pytest.approx(3 / 1.82 * 360 - 365, rel=0.2)
    assert kept.document["data"]["by_hand"] == 4
    assert BY_CALENDAR in kept.document["assumptions"]
    assert not any("planned by people" in each for each in kept.document["assumptions"])


def test_a_plan_of_hours_moves_the_date_of_a_drive_measured_by_hand(ports: Ports) -> None:
    a_drive(ports, whole_pitches=None)
    by_hand(ports, "saw-1", [(60, 0.32), (180, 0.91), (270, 1.34), (360, 1.82)])
    clock = Clock(START_NS + 365 * DAY_NS)
    plan = DutyPlan(hours_by_weekday=(16.0,) * 5 + (0.0, 0.0))
    ports.duty_plans.put(KeptDutyPlan(drive_id="saw-1", plan=plan, by="M. Brandt", at_ns=START_NS))
    foretell = Foretell(ports, now_ns=clock)
    kept = foretell.foretell("saw-1")
    stop(ports, clock.now_ns, -90, -60)
    stop(ports, clock.now_ns, 30, 90)
    stopped = foretell.foretell("saw-1")
    assert kept is not None
    assert stopped is not None
    assert kept.document["duty"] == {"hours_a_week": 80.0, "planned": True, "weeks": 0.0, "stops": 0}
    assert any("80 h a week, as planned by people" in each for each in kept.document["assumptions"])
    later = days_ahead(stopped.p50_ns, clock.now_ns) - days_ahead(kept.p50_ns, clock.now_ns)
    assert later == pytest.approx(60, abs=12)
    assert stopped.document["duty"]["stops"] == 1


def test_readings_and_measurements_by_hand_go_together(ports: Ports) -> None:
    a_drive(ports)
    roll(ports, hours_of("saw-1", range(200, 365), 2.0 / 365))
    by_hand(ports, "saw-1", [(60, 0.32), (180, 0.97)])
    kept = Foretell(ports, now_ns=Clock(START_NS + 365 * DAY_NS)).foretell("saw-1")
    assert kept is not None
    data = kept.document["data"]
    assert (data["by_hand"], data["epochs"]) == (2, 2)
    assert kept.document["clock"]["filled_share"] == pytest.approx(200 / 365, abs=0.02)


def test_a_chain_of_a_few_hours_has_no_trend_yet(ports: Ports) -> None:
    a_drive(ports)
    roll(ports, hours_of("saw-1", range(1), 2.0 / 365))
    kept = Foretell(ports, now_ns=Clock(START_NS + 20 * HOUR_NS)).foretell("saw-1")
    assert kept is not None
    assert kept.outcome is Outcome.NO_TREND_YET
    assert (kept.p10_ns, kept.p50_ns, kept.p90_ns) == (None, None, None)


@pytest.mark.parametrize("heard_s", [150, 1800])
def test_wear_within_minutes_is_told_within_minutes(heard_s: int) -> None:
    """As in the demo: a chain that is said to be 400 days old, of which minutes were heard."""
    ports = fake_ports()
    drive = Drive(drive_id="saw-1", whole_pitches=20)
    ports.register.add_drive(drive)
    fit(ports, "saw-1", fitted_ns=START_NS - 400 * DAY_NS)
    rng = np.random.default_rng(3)
    ports.readings.store(
        [
            replace(
                MEASURED,
                drive_id="saw-1",
                chain_id="saw-1-a",
                t_ns=START_NS + at_s * S,
                t0_ns=START_NS + at_s * S - 5 * S,
                elongation_pct=float(1.5 + at_s / 3600 + rng.normal(0, 0.004)),
                up_pulses=250,
                load_n=None,
            )
            for at_s in range(5, heard_s + 5, 5)
        ]
    )
    ports.readings.roll_up()
    clock = Clock(START_NS + heard_s * S)
    kept = Foretell(ports, now_ns=clock).foretell("saw-1")
    assert kept is not None
    assert kept.outcome is Outcome.FORECAST
    assert days_ahead(kept.p50_ns, clock.now_ns) * 24 == pytest.approx(1.5 - heard_s / 3600, rel=0.25)
    assert YOUNG in kept.document["assumptions"]


def test_a_new_chain_borrows_from_its_class_and_says_so(ports: Ports) -> None:
    for number in range(5):
        a_drive(ports, f"mate-{number}", drive_class="feed")
        pace = (1.8 + 0.1 * number) / 365
        roll(ports, hours_of(f"mate-{number}", range(365), pace, seed=number))
    a_drive(ports, "young", drive_class="feed")
    a_drive(ports, "alone")
    for drive_id in ("young", "alone"):
        ports.register.take_off_chain(f"{drive_id}-a", START_NS + 339 * DAY_NS, "as a test")
        fit(ports, drive_id, "b", START_NS + 340 * DAY_NS)
        roll(ports, hours_of(drive_id, range(340, 365), 2.0 / 365, seed=9, letter="b"))
    clock = Clock(START_NS + 365 * DAY_NS)
    foretell = Foretell(ports, now_ns=clock)
    kept, alone = foretell.foretell("young"), foretell.foretell("alone")
    assert kept is not None
    assert alone is not None
    assert kept.document["lent"]["chains"] == 5
    assert kept.document["lent"]["class_name"] == "feed"
    assert alone.document["lent"] is None
    assert kept.outcome is Outcome.FORECAST
    assert days_ahead(kept.p50_ns, clock.now_ns) == pytest.approx(3 / 2 * 365 - 25, rel=0.25)


def test_joints_count_by_the_load_where_that_is_sent() -> None:
    ports = fake_ports()
    a_drive(ports)
    days = 12
    plain = readings_of(hours_of("saw-1", range(days), 0.01))
    ports.readings.store(
        [
            replace(each, load_n=1000.0 if number < len(plain) / 2 else 3000.0)
            for number, each in enumerate(plain)
        ]
    )
    ports.readings.roll_up()
    foretell = Foretell(ports, now_ns=Clock(START_NS + days * DAY_NS))
    plant = foretell._plant_now()
    drive, chain = plant.drives["saw-1"], plant.chains["saw-1"][0]
    for _ in range(3):  # a few days a turn are looked up
        history = foretell._history(plant, drive, chain, START_NS + days * DAY_NS)
    clock = history.clock
    assert clock.load_n == pytest.approx(2000)
    half = clock.clock_at(START_NS + days * DAY_NS // 2)
    assert half / clock.clock[-1] == pytest.approx(1 / 4)
    assert clock.clock[-1] == pytest.approx(JOINTS_A_DAY * days), "a joint at the mean load counts as one"


# What is due


def test_each_drive_is_foretold_once_an_hour_and_at_once_where_something_new_was_entered(
    ports: Ports,
) -> None:
    a_drive(ports, whole_pitches=None)
    a_drive(ports, "saw-2", whole_pitches=None)
    clock = Clock(START_NS + 100 * DAY_NS)
    foretell = Foretell(ports, now_ns=clock)
    assert foretell.turn(3600).made == 2
    clock.now_ns += 3599 * S
    assert foretell.turn(3600).made == 0
    clock.now_ns += S
    assert foretell.turn(3600).made == 2
    clock.now_ns += 60 * S
    value = replace_recorded(ports, clock.now_ns)
    assert value
    assert foretell.turn(3600).made == 1
    clock.now_ns += 60 * S
    stop(ports, clock.now_ns, 40, 41)
    assert foretell.turn(3600).made == 2
    assert foretell.turn(3600).made == 0
    clock.now_ns += 60 * S
    ports.register.take_off_chain("saw-2-a", clock.now_ns - 10 * S, "worn")
    assert foretell.turn(3600).made == 0
    fit(ports, "saw-2", "b", clock.now_ns - 5 * S)
    assert foretell.turn(3600).made == 1
    found = ports.prognoses.newest_of("saw-2")
    assert found is not None
    assert found.chain_id == "saw-2-b"


def replace_recorded(ports: Ports, at_ns: int) -> HandValue:
    by_hand(ports, "saw-1", [(90, 0.5)])
    value = replace(ports.hand_values.of("saw-1")[0], recorded_ns=at_ns)
    ports.hand_values.record(value)
    return value


def test_after_a_restart_it_goes_on_where_it_was(ports: Ports) -> None:
    a_drive(ports, whole_pitches=None)
    clock = Clock(START_NS + 100 * DAY_NS)
    assert Foretell(ports, now_ns=clock).turn(3600).made == 1
    assert Foretell(ports, now_ns=clock).turn(3600).made == 0


def test_a_bad_drive_never_stops_the_others_and_is_tried_again_later(
    ports: Ports, monkeypatch: pytest.MonkeyPatch
) -> None:
    def plan_of(drive_id: str) -> None:
        if drive_id == "bad":
            raise ValueError("this one cannot be worked out")

    for drive_id in ("a", "bad", "c"):
        a_drive(ports, drive_id, whole_pitches=None)
    clock = Clock(START_NS + 100 * DAY_NS)

    monkeypatch.setattr(ports.duty_plans, "plan", plan_of)
    foretell = Foretell(ports, now_ns=clock)
    done = foretell.turn(3600)
    assert (done.made, done.failed) == (2, 1)
    assert [each.drive_id for each in ports.prognoses.newest()] == ["a", "c"]
    clock.now_ns += 60 * S
    assert foretell.turn(3600).failed == 0
    clock.now_ns += 3600 * S
    assert foretell.turn(3600).failed == 1


def test_drives_without_a_chain_and_retired_ones_are_left_out(ports: Ports) -> None:
    ports.register.add_drive(Drive(drive_id="bare"))
    a_drive(ports, "gone")
    ports.register.retire_drive("gone", START_NS + DAY_NS)
    foretell = Foretell(ports, now_ns=Clock(START_NS + 100 * DAY_NS))
    assert foretell.turn(3600).made == 0
    assert foretell.foretell("bare") is None
    with pytest.raises(NotFoundError, match="register it"):
        foretell.foretell("unknown")


def test_while_the_store_is_down_it_waits_and_then_goes_on(ports: Ports) -> None:
    a_drive(ports, whole_pitches=None)
    foretell = Foretell(ports, now_ns=Clock(START_NS + 100 * DAY_NS))
    ports.prognoses.down = "disk full"  # type: ignore[attr-defined]
    with pytest.raises(StoreUnavailableError):
        foretell.turn(3600)
    stop = threading.Event()
    thread = threading.Thread(target=foretell.run, args=(stop, 0.05))
    thread.start()
    ports.prognoses.down = None  # type: ignore[attr-defined]
    try:
        for _ in range(200):
            if ports.prognoses.newest():
                break
            stop.wait(0.05)
    finally:
        stop.set()
        thread.join(20)
    assert [each.drive_id for each in ports.prognoses.newest()] == ["saw-1"]


# What alerts go by


def test_alerts_go_by_the_early_end_of_the_interval_and_the_next_stop(ports: Ports) -> None:
    a_drive(ports)
    roll(ports, hours_of("saw-1", range(365), 2.0 / 365))
    clock = Clock(START_NS + 365 * DAY_NS)
    stop(ports, clock.now_ns, -9, -8)
    stop(ports, clock.now_ns, 60, 61)
    stop(ports, clock.now_ns, 40, 41)
    ports.supplies.put(replace(A_SUPPLY, name="saw-1", lead_days=28, margin_days=5))
    foretell = Foretell(ports, now_ns=clock)
    assert foretell.forecast_of("saw-1-a", clock.now_ns) is None
    kept = foretell.foretell("saw-1")
    assert kept is not None
    for one in (foretell, Foretell(ports, now_ns=clock)):
        found = one.forecast_of("saw-1-a", clock.now_ns)
        assert found is not None
        assert (found.limit_ns, found.next_stop_ns) == (kept.p10_ns, clock.now_ns + 40 * DAY_NS)
        assert found.made_ns == clock.now_ns
        assert found.lead_days == 33
    assert foretell.forecast_of("another", clock.now_ns) is None
    assert foretell.forecast_of("saw-1-a", clock.now_ns + 3 * DAY_NS) is None, "it is too old"


def test_without_a_trend_nothing_is_said_and_without_wear_the_limit_is_far(ports: Ports) -> None:
    a_drive(ports, whole_pitches=None)
    clock = Clock(START_NS + 365 * DAY_NS)
    foretell = Foretell(ports, now_ns=clock)
    foretell.foretell("saw-1")
    assert foretell.forecast_of("saw-1-a", clock.now_ns) is None
    a_drive(ports, "idle")
    roll(ports, hours_of("idle", range(365), 0.0))
    kept = foretell.foretell("idle")
    assert kept is not None
    assert kept.outcome in {Outcome.RATE_NOT_ABOVE_ZERO, Outcome.NO_TREND_YET}
    if kept.outcome is Outcome.RATE_NOT_ABOVE_ZERO:
        found = foretell.forecast_of("idle-a", clock.now_ns)
        assert found is not None
        assert days_ahead(found.limit_ns, clock.now_ns) > 3000


# Days are local


def test_the_weekdays_of_a_drive_are_those_of_its_site(ports: Ports) -> None:
    zone = ZoneInfo("Pacific/Auckland")
    ports.sites.put(Site(site="Down", zone="Pacific/Auckland"))
    a_drive(ports, site="Down")
    roll(ports, hours_of("saw-1", range(365), 2.0 / 365, working=range(5), zone=zone))
    foretell = Foretell(ports, now_ns=Clock(START_NS + 365 * DAY_NS))
    plant = foretell._plant_now()
    drive, chain = plant.drives["saw-1"], plant.chains["saw-1"][0]
    history = foretell._history(plant, drive, chain, START_NS + 365 * DAY_NS)
    from service.core.wear_history import duty_of

    local = duty_of(history.clock, history.heard_ns, zone)
    assert local is not None
    weekend = sum(local.clock_by_weekday[5:]) / local.clock_per_week
    assert weekend < 0.05


# Past forecasts


def test_past_forecasts_are_held_against_when_the_limit_came(ports: Ports) -> None:
    for number in range(6):
        drive_id = f"d{number}"
        a_drive(ports, drive_id)
        roll(ports, hours_of(drive_id, range(300), (3.6 + 0.1 * number) / 300, seed=number))
    for day in (60, 120, 180, 220, 299):
        Foretell(ports, now_ns=Clock(START_NS + day * DAY_NS)).turn(3600)
    courses = courses_of(ports, START_NS + 300 * DAY_NS)
    assert sorted(each.drive_id for each in courses) == [f"d{number}" for number in range(6)]
    for each in courses:
        assert each.came_ns is not None
        pace = (3.6 + 0.1 * int(each.drive_id[1:])) / 300
        assert (each.came_ns - START_NS) / DAY_NS == pytest.approx(3.0 / pace, rel=0.08)
    whole = judge_forecasts(courses)[0]
    assert (whole.chains, whole.not_judged, whole.enough) == (6, 0, True)
    assert whole.held is not None
    assert whole.held >= 0.5


def test_a_chain_taken_off_below_its_limit_proves_nothing_unless_it_was_found_at_it(ports: Ports) -> None:
    for drive_id in ("a", "b", "c"):
        a_drive(ports, drive_id)
        roll(ports, hours_of(drive_id, range(300), 2.7 / 300, seed=4))
    Foretell(ports, now_ns=Clock(START_NS + 250 * DAY_NS)).turn(3600)
    off_ns = START_NS + 310 * DAY_NS
    found_at = Removal(
        chain_id="b-a",
        kind=RemovalKind.WORN,
        elongation_pct=3.1,
        u_pct=0.05,
        source=ElongationSource.BY_HAND,
        measured_ns=off_ns,
        by="M. Brandt",
        recorded_ns=off_ns,
    )
    ports.register.take_off_chain("a-a", off_ns, "planned stop")
    ports.register.take_off_chain("b-a", off_ns, "worn", removal=found_at)
    came = {each.drive_id: each.came_ns for each in courses_of(ports, off_ns + DAY_NS)}
    assert set(came) == {"a", "b"}, "c is still on its way"
    assert came["a"] is None
    assert came["b"] is not None
    assert START_NS + 299 * DAY_NS < came["b"] <= off_ns
