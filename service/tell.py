"""Brings the log of alerts in line with what is so: records what is lacking, and suppresses by design what means nothing now.

Knows the order in which it is done; must not know why something is so. At most one step of the elongation of a drive stands
for people at any time: those that a higher one outranks are suppressed before it is recorded, and come back if it clears. An
alert that is suppressed is recorded as before, and what a person said of it stays.
"""

from collections.abc import Callable, Iterator, Mapping, Sequence

import structlog

from service.annunciator import Annunciator
from service.core.alert import (
    Act,
    Alert,
    Annunciation,
    Event,
    Hold,
    NotAllowedError,
    Transition,
    alert_id_of,
    begin,
)
from service.core.condition import HIGHER
from service.core.setpoint import STEPS, ConditionKind
from service.core.told import Needed, Stretch, needed
from service.ports import AlertLog

log = structlog.get_logger(__name__)

FEW = 2  # conditions whose past is asked for without asking first which of them have any
Alerts = dict[ConditionKind, Alert]
Quiet = Mapping[ConditionKind, str]  # what says nothing now, and why


class Tell:
    """Records what the process does to alerts."""

    def __init__(self, alert_log: AlertLog) -> None:
        self._log = alert_log
        self._annunciator = Annunciator(alert_log)

    def record(
        self,
        drive_id: str,
        so: Mapping[ConditionKind, Sequence[Stretch]],
        from_ns: int,
        quiet: Quiet,
        now_ns: int,
    ) -> None:
        """Record what is lacking so that the log says what is so, in the order in which it was true.

        Args:
            drive_id: of a drive.
            so: over which stretches conditions were true since `from_ns`; others are left as they are.
            from_ns: since when that is known anew.
            quiet: what is to be suppressed while it is true.
            now_ns: when it is recorded.
        """
        known = self._alerts(drive_id) if len(so) > FEW else None  # a condition without an alert has no past
        lacking = {
            kind: needed(self._past(drive_id, kind, known), so[kind], from_ns)
            for kind in ConditionKind
            if kind in so
        }
        if not any(lacking.values()):
            return
        alerts = self._alerts(drive_id) if known is None else known
        for kind, each in _in_order(lacking):
            self._rank(drive_id, alerts, quiet, now_ns)  # as it would have been, had somebody looked then
            if each.event is Event.OCCUR:
                self._suppress(drive_id, alerts, quiet, now_ns, about=kind)
            self._advance(drive_id, kind, alerts, _act(each, now_ns))
        self.hold(drive_id, quiet, now_ns, alerts)

    def hold(self, drive_id: str, quiet: Quiet, now_ns: int, alerts: Alerts | None = None) -> None:
        """Suppress what is true and means nothing now, and take the suppression off what means something again."""
        alerts = self._alerts(drive_id) if alerts is None else alerts
        self._suppress(drive_id, alerts, quiet, now_ns)
        wanted = _wanted(alerts, quiet, None)
        for kind, alert in list(alerts.items()):
            if Hold.SUPPRESSED in alert.holds and kind not in wanted:
                act = Act(event=Event.UNSUPPRESS, true_ns=now_ns, recorded_ns=now_ns)
                self._advance(drive_id, kind, alerts, act)

    def _rank(self, drive_id: str, alerts: Alerts, quiet: Quiet, now_ns: int) -> None:
        """Suppress the steps that another outranks, and let go those that none does any more.

        What is quiet for another reason waits for `hold`: that it is so now says nothing of the instants before.
        """
        outranked = _outranked(alerts, None)
        held = {
            each.kind: hold.why
            for each in alerts.values()
            for hold in each.held
            if hold.hold is Hold.SUPPRESSED
        }
        for kind in outranked:
            if kind not in held:
                act = Act(event=Event.SUPPRESS, why=HIGHER, true_ns=now_ns, recorded_ns=now_ns)
                self._advance(drive_id, kind, alerts, act)
        for kind in STEPS:
            if kind not in outranked and kind not in quiet and held.get(kind) == HIGHER:
                act = Act(event=Event.UNSUPPRESS, true_ns=now_ns, recorded_ns=now_ns)
                self._advance(drive_id, kind, alerts, act)

    def end_shelves(self, now_ns: int, is_ours: Callable[[str], bool]) -> None:
        """End the shelves whose time is over, of the drives that are ours."""
        for alert in self._log.alerts():
            if not is_ours(alert.drive_id):
                continue
            for held in alert.held:
                if held.hold is Hold.SHELVED and held.until_ns is not None and held.until_ns <= now_ns:
                    act = Act(event=Event.SHELF_ENDS, true_ns=held.until_ns, recorded_ns=now_ns)
                    self._advance(alert.drive_id, alert.kind, {alert.kind: alert}, act)

    def clear_all(self, drive_id: str, why: str, now_ns: int) -> None:
        """Clear whatever stands of a drive that is watched no more."""
        alerts = self._alerts(drive_id)
        for kind, alert in list(alerts.items()):
            if alert.active:
                act = Act(event=Event.CLEAR, why=why, true_ns=now_ns, recorded_ns=now_ns)
                self._advance(drive_id, kind, alerts, act)
        self.hold(drive_id, {}, now_ns, alerts)

    def _past(self, drive_id: str, kind: ConditionKind, known: Alerts | None) -> list[Transition]:
        return self._log.of_alert(alert_id_of(drive_id, kind)) if known is None or kind in known else []

    def _alerts(self, drive_id: str) -> Alerts:
        return {each.kind: each for each in self._log.alerts(drive_id, standing=False)}

    def _suppress(
        self,
        drive_id: str,
        alerts: Alerts,
        quiet: Quiet,
        now_ns: int,
        about: ConditionKind | None = None,
    ) -> None:
        for kind, why in _wanted(alerts, quiet, about).items():
            if Hold.SUPPRESSED not in alerts.get(kind, begin(drive_id, kind)).holds:
                act = Act(event=Event.SUPPRESS, why=why, true_ns=now_ns, recorded_ns=now_ns)
                self._advance(drive_id, kind, alerts, act)

    def _advance(self, drive_id: str, kind: ConditionKind, alerts: Alerts, act: Act) -> None:
        """Record an act and what the alert is after it. One that is so already is as good as done."""
        try:
            alerts[kind] = self._annunciator.advance(drive_id, kind, act).alert
        except NotAllowedError as said:
            log.info("so already", what=str(said))
            if (now := self._log.alert(alert_id_of(drive_id, kind))) is not None:
                alerts[kind] = now


def _in_order(
    lacking: Mapping[ConditionKind, Sequence[Needed]],
) -> Iterator[tuple[ConditionKind, Needed]]:
    """What is lacking of all alerts by its own time, that of each alert in the order in which it can be recorded.

    At one instant a higher step occurs before those that it outranks, and clears after them.
    """
    waiting = {kind: list(those) for kind, those in lacking.items() if those}
    ranks = {kind: rank for rank, kind in enumerate(ConditionKind)}

    def turn(kind: ConditionKind) -> tuple[int, int]:
        first = waiting[kind][0]
        return first.true_ns, -ranks[kind] if first.event is Event.OCCUR else ranks[kind]

    while waiting:
        kind = min(waiting, key=turn)
        yield kind, waiting[kind].pop(0)
        if not waiting[kind]:
            del waiting[kind]


def _act(needed: Needed, now_ns: int) -> Act:
    return Act(
        event=needed.event,
        why=needed.why,
        true_ns=needed.true_ns,
        recorded_ns=now_ns,
        facts=needed.facts,
        priority=needed.priority,
    )


def _wanted(alerts: Alerts, quiet: Quiet, about: ConditionKind | None) -> dict[ConditionKind, str]:
    """What is to be suppressed, and why; `about` is about to occur."""
    wanted = {kind: quiet[kind] for kind in ConditionKind if kind in quiet and kind in _true(alerts, about)}
    return wanted | dict.fromkeys(_outranked(alerts, about), HIGHER)


def _true(alerts: Alerts, about: ConditionKind | None) -> set[ConditionKind]:
    return {kind for kind, alert in alerts.items() if alert.active} | ({about} if about else set())


def _outranked(alerts: Alerts, about: ConditionKind | None) -> list[ConditionKind]:
    """The steps that people have to know of, but for the highest that is true, or else the highest of them."""
    true = _true(alerts, about)
    seen = {kind for kind, alert in alerts.items() if alert.annunciation is not Annunciation.NORMAL} | true
    steps = [kind for kind in STEPS if kind in seen]
    highest = [kind for kind in steps if kind in true] or steps
    return [kind for kind in steps if kind is not highest[-1]]
