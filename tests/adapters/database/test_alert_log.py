"""What only a database can get wrong about alerts."""

import math
from collections.abc import Iterator
from dataclasses import replace

import pytest
from sqlalchemy import text

from service.adapters.database.connect import Database
from service.core.alert import Act, Event, advance, applied, begin
from service.core.setpoint import ConditionKind, Facts
from tests.contracts.given import NOON_NS, an_empty_database

PRESS = begin("press-3", ConditionKind.NEAR)
OCCUR = Act(event=Event.OCCUR, true_ns=NOON_NS, recorded_ns=NOON_NS, facts=Facts(cause="c", mend="m"))


@pytest.fixture
def database() -> Iterator[Database]:
    with an_empty_database() as made:
        yield made


def test_a_number_that_was_given_out_never_comes_again(database: Database) -> None:
    """Whoever has read up to it would take the other transition for read."""
    first = advance(PRESS, OCCUR)
    number = database.alert_log.record(first, applied(PRESS, first))
    with database._transactions.writing() as connection:
        connection.execute(text("DELETE FROM alert_transition"))
        connection.execute(text("DELETE FROM alert"))
    assert database.alert_log.record(first, applied(PRESS, first)) > number


def test_a_transition_is_stored_with_its_alert_or_not_at_all(database: Database) -> None:
    with database._transactions.writing() as connection:
        connection.execute(text("DROP TABLE alert"))
        connection.execute(text("CREATE TABLE alert (alert_id TEXT PRIMARY KEY) STRICT"))
    first = advance(PRESS, OCCUR)
    with pytest.raises(Exception, match="no such column"):
        database.alert_log.record(first, applied(PRESS, first))
    assert database.alert_log.after(0) == []


def test_facts_that_are_no_number_are_refused(database: Database) -> None:
    nonsense = advance(PRESS, replace(OCCUR, facts=Facts(cause="c", mend="m", value=math.nan)))
    with pytest.raises(ValueError, match="JSON"):
        database.alert_log.record(nonsense, applied(PRESS, nonsense))
    assert database.alert_log.newest_number() == 0


@pytest.mark.parametrize(
    ("query", "index"),
    [
        ("SELECT * FROM alert WHERE stands = 1", "ix_alert_stands"),
        (
            "SELECT * FROM alert_transition WHERE drive_id = 'a' AND number > 7 ORDER BY number",
            "alert_transition_drive",
        ),
        (
            "SELECT * FROM alert_transition WHERE recorded_ns > 1 AND recorded_ns <= 2",
            "alert_transition_recorded",
        ),
    ],
)
def test_what_is_often_asked_is_found_by_an_index(database: Database, query: str, index: str) -> None:
    with database._transactions.reading() as connection:
        plan = " ".join(str(row) for row in connection.execute(text(f"EXPLAIN QUERY PLAN {query}")))
    assert index in plan
