"""Advances one alert and records the transition, in one transaction, only if nobody was first.

Knows the order: read, advance, record; must not know why it is asked or who is told. What the process does (a condition
occurred or cleared, a shelf's time is over) is tried again when somebody was first, for it is true whatever a person did
meanwhile. What a person does is not: the person is told what the first one did.
"""

from dataclasses import dataclass, replace

import structlog

from service.core.alert import Act, Alert, Transition, advance, applied, begin
from service.core.setpoint import ConditionKind
from service.ports import AlertLog, OvertakenError

TRIES = 20  # with so many people at one alert at once something else is wrong

log = structlog.get_logger(__name__)


@dataclass(frozen=True, slots=True)
class Advanced:
    """The alert as it now is, and the transition that made it so."""

    alert: Alert
    transition: Transition


class Annunciator:
    """Makes transitions."""

    def __init__(self, alert_log: AlertLog) -> None:
        self._log = alert_log

    def advance(self, drive_id: str, kind: ConditionKind, act: Act, *, seq: int | None = None) -> Advanced:
        """Advance the alert of a condition by an act and return it.

        An act whose key is known was done already: what it did is returned and nothing is done.

        Args:
            drive_id: of a registered drive; nothing is checked here.
            kind: the condition.
            act: what happened.
            seq: of the last transition that the person saw; None: whatever it is now.

        Raises NotAllowedError, ValueError (see `advance` of core.alert), OvertakenError (`seq` is not the last any more),
        StoreUnavailableError.
        """
        for _ in range(TRIES):
            alert = self._log.alert(begin(drive_id, kind).alert_id) or begin(drive_id, kind)
            # Asked for after the alert: had this very act changed the alert by then, its key is found.
            if act.key is not None and (done := self._log.by_key(act.key)) is not None:
                return self._done_before(done)
            if seq is not None and seq != alert.seq:
                raise OvertakenError(alert)
            transition = advance(alert, act)
            try:
                number = self._log.record(transition, applied(alert, transition))
            except OvertakenError:
                continue  # `seq` is held against what is there now, and a taken key is found
            stored = replace(transition, number=number)
            log.info(
                "alert",
                alert=stored.alert_id,
                done=str(act.event),
                before=str(stored.before),
                after=str(stored.after),
                holds=",".join(stored.holds),
                by=act.by,
                number=number,
            )
            return Advanced(applied(alert, stored), stored)
        raise OvertakenError(alert)

    def _done_before(self, done: Transition) -> Advanced:
        alert = self._log.alert(done.alert_id)
        assert alert is not None  # noqa: S101 - a transition and its alert are stored in one transaction
        return Advanced(alert, done)
