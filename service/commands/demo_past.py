"""What the demo's plant had before it started, entered as people would have entered it: by the doors that they use.

Each thing is entered as of the day on which it was done, so that none of it is news to the shift that is on. Must not know the plant:
the simulator says what was written down. None of it is measured; all of it says that it is the demo's.
"""

import json
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

from service.adapters.database.connect import Database
from service.core.drive import Chain
from service.core.hand import HandMethod
from service.core.life import RemovalKind
from service.core.planned_stop import PlannedStop
from service.core.supply import Supply, SupplyScope
from service.core.upkeep import UpkeepKind
from service.core.work import WorkKind
from service.hand_over import HandOver
from service.measure_by_hand import MeasureByHand
from service.operate import Operate
from service.plan_changes import PlanChanges
from service.ports import Register
from service.tend import Ended, Tend

HOUR_NS = 3600 * 10**9
DAY_NS = 24 * HOUR_NS
BY = "demo"
STOPS_IN_DAYS = (25, 81, 137)  # a day's stop every eight weeks, besides the one of today
STOP_NS = 8 * HOUR_NS


@dataclass(frozen=True, slots=True)
class _Doors:
    """The doors that people use, on one store."""

    register: Register
    operate: Operate
    tend: Tend
    measure: MeasureByHand
    plan: PlanChanges
    hand_over: HandOver


def enter_past(database: Database, told: str, now_ns: int) -> None:
    """Enter what was written down, and stops to come.

    Args:
        database: with the drives registered.
        told: JSON as the simulator prints it.
        now_ns: what its days and hours count back from.
    """
    operate = Operate(database.register, database.refused, database.readings)
    doors = _Doors(
        database.register,
        operate,
        Tend(database, operate),
        MeasureByHand(database.register, database.readings, database.hand_values, operate),
        PlanChanges(database),
        HandOver(database),
    )
    past = json.loads(told)
    enter: tuple[tuple[str, Callable[[_Doors, Mapping[str, Any], int], None]], ...] = (
        ("chains", _chain_that_is_off),
        ("measured", _measured),
        ("upkeep", _upkeep),
        ("supplied", _supplied),
        ("jobs", _job),
    )
    for name, how in enter:
        for row in past[name]:
            how(doors, row, now_ns)
    for site in sorted({drive.site for drive in database.register.drives()}):
        for days in STOPS_IN_DAYS:
            doors.plan.add_stop(_stop(site, now_ns + days * DAY_NS, now_ns), why=BY)


def _chain_that_is_off(doors: _Doors, row: Mapping[str, Any], now_ns: int) -> None:
    """The like of the chain that is on, before it; off, and why."""
    on = next(each for each in doors.register.chains(row["drive_id"]) if each.removed_ns is None)
    off_ns = min(now_ns - row["off_days"] * DAY_NS, on.fitted_ns)
    chain = Chain(
        chain_id=f"{row['drive_id']}-before-{row['off_days']}",
        drive_id=row["drive_id"],
        designation=on.designation,
        pitch_mm=on.pitch_mm,
        strands=on.strands,
        pitches_in_loop=on.pitches_in_loop,
        fitted_ns=now_ns - row["fitted_days"] * DAY_NS,
        removed_ns=off_ns,
        removed_why=row["ended"],
    )
    doors.operate.fit_chain(chain, at_ns=off_ns, by=BY)
    ended = Ended(
        kind=RemovalKind(row["ended"]), elongation_pct=row["elongation_pct"], u_pct=0.06, note=row["note"]
    )
    doors.tend.correct_removal(chain.chain_id, ended, at_ns=off_ns, by=BY)


def _measured(doors: _Doors, row: Mapping[str, Any], now_ns: int) -> None:
    at_ns = now_ns - row["days"] * DAY_NS
    doors.measure.record_hand_value(
        row["drive_id"],
        method=HandMethod.RULE,
        pitches=row["pitches"],
        length_mm=row["length_mm"],
        tight=True,
        counted_again=True,
        measured_ns=at_ns,
        at_ns=at_ns,
        by=BY,
    )


def _upkeep(doors: _Doors, row: Mapping[str, Any], now_ns: int) -> None:
    at_ns = now_ns - row["days"] * DAY_NS
    doors.tend.record_upkeep(
        row["drive_id"],
        kind=UpkeepKind(row["kind"]),
        done_ns=at_ns,
        lubricant=row["lubricant"],
        note=row["note"],
        at_ns=at_ns,
        by=BY,
    )


def _supplied(doors: _Doors, row: Mapping[str, Any], now_ns: int) -> None:
    said = {name: value for name, value in row.items() if name != "scope"}
    doors.plan.put_supply(
        Supply(
            scope=SupplyScope(row["scope"]), why="invented, as all of this plant", by=BY, at_ns=now_ns, **said
        )
    )


def _job(doors: _Doors, row: Mapping[str, Any], now_ns: int) -> None:
    at_ns = now_ns - round(row["since_h"] * HOUR_NS)
    doors.hand_over.open_work(
        row["drive_id"],
        kind=WorkKind(row["kind"]),
        why=row["why"],
        work_order=row["work_order"],
        since_ns=at_ns,
        at_ns=at_ns,
        by=BY,
    )


def _stop(site: str, starts_ns: int, now_ns: int) -> PlannedStop:
    return PlannedStop(
        name="Cleaning stop",
        site=site,
        starts_ns=starts_ns,
        ends_ns=starts_ns + STOP_NS,
        note="invented, as all of this plant",
        by=BY,
        recorded_ns=now_ns,
    )
