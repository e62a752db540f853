"""Door: an administrator lets people and programs in, and keeps them out.

Knows the ports and core; must not know how the administrator came in. `at_ns` is now, read once by the caller; `by` is who
acted. What was got wrong raises, with the fix in words, as in `operate`. Passwords and tokens that are made here are returned
once and kept nowhere.
"""

import secrets
from collections.abc import Sequence
from dataclasses import dataclass, replace

import structlog

from service.core.audit import AuditEntry, entry_of
from service.core.fields import FieldsRefusedError
from service.core.people import DAY_NS, FIRST_NAME, TOKEN_DAYS_MAX, Person, Role, Token
from service.ports import ConflictError, FirstPassword, NotFoundError, PasswordHashes, Stores
from service.sign_in import ONE_TIME_BYTES, SECRET_BYTES, TOKEN_PREFIX, hash_of, name_key

log = structlog.get_logger()


@dataclass(frozen=True, slots=True)
class Admitted:
    """A person, and the password that is good for the first sign-in."""

    person: Person
    password: str


@dataclass(frozen=True, slots=True)
class Issued:
    """A token, and the text that a program shows."""

    token: Token
    text: str


class Admit:
    """Who may come in."""

    def __init__(self, stores: Stores, hashes: PasswordHashes, first_password: FirstPassword) -> None:
        self._people, self._sessions, self._tokens = stores.people, stores.sessions, stores.tokens
        self._guesses, self._audit_log = stores.guess_counts, stores.audit_log
        self._hashes, self._first_password = hashes, first_password

    def people(self) -> list[Person]:
        """Return all, by name."""
        return self._people.people()

    def tokens(self) -> list[Token]:
        """Return all, by name."""
        return self._tokens.tokens()

    def add_person(self, name: str, role: Role, *, full_name: str = "", at_ns: int, by: str) -> Admitted:
        """Add a person and return them with a one-time password. Raises ConflictError, FieldsRefusedError."""
        password = secrets.token_urlsafe(ONE_TIME_BYTES)
        person = Person(
            name=name,
            full_name=full_name,
            role=role,
            password_hash=self._hashes.hashed(password),
            must_change=True,
            added_ns=at_ns,
        )
        self._people.add(person, entry=_entry("person added", None, person, at_ns, by))
        log.info("person added", person=name, role=role.word, by=by)
        return Admitted(person, password)

    def change_role(self, name: str, role: Role, *, why: str = "", at_ns: int, by: str) -> Person:
        """Give a person another role and return them. Raises NotFoundError, ConflictError (the last administrator)."""
        before = self._person(name)
        if before.role is role:
            raise ConflictError(f"{name!r} is {role.word} already: nothing to do")
        return self._change("role changed", before, replace(before, role=role), why, at_ns, by)

    def lock(self, name: str, *, why: str = "", at_ns: int, by: str) -> Person:
        """Keep a person out from now on and return them. Raises NotFoundError, ConflictError."""
        before = self._person(name)
        if before.locked_ns is not None:
            raise ConflictError(f"{name!r} is locked already: nothing to do")
        locked = self._change("person locked", before, replace(before, locked_ns=at_ns), why, at_ns, by)
        self._sessions.close_all(name)
        return locked

    def unlock(self, name: str, *, why: str = "", at_ns: int, by: str) -> Person:
        """Let a person in again and end their wait after wrong guesses; return them. Raises NotFoundError."""
        before = self._person(name)
        self._guesses.forget(name_key(name))
        if before.locked_ns is None:  # only the wait is ended, which is no part of the person
            self._audit_log.record(_entry("wait ended", before, before, at_ns, by, why))
            return before
        return self._change("person unlocked", before, replace(before, locked_ns=None), why, at_ns, by)

    def reset(self, name: str, *, why: str = "", at_ns: int, by: str) -> Admitted:
        """Give a person a one-time password and return it; their sessions end. Raises NotFoundError."""
        before = self._person(name)
        password = secrets.token_urlsafe(ONE_TIME_BYTES)
        after = replace(before, password_hash=self._hashes.hashed(password), must_change=True)
        self._change("password reset", before, after, why, at_ns, by)
        self._guesses.forget(name_key(name))
        self._sessions.close_all(name)
        if name == FIRST_NAME:
            self._first_password.remove()
        return Admitted(after, password)

    def add_token(
        self, name: str, role: Role, *, only: Sequence[str] = (), days: int, at_ns: int, by: str
    ) -> Issued:
        """Add a token and return it with its text. Raises ConflictError, FieldsRefusedError."""
        if not 1 <= days <= TOKEN_DAYS_MAX:
            raise FieldsRefusedError(
                {"days": f"{days} is not within 1 to {TOKEN_DAYS_MAX}; a token ends some day"}
            )
        text = TOKEN_PREFIX + secrets.token_urlsafe(SECRET_BYTES)
        token = Token(
            name=name,
            role=role,
            only=tuple(dict.fromkeys(only)),
            secret_hash=hash_of(text),
            added_ns=at_ns,
            added_by=by,
            expires_ns=at_ns + days * DAY_NS,
        )
        entry = entry_of(at_ns=at_ns, by=by, what="token added", subject=f"token {name}", new=token)
        self._tokens.add(token, entry=entry)
        log.info("token added", token=name, role=role.word, by=by)
        return Issued(token, text)

    def revoke_token(self, name: str, *, why: str = "", at_ns: int, by: str) -> None:
        """Let a token count no more. Raises NotFoundError, ConflictError (it is revoked already)."""
        entry = entry_of(
            at_ns=at_ns,
            by=by,
            what="token revoked",
            subject=f"token {name}",
            new={"revoked_ns": at_ns},
            why=why,
        )
        self._tokens.revoke(name, at_ns, entry=entry)
        log.info("token revoked", token=name, by=by)

    def _person(self, name: str) -> Person:
        person = self._people.person(name)
        if person is None:
            raise NotFoundError(f"there is no person {name!r}: correct the name")
        return person

    def _change(self, what: str, before: Person, after: Person, why: str, at_ns: int, by: str) -> Person:
        self._people.change(after, entry=_entry(what, before, after, at_ns, by, why))
        log.info(what, person=after.name, role=after.role.word, by=by)
        return after


def _entry(what: str, before: Person | None, after: Person, at_ns: int, by: str, why: str = "") -> AuditEntry:
    return entry_of(
        at_ns=at_ns, by=by, what=what, subject=f"person {after.name}", old=before, new=after, why=why
    )
