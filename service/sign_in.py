"""Door: a person comes in, or a program shows its token.

Knows the ports and core; must not know cookies, forms or headers. `at_ns` is now, read once by the caller. Whoever guesses is
told nothing: a wrong password, a name that nobody has and a person who is locked get the same answer after the same work, and
wait alike. Checking a password takes a good part of a second: call this in a thread, and only a few at once.

What is remembered of a guess is the hash of the name that was typed, for people type passwords there by mistake; no name
that nobody has comes to the log either.
"""

import hashlib
import secrets
from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import cached_property
from ipaddress import IPv6Address, ip_address

import structlog

from service.core.audit import entry_of
from service.core.fields import FieldsRefusedError
from service.core.people import (
    FIRST_NAME,
    FOR_A_NAME,
    FOR_AN_ADDRESS,
    PASSWORD_CHARS_MAX,
    SECOND_NS,
    Person,
    Role,
    Session,
    Token,
    password_problem,
    wait_words,
)
from service.ports import FirstPassword, GuessCounts, PasswordHashes, Stores, StoreUnavailableError

log = structlog.get_logger()

TOKEN_PREFIX = "linklag_"  # noqa: S105 - so that a scanner of secrets, or a person, knows one where it should not be
SECRET_BYTES = 32
SEEN_EVERY_NS = 60 * SECOND_NS  # use is written down no more often
ONE_TIME_BYTES = 15  # of a password that is good for one sign-in: 20 characters


class NotSignedInError(Exception):
    """Name and password do not belong together; or there is no such person; or the person is locked. Never said which."""

    def __init__(self) -> None:
        super().__init__(
            "this name with this password does not let you in: try again, or ask an administrator for a new password"
        )


class MustWaitError(Exception):
    """There were too many wrong guesses with that name, or from that address."""

    def __init__(self, wait_ns: int) -> None:
        self.wait_s = -(-wait_ns // SECOND_NS)
        super().__init__(
            f"there were too many wrong guesses: wait {wait_words(self.wait_s)} and try again, or ask an administrator, who "
            "can end the wait"
        )


@dataclass(frozen=True, slots=True)
class SessionLength:
    """How long somebody stays signed in: in all, and without doing anything."""

    whole_ns: int = 12 * 3600 * SECOND_NS
    idle_ns: int = 2 * 3600 * SECOND_NS


@dataclass(frozen=True, slots=True)
class SignedIn:
    """Who came in, and the secret by which the browser will be known."""

    person: Person
    secret: str
    session: Session


class SignIn:
    """How people and programs come in."""

    def __init__(
        self,
        stores: Stores,
        hashes: PasswordHashes,
        first_password: FirstPassword,
        length: SessionLength | None = None,
    ) -> None:
        self._people, self._sessions, self._tokens = stores.people, stores.sessions, stores.tokens
        self._guesses: GuessCounts = stores.guess_counts
        self._hashes, self._first_password = hashes, first_password
        self._length = length or SessionLength()
        self._not_noted_ns: dict[
            str, int
        ] = {}  # when their use could not be written down, by session and token

    # People

    def sign_in(self, name: str, password: str, *, address: str, at_ns: int) -> SignedIn:
        """Open a session and return it. Raises NotSignedInError, MustWaitError, StoreUnavailableError."""
        person = self._checked(name, password, address, at_ns)
        secret = secrets.token_urlsafe(SECRET_BYTES)
        session = Session(
            secret_hash=hash_of(secret),
            name=person.name,
            opened_ns=at_ns,
            seen_ns=at_ns,
            ends_ns=at_ns + self._length.whole_ns,
        )
        self._sessions.open(session)
        log.info("signed in", person=person.name, address=address)
        return SignedIn(person, secret, session)

    def sign_out(self, secret: str) -> None:
        """End a session."""
        self._sessions.close(hash_of(secret))

    def by_session(self, secret: str, at_ns: int) -> tuple[Session, Person] | None:
        """Return the session of that secret and whose it is; None where it is over, or its person is locked."""
        found = self._sessions.find(hash_of(secret))
        if found is None:
            return None
        session, person = found
        if person.locked_ns is not None or not session.open_at(at_ns, self._length.idle_ns):
            return None
        if at_ns - session.seen_ns >= SEEN_EVERY_NS:
            self._note_use(session.secret_hash, at_ns, self._sessions.seen)
        return session, person

    def change_password(
        self, name: str, old: str, new: str, *, secret: str, address: str, at_ns: int
    ) -> None:
        """Take another password. All other sessions of that person end.

        secret: of the session that stays. Raises NotSignedInError (the old one is wrong), MustWaitError,
        FieldsRefusedError (the new one will not do).
        """
        person = self._checked(name, old, address, at_ns)
        problem = "it is the old one; take another" if old == new else password_problem(new, name)
        if problem is not None:
            raise FieldsRefusedError({"new": problem})
        changed = replace(person, password_hash=self._hashes.hashed(new), must_change=False)
        entry = entry_of(at_ns=at_ns, by=name, what="password changed", subject=f"person {name}")
        self._people.change(changed, entry=entry)
        self._sessions.close_all(name, but=hash_of(secret))
        if name == FIRST_NAME:
            self._first_password.remove()
        log.info("password changed", person=name, address=address)

    def _checked(self, name: str, password: str, address: str, at_ns: int) -> Person:
        """Return the person whose password it is. The guess is counted before it is looked at."""
        name = name.strip().lower()
        of_name, of_address = name_key(name), _address_key(address)
        if wait_ns := self._guesses.begin({of_name: FOR_A_NAME, of_address: FOR_AN_ADDRESS}, at_ns):
            log.warning("guesser waits", address=address, wait_s=wait_ns // SECOND_NS)
            raise MustWaitError(wait_ns)
        person = self._people.person(name)
        of_whom = self._of_nobody if person is None else person.password_hash
        agrees = self._hashes.agrees(of_whom, password[: PASSWORD_CHARS_MAX + 1])
        if person is None or person.locked_ns is not None or not agrees:
            log.warning("not signed in", person=person.name if person else None, address=address)
            raise NotSignedInError
        self._guesses.forget(of_name)
        self._guesses.take_back(of_address)
        if self._hashes.outdated(person.password_hash):
            person = replace(person, password_hash=self._hashes.hashed(password))
            self._people.change(person)
        return person

    @cached_property
    def _of_nobody(self) -> str:
        """The hash that the password of a name that nobody has is held against, for the same work."""
        return self._hashes.hashed(secrets.token_urlsafe(SECRET_BYTES))

    # Programs

    def by_token(self, text: str, at_ns: int) -> Token | None:
        """Return the token of that text; None where there is none, or it is over."""
        token = self._tokens.find(hash_of(text)) if text.startswith(TOKEN_PREFIX) else None
        if token is None or not token.good_at(at_ns):
            return None
        if token.used_ns is None or at_ns - token.used_ns >= SEEN_EVERY_NS:
            self._note_use(token.name, at_ns, self._tokens.used)
        return token

    def _note_use(self, of: str, at_ns: int, note: Callable[[str, int], None]) -> None:
        """Write down that a session or a token was used.

        A store that takes nothing just now (locked, disk full) can still be read, so it keeps nobody out; and as each try may
        wait for seconds, the next one comes a minute later.
        """
        if abs(at_ns - self._not_noted_ns.get(of, -SEEN_EVERY_NS)) < SEEN_EVERY_NS:
            return
        self._not_noted_ns[of] = at_ns  # while it is tried, too: a page asks for several things at once
        try:
            note(of, at_ns)
        except StoreUnavailableError as fault:
            log.warning("use_not_written_down", fault=str(fault))
        else:
            self._not_noted_ns.pop(of, None)

    # The first start

    def make_first_administrator(self, at_ns: int) -> str | None:
        """Make the first person, an administrator, where there is nobody yet; return in words where the password is.

        It is good for one sign-in, at which another one must be chosen. Raises OSError where it cannot be written
        down: then nobody was made.
        """
        _ = self._of_nobody  # made now: the first name that nobody has must not take longer than the next
        if self._people.people():
            return None
        password = secrets.token_urlsafe(ONE_TIME_BYTES)
        person = Person(
            name=FIRST_NAME,
            role=Role.ADMINISTRATOR,
            password_hash=self._hashes.hashed(password),
            must_change=True,
            added_ns=at_ns,
        )
        self._first_password.prepare(password)
        entry = entry_of(
            at_ns=at_ns, by="linklag", what="person added", subject=f"person {FIRST_NAME}", new=person
        )
        if not self._people.add_first(person, entry=entry):
            return None  # another process was first, and its password is the one
        self._first_password.publish()
        return self._first_password.where


def hash_of(secret: str) -> str:
    """Return the SHA-256 of a secret. It is 256 random bits, so that nothing slower is needed."""
    return hashlib.sha256(secret.encode()).hexdigest()


def name_key(name: str) -> str:
    """Return what wrong guesses at a name are counted under."""
    return f"name {hash_of(name)}"


def _address_key(address: str) -> str:
    """Return what guesses from an address are counted under; who has one IPv6 address has all of its last 64 bits."""
    try:
        parsed = ip_address(address)
    except ValueError:
        return f"from {address[:64]}"
    if isinstance(parsed, IPv6Address):
        mapped = parsed.ipv4_mapped
        return f"from {mapped}" if mapped else f"from {int(parsed) >> 64:x}/64"
    return f"from {parsed}"
