"""What the API takes and gives of the plan of changes. Field by field as core has it; days as ISO 8601, instants as RFC 3339."""

from datetime import date
from typing import Annotated, Any, Self

from pydantic import ConfigDict, Field

from service.adapters.web import schemas
from service.adapters.web.instants import Instant
from service.core.change_cost import Cost, Costs
from service.core.duty import DutyPlan
from service.core.order import CheckList, Order
from service.core.planned_stop import PlannedStop
from service.core.replacement import Along, Answer, Change, StopPlan
from service.core.sprocket import Due, Place
from service.core.supply import FIELDS, Supply, SupplyScope
from service.plan_changes import DriveChange, SitePlan
from service.ports import KeptDutyPlan

Text = Annotated[str, Field(max_length=200)]
Lines = Annotated[str, Field(max_length=4000)]


def _example(base: type[schemas.In | schemas.Out], **values: Any) -> ConfigDict:
    return ConfigDict(**base.model_config, json_schema_extra={"examples": [values]})


# Stops

_PLACE = {"site": "Eschbach works", "area": "Kilns", "line": "2"}
_STOP = {
    "name": "Summer shutdown", **_PLACE, "starts": "2026-08-03T04:00:00Z", "ends": "2026-08-15T20:00:00Z", "note": "",
}  # fmt: skip


class StopIn(schemas.In):
    """A planned stop. What of site, area and line is empty is all of it."""

    model_config = _example(schemas.In, **_STOP)

    name: Text
    site: Text = ""
    area: Text = ""
    line: Text = ""
    starts: Instant
    ends: Instant
    note: Lines = ""
    why: Lines = Field(default="", description="For the audit log")

    def stop(self, by: str, at_ns: int, number: int = 0) -> PlannedStop:
        """Return it as core's value. Raises FieldsRefusedError."""
        return PlannedStop(
            name=self.name.strip(),
            site=self.site.strip(),
            area=self.area.strip(),
            line=self.line.strip(),
            starts_ns=self.starts,
            ends_ns=self.ends,
            note=self.note.strip(),
            by=by,
            recorded_ns=at_ns,
            number=number,
        )


class StopOut(schemas.Out):
    """A planned stop."""

    model_config = _example(schemas.Out, number=7, **_STOP, by="H. Brandt", recorded="2026-05-04T08:15:00Z")

    number: int = Field(description="Below 0: only supposed")
    name: str
    site: str
    area: str
    line: str
    starts: Instant
    ends: Instant
    note: str
    by: str
    recorded: Instant

    @classmethod
    def of(cls, stop: PlannedStop) -> Self:
        """Return it as the API gives it."""
        names = ("number", "name", "site", "area", "line", "note", "by")
        return cls.model_construct(
            **{name: getattr(stop, name) for name in names},
            starts=stop.starts_ns,
            ends=stop.ends_ns,
            recorded=stop.recorded_ns,
        )


# Supply

_SUPPLY: dict[str, Any] = {
    "lead_days": 28, "margin_days": 7, "chain_price": 840.0, "change_price": 320.0, "stop_hour_price": 900.0, "currency": "EUR",
    "unplanned_h": 5.0, "ambient_low_c": 5.0, "ambient_high_c": 35.0, "centre_distance_mm": None, "stock_number": "K 4711",
}  # fmt: skip


class SupplyIn(schemas.In):
    """What it takes to get a new chain and to change it; what is left out is not set here."""

    model_config = _example(schemas.In, lead_days=28, margin_days=7, why="offer of May")

    lead_days: int | None = Field(
        default=None, description="From order to the chain being here; 0: in the stores"
    )
    margin_days: int | None = Field(default=None, description="Kept in hand besides; 7 where none is set")
    chain_price: float | None = Field(default=None, description="Of one chain with its connecting links")
    change_price: float | None = Field(default=None, description="Labour of a change in a planned stop")
    stop_hour_price: float | None = Field(
        default=None, description="Of an hour in which the line stands unplanned"
    )
    currency: str | None = Field(default=None, description="ISO 4217, of the prices given here")
    unplanned_h: float | None = Field(
        default=None, description="Hours that a change takes that nobody planned"
    )
    ambient_low_c: float | None = Field(default=None, description="Coldest air about the drive")
    ambient_high_c: float | None = Field(default=None, description="Warmest air about the drive")
    centre_distance_mm: float | None = Field(
        default=None, description="From shaft to shaft; of one drive only"
    )
    stock_number: Text | None = Field(default=None, description="Of the chain in the plant's own stores")
    why: Lines = Field(default="", description="For the audit log")

    def supply(self, scope: SupplyScope, name: str, by: str, at_ns: int) -> Supply:
        """Return it as core's value. Raises FieldsRefusedError."""
        return Supply(scope=scope, name=name, by=by, at_ns=at_ns, **self.model_dump())


class SupplyOut(schemas.Out):
    """What was set for a site, a class of drives, a designation or one drive; null: nothing of that field."""

    model_config = _example(
        schemas.Out, scope="designation", name="16B-1", **_SUPPLY, why="offer of May", by="H. Brandt",
        time="2026-05-04T08:15:00Z",
    )  # fmt: skip

    scope: SupplyScope
    name: str
    lead_days: int | None
    margin_days: int | None
    chain_price: float | None
    change_price: float | None
    stop_hour_price: float | None
    currency: str | None
    unplanned_h: float | None
    ambient_low_c: float | None
    ambient_high_c: float | None
    centre_distance_mm: float | None
    stock_number: str | None
    why: str
    by: str
    time: Instant

    @classmethod
    def of(cls, supply: Supply) -> Self:
        """Return it as the API gives it."""
        return cls.model_construct(
            scope=supply.scope,
            name=supply.name,
            **{name: getattr(supply, name) for name in FIELDS},
            why=supply.why,
            by=supply.by,
            time=supply.at_ns,
        )


# Duty

_DUTY: dict[str, Any] = {"hours": [16, 16, 16, 16, 16, 0, 0], "joints_per_hour": None}


class DutyIn(schemas.In):
    """What a drive will run: it goes before what the drive itself shows."""

    model_config = _example(schemas.In, **_DUTY, why="third shift ends in May")

    hours: list[float] = Field(description="A day, Monday first: seven", min_length=7, max_length=7)
    joints_per_hour: float | None = Field(
        default=None, description="That pass in an hour of running; left out: as so far"
    )
    why: Lines = Field(default="", description="For the audit log")

    def plan(self, drive_id: str, by: str, at_ns: int) -> KeptDutyPlan:
        """Return it as the port keeps it. Raises ValueError."""
        plan = DutyPlan(hours_by_weekday=tuple(self.hours), clock_per_hour=self.joints_per_hour)
        return KeptDutyPlan(drive_id=drive_id, plan=plan, why=self.why, by=by, at_ns=at_ns)


class DutyOut(schemas.Out):
    """What people plan a drive to run."""

    model_config = _example(
        schemas.Out, drive_id="kiln-2", **_DUTY, why="third shift ends in May", by="H. Brandt", time="2026-05-04T08:15:00Z"
    )  # fmt: skip

    drive_id: str
    hours: list[float] = Field(description="A day, Monday first")
    joints_per_hour: float | None
    why: str
    by: str
    time: Instant

    @classmethod
    def of(cls, kept: KeptDutyPlan) -> Self:
        """Return it as the API gives it."""
        return cls.model_construct(
            drive_id=kept.drive_id,
            hours=list(kept.plan.hours_by_weekday),
            joints_per_hour=kept.plan.clock_per_hour,
            why=kept.why,
            by=kept.by,
            time=kept.at_ns,
        )


# Changes

_CHANGE: dict[str, Any] = {
    "drive_id": "kiln-2", "name": "Kiln car pusher", **_PLACE, "chain_id": "kiln-2-2025-11-03", "designation": "16B-1",
    "answer": "by_date", "said": "", "risk": 0.1, "change_by": "2026-09-18", "needed_on": "2026-08-03",
    "order_by": "2026-06-29", "stop": 7, "chance": 0.03, "next_stop": None, "next_chance": None, "loss_pct": 6.2, "set": "",
    "leads": "", "forecast_made": "2026-06-01T02:00:00Z", "notes": [],
}  # fmt: skip
_COST = {
    "day": "2026-08-03",
    "stop": 7,
    "chance": 0.03,
    "early": 96.4,
    "late": 135.0,
    "total": 231.4,
}
_ORDER: dict[str, Any] = {
    "designation": "16B-1", "pitch_mm": 25.4, "strands": 1, "pitches": 98, "pitches_how": "as registered", "pitches_exact": None,
    "centres_mm": None, "connecting_links": 1, "cranked_links": 0, "anchor_bolts": False,
    "sprockets": [{"place": "driver", "teeth": 19, "due": "inspect", "why": "2 chains ran on it: inspect its teeth before the next chain goes on"}],
    "viscosity_grade": 150, "oil": "Mineral oil of ISO VG 150 for air of 5 to 35 °C.", "lubrication_type": "A",
    "lubrication": "By hand or drip will do at 0.40 m/s (by hand or drip up to 0.86 m/s, bath or disc up to 7.6 m/s).",
    "stock_number": "K 4711", "notes": [], "sources": ["ISO 10823 (from memory)"],
}  # fmt: skip


class ChangeOut(schemas.Out):
    """When the chain of one drive is to be changed. Days are those of the clocks of its site."""

    model_config = _example(schemas.Out, **_CHANGE)

    drive_id: str
    name: str
    site: str
    area: str
    line: str
    chain_id: str | None
    designation: str
    answer: Answer
    said: str = Field(description="The answer in words, where it is not a date")
    risk: float = Field(description="Chance of being late that is taken")
    change_by: date | None = Field(
        description="Day on which the chance of having reached the limit comes to the risk"
    )
    needed_on: date | None = Field(
        description="Day on which the new chain is needed: that of the stop, else change_by"
    )
    order_by: date | None = Field(
        description="needed_on less lead time and margin; null where no lead time is set"
    )
    stop: int | None = Field(description="Number of the planned stop to use: the last one before change_by")
    chance: float | None = Field(description="Of the limit being reached before that stop")
    next_stop: int | None = Field(
        description="The first stop after change_by, where none before it can be used"
    )
    next_chance: float | None
    loss_pct: float | None = Field(
        description="Part of the chain's life that changing in the stop gives up, per cent"
    )
    set: str = Field(description="Of the drives whose chains are changed together")
    leads: str = Field(description="The drive of the set whose date counts, where it is another")
    forecast_made: Instant | None
    notes: list[str]

    @classmethod
    def of(cls, change: Change) -> Self:
        """Return it as the API gives it."""
        return cls.model_construct(**change_values(change))


def change_values(change: Change) -> dict[str, Any]:
    """Return the fields of a change by name."""
    drive, chain, outlook = change.drive, change.facts.chain, change.facts.outlook
    return {
        "drive_id": drive.drive_id,
        "name": drive.name,
        "site": drive.site,
        "area": drive.area,
        "line": drive.line,
        "chain_id": chain.chain_id if chain else None,
        "designation": chain.designation if chain else "",
        "answer": change.answer,
        "said": change.sentence,
        "risk": change.risk,
        "change_by": change.change_by,
        "needed_on": change.needed_on,
        "order_by": change.order_by,
        "stop": change.stop.number if change.stop else None,
        "chance": change.chance,
        "next_stop": change.next_stop.number if change.next_stop else None,
        "next_chance": change.next_chance,
        "loss_pct": change.loss_pct,
        "set": change.set_name,
        "leads": change.leads,
        "forecast_made": outlook.made_ns if outlook else None,
        "notes": list(change.notes),
    }


class AlongOut(schemas.Out):
    """A drive that may be changed along in a stop before its own."""

    drive_id: str
    due: date = Field(description="Day of its own stop")
    days: int = Field(description="By so many days it would be early")
    loss_pct: float = Field(description="Part of its chain's life that this gives up, per cent")
    chance: float | None

    @classmethod
    def of(cls, along: Along) -> Self:
        """Return it as the API gives it."""
        return cls.model_construct(
            drive_id=along.change.drive.drive_id,
            due=along.due,
            days=along.days,
            loss_pct=along.loss_pct,
            chance=along.chance,
        )


class StopPlanOut(schemas.Out):
    """What is to be changed in one stop, and what may go along."""

    stop: StopOut
    must: list[str] = Field(description="Drives")
    along: list[AlongOut]

    @classmethod
    def of(cls, plan: StopPlan) -> Self:
        """Return it as the API gives it."""
        return cls.model_construct(
            stop=StopOut.of(plan.stop),
            must=[each.drive.drive_id for each in plan.must],
            along=[AlongOut.of(each) for each in plan.along],
        )


class PlanOut(schemas.Out):
    """The changes of many drives, the most urgent first, and the stops in which they are made."""

    model_config = _example(
        schemas.Out,
        changes=[_CHANGE],
        stops=[
            {
                "stop": {"number": 7, **_STOP, "by": "H. Brandt", "recorded": "2026-05-04T08:15:00Z"},
                "must": ["kiln-2"],
                "along": [
                    {"drive_id": "kiln-3", "due": "2026-12-21", "days": 140, "loss_pct": 4.1, "chance": 0.0}
                ],
            }
        ],
    )

    changes: list[ChangeOut]
    stops: list[StopPlanOut]

    @classmethod
    def of(cls, plan: SitePlan) -> Self:
        """Return it as the API gives it."""
        return cls.model_construct(
            changes=[ChangeOut.of(each) for each in plan.changes],
            stops=[StopPlanOut.of(each) for each in plan.stops],
        )


class CostOut(schemas.Out):
    """What a change on a day is expected to cost."""

    day: date
    stop: int | None
    chance: float = Field(description="Of the limit being reached before")
    early: float = Field(description="Life of the chain given up")
    late: float = Field(description="Chance of a stop that nobody planned, times what it costs")
    total: float

    @classmethod
    def of(cls, cost: Cost) -> Self:
        """Return it as the API gives it."""
        return cls.model_construct(
            day=cost.day,
            stop=cost.stop.number if cost.stop else None,
            chance=cost.chance,
            early=cost.early,
            late=cost.late,
            total=cost.total,
        )


class CostsOut(schemas.Out):
    """Early against late."""

    currency: str
    rows: list[CostOut]
    least: CostOut | None = Field(description="The day on which the total is least")
    missing: str = Field(description="Why there are none")
    assumptions: list[str]

    @classmethod
    def of(cls, costs: Costs) -> Self:
        """Return it as the API gives it."""
        return cls.model_construct(
            currency=costs.currency,
            rows=[CostOut.of(each) for each in costs.rows],
            least=None if costs.least is None else CostOut.of(costs.least),
            missing=costs.missing,
            assumptions=list(costs.assumptions),
        )


class SprocketDueOut(schemas.Out):
    """A sprocket that goes with the chain, or is to be looked at."""

    place: Place
    teeth: int | None
    due: Due
    why: str


class OrderOut(schemas.Out):
    """What to order."""

    model_config = _example(schemas.Out, **_ORDER)

    designation: str
    pitch_mm: float
    strands: int
    pitches: int | None
    pitches_how: str
    pitches_exact: float | None = Field(description="By the formula from centres and teeth")
    centres_mm: float | None = Field(description="That the rounded number of pitches asks for")
    connecting_links: int | None
    cranked_links: int | None
    anchor_bolts: bool
    sprockets: list[SprocketDueOut]
    viscosity_grade: int | None = Field(description="ISO VG")
    oil: str
    lubrication_type: str | None = Field(description="A by hand or drip, B bath or disc, C oil stream")
    lubrication: str
    stock_number: str
    notes: list[str]
    sources: list[str]

    @classmethod
    def of(cls, order: Order) -> Self:
        """Return it as the API gives it."""
        return cls.model_construct(**order_values(order))


def order_values(order: Order) -> dict[str, Any]:
    """Return the fields of an order by name."""
    return {
        "designation": order.designation,
        "pitch_mm": order.pitch_mm,
        "strands": order.strands,
        "pitches": order.length.pitches,
        "pitches_how": order.length.how,
        "pitches_exact": order.length.exact,
        "centres_mm": order.length.centres_mm,
        "connecting_links": order.connecting_links,
        "cranked_links": order.cranked_links,
        "anchor_bolts": order.anchor_bolts,
        "sprockets": [
            SprocketDueOut.model_construct(
                place=each.sprocket.place, teeth=each.sprocket.teeth, due=each.due, why=each.why
            )
            for each in order.sprockets
        ],
        "viscosity_grade": order.oil.grade,
        "oil": order.oil.said,
        "lubrication_type": order.method.type,
        "lubrication": order.method.said,
        "stock_number": order.stock_number,
        "notes": list(order.notes),
        "sources": list(order.sources),
    }


class StepsOut(schemas.Out):
    """The list to go by. `cautions` come first wherever it is shown."""

    cautions: list[str]
    steps: list[str]

    @classmethod
    def of(cls, steps: CheckList) -> Self:
        """Return it as the API gives it."""
        return cls.model_construct(cautions=list(steps.cautions), steps=list(steps.steps))


class DriveChangeOut(schemas.Out):
    """All that there is to say of the change of one drive."""

    model_config = _example(
        schemas.Out,
        change=_CHANGE,
        costs={
            "currency": "EUR",
            "rows": [_COST],
            "least": _COST | {"stop": None},
            "missing": "",
            "assumptions": [],
        },
        order=_ORDER,
        check_list={
            "cautions": ["Stop the drive, lock it out, tag it out ..."],
            "steps": ["Compare the new chain ..."],
        },
        stops=[{"number": 7, **_STOP, "by": "H. Brandt", "recorded": "2026-05-04T08:15:00Z"}],
    )

    change: ChangeOut
    costs: CostsOut
    order: OrderOut | None
    check_list: StepsOut | None
    stops: list[StopOut] = Field(description="Of this drive, to come")

    @classmethod
    def of(cls, found: DriveChange) -> Self:
        """Return it as the API gives it."""
        return cls.model_construct(
            change=ChangeOut.of(found.change),
            costs=CostsOut.of(found.costs),
            order=None if found.order is None else OrderOut.of(found.order),
            check_list=None if found.steps is None else StepsOut.of(found.steps),
            stops=[StopOut.of(each) for each in found.change.facts.stops],
        )
