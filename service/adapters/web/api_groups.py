"""API: sites and classes of drives: what has their name, another name for one, drives moved from one to another."""

from typing import Annotated, Any, Self

from fastapi import APIRouter, Header, Path, Response
from pydantic import ConfigDict, Field

from service.adapters.web import schemas
from service.adapters.web.allowed import needs
from service.adapters.web.parts import Parts, PartsDep, WhoDep
from service.adapters.web.problems import ProblemError, refusals, responses
from service.core.drive import GroupKind
from service.core.people import Role
from service.regroup import Group, Regrouped

router = APIRouter(tags=["drives"])

Kind = Annotated[GroupKind, Path(description="By what drives are grouped", examples=["site"])]
IfMatch = Annotated[
    str,
    Header(
        description="ETag of the list of groups: nothing is stored where the register has changed since",
        examples=['"118"'],
    ),
]
Why = Annotated[str, Field(min_length=1, max_length=2000, description="For the audit log")]
_TAGGED: dict[int | str, dict[str, Any]] = {
    200: {
        "headers": {
            "ETag": {"description": "Version of the register, for If-Match", "schema": {"type": "string"}}
        }
    }
}


def _example(of: type[schemas.In] | type[schemas.Out], **values: Any) -> ConfigDict:
    return ConfigDict(**of.model_config, json_schema_extra={"examples": [values]})


class GroupOut(schemas.Out):
    """A site or a class: its drives, and how much is set for it."""

    model_config = _example(
        schemas.Out, name="Eschbach works", drives=["kiln-feed"], retired=[], setpoints=1, supply=True, shifts=True,
        stops=2, routes=1,
    )  # fmt: skip

    name: str = Field(description='"": the drives that name none')
    drives: list[str]
    retired: list[str]
    setpoints: int
    supply: bool
    shifts: bool = Field(description="Of a site: whether shifts are set")
    stops: int
    routes: int

    @classmethod
    def of(cls, group: Group) -> Self:
        """Return a group as the API gives it."""
        return cls.model_construct(
            name=group.name,
            drives=[each.drive_id for each in group.drives],
            retired=[each.drive_id for each in group.retired],
            setpoints=len(group.setpoints),
            supply=group.supply is not None,
            shifts=group.shifts is not None,
            stops=len(group.stops),
            routes=len(group.routes),
        )


class RenameIn(schemas.In):
    """Another name for a site or a class."""

    model_config = _example(schemas.In, name="Eschbach", to="Eschbach works", why="as on the gate")

    name: str = Field(min_length=1, max_length=200)
    to: str = Field(min_length=1, max_length=200)
    why: Why


class MoveIn(schemas.In):
    """Drives that go to another site or class."""

    model_config = _example(schemas.In, drives=["kiln-feed"], to="Kiln", why="hung up anew")

    drives: list[str] = Field(min_length=1, max_length=10_000)
    to: str = Field(max_length=200, description='Of the site or class, which may be new; "": none')
    why: Why


class RegroupedOut(schemas.Out):
    """What was done."""

    model_config = _example(schemas.Out, drives=3, also=["1 setpoint", "its shifts"])

    drives: int = Field(description="So many drives have another site or class now")
    also: list[str] = Field(description="What else took the new name")

    @classmethod
    def of(cls, done: Regrouped) -> Self:
        """Return it as the API gives it."""
        return cls.model_construct(drives=done.drives, also=list(done.also))


@router.get(
    "/groups/{kind}",
    summary="Sites or classes of drives",
    responses={**_TAGGED, **responses(404)},
    dependencies=[needs(Role.VIEWER)],
)
def list_groups(parts: PartsDep, kind: Kind, response: Response) -> list[GroupOut]:
    """All that any drive or setting names. Give the ETag back as If-Match with a change."""
    found = parts.regroup.groups(kind)
    response.headers["ETag"] = f'"{found.version}"'
    return [GroupOut.of(each) for each in found.groups]


@router.post(
    "/groups/{kind}/rename",
    summary="Give a site or a class another name",
    responses=responses(404, 409, 412, 413),
    dependencies=[needs(Role.ENGINEER)],
)
def rename_group(parts: PartsDep, by: WhoDep, kind: Kind, given: RenameIn, if_match: IfMatch) -> RegroupedOut:
    """All drives, setpoints, supply, shifts, stops and routes of that name take the new one at once, or none does.

    Notes, handovers and earlier settings are history and keep the old name. A name that is in use is refused.
    """
    version = _version(parts, if_match)
    with refusals():
        done = parts.regroup.rename(
            kind, given.name, given.to, version=version, why=given.why, at_ns=parts.now_ns(), by=by
        )
    return RegroupedOut.of(done)


@router.post(
    "/groups/{kind}/move",
    summary="Move drives to another site or class",
    responses=responses(404, 409, 412, 413),
    dependencies=[needs(Role.ENGINEER)],
)
def move_drives(parts: PartsDep, by: WhoDep, kind: Kind, given: MoveIn, if_match: IfMatch) -> RegroupedOut:
    """All of them, or none. What is set for a site or class stays with it, and holds for a drive as long as it is there."""
    version = _version(parts, if_match)
    with refusals():
        done = parts.regroup.move(
            kind, given.drives, given.to, version=version, why=given.why, at_ns=parts.now_ns(), by=by
        )
    return RegroupedOut.of(done)


def _version(parts: Parts, if_match: str) -> int:
    """Return the version that somebody had before them. Raises a 412 where it is another one now."""
    now = parts.register.version()
    if if_match.strip() != f'"{now}"':
        raise ProblemError(
            412,
            f"the register has changed since you read it, and nothing was stored: GET the list again, and send its ETag "
            f'(now "{now}") with what is to be done then',
        )
    return now
