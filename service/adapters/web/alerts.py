"""Alerts with the drives they belong to, for API and pages. Joins the log of alerts and the register; decides nothing."""

from collections.abc import Iterable
from dataclasses import dataclass

from service.adapters.web.parts import Parts
from service.core.alert import Alert, Annunciation
from service.core.drive import Drive
from service.core.setpoint import ConditionKind, Priority
from service.ports import NotFoundError


@dataclass(frozen=True, slots=True)
class Filters:
    """Which alerts are asked for; None and empty: all."""

    site: str | None = None
    area: str | None = None
    line: str | None = None
    drive: str | None = None
    priorities: frozenset[Priority] = frozenset()
    states: frozenset[str] = frozenset()
    kinds: frozenset[ConditionKind] = frozenset()
    since_ns: int | None = None
    standing: bool | None = True

    def let_pass(self, alert: Alert, drive: Drive) -> bool:
        """Return whether an alert of a drive is asked for."""
        return (
            self.site in {None, drive.site}
            and self.area in {None, drive.area}
            and self.line in {None, drive.line}
            and self.drive in {None, drive.drive_id}
            and (not self.priorities or alert.priority in self.priorities)
            and (not self.states or alert.state in self.states)
            and (not self.kinds or alert.kind in self.kinds)
            and (self.since_ns is None or alert.changed_ns > self.since_ns)
            and self.standing in {None, alert.stands}
        )


@dataclass(frozen=True, slots=True)
class Found:
    """An alert and its drive."""

    alert: Alert
    drive: Drive


def found(parts: Parts, filters: Filters) -> list[Found]:
    """Return the alerts that are asked for, by id."""
    drives = {each.drive_id: each for each in parts.register.drives(retired=True)}
    alerts = parts.alert_log.alerts(filters.drive, standing=filters.standing is True)
    pairs = (Found(each, drives.get(each.drive_id) or Drive(drive_id=each.drive_id)) for each in alerts)
    return [each for each in pairs if filters.let_pass(each.alert, each.drive)]


def most_urgent_first(alerts: Iterable[Found]) -> list[Found]:
    """Return alerts in the order in which to look at them.

    Not held before held, by priority, not acknowledged before acknowledged, what stands longest first.
    """
    unseen = {Annunciation.UNACKNOWLEDGED, Annunciation.RETURNED}
    return sorted(
        alerts,
        key=lambda each: (
            bool(each.alert.held),
            -each.alert.priority,
            each.alert.annunciation not in unseen,
            each.alert.since_ns or 0,
            each.alert.alert_id,
        ),
    )


def one(parts: Parts, alert_id: str) -> Found:
    """Return an alert that something happened to. Raises NotFoundError."""
    alert = parts.alert_log.alert(alert_id)
    if alert is None:
        raise NotFoundError(
            f"nothing ever happened to an alert {alert_id[:200]!r}: GET /api/v1/alerts?standing=false lists what did"
        )
    return Found(alert, drive_of(parts, alert.drive_id))


def drive_of(parts: Parts, drive_id: str) -> Drive:
    """Return the drive of an alert, retired or not; a bare one where the register has none of that id."""
    try:
        return parts.register.drive(drive_id)
    except NotFoundError:
        return Drive(drive_id=drive_id)
