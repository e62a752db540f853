"""In-memory stand-in for the log of alerts. What it answers of an alert is the replay of its transitions, one after the other.

Passes the same contract tests as the database; set `down` to have every call fail, as `fakes` has it.
"""

import threading
from dataclasses import replace

from service.core.alert import Alert, Transition, begin, replay
from service.ports import ROWS_MAX, OvertakenError
from tests.fakes import _Fake


class FakeAlertLog(_Fake):
    """The port `AlertLog` in memory."""

    def __init__(self) -> None:
        self._all: list[Transition] = []
        self._now: dict[str, Alert] = {}
        self._turn = threading.Lock()

    def record(self, transition: Transition, after: Alert) -> int:
        self._refuse_if_down()
        if (after.alert_id, after.seq) != (transition.alert_id, transition.seq):
            raise ValueError("that is not the alert after this transition")
        with self._turn:
            now = self._now.get(transition.alert_id) or begin(transition.drive_id, transition.kind)
            key = transition.act.key
            taken = key is not None and any(each.act.key == key for each in self._all)
            if taken or now.seq >= transition.seq:
                raise OvertakenError(now)
            if now.seq + 1 != transition.seq:
                raise ValueError("a transition is missing before this one")
            self._all.append(replace(transition, number=len(self._all) + 1))
            self._now[transition.alert_id] = replay(self._all[-1:], now)
            return len(self._all)

    def alert(self, alert_id: str) -> Alert | None:
        self._refuse_if_down()
        return self._now.get(alert_id)

    def alerts(self, drive_id: str | None = None, *, standing: bool = True) -> list[Alert]:
        self._refuse_if_down()
        found = [alert for _, alert in sorted(self._now.items()) if drive_id in {None, alert.drive_id}]
        return [alert for alert in found if alert.stands or not standing]

    def of_alert(self, alert_id: str, rows_max: int = 1000) -> list[Transition]:
        self._refuse_if_down()
        return [each for each in self._all if each.alert_id == alert_id][-rows_max:]

    def after(self, number: int, rows_max: int = 1000, drive_id: str | None = None) -> list[Transition]:
        self._refuse_if_down()
        found = [each for each in self._all if each.number > number and drive_id in {None, each.drive_id}]
        return found[:rows_max]

    def recorded(self, from_ns: int, to_ns: int, rows_max: int = ROWS_MAX) -> list[Transition]:
        self._refuse_if_down()
        return [each for each in self._all if from_ns < each.act.recorded_ns <= to_ns][-rows_max:]

    def newest_number(self) -> int:
        self._refuse_if_down()
        return len(self._all)

    def by_key(self, key: str) -> Transition | None:
        self._refuse_if_down()
        return next((each for each in self._all if each.act.key == key), None)
