"""Who may do what, and what a name, a password and a token must be.

Knows roles, names, passwords as texts, and how long a guesser must wait; must not know requests, hashes or where any of it
is kept.

Passwords: length is what counts, up to a length that nobody types; no rules of composition, no change by the calendar; what
guessers try first is refused. Guessers wait longer and longer, for a name and for an address apart, whether or not there
is somebody of that name.

Source: NIST SP 800-63B, Memorized secrets (from memory).
"""

import re
import unicodedata
from dataclasses import dataclass
from enum import IntEnum

from service.core.fields import (
    FieldsRefusedError,
    id_problem,
    instant_problem,
    refuse,
    text_problem,
)

SECOND_NS = 1_000_000_000
DAY_NS = 86_400 * SECOND_NS


class Role(IntEnum):
    """Each may do what those before it may."""

    VIEWER = 1  # reads
    OPERATOR = 2  # acknowledges, shelves, writes notes, measures by hand, signs handovers
    ENGINEER = 3  # drives, chains, baselines, setpoints, routes, shifts, out of service
    ADMINISTRATOR = 4  # people and tokens

    @property
    def word(self) -> str:
        """The name of the role as people read and type it."""
        return self.name.lower()


ROLE_WORDS = tuple(role.word for role in Role)


def role_of(word: str) -> Role:
    """Return the role of that name. Raises FieldsRefusedError."""
    try:
        return Role[word.upper()]
    except KeyError:
        raise FieldsRefusedError(
            {"role": f"{word!r} is no role; use one of {', '.join(ROLE_WORDS)}"}
        ) from None


# People

FIRST_NAME = "admin"  # of the administrator that the first start makes
NAME_FIX = "a-z, 0-9, dot, - and _, beginning with a letter, 40 at most"
_NAME = re.compile(r"[a-z][a-z0-9._-]{0,39}")


@dataclass(frozen=True, slots=True, kw_only=True)
class Person:
    """Somebody who may sign in.

    name: what they sign in with, and what is written beside what they do; it stays. password_hash: by the port
    `PasswordHashes`. must_change: the password was given by somebody else and is good for choosing one's own only.
    locked_ns: since when an administrator keeps them out.
    """

    name: str
    full_name: str = ""
    role: Role
    password_hash: str
    must_change: bool = False
    added_ns: int
    locked_ns: int | None = None

    def __post_init__(self) -> None:
        """Refuse what cannot be. Raises FieldsRefusedError."""
        refuse(
            name=id_problem(self.name, _NAME, NAME_FIX),
            full_name=text_problem(self.full_name),
            added_ns=instant_problem(self.added_ns),
            locked_ns=instant_problem(self.locked_ns, optional=True),
        )

    @property
    def may_administer(self) -> bool:
        """Whether this is an administrator who is not locked."""
        return self.role is Role.ADMINISTRATOR and self.locked_ns is None


# Passwords

PASSWORD_CHARS_MIN, PASSWORD_CHARS_MAX = 12, 256
_DIFFERENT_MIN = 5
# What guessers begin with, in lists of passwords that leaked: words of this trade among them. Common practice, no source.
_TRIED_FIRST = (
    "password",
    "passwort",
    "administrator",
    "letmein",
    "welcome",
    "qwerty",
    "linklag",
    "maintenance",
)
_IN_A_ROW = (
    "abcdefghijklmnopqrstuvwxyz",
    "01234567890123456789",
    "qwertyuiopasdfghjklzxcvbnm",
    "qwertzuiopasdfghjklyxcvbnm",
)


def normalised(password: str) -> str:
    """Return the password as it is hashed: the same whatever keyboard made its accents (NFKC)."""
    return unicodedata.normalize("NFKC", password)


def password_problem(password: str, name: str) -> str | None:
    """Return what is wrong with a password that somebody chose, and what would mend it; None where it will do.

    Args:
        password: as typed.
        name: of who shall sign in with it.
    """
    password = normalised(password)
    low = password.lower()
    own = _without(low, (name.lower(), *_TRIED_FIRST))
    checks = (
        (
            len(password) < PASSWORD_CHARS_MIN,
            f"it has fewer than {PASSWORD_CHARS_MIN} characters; take more, such as a few words that only you put together",
        ),
        (len(password) > PASSWORD_CHARS_MAX, f"it has over {PASSWORD_CHARS_MAX} characters; shorten it"),
        (
            any(unicodedata.category(char) in {"Cc", "Cs"} for char in password),
            "it holds control characters; take them out",
        ),
        (
            len(set(low)) < _DIFFERENT_MIN,
            f"it has fewer than {_DIFFERENT_MIN} different characters; take others",
        ),
        (
            len(own) < PASSWORD_CHARS_MIN // 2,
            "it is little more than your name or a word that guessers try first; add words of your own",
        ),
        (
            any(low in row + row or low[::-1] in row + row for row in _IN_A_ROW),
            "it is a row of keys; take words of your own",
        ),
    )
    return next((said for is_so, said in checks if is_so), None)


def _without(text: str, words: tuple[str, ...]) -> str:
    for word in words:
        if len(word) > 2:
            text = text.replace(word, "")
    return text


# Guessing

WAIT_S_MAX = 900


@dataclass(frozen=True, slots=True)
class Patience:
    """How many wrong guesses in a row cost no wait, since people mistype, and after how long without one all are forgotten."""

    free: int
    forget_ns: int


FOR_A_NAME = Patience(free=5, forget_ns=DAY_NS)
FOR_AN_ADDRESS = Patience(free=20, forget_ns=3600 * SECOND_NS)  # many people may come from one


@dataclass(frozen=True, slots=True, kw_only=True)
class Guesses:
    """Wrong guesses in a row, for one name or from one address, and when the last one was."""

    count: int
    last_ns: int


def wait_ns(guesses: Guesses | None, patience: Patience, at_ns: int) -> int:
    """Return how long the next guess must still wait, nanoseconds: twice as long after each, up to a quarter of an hour.

    In a day that leaves a guesser some 110 tries at one name.

    Args:
        guesses: until now; None: none.
        patience: with a name, or with an address.
        at_ns: now.
    """
    if guesses is None or guesses.count < patience.free or _are_forgotten(guesses, patience, at_ns):
        return 0
    wait_s = min(1 << min(guesses.count - patience.free, 20), WAIT_S_MAX)
    return max(0, guesses.last_ns + wait_s * SECOND_NS - at_ns)


def wait_words(wait_s: int) -> str:
    """Return a wait as people say it."""
    if wait_s < 60:
        return f"{wait_s} second" if wait_s == 1 else f"{wait_s} seconds"
    minutes = -(-wait_s // 60)
    return "a minute" if minutes == 1 else f"{minutes} minutes"


def one_more(guesses: Guesses | None, patience: Patience, at_ns: int) -> Guesses:
    """Return the guesses with another one, made at that instant."""
    if guesses is None or _are_forgotten(guesses, patience, at_ns):
        return Guesses(count=1, last_ns=at_ns)
    return Guesses(count=guesses.count + 1, last_ns=max(at_ns, guesses.last_ns))


def _are_forgotten(guesses: Guesses, patience: Patience, at_ns: int) -> bool:
    return at_ns - guesses.last_ns >= patience.forget_ns


# Sessions and tokens


@dataclass(frozen=True, slots=True, kw_only=True)
class Session:
    """A browser in which somebody signed in. secret_hash: SHA-256 of what its cookie holds."""

    secret_hash: str
    name: str
    opened_ns: int
    seen_ns: int
    ends_ns: int

    def open_at(self, at_ns: int, idle_ns: int) -> bool:
        """Whether it still counts: it has not ended, and was used within `idle_ns`."""
        return at_ns < self.ends_ns and at_ns - self.seen_ns < idle_ns


TOKEN_DAYS_MAX = 3650
_TOKEN_NAME = re.compile(r"[a-z0-9][a-z0-9._-]{0,39}")
_PART = re.compile(r"[a-z][a-z0-9-]{0,39}")


@dataclass(frozen=True, slots=True, kw_only=True)
class Token:
    """What a program shows in place of signing in.

    secret_hash: SHA-256 of its text. only: parts of the API that it may use, as "alerts"; none: all that its role may.
    used_ns: when it was shown last, to the minute.
    """

    name: str
    role: Role
    only: tuple[str, ...] = ()
    secret_hash: str
    added_ns: int
    added_by: str
    expires_ns: int
    used_ns: int | None = None
    revoked_ns: int | None = None

    def __post_init__(self) -> None:
        """Refuse what cannot be. Raises FieldsRefusedError."""
        bad = [part for part in self.only if not _PART.fullmatch(part)]
        refuse(
            name=id_problem(self.name, _TOKEN_NAME, "a-z, 0-9, dot, - and _, 40 at most"),
            role=None
            if self.role < Role.ADMINISTRATOR
            else "a token cannot be administrator: people and tokens are for people to look after; use engineer or less",
            only=f"{bad[0]!r} is no part of the API; use names such as alerts, readings, handovers"
            if bad
            else None,
            expires=self._expiry_problem(),
        )

    def _expiry_problem(self) -> str | None:
        if self.added_ns < self.expires_ns <= self.added_ns + TOKEN_DAYS_MAX * DAY_NS:
            return None
        return f"a token ends some day; give it 1 to {TOKEN_DAYS_MAX} days"

    def good_at(self, at_ns: int) -> bool:
        """Whether it still counts: neither expired nor revoked."""
        return at_ns < self.expires_ns and self.revoked_ns is None

    def may_use(self, part: str) -> bool:
        """Whether it may use that part of the API."""
        return not self.only or part in self.only
