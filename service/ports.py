"""What the doors need from outside. Adapters implement these; each fake in tests passes the same contract tests.

Instants are integer nanoseconds, UTC. An interval is open at its start, closed at its end, stamped by its end.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from enum import IntEnum, StrEnum
from typing import Any, NamedTuple, Protocol

from service.core.alert import Alert, Transition
from service.core.audit import AuditEntry
from service.core.batch import Batch, Rejection
from service.core.drive import Baseline, Chain, Drive, GroupKind
from service.core.duty import DutyPlan
from service.core.event import CloudEvent
from service.core.hand import HandValue
from service.core.handover import Handover, Head, Receipt, Signature
from service.core.influence import DayMeans
from service.core.life import Removal, Survival
from service.core.people import Patience, Person, Session, Token
from service.core.planned_stop import PlannedStop
from service.core.prognosis import Outcome
from service.core.reading import Reading
from service.core.route import Route
from service.core.setpoint import ConditionKind, Override, Scope
from service.core.shift import Site
from service.core.sprocket import Inspection, Sprocket
from service.core.supply import Supply, SupplyScope
from service.core.upkeep import Upkeep
from service.core.wire import Form, Refusal, decode
from service.core.work import Note, Work

ROWS_MAX = 100_000  # rows that one query may return
PASSED_MAX = 300_000  # intervals, over all drives, that are looked at together


class StoreUnavailableError(Exception):
    """The store cannot be reached or is busy. Another try makes sense; acknowledge nothing meanwhile."""


class RefusedReading(NamedTuple):
    """A reading that the store does not take, and what it says. too_old: older than it keeps any, so no store will take it."""

    reading: Reading
    words: str
    too_old: bool = False


class ReadingsRefusedError(Exception):
    """The store takes some readings and refuses these for good; the others are stored. `new`: how many of those were new."""

    def __init__(self, refused: Sequence[RefusedReading], *, new: int) -> None:
        super().__init__(f"the store refuses {len(refused)} readings; of one it says: {refused[0].words}")
        self.refused, self.new = refused, new


class NotFoundError(Exception):
    """What was asked for is not in the register. The message names it and says what to do."""


class ConflictError(Exception):
    """The change contradicts what is registered (id taken, dates overlap ...). The message says the fix."""


class OvertakenError(Exception):
    """Somebody else was first: the alert is not what it was when it was looked at. `alert` is what it is now."""

    def __init__(self, alert: Alert) -> None:
        done = f"{alert.last_event.replace('_', ' ')} by {alert.last_by}" if alert.last_event else "nothing"
        super().__init__(
            f"{alert.alert_id} has changed meanwhile: last {done}, and it is now {alert.state.replace('_', ' ')}. "
            "Look at it again before you go on"
        )
        self.alert = alert


class LeaseLostError(Exception):
    """Another process does this task now, so nothing of it is stored for this one. What is due, that other one does."""

    def __init__(self, tasks: Sequence[str]) -> None:
        super().__init__(f"another process does {', '.join(tasks) or 'this'} now: nothing was stored")


@dataclass(frozen=True, slots=True, kw_only=True)
class Span:
    """Readings of a drive with from_ns < t_ns <= to_ns; with `chain_id` only those of that chain that have an elongation."""

    drive_id: str
    from_ns: int
    to_ns: int
    chain_id: str | None = None


class Resolution(IntEnum):
    """Length of a roll-up interval, seconds."""

    MINUTE = 60
    HOUR = 3600
    DAY = 86400


@dataclass(frozen=True, slots=True, kw_only=True)
class RollUp:
    """Readings of one chain over one interval (end_ns - resolution, end_ns]. Elongations in per cent.

    The elongation fields are None where no reading of the interval was measured.
    """

    drive_id: str
    chain_id: str | None
    end_ns: int
    readings: int  # all, measured or not
    measured: int
    mean_pct: float | None
    min_pct: float | None
    max_pct: float | None
    last_pct: float | None
    mean_u_pct: float | None  # mean of the standard uncertainties (they are mostly systematic)
    mean_speed_m_s: float | None
    pulses: int  # up pulses: the count of joints passed


@dataclass(frozen=True, slots=True, kw_only=True)
class Passed:
    """What the roll-ups of a drive over some time say together.

    measured: of each chain (None: of none) the ends of intervals in which something was measured, by time.
    """

    drive_id: str
    readings: int
    pulses: int  # up pulses: the count of joints passed
    measured: Mapping[str | None, Sequence[int]]


@dataclass(frozen=True, slots=True, kw_only=True)
class Newest:
    """The newest reading of a drive, and the newest one that has an elongation (may be the same)."""

    drive_id: str
    reading: Reading
    measured: Reading | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Sighting:
    """A drive on the broker that nobody registered, with what was seen of it."""

    drive_id: str
    first_seen_ns: int
    last_seen_ns: int
    messages: int
    topic: str
    device_id: str
    up_rate_hz: float | None  # of the newest batch
    down_rate_hz: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class KeptRejection:
    """A rejection as stored, with the number people use to ask for it."""

    number: int
    rejection: Rejection
    repeats: int  # the same payload came so many times more


@dataclass(frozen=True, slots=True, kw_only=True)
class Superseded:
    """A reading that another was put in place of."""

    reading: Reading
    at_ns: int
    why: str


@dataclass(frozen=True, slots=True, kw_only=True)
class RawBatch:
    """A pulse batch as it came, kept so that it can be looked at and converted again."""

    drive_id: str
    device_id: str
    t0_ns: int
    seq: int
    t_ns: int  # end of its window
    form: Form
    content_type: str | None
    payload: bytes

    def decoded(self, now_ns: int) -> Batch | Refusal:
        """The batch, decoded at that instant, or why it is none after all."""
        return decode(
            self.payload,
            form=self.form,
            drive_id=self.drive_id,
            content_type=self.content_type,
            now_ns=now_ns,
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class DeviceState:
    """Whether the device of a drive says that it is there (its retained status, or its last will)."""

    drive_id: str
    online: bool
    since_ns: int


@dataclass(frozen=True, slots=True, kw_only=True)
class SavedMap:
    """The map of one chain as it was folded last: `state` is what core.chain_map makes of itself."""

    chain_id: str
    folded_to_ns: int  # t_ns of the newest batch in it
    state: dict[str, object]


class Readings(Protocol):
    """The time series of readings and its roll-ups."""

    def store(self, readings: Sequence[Reading]) -> int:
        """Store all in one durable transaction and return how many were new.

        A reading whose identity is stored already changes nothing. The roll-up intervals that the new ones
        fall into are noted as due in the same transaction. Raises StoreUnavailableError, having stored nothing.
        """
        ...

    def roll_up(self, intervals_max: int = 10_000) -> int:
        """Bring intervals that are due up to date (idempotent); return how many were written."""
        ...

    def newest(self) -> list[Newest]:
        """The newest of every drive that has readings, in no order. One seek a drive."""
        ...

    def newest_of(self, drive_id: str) -> Newest | None:
        """The newest of one drive."""
        ...

    def raw(self, drive_id: str, from_ns: int, to_ns: int, rows_max: int = ROWS_MAX) -> list[Reading]:
        """Readings with from_ns < t_ns <= to_ns in the order of t_ns; the newest `rows_max` of them."""
        ...

    def raw_of(self, spans: Sequence[Span], rows_max: int, *, oldest: bool = False) -> list[list[Reading]]:
        """Of each span in turn its newest (oldest) `rows_max` readings, in the order `raw` gives them in: many drives at once.

        Raises ValueError where that may be more than ROWS_MAX in all.
        """
        ...

    def sampled(self, drive_id: str, from_ns: int, to_ns: int, every_ns: int, rows_max: int) -> list[Reading]:
        """Of each interval of `every_ns` from `from_ns` to the last that ends at `to_ns` or before: its newest `rows_max` readings.

        One after the other what `raw` gives for each; 10 000 intervals at most.
        """
        ...

    def rolled(
        self, drive_id: str, from_ns: int, to_ns: int, resolution: Resolution, rows_max: int = ROWS_MAX
    ) -> list[RollUp]:
        """Roll-ups with from_ns < end_ns <= to_ns, by end_ns then chain; the newest `rows_max` of them."""
        ...

    def passed(
        self, drive_ids: Sequence[str], from_ns: int, to_ns: int, resolution: Resolution
    ) -> list[Passed]:
        """What the roll-ups with from_ns < end_ns <= to_ns say together, of each drive that has any, by drive_id.

        Raises ValueError where these may be more than PASSED_MAX intervals in all.
        """
        ...

    def supersede(self, readings: Sequence[Reading], at_ns: int, why: str) -> int:
        """Put these in place of those of the same identity, in one transaction; return how many differed.

        The old ones are kept as superseded, with when and why. Roll-up intervals are noted as due. A reading that is
        the same, or whose identity is not stored, changes nothing.
        """
        ...

    def superseded(
        self, drive_id: str, from_ns: int, to_ns: int, rows_max: int = ROWS_MAX
    ) -> list[Superseded]:
        """Readings that others were put in place of, by t_ns then at_ns."""
        ...

    def by_day(self, drive_id: str, from_ns: int, to_ns: int) -> list[DayMeans]:
        """What raw readings with from_ns < t_ns <= to_ns say of each day, in UTC, and chain; by end_ns then chain_id.

        A day is there as far as its raw readings are kept, and one in which no chain was on is not.
        """
        ...

    def forget(self, resolution: Resolution | None, before_ns: int, rows_max: int = 50_000) -> int:
        """Delete raw readings (resolution None) or roll-ups older than `before_ns`; return how many went.

        At most `rows_max` in one transaction. Raw readings whose roll-ups are still due are kept.
        """
        ...


@dataclass(frozen=True, slots=True)
class RegisterChange:
    """One of many changes that are made together.

    put: a drive, which is added or gets these settings; a chain, which is fitted; or a baseline, which is recorded.
    """

    put: Drive | Chain | Baseline
    entry: AuditEntry | None = None


class Register(Protocol):
    """Drives, their chains and baselines, with history. Nothing older is overwritten.

    `entry`: what the audit log is to say of the change, stored in the same transaction; not stored where nothing changes.
    """

    def version(self) -> int:
        """A number that rises with every change, so that a worker knows when to read again."""
        ...

    def drives(self, *, retired: bool = False) -> list[Drive]:
        """All drives by id; retired ones too if asked."""
        ...

    def drive(self, drive_id: str) -> Drive:
        """One drive. Raises NotFoundError."""
        ...

    def add_drive(self, drive: Drive, *, entry: AuditEntry | None = None) -> None:
        """Raises ConflictError where the id is taken."""
        ...

    def change_drive(
        self, drive: Drive, *, was: Drive | None = None, entry: AuditEntry | None = None
    ) -> None:
        """Replace the drive's settings. Raises NotFoundError, and ConflictError where it is not `was`, if given, any more."""
        ...

    def retire_drive(self, drive_id: str, at_ns: int, *, entry: AuditEntry | None = None) -> None:
        """Take the drive off the board; its history stays. Raises NotFoundError."""
        ...

    def chains(self, drive_id: str | None = None) -> list[Chain]:
        """All chains, or those of one drive, by fitted_ns."""
        ...

    def fit_chain(self, chain: Chain, *, entry: AuditEntry | None = None) -> None:
        """Raises NotFoundError (drive) and ConflictError (chain id taken; another chain on at that time)."""
        ...

    def take_off_chain(
        self,
        chain_id: str,
        at_ns: int,
        why: str,
        *,
        removal: Removal | None = None,
        entry: AuditEntry | None = None,
    ) -> None:
        """Raises NotFoundError, and ConflictError where it is off already or was fitted later.

        removal: what more is known of it, stored in the same transaction (see `Removals`).
        """
        ...

    def baselines(self, chain_id: str | None = None) -> list[Baseline]:
        """All baselines, or those of one chain, by taken_ns then recorded_ns."""
        ...

    def record_baseline(self, baseline: Baseline, *, entry: AuditEntry | None = None) -> None:
        """Add one; older ones stay. Raises NotFoundError (chain)."""
        ...

    def change_many(
        self, changes: Sequence[RegisterChange], *, version: int, entry: AuditEntry | None = None
    ) -> None:
        """All of them in one transaction and in their order, or none; `entry` tells of them as a whole.

        version: of the register that they were worked out from. Raises ConflictError where it is another one now, and what
        each change by itself raises.
        """
        ...


class Refused(Protocol):
    """Rejections and unregistered drives, for people to see. Bounded for each drive, oldest out first."""

    def keep(self, rejections: Sequence[Rejection], sightings: Sequence[Sighting]) -> None:
        """Keep all in one durable transaction. A payload kept already only counts as a repeat.

        A sighting adds its `messages` to what is known of that drive. Raises StoreUnavailableError.
        """
        ...

    def rejections(
        self, drive_id: str | None = None, rows_max: int = 100, *, unregistered: bool = True
    ) -> list[KeptRejection]:
        """The newest first. unregistered: with what came for drives that nobody had registered."""
        ...

    def sightings(self) -> list[Sighting]:
        """Unregistered drives, the one seen last first."""
        ...

    def forget_sighting(self, drive_id: str, *, entry: AuditEntry | None = None) -> None:
        """Once it is registered, or turned away by a person. Unknown ids change nothing.

        entry: for the audit log, stored in the same transaction where a sighting went.
        """
        ...


class RawBatches(Protocol):
    """Pulse batches as they came, for a while: to commission by, to look at, and to convert again."""

    def keep(self, batches: Sequence[RawBatch]) -> None:
        """Keep all in one durable transaction; one kept already changes nothing. Raises StoreUnavailableError."""
        ...

    def raw(self, drive_id: str, from_ns: int, to_ns: int, rows_max: int = 1000) -> list[RawBatch]:
        """Batches with from_ns < t_ns <= to_ns in the order of t_ns; the newest `rows_max` of them."""
        ...

    def after(self, drive_id: str, t_ns: int, rows_max: int = 1000) -> list[RawBatch]:
        """The oldest `rows_max` batches with a later t_ns, in its order: for who works through all of them."""
        ...

    def forget(self, before_ns: int, rows_max: int = 10_000) -> int:
        """Delete batches older than that, at most `rows_max` in one transaction; return how many went."""
        ...


class HandValues(Protocol):
    """Measurements by hand. Nothing is overwritten."""

    def record(self, value: HandValue, *, entry: AuditEntry | None = None) -> None:
        """Store it, and the entry of the audit log in the same transaction where it is new.

        The very same again, or one of a drive whose key is taken, changes nothing. Raises NotFoundError (drive, chain).
        """
        ...

    def by_key(self, drive_id: str, key: str) -> HandValue | None:
        """The one of a drive that was stored with that key."""
        ...

    def of(self, drive_id: str) -> list[HandValue]:
        """All of one drive by measured_ns then recorded_ns."""
        ...

    def of_each(self, drive_ids: Sequence[str]) -> dict[str, list[HandValue]]:
        """What `of` gives, of each of these drives that has any."""
        ...

    def newest(self) -> list[HandValue]:
        """The newest of every drive that has any."""
        ...


class Devices(Protocol):
    """What the devices say of themselves."""

    def note(self, states: Sequence[DeviceState]) -> None:
        """Remember the newest of each drive; an older one, or the same again, changes nothing."""
        ...

    def states(self) -> list[DeviceState]:
        """Of every drive that ever said something."""
        ...


class ChainMaps(Protocol):
    """Maps of chains, link by link, between two foldings."""

    def save(self, saved: SavedMap) -> None:
        """Replace the map of that chain."""
        ...

    def load(self, chain_id: str) -> SavedMap | None:
        """The map of a chain, or None."""
        ...


class AlertLog(Protocol):
    """Alerts and every transition of them. Transitions are only ever added."""

    def record(self, transition: Transition, after: Alert) -> int:
        """Store a transition and the alert after it in one durable transaction; return the transition's number.

        Numbers rise in the order in which transitions become visible: who has read up to one misses none before it.
        Raises OvertakenError where the alert has a transition of that `seq` (or a later one) already, or the key of the act is
        taken; StoreUnavailableError. Nothing is stored then.
        """
        ...

    def alert(self, alert_id: str) -> Alert | None:
        """One alert as it is now; None where nothing ever happened to it."""
        ...

    def alerts(self, drive_id: str | None = None, *, standing: bool = True) -> list[Alert]:
        """Those that stand (see Alert.stands), or all that something ever happened to; by alert_id."""
        ...

    def of_alert(self, alert_id: str, rows_max: int = 1000) -> list[Transition]:
        """The newest `rows_max` transitions of one alert, by seq."""
        ...

    def after(self, number: int, rows_max: int = 1000, drive_id: str | None = None) -> list[Transition]:
        """The oldest `rows_max` transitions with a higher number, in its order."""
        ...

    def recorded(self, from_ns: int, to_ns: int, rows_max: int = ROWS_MAX) -> list[Transition]:
        """Transitions with from_ns < recorded_ns <= to_ns by number; the newest `rows_max` of them."""
        ...

    def newest_number(self) -> int:
        """The number of the newest transition; 0 where there is none."""
        ...

    def by_key(self, key: str) -> Transition | None:
        """The transition that a client's act with that key made."""
        ...


class People(Protocol):
    """Those who may sign in. `entry` as in `Register`. Nobody is taken out, so that a name always means one person."""

    def people(self) -> list[Person]:
        """All, by name."""
        ...

    def person(self, name: str) -> Person | None:
        """One of them."""
        ...

    def add(self, person: Person, *, entry: AuditEntry | None = None) -> None:
        """Raises ConflictError where the name is taken."""
        ...

    def add_first(self, person: Person, *, entry: AuditEntry | None = None) -> bool:
        """Add the first of all; False, having changed nothing, where there is anybody already."""
        ...

    def change(self, person: Person, *, entry: AuditEntry | None = None) -> None:
        """Replace what is known of a person.

        Raises NotFoundError, and ConflictError where no administrator would be left who is not locked.
        """
        ...


class Sessions(Protocol):
    """Browsers in which somebody signed in, found by the hash of their cookie's secret."""

    def open(self, session: Session) -> None:
        """Remember one more; those that have ended by then are forgotten."""
        ...

    def find(self, secret_hash: str) -> tuple[Session, Person] | None:
        """The session and whose it is, ended or not."""
        ...

    def seen(self, secret_hash: str, at_ns: int) -> None:
        """It was used then."""
        ...

    def close(self, secret_hash: str) -> None:
        """Forget it. Unknown ones change nothing."""
        ...

    def close_all(self, name: str, *, but: str | None = None) -> None:
        """Forget all of a person, but for the one with that hash."""
        ...


class Tokens(Protocol):
    """What programs show, found by the hash of it. `entry` as in `Register`."""

    def tokens(self) -> list[Token]:
        """All, by name; those that expired or were revoked too."""
        ...

    def find(self, secret_hash: str) -> Token | None:
        """The token with that hash, good or not."""
        ...

    def add(self, token: Token, *, entry: AuditEntry | None = None) -> None:
        """Raises ConflictError where the name is taken."""
        ...

    def revoke(self, name: str, at_ns: int, *, entry: AuditEntry | None = None) -> None:
        """Let it count no more. Raises NotFoundError, and ConflictError where it is revoked already."""
        ...

    def used(self, name: str, at_ns: int) -> None:
        """It was shown then."""
        ...


class GuessCounts(Protocol):
    """Wrong guesses in a row, by whatever they are counted for. Bounded: those not heard of for longest go first."""

    def begin(self, keys: Mapping[str, Patience], at_ns: int) -> int:
        """Count one more for each key and return 0; or, where any must wait, count nothing and return how long, ns.

        In one transaction, and before the guess is looked at: guesses made at the same time are counted too.
        """
        ...

    def take_back(self, key: str) -> None:
        """Count one less: that guess was right."""
        ...

    def forget(self, key: str) -> None:
        """Begin anew. Unknown keys change nothing."""
        ...


class PasswordHashes(Protocol):
    """Hashes of passwords that are slow to guess by. Each call takes a good part of a second of one core."""

    def hashed(self, password: str) -> str:
        """A hash, with its salt and what it was made with."""
        ...

    def agrees(self, password_hash: str, password: str) -> bool:
        """Whether the hash is of that password."""
        ...

    def outdated(self, password_hash: str) -> bool:
        """Whether it was made with less than is usual now."""
        ...


class FirstPassword(Protocol):
    """Where the first administrator finds the one-time password: a place that only who runs linklag can read."""

    @property
    def where(self) -> str:
        """The place, in words."""
        ...

    def prepare(self, password: str) -> None:
        """Write it down where nobody looks yet. Raises OSError."""
        ...

    def publish(self) -> None:
        """Put what was prepared in its place."""
        ...

    def remove(self) -> None:
        """Take it away, prepared or published; nothing there changes nothing."""
        ...


class AuditLog(Protocol):
    """What people changed. Entries are only ever added."""

    def record(self, entry: AuditEntry) -> None:
        """Add one, for a change that no other port makes; others store theirs with the change."""
        ...

    def entries(
        self,
        *,
        before: int | None = None,
        subject: str | None = None,
        by: str | None = None,
        rows_max: int = 100,
    ) -> list[AuditEntry]:
        """The newest `rows_max` with a number below `before`, the newest first."""
        ...


class OutgoingKind(StrEnum):
    """What is on its way."""

    TRANSITION = "transition"
    DOCUMENT = "document"
    TEST = "test"  # tried once, at once, whatever else waits


@dataclass(frozen=True, slots=True, kw_only=True)
class Outgoing:
    """One event on its way along one route.

    lane: what is kept in order, a drive or whatever a document is of. alert_id: of a transition, so that it can be called
    off. event: as it will be sent, each time the same. row: as stored; 0 before. error: why it was refused the last time.
    """

    route_id: str
    kind: OutgoingKind
    lane: str
    event: CloudEvent
    made_ns: int
    due_ns: int
    alert_id: str = ""
    row: int = 0
    tries: int = 0
    next_try_ns: int = 0
    error: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Delivery:
    """How a route gets on.

    position: number of the newest transition that was looked at. failures: in a row, of the way as a whole.
    off_why: the endpoint said that it is gone; nothing is sent before somebody looks. waiting, held, oldest_ns: how many
    events wait, how many of them were refused themselves, and since when the oldest does.
    """

    route_id: str
    position: int
    failures: int = 0
    failing_since_ns: int | None = None
    next_try_ns: int = 0
    error: str = ""
    error_ns: int | None = None
    success_ns: int | None = None
    sent: int = 0
    off_why: str = ""
    test_ns: int | None = None
    test_error: str = ""
    waiting: int = 0
    held: int = 0
    oldest_ns: int | None = None


class Outbox(Protocol):
    """Routes, and what is on its way along them. Each method is one durable transaction; raises StoreUnavailableError.

    `entry` as in `Register`. NotFoundError where a route is asked for that is not there.
    """

    def instance(self) -> str:
        """The name of this store, made once: two stores never have the same."""
        ...

    def routes(self) -> list[Route]:
        """All routes by id."""
        ...

    def route(self, route_id: str) -> Route:
        """One route."""
        ...

    def add(self, route: Route, position: int, *, entry: AuditEntry | None = None) -> None:
        """Add a route that starts behind transition `position`. Raises ConflictError where the id is taken."""
        ...

    def change(self, route: Route, *, entry: AuditEntry | None = None) -> None:
        """Replace a route's settings; what waits is tried at once, also where the endpoint had said that it is gone."""
        ...

    def remove(self, route_id: str, *, entry: AuditEntry | None = None) -> None:
        """Take a route away, with all that waits on it."""
        ...

    def delivery(self, route_id: str) -> Delivery:
        """How one route gets on."""
        ...

    def deliveries(self) -> list[Delivery]:
        """How all get on, by route_id."""
        ...

    def plan(
        self,
        route_id: str,
        *,
        before: int,
        position: int,
        rows: Sequence[Outgoing],
        called_off: Sequence[str] = (),
    ) -> bool:
        """Put rows on their way and note that all up to `position` was looked at; drop what waits of alerts `called_off`.

        Of one lane nothing is due after what was put there later: what waits in it becomes due with the earliest of `rows`.
        False, and nothing is changed, where the position is not `before` any more.
        """
        ...

    def put(self, rows: Sequence[Outgoing]) -> int:
        """Put documents and tests on their way; return how many. One that waits already (same route and id) is left as it is."""
        ...

    def due(self, route_id: str, now_ns: int, rows_max: int = 100, *, tests: bool = False) -> list[Outgoing]:
        """What is to be sent now, in order: nothing behind what is not due, or was refused and is not to be tried yet, in its lane.

        tests: only those; else all but those.
        """
        ...

    def held(self, route_id: str, rows_max: int = 100) -> list[Outgoing]:
        """What was refused and waits to be tried again, the oldest first."""
        ...

    def sent(self, route_id: str, rows: Sequence[int], at_ns: int) -> None:
        """These arrived: drop them. The route works."""
        ...

    def refused(self, row: int, error: str, next_try_ns: int) -> None:
        """That one was refused: its lane waits until then."""
        ...

    def failed(self, route_id: str, error: str, at_ns: int, next_try_ns: int) -> None:
        """The way failed: all of it waits until then."""
        ...

    def gone(self, route_id: str, why: str, at_ns: int) -> None:
        """The endpoint said that it is there no more: nothing is sent before somebody says so."""
        ...

    def tested(self, route_id: str, row: int, error: str, at_ns: int) -> None:
        """A test was tried: drop it, and keep what came of it (no error: it arrived)."""
        ...

    def retry(self, route_id: str, *, entry: AuditEntry | None = None) -> None:
        """Try all that waits at once, also where the endpoint had said that it is gone."""
        ...

    def drop(self, route_id: str, lane: str | None, position: int, *, entry: AuditEntry | None = None) -> int:
        """Drop what waits in a lane, or in all of them and all up to `position`; return how many rows went."""
        ...


class NotDeliveredError(Exception):
    """The way failed (no connection, no answer in time, a fault of the endpoint). All of the route tries again later.

    retry_after_s: how long the endpoint asked us to wait, if it did. The message says what was found and what to do.
    """

    def __init__(self, message: str, retry_after_s: float | None = None) -> None:
        super().__init__(message)
        self.retry_after_s = retry_after_s


class EventRefusedError(Exception):
    """The endpoint does not take this very event. Others may go by."""


class EndpointGoneError(Exception):
    """The endpoint says that it is there no more and wants nothing ever again."""


class Notifier(Protocol):
    """One way out, of one route. Used by one thread."""

    def send(self, events: Sequence[CloudEvent], message_id: str) -> None:
        """Send one message with these events; return once it has arrived.

        message_id: the same for the same events, so that who gets them twice can tell. Raises NotDeliveredError,
        EventRefusedError, EndpointGoneError.
        """
        ...

    def rest(self) -> None:
        """Nothing is to be sent just now. Raises NotDeliveredError where what should stand out there does not."""
        ...

    def close(self) -> None:
        """Let go of whatever is held."""
        ...


class Sites(Protocol):
    """Sites with the zone of their clocks and their shifts. `entry` as in `Register`."""

    def sites(self) -> list[Site]:
        """All that were set, by name; drives may name others."""
        ...

    def site(self, name: str) -> Site | None:
        """One of them."""
        ...

    def put(self, site: Site, *, entry: AuditEntry | None = None) -> None:
        """Set zone and shifts of a site, anew or for the first time."""
        ...


class WorkInHand(Protocol):
    """What is being done to drives. Nothing is overwritten; work that is closed stays. `entry` as in `Register`."""

    def open(self, work: Work, *, entry: AuditEntry | None = None) -> Work:
        """Store work that goes on and return it with its number. Raises NotFoundError (drive)."""
        ...

    def close(self, work: Work, *, entry: AuditEntry | None = None) -> None:
        """Store what `work` says of its end. Raises NotFoundError, and ConflictError where it is closed already."""
        ...

    def work(self, work_id: int) -> Work:
        """One. Raises NotFoundError."""
        ...

    def in_hand(self, drive_id: str | None = None) -> list[Work]:
        """What is open now, of all drives or of one, by since_ns."""
        ...

    def known(self, from_ns: int, to_ns: int, rows_max: int = ROWS_MAX) -> list[Work]:
        """What was recorded by to_ns and was not recorded as closed by from_ns, by since_ns; the newest `rows_max`."""
        ...


class Notes(Protocol):
    """Notes that people leave. They are only ever added. `entry` as in `Register`."""

    def add(self, note: Note, *, entry: AuditEntry | None = None) -> Note:
        """Store a note and return it with its number."""
        ...

    def recorded(self, site: str | None, from_ns: int, to_ns: int, rows_max: int = 1000) -> list[Note]:
        """Those of a site, or all, with from_ns < recorded_ns <= to_ns by number; the newest `rows_max`."""
        ...


class Handovers(Protocol):
    """Frozen handovers, their signatures and receipts. They are only ever added. `entry` as in `Register`."""

    def freeze(self, handover: Handover, *, entry: AuditEntry | None = None) -> Handover:
        """Store it and return it with its number; where one of the same site, from and to is there, that one stays and is returned."""
        ...

    def handover(self, number: int) -> Handover:
        """One. Raises NotFoundError."""
        ...

    def heads(
        self, *, site: str | None = None, after: int = 0, since_ns: int = 0, rows_max: int = 100
    ) -> list[Head]:
        """Those with a higher number whose cut-off is later than since_ns, the oldest `rows_max`, by number."""
        ...

    def newest(self, site: str | None = None, rows_max: int = 20) -> list[Head]:
        """Those with the latest cut-off, the latest first."""
        ...

    def last_shift(self, site: str, before_ns: int) -> Handover | None:
        """Of the handovers of shifts (not of ranges) the one with the latest cut-off before an instant."""
        ...

    def sign(self, signature: Signature, *, entry: AuditEntry | None = None) -> None:
        """Add a signature. Raises NotFoundError, and ConflictError where that role has signed."""
        ...

    def signatures(self, numbers: Sequence[int]) -> list[Signature]:
        """Those of these handovers, by handover, giver first."""
        ...

    def receive(self, receipt: Receipt, *, entry: AuditEntry | None = None) -> Receipt:
        """Note that a system has taken one, and return the receipt; the first of a system stays. Raises NotFoundError."""
        ...

    def receipts(self, numbers: Sequence[int]) -> list[Receipt]:
        """Those of these handovers, by handover then at_ns."""
        ...


class Setpoints(Protocol):
    """What people set of setpoints, over what is built in. `entry` as in `Register`."""

    def version(self) -> int:
        """A number that rises with every change."""
        ...

    def overrides(self) -> list[Override]:
        """All that hold, by scope from site to drive, name and kind."""
        ...

    def put(self, override: Override, *, entry: AuditEntry | None = None) -> None:
        """Set it, in place of what was set for the same scope, name and kind."""
        ...

    def remove(
        self, scope: Scope, name: str, kind: ConditionKind, *, entry: AuditEntry | None = None
    ) -> None:
        """Go back to what is less specific, or built in. Raises NotFoundError where nothing was set."""
        ...


@dataclass(frozen=True, slots=True, kw_only=True)
class Due:
    """A drive of which something came: from when on, by its own time, and how often since somebody looked."""

    drive_id: str
    from_ns: int
    changes: int


@dataclass(frozen=True, slots=True, kw_only=True)
class SavedEvaluation:
    """Where the evaluation of a drive's conditions stands, as core and watch make it of themselves.

    checkpoints: earlier states to go back to, the earliest first; None: those that are kept already.
    """

    drive_id: str
    state: dict[str, object]
    checkpoints: list[dict[str, object]] | None


class Evaluations(Protocol):
    """Which drives are due to be looked at, and where the looking stands.

    A drive is noted as due in the very transaction that stores something of it: new and superseded readings, measurements
    by hand, chains, and its settings.
    """

    def note(self, drive_id: str, from_ns: int) -> None:
        """Note a drive as due from then on."""
        ...

    def due(self) -> list[Due]:
        """The drives that are due, by id."""
        ...

    def load(self, drive_id: str) -> SavedEvaluation | None:
        """Where one stands; its checkpoints are never None then."""
        ...

    def save(
        self,
        saved: Sequence[SavedEvaluation],
        done: Sequence[Due] = (),
        *,
        register_version: int | None = None,
    ) -> None:
        """Keep these, and take what is done off the list, in one durable transaction.

        A drive of which something came since `done` was asked for stays on the list. Raises ConflictError, having changed
        nothing, where the register has another version than the one that is given.
        """
        ...


class Removals(Protocol):
    """Why chains came off. Records are only ever added; the newest of a chain counts. `entry` as in `Register`."""

    def record(self, removal: Removal, *, entry: AuditEntry | None = None) -> Removal:
        """Store one and return it with its number. Raises NotFoundError (chain), ConflictError where the chain is on."""
        ...

    def newest(self, drive_id: str | None = None) -> list[Removal]:
        """The newest of each chain that has any, of all drives or of one, by chain_id."""
        ...


class Sprockets(Protocol):
    """Sprockets of drives and what was seen of them. Nothing is overwritten. `entry` as in `Register`."""

    def fit(self, sprocket: Sprocket, *, entry: AuditEntry | None = None) -> Sprocket:
        """Store one that is on and return it with its number. Raises NotFoundError (drive)."""
        ...

    def take_off(self, sprocket: Sprocket, *, entry: AuditEntry | None = None) -> None:
        """Store what `sprocket` says of its removal. Raises NotFoundError, and ConflictError where it is off already."""
        ...

    def sprocket(self, number: int) -> Sprocket:
        """One. Raises NotFoundError."""
        ...

    def of(self, drive_id: str | None = None) -> list[Sprocket]:
        """All that ever were on a drive, or on all drives, by drive_id, place, fitted_ns, number."""
        ...

    def inspect(self, inspection: Inspection, *, entry: AuditEntry | None = None) -> Inspection:
        """Store what was seen and return it with its number. Raises NotFoundError (sprocket)."""
        ...

    def inspections(self, drive_id: str | None = None) -> list[Inspection]:
        """All of the sprockets of a drive, or of all drives, by inspected_ns then number."""
        ...


class UpkeepLog(Protocol):
    """What was done to drives. Nothing is overwritten; what was entered in error is struck. `entry` as in `Register`."""

    def record(self, upkeep: Upkeep, *, entry: AuditEntry | None = None) -> Upkeep:
        """Store it and return it with its number. Raises NotFoundError (drive)."""
        ...

    def strike(self, number: int, at_ns: int, by: str, *, entry: AuditEntry | None = None) -> Upkeep:
        """Say that one was entered in error and return it. Raises NotFoundError, ConflictError (struck already)."""
        ...

    def of(self, drive_id: str | None = None, *, struck: bool = False) -> list[Upkeep]:
        """All of a drive, or of all drives, by at_ns then number; with those struck if asked."""
        ...


class LifeFitterMissingError(Exception):
    """The library that works out lives is not installed. The message says how to get it."""


class LifeFitter(Protocol):
    """Works out how long things live where some are still alive. Lengths are above 0. Raises LifeFitterMissingError."""

    def survival(self, lengths: Sequence[float], ended: Sequence[bool]) -> Survival:
        """How long they live; those that did not end are censored at their length."""
        ...

    def log_rank(
        self, one: tuple[Sequence[float], Sequence[bool]], other: tuple[Sequence[float], Sequence[bool]]
    ) -> tuple[float, float]:
        """Chi-squared and p of the hypothesis that both live alike; each as `survival` takes it."""
        ...


@dataclass(frozen=True, slots=True, kw_only=True)
class KeptPrognosis:
    """A prognosis as it was made: what is looked for by, and all of it as `document`. `number` 0: not stored yet.

    p10_ns, p50_ns, p90_ns: when the limit is reached; None beyond what can be told, and where there is no forecast.
    version: of the method.
    """

    drive_id: str
    chain_id: str
    made_ns: int
    outcome: Outcome
    set_point_pct: float
    p10_ns: int | None
    p50_ns: int | None
    p90_ns: int | None
    version: str
    document: dict[str, Any]
    number: int = 0


class Prognoses(Protocol):
    """Prognoses as they were made. Of each chain one a day, in UTC, stays for ever, the first; and the newest until another comes.

    None is ever changed: old ones are held against what came.
    """

    def keep(self, prognoses: Sequence[KeptPrognosis]) -> None:
        """Store all in one durable transaction; of each chain the newest before goes, unless it is the first of its day.

        Raises NotFoundError (drive), StoreUnavailableError.
        """
        ...

    def newest(self, by_ns: int | None = None) -> list[KeptPrognosis]:
        """Of every drive the one that was made last, by an instant if one is given; by drive_id."""
        ...

    def newest_of(self, drive_id: str) -> KeptPrognosis | None:
        """Of one drive the one that was made last."""
        ...

    def of_drive(
        self, drive_id: str, *, before: int | None = None, rows_max: int = 100
    ) -> list[KeptPrognosis]:
        """The newest `rows_max` with a number below `before`, the newest first."""
        ...

    def of_chain(
        self, chain_id: str, rows_max: int = ROWS_MAX, *, documents: bool = True
    ) -> list[KeptPrognosis]:
        """The newest `rows_max` of one chain, by made_ns; documents False: with empty ones, which is faster."""
        ...


class PlannedStops(Protocol):
    """Stops that people plan. `entry` as in `Register`."""

    def changed_ns(self) -> int:
        """When any was changed last, removals included; 0 where none ever was. It never falls."""
        ...

    def stops(self, ends_after_ns: int = 0) -> list[PlannedStop]:
        """Those that end after an instant, by starts_ns then number."""
        ...

    def stop(self, number: int) -> PlannedStop:
        """One. Raises NotFoundError."""
        ...

    def add(self, stop: PlannedStop, *, entry: AuditEntry | None = None) -> PlannedStop:
        """Store one and return it with its number, which no other one ever had."""
        ...

    def change(self, stop: PlannedStop, *, entry: AuditEntry | None = None) -> None:
        """Put it in place of the one with its number. Raises NotFoundError."""
        ...

    def remove(self, number: int, at_ns: int, *, entry: AuditEntry | None = None) -> None:
        """Take it off the plan. Raises NotFoundError."""
        ...


class Supplies(Protocol):
    """What it takes to get and change chains, as people set it. `entry` as in `Register`."""

    def changed_ns(self) -> int:
        """As in `PlannedStops`."""
        ...

    def supplies(self) -> list[Supply]:
        """All, by scope from site to drive, then name."""
        ...

    def put(self, supply: Supply, *, entry: AuditEntry | None = None) -> None:
        """Set it, in place of what was set for the same scope and name."""
        ...

    def remove(self, scope: SupplyScope, name: str, at_ns: int, *, entry: AuditEntry | None = None) -> None:
        """Take it back. Raises NotFoundError where nothing was set."""
        ...


@dataclass(frozen=True, slots=True, kw_only=True)
class KeptDutyPlan:
    """What people plan a drive to run, who said so, when and why."""

    drive_id: str
    plan: DutyPlan
    why: str = ""
    by: str
    at_ns: int


class DutyPlans(Protocol):
    """What people plan drives to run; it goes before what a drive shows itself. `entry` as in `Register`."""

    def changed_ns(self) -> int:
        """As in `PlannedStops`."""
        ...

    def plans(self) -> list[KeptDutyPlan]:
        """All, by drive_id."""
        ...

    def plan(self, drive_id: str) -> KeptDutyPlan | None:
        """That of a drive, None where there is none."""
        ...

    def put(self, plan: KeptDutyPlan, *, entry: AuditEntry | None = None) -> None:
        """Set it, in place of the one before. Raises NotFoundError (drive)."""
        ...

    def remove(self, drive_id: str, at_ns: int, *, entry: AuditEntry | None = None) -> None:
        """Go back to what the drive itself shows. Raises NotFoundError where there is none."""
        ...


@dataclass(frozen=True, slots=True, kw_only=True)
class Renaming:
    """A site or a class of drives that gets another name, with what becomes of its drives.

    drives: each under the new name, retired ones too. version: of the register that they were taken from.
    """

    kind: GroupKind
    old: str
    new: str
    drives: Sequence[RegisterChange]
    version: int
    at_ns: int
    entry: AuditEntry


class Groups(Protocol):
    """Sites and classes of drives, which are names that drives and settings have in common."""

    def rename(self, renaming: Renaming) -> None:
        """Put the new name on the drives and on all that was set for the old one, in one transaction, or on nothing.

        Setpoints and supply of the group; of a site its shifts, planned stops and the filters of routes, too. What is history
        (notes, handovers, earlier settings of drives) keeps the old name. Raises ConflictError where the register has another
        version now, or where something is set for the new name already.
        """
        ...


@dataclass(frozen=True, slots=True, kw_only=True)
class Holder:
    """A process that works on the store, under a name that no other ever had. ready_for: kinds of tasks it would do.

    beat: its own count of its signs of life. at_ns: of the newest one by its own clock; for people to see, and compared with
    nothing.
    """

    name: str
    beat: int
    ready_for: tuple[str, ...] = ()
    at_ns: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class Lease:
    """A task that a process does until it lets go or is counted out. term: rises each time that somebody takes the task.

    since_ns: by the holder's clock; for people to see.
    """

    task: str
    holder: str
    term: int
    since_ns: int = 0


class Leases(Protocol):
    """Which process does which task. One holds a task at most, and who lost it stores nothing of it any more.

    No clock is compared with another's: each process sees by its own whether another still gives signs of life. Who is
    wrongly taken for dead loses its tasks and nothing else, for whatever is stored under a lease is stored in one transaction
    with a look whether that lease still holds.
    """

    def beat(self, holder: Holder) -> None:
        """Give a sign of life, the first one or another. Who was counted out is there again, and holds nothing."""
        ...

    def look(self) -> tuple[list[Holder], list[Lease]]:
        """Who is there, by name, and who holds what, by task, at one moment. A task that nobody holds is not among them."""
        ...

    def take(self, task: str, name: str, at_ns: int) -> Lease | None:
        """Take a task that nobody holds; None where somebody does, or where `name` gave no sign of life or was counted out."""
        ...

    def let_go(self, lease: Lease) -> None:
        """Give a task up. One that was lost already changes nothing."""
        ...

    def count_out(self, holder: Holder) -> bool:
        """Free all that a holder has, if its beat is still that one; return whether it was."""
        ...

    def leave(self, name: str) -> None:
        """Go, and free all that one has."""
        ...

    def check(self, leases: Sequence[Lease]) -> None:
        """Raise LeaseLostError where any of these does not hold any more, or where there are none."""
        ...


class Stores(Protocol):
    """All ports of one store, by name."""

    @property
    def readings(self) -> Readings: ...  # noqa: D102 - each is what its type says
    @property
    def register(self) -> Register: ...  # noqa: D102
    @property
    def refused(self) -> Refused: ...  # noqa: D102
    @property
    def raw_batches(self) -> RawBatches: ...  # noqa: D102
    @property
    def hand_values(self) -> HandValues: ...  # noqa: D102
    @property
    def devices(self) -> Devices: ...  # noqa: D102
    @property
    def chain_maps(self) -> ChainMaps: ...  # noqa: D102
    @property
    def alert_log(self) -> AlertLog: ...  # noqa: D102
    @property
    def audit_log(self) -> AuditLog: ...  # noqa: D102
    @property
    def people(self) -> People: ...  # noqa: D102
    @property
    def sessions(self) -> Sessions: ...  # noqa: D102
    @property
    def tokens(self) -> Tokens: ...  # noqa: D102
    @property
    def guess_counts(self) -> GuessCounts: ...  # noqa: D102
    @property
    def outbox(self) -> Outbox: ...  # noqa: D102
    @property
    def setpoints(self) -> Setpoints: ...  # noqa: D102
    @property
    def evaluations(self) -> Evaluations: ...  # noqa: D102
    @property
    def sites(self) -> Sites: ...  # noqa: D102
    @property
    def work_in_hand(self) -> WorkInHand: ...  # noqa: D102
    @property
    def notes(self) -> Notes: ...  # noqa: D102
    @property
    def handovers(self) -> Handovers: ...  # noqa: D102
    @property
    def removals(self) -> Removals: ...  # noqa: D102
    @property
    def sprockets(self) -> Sprockets: ...  # noqa: D102
    @property
    def upkeep_log(self) -> UpkeepLog: ...  # noqa: D102
    @property
    def planned_stops(self) -> PlannedStops: ...  # noqa: D102
    @property
    def supplies(self) -> Supplies: ...  # noqa: D102
    @property
    def duty_plans(self) -> DutyPlans: ...  # noqa: D102
    @property
    def prognoses(self) -> Prognoses: ...  # noqa: D102
    @property
    def groups(self) -> Groups: ...  # noqa: D102
    @property
    def leases(self) -> Leases: ...  # noqa: D102
