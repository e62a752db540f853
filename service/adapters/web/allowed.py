"""Which role a route asks for.

Put beside the route as `dependencies=[needs(Role.OPERATOR)]`. A route that only reads asks for VIEWER. `create_app` refuses to
serve a route that asks for none and is not in `OPEN`.

What a browser posts with its session must carry the token of that session's forms: in a field, which the templates put into
every form, or in a header. Another site can have a browser send our cookie, and cannot read the token. (The guard refuses
such requests already by where they come from; this is for a browser that does not say so.)
"""

import hmac
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

from fastapi import Depends, FastAPI, Request
from fastapi import routing as fastapi_routing
from fastapi.dependencies.models import Dependant

from service.adapters.web.caller import FORM_FIELD, FORM_HEADER, Caller, caller_of
from service.adapters.web.problems import ProblemError
from service.core.people import Role
from service.ports import ConflictError

# What is answered to anybody: that the process lives, what it takes to sign in, and in which language.
OPEN = frozenset({"/health/live", "/api/v1/health/live", "/sign-in", "/wall/key", "/language"})
OPEN_BELOW = "/static/"
SAFE_METHODS = frozenset({"GET", "HEAD", "OPTIONS"})
_FORMS = ("application/x-www-form-urlencoded", "multipart/form-data")


class Needs:
    """Lets a request pass that comes from somebody of a role or more."""

    def __init__(self, role: Role) -> None:
        self.role = role

    async def __call__(self, request: Request) -> None:
        """Raise ProblemError (403) where it does not."""
        caller = caller_of(request)
        if caller.role < self.role:
            raise ProblemError(
                403,
                f"this is for {_article(self.role.word)} or more, and {caller.name} is {caller.role.word}: ask an "
                "administrator for another role, or somebody who has it",
            )
        if caller.secret and request.method not in SAFE_METHODS and not await _carries_token(request, caller):
            raise ProblemError(
                403,
                "the form is not of this session: load its page again and send it once more (a program uses a token "
                f"in place of a session, or sends the header {FORM_HEADER})",
            )


def needs(role: Role) -> Any:
    """Return what lets a request pass that comes from somebody of that role or more."""
    return Depends(Needs(role))


def _logins_on(request: Request) -> None:
    if request.app.state.parts.logins is None:
        raise ConflictError(
            'logins are off, so that there is nobody to let in: set web.login = "on" and start again'
        )


LOGINS_ON = Depends(_logins_on)  # beside routes that change who may come in


async def _carries_token(request: Request, caller: Caller) -> bool:
    given: object = request.headers.get(FORM_HEADER, "")
    if not given and request.headers.get("content-type", "").startswith(_FORMS):
        given = (await request.form()).get(FORM_FIELD, "")
    return isinstance(given, str) and hmac.compare_digest(given.encode(), caller.form_token.encode())


def _article(word: str) -> str:
    return f"an {word}" if word[0] in "aeio" else f"a {word}"


@dataclass(frozen=True, slots=True, kw_only=True)
class Guarded:
    """A route of the app: its path, its methods, and the role that it asks for; None where it asks for none."""

    path: str
    methods: frozenset[str]
    role: Role | None


def guarded_routes(app: FastAPI) -> list[Guarded]:
    """Return the routes that are ours: not the description of the API, nor static files."""
    found = []
    for route in fastapi_routing.iter_route_contexts(app.routes):
        dependant: Dependant | None = getattr(route, "dependant", None)
        if route.path is None or dependant is None:
            continue
        role = max((each.role for each in _needs_of(dependant)), default=None)
        found.append(Guarded(path=route.path, methods=frozenset(route.methods or ()), role=role))
    return found


def refuse_unguarded(app: FastAPI) -> None:
    """Raise RuntimeError where a route asks for no role and is not open to all: a fault of ours, told at the start."""
    for route in guarded_routes(app):
        if route.path not in OPEN and route.role is None:
            raise RuntimeError(
                f"route {route.path} asks for no role: put needs(Role.VIEWER) or more beside it"
            )


def _needs_of(dependant: Dependant) -> Iterator[Needs]:
    for each in dependant.dependencies:
        if isinstance(each.call, Needs):
            yield each.call
        yield from _needs_of(each)
