"""API: many drives at once, as the CSV that a spreadsheet has; what would change first, then just that or nothing."""

from typing import Annotated, Any, Self

from fastapi import APIRouter, Query, Request
from fastapi.responses import Response
from pydantic import ConfigDict, Field
from starlette.concurrency import run_in_threadpool

from service.adapters.register_files import RegisterFileError, write_csv
from service.adapters.web import schemas
from service.adapters.web.allowed import needs
from service.adapters.web.importing import Look, ShownLine, look_of, read_file, wanted_of
from service.adapters.web.parts import Parts, PartsDep, WhoDep
from service.adapters.web.problems import ProblemError, responses
from service.core.drive import Registration, baseline_at, chain_at
from service.core.people import Role
from service.import_drives import Fate

router = APIRouter(tags=["drives"])

CSV_EXAMPLE = "drive_id,name,site,whole_pitches,chain_designation,chain_fitted_utc\nkiln-feed,Kiln feed,Eschbach works,20,16B-1,2026-03-01\n"
_CSV: dict[int | str, dict[str, Any]] = {
    200: {"content": {"text/csv": {"schema": {"type": "string"}, "example": CSV_EXAMPLE}}},
    **responses(),
}
_BODY = {
    "requestBody": {
        "required": True,
        "content": {"text/csv": {"schema": {"type": "string"}, "example": CSV_EXAMPLE}},
    }
}


_LINE: dict[str, Any] = {
    "line": 2,
    "drive_id": "kiln-feed",
    "fate": "changed",
    "changes": [{"column": "site", "old": "", "new": "Eschbach works"}],
    "chain_id": None,
    "baseline": False,
    "problems": [],
}


def _example(**values: Any) -> ConfigDict:
    return ConfigDict(**schemas.Out.model_config, json_schema_extra={"examples": [values]})


class ChangeOut(schemas.Out):
    """One setting of a drive, as it is and as it would be."""

    model_config = _example(column="site", old="Eschbach", new="Eschbach works")

    column: str
    old: str = Field(description='As the file writes it; "" where it is empty')
    new: str


class LineProblemOut(schemas.Out):
    """What is wrong with a line, and what would mend it."""

    model_config = _example(column="whole_pitches", detail="'twenty' is no number; write digits alone")

    column: str = Field(description='"" where it concerns the whole line')
    detail: str


class LineOut(schemas.Out):
    """What becomes of one line."""

    model_config = _example(**_LINE)

    line: int = Field(description="Of the file, from 1; the row with the headings counts")
    drive_id: str = Field(description='"" where the line could not be read')
    fate: Fate
    changes: list[ChangeOut]
    chain_id: str | None = Field(description="Of the chain that would be put on; null: none")
    baseline: bool = Field(description="Whether a baseline would be recorded")
    problems: list[LineProblemOut]

    @classmethod
    def of(cls, line: ShownLine) -> Self:
        """Return a line as the API gives it."""
        return cls.model_construct(
            line=line.line,
            drive_id=line.drive_id,
            fate=line.fate,
            changes=[
                ChangeOut.model_construct(column=each.column, old=each.old, new=each.new)
                for each in line.changes
            ],
            chain_id=line.chain.chain_id if line.chain else None,
            baseline=line.baseline is not None,
            problems=[
                LineProblemOut.model_construct(column=each.column, detail=each.text) for each in line.problems
            ],
        )


class ImportOut(schemas.Out):
    """What would become of a file, or what became of it."""

    model_config = _example(
        stored=False, key="118-0f3c5a", added=0, changed=1, left_alone=7, refused=0, lines=[_LINE]
    )

    stored: bool
    key: str = Field(description="Give it back to have just this stored")
    added: int
    changed: int
    left_alone: int
    refused: int
    lines: list[LineOut]

    @classmethod
    def of(cls, look: Look, *, stored: bool) -> Self:
        """Return a look at a file as the API gives it."""
        return cls.model_construct(
            stored=stored,
            key=look.key,
            added=len(look.of(Fate.ADDED)),
            changed=len(look.of(Fate.CHANGED)),
            left_alone=len(look.of(Fate.LEFT_ALONE)),
            refused=len(look.refused),
            lines=[LineOut.of(each) for each in look.lines],
        )


@router.post(
    "/drives/import",
    summary="Bring in many drives from CSV",
    responses=responses(409, 413),
    openapi_extra=_BODY,
    dependencies=[needs(Role.ENGINEER)],
)
async def import_drives(
    request: Request,
    parts: PartsDep,
    by: WhoDep,
    *,
    dry_run: Annotated[bool, Query(description="Only say what would become of each line")] = False,
    key: Annotated[
        str, Query(max_length=100, description="What the look at this file answered", examples=["118-0f3c5a"])
    ] = "",
    why: Annotated[str, Query(max_length=2000, description="For the audit log")] = "",
) -> ImportOut:
    """Ask with `dry_run=true` first: each line is answered with what would be added or changed, or with what is wrong.

    Then send the same file with the `key` of that answer: all of it is stored, or nothing where the register or the file has
    changed since. The columns are those of /drives.csv; one that is left out leaves that setting as it is. Cells are separated by
    comma, semicolon or tab.
    """
    content = await request.body()
    return await run_in_threadpool(_imported, parts, content, None if dry_run else key, why, by)


def _imported(parts: Parts, content: bytes, key: str | None, why: str, by: str) -> ImportOut:
    now_ns = parts.now_ns()
    if key == "":
        raise ProblemError(
            422,
            "give dry_run=true to see what would change, then the key of that answer to have it stored",
            [{"field": "key", "detail": "is missing"}],
        )
    try:
        read = read_file(content)
    except RegisterFileError as error:
        raise ProblemError(422, f"the file cannot be taken: {error}") from error
    wanted = wanted_of(read)
    look = look_of(read, parts.import_drives.plan(wanted, at_ns=now_ns))
    if key is None:
        return ImportOut.of(look, stored=False)
    if look.refused:
        errors = [
            {"field": f"line {each.line}, {each.column}".rstrip(", "), "detail": each.text}
            for line in look.refused
            for each in line.problems
        ]
        raise ProblemError(
            422, f"{len(look.refused)} lines are refused, and nothing was stored", errors[:100]
        )
    parts.import_drives.apply(wanted, key=key, source="API", why=why, at_ns=now_ns, by=by)
    return ImportOut.of(look, stored=True)


@router.get(
    "/drives.csv",
    summary="All drives as CSV, to change and bring in again",
    responses=_CSV,
    response_class=Response,
    dependencies=[needs(Role.VIEWER)],
)
def table_of_drives(
    parts: PartsDep,
    *,
    retired: Annotated[bool, Query(description="Those that were retired, too")] = False,
) -> Response:
    """One row for each drive, with the chain on it and the baseline in force. Brought in again, it changes nothing."""
    text = write_csv(registrations(parts, retired=retired))
    headers = {"Content-Disposition": 'attachment; filename="drives.csv"'}
    return Response(text, media_type="text/csv", headers=headers)


def registrations(parts: Parts, *, retired: bool) -> list[Registration]:
    """Return each drive with the chain on it now and the baseline in force."""
    now_ns, register = parts.now_ns(), parts.register
    found = []
    for drive in register.drives(retired=retired):
        chain = chain_at(register.chains(drive.drive_id), now_ns)
        baseline = baseline_at(register.baselines(chain.chain_id), now_ns) if chain else None
        found.append(Registration(drive, chain, baseline))
    return found
