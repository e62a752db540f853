"""Which drive is told in the place of those that fell silent with it (`core/silence`), from look to look.

Knows who of the whole plant is silent and told, also in the shares of other processes; the log says it where nothing is
remembered. Must not know how a condition is judged or recorded.
"""

from collections.abc import Callable, Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass

from service.core.alert import Alert, Annunciation, Hold, alert_id_of
from service.core.condition import TOGETHER, By, is_gone, longest_silence_ns
from service.core.drive import Drive
from service.core.health import QUIET_WINDOWS
from service.core.not_measured import NotMeasured
from service.core.reading import Reading
from service.core.route import Route, takes_drive
from service.core.setpoint import ConditionKind
from service.core.silence import MANY, Led, Place, Silences, Silent, Told
from service.core.work import COMMISSIONING_KINDS, SIMULATION_KINDS, Work, WorkKind
from service.evaluate import Registered
from service.ports import AlertLog, DeviceState, Readings

SILENCES = (ConditionKind.NO_READING, ConditionKind.DEVICE_OFFLINE)
QUIET_NS = 30 * 10**9  # without a reading for so long at least, a drive may have gone silent with others
FOLLOW_NS = 30 * 10**9  # from one look at those that are kept quiet to the next
HUMAN_HOLDS = frozenset({Hold.SHELVED, Hold.OUT_OF_SERVICE})


@dataclass(frozen=True, slots=True, kw_only=True)
class PlantNow:
    """All drives that are registered, and what is known of them now."""

    drives: Mapping[str, Registered]
    by: Mapping[str, By]
    devices: Mapping[str, DeviceState]
    work: Mapping[str, Sequence[Work]]
    now_ns: int


class SpeakFor:
    """Remembers who is told and who is kept quiet; what it looks up for that is looked up once a turn at most."""

    def __init__(
        self, alert_log: AlertLog, readings: Readings, routes: Callable[[], Sequence[Route]]
    ) -> None:
        """Nobody is told or kept quiet yet. routes: by which people are told, asked for where there is need."""
        self._alert_log, self._readings, self._all_routes = alert_log, readings, routes
        self._plant = PlantNow(drives={}, by={}, devices={}, work={}, now_ns=0)
        self._led: dict[ConditionKind, dict[str, Led]] = {kind: {} for kind in SILENCES}
        self._told: dict[ConditionKind, set[str]] = {kind: set() for kind in SILENCES}
        self._followed_ns = 0
        self._follows = True
        self._newest: Mapping[str, Reading] | None = None
        self._standing: Mapping[str, Alert] | None = None
        self._routes: Sequence[Route] | None = None
        self._silences: dict[ConditionKind, Silences] = {}

    def look(self, plant: PlantNow) -> None:
        """Begin a turn."""
        self._plant = plant
        self._newest = self._standing = self._routes = None
        self._silences.clear()
        self._follows = abs(plant.now_ns - self._followed_ns) >= FOLLOW_NS
        if self._follows:
            self._followed_ns = plant.now_ns

    def forget(self, drive_id: str) -> None:
        """Remember nothing of a drive any more."""
        for kind in SILENCES:
            self._led[kind].pop(drive_id, None)
            self._told[kind].discard(drive_id)

    def is_led(self, kind: ConditionKind, drive_id: str) -> bool:
        """Return whether another drive is told in the place of this one."""
        return kind in self._led and drive_id in self._led[kind]

    def decide(
        self,
        drive: Drive,
        *,
        active: Collection[ConditionKind],
        hushed: Callable[[], Collection[ConditionKind]],
        loaded: Collection[ConditionKind] | None,
    ) -> dict[ConditionKind, int]:
        """Decide whether a drive of which nothing comes is told, or kept quiet for one that is.

        Args:
            drive: of which nothing comes, or something does.
            active: in which ways nothing comes of it.
            hushed: what is kept quiet of it for another reason; asked only where there is need.
            loaded: what was active as it was loaded, where nothing was remembered of it; else None.

        Returns:
            For how many others it stands, by what is told of it from now on.
        """
        drive_id = drive.drive_id
        for kind in SILENCES:
            if kind not in active:
                self._led[kind].pop(drive_id, None)
                self._told[kind].discard(drive_id)
        if not active:
            return {}
        if loaded is not None:
            self._remember(drive_id, [kind for kind in active if kind in loaded])
        quiet, found = hushed(), {}
        for kind in active:
            if kind in quiet:
                self._told[kind].discard(drive_id)
            elif drive_id not in self._told[kind] and not self._follows_another(kind, drive):
                self._told[kind].add(drive_id)
                others = self._silences_of(kind).others(drive_id)
                if others >= MANY - 1:
                    found[kind] = others
        return found

    def _remember(self, drive_id: str, kinds: Iterable[ConditionKind]) -> None:
        """Find in the log what was decided of a drive before, or by another process."""
        for kind in kinds:
            alert = self._alerts().get(alert_id_of(drive_id, kind))
            if alert is None:
                continue
            suppressed = [each for each in alert.held if each.hold is Hold.SUPPRESSED]
            if any(each.why == TOGETHER for each in suppressed):
                self._led[kind][drive_id] = Led(leader="", seen_ns=self._plant.now_ns)
            elif alert.active and not suppressed:
                self._told[kind].add(drive_id)

    def _follows_another(self, kind: ConditionKind, drive: Drive) -> bool:
        """Whether another is told in the place of a drive; where none is, note that this one is."""
        drive_id, now_ns = drive.drive_id, self._plant.now_ns
        led = self._led[kind].get(drive_id)
        if led is not None and not self._follows:
            return True
        silences, priority = self._silences_of(kind), self._plant.by[drive_id].setpoints[kind].priority
        if led is not None:
            found = silences.follow(drive_id, priority, led, now_ns)
        else:
            leader = silences.leader_for(drive_id, priority)
            found = None if leader is None else Led(leader=leader, seen_ns=now_ns)
        if found is not None:
            self._led[kind][drive_id] = found
            return True
        self._led[kind].pop(drive_id, None)
        alert = self._alerts().get(alert_id_of(drive_id, kind))
        silences.tell(
            Told(
                drive_id=drive_id,
                place=self._place_of(drive),
                priority=priority,
                held=alert is not None and bool(HUMAN_HOLDS & set(alert.holds)),
                after=None if led is None else led.leader,
            )
        )
        return False

    # What is so in the whole plant

    def _alerts(self) -> Mapping[str, Alert]:
        if self._standing is None:
            self._standing = {each.alert_id: each for each in self._alert_log.alerts()}
        return self._standing

    def _silences_of(self, kind: ConditionKind) -> Silences:
        if kind not in self._silences:
            silent = (self._silent(kind, each) for each in self._plant.drives.values())
            told = (self._told_of(each) for each in self._alerts().values() if each.kind is kind)
            self._silences[kind] = Silences(
                [each for each in silent if each is not None], [each for each in told if each is not None]
            )
        return self._silences[kind]

    def _told_of(self, alert: Alert) -> Told | None:
        """Return an alert as it counts, None where it is not told."""
        registered = self._plant.drives.get(alert.drive_id)
        if registered is None or not alert.active or Hold.SUPPRESSED in alert.holds:
            return None
        acknowledged = alert.annunciation is Annunciation.ACKNOWLEDGED
        return Told(
            drive_id=alert.drive_id,
            place=self._place_of(registered.drive),
            priority=alert.priority,
            acknowledged_ns=alert.acknowledged_ns if acknowledged else None,
            held=bool(alert.held),
        )

    def _silent(self, kind: ConditionKind, registered: Registered) -> Silent | None:
        """Return since when nothing comes of a drive, None where it does."""
        drive = registered.drive
        by, reading = self._plant.by[drive.drive_id], self._newest_of(drive.drive_id)
        since_ns = (
            self._offline_since(drive.drive_id, reading)
            if kind is ConditionKind.DEVICE_OFFLINE
            else _quiet_since(by, reading, self._plant.now_ns)
        )
        if since_ns is None:
            return None
        kinds_of_work = {each.kind for each in self._plant.work.get(drive.drive_id, ())}
        worked_on = kinds_of_work & (COMMISSIONING_KINDS | SIMULATION_KINDS | {WorkKind.LOCKED_OUT})
        stood = reading is not None and reading.reason is NotMeasured.STOPPED
        watched = by.setpoints[kind].enabled and drive.whole_pitches is not None
        return Silent(
            drive_id=drive.drive_id,
            place=self._place_of(drive),
            since_ns=since_ns,
            counts=watched and not worked_on and not stood,
        )

    def _place_of(self, drive: Drive) -> Place:
        """Return the site of a drive and the routes that take it, so that who is told of one would be told of another."""
        if self._routes is None:
            self._routes = [each for each in self._all_routes() if each.enabled]
        return drive.site, *(each.route_id for each in self._routes if takes_drive(each, drive))

    def _newest_of(self, drive_id: str) -> Reading | None:
        if self._newest is None:
            self._newest = {each.drive_id: each.reading for each in self._readings.newest()}
        return self._newest.get(drive_id)

    def _offline_since(self, drive_id: str, reading: Reading | None) -> int | None:
        device = self._plant.devices.get(drive_id)
        if device is None or not is_gone(device.online, device.since_ns, reading.t_ns if reading else None):
            return None
        return device.since_ns


def _quiet_since(by: By, reading: Reading | None, now_ns: int) -> int | None:
    """Return when the newest reading of a drive ended, None where it is no longer ago than usual."""
    if reading is None:
        return None
    window_ns = reading.t_ns - reading.t0_ns
    usual_ns = min(longest_silence_ns(by, window_ns) // 2, max(QUIET_WINDOWS * window_ns, QUIET_NS))
    return reading.t_ns if now_ns - reading.t_ns > usual_ns else None
