"""Door: the hour came. Each drive is asked anew when its chain reaches its limit, and what is told is kept.

The story of a turn: which drives are due; of each what was stored of its chain is made into a clock of wear and elongations
(`wear_history`), its class and its duty are looked up, core makes the prognosis, and it is stored as it was made. Rules for
the next editor:

- One bad drive never stops the others; it is tried again when it is due the next time.
- What one drive costs is bounded: days far back, hours of the last weeks, joined to a few hundred elongations.
- It may take half of one core at most: after each drive it rests as long as that took.
- Where several processes work on one store, one of them foretells. The others read what was told.
"""

import math
import threading
import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, tzinfo
from typing import Any

import structlog

from service.core.condition import Forecast
from service.core.drive import Baseline, Chain, Drive, chain_at, limit
from service.core.duty import Duty, DutyPlan, Stop, planned_duty
from service.core.forecast_quality import Course, ToldOnce, reached_ns
from service.core.hand import hand_elongation
from service.core.prognosis import Case, Outcome, Prognosis, forecast, plain, series_of
from service.core.supply import terms_of
from service.core.wear_class import CHAINS_LEAST, CHAINS_MOST, WearClass, learn_class
from service.core.wear_clock import NS_PER_DAY, NS_PER_HOUR, WearClock, planned_clock
from service.core.wear_history import Stretch, clock_of, duty_of, hand_observation, observations_of
from service.core.wear_state import Observation, Series
from service.ports import (
    KeptPrognosis,
    LeaseLostError,
    NotFoundError,
    Readings,
    Resolution,
    RollUp,
    Stores,
    StoreUnavailableError,
)
from service.share_tasks import Alone, Task

BY_READING_NS = NS_PER_HOUR // 3  # of a chain that was first heard so long ago every reading is looked at
BY_MINUTE_NS = 8 * NS_PER_HOUR  # else every minute
BY_HOUR_NS = 12 * NS_PER_DAY  # else every hour
STOPS_NS = 366 * NS_PER_DAY  # stops so far back are left out of what is learnt of the duty
RECENT_NS = 56 * NS_PER_DAY  # else every day, and every hour of so many days
LOAD_NS = 60 * NS_PER_DAY  # so far back loads are looked up, a day each
LOAD_DAYS_A_TURN = 5  # of one drive: a day of raw readings is many
READINGS_MAX = 5000  # of the first minutes of a chain
HAND_VALUES_MAX = 200  # of one chain, the newest
FOLDS = 6  # a chain borrows from what the other folds of its class have in common
CLASS_NS = NS_PER_DAY  # what a class lends is learnt anew so often
STALE_NS = 2 * NS_PER_DAY  # a forecast older than that raises no alert
FAR_NS = 3653 * NS_PER_DAY
LOOK_S = 60.0  # from one look at what is due to the next, at most
COURSES_MAX = 300  # chains that forecasts are held against, those fitted last

ALWAYS = (24.0,) * 7
BY_CALENDAR = (
    "Nobody counts its joints, and no plan of its hours is entered: wear is taken to go with the calendar."
)
YOUNG = "It is heard for less than three whole days, and is taken to go on running as it did."

log = structlog.get_logger(__name__)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Plant:
    """The register as it was at one version."""

    version: int
    drives: Mapping[str, Drive]  # those that are retired too
    chains: Mapping[str, Sequence[Chain]]
    baselines: Mapping[str, Sequence[Baseline]]


@dataclass(frozen=True, slots=True, kw_only=True)
class _History:
    """One chain: the clock and what was read against it. unit: of the clock, joints or hours; heard_ns: since when counted."""

    clock: WearClock
    observations: Sequence[Observation]
    unit: str
    heard_ns: int
    how: str = ""  # to say of the duty in place of core's words


@dataclass(frozen=True, slots=True)
class _Latest:
    kept: KeptPrognosis
    stops: Sequence[Stop]
    lead_days: int | None  # from order to need, as people set it under supply


@dataclass(frozen=True, slots=True)
class _Lending:
    """What a class lends: learnt when, which fold each chain is in, and what the other folds of each have in common."""

    at_ns: int
    fold: Mapping[str, int]
    lent: Sequence[WearClass | None]


@dataclass(frozen=True, slots=True)
class Turn:
    """What one turn did: prognoses made, drives that failed, and how long one drive took, seconds."""

    made: int
    failed: int
    drive_s: float


class Foretell:
    """Makes prognoses, turn by turn. `turn` and `foretell` are for one thread; `forecast_of` for any."""

    def __init__(
        self,
        stores: Stores,
        *,
        zone: tzinfo = UTC,
        task: Task | None = None,
        now_ns: Callable[[], int] = time.time_ns,
    ) -> None:
        """A foreteller that has not begun.

        Args:
            stores: the ports of the store.
            zone: of the clocks of sites of which none is set.
            task: whether this process foretells; None: it does.
            now_ns: the clock, read once a drive.
        """
        self._stores, self._zone, self._now_ns = stores, zone, now_ns
        self._task = task or Alone()
        self._held: Sequence[object] = ()  # the lease of the look before
        self._plant: _Plant | None = None
        self._latest: dict[str, _Latest] | None = None  # by chain
        self._tried: dict[str, int] = {}  # drives that failed, and when
        self._loads: dict[str, dict[int, float | None]] = {}  # by chain: day by its end, and its load
        self._series: dict[str, tuple[int, str, Series | None]] = {}  # by chain: when, unit, what it lends
        self._lending: dict[tuple[str, str], _Lending] = {}

    def run(self, stop: threading.Event, every_s: float) -> None:
        """Foretell what is due until `stop`, each drive every so often. What fails is tried again later."""
        while not stop.wait(min(every_s, LOOK_S)):
            try:
                done = self._turn_if_ours(every_s, stop)
            except (StoreUnavailableError, LeaseLostError) as fault:
                log.warning("foretelling_waits", fault=str(fault))
                continue
            except Exception:
                log.exception("foretelling_failed")  # the next look tries again
                continue
            if done.made or done.failed:
                log.info(
                    "foretold", drives=done.made, failed=done.failed, ms_a_drive=round(1000 * done.drive_s, 1)
                )

    def _turn_if_ours(self, every_s: float, stop: threading.Event) -> Turn:
        """Foretell what is due, if that is this process's task. If another told meanwhile, what was told is read anew."""
        with self._task.turn() as held:
            if not held or held != self._held:
                self._latest = None
            self._held = held
            return self.turn(every_s, stop=stop) if held else Turn(0, 0, 0.0)

    def turn(self, every_s: float, *, stop: threading.Event | None = None) -> Turn:
        """Foretell the drives that are due.

        At once due are those with another chain, baseline or measurement by hand, and all where plans were changed.

        Raises StoreUnavailableError.
        """
        plant, latest = self._plant_now(), self._load()
        by_hand = {each.drive_id: each.recorded_ns for each in self._stores.hand_values.newest()}
        plans = (self._stores.planned_stops, self._stores.duty_plans, self._stores.supplies)
        planned_ns = max(each.changed_ns() for each in plans)
        made = failed = 0
        took_s = 0.0
        for drive_id, drive in plant.drives.items():
            if stop is not None and stop.is_set():
                break
            now_ns = self._now_ns()
            news_ns = max(by_hand.get(drive_id, 0), planned_ns)
            if drive.retired_ns or not self._is_due(plant, latest, drive_id, news_ns, (now_ns, every_s)):
                continue
            began_s = time.perf_counter()
            try:
                made += self._foretell(plant, drive, now_ns) is not None
            except (StoreUnavailableError, LeaseLostError):
                raise
            except Exception:
                log.exception("drive_not_foretold", drive=drive_id)
                self._tried[drive_id] = now_ns
                failed += 1
            spent_s = time.perf_counter() - began_s
            took_s += spent_s
            if stop is not None:
                stop.wait(spent_s)
        return Turn(made, failed, took_s / max(made + failed, 1))

    def foretell(self, drive_id: str) -> KeptPrognosis | None:
        """Foretell one drive now, due or not, and return what was kept; None without a chain. Raises NotFoundError."""
        plant = self._plant_now()
        if drive_id not in plant.drives:
            raise NotFoundError(f"there is no drive {drive_id!r}: register it, or correct the id")
        self._load()
        return self._foretell(plant, plant.drives[drive_id], self._now_ns())

    def forecast_of(self, chain_id: str, now_ns: int) -> Forecast | None:
        """Return what alerts go by: the instant before which the limit comes with one chance in ten, and the next stop.

        None where there is no forecast of that chain, no trend yet, or only an old one. Where no wear is to be seen, and
        where the drive stands, the limit is far away.
        """
        found = self._load().get(chain_id)
        if found is None or now_ns - found.kept.made_ns > STALE_NS:
            return None
        kept = found.kept
        if kept.outcome is Outcome.NO_TREND_YET:
            return None
        limit_ns = kept.p10_ns or now_ns + FAR_NS
        if kept.outcome is Outcome.LIMIT_REACHED:
            limit_ns = kept.made_ns
        coming = [each.start_ns for each in found.stops if each.start_ns > now_ns]
        return Forecast(
            limit_ns=limit_ns,
            next_stop_ns=min(coming, default=None),
            made_ns=kept.made_ns,
            lead_days=found.lead_days,
        )

    # What is there

    def _plant_now(self) -> _Plant:
        register = self._stores.register
        version = register.version()
        if self._plant is None or self._plant.version != version:
            chains: dict[str, list[Chain]] = {}
            for chain in register.chains():
                chains.setdefault(chain.drive_id, []).append(chain)
            baselines: dict[str, list[Baseline]] = {}
            for baseline in register.baselines():
                baselines.setdefault(baseline.chain_id, []).append(baseline)
            drives = {each.drive_id: each for each in register.drives(retired=True)}
            self._plant = _Plant(version=version, drives=drives, chains=chains, baselines=baselines)
        return self._plant

    def _load(self) -> dict[str, _Latest]:
        """What was told last of each chain."""
        latest = self._latest  # another thread may let it go meanwhile
        if latest is None:
            newest = self._stores.prognoses.newest()
            drives = {each.drive_id: each for each in self._stores.register.drives()}
            now_ns = self._now_ns()
            latest = self._latest = {
                each.chain_id: self._latest_of(
                    each, drives[each.drive_id], self._stops(drives[each.drive_id], now_ns)
                )
                for each in newest
                if each.drive_id in drives
            }
        return latest

    def _latest_of(self, kept: KeptPrognosis, drive: Drive, stops: Sequence[Stop]) -> _Latest:
        chains = self._stores.register.chains(drive.drive_id)
        designation = next((each.designation for each in chains if each.chain_id == kept.chain_id), "")
        terms = terms_of(
            self._stores.supplies.supplies(),
            site=drive.site,
            drive_class=drive.drive_class,
            designation=designation,
            drive_id=drive.drive_id,
        )
        return _Latest(kept, stops, terms.days_ahead)

    def _is_due(
        self,
        plant: _Plant,
        latest: Mapping[str, _Latest],
        drive_id: str,
        news_ns: int,
        when: tuple[int, float],
    ) -> bool:
        now_ns, every_s = when
        chain = chain_at(plant.chains.get(drive_id, ()), now_ns)
        if chain is None:
            return False
        found = latest.get(chain.chain_id)
        tried_ns = self._tried.get(drive_id, -1)
        if found is None:
            return not 0 <= now_ns - tried_ns < every_s * 1e9
        news_ns = max([news_ns, *(each.recorded_ns for each in plant.baselines.get(chain.chain_id, ()))])
        made_ns = max(found.kept.made_ns, tried_ns)
        return made_ns < news_ns <= now_ns or not 0 <= now_ns - made_ns < every_s * 1e9

    def _stops(self, drive: Drive, now_ns: int) -> list[Stop]:
        """The planned stops of a drive: those of the last year, and all to come."""
        known = self._stores.planned_stops.stops(now_ns - STOPS_NS)
        return [
            Stop(start_ns=each.starts_ns, end_ns=each.ends_ns, why=each.name)
            for each in known
            if each.covers(drive)
        ]

    def _duty_plan(self, drive_id: str) -> DutyPlan | None:
        """What people plan the drive to run; it goes before what was learnt."""
        kept = self._stores.duty_plans.plan(drive_id)
        return None if kept is None else kept.plan

    # One drive

    def _foretell(self, plant: _Plant, drive: Drive, now_ns: int) -> KeptPrognosis | None:
        chain = chain_at(plant.chains.get(drive.drive_id, ()), now_ns)
        if chain is None:
            return None
        stops = self._stops(drive, now_ns)
        plan = self._duty_plan(drive.drive_id)
        zone = self._zone_of(drive.site)
        history = self._history(plant, drive, chain, now_ns)
        duty = _duty(history, plan, stops, zone)
        if duty is not None:  # those that are over taught it, and are kept to no more
            duty = replace(duty, stops=tuple(each for each in stops if each.end_ns > now_ns))
        lent = self._lent(plant, drive, chain, history, now_ns)
        prognosis = forecast(
            Case(
                observations=history.observations,
                limit_pct=limit(drive).limit_pct,
                now_ns=now_ns,
                now_clock=history.clock.clock_at(now_ns),
                now_hours=history.clock.hours_at(now_ns),
                duty=duty,
                wear_class=lent,
                class_name=drive.drive_class,
                clock_name="joints passed" if history.unit == "joints" else "running time",
                zone=zone,
            )
        )
        kept = _kept(drive, chain, prognosis, _more(history, duty))
        self._stores.prognoses.keep([kept])
        self._latest = {**(self._latest or {}), chain.chain_id: self._latest_of(kept, drive, stops)}
        return kept

    def _zone_of(self, site: str) -> tzinfo:
        known = self._stores.sites.site(site)
        return self._zone if known is None else known.zone_info

    def _history(self, plant: _Plant, drive: Drive, chain: Chain, now_ns: int) -> _History:
        """What is known of a chain until now, or until it came off."""
        until_ns = now_ns if chain.removed_ns is None else min(chain.removed_ns, now_ns)
        stretches = stretches_of(self._stores.readings, chain, until_ns)
        stretches = self._with_loads(drive, chain, stretches, until_ns)
        clock = clock_of(stretches, fitted_ns=chain.fitted_ns, now_ns=until_ns, pitch_mm=chain.pitch_mm)
        unit, how, heard_ns = "joints", "", stretches[0].start_ns if stretches else until_ns
        if clock is None:
            plan = self._duty_plan(drive.drive_id)
            hours = ALWAYS if plan is None else plan.hours_by_weekday
            clock = planned_clock(hours, chain.fitted_ns, until_ns, self._zone_of(drive.site))
            unit, how = "hours", BY_CALENDAR if plan is None else ""
        elif until_ns - heard_ns < 3 * NS_PER_DAY:
            how = YOUNG
        observations = observations_of(stretches, clock, plant.baselines.get(chain.chain_id, ()))
        observations += self._by_hand(drive, chain, clock, until_ns)
        return _History(
            clock=clock,
            observations=[each for each in observations if each.t_ns <= until_ns],
            unit=unit,
            heard_ns=heard_ns,
            how=how,
        )

    def _by_hand(self, drive: Drive, chain: Chain, clock: WearClock, until_ns: int) -> list[Observation]:
        values = [
            each
            for each in self._stores.hand_values.of(drive.drive_id)
            if each.chain_id == chain.chain_id
            and each.tight
            and chain.fitted_ns < each.measured_ns <= until_ns
        ]
        loop = chain.pitches_in_loop
        return [
            hand_observation(
                each.measured_ns,
                hand_elongation(each, temp_ref_c=drive.temp_ref_c, pitches_in_loop=loop),
                clock,
            )
            for each in values[-HAND_VALUES_MAX:]
        ]

    def _with_loads(
        self, drive: Drive, chain: Chain, stretches: list[Stretch], until_ns: int
    ) -> list[Stretch]:
        """The stretches with the mean load of their day, where loads are sent. A few days a turn are looked up anew."""
        known = self._loads.setdefault(chain.chain_id, {})
        newest = self._stores.readings.newest_of(drive.drive_id)
        if not known and (newest is None or newest.reading.load_n is None):
            return stretches
        first_ns = max(until_ns - LOAD_NS, stretches[0].start_ns) if stretches else until_ns
        days = range(until_ns // NS_PER_DAY * NS_PER_DAY, first_ns, -NS_PER_DAY)
        for end_ns in [each for each in days if each not in known][:LOAD_DAYS_A_TURN]:
            means = self._stores.readings.by_day(drive.drive_id, end_ns - NS_PER_DAY, end_ns)
            known[end_ns] = next((each.load_n for each in means if each.chain_id == chain.chain_id), None)
        ends = {each: -(-each.middle_ns // NS_PER_DAY) * NS_PER_DAY for each in stretches}
        return [replace(each, load_n=known.get(end_ns)) for each, end_ns in ends.items()]

    # What its class lends

    def _lent(
        self, plant: _Plant, drive: Drive, chain: Chain, history: _History, now_ns: int
    ) -> WearClass | None:
        """What the other chains of its class have in common, in the clock of this chain."""
        unit = _unit(chain, history)
        series = series_of(history.observations, limit(drive).limit_pct)
        self._series[chain.chain_id] = now_ns, unit, _in_unit(series, chain, unit)
        if not drive.drive_class:
            return None
        key = (drive.drive_class, unit)
        lending = self._lending.get(key)
        if lending is None or not 0 <= now_ns - lending.at_ns < CLASS_NS:
            lending = self._lending[key] = self._learn(plant, *key, now_ns)
        lent = lending.lent[lending.fold.get(chain.chain_id, 0)] if lending.lent else None
        if lent is None or unit != "laps":
            return lent
        return lent.in_clock(float(chain.pitches_in_loop or 1))

    def _learn(self, plant: _Plant, drive_class: str, unit: str, now_ns: int) -> _Lending:
        """Learn a class fold by fold, so that no chain borrows from itself."""
        mates = [
            (plant.drives[each.drive_id], each)
            for chains in plant.chains.values()
            for each in chains
            if plant.drives[each.drive_id].drive_class == drive_class
        ]
        mates.sort(key=lambda each: each[1].fitted_ns, reverse=True)
        found = {}
        for drive, chain in mates[:CHAINS_MOST]:
            if (series := self._series_of(plant, drive, chain, unit, now_ns)) is not None:
                found[chain.chain_id] = series
        if len(found) < CHAINS_LEAST:
            return _Lending(now_ns, {}, [])
        folds = min(FOLDS, len(found))
        fold = {chain_id: number % folds for number, chain_id in enumerate(sorted(found))}
        lent = [
            learn_class([series for chain_id, series in found.items() if fold[chain_id] != each])
            for each in range(folds)
        ]
        return _Lending(now_ns, fold, lent)

    def _series_of(self, plant: _Plant, drive: Drive, chain: Chain, unit: str, now_ns: int) -> Series | None:
        known = self._series.get(chain.chain_id)
        if known is None or not 0 <= now_ns - known[0] < CLASS_NS:
            history = self._history(plant, drive, chain, now_ns)
            series = series_of(history.observations, limit(drive).limit_pct)
            own = _unit(chain, history)
            known = self._series[chain.chain_id] = now_ns, own, _in_unit(series, chain, own)
        return known[2] if known[1] == unit else None


def stretches_of(readings: Readings, chain: Chain, until_ns: int) -> list[Stretch]:
    """Return what was stored of a chain: each reading, minute, hour or day, by how long ago it was first heard."""
    days = _rolled(readings, chain, Resolution.DAY, chain.fitted_ns, until_ns)
    if not days:
        return []
    heard_ns = until_ns - days[0].start_ns
    if heard_ns <= BY_HOUR_NS:
        hours = _rolled(readings, chain, Resolution.HOUR, chain.fitted_ns, until_ns)
        if hours and until_ns - hours[0].start_ns <= BY_MINUTE_NS:
            minutes = _rolled(readings, chain, Resolution.MINUTE, chain.fitted_ns, until_ns)
            if minutes and until_ns - minutes[0].start_ns <= BY_READING_NS:
                return _one_by_one(readings, chain, minutes[0].start_ns, until_ns) or minutes
            return minutes or hours
        return hours or days
    recent_ns = (until_ns - RECENT_NS) // NS_PER_DAY * NS_PER_DAY
    hours = _rolled(readings, chain, Resolution.HOUR, max(recent_ns, chain.fitted_ns), until_ns)
    if not hours:
        return days
    cut_ns = hours[0].start_ns // NS_PER_DAY * NS_PER_DAY
    return [*(each for each in days if each.end_ns <= cut_ns), *hours]


def _rolled(
    readings: Readings, chain: Chain, resolution: Resolution, from_ns: int, until_ns: int
) -> list[Stretch]:
    length_ns = resolution * 10**9
    rows = readings.rolled(chain.drive_id, from_ns, until_ns + length_ns, resolution)
    mine = (each for each in rows if each.chain_id == chain.chain_id)
    found = (_stretch(each, length_ns, chain.fitted_ns, until_ns) for each in mine)
    return [each for each in found if each is not None]


def _one_by_one(readings: Readings, chain: Chain, from_ns: int, until_ns: int) -> list[Stretch]:
    """The windows of single readings; of those that overlap the earlier."""
    found: list[Stretch] = []
    for each in readings.raw(chain.drive_id, max(from_ns, chain.fitted_ns), until_ns, READINGS_MAX):
        start_ns = max(each.t0_ns, chain.fitted_ns)
        if each.chain_id != chain.chain_id or start_ns >= each.t_ns:
            continue
        if found and start_ns < found[-1].end_ns:
            continue
        found.append(
            Stretch(
                start_ns=start_ns,
                end_ns=each.t_ns,
                joints=float(each.up_pulses),
                speed_m_s=each.speed_m_s,
                elongation_pct=each.elongation_pct,
                u_pct=each.elongation_u_pct,
            )
        )
    return found


def _stretch(row: RollUp, length_ns: int, fitted_ns: int, until_ns: int) -> Stretch | None:
    start_ns, end_ns = max(row.end_ns - length_ns, fitted_ns), min(row.end_ns, until_ns)
    if start_ns >= end_ns:
        return None
    return Stretch(
        start_ns=start_ns,
        end_ns=end_ns,
        joints=float(row.pulses),
        speed_m_s=row.mean_speed_m_s,
        elongation_pct=row.mean_pct,
        u_pct=row.mean_u_pct,
    )


def _duty(history: _History, plan: DutyPlan | None, stops: Sequence[Stop], zone: tzinfo) -> Duty | None:
    """What the drive is expected to do: as planned, else as learnt."""
    if history.unit == "hours":  # the clock counts hours, whatever a plan says that an hour adds
        hours = ALWAYS if plan is None else plan.hours_by_weekday
        return planned_duty(DutyPlan(hours_by_weekday=hours), stops=stops)
    learnt = duty_of(history.clock, history.heard_ns, zone, stops)
    if plan is None or (learnt is None and plan.clock_per_hour is None):
        return learnt
    return planned_duty(plan, learnt, stops=stops)


def _unit(chain: Chain, history: _History) -> str:
    """The unit in which a chain can be held against others: laps where the loop is known."""
    return "laps" if history.unit == "joints" and chain.pitches_in_loop else history.unit


def _in_unit(series: Series | None, chain: Chain, unit: str) -> Series | None:
    if series is None or unit != "laps":
        return series
    return replace(series, clock=series.clock / (chain.pitches_in_loop or 1))


def _more(history: _History, duty: Duty | None) -> dict[str, Any]:
    """What the report says besides core's: the clock, and the duty in figures."""
    clock = history.clock
    return {
        "how": history.how if (duty is not None and not duty.planned) or history.unit == "hours" else "",
        "clock": {
            "unit": history.unit,
            "now": float(clock.clock[-1]),
            "hours": float(clock.hours[-1]),
            "filled_share": clock.filled_share if history.unit == "joints" else 1.0,
            "load_n": clock.load_n,
        },
        "duty": None
        if duty is None
        else {
            "hours_a_week": sum(duty.hours_by_weekday),
            "planned": duty.planned and not history.how,
            "weeks": duty.weeks,
            "stops": len(duty.stops),
        },
    }


def _kept(drive: Drive, chain: Chain, prognosis: Prognosis, more: dict[str, Any]) -> KeptPrognosis:
    how = more.pop("how")
    if how:  # core says second how the drive is expected to run
        first, _, *rest = prognosis.assumptions
        prognosis = replace(prognosis, assumptions=(first, how, *rest))
    p10_ns, p50_ns, p90_ns = prognosis.interval_ns
    document: dict[str, Any] = _short({**plain(prognosis), **more})
    return KeptPrognosis(
        drive_id=drive.drive_id,
        chain_id=chain.chain_id,
        made_ns=prognosis.made_ns,
        outcome=prognosis.outcome,
        set_point_pct=prognosis.set_point_pct,
        p10_ns=p10_ns,
        p50_ns=p50_ns,
        p90_ns=p90_ns,
        version=prognosis.version,
        document=document,
    )


def _short(value: Any) -> Any:
    """The same with no more digits than mean anything: six."""
    if isinstance(value, dict):
        return {name: _short(each) for name, each in value.items()}
    if isinstance(value, list | tuple):
        return [_short(each) for each in value]
    if isinstance(value, float) and math.isfinite(value) and value:
        return round(float(value), 5 - math.floor(math.log10(abs(value))))
    return value


# Past forecasts


def courses_of(stores: Stores, now_ns: int) -> list[Course]:
    """Return what was told of chains that have come to an end since: that reached their limit, or came off below it.

    The end is looked for in what was measured, not in what was forecast. COURSES_MAX chains at most, those fitted last.
    """
    drives = {each.drive_id: each for each in stores.register.drives(retired=True)}
    removals = {each.chain_id: each for each in stores.removals.newest()}
    found = []
    chains = sorted(stores.register.chains(), key=lambda each: each.fitted_ns, reverse=True)
    for chain in chains[:COURSES_MAX]:
        told = stores.prognoses.of_chain(chain.chain_id, documents=False)
        if not told or (chain.removed_ns is None and told[-1].outcome is not Outcome.LIMIT_REACHED):
            continue
        drive = drives[chain.drive_id]
        course = measured_course(stores, drive, chain, now_ns)
        removal = removals.get(chain.chain_id)
        if removal is not None and removal.elongation_pct is not None and chain.removed_ns is not None:
            course.append((chain.removed_ns, removal.elongation_pct))
        found.append(
            Course(
                drive_id=chain.drive_id,
                chain_id=chain.chain_id,
                drive_class=drive.drive_class,
                fitted_ns=chain.fitted_ns,
                told=[
                    ToldOnce(made_ns=each.made_ns, p10_ns=each.p10_ns, p50_ns=each.p50_ns, p90_ns=each.p90_ns)
                    for each in told
                    if each.outcome is Outcome.FORECAST
                ],
                came_ns=reached_ns(course, told[-1].set_point_pct),
            )
        )
    return found


def measured_course(stores: Stores, drive: Drive, chain: Chain, now_ns: int) -> list[tuple[int, float]]:
    """Return instants and elongations of a chain: means of days by the sensors; where there are none, by hand."""
    until_ns = chain.removed_ns or now_ns
    days = _rolled(stores.readings, chain, Resolution.DAY, chain.fitted_ns, until_ns)
    found = [(each.middle_ns, each.elongation_pct) for each in days if each.elongation_pct is not None]
    if found:
        return found
    return [
        (each.measured_ns, hand_elongation(each, temp_ref_c=drive.temp_ref_c).elongation_pct)
        for each in stores.hand_values.of(drive.drive_id)
        if each.chain_id == chain.chain_id and each.tight
    ]
