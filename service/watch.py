"""Door: the clock ticked. What is due is looked at, and what occurred or cleared is recorded.

The story of a turn: which drives have something new; each of them is brought up to what is stored (`evaluate`); what its
conditions say is brought into the log of alerts (`tell`); shelves end; where the looking stands is saved and what is done
leaves the list. Rules for the next editor:

- Recorded before saved. A crash anywhere between makes the next turn do the same again, and doing it again records nothing.
- One bad drive never stops the others: it stays on the list and is tried again at the next turn.

- What could not be saved is forgotten here too, and looked at anew from what is stored. What had changed before a turn
  that broke off (the register, the setpoints, alerts that somebody did something to) counts as changed at the next one.

Several processes may watch a store. Drives fall into shares, each of which one process has at a time; strands beside each
other, which are judged together, fall into the same one. All that is written is written only while the shares that were
there at the beginning of the turn still are (the store given here is fenced by them), so that who stood still for minutes and
goes on records nothing. Of a share that is there anew nothing is remembered.
"""

import itertools
import threading
import time
from collections.abc import Callable, Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace

import structlog

from service.core.commission import begun_anew_ns
from service.core.condition import (
    BY_CLOCK,
    HOUR_NS,
    TOGETHER,
    Around,
    By,
    Forecast,
    at_clock,
    quiet_because,
    stands,
)
from service.core.drive import Baseline, Chain, Drive, baseline_at, chain_at, limit
from service.core.setpoint import RULES, ConditionKind, Override, effective
from service.core.sharing import share_of
from service.core.work import COMMISSIONING_KINDS, SIMULATION_KINDS, Work, WorkKind
from service.evaluate import (
    AHEAD_NS,
    Ahead,
    Evaluate,
    Evaluation,
    Registered,
    Stored,
    begin,
    loaded,
    saved_of,
    stretches_by_clock,
)
from service.fold_maps import MapOfChain, map_of_drive
from service.ports import (
    ConflictError,
    DeviceState,
    Due,
    Lease,
    LeaseLostError,
    NotFoundError,
    SavedEvaluation,
    Stores,
    StoreUnavailableError,
)
from service.share_tasks import Alone, Task
from service.speak_for import SILENCES, PlantNow, SpeakFor
from service.tell import Tell

DRIVES_AT_ONCE = 100  # whose new readings are read together, at most 100 of each
FEW = 20  # drives that are asked for one by one
MAPS_AT_ONCE = 2  # maps of chains looked at in a turn: they take long
RETIRED = "The drive is retired."
NEVER = threading.Event()  # nobody sets it
SHARES = 24  # of drives, whose names stand in the store: another number needs other names, or two processes do the same drive
SHARE_NAMES = tuple(f"watch/{number}" for number in range(SHARES))
ForecastOf = Callable[[str, int], Forecast | None]  # of a chain, as of an instant

log = structlog.get_logger(__name__)


@dataclass(frozen=True, slots=True)
class _Plant:
    """Register and setpoints as they were at one version of each."""

    versions: tuple[int, int]
    drives: Mapping[str, Registered]
    by: Mapping[str, By]
    shares: Mapping[str, str]  # of each drive, the name of the share that it falls into


@dataclass(slots=True)
class _Around:
    """What is asked for once a turn."""

    now_ns: int
    devices: Mapping[str, DeviceState]
    work: Mapping[str, Sequence[Work]]
    touched: set[str]  # drives of whose alerts something was recorded since the turn before
    newest_ns: dict[str, int] = field(default_factory=dict)  # of the drives that are looked at
    by_hand: set[str] = field(default_factory=set)  # drives that were ever measured by hand
    ahead: dict[str, Ahead] = field(default_factory=dict)  # of the drives that come next


class Watch:
    """Looks at what is due, turn by turn."""

    def __init__(
        self,
        stores: Stores,
        *,
        judge_s: float = HOUR_NS / 1e9,
        forecast_of: ForecastOf | None = None,
        task: Task | None = None,
        now_ns: Callable[[], int] = time.time_ns,
    ) -> None:
        """A watcher that has not begun.

        Args:
            stores: the ports of the store.
            judge_s: from one judgement of many readings of a drive to the next, by its own time; and of its map.
            forecast_of: when a chain reaches its limit; None: nobody forecasts it.
            task: the shares of drives that are this process's; None: all.
            now_ns: the clock, read once a turn.
        """
        self._stores, self._now_ns, self._forecast_of = stores, now_ns, forecast_of
        self._task = task or Alone(*SHARE_NAMES)
        self._leases: dict[str, Lease] = {}  # of the turn before, by share
        self._judge_ns = int(judge_s * 1e9)
        self._tell = Tell(stores.alert_log)
        self._evaluate = Evaluate(stores.readings, stores.hand_values)
        self._plant: _Plant | None = None
        self._known: dict[str, Evaluation] = {}  # as they are saved
        self._unfinished: set[str] = set()
        self._quiet: dict[str, dict[ConditionKind, str]] = {}  # what was suppressed of each drive, and why
        self._number = -1  # of the newest transition that was seen
        self._speak_for = SpeakFor(stores.alert_log, stores.readings, stores.outbox.routes)
        self._maps: dict[str, tuple[int, MapOfChain | None]] = {}  # when looked at, and what it said

    def run(self, stop: threading.Event, every_s: float) -> None:
        """Take a turn every so often until `stop`. What fails is tried again at the next one."""
        while not stop.wait(every_s):
            try:
                self.turn(stop)
            except StoreUnavailableError as fault:
                log.warning("watching_waits", fault=str(fault))
            except LeaseLostError as fault:
                log.warning("watching_lost", fault=str(fault))
            except Exception:
                log.exception("watching_failed")  # what is due stays due until the bug is mended

    def turn(self, stop: threading.Event | None = None) -> int:
        """Look at all that is due in the shares that are ours; return of how many drives something was.

        After `stop` no further drive is looked at: what was done is saved, and the rest stays due.
        Raises StoreUnavailableError, LeaseLostError.
        """
        with self._task.turn() as leases:
            if not leases:
                return 0
            before = self._plant, self._leases, self._number
            try:
                return self._turn({each.task: each for each in leases}, stop or NEVER)
            except Exception:
                self._plant, self._leases, self._number = before
                raise

    def _turn(self, leases: dict[str, Lease], stop: threading.Event) -> int:
        around = self._around()
        plant, changed = self._plant_now()
        others = self._leases != leases
        mine = self._mine(plant, leases)
        due = self._due(plant, mine, around.now_ns)
        self._look_at_newest(around, mine if changed else due)
        self._look_at_maps(mine, around.now_ns)
        self._speak_for.look(
            PlantNow(
                drives=plant.drives,
                by=plant.by,
                devices=around.devices,
                work=around.work,
                now_ns=around.now_ns,
            )
        )
        saved: list[SavedEvaluation] = []
        ahead = self._read_ahead(mine, due, around)
        looked_at = itertools.takewhile(lambda _drive_id: not stop.is_set(), ahead)
        try:
            done = self._drives(plant, looked_at, due, around, saved, changed=changed)
            unknown = [each for each in due.values() if each.drive_id not in plant.drives]
            self._save(plant, saved, [*done, *unknown])
        except Exception:
            for each in saved:
                self._forget(each.drive_id)
            raise
        if changed or others:
            self._clear_retired(plant, around.now_ns)
        self._tell.end_shelves(around.now_ns, lambda drive_id: self._is_ours(plant, drive_id))
        return len(done)

    def _drives(
        self,
        plant: _Plant,
        drive_ids: Iterable[str],
        due: Mapping[str, Due],
        around: _Around,
        saved: list[SavedEvaluation],
        *,
        changed: bool,
    ) -> list[Due]:
        """Look at each drive, add to `saved` what is to be saved of it, and return what is done."""
        done: list[Due] = []
        for drive_id in drive_ids:
            asked = due.get(drive_id)
            try:
                saved += self._drive(plant, drive_id, asked, around, changed=changed)
            except (StoreUnavailableError, LeaseLostError):
                raise
            except Exception:
                log.exception("drive_not_watched", drive=drive_id)  # it stays due
                continue
            done += [asked] if asked is not None and asked.changes else []
        return done

    def _read_ahead(self, drive_ids: Iterable[str], due: Mapping[str, Due], around: _Around) -> Iterator[str]:
        """Yield the drives again, each after what is new of it was read together with that of others that are due."""
        waiting = iter(drive_ids)
        while some := list(itertools.islice(waiting, DRIVES_AT_ONCE)):
            known = [self._known[each] for each in some if each in due and each in self._known]
            around.ahead = {}
            if len(known) > 1:
                around.ahead = self._ahead_of(known, around)
            yield from some

    def _ahead_of(self, known: Sequence[Evaluation], around: _Around) -> dict[str, Ahead]:
        """What is new of drives; nothing where one of them cannot be read, so that each is read by itself."""
        try:
            return self._evaluate.read_ahead(known, around.newest_ns, around.now_ns)
        except (StoreUnavailableError, LeaseLostError):
            raise
        except Exception:
            log.exception("not_read_together")
            return {}

    def _save(self, plant: _Plant, saved: Sequence[SavedEvaluation], done: Sequence[Due]) -> None:
        """Save what was made of the register as it was, unless a drive has gone over into another share since."""
        version = plant.versions[0]
        while True:
            try:
                self._stores.evaluations.save(saved, done, register_version=version)
            except ConflictError:
                version = self._stores.register.version()
                now = shares_of(self._stores.register.drives())
                moved = {each for each, share in plant.shares.items() if now.get(each, share) != share}
                for each in saved:
                    if each.drive_id in moved:
                        self._forget(each.drive_id)
                saved = [each for each in saved if each.drive_id not in moved]
                done = [each for each in done if each.drive_id not in moved]
            else:
                return

    # Which drives are ours

    def _mine(self, plant: _Plant, leases: dict[str, Lease]) -> list[str]:
        """The drives of our shares. Of shares that were not ours, or were another's meanwhile, nothing is remembered."""
        same = {share for share, lease in leases.items() if self._leases.get(share) == lease}
        for drive_id in [each for each in self._known if plant.shares.get(each) not in same]:
            self._forget(drive_id)
        self._leases = leases
        return [drive_id for drive_id in plant.drives if plant.shares[drive_id] in leases]

    def _is_ours(self, plant: _Plant, drive_id: str) -> bool:
        """Also of drives that are retired, or that nobody registered."""
        return (plant.shares.get(drive_id) or share_name(drive_id)) in self._leases

    def _forget(self, drive_id: str) -> None:
        self._known.pop(drive_id, None)
        self._quiet.pop(drive_id, None)
        self._unfinished.discard(drive_id)
        self._speak_for.forget(drive_id)

    # What is there

    def _around(self) -> _Around:
        stores = self._stores
        work: dict[str, list[Work]] = {}
        for each in stores.work_in_hand.in_hand():
            work.setdefault(each.drive_id, []).append(each)
        touched: set[str] = set()
        while self._number >= 0 and (page := stores.alert_log.after(self._number)):
            touched |= {each.drive_id for each in page}
            self._number = page[-1].number
        if self._number < 0:
            self._number = stores.alert_log.newest_number()
        devices = {each.drive_id: each for each in stores.devices.states()}
        return _Around(self._now_ns(), devices, work, touched)

    def _plant_now(self) -> tuple[_Plant, bool]:
        """Register and setpoints as they are, and whether they are others than before."""
        stores = self._stores
        versions = stores.register.version(), stores.setpoints.version()
        if self._plant is not None and self._plant.versions == versions:
            return self._plant, False
        drives = stores.register.drives()
        chains: dict[str, list[Chain]] = {}
        for chain in stores.register.chains():
            chains.setdefault(chain.drive_id, []).append(chain)
        baselines: dict[str, list[Baseline]] = {}
        for baseline in stores.register.baselines():
            baselines.setdefault(baseline.chain_id, []).append(baseline)
        overrides = stores.setpoints.overrides()
        found = {each.drive_id: _registered(each, drives, chains, baselines) for each in drives}
        by = {each.drive_id: by_of(each, overrides, self._judge_ns) for each in drives}
        self._plant = _Plant(versions, found, by, shares_of(drives))
        return self._plant, True

    def _due(self, plant: _Plant, mine: Sequence[str], now_ns: int) -> dict[str, Due]:
        """The drives to look at: those noted as due, those not done with, those that nobody looked at since the start.

        What came late of one strand may change what was said of those beside it.
        """
        noted = self._stores.evaluations.due()
        due = {each.drive_id: each for each in noted if self._is_ours(plant, each.drive_id)}
        for drive_id in mine:
            if drive_id not in due and (drive_id in self._unfinished or drive_id not in self._known):
                due[drive_id] = Due(drive_id=drive_id, from_ns=now_ns + AHEAD_NS, changes=0)
        for each in list(due.values()):
            for other in plant.drives[each.drive_id].beside if each.drive_id in plant.drives else ():
                to_ns = self._known[other].now.state.to_ns if other in self._known else -1
                if to_ns // self._judge_ns * self._judge_ns >= each.from_ns:
                    known = due.get(other) or replace(each, drive_id=other, changes=0)
                    due[other] = replace(known, from_ns=min(known.from_ns, each.from_ns))
        return due

    def _look_at_newest(self, around: _Around, drive_ids: Collection[str]) -> None:
        """Ask for what all drives that are looked at need: of many at once, of few one by one."""
        if not drive_ids:
            return
        around.by_hand = {each.drive_id for each in self._stores.hand_values.newest()}
        readings = self._stores.readings
        if len(drive_ids) > FEW:
            found = readings.newest()
        else:
            found = [each for each in map(readings.newest_of, drive_ids) if each is not None]
        around.newest_ns = {each.drive_id: each.reading.t_ns for each in found}

    # One drive

    def _drive(
        self, plant: _Plant, drive_id: str, due: Due | None, around: _Around, *, changed: bool
    ) -> list[SavedEvaluation]:
        """Look at one drive and record what that shows; return its evaluation where that is to be saved."""
        registered, by = plant.drives[drive_id], plant.by[drive_id]
        first = drive_id not in self._known
        before = self._load(drive_id) if first else self._known[drive_id]
        after = before
        if due is not None or changed:
            brought = self._evaluate.bring_up(
                before,
                registered,
                by,
                stored=Stored(
                    from_ns=due.from_ns if due else None,
                    newest_ns=around.newest_ns.get(drive_id),
                    by_hand=drive_id in around.by_hand,
                    ahead=around.ahead.get(drive_id),
                ),
                now_ns=around.now_ns,
                all_kinds=first,
            )
            after = brought.evaluation
            quiet = self._quiet_of(registered, after, around)
            self._tell.record(drive_id, brought.so, brought.from_ns, quiet, around.now_ns)
            (self._unfinished.discard if brought.complete else self._unfinished.add)(drive_id)
        after = self._clock(registered, by, after, around, all_kinds=first)
        self._hold(registered, after, around)
        self._known[drive_id] = after
        if after == before and not first:
            return []
        return [saved_of(after, checkpoints=first or after.checkpoints != before.checkpoints)]

    def _load(self, drive_id: str) -> Evaluation:
        saved = self._stores.evaluations.load(drive_id)
        try:
            return begin(drive_id) if saved is None else loaded(saved)
        except ValueError as fault:
            log.warning("watching_begun_again", drive=drive_id, why=str(fault))
            return begin(drive_id)

    def _clock(
        self, registered: Registered, by: By, before: Evaluation, around: _Around, *, all_kinds: bool
    ) -> Evaluation:
        """Look at what hangs on the clock, and record what that shows."""
        drive_id, now_ns = registered.drive.drive_id, around.now_ns
        device = around.devices.get(drive_id)
        chain = chain_at(registered.chains, now_ns)
        _, of_chain = self._maps.get(drive_id, (0, None))
        known = Around(
            now_ns=now_ns,
            sensors=registered.drive.whole_pitches is not None,
            online=device.online if device else None,
            online_since_ns=device.since_ns if device else 0,
            folded_to_ns=of_chain.folded_to_ns if of_chain else None,
            faults=tuple(of_chain.faults) if of_chain else (),
            forecast=self._forecast_of(chain.chain_id, now_ns) if self._forecast_of and chain else None,
        )
        clock, changes = at_clock(before.clock, before.now.state, known, by)
        after = replace(before, clock=clock)
        stands_for = self._speak_for.decide(
            registered.drive,
            active=after.active() & set(SILENCES),
            hushed=lambda: {
                kind for kind, why in self._quiet_of(registered, after, around).items() if why != TOGETHER
            },
            loaded=before.active() if all_kinds else None,
        )
        if stands_for:
            clock, changes = at_clock(
                before.clock, before.now.state, replace(known, stands_for=stands_for), by
            )
            after = replace(before, clock=clock)
        kinds = BY_CLOCK if all_kinds else {each.kind for each in changes}
        if kinds:
            so = {kind: stretches_by_clock(kind, before.clock, changes) for kind in kinds}
            self._tell.record(drive_id, so, 0, self._quiet_of(registered, after, around), now_ns)
        return after

    # What is kept from people by design

    def _hold(self, registered: Registered, evaluation: Evaluation, around: _Around) -> None:
        """Suppress and let go, where what is quiet is another than before or somebody did something to an alert."""
        drive_id = registered.drive.drive_id
        quiet = self._quiet_of(registered, evaluation, around)
        if self._quiet.get(drive_id) != quiet or drive_id in around.touched:
            self._tell.hold(drive_id, quiet, around.now_ns)
            self._quiet[drive_id] = quiet

    def _quiet_of(
        self, registered: Registered, evaluation: Evaluation, around: _Around
    ) -> dict[ConditionKind, str]:
        """What is true or may become so and says nothing now, with why."""
        drive_id = registered.drive.drive_id
        kinds_of_work = {each.kind for each in around.work.get(drive_id, ())}
        checked = bool(kinds_of_work & (COMMISSIONING_KINDS | SIMULATION_KINDS))
        active = evaluation.active()
        standing = stands(evaluation.now.state, around.now_ns)
        function_check = checked or _is_set_up(registered, around.now_ns)
        locked_out = WorkKind.LOCKED_OUT in kinds_of_work
        found = {
            kind: quiet_because(
                kind,
                active=active,
                stands=standing,
                function_check=function_check,
                locked_out=locked_out,
                together=self._speak_for.is_led(kind, drive_id),
            )
            for kind in RULES
        }
        return {kind: why for kind, why in found.items() if why}

    def _clear_retired(self, plant: _Plant, now_ns: int) -> None:
        """Clear what stands of drives that are on the board no more."""
        for drive_id in {each.drive_id for each in self._stores.alert_log.alerts()} - plant.drives.keys():
            if self._is_ours(plant, drive_id):
                self._tell.clear_all(drive_id, RETIRED, now_ns)

    # Maps of chains

    def _look_at_maps(self, mine: Sequence[str], now_ns: int) -> None:
        """Look at the maps that were looked at longest ago, a few a turn."""
        waiting = [
            drive_id
            for drive_id in mine
            if not 0 <= now_ns - self._maps.get(drive_id, (-self._judge_ns, None))[0] < self._judge_ns
        ]
        waiting.sort(key=lambda drive_id: self._maps.get(drive_id, (0, None))[0])
        for drive_id in waiting[:MAPS_AT_ONCE]:
            try:
                self._maps[drive_id] = now_ns, self._map(drive_id, now_ns)
            except ValueError as fault:  # a state that another version saved
                log.warning("map_not_read", drive=drive_id, why=str(fault))
                self._maps[drive_id] = now_ns, None

    def _map(self, drive_id: str, now_ns: int) -> MapOfChain | None:
        stores = self._stores
        try:
            return map_of_drive(drive_id, stores.register, stores.readings, stores.chain_maps, now_ns)
        except NotFoundError:  # no chain, or one that has no map
            return None


def share_name(drive_id: str, group: str = "") -> str:
    """Return the share that a drive falls into, or the strands of a group, named with their site."""
    return SHARE_NAMES[share_of(group or drive_id, SHARES)]


def shares_of(drives: Sequence[Drive]) -> dict[str, str]:
    """Return the share of each drive. Strands beside each other are judged together, and fall into the same one."""
    return {
        each.drive_id: share_name(
            each.drive_id, f"{each.site}/{each.strand_group}" if each.strand_group else ""
        )
        for each in drives
    }


def by_of(drive: Drive, overrides: Sequence[Override], judge_ns: int = HOUR_NS) -> By:
    """Return what a drive is judged by: its limit, and the setpoints that hold for it."""
    of = {"site": drive.site, "drive_class": drive.drive_class, "drive_id": drive.drive_id}
    setpoints = {kind: effective(kind, overrides, **of).setpoint for kind in ConditionKind}
    return By(limit_pct=limit(drive).limit_pct, setpoints=setpoints, judge_ns=judge_ns)


def _registered(
    drive: Drive,
    drives: Sequence[Drive],
    chains: Mapping[str, Sequence[Chain]],
    baselines: Mapping[str, Sequence[Baseline]],
) -> Registered:
    beside = [
        each.drive_id
        for each in drives
        if drive.strand_group
        and (each.strand_group, each.site) == (drive.strand_group, drive.site)
        and each.drive_id != drive.drive_id
    ]
    own = chains.get(drive.drive_id, [])
    return Registered(
        drive=drive,
        chains=own,
        baselines={each.chain_id: baselines.get(each.chain_id, []) for each in own},
        beside=beside,
        chains_beside={each: chains.get(each, []) for each in beside},
    )


def _is_set_up(registered: Registered, now_ns: int) -> bool:
    """Whether a bracket was touched and no baseline taken since."""
    chain = chain_at(registered.chains, now_ns)
    baseline = baseline_at(registered.baselines.get(chain.chain_id, []), now_ns) if chain else None
    return begun_anew_ns(registered.drive.note, baseline) is not None
