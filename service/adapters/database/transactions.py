"""Transactions over the store, and its failures in words.

Knows when a transaction begins and ends and who may write; must not know tables. The threads of one process
take turns to write by a lock of ours: SQLite's own waiting sleeps and polls, which costs the worker milliseconds.
Processes take turns by a lock of the database.
"""

import copy
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager

from sqlalchemy import Connection, Engine
from sqlalchemy.exc import DBAPIError
from sqlalchemy.exc import TimeoutError as PoolTimeoutError

from service.adapters.database.access import WRITING
from service.adapters.database.dialect import dialect_of
from service.ports import StoreUnavailableError


class Transactions:
    """Reading and writing transactions of one store, for any thread."""

    def __init__(self, engine: Engine) -> None:
        self.engine = engine
        self._writing_engine = engine.execution_options(**{WRITING: True})
        self._turn = threading.RLock()
        self._see: Callable[[Connection], None] | None = None
        self.unfenced = self  # also of those that are fenced
        self.dialect = dialect_of(engine)
        self.place = self.dialect.place_of(engine)
        self._identity: object = None
        self.run: object = None
        """Tells one run of the server from the next: what was remembered of an earlier one need not be so any more."""

    def fenced(self, see: Callable[[Connection], None]) -> "Transactions":
        """Return transactions over the same store that write only what `see` lets by: it looks first, in each of them, and may raise."""
        other = copy.copy(self)
        other._see = see  # noqa: SLF001 - one of its own kind
        return other

    @contextmanager
    def reading(self) -> Iterator[Connection]:
        """A view of the store at one moment. Raises StoreUnavailableError."""
        with self.failures_in_words(), self.engine.connect() as connection, connection.begin():
            yield connection

    @contextmanager
    def writing(self) -> Iterator[Connection]:
        """A transaction that nobody else writes beside: durable once left, undone if left by an exception.

        Raises StoreUnavailableError, having changed nothing.
        """
        with (
            self._turn,
            self.failures_in_words(),
            self._writing_engine.connect() as connection,
            connection.begin(),
        ):
            self._refuse_another(connection)
            if self._see is not None:
                self._see(connection)
            yield connection

    def _refuse_another(self, connection: Connection) -> None:
        """Numbers of drives are remembered, so that readings would go under wrong ones in another store."""
        found = self.dialect.identity(connection)
        identity, run = found or (None, None)
        if self._identity is not None and identity != self._identity:
            raise StoreUnavailableError(f"store {self.place}: {self.dialect.LOST}")
        self._identity, self.run = identity, run

    @contextmanager
    def failures_in_words(self) -> Iterator[None]:
        """Turn the library's exceptions into StoreUnavailableError; let those go by that are ours to mend."""
        errors: tuple[type[Exception], ...] = (DBAPIError, *self.dialect.DRIVER_ERRORS)
        try:
            yield
        except errors as error:
            words = self.dialect.words_for(error)
            if words is None:
                raise
            raise StoreUnavailableError(f"store {self.place}: {words}") from error
        except PoolTimeoutError as error:
            raise StoreUnavailableError(f"store {self.place}: too many queries at once; try again") from error
