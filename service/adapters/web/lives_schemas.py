"""What the API takes and gives of lives of chains, sprockets, upkeep and influence, as `schemas` has the rest."""

from typing import Annotated, Any, Self

from pydantic import ConfigDict, Field

from service.adapters.web import schemas
from service.adapters.web.instants import Instant
from service.core.influence import UNITS, Factor, RateBin, Relation
from service.core.life import (
    Comparison,
    ElongationSource,
    Life,
    LifeUnit,
    RemovalKind,
    Survival,
    comparison_words,
    median_words,
)
from service.core.sprocket import Due, Inspection, Place, Sprocket, SprocketState
from service.core.upkeep import Upkeep, UpkeepKind
from service.look_back import ClassLives, LivesReport, Past, WearReport
from service.tend import Ended

_BY = Field(default=None, max_length=200, description="Who says so")


def _example(**values: Any) -> ConfigDict:
    return ConfigDict(json_schema_extra={"examples": [values]})


# Chains that came off

_LIFE: dict[str, Any] = {
    "chain_id": "infeed-2-2026-03-02",
    "drive_id": "infeed-2",
    "designation": "16B-1",
    "fitted": "2026-03-02T05:00:00Z",
    "removed": schemas.T,
    "kind": "worn",
    "why": "at its limit",
    "days": 268.1,
    "hours": 3120.5,
    "passages": 371_000_000.0,
    "elongation_pct": 2.94,
    "u_pct": 0.02,
    "source": "live",
    "measured": schemas.T,
    "by": "H. Brandt",
    "note": "",
}


class EndedIn(schemas.In):
    """How a chain ended. What is left out is as measured by sensors or by hand, and as counted, until then."""

    model_config = _example(kind="worn", note="side plates polished by the guide")

    kind: RemovalKind = Field(description="Only worn ends a life in the statistics of lives")
    elongation_pct: float | None = Field(
        default=None, description="Left out: as measured last before it came off"
    )
    u_pct: float | None = Field(default=None, description="Its standard uncertainty")
    passages: float | None = Field(default=None, description="Joints that passed; left out: as counted")
    hours: float | None = Field(default=None, description="Of running; left out: as counted")
    note: str = ""
    by: str | None = _BY

    def ended(self) -> Ended:
        """Return it as the door takes it."""
        return Ended(**self.model_dump(exclude={"by"}))


class PastOut(schemas.Out):
    """One chain of a drive and what became of it."""

    model_config = ConfigDict(**schemas.Out.model_config, **_example(**_LIFE))

    chain_id: str
    drive_id: str
    designation: str
    fitted: Instant
    removed: Instant | None = Field(description="null: it is on, and all below is as of now")
    kind: RemovalKind | None = Field(description="null: it is on; other: also where nobody said why")
    why: str = Field(description="In the words of who took it off")
    days: float
    hours: float | None = Field(description="Of running; null: not counted")
    passages: float | None = Field(description="Joints that passed; null: not counted")
    elongation_pct: float | None = Field(description="At removal; null: it is on, or was never measured")
    u_pct: float | None
    source: ElongationSource = Field(description="Empty: nothing is known of the elongation")
    measured: Instant | None = Field(description="When the elongation was so")
    by: str
    note: str

    @classmethod
    def of(cls, past: Past) -> Self:
        """Return a chain as the API gives it."""
        chain, life, removal = past.chain, past.life, past.removal
        return cls.model_construct(
            chain_id=chain.chain_id,
            drive_id=chain.drive_id,
            designation=chain.designation,
            fitted=chain.fitted_ns,
            removed=chain.removed_ns,
            kind=life.kind,
            why=chain.removed_why,
            days=round(life.days, 3),
            hours=life.hours,
            passages=life.passages,
            elongation_pct=life.elongation_pct,
            u_pct=life.u_pct,
            source=removal.source if removal else ElongationSource.NONE,
            measured=removal.measured_ns if removal else None,
            by=removal.by if removal else "",
            note=removal.note if removal else "",
        )


# Sprockets

_INSPECTION: dict[str, Any] = {
    "number": 4,
    "sprocket": 7,
    "inspected": schemas.T,
    "worn": False,
    "note": "flanks even",
    "by": "H. Brandt",
}
_SPROCKET: dict[str, Any] = {
    "number": 7,
    "drive_id": "infeed-2",
    "place": "driver",
    "teeth": 19,
    "note": "",
    "fitted": "2025-03-02T05:00:00Z",
    "by": "H. Brandt",
    "removed": None,
    "removed_why": "",
    "chains": 2,
    "due": "inspect",
    "why": "2 chains ran on it: inspect its teeth before the next chain goes on",
    "inspected": _INSPECTION,
}


class SprocketIn(schemas.In):
    """A sprocket that was fitted. The driver, or driven one, that was on comes off with it; idlers stand beside each other."""

    model_config = _example(place="driver", teeth=19, note="hardened teeth")

    place: Place
    teeth: int | None = Field(default=None, description="Left out: as the settings of the drive say")
    fitted: Instant | None = Field(default=None, description="Left out: now")
    note: str = ""
    by: str | None = _BY


class SprocketOffIn(schemas.In):
    """That a sprocket was taken off."""

    model_config = _example(why="teeth hooked")

    why: str = ""
    removed: Instant | None = Field(default=None, description="Left out: now")
    by: str | None = _BY


class InspectionIn(schemas.In):
    """What was seen of a sprocket's teeth."""

    model_config = _example(worn=False, note="flanks even")

    worn: bool = Field(description="Hooked teeth, shiny flanks, worn side: true")
    inspected: Instant | None = Field(default=None, description="Left out: now")
    note: str = ""
    by: str | None = _BY


class InspectionOut(schemas.Out):
    """What was seen."""

    model_config = ConfigDict(**schemas.Out.model_config, **_example(**_INSPECTION))

    number: int
    sprocket: int
    inspected: Instant
    worn: bool
    note: str
    by: str

    @classmethod
    def of(cls, inspection: Inspection) -> Self:
        """Return an inspection as the API gives it."""
        return cls.model_construct(
            number=inspection.number,
            sprocket=inspection.sprocket,
            inspected=inspection.inspected_ns,
            worn=inspection.worn,
            note=inspection.note,
            by=inspection.by,
        )


class SprocketOut(schemas.Out):
    """A sprocket, and whether it is due."""

    model_config = ConfigDict(**schemas.Out.model_config, **_example(**_SPROCKET))

    number: int
    drive_id: str
    place: Place
    teeth: int | None
    note: str
    fitted: Instant
    by: str
    removed: Instant | None
    removed_why: str
    chains: int | None = Field(description="That ran on it, with the one that is on; null: it is off")
    due: Due | None = Field(description="Whether it goes with the next change of the chain; null: it is off")
    why: str
    inspected: InspectionOut | None = Field(description="The newest inspection")

    @classmethod
    def of(cls, sprocket: Sprocket, state: SprocketState | None) -> Self:
        """Return a sprocket as the API gives it."""
        return cls.model_construct(
            number=sprocket.number,
            drive_id=sprocket.drive_id,
            place=sprocket.place,
            teeth=sprocket.teeth,
            note=sprocket.note,
            fitted=sprocket.fitted_ns,
            by=sprocket.by,
            removed=sprocket.removed_ns,
            removed_why=sprocket.removed_why,
            chains=state.chains if state else None,
            due=state.due if state else None,
            why=state.why if state else "",
            inspected=InspectionOut.of(state.inspected) if state and state.inspected else None,
        )


# Upkeep

_UPKEEP: dict[str, Any] = {
    "number": 12,
    "drive_id": "infeed-2",
    "kind": "lubricant_changed",
    "at": schemas.T,
    "lubricant": "oil ISO VG 150",
    "note": "",
    "by": "H. Brandt",
    "struck": None,
    "struck_by": "",
}


class UpkeepIn(schemas.In):
    """What was done to a drive that may change how fast its chain wears."""

    model_config = _example(kind="lubricant_changed", lubricant="oil ISO VG 150")

    kind: UpkeepKind
    at: Instant | None = Field(default=None, description="Left out: now")
    lubricant: str = Field(default="", description="Needed where it was changed")
    note: str = Field(default="", description="Needed for method_changed and other")
    by: str | None = _BY


class StrikeIn(schemas.In):
    """That it was entered in error."""

    model_config = _example(why="another drive was meant")

    why: str = ""
    by: str | None = _BY


class UpkeepOut(schemas.Out):
    """What was done."""

    model_config = ConfigDict(**schemas.Out.model_config, **_example(**_UPKEEP))

    number: int
    drive_id: str
    kind: UpkeepKind
    at: Instant
    lubricant: str
    note: str
    by: str
    struck: Instant | None = Field(description="When it was said to have been entered in error")
    struck_by: str

    @classmethod
    def of(cls, upkeep: Upkeep) -> Self:
        """Return it as the API gives it."""
        return cls.model_construct(
            number=upkeep.number,
            drive_id=upkeep.drive_id,
            kind=upkeep.kind,
            at=upkeep.at_ns,
            lubricant=upkeep.lubricant,
            note=upkeep.note,
            by=upkeep.by,
            struck=upkeep.struck_ns,
            struck_by=upkeep.struck_by,
        )


# Lives

_STEP: dict[str, Any] = {"at": 212.0, "share": 0.857, "low": 0.62, "high": 0.952}
_SURVIVAL: dict[str, Any] = {
    "count": 21,
    "ended": 9,
    "median": 230.0,
    "low": 130.0,
    "high": None,
    "words": "9 of 21 chains worn out; half live longer than 230 days (95 %: 130 days to not yet known)",
    "steps": [_STEP],
}
_COMPARED: dict[str, Any] = {
    "change": "lubricant_changed",
    "before": _SURVIVAL,
    "after": _SURVIVAL,
    "chi2": 1.02,
    "p": 0.31,
    "told": False,
    "words": "No difference can be told (log-rank test, p = 0.31).",
}
_CLASS: dict[str, Any] = {
    "drive_class": "feed",
    "drives": 4,
    "on": 4,
    "kinds": {"worn": 9, "broken": 1, "damaged": 0, "planned": 7, "moved": 0, "other": 0},
    "days": _SURVIVAL,
}


class StepOut(schemas.Out):
    """The share of chains that live longer than `at`, with its 95 % interval."""

    at: float
    share: float
    low: float
    high: float


class SurvivalOut(schemas.Out):
    """How long chains live, by the product-limit estimate; those that still run or came off otherwise are censored."""

    model_config = ConfigDict(**schemas.Out.model_config, **_example(**_SURVIVAL))

    count: int
    ended: int = Field(description="Those that wear ended; the others are censored")
    median: float | None = Field(description="null: more than half outlived what was seen")
    low: float | None = Field(description="Of the 95 % interval of the median; null: open")
    high: float | None
    words: str
    steps: list[StepOut]

    @classmethod
    def of(cls, survival: Survival, unit: LifeUnit) -> Self:
        """Return it as the API gives it."""
        return cls.model_construct(
            count=survival.count,
            ended=survival.ended,
            median=survival.median,
            low=survival.low,
            high=survival.high,
            words=median_words(survival, unit),
            steps=[
                StepOut.model_construct(at=each.at, share=each.share, low=each.low, high=each.high)
                for each in survival.steps
            ],
        )


class ComparedOut(schemas.Out):
    """Lives before and after the newest such change on each drive of the class."""

    model_config = ConfigDict(**schemas.Out.model_config, **_example(**_COMPARED))

    change: UpkeepKind
    before: SurvivalOut
    after: SurvivalOut
    chi2: float | None = Field(
        description="Of the log-rank test; null: too few were worn out to say anything"
    )
    p: float | None
    told: bool = Field(description="Whether a difference can be told: p below 0.05")
    words: str

    @classmethod
    def of(cls, compared: Comparison, change: UpkeepKind, unit: LifeUnit) -> Self:
        """Return it as the API gives it."""
        return cls.model_construct(
            change=change,
            before=SurvivalOut.of(compared.before, unit),
            after=SurvivalOut.of(compared.after, unit),
            chi2=compared.chi2,
            p=compared.p,
            told=compared.told,
            words=comparison_words(compared),
        )


class ClassOut(schemas.Out):
    """The lives of a class of drives."""

    model_config = ConfigDict(**schemas.Out.model_config, **_example(**_CLASS))

    drive_class: str = Field(description="Empty: drives without a class")
    drives: int
    on: int = Field(description="Chains that run now")
    kinds: dict[RemovalKind, int] = Field(description="Why chains came off; other: also where nobody said")
    days: SurvivalOut

    @classmethod
    def of(cls, lives: ClassLives) -> Self:
        """Return it as the API gives it."""
        return cls.model_construct(
            drive_class=lives.drive_class,
            drives=lives.drives,
            on=lives.on,
            kinds=dict(lives.kinds),
            days=SurvivalOut.of(lives.survival, LifeUnit.DAYS),
        )


class LifeOut(schemas.Out):
    """One life, as it goes into the statistics."""

    chain_id: str
    drive_id: str
    length: float | None = Field(description="In the unit asked for; null: not known")
    ended: bool = Field(description="false: censored, it lived at least so long")
    kind: RemovalKind | None = Field(description="null: it runs")

    @classmethod
    def of(cls, life: Life, unit: LifeUnit) -> Self:
        """Return it as the API gives it."""
        return cls.model_construct(
            chain_id=life.chain_id,
            drive_id=life.drive_id,
            length=life.length(unit),
            ended=life.ended,
            kind=life.kind,
        )


class LivesOut(schemas.Out):
    """How long chains live: every class in days, or one class in the unit asked for."""

    model_config = ConfigDict(
        **schemas.Out.model_config,
        **_example(
            unit="days",
            classes=[_CLASS],
            drive_class=None,
            survival=None,
            lives=[],
            unknown=0,
            compared=_COMPARED,
        ),
    )

    unit: LifeUnit
    classes: list[ClassOut] = Field(description="Where no class was asked for")
    drive_class: str | None
    survival: SurvivalOut | None
    lives: list[LifeOut]
    unknown: int = Field(description="Chains whose length in this unit is not known: they count for nothing")
    compared: ComparedOut | None

    @classmethod
    def of_all(cls, classes: list[ClassLives]) -> Self:
        """Return every class."""
        return cls.model_construct(
            unit=LifeUnit.DAYS,
            classes=[ClassOut.of(each) for each in classes],
            drive_class=None,
            survival=None,
            lives=[],
            unknown=0,
            compared=None,
        )

    @classmethod
    def of(cls, report: LivesReport) -> Self:
        """Return one class."""
        compared = None
        if report.compared is not None and report.change is not None:
            compared = ComparedOut.of(report.compared, report.change, report.unit)
        return cls.model_construct(
            unit=report.unit,
            classes=[],
            drive_class=report.drive_class,
            survival=SurvivalOut.of(report.survival, report.unit),
            lives=[LifeOut.of(each, report.unit) for each in report.lives],
            unknown=report.unknown,
            compared=compared,
        )


# What wear goes with

_BIN: dict[str, Any] = {
    "chain_id": "infeed-2-2026-03-02",
    "from": "2026-11-18T00:00:00Z",
    "to": "2026-11-25T00:00:00Z",
    "km": 402.7,
    "rate_pct_per_1000_km": 0.051,
    "rate_u": 0.006,
    "load_n": 3400.0,
    "speed_m_s": 0.84,
    "temp_c": 41.5,
}
_RELATION: dict[str, Any] = {
    "factor": "load",
    "unit": "kN",
    "slope": 0.012,
    "low": 0.004,
    "high": 0.02,
    "told": True,
    "words": "The rate rises by 0.012 % per 1000 km, 24 % of the rate, for each kN (95 %: 0.004 to 0.02).",
}


class BinOut(schemas.Out):
    """The wear rate over some days of one chain, with what went beside it. Means of load and speed while running."""

    model_config = ConfigDict(**schemas.Out.model_config, **_example(**_BIN), populate_by_name=True)

    chain_id: str
    from_: Annotated[Instant, Field(serialization_alias="from", validation_alias="from")]
    to: Instant
    km: float = Field(description="Way that the chain ran")
    rate_pct_per_1000_km: float | None = Field(description="null: too few days, or it stood")
    rate_u: float | None = Field(description="Its standard uncertainty")
    load_n: float | None
    speed_m_s: float | None
    temp_c: float | None

    @classmethod
    def of(cls, held: RateBin) -> Self:
        """Return it as the API gives it."""
        return cls.model_construct(
            chain_id=held.chain_id,
            from_=held.from_ns,
            to=held.to_ns,
            km=held.km,
            rate_pct_per_1000_km=held.rate,
            rate_u=held.rate_u,
            load_n=held.load_n,
            speed_m_s=held.speed_m_s,
            temp_c=held.temp_c,
        )


class RelationOut(schemas.Out):
    """Whether the wear rate goes with one factor. A relation is no cause."""

    model_config = ConfigDict(**schemas.Out.model_config, **_example(**_RELATION))

    factor: Factor
    unit: str = Field(description="Empty: after the change against before")
    slope: float | None = Field(description="Per cent per 1000 km for one unit; null: could not be fitted")
    low: float | None = Field(description="Of the 95 % interval of the slope")
    high: float | None
    told: bool = Field(description="A relation can be told, all factors together at 95 %")
    words: str

    @classmethod
    def of(cls, relation: Relation) -> Self:
        """Return it as the API gives it."""
        return cls.model_construct(
            factor=relation.factor,
            unit=UNITS[relation.factor],
            slope=relation.slope,
            low=relation.low,
            high=relation.high,
            told=relation.told,
            words=relation.words,
        )


class InfluenceOut(schemas.Out):
    """What the wear rate of a drive went with."""

    model_config = ConfigDict(
        **schemas.Out.model_config,
        **_example(
            **{"from": "2026-08-25T00:00:00Z", "to": "2026-11-25T00:00:00Z"},
            days=91,
            rate_pct_per_1000_km=0.0495,
            rate_u=0.004,
            left_out=0,
            words="",
            bins=[_BIN],
            relations=[_RELATION],
            events=[_UPKEEP],
        ),
        populate_by_name=True,
    )

    from_: Annotated[Instant, Field(serialization_alias="from", validation_alias="from")]
    to: Instant
    days: int = Field(description="Measured days that it rests on")
    rate_pct_per_1000_km: float | None = Field(description="Over all of it; null: see words")
    rate_u: float | None
    left_out: int = Field(
        description="Steps from day to day that were too great for wear: something was moved"
    )
    words: str = Field(description="Why there is no rate, where there is none")
    bins: list[BinOut]
    relations: list[RelationOut]
    events: list[UpkeepOut]

    @classmethod
    def of(cls, report: WearReport) -> Self:
        """Return it as the API gives it."""
        found = report.found
        return cls.model_construct(
            from_=report.from_ns,
            to=report.to_ns,
            days=found.days,
            rate_pct_per_1000_km=found.rate,
            rate_u=found.rate_u,
            left_out=found.left_out,
            words=found.words,
            bins=[BinOut.of(each) for each in found.bins],
            relations=[RelationOut.of(each) for each in found.relations],
            events=[UpkeepOut.of(each) for each in report.upkeep],
        )
