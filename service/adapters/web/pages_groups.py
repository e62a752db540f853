"""Pages of sites and of classes of drives: what there is of each, another name for one, drives moved from one to another.

The forms carry the version of the register, so that nothing is changed that somebody has not seen.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Annotated
from urllib.parse import urlencode

from fastapi import APIRouter, Query, Request
from fastapi.responses import HTMLResponse, RedirectResponse, Response

from service.adapters.web.allowed import needs
from service.adapters.web.pages_forms import Collected, TypedDep, Wrong
from service.adapters.web.parts import Parts, PartsDep, WhoDep
from service.adapters.web.templating import render
from service.core.drive import GroupKind
from service.core.people import Role
from service.ports import ConflictError

router = APIRouter()

ENGINEER = [needs(Role.ENGINEER)]
NameQuery = Annotated[str | None, Query(max_length=200)]


@dataclass(frozen=True, slots=True)
class _Refused:
    """A form that was refused, with what was typed and what is wrong."""

    form: str  # rename, move
    typed: Mapping[str, str]
    wrong: Wrong


@router.get("/sites", response_class=HTMLResponse)
def sites_page(request: Request, parts: PartsDep, name: NameQuery = None) -> HTMLResponse:
    """All sites, or one of them."""
    return _page(request, parts, GroupKind.SITE, name)


@router.get("/classes", response_class=HTMLResponse)
def classes_page(request: Request, parts: PartsDep, name: NameQuery = None) -> HTMLResponse:
    """All classes, or one of them."""
    return _page(request, parts, GroupKind.CLASS, name)


@router.post("/sites/rename", response_class=HTMLResponse, dependencies=ENGINEER)
def rename_site(request: Request, parts: PartsDep, by: WhoDep, typed: TypedDep) -> Response:
    """Give a site another name."""
    return _renamed(request, parts, GroupKind.SITE, typed, by)


@router.post("/classes/rename", response_class=HTMLResponse, dependencies=ENGINEER)
def rename_class(request: Request, parts: PartsDep, by: WhoDep, typed: TypedDep) -> Response:
    """Give a class another name."""
    return _renamed(request, parts, GroupKind.CLASS, typed, by)


@router.post("/sites/move", response_class=HTMLResponse, dependencies=ENGINEER)
async def move_to_site(request: Request, parts: PartsDep, by: WhoDep, typed: TypedDep) -> Response:
    """Put drives into another site."""
    return await _moved(request, parts, GroupKind.SITE, typed, by)


@router.post("/classes/move", response_class=HTMLResponse, dependencies=ENGINEER)
async def move_to_class(request: Request, parts: PartsDep, by: WhoDep, typed: TypedDep) -> Response:
    """Put drives into another class."""
    return await _moved(request, parts, GroupKind.CLASS, typed, by)


def _renamed(request: Request, parts: Parts, kind: GroupKind, typed: Mapping[str, str], by: str) -> Response:
    name, to, wrong = typed.get("name", "")[:200], typed.get("to", ""), Wrong()
    with Collected(wrong, {}):
        parts.regroup.rename(
            kind,
            name,
            to,
            version=_version(typed),
            why=typed.get("why", "")[:2000],
            at_ns=parts.now_ns(),
            by=by,
        )
        return _to_group(kind, to.strip())
    return _page(request, parts, kind, name, _Refused("rename", typed, wrong))


async def _moved(
    request: Request, parts: Parts, kind: GroupKind, typed: Mapping[str, str], by: str
) -> Response:
    form = await request.form()
    drives = [each for each in form.getlist("drive") if isinstance(each, str)]
    name, to, wrong = typed.get("name", "")[:200], typed.get("to", ""), Wrong()
    with Collected(wrong, {}):
        parts.regroup.move(
            kind,
            drives,
            to,
            version=_version(typed),
            why=typed.get("why", "")[:2000],
            at_ns=parts.now_ns(),
            by=by,
        )
        return _to_group(kind, to.strip())
    marked = {f"drive-{each}": "yes" for each in drives}
    return _page(request, parts, kind, name, _Refused("move", {**typed, **marked}, wrong))


def _version(typed: Mapping[str, str]) -> int:
    text = typed.get("version", "")
    if not (text.isascii() and text.isdigit() and len(text) < 19):
        raise ConflictError("the form does not say what it was made from: load its page again")
    return int(text)


def _path(kind: GroupKind) -> str:
    return "/sites" if kind is GroupKind.SITE else "/classes"


def _to_group(kind: GroupKind, name: str) -> RedirectResponse:
    return RedirectResponse(f"{_path(kind)}?{urlencode({'name': name})}", 303)


def _page(
    request: Request,
    parts: Parts,
    kind: GroupKind,
    name: str | None,
    refused: _Refused | None = None,
) -> HTMLResponse:
    found = parts.regroup.groups(kind)
    values = {
        "kind": str(kind),
        "of_sites": kind is GroupKind.SITE,
        "base": _path(kind),
        "groups": found.groups,
        "version": found.version,
        "typed": refused.typed if refused else {},
        "wrong": refused.wrong if refused else Wrong(),
        "asked": refused.form if refused else "",
        "link": lambda of: f"{_path(kind)}?{urlencode({'name': of})}",
    }
    if name is None:
        return render(request, "groups.html", values)
    group, _ = parts.regroup.group(kind, name)
    others = [each.name for each in found.groups if each.name not in ("", name)]
    return render(
        request, "group.html", values | {"group": group, "others": others}, status=422 if refused else 200
    )
