"""Alerts and every transition of them. Transitions are only ever added.

Knows how the port `AlertLog` becomes SQL; must not know the life cycle. A transition takes its number inside the
transaction that nobody else writes beside, so numbers rise in the order in which transitions become visible.
"""

import json
from collections.abc import Sequence
from dataclasses import asdict
from typing import Any

from sqlalchemy import Connection, Row, Select, func, insert, select

from service.adapters.database.alerts_tables import alert, alert_transition
from service.adapters.database.dialect import insert_into
from service.adapters.database.transactions import Transactions
from service.core.alert import Act, Alert, Annunciation, Event, Held, Hold, Transition, begin
from service.core.setpoint import ConditionKind, Facts, Priority
from service.ports import ROWS_MAX, OvertakenError

_a, _t = alert.c, alert_transition.c


class DatabaseAlertLog:
    """The port `AlertLog` over a database."""

    def __init__(self, transactions: Transactions) -> None:
        self._transactions = transactions

    def record(self, transition: Transition, after: Alert) -> int:
        """Store a transition and the alert after it; return its number. See the port."""
        if (after.alert_id, after.seq) != (transition.alert_id, transition.seq):
            raise ValueError(f"{after.alert_id} {after.seq} is not what follows transition {transition.seq}")
        values = _transition_values(transition)
        with self._transactions.writing() as connection:
            _refuse_overtaken(connection, transition)
            number = connection.execute(insert(alert_transition).returning(_t.number), values).scalar_one()
            statement = insert_into(alert)
            connection.execute(
                statement.on_conflict_do_update(
                    index_elements=["alert_id"],
                    set_={name: statement.excluded[name] for name in _a.keys() if name != "alert_id"},  # noqa: SIM118
                ),
                _alert_values(after) | {"number": number},
            )
        return int(number)

    def alert(self, alert_id: str) -> Alert | None:
        """One alert as it is now; None where nothing ever happened to it."""
        with self._transactions.reading() as connection:
            return _alert(connection, alert_id)

    def alerts(self, drive_id: str | None = None, *, standing: bool = True) -> list[Alert]:
        """Those that stand, or all that something ever happened to; by alert_id."""
        query = select(alert).order_by(_a.alert_id)
        if drive_id is not None:
            query = query.where(_a.drive_id == drive_id)
        if standing:
            query = query.where(_a.stands == 1)
        with self._transactions.reading() as connection:
            return [_to_alert(row) for row in connection.execute(query)]

    def of_alert(self, alert_id: str, rows_max: int = 1000) -> list[Transition]:
        """The newest `rows_max` transitions of one alert, by seq."""
        query = select(alert_transition).where(_t.alert_id == alert_id)
        return self._transitions(query.order_by(_t.seq.desc()).limit(rows_max))[::-1]

    def after(self, number: int, rows_max: int = 1000, drive_id: str | None = None) -> list[Transition]:
        """The oldest `rows_max` transitions with a higher number, in its order."""
        query = select(alert_transition).where(_t.number > number)
        if drive_id is not None:
            query = query.where(_t.drive_id == drive_id)
        return self._transitions(query.order_by(_t.number).limit(rows_max))

    def recorded(self, from_ns: int, to_ns: int, rows_max: int = ROWS_MAX) -> list[Transition]:
        """Transitions with from_ns < recorded_ns <= to_ns by number; the newest `rows_max` of them."""
        query = select(alert_transition).where(_t.recorded_ns > from_ns, _t.recorded_ns <= to_ns)
        return self._transitions(query.order_by(_t.number.desc()).limit(rows_max))[::-1]

    def newest_number(self) -> int:
        """The number of the newest transition; 0 where there is none."""
        with self._transactions.reading() as connection:
            return int(connection.execute(select(func.max(_t.number))).scalar_one() or 0)

    def by_key(self, key: str) -> Transition | None:
        """The transition that a client's act with that key made."""
        found = self._transitions(select(alert_transition).where(_t.key == key))
        return found[0] if found else None

    def _transitions(self, query: Select[Any]) -> list[Transition]:
        with self._transactions.reading() as connection:
            return [_to_transition(row) for row in connection.execute(query)]


def _alert(connection: Connection, alert_id: str) -> Alert | None:
    row = connection.execute(select(alert).where(_a.alert_id == alert_id)).one_or_none()
    return None if row is None else _to_alert(row)


def _refuse_overtaken(connection: Connection, transition: Transition) -> None:
    """Raise unless this is the next transition of its alert and its key is new."""
    now = _alert(connection, transition.alert_id) or begin(transition.drive_id, transition.kind)
    key = transition.act.key
    taken = key is not None and connection.execute(select(_t.number).where(_t.key == key)).first() is not None
    if taken or now.seq >= transition.seq:
        raise OvertakenError(now)
    if now.seq != transition.seq - 1:
        raise ValueError(f"transition {transition.seq} of {transition.alert_id} does not follow {now.seq}")


def _json(values: object) -> str:
    """Return values as text. Raises ValueError for what is no number."""
    return json.dumps(values, allow_nan=False, ensure_ascii=False, separators=(",", ":"))


def _facts_text(facts: Facts | None) -> str | None:
    return None if facts is None else _json(asdict(facts))


def _to_facts(text: str | None) -> Facts | None:
    return None if text is None else Facts(**json.loads(text))


def _holds_text(holds: Sequence[Hold]) -> str:
    return _json([str(each) for each in holds])


def _to_holds(text: str) -> tuple[Hold, ...]:
    return tuple(Hold(each) for each in json.loads(text))


def _transition_values(transition: Transition) -> dict[str, Any]:
    act = transition.act
    return {
        "alert_id": transition.alert_id,
        "seq": transition.seq,
        "drive_id": transition.drive_id,
        "kind": str(transition.kind),
        "event": str(act.event),
        "by_whom": act.by,
        "why": act.why,
        "true_ns": act.true_ns,
        "recorded_ns": act.recorded_ns,
        "until_ns": act.until_ns,
        "facts": _facts_text(act.facts),
        "asked_priority": None if act.priority is None else int(act.priority),
        "work_order": act.work_order,
        "key": act.key,
        "before": str(transition.before),
        "after": str(transition.after),
        "holds_before": _holds_text(transition.holds_before),
        "holds": _holds_text(transition.holds),
        "annunciates": int(transition.annunciates),
        "priority": int(transition.priority),
    }


def _to_transition(row: Row[Any]) -> Transition:
    act = Act(
        event=Event(row.event),
        by=row.by_whom,
        why=row.why,
        true_ns=row.true_ns,
        recorded_ns=row.recorded_ns,
        until_ns=row.until_ns,
        facts=_to_facts(row.facts),
        priority=None if row.asked_priority is None else Priority(row.asked_priority),
        work_order=row.work_order,
        key=row.key,
    )
    return Transition(
        alert_id=row.alert_id,
        drive_id=row.drive_id,
        kind=ConditionKind(row.kind),
        seq=row.seq,
        act=act,
        before=Annunciation(row.before),
        after=Annunciation(row.after),
        holds_before=_to_holds(row.holds_before),
        holds=_to_holds(row.holds),
        annunciates=bool(row.annunciates),
        priority=Priority(row.priority),
        number=row.number,
    )


def _alert_values(of: Alert) -> dict[str, Any]:
    return {
        "alert_id": of.alert_id,
        "drive_id": of.drive_id,
        "kind": str(of.kind),
        "seq": of.seq,
        "annunciation": str(of.annunciation),
        "held": _json([asdict(each) for each in of.held]),
        "priority": int(of.priority),
        "occurrences": of.occurrences,
        "since_ns": of.since_ns,
        "changed_ns": of.changed_ns,
        "cleared_ns": of.cleared_ns,
        "facts": _facts_text(of.facts),
        "acknowledged_by": of.acknowledged_by,
        "acknowledged_ns": of.acknowledged_ns,
        "work_order": of.work_order,
        "last_event": None if of.last_event is None else str(of.last_event),
        "last_by": of.last_by,
        "stands": int(of.stands),
    }


def _to_alert(row: Row[Any]) -> Alert:
    held = tuple(Held(**each | {"hold": Hold(each["hold"])}) for each in json.loads(row.held))
    return Alert(
        alert_id=row.alert_id,
        drive_id=row.drive_id,
        kind=ConditionKind(row.kind),
        seq=row.seq,
        number=row.number,
        annunciation=Annunciation(row.annunciation),
        held=held,
        priority=Priority(row.priority),
        occurrences=row.occurrences,
        since_ns=row.since_ns,
        changed_ns=row.changed_ns,
        cleared_ns=row.cleared_ns,
        facts=_to_facts(row.facts),
        acknowledged_by=row.acknowledged_by,
        acknowledged_ns=row.acknowledged_ns,
        work_order=row.work_order,
        last_event=None if row.last_event is None else Event(row.last_event),
        last_by=row.last_by,
    )
