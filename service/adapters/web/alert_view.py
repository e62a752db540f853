"""An alert as pages show it: words, who is on it, and what can be done with it just now. Decides nothing."""

from collections.abc import Iterable
from dataclasses import dataclass, replace
from datetime import tzinfo

from service.adapters.web.alert_words import EVENTS, STATES, TITLES, measured_words
from service.adapters.web.alerts import Found, most_urgent_first
from service.adapters.web.instants import SECOND_NS, age_words
from service.adapters.web.templating import when
from service.adapters.web.texts import told
from service.core.alert import LIFE, Alert, Annunciation, Event, Hold, Transition
from service.core.condition_words import RESPONDS
from service.core.drive import Drive
from service.core.setpoint import RULES, Priority

UNSEEN = frozenset({Annunciation.UNACKNOWLEDGED, Annunciation.RETURNED})
# In which order to answer; then those that are kept quiet. How soon is said with each: a priority is made of that and of the
# consequence, so no time is true of all that have it.
GROUPS = {
    Priority.HIGH: "Answer first",
    Priority.MEDIUM: "Answer next",
    Priority.LOW: "To be planned",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class View:
    """One alert in words."""

    alert: Alert
    drive: Drive
    title: str
    drive_title: str
    place: str
    state: str
    measured: str
    respond: str  # how soon to answer
    age: str  # since it occurred; "" where it never did
    on_it: str  # who acknowledged it, under which work order; or that nobody did
    holds: tuple[str, ...]

    @property
    def unseen(self) -> bool:
        """Whether somebody is waited for."""
        return self.alert.annunciation in UNSEEN and not self.alert.held

    @property
    def cause(self) -> str:
        """What it is."""
        return self.alert.facts.cause if self.alert.facts else ""

    @property
    def mend(self) -> str:
        """What to do."""
        return self.alert.facts.mend if self.alert.facts else ""

    @property
    def at_drive(self) -> bool:
        """Whether somebody is sent to the drive."""
        return self.alert.facts is not None and self.alert.facts.at_drive

    @property
    def can_be_acknowledged(self) -> bool:
        """Whether there is anything to acknowledge."""
        return (self.alert.annunciation, Event.ACKNOWLEDGE) in LIFE

    @property
    def is_shelved(self) -> bool:
        """Whether it lies on the shelf."""
        return Hold.SHELVED in self.alert.holds

    @property
    def is_out_of_service(self) -> bool:
        """Whether it was taken out of service."""
        return Hold.OUT_OF_SERVICE in self.alert.holds


def view_of(found: Found, now_ns: int, zone: tzinfo) -> View:
    """Return an alert in words."""
    alert, drive, facts = found.alert, found.drive, found.alert.facts
    since_ns = alert.since_ns
    return View(
        alert=alert,
        drive=drive,
        title=TITLES[alert.kind],
        drive_title=drive.name or drive.drive_id,
        place=" / ".join(part for part in (drive.site, drive.area, drive.line) if part),
        state=STATES[alert.state],
        measured=measured_words(facts.value, facts.u, facts.setpoint, facts.unit) if facts else "",
        respond=RESPONDS[RULES[alert.kind].respond],
        age="" if since_ns is None else age_words((now_ns - since_ns) / SECOND_NS),
        on_it=_on_it(alert, zone),
        holds=tuple(_hold_words(alert, zone)),
    )


def _on_it(alert: Alert, zone: tzinfo) -> str:
    order = f", work order {alert.work_order}" if alert.work_order else ""
    if alert.annunciation is Annunciation.ACKNOWLEDGED:
        since = "" if alert.acknowledged_ns is None else f" since {when(alert.acknowledged_ns, zone)}"
        return f"{alert.acknowledged_by} is on it{since}{order}"
    if alert.annunciation is Annunciation.RETURNED:
        back = "" if alert.cleared_ns is None else f" since {when(alert.cleared_ns, zone)}"
        return f"Back to normal{back}; nobody has acknowledged that it was there{order}"
    if alert.annunciation is Annunciation.UNACKNOWLEDGED:
        return f"Nobody is on it yet{order}"
    return f"Nothing is the matter now{order}"


_HELD = {
    Hold.OUT_OF_SERVICE: "Out of service, to be looked at again by",
    Hold.SUPPRESSED: "Suppressed by design",
    Hold.SHELVED: "Shelved until",
}


def _hold_words(alert: Alert, zone: tzinfo) -> Iterable[str]:
    for each in alert.held:
        until = "" if each.until_ns is None else f" {when(each.until_ns, zone)}"
        yield f"{told(_HELD[each.hold])}{until}: {told(each.why)} ({each.by})"


@dataclass(frozen=True, slots=True)
class Group:
    """Alerts of one priority, or those that are kept quiet."""

    title: str
    priority: int  # 0: of any
    views: tuple[View, ...]


def groups_of(alerts: Iterable[Found], now_ns: int, zone: tzinfo) -> list[Group]:
    """Return alerts in groups by priority, the highest first; those that are held come last."""
    views = [view_of(each, now_ns, zone) for each in most_urgent_first(alerts)]
    found = [
        Group(
            title,
            priority,
            tuple(each for each in views if not each.alert.held and each.alert.priority is priority),
        )
        for priority, title in GROUPS.items()
    ]
    found.append(Group("Kept quiet", 0, tuple(each for each in views if each.alert.held)))
    return [each for each in found if each.views]


def part_of(groups: Iterable[Group], start: int, count: int) -> list[Group]:
    """Return the same groups with so many of their alerts from one on, all counted through; groups without any fall out."""
    found, before = [], 0
    for group in groups:
        views = group.views[max(0, start - before) : max(0, start + count - before)]
        before += len(group.views)
        if views:
            found.append(replace(group, views=views))
    return found


def step_words(transition: Transition, zone: tzinfo) -> tuple[str, str]:
    """Return what happened in one step of a history, and what was said of it."""
    act = transition.act
    facts = act.facts
    said = [
        act.why,
        f"until {when(act.until_ns, zone)}" if act.until_ns is not None else "",
        act.work_order,
        measured_words(facts.value, facts.u, facts.setpoint, facts.unit) if facts else "",
        facts.cause if facts and act.event is Event.OCCUR else "",
    ]
    return EVENTS[act.event], "; ".join(part for part in said if part)
