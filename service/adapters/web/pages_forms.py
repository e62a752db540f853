"""Pages to fill in: register and change drives, fit and take off chains, record baselines.

A form posts and is answered with a redirect, or comes back with what was typed and what is wrong beside
each field. All that is done goes through the door `operate`.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from types import TracebackType
from typing import Annotated, Any
from urllib.parse import quote

from fastapi import APIRouter, Depends, Request
from fastapi.responses import HTMLResponse, RedirectResponse, Response

from service.adapters.web import forms
from service.adapters.web.allowed import needs
from service.adapters.web.caller import FORM_FIELD, caller_of
from service.adapters.web.instants import local, local_ns
from service.adapters.web.parts import Parts, PartsDep, WhoDep
from service.adapters.web.templating import render, when
from service.adapters.web.versions import Overtaken, overtaken, version_of
from service.core.drive import Chain, Drive, Registration
from service.core.fields import FieldsRefusedError
from service.core.life import RemovalKind
from service.core.people import Role
from service.ports import ConflictError, NotFoundError
from service.tend import Ended

router = APIRouter(dependencies=[needs(Role.ENGINEER)])

ALL_DRIVE_FIELDS = tuple(each for group in forms.DRIVE_GROUPS for each in group.fields)
# A drive that was seen on the broker has sensors: how far apart they are is needed.
SIGHTED_FIELDS = tuple(
    forms.SHORT_FIELDS[0] if each.name == "whole_pitches" else each for each in ALL_DRIVE_FIELDS
)


async def typed_in(request: Request) -> dict[str, str]:
    """Return the text fields of a posted form. Who is signed in acts under their own name, whatever the form says."""
    form = await request.form()
    typed = {name: text for name, text in form.items() if isinstance(text, str) and name != FORM_FIELD}
    if (caller := caller_of(request)).person is not None:
        typed |= {name: caller.name for name in typed if name == "by" or name.endswith("-by")}
    return typed


TypedDep = Annotated[Mapping[str, str], Depends(typed_in)]


@dataclass(slots=True)
class Wrong:
    """What is wrong with a form: beside its fields, and above all of it."""

    fields: dict[str, str] = field(default_factory=dict)
    above: str = ""

    def __bool__(self) -> bool:
        """Whether anything is."""
        return bool(self.fields or self.above)


class Collected:
    """Puts what core and door refuse where people will see it, and goes on behind the `with`.

    names: of core's fields in the form, where they differ. prefix: of the form's fields.
    """

    def __init__(self, wrong: Wrong, names: Mapping[str, str], prefix: str = "") -> None:
        self._wrong, self._names, self._prefix = wrong, names, prefix

    def __enter__(self) -> None:
        pass

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> bool:
        if isinstance(error, FieldsRefusedError):
            for name, said in error.problems.items():
                self._wrong.fields[self._prefix + self._names.get(name, name)] = said
            return True
        if isinstance(error, ConflictError | ValueError):
            self._wrong.above = str(error)
            return True
        return False


_TIMES = {"fitted_ns": "fitted", "removed_ns": "removed", "taken_ns": "taken"}


# Drives


@router.get("/drives/new", response_class=HTMLResponse)
def new_drive(request: Request) -> HTMLResponse:
    """A form, empty or filled in from the address (a plan links to it so)."""
    return _drive_form(request, dict(request.query_params), Wrong())


@router.post("/drives/new", response_class=HTMLResponse)
def add_drive(request: Request, parts: PartsDep, by: WhoDep, typed: TypedDep) -> Response:
    """Register a drive, and the chain on it where one is described."""
    return _register(request, parts, by, typed, sighted=None)


@router.get("/refused/{drive_id:path}/register", response_class=HTMLResponse)
def new_sighted(request: Request, parts: PartsDep, drive_id: str) -> HTMLResponse:
    """A form for a drive that was seen."""
    _sighting(parts, drive_id)
    sites = {each.site for each in parts.register.drives()}
    known = {"drive_id": drive_id} | ({"site": next(iter(sites))} if len(sites) == 1 else {})
    return _drive_form(request, known, Wrong(), sighted=drive_id)


@router.post("/refused/{drive_id:path}/register", response_class=HTMLResponse)
def register_sighted(
    request: Request, parts: PartsDep, by: WhoDep, drive_id: str, typed: TypedDep
) -> Response:
    """Register a drive that was seen, and the chain on it where one is described."""
    _sighting(parts, drive_id)
    return _register(request, parts, by, {**typed, "drive_id": drive_id}, sighted=drive_id)


def _sighting(parts: Parts, drive_id: str) -> None:
    if all(each.drive_id != drive_id for each in parts.refused.sightings()):
        raise NotFoundError(
            f"no unregistered drive {drive_id!r} is listed: look at the list, or register it anew"
        )


def _register(
    request: Request, parts: Parts, by: str, typed: Mapping[str, str], *, sighted: str | None
) -> Response:
    now_ns = parts.now_ns()
    wrong = Wrong()
    fields = ALL_DRIVE_FIELDS if sighted is None else SIGHTED_FIELDS
    drive = _drive_typed((forms.DRIVE_ID, *fields), typed, wrong)
    chain = _chain_typed(parts, drive.drive_id if drive else "x", typed, wrong, now_ns)
    if drive is not None and not wrong:
        with Collected(wrong, _TIMES, forms.CHAIN_PREFIX):
            if sighted is not None:
                parts.operate.register_sighting(drive, chain, at_ns=now_ns, by=by)
            else:  # as an import of one: both are checked before either is stored
                _add(parts, Registration(drive, chain), now_ns, by)
            return _to_drive(drive.drive_id)
    return _drive_form(request, typed, wrong, sighted=sighted)


def _add(parts: Parts, registration: Registration, now_ns: int, by: str) -> None:
    result = parts.operate.import_registrations([registration], at_ns=now_ns, by=by)
    if result.errors:
        raise ConflictError(result.errors[0].detail)
    if not result.added:
        raise ConflictError(
            f"a drive {registration.drive.drive_id!r} is registered already: choose another id"
        )


@router.get("/drives/{drive_id}/edit", response_class=HTMLResponse)
def edit_drive(request: Request, parts: PartsDep, drive_id: str) -> HTMLResponse:
    """A form with the settings as they are."""
    drive = parts.register.drive(drive_id)
    return _drive_form(request, forms.typed_of(ALL_DRIVE_FIELDS, drive), Wrong(), drive=drive)


@router.post("/drives/{drive_id}/edit", response_class=HTMLResponse)
def change_drive(request: Request, parts: PartsDep, by: WhoDep, drive_id: str, typed: TypedDep) -> Response:
    """Change the settings of a drive."""
    before = parts.register.drive(drive_id)
    wrong = Wrong()
    drive = _drive_typed(ALL_DRIVE_FIELDS, typed, wrong, drive_id=drive_id, retired_ns=before.retired_ns)
    version = typed.get("version", "")
    if version and (found := overtaken(parts, before, version)):
        wrong.above = _first(found, wrong, before, parts)
    if drive is None or wrong:
        return _drive_form(request, typed, wrong, drive=before, status=412 if wrong.above else 422)
    with Collected(wrong, {}):
        was = before if version else None
        changed = parts.operate.change_drive(drive, was=was, at_ns=parts.now_ns(), by=by)
        return _to_drive(drive_id, "?advice=baseline" if changed.advice else "")
    now = parts.register.drive(drive_id)  # somebody was first just now
    if version and (found := overtaken(parts, now, version)):
        wrong.above = _first(found, wrong, now, parts)
    return _drive_form(request, typed, wrong, drive=now, status=412)


def _first(found: Overtaken, wrong: Wrong, now: Drive, parts: Parts) -> str:
    """Return who was first, and mark in the form what is not as it was, with what it is now."""
    for each in ALL_DRIVE_FIELDS:
        if each.name in found.changed:
            text = forms.text_of(getattr(now, each.name)) or "empty"
            wrong.fields.setdefault(each.name, f"Changed meanwhile; it is now: {text}")
    entry = found.entry
    who = (
        f"{entry.by} changed this drive on {when(entry.at_ns, parts.settings.zone)}"
        if entry
        else "It was changed"
    )
    return (
        f"{who}, after this form was opened. Look at what is marked; storing again puts in what stands here."
    )


@router.post("/drives/{drive_id}/retire", response_class=HTMLResponse)
def retire_drive(parts: PartsDep, by: WhoDep, drive_id: str) -> Response:
    """Take the drive off the board."""
    parts.operate.retire_drive(drive_id, at_ns=parts.now_ns(), by=by)
    return _to_drive(drive_id)


@router.post("/drives/{drive_id}/bring-back", response_class=HTMLResponse)
def bring_back_drive(parts: PartsDep, by: WhoDep, drive_id: str) -> Response:
    """Put it back."""
    parts.operate.bring_back_drive(drive_id, at_ns=parts.now_ns(), by=by)
    return _to_drive(drive_id)


def _drive_typed(
    fields: tuple[forms.Field, ...], typed: Mapping[str, str], wrong: Wrong, **fixed: Any
) -> Drive | None:
    values, bad = forms.values_of(fields, typed)
    wrong.fields |= bad
    if bad:
        return None
    with Collected(wrong, {}):
        return Drive(**values | fixed)
    return None


def _drive_form(
    request: Request,
    typed: Mapping[str, str],
    wrong: Wrong,
    *,
    drive: Drive | None = None,
    sighted: str | None = None,
    status: int = 422,
) -> HTMLResponse:
    values = {
        "version": version_of(drive) if drive else "",
        "typed": typed,
        "wrong": wrong,
        "drive": drive,
        "sighted": sighted,
        "id_field": forms.DRIVE_ID,
        "groups": forms.DRIVE_GROUPS,
        "chain_group": forms.CHAIN_GROUP,
        "prefix": forms.CHAIN_PREFIX,
        "defaults": forms.typed_of(ALL_DRIVE_FIELDS, Drive(drive_id="x")),
    }
    return render(request, "drive_form.html", values, status=status if wrong else 200)


# Chains and baselines


@router.get("/drives/{drive_id}/chain", response_class=HTMLResponse)
def chain_page(request: Request, parts: PartsDep, drive_id: str) -> HTMLResponse:
    """Forms to fit, take off and record a baseline."""
    return _chain_page(request, parts, drive_id)


@router.post("/drives/{drive_id}/chain/fit", response_class=HTMLResponse)
def fit_chain(request: Request, parts: PartsDep, by: WhoDep, drive_id: str, typed: TypedDep) -> Response:
    """Record that a chain is on."""
    now_ns = parts.now_ns()
    wrong = Wrong()
    chain = _chain_typed(parts, drive_id, typed, wrong, now_ns, needed=True)
    if chain is not None and not wrong:
        with Collected(wrong, _TIMES, forms.CHAIN_PREFIX):
            parts.operate.fit_chain(chain, at_ns=now_ns, by=by)
            return _to_drive(drive_id)
    return _chain_page(request, parts, drive_id, typed, wrong)


@router.post("/drives/{drive_id}/chain/take-off", response_class=HTMLResponse)
def take_off_chain(request: Request, parts: PartsDep, by: WhoDep, drive_id: str, typed: TypedDep) -> Response:
    """Record that the chain is off."""
    wrong = Wrong()
    values = timed(parts, forms.TAKE_OFF_FIELDS, typed, wrong, "off-")
    if not wrong:
        with Collected(wrong, _TIMES, "off-"):
            ended = Ended(
                kind=RemovalKind(values.pop("kind", RemovalKind.OTHER)),
                elongation_pct=values.pop("elongation_pct", None),
                u_pct=values.pop("u_pct", None),
            )
            parts.tend.take_off_chain(
                _chain_on(parts, drive_id), ended, **values, at_ns=parts.now_ns(), by=by
            )
            return RedirectResponse(f"/drives/{quote(drive_id)}/chain", 303)
    return _chain_page(request, parts, drive_id, typed, wrong)


@router.post("/drives/{drive_id}/chain/baseline", response_class=HTMLResponse)
def record_baseline(
    request: Request, parts: PartsDep, by: WhoDep, drive_id: str, typed: TypedDep
) -> Response:
    """Record a baseline of the chain that is on."""
    wrong = Wrong()
    values = timed(parts, forms.BASELINE_FIELDS, typed, wrong, "base-")
    if not wrong:
        with Collected(wrong, _TIMES, "base-"):
            said_by = values.pop("by", None) or by
            values.setdefault("why", "")
            parts.operate.record_baseline(
                _chain_on(parts, drive_id), **values, at_ns=parts.now_ns(), by=said_by
            )
            return _to_drive(drive_id)
    return _chain_page(request, parts, drive_id, typed, wrong)


def _chain_on(parts: Parts, drive_id: str) -> str:
    chain = parts.board.state(drive_id, parts.now_ns()).chain
    if chain is None:
        raise ConflictError("no chain is on this drive now: fit one first")
    return chain.chain_id


def timed(
    parts: Parts, fields: tuple[forms.Field, ...], typed: Mapping[str, str], wrong: Wrong, prefix: str
) -> dict[str, Any]:
    """Return the values of a form with its times as instants, under core's names."""
    values, bad = forms.values_of(fields, typed, prefix)
    wrong.fields |= bad
    for each in fields:
        if each.kind is forms.Kind.TIME and each.name in values:
            try:
                values[f"{each.name}_ns"] = local_ns(values.pop(each.name), parts.settings.zone)
            except ValueError as error:
                wrong.fields[prefix + each.name] = str(error)
    return values


def _chain_typed(
    parts: Parts,
    drive_id: str,
    typed: Mapping[str, str],
    wrong: Wrong,
    now_ns: int,
    *,
    needed: bool = False,
) -> Chain | None:
    """Return the chain that a form describes; None where it describes none, or where something is wrong."""
    fields = forms.CHAIN_GROUP.fields
    if not needed and not any(typed.get(forms.CHAIN_PREFIX + each.name, "").strip() for each in fields):
        return None
    found = Wrong()
    values = timed(parts, fields, typed, found, forms.CHAIN_PREFIX)
    if not found:
        values.setdefault("fitted_ns", now_ns)
        with Collected(found, _TIMES, forms.CHAIN_PREFIX):
            return parts.operate.describe_chain(drive_id, **values)
    wrong.fields |= found.fields
    wrong.above = wrong.above or found.above
    return None


def _chain_page(
    request: Request,
    parts: Parts,
    drive_id: str,
    typed: Mapping[str, str] | None = None,
    wrong: Wrong | None = None,
) -> HTMLResponse:
    now_ns = parts.now_ns()
    state = parts.board.state(drive_id, now_ns)
    values = {
        "state": state,
        "typed": typed or {},
        "wrong": wrong or Wrong(),
        "chain_group": forms.CHAIN_GROUP,
        "take_off_fields": forms.TAKE_OFF_FIELDS,
        "baseline_fields": forms.BASELINE_FIELDS,
        "prefix": forms.CHAIN_PREFIX,
        "now_local": local(now_ns, parts.settings.zone).strftime("%Y-%m-%dT%H:%M"),
    }
    return render(request, "chain.html", values, status=422 if wrong else 200, now_ns=now_ns)


def _to_drive(drive_id: str, query: str = "") -> RedirectResponse:
    return RedirectResponse(f"/drives/{quote(drive_id)}{query}", 303)
