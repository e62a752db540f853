"""Door: something must go out. Each route reads the stored transitions on its own and sends what fits, at least once.

The alert log is the outbox. A route notes up to which transition it has looked, and in the same transaction puts what is
to go out on its way, with the instant at which it is due. What has arrived is dropped afterwards, so a crash in between
sends it again, under the same id. Of one drive everything goes in order.

What goes wrong has two sizes. The way fails (nobody answers, a fault of the endpoint): all of the route waits, longer each
time, for ever, and the page shows it. The endpoint refuses one event: what comes after it of the same drive waits, and the
rest goes by. Each route has a thread, so that none waits for another.

Several processes may deliver from a store. Each route is done by one of them at a time: what it notes is noted only while it
is (the outbox given for a route is fenced), and before each message it sees whether it still may. A message that was on its
way when a process stopped, or stood still, comes again from the one that takes over, under the same id.

Knows the ports and core; must not know by which way an event goes.
"""

import hashlib
import random
import threading
import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, tzinfo

import structlog

from service.core.alert import Transition
from service.core.drive import Drive
from service.core.event import CloudEvent, alert_event, linked
from service.core.route import (
    BROKER_ROUTE,
    RETRY_AFTER_S_MAX,
    Route,
    Way,
    What,
    calls_off,
    due_ns,
    fits,
    wait_s,
)
from service.ports import (
    AlertLog,
    ConflictError,
    Delivery,
    EndpointGoneError,
    EventRefusedError,
    LeaseLostError,
    NotDeliveredError,
    NotFoundError,
    Notifier,
    Outbox,
    Outgoing,
    OutgoingKind,
    Register,
    StoreUnavailableError,
)
from service.share_tasks import Alone, Task

ROUTES_MAX = 50  # each has a thread
WAITING_MAX = 5_000  # events of a route on their way; the rest waits in the alert log, which keeps it anyway
LOOK_AT = 500  # transitions in one transaction
SEND_AT_ONCE = 100  # events of one look, and of one digest
DROP_AFTER = 20  # arrived events dropped in one transaction: so many come twice after a crash, at most
JOIN_S = 15.0  # a route that waits for an answer is waited for, as long as a stop may take

S = 1_000_000_000

log = structlog.get_logger(__name__)


@dataclass(frozen=True, slots=True, kw_only=True)
class Pace:
    """How often is looked, and how long is waited after failures."""

    look_s: float = 1.0
    first_wait_s: float = 2.0
    longest_wait_s: float = 900.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Surroundings:
    """What a route has to know of sites: their zone, and which shift is on."""

    zone_of: Callable[[str], tzinfo] = lambda _site: UTC
    shift_at: Callable[[str, int], str | None] = lambda _site, _t_ns: None


@dataclass(frozen=True, slots=True, kw_only=True)
class DeliverPorts:
    """What the door needs from outside."""

    alert_log: AlertLog
    outbox: Outbox
    register: Register
    notifier_for: Callable[[Route], Notifier]  # raises NotDeliveredError where its target cannot be read
    now_ns: Callable[[], int] = time.time_ns
    public_url: str = ""  # by which people reach the pages; "": events name none
    task_of: Callable[[str], tuple[Task, Outbox]] | None = (
        None  # of a route, and what it notes in; None: all are ours
    )


class Deliver:
    """All routes, each in a thread of its own."""

    def __init__(
        self,
        ports: DeliverPorts,
        *,
        pace: Pace | None = None,
        surroundings: Surroundings | None = None,
        to_broker: bool = True,
    ) -> None:
        """to_broker: whether the devices' broker is told too, by a route that is there by itself."""
        self._ports = ports
        self._pace = pace or Pace()
        self._surroundings = surroundings or Surroundings()
        self._to_broker = to_broker
        self._running: dict[str, tuple[threading.Thread, threading.Event]] = {}

    def run(self, stop: threading.Event) -> None:
        """Deliver until `stop` is set."""
        try:
            while not stop.is_set():
                try:
                    self._prepare()
                    self._start_and_end()
                except StoreUnavailableError as error:
                    log.warning("delivery waits for the store", error=str(error))
                except (
                    ConflictError,
                    NotFoundError,
                ):  # another process added or removed the route to the broker
                    continue
                stop.wait(self._pace.look_s)
        finally:
            self._end(list(self._running))

    def _prepare(self) -> None:
        """See that the route to the broker is there if it is to be."""
        outbox = self._ports.outbox
        there = any(route.built_in for route in outbox.routes())
        if self._to_broker and not there:
            route = Route(
                route_id=BROKER_ROUTE, way=Way.MQTT, name="The devices' broker", what=What.EVERYTHING
            )
            outbox.add(route, self._ports.alert_log.newest_number())
        elif there and not self._to_broker:
            outbox.remove(BROKER_ROUTE)

    def _start_and_end(self) -> None:
        wanted = [route.route_id for route in self._ports.outbox.routes()][:ROUTES_MAX]
        self._end([route_id for route_id in self._running if route_id not in wanted])
        for route_id in wanted:
            running = self._running.get(route_id)
            if running is None or not running[0].is_alive():
                self._running[route_id] = self._started(route_id)

    def _started(self, route_id: str) -> tuple[threading.Thread, threading.Event]:
        stop = threading.Event()
        runner = RouteRunner(route_id, self._ports, self._pace, self._surroundings)
        thread = threading.Thread(target=runner.run, args=(stop,), name=f"route {route_id}", daemon=True)
        thread.start()
        return thread, stop

    def _end(self, route_ids: Sequence[str]) -> None:
        for route_id in route_ids:
            self._running[route_id][1].set()
        end_s = time.monotonic() + JOIN_S
        for route_id in route_ids:
            self._running.pop(route_id)[0].join(max(0.0, end_s - time.monotonic()))


class RouteRunner:
    """One route: looks, plans, sends."""

    def __init__(self, route_id: str, ports: DeliverPorts, pace: Pace, surroundings: Surroundings) -> None:
        self._route_id, self._ports, self._pace, self._around = route_id, ports, pace, surroundings
        self._task, self._outbox = ports.task_of(route_id) if ports.task_of else (Alone(), ports.outbox)
        self._made: tuple[Route, Notifier] | None = None
        self._instance = ""

    def run(self, stop: threading.Event) -> None:
        """Step until `stop` is set or the route is gone. Whatever goes wrong with this route stays with it."""
        try:
            while not stop.is_set():
                busy = False
                try:
                    busy = self.step()
                except NotFoundError:
                    return
                except LeaseLostError as error:
                    log.warning("route lost", route=self._route_id, error=str(error))
                    self._let_go()
                except StoreUnavailableError as error:
                    log.warning("route waits for the store", route=self._route_id, error=str(error))
                except Exception as error:
                    log.exception("fault in a route", route=self._route_id)
                    self._note_fault(error)
                if not busy:
                    stop.wait(self._pace.look_s)
        finally:
            self._let_go()

    def step(self) -> bool:
        """Look once, plan and send what is due, if the route is ours; return whether there may be more to do at once.

        Raises NotFoundError where the route is there no more, LeaseLostError, StoreUnavailableError.
        """
        with self._task.turn() as held:
            if held:
                return self._step()
        self._outbox.route(self._route_id)  # whether it is there
        self._let_go()
        return False

    def _step(self) -> bool:
        route = self._outbox.route(self._route_id)
        self._instance = self._instance or self._outbox.instance()
        self._try_tests(route)
        delivery = self._outbox.delivery(self._route_id)
        if not route.enabled or delivery.off_why:
            self._let_go()
            return False
        planned = self._plan(route, delivery)
        if self._still_waits(delivery):
            return planned
        try:
            sent = self._send(route)
            if not sent:
                self._notifier(route).rest()
        except NotDeliveredError as error:
            self._failed(error)
            return planned  # what else was recorded is put on its way meanwhile
        except EndpointGoneError as error:
            self._outbox.gone(self._route_id, str(error), self._ports.now_ns())
            log.warning("route is off: its endpoint is gone", route=self._route_id, said=str(error))
            return False
        return planned or sent

    def _still_waits(self, delivery: Delivery) -> bool:
        """Whether the wait after a failure goes on. One longer than there is any means that the clock was set back."""
        wait_ns = delivery.next_try_ns - self._ports.now_ns()
        return 0 < wait_ns <= max(RETRY_AFTER_S_MAX, self._pace.longest_wait_s) * S

    # Looking

    def _plan(self, route: Route, delivery: Delivery) -> bool:
        """Put on their way what fits of the transitions that were not looked at; return whether there were any."""
        if delivery.waiting >= WAITING_MAX:
            return False
        transitions = self._ports.alert_log.after(delivery.position, LOOK_AT)
        if not transitions:
            return False
        drives = {drive.drive_id: drive for drive in self._ports.register.drives(retired=True)}
        rows: list[Outgoing] = []
        called_off: set[str] = set()
        for transition in transitions:
            if calls_off(route, transition):
                called_off.add(transition.alert_id)
                rows = [row for row in rows if row.alert_id != transition.alert_id]
            if (row := self._outgoing(route, transition, drives)) is not None:
                rows.append(row)
        return self._outbox.plan(
            self._route_id,
            before=delivery.position,
            position=transitions[-1].number,
            rows=rows,
            called_off=sorted(called_off),
        )

    def _outgoing(self, route: Route, transition: Transition, drives: Mapping[str, Drive]) -> Outgoing | None:
        drive = drives.get(transition.drive_id) or Drive(drive_id=transition.drive_id)
        now_ns = self._ports.now_ns()
        shift = self._around.shift_at(drive.site, now_ns) if route.shifts else None
        if not fits(route, transition, drive, shift):
            return None
        at_ns = due_ns(route, transition, now_ns, self._around.zone_of(drive.site))
        return Outgoing(
            route_id=route.route_id,
            kind=OutgoingKind.TRANSITION,
            lane=drive.drive_id,
            event=linked(
                alert_event(transition, drive, self._instance),
                self._ports.public_url,
                f"/alerts/{transition.alert_id}",
            ),
            made_ns=transition.act.recorded_ns,
            due_ns=at_ns if at_ns > now_ns else 0,  # at once, though the clock be set back meanwhile
            alert_id=transition.alert_id,
        )

    # Sending

    def _send(self, route: Route) -> bool:
        """Send what is due; return whether anything was. Raises NotDeliveredError, EndpointGoneError."""
        rows = self._outbox.due(self._route_id, self._ports.now_ns(), SEND_AT_ONCE)
        if not rows:
            return False
        if route.digest_min:
            self._send_digest(route, [row for row in rows if row.due_ns == rows[0].due_ns])
            return True
        return self._send_each(route, rows)

    def _send_each(self, route: Route, rows: Sequence[Outgoing]) -> bool:
        notifier = self._notifier(route)
        arrived: list[int] = []
        stopped: set[str] = set()  # lanes
        try:
            for row in rows:
                if row.lane in stopped:
                    continue
                self._refuse_lost()
                try:
                    notifier.send([row.event], row.event.id)
                except EventRefusedError as error:
                    stopped.add(row.lane)
                    self._refused(row, error)
                    continue
                arrived.append(row.row)
                if len(arrived) >= DROP_AFTER:
                    self._arrived(arrived)
                    arrived = []
        finally:
            if arrived:
                self._arrived(arrived)
        return True

    def _send_digest(self, route: Route, rows: Sequence[Outgoing]) -> None:
        """Send rows that are due together as one message. Which they are is settled before they are due."""
        events = [row.event for row in rows]
        self._refuse_lost()
        try:
            self._notifier(route).send(events, digest_id(events))
        except EventRefusedError as error:  # which of them it was is not said: all of it waits
            raise NotDeliveredError(f"refused a digest of {len(events)}: {error}") from error
        self._arrived([row.row for row in rows])

    def _try_tests(self, route: Route) -> None:
        """Try tests once each, whatever else waits."""
        for row in self._outbox.due(self._route_id, self._ports.now_ns(), tests=True):
            error = ""
            self._refuse_lost()
            try:
                self._notifier(route).send([row.event], row.event.id)
            except (NotDeliveredError, EventRefusedError, EndpointGoneError) as fault:
                error = str(fault)
            self._outbox.tested(self._route_id, row.row, error, self._ports.now_ns())
            log.info("route tested", route=self._route_id, error=error or None)
            if not error and self._outbox.delivery(self._route_id).failures:
                self._outbox.retry(self._route_id)  # the way works again: what waits need not wait longer

    def _refuse_lost(self) -> None:
        """Send nothing any more where another process may have taken the route over: nothing can take back what was sent."""
        if not self._task.goes_on():
            raise LeaseLostError([f"the route {self._route_id}"])

    def _notifier(self, route: Route) -> Notifier:
        """The notifier of the route as it is set now."""
        if self._made is not None and self._made[0] == route:
            return self._made[1]
        self._let_go()
        self._made = (route, self._ports.notifier_for(route))
        return self._made[1]

    def _let_go(self) -> None:
        if self._made is not None:
            self._made[1].close()
            self._made = None

    # What came of it

    def _arrived(self, rows: Sequence[int]) -> None:
        self._outbox.sent(self._route_id, rows, self._ports.now_ns())
        log.info("delivered", route=self._route_id, events=len(rows))

    def _refused(self, row: Outgoing, error: EventRefusedError) -> None:
        wait = self._wait_s(row.tries + 1)
        self._outbox.refused(row.row, str(error), self._ports.now_ns() + round(wait * S))
        log.warning(
            "event refused",
            route=self._route_id,
            id=row.event.id,
            lane=row.lane,
            error=str(error),
            again_s=round(wait, 1),
        )

    def _failed(self, error: NotDeliveredError) -> None:
        failures = self._outbox.delivery(self._route_id).failures + 1  # of now: some may have arrived before
        wait = self._wait_s(failures)
        if error.retry_after_s is not None:
            wait = min(RETRY_AFTER_S_MAX, max(wait, error.retry_after_s))
        now_ns = self._ports.now_ns()
        self._outbox.failed(self._route_id, str(error), now_ns, now_ns + round(wait * S))
        log.warning(
            "not delivered", route=self._route_id, failures=failures, error=str(error), again_s=round(wait, 1)
        )

    def _note_fault(self, error: Exception) -> None:
        """A fault of our own: the route waits as after any other, and the page says so."""
        fault = NotDeliveredError(f"fault in linklag ({type(error).__name__}): its log says where")
        try:
            self._failed(fault)
        except (StoreUnavailableError, NotFoundError, LeaseLostError):
            log.warning("fault could not be noted", route=self._route_id)

    def _wait_s(self, failures: int) -> float:
        return wait_s(failures, self._pace.first_wait_s, self._pace.longest_wait_s, random.random())  # noqa: S311


def digest_id(events: Sequence[CloudEvent]) -> str:
    """Return the id of a message with several events: the same for the same events."""
    if len(events) == 1:
        return events[0].id
    ids = "\n".join(event.id for event in events)
    return f"digest.{hashlib.sha256(ids.encode()).hexdigest()[:32]}"
