"""API: who may come in, tokens of programs, what people changed, and who asks.

A one-time password and the text of a token are in the answer to the request that made them, and nowhere else ever.
"""

from collections.abc import Callable
from functools import partial
from typing import Annotated, Any, Self, TypeVar

from anyio.to_thread import run_sync
from fastapi import APIRouter, Path, Query, Request, Response
from pydantic import ConfigDict, Field

from service.adapters.web.allowed import LOGINS_ON, needs
from service.adapters.web.caller import caller_of
from service.adapters.web.instants import Instant
from service.adapters.web.parts import Parts, PartsDep, WhoDep
from service.adapters.web.problems import refusals, responses
from service.adapters.web.schemas import In, Out
from service.admit import Admit
from service.core.audit import AuditEntry, Value
from service.core.people import ROLE_WORDS, Person, Role, Token, role_of
from service.ports import ConflictError

router = APIRouter(tags=["people"])

ADMINISTRATOR = [needs(Role.ADMINISTRATOR)]
CHANGES = [needs(Role.ADMINISTRATOR), LOGINS_ON]
AUDIT_ROWS_MAX = 1000
T_NS = 1_764_058_500 * 10**9
ROLES = " or ".join(ROLE_WORDS)
Name = Annotated[str, Path(description="Name of a person", examples=["m.brandt"])]
TokenName = Annotated[str, Path(description="Name of a token", examples=["scada"])]
Result = TypeVar("Result")

_PERSON: dict[str, Any] = {
    "name": "m.brandt",
    "full_name": "Mara Brandt",
    "role": "operator",
    "must_change_password": False,
    "added": "2025-11-25T08:15:00Z",
    "locked": None,
}
_TOKEN: dict[str, Any] = {
    "name": "scada",
    "role": "viewer",
    "only": ["alerts", "readings"],
    "added": "2025-11-25T08:15:00Z",
    "added_by": "admin",
    "expires": "2026-11-25T08:15:00Z",
    "used": "2025-12-24T08:15:00Z",
    "revoked": None,
    "good": True,
}


class MeOut(Out):
    """Who asks."""

    model_config = ConfigDict(
        json_schema_extra={
            "examples": [{"name": "token scada", "role": "viewer", "only": [], "expires": None}]
        }
    )

    name: str = Field(description="What is written beside what you do")
    role: str = Field(description=ROLES)
    only: list[str] = Field(description="Parts of the API that a token may use; empty: all that its role may")
    expires: Instant | None = Field(description="When a token ends")


class PersonOut(Out):
    """Somebody who may sign in."""

    model_config = ConfigDict(json_schema_extra={"examples": [_PERSON]})

    name: str
    full_name: str
    role: str = Field(description=ROLES)
    must_change_password: bool = Field(
        description="The password was given by somebody else, and not yet changed"
    )
    added: Instant
    locked: Instant | None = Field(description="Since when this person is kept out")

    @classmethod
    def of(cls, person: Person) -> Self:
        """Return a person as the API gives it."""
        return cls.model_construct(
            name=person.name,
            full_name=person.full_name,
            role=person.role.word,
            must_change_password=person.must_change,
            added=person.added_ns,
            locked=person.locked_ns,
        )


class AdmittedOut(Out):
    """A person, and the password for the first sign-in."""

    model_config = ConfigDict(
        json_schema_extra={"examples": [{"person": _PERSON, "one_time_password": "k3J...20 characters"}]}
    )

    person: PersonOut
    one_time_password: str = Field(
        description="Shown this once; another one must be chosen at the first sign-in"
    )


class PersonIn(In):
    """Somebody to be let in."""

    model_config = ConfigDict(
        json_schema_extra={"examples": [{"name": "m.brandt", "full_name": "Mara Brandt", "role": "operator"}]}
    )

    name: str = Field(max_length=200, description="To sign in with; it stays, and is never given twice")
    full_name: str = Field(default="", max_length=200)
    role: str = Field(max_length=40, description=ROLES)


class WhyIn(In):
    """Why it is done."""

    model_config = ConfigDict(json_schema_extra={"examples": [{"why": "left the plant"}]})

    why: str = Field(default="", max_length=2000, description="Kept in the audit log")


class RoleIn(WhyIn):
    """Another role."""

    model_config = ConfigDict(json_schema_extra={"examples": [{"role": "engineer", "why": "new duty"}]})

    role: str = Field(max_length=40, description=ROLES)


class TokenOut(Out):
    """A token, without its text."""

    model_config = ConfigDict(json_schema_extra={"examples": [_TOKEN]})

    name: str
    role: str
    only: list[str] = Field(description="Parts of the API that it may use; empty: all that its role may")
    added: Instant
    added_by: str
    expires: Instant
    used: Instant | None = Field(description="When it was shown last, to the minute")
    revoked: Instant | None
    good: bool = Field(description="Whether it counts now")

    @classmethod
    def of(cls, token: Token, now_ns: int) -> Self:
        """Return a token as the API gives it."""
        return cls.model_construct(
            name=token.name,
            role=token.role.word,
            only=list(token.only),
            added=token.added_ns,
            added_by=token.added_by,
            expires=token.expires_ns,
            used=token.used_ns,
            revoked=token.revoked_ns,
            good=token.good_at(now_ns),
        )


class IssuedOut(Out):
    """A token, and its text."""

    model_config = ConfigDict(
        json_schema_extra={"examples": [{"token": _TOKEN, "text": "linklag_...43 characters"}]}
    )

    token: TokenOut
    text: str = Field(description="What the program shows: Authorization: Bearer TEXT. Shown this once")


class TokenIn(In):
    """A token to be made."""

    model_config = ConfigDict(
        json_schema_extra={
            "examples": [{"name": "scada", "role": "viewer", "only": ["alerts", "readings"], "days": 365}]
        }
    )

    name: str = Field(max_length=200, description="What is written beside what it does, after the word token")
    role: str = Field(max_length=40, description="viewer, operator or engineer")
    only: list[Annotated[str, Field(max_length=40)]] = Field(
        default_factory=list,
        max_length=40,
        description="Parts of the API that it may use, as alerts; empty: all",
    )
    days: int = Field(description="Days until it expires, 1 to 3650")


class EntryOut(Out):
    """One change."""

    model_config = ConfigDict(
        json_schema_extra={
            "examples": [
                {
                    "number": 17,
                    "at": "2025-11-25T08:15:00Z",
                    "by": "m.brandt",
                    "what": "drive changed",
                    "subject": "drive infeed-2",
                    "old": {"whole_pitches": 20},
                    "new": {"whole_pitches": 22},
                    "why": "",
                }
            ]
        }
    )

    number: int = Field(description="Counts changes in the order in which they were stored")
    at: Instant
    by: str = Field(description="A person, a token, or the address where logins are off")
    what: str
    subject: str
    old: dict[str, Value] = Field(description="The fields that differ, before; empty for what was added")
    new: dict[str, Value] = Field(description="The same, after")
    why: str

    @classmethod
    def of(cls, entry: AuditEntry) -> Self:
        """Return an entry as the API gives it."""
        return cls.model_construct(
            number=entry.number,
            at=entry.at_ns,
            by=entry.by,
            what=entry.what,
            subject=entry.subject,
            old=dict(entry.old),
            new=dict(entry.new),
            why=entry.why,
        )


@router.get("/me", summary="Who you are", responses=responses())
def me(request: Request) -> MeOut:
    """Under which name and role a request with this session or token comes."""
    caller = caller_of(request)
    token = caller.token
    return MeOut.model_construct(
        name=caller.name,
        role=caller.role.word,
        only=list(token.only) if token else [],
        expires=token.expires_ns if token else None,
    )


@router.get("/people", summary="List the people", responses=responses(), dependencies=ADMINISTRATOR)
def list_people(parts: PartsDep) -> list[PersonOut]:
    """All who may sign in, by name; those that are locked too."""
    return [PersonOut.of(each) for each in parts.people.people()]


@router.post(
    "/people", status_code=201, summary="Let somebody in", responses=responses(409, 413), dependencies=CHANGES
)
async def add_person(parts: PartsDep, by: WhoDep, given: PersonIn, response: Response) -> AdmittedOut:
    """Add a person. The answer has the password for the first sign-in, at which another one must be chosen."""
    with refusals():
        admitted = await slowly(
            parts,
            partial(
                admit_of(parts).add_person,
                given.name,
                role_of(given.role),
                full_name=given.full_name,
                at_ns=parts.now_ns(),
                by=by,
            ),
        )
    response.headers["Location"] = f"/api/v1/people/{admitted.person.name}"
    return AdmittedOut.model_construct(
        person=PersonOut.of(admitted.person), one_time_password=admitted.password
    )


@router.post(
    "/people/{name}/role",
    summary="Give a person another role",
    responses=responses(404, 409, 413),
    dependencies=CHANGES,
)
def change_role(parts: PartsDep, by: WhoDep, name: Name, given: RoleIn) -> PersonOut:
    """It counts at once, in open sessions too. 409 for the last administrator."""
    with refusals():
        role = role_of(given.role)
    return PersonOut.of(
        admit_of(parts).change_role(name, role, why=given.why.strip(), at_ns=parts.now_ns(), by=by)
    )


@router.post(
    "/people/{name}/lock",
    summary="Keep a person out",
    responses=responses(404, 409, 413),
    dependencies=CHANGES,
)
def lock(parts: PartsDep, by: WhoDep, name: Name, given: WhyIn) -> PersonOut:
    """Their sessions end, and they cannot sign in until unlocked. 409 for the last administrator."""
    return PersonOut.of(admit_of(parts).lock(name, why=given.why.strip(), at_ns=parts.now_ns(), by=by))


@router.post(
    "/people/{name}/unlock",
    summary="Let a person in again",
    responses=responses(404, 409, 413),
    dependencies=CHANGES,
)
def unlock(parts: PartsDep, by: WhoDep, name: Name, given: WhyIn) -> PersonOut:
    """Ends a lock, and the wait after wrong guesses too."""
    return PersonOut.of(admit_of(parts).unlock(name, why=given.why.strip(), at_ns=parts.now_ns(), by=by))


@router.post(
    "/people/{name}/reset",
    summary="Give a person a new password",
    responses=responses(404, 409, 413),
    dependencies=CHANGES,
)
async def reset(parts: PartsDep, by: WhoDep, name: Name, given: WhyIn) -> AdmittedOut:
    """Their sessions end. The answer has a password for one sign-in, at which another one must be chosen."""
    admitted = await slowly(
        parts, partial(admit_of(parts).reset, name, why=given.why.strip(), at_ns=parts.now_ns(), by=by)
    )
    return AdmittedOut.model_construct(
        person=PersonOut.of(admitted.person), one_time_password=admitted.password
    )


@router.get("/tokens", summary="List the tokens", responses=responses(), dependencies=ADMINISTRATOR)
def list_tokens(parts: PartsDep) -> list[TokenOut]:
    """All, by name, with when each was used last; never their text."""
    now_ns = parts.now_ns()
    return [TokenOut.of(each, now_ns) for each in parts.tokens.tokens()]


@router.post(
    "/tokens", status_code=201, summary="Make a token", responses=responses(409, 413), dependencies=CHANGES
)
def add_token(parts: PartsDep, by: WhoDep, given: TokenIn) -> IssuedOut:
    """Make a token for a program. The answer has its text, of which only a hash is kept."""
    now_ns = parts.now_ns()
    with refusals():
        issued = admit_of(parts).add_token(
            given.name, role_of(given.role), only=given.only, days=given.days, at_ns=now_ns, by=by
        )
    return IssuedOut.model_construct(token=TokenOut.of(issued.token, now_ns), text=issued.text)


@router.delete(
    "/tokens/{name}",
    status_code=204,
    summary="Revoke a token",
    responses=responses(404, 409),
    dependencies=CHANGES,
)
def revoke_token(
    parts: PartsDep,
    by: WhoDep,
    name: TokenName,
    why: Annotated[str, Query(max_length=2000, description="Kept in the audit log")] = "",
) -> None:
    """It counts no more from now on. It stays in the list, and its name stays taken."""
    admit_of(parts).revoke_token(name, why=why.strip(), at_ns=parts.now_ns(), by=by)


@router.get(
    "/audit", summary="What people changed", responses=responses(), dependencies=[needs(Role.ENGINEER)]
)
def list_audit(
    parts: PartsDep,
    before: Annotated[
        int | None, Query(ge=1, le=2**62, description="Only numbers below this: the next page")
    ] = None,
    subject: Annotated[str | None, Query(max_length=300, description="As drive infeed-2")] = None,
    by: Annotated[str | None, Query(max_length=300, description="Who made the change")] = None,
    rows_max: Annotated[int, Query(ge=1, le=AUDIT_ROWS_MAX)] = 100,
) -> list[EntryOut]:
    """The newest first. What happens to alerts is not here: their own history has who did what."""
    found = parts.audit_log.entries(before=before, subject=subject, by=by, rows_max=rows_max)
    return [EntryOut.of(each) for each in found]


def admit_of(parts: Parts) -> Admit:
    """Return the door that lets people in. Raises ConflictError where logins are off."""
    if parts.logins is None:
        raise ConflictError('logins are off: set web.login = "on" and start again')
    return parts.logins.admit


async def slowly(parts: Parts, call: Callable[[], Result]) -> Result:
    """Return what a call gives that hashes a password: in a thread, and only a few at once."""
    limiter = None if parts.logins is None else parts.logins.slowly
    return await run_sync(call, limiter=limiter)
