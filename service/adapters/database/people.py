"""People, the sessions and tokens by which they and programs are known, and how often somebody guessed wrong.

Knows how the ports `People`, `Sessions`, `Tokens` and `GuessCounts` become SQL; must not know passwords and secrets, of which
only hashes come here.
"""

from collections.abc import Mapping
from dataclasses import asdict
from typing import Any

from sqlalchemy import Connection, Row, delete, func, insert, select, update

from service.adapters.database.audit_log import write_within
from service.adapters.database.dialect import insert_into
from service.adapters.database.people_tables import guess_count, person, session, token
from service.adapters.database.transactions import Transactions
from service.core.audit import AuditEntry
from service.core.people import Guesses, Patience, Person, Role, Session, Token, one_more, wait_ns
from service.ports import ConflictError, NotFoundError

GUESS_COUNTS_MAX = 10_000  # names and addresses that somebody makes up must not fill the store


class DatabasePeople:
    """The port `People` over a database."""

    def __init__(self, transactions: Transactions) -> None:
        self._transactions = transactions

    def people(self) -> list[Person]:
        """All, by name."""
        with self._transactions.reading() as connection:
            return [_to_person(row) for row in connection.execute(select(person).order_by(person.c.name))]

    def person(self, name: str) -> Person | None:
        """One of them."""
        with self._transactions.reading() as connection:
            return _find_person(connection, name)

    def add(self, new: Person, *, entry: AuditEntry | None = None) -> None:
        """Raises ConflictError where the name is taken."""
        with self._transactions.writing() as connection:
            if _find_person(connection, new.name) is not None:
                raise ConflictError(
                    f"there is a person {new.name!r} already (names are never given twice): choose another name"
                )
            connection.execute(insert(person), _from_person(new))
            write_within(connection, entry)

    def add_first(self, new: Person, *, entry: AuditEntry | None = None) -> bool:
        """Add the first of all; False, having changed nothing, where there is anybody already."""
        with self._transactions.writing() as connection:
            if connection.execute(select(func.count()).select_from(person)).scalar_one():
                return False
            connection.execute(insert(person), _from_person(new))
            write_within(connection, entry)
            return True

    def change(self, changed: Person, *, entry: AuditEntry | None = None) -> None:
        """Replace what is known of a person. Raises NotFoundError, ConflictError (see the port)."""
        with self._transactions.writing() as connection:
            if (before := _find_person(connection, changed.name)) is None:
                raise NotFoundError(f"there is no person {changed.name!r}: correct the name")
            if before == changed:
                return
            connection.execute(
                update(person).where(person.c.name == changed.name).values(_from_person(changed))
            )
            if before.may_administer and not changed.may_administer:
                _refuse_none_left(connection, changed.name)
            write_within(connection, entry)


class DatabaseSessions:
    """The port `Sessions` over a database."""

    def __init__(self, transactions: Transactions) -> None:
        self._transactions = transactions

    def open(self, new: Session) -> None:
        """Remember one more; those that have ended by then are forgotten."""
        with self._transactions.writing() as connection:
            connection.execute(delete(session).where(session.c.ends_ns <= new.opened_ns))
            connection.execute(insert(session), asdict(new))

    def find(self, secret_hash: str) -> tuple[Session, Person] | None:
        """The session and whose it is, ended or not."""
        with self._transactions.reading() as connection:
            row = connection.execute(
                select(session).where(session.c.secret_hash == secret_hash)
            ).one_or_none()
            found = None if row is None else _find_person(connection, row.name)
            return None if row is None or found is None else (Session(**row._mapping), found)  # noqa: SLF001

    def seen(self, secret_hash: str, at_ns: int) -> None:
        """It was used then."""
        self._write(update(session).where(session.c.secret_hash == secret_hash).values(seen_ns=at_ns))

    def close(self, secret_hash: str) -> None:
        """Forget it. Unknown ones change nothing."""
        self._write(delete(session).where(session.c.secret_hash == secret_hash))

    def close_all(self, name: str, *, but: str | None = None) -> None:
        """Forget all of a person, but for the one with that hash."""
        of_person = delete(session).where(session.c.name == name)
        self._write(of_person if but is None else of_person.where(session.c.secret_hash != but))

    def _write(self, statement: Any) -> None:
        with self._transactions.writing() as connection:
            connection.execute(statement)


class DatabaseTokens:
    """The port `Tokens` over a database."""

    def __init__(self, transactions: Transactions) -> None:
        self._transactions = transactions

    def tokens(self) -> list[Token]:
        """All, by name; those that expired or were revoked too."""
        with self._transactions.reading() as connection:
            return [_to_token(row) for row in connection.execute(select(token).order_by(token.c.name))]

    def find(self, secret_hash: str) -> Token | None:
        """The token with that hash, good or not."""
        query = select(token).where(token.c.secret_hash == secret_hash)
        with self._transactions.reading() as connection:
            row = connection.execute(query).one_or_none()
            return None if row is None else _to_token(row)

    def add(self, new: Token, *, entry: AuditEntry | None = None) -> None:
        """Raises ConflictError where the name is taken."""
        with self._transactions.writing() as connection:
            if connection.execute(select(token.c.name).where(token.c.name == new.name)).first() is not None:
                raise ConflictError(
                    f"there is a token {new.name!r} already (revoked ones keep their name): choose another name"
                )
            connection.execute(
                insert(token), asdict(new) | {"role": int(new.role), "only": " ".join(new.only)}
            )
            write_within(connection, entry)

    def revoke(self, name: str, at_ns: int, *, entry: AuditEntry | None = None) -> None:
        """Let it count no more. Raises NotFoundError, and ConflictError where it is revoked already."""
        with self._transactions.writing() as connection:
            row = connection.execute(select(token).where(token.c.name == name)).one_or_none()
            if row is None:
                raise NotFoundError(f"there is no token {name!r}: correct the name")
            if row.revoked_ns is not None:
                raise ConflictError(f"token {name!r} is revoked already: nothing to do")
            connection.execute(update(token).where(token.c.name == name).values(revoked_ns=at_ns))
            write_within(connection, entry)

    def used(self, name: str, at_ns: int) -> None:
        """It was shown then."""
        with self._transactions.writing() as connection:
            connection.execute(update(token).where(token.c.name == name).values(used_ns=at_ns))


class DatabaseGuessCounts:
    """The port `GuessCounts` over a database."""

    def __init__(self, transactions: Transactions, counts_max: int = GUESS_COUNTS_MAX) -> None:
        self._transactions, self._counts_max = transactions, counts_max

    def begin(self, keys: Mapping[str, Patience], at_ns: int) -> int:
        """Count one more for each key and return 0; or count nothing and return how long to wait, ns."""
        with self._transactions.writing() as connection:
            query = select(guess_count).where(guess_count.c.key.in_(keys))
            found = [dict(row._mapping) for row in connection.execute(query)]  # noqa: SLF001
            known = {row.pop("key"): Guesses(**row) for row in found}
            if longest_ns := max(wait_ns(known.get(key), held, at_ns) for key, held in keys.items()):
                return longest_ns
            more = {key: one_more(known.get(key), held, at_ns) for key, held in keys.items()}
            rows = [{"key": key, **asdict(one)} for key, one in more.items()]
            statement = insert_into(guess_count)
            connection.execute(
                statement.on_conflict_do_update(
                    index_elements=[guess_count.c.key],
                    set_={"count": statement.excluded.count, "last_ns": statement.excluded.last_ns},
                ),
                rows,
            )
            self._drop(connection)
            return 0

    def _drop(self, connection: Connection) -> None:
        newest_first = select(guess_count.c.key).order_by(guess_count.c.last_ns.desc(), guess_count.c.key)
        connection.execute(
            delete(guess_count).where(guess_count.c.key.in_(newest_first.offset(self._counts_max)))
        )

    def take_back(self, key: str) -> None:
        """Count one less: that guess was right."""
        c = guess_count.c
        with self._transactions.writing() as connection:
            connection.execute(update(guess_count).where(c.key == key, c.count > 0).values(count=c.count - 1))

    def forget(self, key: str) -> None:
        """Begin anew. Unknown keys change nothing."""
        with self._transactions.writing() as connection:
            connection.execute(delete(guess_count).where(guess_count.c.key == key))


def _find_person(connection: Connection, name: str) -> Person | None:
    row = connection.execute(select(person).where(person.c.name == name)).one_or_none()
    return None if row is None else _to_person(row)


def _refuse_none_left(connection: Connection, name: str) -> None:
    left = select(person.c.name).where(
        person.c.role == Role.ADMINISTRATOR.value, person.c.locked_ns.is_(None)
    )
    if connection.execute(left.limit(1)).first() is None:
        raise ConflictError(
            f"{name!r} is the last administrator who can sign in: make somebody else one first"
        )


def _to_person(row: Row[Any]) -> Person:
    values = dict(row._mapping)  # noqa: SLF001
    return Person(**values | {"role": Role(row.role), "must_change": bool(row.must_change)})


def _from_person(of: Person) -> dict[str, Any]:
    return asdict(of) | {"role": int(of.role), "must_change": int(of.must_change)}


def _to_token(row: Row[Any]) -> Token:
    values = dict(row._mapping)  # noqa: SLF001
    return Token(**values | {"role": Role(row.role), "only": tuple(row.only.split())})
