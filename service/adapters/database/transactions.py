"""Transactions over the store, and its failures in words.

Knows when a transaction begins and ends and who may write; must not know tables. The threads of one process
take turns to write by a lock of ours: SQLite's own waiting sleeps and polls, which costs the worker milliseconds.
"""

import copy
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager

from sqlalchemy import Connection, Engine
from sqlalchemy.exc import DatabaseError
from sqlalchemy.exc import TimeoutError as PoolTimeoutError

from service.adapters.database import dialect
from service.ports import StoreUnavailableError


class Transactions:
    """Reading and writing transactions of one store, for any thread."""

    def __init__(self, engine: Engine) -> None:
        self.engine = engine
        self._writing_engine = engine.execution_options(**{dialect.WRITING: True})
        self._turn = threading.RLock()
        self._see: Callable[[Connection], None] | None = None
        self.path = dialect.file_of(engine)
        self._file = dialect.file_identity(self.path)

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
        with self._turn, self.failures_in_words(), self._writing_engine.connect() as connection:
            self._refuse_lost_file()
            with connection.begin():
                if self._see is not None:
                    self._see(connection)
                yield connection

    def _refuse_lost_file(self) -> None:
        """SQLite would go on writing to a file that was deleted, and all of it would be lost at the end."""
        now = dialect.file_identity(self.path)
        if now is None or now != self._file:
            raise StoreUnavailableError(
                f"store {self.path}: the file was removed or replaced while it was open; "
                "put it back if you can, then restart linklag"
            )

    @contextmanager
    def failures_in_words(self) -> Iterator[None]:
        """Turn the library's exceptions into StoreUnavailableError; let those go by that are ours to mend."""
        try:
            yield
        except (DatabaseError, *dialect.DRIVER_ERRORS) as error:
            words = dialect.words_for(error)
            if words is None:
                raise
            raise StoreUnavailableError(f"store {self.path}: {words}") from error
        except PoolTimeoutError as error:
            raise StoreUnavailableError(f"store {self.path}: too many queries at once; try again") from error
