"""In-memory stand-ins for people, sessions, tokens and the audit log, as tests/fakes.py has the others."""

import hashlib
from collections.abc import Mapping
from dataclasses import replace

from service.core.audit import AuditEntry
from service.core.people import Guesses, Patience, Person, Session, Token, one_more, wait_ns
from service.ports import ConflictError, NotFoundError, StoreUnavailableError


class FakeAuditLog:
    """What people changed, in a list."""

    def __init__(self) -> None:
        self.down: str | None = None
        self._entries: list[AuditEntry] = []

    def record(self, entry: AuditEntry | None) -> None:
        if self.down is not None:
            raise StoreUnavailableError(self.down)
        if entry is not None:
            self._entries.append(replace(entry, number=len(self._entries) + 1))

    def entries(
        self,
        *,
        before: int | None = None,
        subject: str | None = None,
        by: str | None = None,
        rows_max: int = 100,
    ) -> list[AuditEntry]:
        if self.down is not None:
            raise StoreUnavailableError(self.down)
        found = [
            entry
            for entry in reversed(self._entries)
            if (before is None or entry.number < before)
            and subject in {None, entry.subject}
            and by in {None, entry.by}
        ]
        return found[:rows_max]


class _Fake:
    """What every stand-in can do: be down."""

    down: str | None = None

    def _refuse_if_down(self) -> None:
        if self.down is not None:
            raise StoreUnavailableError(self.down)


class FakePeople(_Fake):
    """The port `People` in memory."""

    def __init__(self, audit_log: FakeAuditLog | None = None) -> None:
        self._audit_log = audit_log or FakeAuditLog()
        self._people: dict[str, Person] = {}

    def people(self) -> list[Person]:
        self._refuse_if_down()
        return [self._people[name] for name in sorted(self._people)]

    def person(self, name: str) -> Person | None:
        self._refuse_if_down()
        return self._people.get(name)

    def add(self, person: Person, *, entry: AuditEntry | None = None) -> None:
        if self.person(person.name) is not None:
            raise ConflictError(f"there is a person {person.name!r} already: choose another name")
        self._people[person.name] = person
        self._audit_log.record(entry)

    def add_first(self, person: Person, *, entry: AuditEntry | None = None) -> bool:
        if self.people():
            return False
        self.add(person, entry=entry)
        return True

    def change(self, person: Person, *, entry: AuditEntry | None = None) -> None:
        before = self.person(person.name)
        if before is None:
            raise NotFoundError(f"there is no person {person.name!r}: correct the name")
        if before == person:
            return
        after = self._people | {person.name: person}
        if before.may_administer and not any(one.may_administer for one in after.values()):
            raise ConflictError(
                f"{person.name!r} is the last administrator who can sign in: make another first"
            )
        self._people = after
        self._audit_log.record(entry)


class FakeSessions(_Fake):
    """The port `Sessions` in memory, beside the people whose sessions they are."""

    def __init__(self, people: FakePeople) -> None:
        self._people = people
        self._sessions: dict[str, Session] = {}

    def open(self, session: Session) -> None:
        self._refuse_if_down()
        kept = {key: one for key, one in self._sessions.items() if one.ends_ns > session.opened_ns}
        self._sessions = kept | {session.secret_hash: session}

    def find(self, secret_hash: str) -> tuple[Session, Person] | None:
        self._refuse_if_down()
        session = self._sessions.get(secret_hash)
        person = None if session is None else self._people.person(session.name)
        return None if session is None or person is None else (session, person)

    def seen(self, secret_hash: str, at_ns: int) -> None:
        self._refuse_if_down()
        if secret_hash in self._sessions:
            self._sessions[secret_hash] = replace(self._sessions[secret_hash], seen_ns=at_ns)

    def close(self, secret_hash: str) -> None:
        self._refuse_if_down()
        self._sessions.pop(secret_hash, None)

    def close_all(self, name: str, *, but: str | None = None) -> None:
        self._refuse_if_down()
        self._sessions = {
            key: session for key, session in self._sessions.items() if session.name != name or key == but
        }


class FakeTokens(_Fake):
    """The port `Tokens` in memory."""

    def __init__(self, audit_log: FakeAuditLog | None = None) -> None:
        self._audit_log = audit_log or FakeAuditLog()
        self._tokens: dict[str, Token] = {}

    def tokens(self) -> list[Token]:
        self._refuse_if_down()
        return [self._tokens[name] for name in sorted(self._tokens)]

    def find(self, secret_hash: str) -> Token | None:
        return next((one for one in self.tokens() if one.secret_hash == secret_hash), None)

    def add(self, token: Token, *, entry: AuditEntry | None = None) -> None:
        self._refuse_if_down()
        if token.name in self._tokens:
            raise ConflictError(f"there is a token {token.name!r} already: choose another name")
        self._tokens[token.name] = token
        self._audit_log.record(entry)

    def revoke(self, name: str, at_ns: int, *, entry: AuditEntry | None = None) -> None:
        self._refuse_if_down()
        if name not in self._tokens:
            raise NotFoundError(f"there is no token {name!r}: correct the name")
        if self._tokens[name].revoked_ns is not None:
            raise ConflictError(f"token {name!r} is revoked already: nothing to do")
        self._tokens[name] = replace(self._tokens[name], revoked_ns=at_ns)
        self._audit_log.record(entry)

    def used(self, name: str, at_ns: int) -> None:
        self._refuse_if_down()
        if name in self._tokens:
            self._tokens[name] = replace(self._tokens[name], used_ns=at_ns)


class FakeGuessCounts(_Fake):
    """The port `GuessCounts` in memory. Beyond `counts_max` those not heard of for longest go."""

    def __init__(self, counts_max: int = 10_000) -> None:
        self._counts_max = counts_max
        self._counts: dict[str, Guesses] = {}

    def begin(self, keys: Mapping[str, Patience], at_ns: int) -> int:
        self._refuse_if_down()
        waits = [wait_ns(self._counts.get(key), patience, at_ns) for key, patience in keys.items()]
        if any(waits):
            return max(waits)
        for key, patience in keys.items():
            self._counts[key] = one_more(self._counts.get(key), patience, at_ns)
        kept = sorted(self._counts, key=lambda key: (-self._counts[key].last_ns, key))[: self._counts_max]
        self._counts = {key: self._counts[key] for key in kept}
        return 0

    def take_back(self, key: str) -> None:
        self._refuse_if_down()
        if key in self._counts:
            held = self._counts[key]
            self._counts[key] = replace(held, count=max(0, held.count - 1))

    def forget(self, key: str) -> None:
        self._refuse_if_down()
        self._counts.pop(key, None)


class FakePasswordHashes:
    """The port `PasswordHashes`, quick: the hash is a digest with a salt. Counts how often it was asked."""

    def __init__(self) -> None:
        self.asked = 0
        self.usual = "1"  # what hashes are made with now
        self._salt = 0

    def hashed(self, password: str) -> str:
        self._salt += 1
        return f"{self.usual}${self._salt}${self._digest(str(self._salt), password)}"

    def agrees(self, password_hash: str, password: str) -> bool:
        self.asked += 1
        _, salt, digest = password_hash.split("$")
        return self._digest(salt, password) == digest

    def outdated(self, password_hash: str) -> bool:
        return not password_hash.startswith(f"{self.usual}$")

    def _digest(self, salt: str, password: str) -> str:
        return hashlib.sha256(f"{salt} {password}".encode()).hexdigest()


class FakeFirstPassword:
    """The port `FirstPassword` in memory."""

    where = "a file of the test"

    def __init__(self) -> None:
        self.prepared: str | None = None
        self.published: str | None = None

    def prepare(self, password: str) -> None:
        self.prepared = password

    def publish(self) -> None:
        self.published, self.prepared = self.prepared, None

    def remove(self) -> None:
        self.published = self.prepared = None
