"""Door: a person answers an alert. Each answer is checked, made a transition, and answered with the alert as it then is.

Knows the ports, core and the annunciator; must not know how the person came in. What a person got wrong raises, with
the fix in words: NotFoundError (no such alert), NotAllowedError (the alert is not in a state for it), OvertakenError
(somebody was first), FieldsRefusedError or ValueError (a value that cannot be). Nothing is stored then.
The transition is the record of who did what, when and why; nothing else has to be kept of it.
"""

from collections.abc import Mapping
from dataclasses import dataclass

from service.annunciator import Advanced, Annunciator
from service.core.alert import Act, Event, NotAllowedError
from service.core.fields import FieldsRefusedError, key_problem, refuse, text_problem
from service.core.setpoint import ConditionKind
from service.ports import AlertLog, NotFoundError, OvertakenError, Register

DAY_NS = 86_400 * 1_000_000_000
SHELF_DAYS_MAX = (
    30  # a shelf is for a time that one can oversee (IEC 62682 asks for a limit; 30 days are our own)
)
REVIEW_DAYS_MAX = 366
AT_ONCE_MAX = 500  # alerts that one request may acknowledge


@dataclass(frozen=True, slots=True, kw_only=True)
class Said:
    """What goes with every answer.

    at_ns: now. seq: of the last transition that the person saw; None: whatever the alert is now.
    key: the client's own name for this answer, so that asking twice does it once.
    """

    by: str
    at_ns: int
    why: str = ""
    seq: int | None = None
    key: str | None = None


@dataclass(frozen=True, slots=True)
class NotDone:
    """An alert of many that was not acknowledged, and why."""

    alert_id: str
    detail: str


@dataclass(frozen=True, slots=True)
class Acknowledged:
    """What came of acknowledging many: each is in one of the two."""

    done: tuple[Advanced, ...]
    refused: tuple[NotDone, ...]


class Answer:
    """What people do to alerts."""

    def __init__(self, alert_log: AlertLog, register: Register) -> None:
        self._log, self._register = alert_log, register
        self._annunciator = Annunciator(alert_log)

    def acknowledge(self, alert_id: str, said: Said) -> Advanced:
        """Say that it was seen. A reason is taken along and not needed."""
        return self._advance(alert_id, Event.ACKNOWLEDGE, said)

    def acknowledge_all(self, seen: Mapping[str, int | None], said: Said) -> Acknowledged:
        """Acknowledge many; `seen` has the `seq` of each. What cannot be acknowledged does not hold up the others.

        Raises ValueError where they are too many, StoreUnavailableError (some may be done by then: ask again).
        """
        if not 0 < len(seen) <= AT_ONCE_MAX:
            raise ValueError(f"name 1 to {AT_ONCE_MAX} alerts at once (given {len(seen)})")
        done, refused = list[Advanced](), list[NotDone]()
        for alert_id, seq in seen.items():
            each = Said(by=said.by, at_ns=said.at_ns, why=said.why, seq=seq, key=said.key)
            try:
                done.append(self.acknowledge(alert_id, each))
            except (NotFoundError, NotAllowedError, OvertakenError) as error:
                refused.append(NotDone(alert_id, str(error)))
        return Acknowledged(tuple(done), tuple(refused))

    def shelve(self, alert_id: str, said: Said, until_ns: int) -> Advanced:
        """Keep it from annunciating until then; a reason is needed."""
        refuse(until=_end_problem(until_ns, said.at_ns, SHELF_DAYS_MAX, "shelf"))
        return self._advance(alert_id, Event.SHELVE, said, until_ns=until_ns)

    def unshelve(self, alert_id: str, said: Said) -> Advanced:
        """Take it off the shelf before its time is over."""
        return self._advance(alert_id, Event.UNSHELVE, said)

    def take_out_of_service(self, alert_id: str, said: Said, review_ns: int) -> Advanced:
        """Keep it from annunciating until somebody puts it back; a reason and a day to look at it again are needed."""
        refuse(review=_end_problem(review_ns, said.at_ns, REVIEW_DAYS_MAX, "review"))
        return self._advance(alert_id, Event.TAKE_OUT, said, until_ns=review_ns)

    def put_back_in_service(self, alert_id: str, said: Said) -> Advanced:
        """Let it annunciate again."""
        return self._advance(alert_id, Event.PUT_BACK, said)

    def comment(self, alert_id: str, said: Said) -> Advanced:
        """Add what `why` says to its history."""
        if not said.why.strip():
            raise FieldsRefusedError({"why": "write something: an empty comment tells nobody anything"})
        return self._advance(alert_id, Event.COMMENT, said)

    def set_work_order(self, alert_id: str, said: Said, work_order: str) -> Advanced:
        """Say under which reference the work is planned; an empty one takes it away."""
        work_order = work_order.strip()
        refuse(work_order=text_problem(work_order))
        return self._advance(alert_id, Event.SET_WORK_ORDER, said, work_order=work_order)

    def _advance(
        self,
        alert_id: str,
        event: Event,
        said: Said,
        *,
        until_ns: int | None = None,
        work_order: str = "",
    ) -> Advanced:
        why = said.why.strip()
        refuse(why=text_problem(why, lines=True), idempotency_key=key_problem(said.key, optional=True))
        drive_id, kind = self._whose(alert_id)
        act = Act(
            event=event,
            by=said.by,
            why=why,
            true_ns=said.at_ns,
            recorded_ns=said.at_ns,
            until_ns=until_ns,
            work_order=work_order,
            key=None if said.key is None else f"{alert_id} {said.key}",
        )
        done = self._annunciator.advance(drive_id, kind, act, seq=said.seq)
        _refuse_other_use(done, act)
        return done

    def _whose(self, alert_id: str) -> tuple[str, ConditionKind]:
        """Return the drive and the condition of an alert, also of one that nothing ever happened to."""
        known = self._log.alert(alert_id)
        if known is not None:
            return known.drive_id, known.kind
        drive_id, _, kind = alert_id.rpartition(".")
        if kind not in set(ConditionKind):
            raise NotFoundError(
                f"there is no alert {alert_id[:200]!r}: an id is that of a drive, a dot and a condition, "
                "as GET /api/v1/alerts has them"
            )
        return self._register.drive(drive_id).drive_id, ConditionKind(kind)


def _end_problem(end_ns: int, at_ns: int, days_max: int, what: str) -> str | None:
    if at_ns < end_ns <= at_ns + days_max * DAY_NS:
        return None
    return f"the {what} must lie after now and within {days_max} days; choose a day, and do it again when it comes"


def _refuse_other_use(done: Advanced, act: Act) -> None:
    """Raise where the key was used before for something else: nothing was done, and the client must know."""
    before = done.transition.act
    if (before.event, before.why, before.work_order) != (act.event, act.why, act.work_order):
        raise FieldsRefusedError(
            {
                "idempotency_key": f"this key was used before, to {before.event.replace('_', ' ')}; "
                "use a new one for each answer, and the same only to send it again"
            }
        )
