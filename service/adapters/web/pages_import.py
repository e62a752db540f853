"""The page to bring in many drives from a spreadsheet: a file, a look at what would change, and the step that stores just that.

Between look and step the page itself carries the file, so nothing is kept here for somebody who never comes back. What is stored
is checked against the key of the look by the door `import_drives`.
"""

import base64
import binascii
from typing import Annotated
from urllib.parse import urlencode

from fastapi import APIRouter, Query, Request
from fastapi.responses import HTMLResponse, RedirectResponse, Response
from starlette.concurrency import run_in_threadpool
from starlette.datastructures import UploadFile

from service.adapters.register_files import COLUMNS, Problem, RegisterFileError
from service.adapters.web.allowed import needs
from service.adapters.web.importing import BYTES_MAX, Look, look_of, read_file, wanted_of
from service.adapters.web.parts import Parts, PartsDep, WhoDep
from service.adapters.web.templating import render
from service.core.people import Role
from service.import_drives import Fate
from service.ports import ConflictError

router = APIRouter(dependencies=[needs(Role.ENGINEER)])

SOURCE_CHARS_MAX = 200


@router.get("/import", response_class=HTMLResponse)
def import_page(
    request: Request,
    added: Annotated[int | None, Query(ge=0)] = None,
    changed: Annotated[int | None, Query(ge=0)] = None,
) -> HTMLResponse:
    """A form for the file, and what the file may hold; after an import, what was stored."""
    return render(
        request, "import.html", _empty() | {"done": None if added is None else (added, changed or 0)}
    )


@router.post("/import", response_class=HTMLResponse)
async def look_at_file(request: Request, parts: PartsDep) -> HTMLResponse:
    """Show what would become of each line. Nothing is stored."""
    content, source = b"", ""
    async with request.form() as form:
        given, typed = form.get("file"), form.get("text")
        if isinstance(given, UploadFile):
            content, source = await given.read(BYTES_MAX + 1), (given.filename or "")[:SOURCE_CHARS_MAX]
    if not content and isinstance(typed, str):
        content, source = typed.encode(), "typed in"
    if not content.strip():
        return _told(request, "Choose a file, or put its rows into the field.")
    return await run_in_threadpool(_look_page, request, parts, content, source)


@router.post("/import/confirm", response_class=HTMLResponse)
async def confirm(request: Request, parts: PartsDep, by: WhoDep) -> Response:
    """Store what was looked at, all of it or nothing."""
    async with request.form() as form:
        content, key, source, why = (str(form.get(name, "")) for name in ("content", "key", "source", "why"))
    try:
        file = base64.b64decode(content, validate=True)
    except binascii.Error:
        return _told(request, "The file did not come along. Choose it again; nothing was stored.")
    said = (key, source[:SOURCE_CHARS_MAX], why.strip()[:2000])
    return await run_in_threadpool(_stored, request, parts, by, file, said)


def _stored(request: Request, parts: Parts, by: str, file: bytes, said: tuple[str, str, str]) -> Response:
    key, source, why = said
    try:
        wanted = wanted_of(read_file(file))
        plan = parts.import_drives.apply(wanted, key=key, source=source, why=why, at_ns=parts.now_ns(), by=by)
    except RegisterFileError:
        return _look_page(request, parts, file, source)
    except ConflictError as error:
        return _look_page(request, parts, file, source, overtaken=str(error))
    done = {"added": len(plan.of(Fate.ADDED)), "changed": len(plan.of(Fate.CHANGED))}
    return RedirectResponse(f"/import?{urlencode(done)}", 303)


def _look_page(
    request: Request, parts: Parts, content: bytes, source: str, *, overtaken: str = ""
) -> HTMLResponse:
    try:
        read = read_file(content)
        look = look_of(read, parts.import_drives.plan(wanted_of(read), at_ns=parts.now_ns()))
    except RegisterFileError as error:
        look = Look(of_file=error.problems)
    values = _empty() | {
        "look": look,
        "added": look.of(Fate.ADDED),
        "changed": look.of(Fate.CHANGED),
        "left": look.of(Fate.LEFT_ALONE),
        "content": base64.b64encode(content).decode() if look.may_be_stored else "",
        "source": source,
        "overtaken": overtaken,
    }
    status = 409 if overtaken else 422 if look.of_file or look.refused else 200
    return render(request, "import.html", values, status=status)


def _told(request: Request, wrong: str) -> HTMLResponse:
    look = Look(of_file=[Problem(None, "", wrong)])
    return render(request, "import.html", _empty() | {"look": look}, status=422)


def _empty() -> dict[str, object]:
    return {
        "look": None,
        "added": (),
        "changed": (),
        "left": (),
        "content": "",
        "source": "",
        "overtaken": "",
        "done": None,
        "columns": list(COLUMNS),
        "needed": ("drive_id", "whole_pitches"),
        "kb_max": BYTES_MAX // 1000,
    }
