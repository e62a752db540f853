"""Door: a person plans what is to be changed when: asks by when, and says when lines stand, what chains take to come, what a
drive will run.

Gathers facts from the ports and lets core plan; nothing of a plan is stored, it is made anew whenever somebody asks. Must not
know how the person came in. What a person got wrong raises, with the fix in words. `at_ns` and `now_ns` are now, read once by
the caller; `by` is who acted.
"""

from collections import defaultdict
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, date, datetime, time, tzinfo

import structlog

from service.core.audit import entry_of
from service.core.change_cost import Costs, costs_of
from service.core.drive import Chain, Drive, chain_at, limit
from service.core.fields import FieldsRefusedError
from service.core.hand import chance_over, newer
from service.core.order import CheckList, Order, check_list, order_of
from service.core.planned_stop import PlannedStop, stops_of
from service.core.replacement import (
    RISK,
    SMALL_LOSS_PCT,
    Change,
    Facts,
    Outlook,
    StopPlan,
    by_stop,
    outlook_of,
    plan_changes,
    set_of,
)
from service.core.shift import instant_ns
from service.core.sprocket import Inspection, Sprocket, sprocket_states
from service.core.supply import FIELDS, Supply, SupplyScope, terms_of
from service.measure_by_hand import known_by_hand, known_of, newest_tight
from service.ports import KeptDutyPlan, KeptPrognosis, NotFoundError, Stores

log = structlog.get_logger(__name__)

DAY_NS = 86_400 * 10**9
YEARS = (1971, 2200)  # in which a stop may be supposed
WHAT_IF = "What if"  # the name of a stop that is only asked about


@dataclass(frozen=True, slots=True, kw_only=True)
class Asked:
    """What somebody asks about. site, area, line: None: all. stop_on: a day on which a stop is supposed, in each site."""

    site: str | None = None
    area: str | None = None
    line: str | None = None
    risk: float = RISK
    small_pct: float = SMALL_LOSS_PCT
    stop_on: date | None = None

    def covers(self, drive: Drive) -> bool:
        """Whether that drive is asked about."""
        pairs = ((self.site, drive.site), (self.area, drive.area), (self.line, drive.line))
        return all(mine is None or mine == its for mine, its in pairs)


@dataclass(frozen=True, slots=True, kw_only=True)
class DriveChange:
    """One drive with what there is to say of its change. order, steps: None without a chain. costs: where one is asked about."""

    change: Change
    order: Order | None
    steps: CheckList | None
    costs: Costs = field(default_factory=Costs)


@dataclass(frozen=True, slots=True, kw_only=True)
class SitePlan:
    """The changes of many drives, by urgency, and by the stop that they are made in."""

    changes: Sequence[Change]
    stops: Sequence[StopPlan]


class PlanChanges:
    """What is to be changed when, and what people say that this rests on."""

    def __init__(self, stores: Stores, *, zone: tzinfo = UTC) -> None:
        """`zone`: of the clocks of sites of which none is set."""
        self._stores, self._zone = stores, zone

    # Asked

    def plan(self, asked: Asked, *, now_ns: int) -> SitePlan:
        """Return what is to be changed of the drives asked about. Raises ValueError (risk or supposed stop out of range)."""
        if asked.stop_on is not None and not YEARS[0] <= asked.stop_on.year <= YEARS[1]:
            raise FieldsRefusedError(
                {"stop_on": f"give a day within {YEARS[0]} to {YEARS[1]}, like 2026-08-03"}
            )
        changes = [each for each in self._changes(asked, now_ns) if asked.covers(each.drive)]
        changes.sort(key=_urgency)
        return SitePlan(changes=changes, stops=by_stop(changes, small_pct=asked.small_pct))

    def of_drive(self, drive_id: str, *, now_ns: int, risk: float = RISK) -> DriveChange:
        """Return all that there is to say of the change of one drive. Raises NotFoundError, ValueError (risk)."""
        drive = self._stores.register.drive(drive_id)
        if drive.retired_ns is not None:
            raise NotFoundError(
                f"drive {drive_id!r} is retired: bring it back, and its change is planned again"
            )
        changes = self._changes(Asked(risk=risk), now_ns)
        change = next(each for each in changes if each.drive.drive_id == drive_id)
        [found] = self.orders([change], now_ns=now_ns, among=changes)
        return replace(found, costs=costs_of(change, now_ns))

    def change_of(self, drive_id: str, *, now_ns: int, risk: float = RISK) -> Change:
        """Return when the chain of one drive is to be changed: as `of_drive`, but reads only what is of it and of its set."""
        drive = self._stores.register.drive(drive_id)
        if drive.retired_ns is not None:
            raise NotFoundError(
                f"drive {drive_id!r} is retired: bring it back, and its change is planned again"
            )
        among = [drive]
        if set_of(drive):
            among = [each for each in self._stores.register.drives() if set_of(each) == set_of(drive)]
        changes = self._changes(Asked(risk=risk), now_ns, among)
        return next(each for each in changes if each.drive.drive_id == drive_id)

    def orders(
        self, changes: Sequence[Change], *, now_ns: int, among: Sequence[Change] | None = None
    ) -> list[DriveChange]:
        """Return each of these with its order and check-list. among: all in which a set's other members are."""
        chains = self._chains()
        sprockets: dict[str, list[Sprocket]] = defaultdict(list)
        for each in self._stores.sprockets.of():
            sprockets[each.drive_id].append(each)
        inspections = self._stores.sprockets.inspections()
        speeds = {
            each.drive_id: (each.measured or each.reading).speed_m_s
            for each in self._stores.readings.newest()
        }
        found = []
        for change in changes:
            drive_id = change.drive.drive_id
            order = self._order(
                change,
                (sprockets[drive_id], inspections, chains.get(drive_id, ())),
                speeds.get(drive_id),
                now_ns,
            )
            mates = [
                each.drive.name or each.drive.drive_id
                for each in (among or changes)
                if change.set_name and each is not change and set_of(each.drive) == set_of(change.drive)
            ]
            steps = None if order is None else check_list(order, set_with=mates)
            found.append(DriveChange(change=change, order=order, steps=steps))
        return found

    @staticmethod
    def _order(
        change: Change,
        on: tuple[Sequence[Sprocket], Sequence[Inspection], Sequence[Chain]],
        speed_m_s: float | None,
        now_ns: int,
    ) -> Order | None:
        chain = change.facts.chain
        if chain is None:
            return None
        states = sprocket_states(*on, now_ns)
        return order_of(change.drive, chain, change.facts.terms, states, speed_m_s or None)

    def changed_ns(self) -> int:
        """When people last changed what plans rest on; 0: never."""
        stores = self._stores
        return max(port.changed_ns() for port in (stores.planned_stops, stores.supplies, stores.duty_plans))

    def instance(self) -> str:
        """Return what this store is known by outside, for ever."""
        return self._stores.outbox.instance()

    def zone_of(self, site: str) -> tzinfo:
        """Return the zone of the clocks of a site."""
        known = self._stores.sites.site(site)
        return self._zone if known is None else known.zone_info

    def places(self) -> list[tuple[str, str, str]]:
        """Site, area and line of the drives that there are, each once, in order."""
        return sorted({(each.site, each.area, each.line) for each in self._stores.register.drives()})

    def _changes(self, asked: Asked, now_ns: int, among: Sequence[Drive] | None = None) -> list[Change]:
        """Of all drives: sets reach beyond what is asked about. among: only these; sets that are not whole are wrong."""
        stores = self._stores
        chains, supplies = self._chains(among), stores.supplies.supplies()
        latest, measured_chance = self._latest(among), self._measured_chances(among)
        planned = stores.planned_stops.stops(now_ns)
        zones: dict[str, tzinfo] = {}
        facts = []
        for drive in stores.register.drives() if among is None else among:
            if drive.site not in zones:
                zones[drive.site] = self.zone_of(drive.site)
                if asked.stop_on is not None:
                    planned = [
                        *planned,
                        supposed_stop(asked.stop_on, drive.site, len(zones), zones[drive.site]),
                    ]
            chain = chain_at(chains.get(drive.drive_id, ()), now_ns)
            facts.append(
                Facts(
                    drive=drive,
                    chain=chain,
                    outlook=_outlook(latest.get(drive.drive_id), chain),
                    terms=terms_of(
                        supplies,
                        site=drive.site,
                        drive_class=drive.drive_class,
                        designation=chain.designation if chain else "",
                        drive_id=drive.drive_id,
                    ),
                    zone=zones[drive.site],
                    measured_chance=measured_chance(drive, chain) if chain else None,
                )
            )
        facts = [replace(each, stops=_stops_for(each.drive, planned, now_ns)) for each in facts]
        return plan_changes(facts, now_ns=now_ns, risk=asked.risk)

    def _latest(self, among: Sequence[Drive] | None) -> Mapping[str, KeptPrognosis]:
        prognoses = self._stores.prognoses
        if among is None:
            return {each.drive_id: each for each in prognoses.newest()}
        found = (prognoses.newest_of(drive.drive_id) for drive in among)
        return {each.drive_id: each for each in found if each is not None}

    def _measured_chances(self, among: Sequence[Drive] | None) -> Callable[[Drive, Chain], float | None]:
        """Return what tells how probable it is that a chain has reached its limit, by what was measured last."""
        readings = self._stores.readings
        if among is None:
            newest = readings.newest()
        else:
            newest = [each for each in (readings.newest_of(drive.drive_id) for drive in among) if each]
        live = {each.drive_id: each.measured for each in newest if each.measured}
        hand_values = self._stores.hand_values
        by_hand = {each.drive_id: each for each in hand_values.newest()}

        def chance(drive: Drive, chain: Chain) -> float | None:
            reading, value = live.get(drive.drive_id), by_hand.get(drive.drive_id)
            tight = newest_tight([value], chain) if value else None
            if value and not tight:  # a slack one says nothing, and hides none before it
                tight = newest_tight(hand_values.of(drive.drive_id), chain)
            known = newer(
                known_of(reading, chain) if reading else None,
                known_by_hand(drive, chain, tight) if tight else None,
            )
            return None if known is None else chance_over(known, limit(drive).limit_pct)

        return chance

    def _chains(self, among: Sequence[Drive] | None = None) -> Mapping[str, Sequence[Chain]]:
        if among is not None:
            return {drive.drive_id: self._stores.register.chains(drive.drive_id) for drive in among}
        found: dict[str, list[Chain]] = defaultdict(list)
        for chain in self._stores.register.chains():
            found[chain.drive_id].append(chain)
        return found

    # Said by people: stops

    def planned_stops(self, *, ends_after_ns: int = 0) -> list[PlannedStop]:
        """Stops that end after an instant, by start."""
        return self._stores.planned_stops.stops(ends_after_ns)

    def planned_stop(self, number: int) -> PlannedStop:
        """One. Raises NotFoundError."""
        return self._stores.planned_stops.stop(number)

    def add_stop(self, stop: PlannedStop, *, why: str = "") -> PlannedStop:
        """Plan a stop and return it with its number. Raises FieldsRefusedError where no drive stands in it."""
        self._refuse_empty(stop)
        entry = entry_of(
            at_ns=stop.recorded_ns,
            by=stop.by,
            what="stop planned",
            subject=f"planned stop {stop.name}",
            new=_stop_said(stop),
            why=why,
        )
        stored = self._stores.planned_stops.add(stop, entry=entry)
        log.info("stop planned", stop=stored.number, name=stop.name, place=stop.place, by=stop.by)
        return stored

    def change_stop(self, stop: PlannedStop, *, why: str = "") -> PlannedStop:
        """Change a planned stop and return it. Raises NotFoundError, FieldsRefusedError."""
        before = self._stores.planned_stops.stop(stop.number)
        self._refuse_empty(stop)
        entry = entry_of(
            at_ns=stop.recorded_ns,
            by=stop.by,
            what="planned stop changed",
            subject=f"planned stop {stop.name}",
            old=_stop_said(before),
            new=_stop_said(stop),
            why=why,
        )
        self._stores.planned_stops.change(stop, entry=entry)
        log.info("planned stop changed", stop=stop.number, by=stop.by)
        return stop

    def remove_stop(self, number: int, *, at_ns: int, by: str, why: str = "") -> None:
        """Take a stop off the plan. Raises NotFoundError."""
        before = self._stores.planned_stops.stop(number)
        entry = entry_of(
            at_ns=at_ns,
            by=by,
            what="planned stop removed",
            subject=f"planned stop {before.name}",
            old=_stop_said(before),
            why=why,
        )
        self._stores.planned_stops.remove(number, at_ns, entry=entry)
        log.info("planned stop removed", stop=number, by=by)

    def _refuse_empty(self, stop: PlannedStop) -> None:
        if any(stop.covers(each) for each in self._stores.register.drives()):
            return
        raise FieldsRefusedError(
            {"site": f"no drive stands in {stop.place}: write site, area and line as the drives have them"}
        )

    # Said by people: supply

    def supplies(self) -> list[Supply]:
        """All that was set, by scope from site to drive, then name."""
        return self._stores.supplies.supplies()

    def put_supply(self, supply: Supply) -> Supply:
        """Set it, in place of what was set for the same scope and name, and return it.

        Raises NotFoundError where nothing has that name.
        """
        self._refuse_unknown(supply)
        before = self._supply(supply.scope, supply.name)
        entry = entry_of(
            at_ns=supply.at_ns,
            by=supply.by,
            what="supply changed" if before else "supply set",
            subject=f"supply of {supply.scope} {supply.name}".rstrip(),
            old=_supply_said(before) if before else None,
            new=_supply_said(supply),
            why=supply.why,
        )
        self._stores.supplies.put(supply, entry=entry)
        log.info("supply set", scope=str(supply.scope), name=supply.name, by=supply.by)
        return supply

    def remove_supply(self, scope: SupplyScope, name: str, *, at_ns: int, by: str, why: str = "") -> None:
        """Take back what was set. Raises NotFoundError."""
        before = self._supply(scope, name)
        entry = entry_of(
            at_ns=at_ns,
            by=by,
            what="supply removed",
            subject=f"supply of {scope} {name}".rstrip(),
            old=_supply_said(before) if before else None,
            why=why,
        )
        self._stores.supplies.remove(scope, name, at_ns, entry=entry)
        log.info("supply removed", scope=str(scope), name=name, by=by)

    def _supply(self, scope: SupplyScope, name: str) -> Supply | None:
        found = (each for each in self.supplies() if (each.scope, each.name) == (scope, name))
        return next(found, None)

    def _refuse_unknown(self, supply: Supply) -> None:
        register, scope = self._stores.register, supply.scope
        if scope is SupplyScope.DRIVE:
            register.drive(supply.name)
            return
        if scope is SupplyScope.DESIGNATION:  # a chain may be ordered before the first of it is on
            return
        field = "site" if scope is SupplyScope.SITE else "drive_class"
        if all(getattr(each, field) != supply.name for each in register.drives()):
            raise NotFoundError(f"no drive has the {scope} {supply.name!r}: write it as the drives have it")

    # Said by people: duty

    def duty_plans(self) -> list[KeptDutyPlan]:
        """All, by drive."""
        return self._stores.duty_plans.plans()

    def put_duty(self, plan: KeptDutyPlan) -> KeptDutyPlan:
        """Plan what a drive will run, in place of what was planned before, and return it. Raises NotFoundError."""
        self._stores.register.drive(plan.drive_id)
        before = self._stores.duty_plans.plan(plan.drive_id)
        entry = entry_of(
            at_ns=plan.at_ns,
            by=plan.by,
            what="duty plan changed" if before else "duty planned",
            subject=f"drive {plan.drive_id}",
            old=before.plan if before else None,
            new=plan.plan,
            why=plan.why,
        )
        self._stores.duty_plans.put(plan, entry=entry)
        log.info("duty planned", drive=plan.drive_id, by=plan.by)
        return plan

    def remove_duty(self, drive_id: str, *, at_ns: int, by: str, why: str = "") -> None:
        """Go back to what the drive itself shows. Raises NotFoundError."""
        before = self._stores.duty_plans.plan(drive_id)
        entry = entry_of(
            at_ns=at_ns,
            by=by,
            what="duty plan removed",
            subject=f"drive {drive_id}",
            old=before.plan if before else None,
            why=why,
        )
        self._stores.duty_plans.remove(drive_id, at_ns, entry=entry)
        log.info("duty plan removed", drive=drive_id, by=by)


def supposed_stop(day: date, site: str, number: int, zone: tzinfo) -> PlannedStop:
    """Return a stop that is only asked about: the whole of a day of a site's clocks, with a number below 0."""
    starts_ns = instant_ns(datetime.combine(day, time()), zone)
    return PlannedStop(
        name=WHAT_IF,
        site=site,
        starts_ns=starts_ns,
        ends_ns=starts_ns + DAY_NS,
        by="",
        recorded_ns=0,
        number=-number,
    )


def _stops_for(drive: Drive, planned: Sequence[PlannedStop], now_ns: int) -> tuple[PlannedStop, ...]:
    """The stops to come of a drive; a supposed one is for its very site, also where that has no name."""
    return tuple(
        each for each in stops_of(drive, planned, now_ns) if each.number > 0 or each.site == drive.site
    )


def _outlook(kept: KeptPrognosis | None, chain: Chain | None) -> Outlook | None:
    """The forecast of the chain that is on; none where the last one was of another chain."""
    if kept is None or chain is None or kept.chain_id != chain.chain_id:
        return None
    return outlook_of(kept.document)


def _urgency(change: Change) -> tuple[int, int, str]:
    return (0 if change.has_date else 1), change.reached_ns or 0, change.drive.drive_id


def _stop_said(stop: PlannedStop) -> Mapping[str, object]:
    names = ("name", "site", "area", "line", "starts_ns", "ends_ns", "note")
    return {name: getattr(stop, name) for name in names}


def _supply_said(supply: Supply) -> Mapping[str, object]:
    return {name: getattr(supply, name) for name in FIELDS if getattr(supply, name) is not None}
