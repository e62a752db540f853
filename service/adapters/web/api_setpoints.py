"""API: when conditions occur and clear, what was set of it, and for whom."""

from typing import Annotated, Any, Self

from fastapi import APIRouter, Path, Query
from pydantic import ConfigDict, Field

from service.adapters.web import schemas
from service.adapters.web.alert_schemas import PriorityWord
from service.adapters.web.allowed import needs
from service.adapters.web.instants import Instant
from service.adapters.web.parts import PartsDep, WhoDep
from service.adapters.web.problems import refusals, responses
from service.core.condition_words import CONSEQUENCES, ENGLISH, RESPONDS
from service.core.people import Role
from service.core.setpoint import FIELDS, RULES, ConditionKind, Effective, Override, Priority, Scope

router = APIRouter(tags=["setpoints"])

VIEWER, ENGINEER = needs(Role.VIEWER), needs(Role.ENGINEER)
Kind = Annotated[ConditionKind, Path(description="Kind of condition", examples=["near"])]
ScopeQuery = Annotated[Scope, Query(description="For a site, a class of drives or one drive")]
NameQuery = Annotated[
    str,
    Query(
        min_length=1, max_length=200, description="Of the site or class, or the drive's id", examples=["feed"]
    ),
]
_VALUES: dict[str, Any] = {
    "value": 85.0, "deadband": 2.0, "on_readings": 5, "on_s": 600.0, "off_readings": 5, "off_s": 600.0,
    "priority": "medium", "enabled": True,
}  # fmt: skip
_SET: dict[str, Any] = dict.fromkeys(FIELDS) | {"value": 85.0}


def _example(**values: Any) -> ConfigDict:
    return ConfigDict(**schemas.Out.model_config, json_schema_extra={"examples": [values]})


class SetpointOut(schemas.Out):
    """When a condition of a drive occurs and clears, and where each field of that comes from."""

    model_config = _example(
        kind="near", title="Elongation close to the limit", meaning="Elongation, part of the drive's limit",
        unit="% of the limit", counts="readings", **_VALUES,
        origin=dict.fromkeys(FIELDS, "built in") | {"value": "class"},
        consequence="wear goes on faster, or unseen, or a stop has to be found", respond="within days",
        source="common practice, no source",
    )  # fmt: skip

    kind: ConditionKind
    title: str
    meaning: str = Field(description='What the value is; "" where the condition has none')
    unit: str
    counts: str = Field(description="What the delays count")
    value: float | None
    deadband: float = Field(
        description="In the unit of the value; twice the uncertainty of a reading at least"
    )
    on_readings: int = Field(description="So many show it, one after the other, before it occurs")
    on_s: float = Field(description="And over so many seconds")
    off_readings: int
    off_s: float
    priority: PriorityWord
    enabled: bool
    origin: dict[str, str] = Field(description='Of each field: "built in", site, class or drive')
    consequence: str = Field(description="If nobody answers; with `respond` it gives the built-in priority")
    respond: str
    source: str = Field(description="Of the built-in values")

    @classmethod
    def of(cls, kind: ConditionKind, found: Effective) -> Self:
        """Return what holds of one kind of condition as the API gives it."""
        rule, words, setpoint = RULES[kind], ENGLISH[kind], found.setpoint
        values = {name: getattr(setpoint, name) for name in FIELDS}
        values["priority"] = PriorityWord(setpoint.priority.name.lower())
        return cls.model_construct(
            kind=kind,
            title=words.title,
            meaning=words.value,
            unit=rule.unit,
            counts=str(rule.counts),
            **values,
            origin=dict(found.origin),
            consequence=CONSEQUENCES[rule.consequence],
            respond=RESPONDS[rule.respond],
            source=rule.source,
        )


class OverrideIn(schemas.In):
    """What is set; fields that are left out stay as they are for less specific scopes, or built in."""

    model_config = ConfigDict(
        json_schema_extra={"examples": [{"value": 85.0, "why": "a new chain takes eight weeks"}]}
    )

    value: float | None = Field(default=None, description="In the unit of the kind")
    deadband: float | None = None
    on_readings: int | None = None
    on_s: float | None = None
    off_readings: int | None = None
    off_s: float | None = None
    priority: PriorityWord | None = None
    enabled: bool | None = Field(default=None, description="false: this condition is not watched there")
    why: str = Field(max_length=4000, description="For the audit log")

    def override(self, scope: Scope, name: str, kind: ConditionKind, by: str, at_ns: int) -> Override:
        """Return it as core's value. Raises FieldsRefusedError."""
        values = self.model_dump()
        priority = None if self.priority is None else Priority[self.priority.name]
        return Override(
            scope=scope, name=name, kind=kind, by=by, at_ns=at_ns, **values | {"priority": priority}
        )


class OverrideOut(schemas.Out):
    """What was set of one kind of condition for a site, a class of drives or one drive; null: nothing of that field."""

    model_config = _example(
        scope="class", name="feed", kind="near", **_SET, why="a new chain takes eight weeks", by="H. Brandt",
        time="2026-11-25T08:15:00Z",
    )  # fmt: skip

    scope: Scope
    name: str
    kind: ConditionKind
    value: float | None
    deadband: float | None
    on_readings: int | None
    on_s: float | None
    off_readings: int | None
    off_s: float | None
    priority: PriorityWord | None
    enabled: bool | None
    why: str
    by: str
    time: Instant

    @classmethod
    def of(cls, override: Override) -> Self:
        """Return it as the API gives it."""
        values = {name: getattr(override, name) for name in FIELDS}
        if override.priority is not None:
            values["priority"] = PriorityWord(override.priority.name.lower())
        return cls.model_construct(
            scope=override.scope,
            name=override.name,
            kind=override.kind,
            **values,
            why=override.why,
            by=override.by,
            time=override.at_ns,
        )


@router.get(
    "/setpoints", summary="Setpoints that hold for a drive", responses=responses(404), dependencies=[VIEWER]
)
def list_setpoints(
    parts: PartsDep,
    drive: Annotated[str, Query(max_length=64, description="Id of the drive", examples=["infeed-2"])],
) -> list[SetpointOut]:
    """Of each kind of condition, field by field, what the most specific says: drive, class, site, built in."""
    found = parts.set_setpoints.effective_of(drive)
    return [SetpointOut.of(kind, each) for kind, each in found.items()]


@router.get(
    "/setpoints/overrides", summary="What was set of setpoints", responses=responses(), dependencies=[VIEWER]
)
def list_overrides(parts: PartsDep) -> list[OverrideOut]:
    """All that people set, by scope from site to drive. Who changed what stands in the audit log, too."""
    return [OverrideOut.of(each) for each in parts.set_setpoints.overrides()]


@router.put(
    "/setpoints/{kind}", summary="Set a setpoint", responses=responses(404, 413), dependencies=[ENGINEER]
)
def put_setpoint(
    parts: PartsDep, by: WhoDep, kind: Kind, scope: ScopeQuery, name: NameQuery, given: OverrideIn
) -> OverrideOut:
    """Set fields of it for a site, a class of drives or one drive, in place of all that was set there of that kind.

    It holds from now on: what is known of the elongation is held against it at once. The deadband is twice the
    uncertainty of a reading at least, whatever is set. The steps of elongation must rise.
    """
    with refusals():
        override = given.override(scope, name, kind, by, parts.now_ns())
        return OverrideOut.of(parts.set_setpoints.put(override))


@router.delete(
    "/setpoints/{kind}",
    status_code=204,
    summary="Take back what was set of a setpoint",
    responses=responses(404),
    dependencies=[ENGINEER],
)
def delete_setpoint(
    parts: PartsDep,
    by: WhoDep,
    kind: Kind,
    scope: ScopeQuery,
    name: NameQuery,
    why: Annotated[str, Query(min_length=1, max_length=4000, description="For the audit log")],
) -> None:
    """Go back to what is less specific, or built in."""
    with refusals():
        parts.set_setpoints.remove(scope, name, kind, at_ns=parts.now_ns(), by=by, why=why)
