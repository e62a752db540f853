"""The sensing of each drive: what many of its readings show together, and its state by NE 107.

Asks the ports for what core judges. What the newest reading and the device show is judged at every look; what only many
readings show costs a few thousand of them, so it is kept, and brought up to date one drive a look where many are watched,
and at once where somebody looks at one drive. Must not know HTML or HTTP.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field

from service.core.batch import RejectionReason
from service.core.commission import begun_anew_ns
from service.core.drive import Baseline, Chain, Drive, baseline_at
from service.core.findings import Finding
from service.core.health import Health, Known, Sign, carried_on, health, present_signs
from service.core.reading import Reading
from service.core.work import COMMISSIONING_KINDS, SIMULATION_KINDS, Work
from service.judge import judge
from service.ports import Devices, DeviceState, Readings, Refused, WorkInHand

SECOND_NS = 1_000_000_000
KEPT_NS = 600 * SECOND_NS  # so old a judgement of many readings may be on the board
FRESH_NS = 30 * SECOND_NS  # and on a drive's own page
REFUSED_AFTER_NS = 15 * SECOND_NS  # without a reading for so long a drive's refused messages are looked at
REFUSED_ROWS = 10
REFUSED_AT_ONCE = 20  # drives whose refused messages one look asks for, so that an outage of all of them costs no query for each


@dataclass(frozen=True, slots=True, kw_only=True)
class Assessed:
    """What many readings of a drive showed, and when that was looked at. `made_with`: what it was judged by."""

    at_ns: int
    made_with: tuple[object, ...]
    findings: tuple[Finding, ...]
    signs: tuple[Sign, ...]
    readings: int  # newest ones, one and all
    past: int  # of the days before


@dataclass(frozen=True, slots=True)
class Watched:
    """One drive as it is registered, with its newest reading."""

    drive: Drive
    chain: Chain | None
    baselines: Sequence[Baseline]  # of that chain
    newest: Reading | None


@dataclass(slots=True)
class Sensing:
    """Judges the sensing of drives, and keeps what takes long."""

    readings: Readings
    refused: Refused
    devices: Devices
    quiet_after_s: float = 180.0
    work_in_hand: WorkInHand | None = None
    _assessed: dict[str, Assessed] = field(default_factory=dict)
    _before: dict[str, Health] = field(default_factory=dict)
    _refused_ns: dict[str, tuple[int, tuple[int, ...]]] = field(default_factory=dict)

    def look(self, watched: Iterable[Watched], now_ns: int) -> dict[str, Health]:
        """Return the state of the sensing of each drive; of those that nothing is known of, none.

        One drive whose judgement of many readings is due is judged anew.
        """
        all_of_them = list(watched)
        states, work = self._device_states(), self._work()
        self._assess_one(all_of_them, now_ns)
        self._ask_refused(all_of_them, now_ns)
        found = {each.drive.drive_id: self._health(each, states, work, now_ns) for each in all_of_them}
        self._before = {drive_id: known for drive_id, known in found.items() if known is not None}
        return self._before

    def look_at(self, watched: Watched, now_ns: int) -> tuple[Health | None, Assessed | None]:
        """Return the state of the sensing of one drive, and what many of its readings show, as of now."""
        assessed = self._assess(watched, now_ns, FRESH_NS)
        self._ask_refused([watched], now_ns)
        return self._health(watched, self._device_states(), self._work(), now_ns), assessed

    def _device_states(self) -> dict[str, DeviceState]:
        return {each.drive_id: each for each in self.devices.states()}

    def _work(self) -> Sequence[Work]:
        """What is being done to drives just now."""
        return self.work_in_hand.in_hand() if self.work_in_hand is not None else ()

    def _health(
        self, watched: Watched, states: dict[str, DeviceState], work: Sequence[Work], now_ns: int
    ) -> Health | None:
        drive_id, newest = watched.drive.drive_id, watched.newest
        if watched.drive.whole_pitches is None and newest is None:
            return None  # no sensors
        on_it = [each for each in work if each.drive_id == drive_id]
        known = self._known(watched, states.get(drive_id), on_it, now_ns)
        signs = present_signs([] if newest is None else [newest], known)
        assessed = self._assessed.get(drive_id)
        if assessed is not None and assessed.made_with == _made_with(watched):
            signs += assessed.signs
        before = self._before.get(drive_id)
        found = health(carried_on(signs, before.signs if before else ()), newest)
        return None if newest is None and not found.signs else found

    def _known(
        self, watched: Watched, device: DeviceState | None, work: Sequence[Work], now_ns: int
    ) -> Known:
        chain = watched.chain
        baseline = baseline_at(watched.baselines, now_ns)
        open_ns = begun_anew_ns(watched.drive.note, baseline)
        begun_ns = [each.since_ns for each in work if each.kind in COMMISSIONING_KINDS]
        return Known(
            now_ns=now_ns,
            pitch_mm=chain.pitch_mm if chain else None,
            quiet_after_s=self.quiet_after_s,
            online=device.online if device else None,
            online_since_ns=device.since_ns if device else 0,
            clock_refused_ns=self._clock_refused(watched, now_ns),
            commissioned=baseline is not None or chain is None,
            commissioning_since_ns=min([*begun_ns, *([open_ns] if open_ns else [])], default=None),
            simulated=any(each.kind in SIMULATION_KINDS for each in work),
        )

    def _clock_refused(self, watched: Watched, now_ns: int) -> tuple[int, ...]:
        """When messages of a drive that is late were refused for their clock, as far as that was asked for."""
        return self._refused_ns.get(watched.drive.drive_id, (0, ()))[1] if _is_late(watched, now_ns) else ()

    def _ask_refused(self, watched: Iterable[Watched], now_ns: int) -> None:
        """Ask for the refused messages of late drives, of those that were not asked for longest."""
        looked_ns = {each.drive.drive_id: 0 for each in watched if _is_late(each, now_ns)}
        looked_ns = {drive_id: self._refused_ns.get(drive_id, (0, ()))[0] for drive_id in looked_ns}
        due = [each for each, at_ns in looked_ns.items() if not 0 <= now_ns - at_ns < REFUSED_AFTER_NS]
        for drive_id in sorted(due, key=lambda each: looked_ns[each])[:REFUSED_AT_ONCE]:
            kept = self.refused.rejections(drive_id, REFUSED_ROWS)
            clock_off = [
                each.rejection for each in kept if each.rejection.reason is RejectionReason.CLOCK_OFF
            ]
            self._refused_ns[drive_id] = now_ns, tuple(each.received_ns for each in clock_off)

    # What takes long

    def _assess_one(self, watched: Sequence[Watched], now_ns: int) -> None:
        """Judge anew the drive whose judgement is the oldest, if that is due."""
        due = [each for each in watched if each.newest is not None and self._is_due(each, now_ns, KEPT_NS)]
        oldest = min(due, key=self._assessed_ns, default=None)
        if oldest is not None:
            self._assess(oldest, now_ns, KEPT_NS)

    def _assessed_ns(self, watched: Watched) -> int:
        known = self._assessed.get(watched.drive.drive_id)
        return known.at_ns if known is not None and known.made_with == _made_with(watched) else 0

    def _is_due(self, watched: Watched, now_ns: int, kept_ns: int) -> bool:
        return not 0 <= now_ns - self._assessed_ns(watched) < kept_ns

    def _assess(self, watched: Watched, now_ns: int, kept_ns: int) -> Assessed | None:
        drive_id = watched.drive.drive_id
        if watched.newest is None:
            return None
        if self._is_due(watched, now_ns, kept_ns):
            self._assessed[drive_id] = _assessed(self.readings, watched, now_ns)
        return self._assessed[drive_id]


def _is_late(watched: Watched, now_ns: int) -> bool:
    return watched.newest is None or watched.newest.t_ns < now_ns - REFUSED_AFTER_NS


def _made_with(watched: Watched) -> tuple[object, ...]:
    """What a judgement of many readings hangs on besides them: another means that it is out of date."""
    return watched.drive, watched.chain, tuple(watched.baselines)


def _assessed(readings: Readings, watched: Watched, now_ns: int) -> Assessed:
    ahead_ns = now_ns + 600 * SECOND_NS  # so far ahead a device's clock may be
    found = judge(readings, watched.drive, watched.chain, watched.baselines, ahead_ns, now_ns)
    return Assessed(
        at_ns=now_ns,
        made_with=_made_with(watched),
        findings=found.findings,
        signs=found.signs,
        readings=len(found.recent),
        past=len(found.past),
    )
