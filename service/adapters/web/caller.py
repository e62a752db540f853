"""Who asks: a person, a program, or anybody at this machine where logins are off. Found by `access`, asked for by the routes."""

import hashlib
from dataclasses import dataclass
from typing import cast

from starlette.requests import Request

from service.core.people import Person, Role, Token

FORM_FIELD = "form_token"
FORM_HEADER = "X-Form-Token"


@dataclass(frozen=True, slots=True, kw_only=True)
class Caller:
    """name: what is written beside what is done. secret: of the session; "" for programs and where logins are off."""

    name: str
    role: Role
    person: Person | None = None
    token: Token | None = None
    secret: str = ""

    @property
    def form_token(self) -> str:
        """What a form of this session carries, so that no other site can make one: a hash, from which no secret follows."""
        return hashlib.sha256(f"form {self.secret}".encode()).hexdigest() if self.secret else ""


def caller_of(request: Request) -> Caller:
    """Return who asks. There is always somebody behind `access`, but for what is open to all."""
    return cast("Caller", request.state.caller)


def caller_or_none(request: Request) -> Caller | None:
    """Return who asks, None where nobody is known."""
    return getattr(request.state, "caller", None)


def address_of(request: Request) -> str:
    """Return the address that a request came from."""
    return request.client.host if request.client else "unknown"
