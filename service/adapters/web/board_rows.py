"""The rows of the board: what is known of each drive, joined with its alerts, its forecast and who is on it, in the order of need.

Asks every port once for all drives, however many there are; what seldom changes is asked for again only when it has changed,
or after FORECASTS_S. Knows drives as facts; must not know HTTP or HTML. What a row says is made in `row_words`.
"""

import threading
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from operator import attrgetter

from service.adapters.web.board import Board, DriveState
from service.adapters.web.words import Verdict
from service.core.alert import Alert, Annunciation
from service.core.drive import Chain, Drive
from service.core.health import SignKind, Status
from service.core.setpoint import ConditionKind, Override, effective
from service.core.supply import Supply, terms_of
from service.core.urgency import S_NS, Need, Sound, Standing, need_of, rank
from service.core.work import Work
from service.ports import KeptPrognosis, Stores

FORECASTS_S = 10.0  # a forecast is made once an hour: the board may show it so much later
_UNSEEN = frozenset({Annunciation.UNACKNOWLEDGED, Annunciation.RETURNED})


@dataclass(frozen=True, slots=True, kw_only=True)
class Row:
    """One drive on the board. alerts: those that stand and are not held, the most urgent first."""

    state: DriveState
    need: Need
    rank: str
    alerts: tuple[Alert, ...]
    work: tuple[Work, ...]
    forecast: KeptPrognosis | None  # of the chain that is on the drive
    lead_days: float

    @property
    def drive(self) -> Drive:
        """Its settings."""
        return self.state.drive


@dataclass(frozen=True, slots=True, kw_only=True)
class Beside:
    """What is known of a drive besides its state. alerts: those that stand and are not held, the most urgent first."""

    alerts: tuple[Alert, ...] = ()
    work: tuple[Work, ...] = ()
    forecast: KeptPrognosis | None = None
    lead_days: float
    sound: Sound = Sound.GOOD


@dataclass(slots=True)
class BoardRows:
    """Reads the rows of all drives. May be asked by several threads."""

    board: Board
    stores: Stores
    stale_after_s: float
    _leads: tuple[object, dict[str, float]] | None = None
    _alerts: tuple[int, dict[str, list[Alert]]] | None = None
    _forecasts: tuple[int, dict[str, KeptPrognosis]] | None = None
    _newest: tuple[int, list[Row]] | None = None
    by_id: dict[str, Row] = field(default_factory=dict)  # as they were followed last
    _one_at_a_time: threading.Lock = field(default_factory=threading.Lock)

    def read(self, now_ns: int) -> list[Row]:
        """Return all drives as they are now, what needs doing first on top; forecasts may be FORECASTS_S old."""
        return self._read(now_ns)

    def follow(self, now_ns: int) -> list[Row]:
        """Return the same, and keep it for who asks soon after."""
        rows = self._read(now_ns)
        self._newest = now_ns, rows
        self.by_id = {each.drive.drive_id: each for each in rows}
        return rows

    def recent(self, now_ns: int, within_s: float) -> list[Row]:
        """Return what was read within so many seconds, else read: for many who ask at once."""
        with self._one_at_a_time:
            known = self._newest
            if known is not None and 0 <= now_ns - known[0] < within_s * S_NS:
                return known[1]
            return self.follow(now_ns)

    def _read(self, now_ns: int) -> list[Row]:
        states = self.board.states(now_ns)
        leads = self._lead_days()
        alerts, forecasts = self._standing(), self._forecasts_of(now_ns)
        work: dict[str, list[Work]] = {}
        for each in self.stores.work_in_hand.in_hand():
            work.setdefault(each.drive_id, []).append(each)
        rows = []
        for state in states:
            drive_id = state.drive.drive_id
            forecast = forecasts.get(drive_id)
            if forecast is not None and (state.chain is None or forecast.chain_id != state.chain.chain_id):
                forecast = None
            beside = Beside(
                alerts=tuple(alerts.get(drive_id, ())),
                work=tuple(work.get(drive_id, ())),
                forecast=forecast,
                lead_days=leads.get(drive_id, 0.0),
                sound=self._sound(state, now_ns),
            )
            rows.append(row_of(state, beside, now_ns))
        return sorted(rows, key=attrgetter("rank"))

    def _sound(self, state: DriveState, now_ns: int) -> Sound:
        signs = state.health.signs if state.health else ()
        statuses = {each.status for each in signs if each.kind is not SignKind.NO_DATA}
        if Status.FAILURE in statuses:
            return Sound.FAILED
        if Status.OUT_OF_SPECIFICATION in statuses:
            return Sound.DOUBTFUL
        if (state.age_s(now_ns) or 0.0) > self.stale_after_s:
            return Sound.SILENT
        return Sound.NEVER if state.reading is None and state.by_hand is None else Sound.GOOD

    # What seldom changes

    def _standing(self) -> Mapping[str, Sequence[Alert]]:
        """The alerts of each drive that stand and are not held, the most urgent first."""
        number, known = self.stores.alert_log.newest_number(), self._alerts
        if known is None or known[0] != number:
            by_drive: dict[str, list[Alert]] = {}
            for each in sorted(self.stores.alert_log.alerts(), key=_urgency):
                if not each.held:
                    by_drive.setdefault(each.drive_id, []).append(each)
            known = self._alerts = number, by_drive
        return known[1]

    def _forecasts_of(self, now_ns: int) -> dict[str, KeptPrognosis]:
        known = self._forecasts
        if known is None or not 0 <= now_ns - known[0] < FORECASTS_S * S_NS:
            known = now_ns, {each.drive_id: each for each in self.stores.prognoses.newest()}
            self._forecasts = known
        return known[1]

    def _lead_days(self) -> dict[str, float]:
        """Days from order to the chain being here, of each drive: as set under supply, else as its alert goes by."""
        snapshot = self.board.snapshot()
        overrides = self.stores.setpoints.overrides()
        mark = snapshot.version, self.stores.supplies.changed_ns(), tuple(overrides)
        known = self._leads
        if known is None or known[0] != mark:
            supplies = self.stores.supplies.supplies()
            known = self._leads = (
                mark,
                {
                    drive_id: lead_days_of(drive, snapshot.chains.get(drive_id, ()), supplies, overrides)
                    for drive_id, drive in snapshot.drives.items()
                },
            )
        return known[1]


def lead_days_of(
    drive: Drive, chains: Sequence[Chain], supplies: Iterable[Supply], overrides: Iterable[Override]
) -> float:
    """Return the lead time of a drive's next chain, days: what its alert goes by too."""
    named = {"site": drive.site, "drive_class": drive.drive_class, "drive_id": drive.drive_id}
    terms = terms_of(supplies, designation=chains[-1].designation if chains else "", **named)
    if terms.lead_days is not None:
        return float(terms.lead_days)
    return effective(ConditionKind.LIMIT_WITHIN_LEAD_TIME, overrides, **named).setpoint.value or 0.0


def row_of(state: DriveState, beside: Beside, now_ns: int) -> Row:
    """Return the row of one drive."""
    standing = standing_of(state, beside)
    return Row(
        state=state,
        need=need_of(standing, now_ns),
        rank=rank(standing, now_ns),
        alerts=beside.alerts,
        work=beside.work,
        forecast=beside.forecast,
        lead_days=beside.lead_days,
    )


def standing_of(state: DriveState, beside: Beside) -> Standing:
    """Return what is known of a drive as the facts that its need goes by."""
    unseen = [each for each in beside.alerts if is_unseen(each)]
    worst = max((each.priority for each in unseen), default=None)
    seen = any(each.annunciation is Annunciation.ACKNOWLEDGED for each in beside.alerts)
    return Standing(
        drive_id=state.drive.drive_id,
        used=state.used,
        reached=state.verdict is Verdict.REACHED,
        may_be_reached=state.verdict is Verdict.WITHIN_UNCERTAINTY,
        unanswered=worst,
        unanswered_since_ns=min((each.since_ns or 0 for each in unseen if each.priority is worst), default=0),
        early_ns=beside.forecast.p10_ns if beside.forecast else None,
        lead_days=beside.lead_days,
        sound=beside.sound,
        is_answered=bool(beside.work) or seen,
    )


def _urgency(alert: Alert) -> tuple[int, bool, int, str]:
    """By priority, not acknowledged before acknowledged, what stands longest first."""
    return -alert.priority, not is_unseen(alert), alert.since_ns or 0, alert.alert_id


def is_unseen(alert: Alert) -> bool:
    """Whether nobody has answered it."""
    return alert.annunciation in _UNSEEN


def counts(rows: Iterable[Row]) -> dict[Need, int]:
    """Return how many drives have each need."""
    found = dict.fromkeys(Need, 0)
    for each in rows:
        found[each.need] += 1
    return found
