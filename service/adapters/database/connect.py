"""Opens the store: brings its schema up to date, checks that it can be used, hands out the ports.

Knows revisions of the schema; must not know tables beyond the probe. Alembic is loaded only where the schema must
change: a start with an up-to-date store does not wait for it.
"""

import time
from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING, Protocol

from sqlalchemy import Connection, Engine, inspect, text, update

from service.adapters.database import dialect, tables
from service.adapters.database.access import Access
from service.adapters.database.alert_log import DatabaseAlertLog
from service.adapters.database.audit_log import DatabaseAuditLog
from service.adapters.database.chain_maps import DatabaseChainMaps
from service.adapters.database.changes import DatabaseDutyPlans, DatabasePlannedStops, DatabaseSupplies
from service.adapters.database.devices import DatabaseDevices
from service.adapters.database.evaluations import DatabaseEvaluations
from service.adapters.database.first_rows import put_first_rows
from service.adapters.database.groups import DatabaseGroups
from service.adapters.database.hand_values import DatabaseHandValues
from service.adapters.database.leases import DatabaseLeases, check_within
from service.adapters.database.lives import DatabaseSprockets, DatabaseUpkeepLog
from service.adapters.database.numbers import Numbers
from service.adapters.database.outbox import DatabaseOutbox
from service.adapters.database.people import (
    DatabaseGuessCounts,
    DatabasePeople,
    DatabaseSessions,
    DatabaseTokens,
)
from service.adapters.database.prognoses import DatabasePrognoses
from service.adapters.database.raw_batches import DatabaseRawBatches, RawBounds
from service.adapters.database.readings import DatabaseReadings
from service.adapters.database.refused import Bounds, DatabaseRefused
from service.adapters.database.register import DatabaseRegister
from service.adapters.database.removals import DatabaseRemovals
from service.adapters.database.series_ledger import SeriesLedger
from service.adapters.database.setpoints import DatabaseSetpoints
from service.adapters.database.shifts import (
    DatabaseHandovers,
    DatabaseNotes,
    DatabaseSites,
    DatabaseWorkInHand,
)
from service.adapters.database.transactions import Transactions
from service.core.reading import Reading
from service.ports import Lease, RawBatch, Readings

if TYPE_CHECKING:
    from alembic.config import Config

SCHEMA = "0014"  # the revision that this code is written for: the newest file in migrations/versions
BUSY_TIMEOUT_S = 5.0  # so long a transaction waits for another process to end its own
_PAGES_A_TIME = 2_000  # 8 MB: what one transaction of `reclaim` moves


class ReadingsElsewhere(Readings, Protocol):
    """Readings in another store, whose books are kept in this one."""

    def store_all(self, readings: Sequence[Reading], raw_batches: Sequence[RawBatch]) -> int:
        """As `Database.store_all`: points first, then the books and the batches in one transaction."""
        ...


Series = Callable[[SeriesLedger], ReadingsElsewhere]


class NewerStoreError(Exception):
    """The store was made by a newer linklag than this one. The message says what to do."""


class Database:
    """An open store. Its ports may be used from any thread; other processes may open the same store."""

    def __init__(
        self,
        engine: Engine,
        bounds: Bounds | None = None,
        raw_bounds: RawBounds | None = None,
        *,
        transactions: Transactions | None = None,
        series: Series | None = None,
    ) -> None:
        self._engine, self._bounds, self._series = engine, (bounds, raw_bounds), series
        self._transactions = transactions or Transactions(engine)
        self._numbers = Numbers(self._transactions)
        self.readings_here = DatabaseReadings(self._transactions, self._numbers)
        self.raw_batches = DatabaseRawBatches(self._transactions, self._numbers, raw_bounds)
        self.ledger = self._books()
        self._elsewhere = None if series is None else series(self.ledger)
        self.readings: Readings = self._elsewhere or self.readings_here
        self.hand_values = DatabaseHandValues(self._transactions)
        self.devices = DatabaseDevices(self._transactions)
        self.chain_maps = DatabaseChainMaps(self._transactions)
        self.alert_log = DatabaseAlertLog(self._transactions)
        self.register = DatabaseRegister(self._transactions)
        self.refused = DatabaseRefused(self._transactions, bounds)
        self.audit_log = DatabaseAuditLog(self._transactions)
        self.people = DatabasePeople(self._transactions)
        self.sessions = DatabaseSessions(self._transactions)
        self.tokens = DatabaseTokens(self._transactions)
        self.guess_counts = DatabaseGuessCounts(self._transactions)
        self.sites = DatabaseSites(self._transactions)
        self.work_in_hand = DatabaseWorkInHand(self._transactions)
        self.notes = DatabaseNotes(self._transactions)
        self.handovers = DatabaseHandovers(self._transactions)
        self.outbox = DatabaseOutbox(self._transactions)
        self.setpoints = DatabaseSetpoints(self._transactions)
        self.evaluations = DatabaseEvaluations(self._transactions)
        self.planned_stops = DatabasePlannedStops(self._transactions)
        self.supplies = DatabaseSupplies(self._transactions)
        self.duty_plans = DatabaseDutyPlans(self._transactions)
        self.removals = DatabaseRemovals(self._transactions)
        self.sprockets = DatabaseSprockets(self._transactions)
        self.upkeep_log = DatabaseUpkeepLog(self._transactions)
        self.prognoses = DatabasePrognoses(self._transactions)
        self.groups = DatabaseGroups(self._transactions, self.register)
        self.leases = DatabaseLeases(self._transactions)

    def _books(self) -> SeriesLedger:
        """The books of readings elsewhere: never fenced, for what they tell of is there already.

        Whoever made a roll-up that another made too finds that here, and notes it again.
        """
        unfenced = self._transactions.unfenced
        numbers = self._numbers if unfenced is self._transactions else Numbers(unfenced)
        return SeriesLedger(unfenced, numbers, self.raw_batches)

    def fenced(self, in_use: Callable[[], Sequence[Lease]]) -> "Database":
        """Return the same store for who does a task under leases: all that it writes is written only if these still hold.

        They are looked at in the very transaction that writes, which raises LeaseLostError, having changed nothing, where one of
        them was lost or where none is in use. It is closed with this one.
        """

        def see(connection: Connection) -> None:
            check_within(connection, in_use())

        fenced = self._transactions.fenced(see)
        return Database(self._engine, *self._bounds, transactions=fenced, series=self._series)

    def store_all(self, readings: Sequence[Reading], raw_batches: Sequence[RawBatch]) -> int:
        """Store readings and keep the batches that they came from, in one durable transaction.

        Returns how many readings were new. The same as `readings.store` and `raw_batches.keep`, at the price of one
        commit. Raises StoreUnavailableError, having changed nothing. Where readings are elsewhere, these come first.
        """
        if not readings and not raw_batches:
            return 0
        if self._elsewhere is not None:
            return self._elsewhere.store_all(readings, raw_batches)
        with self._numbers.writing() as numbering:
            new = self.readings_here.store_within(numbering, readings)
            self.raw_batches.keep_within(numbering, raw_batches)
        return new

    def check(self) -> None:
        """Write one row for real and return once it is on disk. Raises StoreUnavailableError with the cause."""
        with self._transactions.writing() as connection:
            connection.execute(update(tables.probe).values(at_ns=time.time_ns()))

    def reclaim(self, pages_max: int = 100_000) -> int:
        """Give space that forgetting freed back to the file system; return how many pages went.

        Not needed in daily use: freed space is filled again before the file grows. Worth it after the retention
        was shortened. Raises StoreUnavailableError.
        """
        gone = 0
        while gone < pages_max:
            with self._transactions.writing() as connection:
                went = self._transactions.dialect.give_back(connection, min(_PAGES_A_TIME, pages_max - gone))
            gone += went
            if not went:
                break
        return gone

    def close(self) -> None:
        """Close all connections. Nothing is pending: what was stored is on disk already."""
        self._engine.dispose()


def open_database(
    url: str,
    *,
    access: Access | None = None,
    busy_timeout_s: float = BUSY_TIMEOUT_S,
    bounds: Bounds | None = None,
    raw_bounds: RawBounds | None = None,
    series: Series | None = None,
) -> Database:
    """Return the open store at `url` (sqlite:///PATH, postgresql://USER@HOST:PORT/DATABASE), made or brought up to date as needed.

    access: what is shown to a server; bounds: how much of what was refused is kept; raw_bounds: how much of raw batches. None keeps the usual amount.
    series: makes the store of readings over its books here; None: they are here too.

    Raises ValueError (no URL that can be served), StoreUnavailableError, NewerStoreError.
    """
    engine = dialect.make_engine(url, busy_timeout_s, access)
    try:
        _bring_up_to_date(engine)
        database = Database(engine, bounds, raw_bounds, series=series)
        database.check()
    except BaseException:
        engine.dispose()
        raise
    return database


def migrate(url: str) -> None:
    """Bring the schema of the store at `url` up to date. Raises as `open_database` does."""
    open_database(url).close()


def _bring_up_to_date(engine: Engine) -> None:
    """Upgrade in one transaction: two processes that start together do it once, and a crash leaves it undone."""
    transactions = Transactions(engine)
    with transactions.failures_in_words():
        transactions.dialect.prepare(engine)
    with transactions.reading() as connection:
        if _revision(connection) == SCHEMA:
            return
    with transactions.writing() as connection:
        if _revision(connection) != SCHEMA:
            _upgrade(connection)


def _revision(connection: Connection) -> str | None:
    """Return the revision that the store says it has; None for an empty one."""
    if not inspect(connection).has_table("alembic_version"):
        return None
    return connection.execute(text("SELECT version_num FROM alembic_version")).scalar()


def _upgrade(connection: Connection) -> None:
    from alembic import command
    from alembic.script import ScriptDirectory

    config = _steps(connection)
    revision, of = _revision(connection), dialect.dialect_of(connection.engine)
    known = {script.revision for script in ScriptDirectory.from_config(config).walk_revisions()}
    if revision is not None and revision not in known:
        raise NewerStoreError(
            f"store {of.place_of(connection.engine)}: its schema ({revision}) is newer than this linklag knows "
            f"({SCHEMA}): install the linklag that made it, or a newer one; nothing was changed"
        )
    of.take_your_time(connection)
    if revision is None and not of.BEGINS_BY_STEPS:
        tables.metadata.create_all(connection, checkfirst=False)
        put_first_rows(connection)
        say_schema(connection)
    else:
        command.upgrade(config, "head")


def say_schema(connection: Connection) -> None:
    """Note in a store whose tables were made as they are now that it has this code's schema."""
    from alembic import command

    command.stamp(_steps(connection), "head")


def _steps(connection: Connection) -> "Config":
    from alembic.config import Config

    config = Config()
    config.set_main_option("script_location", "service.adapters.database:migrations")
    config.attributes["connection"] = connection
    return config
