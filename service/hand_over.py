"""Door: a shift ends, and hands over to the next. And what people leave for each other: sites' shifts, work in hand, notes.

Gathers what was recorded in the shift, has core make the document, freezes it, and takes signatures and receipts. Everything
is looked up as it was known at the cut-off, so a handover that is frozen late (linklag was down) is the one it would have been,
but for readings, which carry no time of arrival. Knows the ports and core; must not know how a person came in, nor how a
document is sent. What a person got wrong raises, with the fix in words: NotFoundError, ConflictError, FieldsRefusedError or
ValueError. `at_ns` is now, read once by the caller; `by` is who acts.
"""

import threading
from bisect import bisect_right
from collections import defaultdict
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace

import structlog

from service.core.alert import Alert, Transition, begin, replay
from service.core.audit import entry_of
from service.core.commission import begun_anew_ns
from service.core.drive import Baseline, Chain, Drive, baseline_at, chain_at
from service.core.fields import FieldsRefusedError
from service.core.hand import HandValue, hand_elongation, newer
from service.core.handover import (
    GAIN_READINGS_MIN,
    AlreadySignedError,
    Content,
    DriveFacts,
    HandFact,
    Handover,
    HandoverFacts,
    Head,
    Moved,
    Receipt,
    Signature,
    SignRole,
    canonical,
    check_signature,
    make_content,
    sha256_of,
    wear_gained,
)
from service.core.health import Health, health, present_signs
from service.core.health import Known as KnownOfSensing
from service.core.moved import Outlook, why_moved
from service.core.prognosis import Outcome
from service.core.reading import Reading
from service.core.shift import Shift, Site, next_shift, previous_shift, shift_at, shifts_between
from service.core.work import COMMISSIONING_KINDS, SIMULATION_KINDS, Note, Work, WorkKind
from service.judge import judge
from service.measure_by_hand import known_by_hand, known_of, newest_tight
from service.operate import refuse_ahead
from service.ports import (
    ROWS_MAX,
    ConflictError,
    DeviceState,
    HandValues,
    KeptPrognosis,
    LeaseLostError,
    NotFoundError,
    Passed,
    Resolution,
    Span,
    Stores,
    StoreUnavailableError,
)
from service.share_tasks import Alone, Task

log = structlog.get_logger(__name__)

SECOND_NS = 1_000_000_000
HOUR_NS = 3600 * SECOND_NS
DAY_NS = 24 * HOUR_NS
RANGE_DAYS_MAX = 31  # so long a range may be, and so far back a shift covers what came since the last one
CATCH_UP_MAX = 12  # shifts of a site that are frozen late after linklag was away; what came before is in the first of them
END_NS = HOUR_NS  # readings of so long before an end of the shift go into its mean
END_READINGS = 60
END_WINDOWS = 24  # into which a shift is cut to look for its first and last readings
DRIVES_AT_ONCE = 100  # are read together
RECENT_FEW = 5  # newest ones that are looked at first: of a drive that runs one of them is enough
RECENT_READINGS = 200  # newest ones, among which one with an elongation is looked for first
BY_MINUTE_NS = 2 * DAY_NS  # joints are counted by the minute over so long, else by the hour
LINKLAG = "linklag"  # who freezes by the clock
ROUTES = "routes of linklag"  # in a receipt: it was put on its way
PUSH_DAYS = 7  # so long it is tried to put a handover on its way

Healths = Mapping[str, Health | None]
_Ends = dict[str, list[Reading]]  # by drive
Push = Callable[[Handover, int], int]  # puts one on its way, and says along how many routes


@dataclass(frozen=True, slots=True, kw_only=True)
class Shown:
    """A frozen handover with what was put beside it."""

    handover: Handover
    signatures: Sequence[Signature]
    receipts: Sequence[Receipt]


class HandOver:
    """What shifts hand over, and who took it."""

    def __init__(self, stores: Stores, *, push: Push | None = None, quiet_after_s: float = 180.0) -> None:
        """push: puts a frozen shift on its way; None: nobody is told. quiet_after_s: see `health.Known`."""
        self._stores, self._push, self._quiet_after_s = stores, push, quiet_after_s

    # Sites and their shifts

    def sites(self) -> list[Site]:
        """Return every site that is set or that a drive names, by name; those that only drives name have no shifts."""
        known = {each.site: each for each in self._stores.sites.sites()}
        named = {each.site for each in self._stores.register.drives()}
        return [known.get(name) or Site(site=name) for name in sorted(known.keys() | named)]

    def site(self, name: str) -> Site:
        """Return one of them. Raises NotFoundError."""
        found = self._stores.sites.site(name)
        if found is None and all(each.site != name for each in self._stores.register.drives()):
            raise NotFoundError(
                f"there is no site {name!r}: no drive names it and no shifts are set for it; the list of sites has the others"
            )
        return found or Site(site=name)

    def put_site(self, site: Site, *, at_ns: int, by: str, why: str = "") -> Site:
        """Set zone and shifts of a site and return it. What is frozen already stays as it is."""
        before = self._stores.sites.site(site.site)
        entry = entry_of(
            at_ns=at_ns,
            by=by,
            what="shifts changed" if before else "shifts set",
            subject=f"site {site.site}",
            old=_told_of(before) if before else None,
            new=_told_of(site),
            why=why,
        )
        self._stores.sites.put(site, entry=entry)
        log.info("shifts set", site=site.site, by=by, at_ns=at_ns)
        return site

    # Work in hand

    def open_work(  # noqa: PLR0913 - what a person says of the work, all by name
        self,
        drive_id: str,
        *,
        kind: WorkKind,
        why: str,
        work_order: str = "",
        since_ns: int | None = None,
        at_ns: int,
        by: str,
    ) -> Work:
        """Record that something is being done to a drive and return it. Raises NotFoundError, ConflictError, FieldsRefusedError."""
        since_ns = at_ns if since_ns is None else since_ns
        refuse_ahead("since", since_ns, at_ns)
        work = Work(
            drive_id=drive_id,
            kind=kind,
            since_ns=since_ns,
            by=by,
            why=why,
            work_order=work_order,
            recorded_ns=at_ns,
        )
        for known in self._stores.work_in_hand.in_hand(drive_id):
            if known.kind is kind and kind is not WorkKind.OTHER:
                raise ConflictError(
                    f"{drive_id} has {_words(kind)} in hand already (number {known.work_id}, {known.by}): close that first, "
                    "or leave a note"
                )
        entry = entry_of(
            at_ns=at_ns, by=by, what=f"{_words(kind)} begun", subject=f"drive {drive_id}", why=why
        )
        stored = self._stores.work_in_hand.open(work, entry=entry)
        log.info("work opened", drive=drive_id, kind=str(kind), work=stored.work_id, by=by, at_ns=at_ns)
        return stored

    def close_work(
        self, work_id: int, *, why: str = "", closed_ns: int | None = None, at_ns: int, by: str
    ) -> Work:
        """Record that work is done and return it. Raises NotFoundError, ConflictError, FieldsRefusedError."""
        closed_ns = at_ns if closed_ns is None else closed_ns
        refuse_ahead("closed", closed_ns, at_ns)
        known = self._stores.work_in_hand.work(work_id)
        done = replace(
            known, closed_ns=closed_ns, closed_by=by, closed_why=why, closed_recorded_ns=at_ns
        )  # raises where it was done before it was begun
        entry = entry_of(
            at_ns=at_ns, by=by, what=f"{_words(known.kind)} done", subject=f"drive {known.drive_id}", why=why
        )
        self._stores.work_in_hand.close(done, entry=entry)
        log.info("work closed", drive=known.drive_id, work=work_id, by=by, at_ns=at_ns)
        return done

    # Notes

    def add_note(
        self, site: str, text: str, *, drive_id: str = "", true_ns: int | None = None, at_ns: int, by: str
    ) -> Note:
        """Leave a note and return it: of a drive, or of the whole site. Raises NotFoundError, FieldsRefusedError."""
        self.site(site)
        if drive_id and (of := self._stores.register.drive(drive_id).site) != site:
            raise FieldsRefusedError({"drive_id": f"{drive_id} is at {of or 'no site'}, not at {site}"})
        true_ns = at_ns if true_ns is None else true_ns
        refuse_ahead("about", true_ns, at_ns)
        note = Note(site=site, drive_id=drive_id, text=text, true_ns=true_ns, recorded_ns=at_ns, by=by)
        entry = entry_of(
            at_ns=at_ns,
            by=by,
            what="note left",
            subject=f"drive {drive_id}" if drive_id else f"site {site}",
            new={"text": text},
        )
        stored = self._stores.notes.add(note, entry=entry)
        log.info("note added", site=site, drive=drive_id, note=stored.number, by=by, at_ns=at_ns)
        return stored

    # The shift that is on

    def shift_now(self, site: Site, at_ns: int) -> Shift:
        """Return the shift that is on, as far as it goes; between shifts the time since the last one, without a name."""
        pattern, zone = site.pattern, site.zone_info
        on = shift_at(pattern, zone, at_ns)
        if on is not None:
            return replace(on, to_ns=at_ns)
        ended = previous_shift(pattern, zone, at_ns)
        from_ns = max(ended.to_ns if ended else 0, at_ns - RANGE_DAYS_MAX * DAY_NS)
        if ended is None:
            from_ns = at_ns - DAY_NS
        return Shift(name="", from_ns=min(from_ns, at_ns - 1), to_ns=at_ns)

    def preview(self, name: str, *, at_ns: int, healths: Healths | None = None) -> Content:
        """Return what the handover of the shift that is on would say now. Raises NotFoundError.

        healths: states of the sensing by drive, of who has them already; None: judge them.
        """
        site = self.site(name)
        facts = self._facts(site, self.shift_now(site, at_ns), goes_on=True, healths=healths)
        return make_content(facts)

    # Freezing

    def freeze(self, name: str, *, from_ns: int, to_ns: int, at_ns: int, by: str) -> tuple[Handover, bool]:
        """Freeze a shift or any range, and return it and whether it is new: what is frozen already is returned as it is.

        A range that is a shift of the site's pattern is that shift. Raises NotFoundError, FieldsRefusedError.
        """
        site = self.site(name)
        _check_range(from_ns, to_ns, at_ns)
        on = shift_at(site.pattern, site.zone_info, to_ns)
        is_shift = on is not None and (on.from_ns, on.to_ns) == (from_ns, to_ns)
        shift = on if on is not None and is_shift else Shift(name="", from_ns=from_ns, to_ns=to_ns)
        return self._freeze(site, shift, at_ns, by)

    def freeze_last(self, name: str, *, at_ns: int, by: str) -> tuple[Handover, bool]:
        """Freeze the shift of a site that ended last, as `freeze` does. Raises ConflictError where it has no shifts."""
        site = self.site(name)
        last = previous_shift(site.pattern, site.zone_info, at_ns)
        if last is None:
            raise ConflictError(f"no shifts are set for {name!r}: set them, or give from and to")
        return self._freeze(site, last, at_ns, by)

    def freeze_due(self, at_ns: int, *, after_s: float) -> list[Handover]:
        """Freeze each shift that ended `after_s` ago or longer, put what is new on its way, and return it.

        Of a site that never had one only its last shift; after linklag was away the last 12, the first of which covers what
        came before. Raises StoreUnavailableError; what was frozen by then is not frozen twice.
        """
        found = []
        for site in self._stores.sites.sites():
            for shift in self._due(site, at_ns - int(after_s * SECOND_NS)):
                handover, new = self._freeze(site, shift, at_ns, LINKLAG)
                if new:
                    found.append(handover)
        self._push_all(at_ns)
        return found

    def run(
        self,
        stop: threading.Event,
        every_s: float,
        *,
        after_s: float,
        now_ns: Callable[[], int],
        task: Task | None = None,
    ) -> None:
        """Freeze what is due until `stop`, where that is the task of this process (None: it is). What fails is tried again."""
        task = task or Alone()
        while not stop.wait(every_s):
            try:
                with task.turn() as held:
                    if held:
                        self.freeze_due(now_ns(), after_s=after_s)
            except (StoreUnavailableError, LeaseLostError) as fault:
                log.warning("handing_over_waits", fault=str(fault))
            except Exception:
                log.exception(
                    "handing_over_failed"
                )  # the next turn tries again; the rest of the process goes on

    def _due(self, site: Site, until_ns: int) -> list[Shift]:
        """Shifts of a site that ended by an instant and are not frozen, the oldest first."""
        pattern, zone = site.pattern, site.zone_info
        newest = previous_shift(pattern, zone, until_ns)
        if newest is None:
            return []
        last = self._stores.handovers.last_shift(site.site, until_ns + 1)
        if last is None:
            return [newest]
        from_ns = max(last.head.to_ns, until_ns - RANGE_DAYS_MAX * DAY_NS)
        ended = shifts_between(pattern, zone, from_ns, newest.to_ns) if from_ns < newest.to_ns else []
        return [each for each in ended if last.head.to_ns < each.to_ns <= until_ns][-CATCH_UP_MAX:]

    def _freeze(self, site: Site, shift: Shift, at_ns: int, by: str) -> tuple[Handover, bool]:
        for known in self._stores.handovers.heads(site=site.site, since_ns=shift.to_ns - 1, rows_max=1000):
            if (known.from_ns, known.to_ns) == (shift.from_ns, shift.to_ns):
                return self._stores.handovers.handover(known.number), False
        content = canonical(make_content(self._facts(site, shift)))
        head = Head(
            site=site.site,
            shift=shift.name,
            from_ns=shift.from_ns,
            to_ns=shift.to_ns,
            frozen_ns=at_ns,
            frozen_by=by,
            sha256=sha256_of(content),
        )
        entry = None
        if by != LINKLAG:
            entry = entry_of(
                at_ns=at_ns, by=by, what="handover frozen", subject=f"site {site.site}", new=head
            )
        stored = self._stores.handovers.freeze(Handover(head, content), entry=entry)
        log.info("handover frozen", site=site.site, shift=shift.name, number=stored.head.number, by=by)
        return stored, stored.head.frozen_ns == at_ns

    def _push_all(self, at_ns: int) -> None:
        """Put on its way what is not yet. A handover that was put twice has the same id both times."""
        if self._push is None:
            return
        since_ns = at_ns - PUSH_DAYS * DAY_NS
        heads = self._stores.handovers.heads(since_ns=max(0, since_ns), rows_max=1000)
        numbers = [each.number for each in heads if each.shift and each.frozen_by == LINKLAG]
        done = {each.handover for each in self._stores.handovers.receipts(numbers) if each.system == ROUTES}
        for number in numbers:
            if number not in done:
                routes = self._push(self._stores.handovers.handover(number), at_ns)
                receipt = Receipt(
                    handover=number, system=ROUTES, at_ns=at_ns, by=LINKLAG, reference=f"{routes} routes"
                )
                self._stores.handovers.receive(receipt)

    # Frozen ones

    def shown(self, number: int) -> Shown:
        """Return a frozen handover with its signatures and receipts. Raises NotFoundError."""
        return Shown(
            handover=self._stores.handovers.handover(number),
            signatures=self._stores.handovers.signatures([number]),
            receipts=self._stores.handovers.receipts([number]),
        )

    def sign(  # noqa: PLR0913 - what a person says when signing, all by name
        self,
        number: int,
        *,
        role: SignRole,
        name: str,
        remark: str = "",
        read_back: bool = False,
        at_ns: int,
        by: str,
    ) -> Signature:
        """Sign a handover and return the signature. Raises NotFoundError, ConflictError, FieldsRefusedError."""
        handover = self._stores.handovers.handover(number)
        if not handover.intact:
            raise ConflictError(
                f"handover {number} is not what was frozen (its SHA-256 differs): do not sign it, restore the store"
            )
        signature = Signature(
            handover=number,
            role=role,
            name=name,
            by=by,
            at_ns=at_ns,
            sha256=handover.head.sha256,
            remark=remark,
        )
        try:
            check_signature(self._stores.handovers.signatures([number]), signature, read_back=read_back)
        except AlreadySignedError as error:
            raise ConflictError(str(error)) from error
        entry = entry_of(
            at_ns=at_ns, by=by, what=f"signed as {role}", subject=f"handover {number}", new={"name": name}
        )
        self._stores.handovers.sign(signature, entry=entry)
        log.info("handover signed", number=number, role=str(role), by=by, at_ns=at_ns)
        return signature

    def receive(self, number: int, *, system: str, reference: str = "", at_ns: int, by: str) -> Receipt:
        """Note that another system has taken a handover, and return the receipt: the first that it gave. Raises NotFoundError."""
        if system.casefold() == ROUTES:
            raise FieldsRefusedError({"system": f"{ROUTES!r} is linklag's own name: give that of the system"})
        receipt = Receipt(handover=number, system=system, at_ns=at_ns, by=by, reference=reference)
        entry = entry_of(
            at_ns=at_ns, by=by, what="handover taken", subject=f"handover {number}", new={"system": system}
        )
        return self._stores.handovers.receive(receipt, entry=entry)

    # Facts

    def _facts(
        self, site: Site, shift: Shift, *, goes_on: bool = False, healths: Healths | None = None
    ) -> HandoverFacts:
        """Return all that was recorded of a shift, as it was known at its end. goes_on: it has not ended yet."""
        covers_from_ns, previous = self._covered(site, shift)
        drives = [each for each in self._stores.register.drives() if each.site == site.site]
        ids = {each.drive_id for each in drives}
        chains = [each for each in self._stores.register.chains() if each.drive_id in ids]
        chain_ids = {each.chain_id for each in chains}
        covered = range(covers_from_ns + 1, shift.to_ns + 1)
        baselines = [each for each in self._stores.register.baselines() if each.chain_id in chain_ids]
        log_of_alerts = self._stores.alert_log
        transitions = log_of_alerts.recorded(covers_from_ns, shift.to_ns)
        work = self._stores.work_in_hand.known(covers_from_ns, shift.to_ns)
        look = _Look(self._stores, shift, covers_from_ns, work, healths, self._quiet_after_s)
        by_hand = _of_each(self._stores.hand_values, drives)
        return HandoverFacts(
            site=site.site,
            zone=site.zone,
            shift=shift,
            covers_from_ns=covers_from_ns,
            next_shift=self._next(site, shift, goes_on=goes_on),
            drives=look.at_all(drives, chains, baselines, by_hand),
            alerts=[
                as_of(each, shift.to_ns, log_of_alerts.of_alert)
                for each in log_of_alerts.alerts(standing=False)
                if each.drive_id in ids
            ],
            transitions=[each for each in transitions if each.drive_id in ids],
            hand=_told_by_hand(drives, chains, by_hand, covered),
            baselines=[each for each in baselines if each.recorded_ns in covered],
            chains=chains,
            work=[each for each in work if each.drive_id in ids],
            notes=self._stores.notes.recorded(site.site, covers_from_ns, shift.to_ns),
            previous=previous.told if previous else None,
            previous_signed=previous is None or self._is_signed(previous.head.number),
            moved=self._moved(ids, covers_from_ns, shift.to_ns),
        )

    def _moved(self, ids: Iterable[str], from_ns: int, to_ns: int) -> list[Moved] | None:
        """The forecasts of drives that moved; None where there was none of any of them yet."""
        after = {each.drive_id: each for each in self._stores.prognoses.newest(by_ns=to_ns)}
        before = {each.drive_id: each for each in self._stores.prognoses.newest(by_ns=from_ns)}
        told = [after[drive_id] for drive_id in sorted(ids) if drive_id in after]
        found = []
        for kept in told:
            old = before.get(kept.drive_id)
            why = why_moved(outlook_of(old) if old else None, outlook_of(kept))
            if why is not None:
                same = old is not None and old.chain_id == kept.chain_id
                before_ns = old.p50_ns if old is not None and same else None
                found.append(
                    Moved(drive_id=kept.drive_id, before_ns=before_ns, after_ns=kept.p50_ns, why=why)
                )
        return found if told else None

    def _covered(self, site: Site, shift: Shift) -> tuple[int, Handover | None]:
        """From when on a handover tells what was recorded, and the one that went up to there.

        A shift covers what came since the handover of the shift before, so that nothing falls between two; a range covers
        itself alone.
        """
        last = self._stores.handovers.last_shift(site.site, shift.to_ns) if shift.name else None
        if last is None:
            return shift.from_ns, None
        covers_from_ns = max(min(shift.from_ns, last.head.to_ns), shift.to_ns - RANGE_DAYS_MAX * DAY_NS)
        return covers_from_ns, last if last.head.to_ns == covers_from_ns else None

    def _next(self, site: Site, shift: Shift, *, goes_on: bool) -> Shift | None:
        pattern, zone = site.pattern, site.zone_info
        on = shift_at(pattern, zone, shift.to_ns) if goes_on else None
        return next_shift(pattern, zone, on.to_ns if on else shift.to_ns)

    def _is_signed(self, number: int) -> bool:
        return len(self._stores.handovers.signatures([number])) == len(SignRole)


def _in_parts(drives: Sequence[Drive]) -> list[Sequence[Drive]]:
    return [drives[start : start + DRIVES_AT_ONCE] for start in range(0, len(drives), DRIVES_AT_ONCE)]


def _of_each(hand_values: HandValues, drives: Sequence[Drive]) -> dict[str, list[HandValue]]:
    """Return the measurements by hand of each drive that has any."""
    found: dict[str, list[HandValue]] = {}
    for some in _in_parts(drives):
        found |= hand_values.of_each([each.drive_id for each in some])
    return found


def _told_by_hand(
    drives: Iterable[Drive],
    chains: Iterable[Chain],
    by_hand: Mapping[str, Sequence[HandValue]],
    covered: range,
) -> list[HandFact]:
    """Return what was measured by hand, as far as it was recorded in a time."""
    loops = {each.chain_id: each.pitches_in_loop for each in chains}
    return [
        HandFact(
            value,
            hand_elongation(value, temp_ref_c=drive.temp_ref_c, pitches_in_loop=loops[value.chain_id]),
        )
        for drive in drives
        for value in by_hand.get(drive.drive_id, ())
        if value.recorded_ns in covered
    ]


def outlook_of(kept: KeptPrognosis) -> Outlook:
    """Return what of a prognosis counts for whether it moved."""
    document = kept.document
    data, duty, bend = (document.get(name) or {} for name in ("data", "duty", "bend"))
    return Outlook(
        chain_id=kept.chain_id,
        made_ns=kept.made_ns,
        p10_ns=kept.p10_ns,
        p50_ns=kept.p50_ns,
        p90_ns=kept.p90_ns,
        reached=kept.outcome is Outcome.LIMIT_REACHED,
        by_hand=data.get("by_hand", 0),
        epochs=data.get("epochs", 0),
        bend=(bend["factor"], bend["t_ns"]) if bend else None,
        hours_a_week=duty.get("hours_a_week"),
    )


def as_of(alert: Alert, t_ns: int, of_alert: Callable[[str, int], Sequence[Transition]]) -> Alert:
    """Return an alert as it was by what had been recorded at an instant."""
    if alert.changed_ns <= t_ns:
        return alert
    steps = [each for each in of_alert(alert.alert_id, ROWS_MAX) if each.act.recorded_ns <= t_ns]
    return replay(steps, begin(alert.drive_id, alert.kind))


@dataclass(frozen=True, slots=True)
class _On:
    """A drive, all its chains, and the one that was on it at the end of a shift."""

    drive: Drive
    chains: Sequence[Chain]
    chain: Chain | None


@dataclass(frozen=True, slots=True, kw_only=True)
class _Read:
    """What was read of many drives, by drive: what their end of the shift is told by."""

    newest: Mapping[str, Reading]
    measured: Mapping[str, Reading]  # the newest one with an elongation, of the chain that was on
    passed: Mapping[str, Passed]
    start: Mapping[str, Sequence[Reading]]
    end: Mapping[str, Sequence[Reading]]


class _Look:
    """Looks at drives as they were at the end of a shift: many at a time, with few queries."""

    def __init__(
        self,
        stores: Stores,
        shift: Shift,
        covers_from_ns: int,
        work: Iterable[Work],
        healths: Healths | None,
        quiet_after_s: float,
    ) -> None:
        self._readings, self._healths = stores.readings, healths
        self._shift, self._covers_from_ns, self._quiet_after_s = shift, covers_from_ns, quiet_after_s
        self._work = [each for each in work if each.open_at(shift.to_ns)]
        self._newest = {each.drive_id: each for each in stores.readings.newest()}
        self._devices = {each.drive_id: each for each in stores.devices.states()}
        short = shift.to_ns - shift.from_ns <= BY_MINUTE_NS
        self._resolution = Resolution.MINUTE if short else Resolution.HOUR

    def at_all(
        self,
        drives: Sequence[Drive],
        chains: Iterable[Chain],
        baselines: Iterable[Baseline],
        by_hand: Mapping[str, Sequence[HandValue]],
    ) -> list[DriveFacts]:
        """Return what is known of drives.

        Args:
            drives: of which.
            chains: all that ever were on them, by fitted_ns; maybe others.
            baselines: of these.
            by_hand: all that was measured by hand, by drive.
        """
        of_drive, of_chain = defaultdict[str, list[Chain]](list), defaultdict[str, list[Baseline]](list)
        for chain in chains:
            of_drive[chain.drive_id].append(chain)
        for baseline in baselines:
            of_chain[baseline.chain_id].append(baseline)
        found = []
        for some in _in_parts(drives):
            looked_at = [
                _On(each, of_drive[each.drive_id], chain_at(of_drive[each.drive_id], self._shift.to_ns))
                for each in some
            ]
            read = self._read(looked_at)
            for each in looked_at:
                known = of_chain[each.chain.chain_id] if each.chain else []
                found.append(self._facts(each, read, known, by_hand.get(each.drive.drive_id, ())))
        return found

    def _facts(
        self, on: _On, read: _Read, baselines: Sequence[Baseline], by_hand: Sequence[HandValue]
    ) -> DriveFacts:
        to_ns, drive, chain, drive_id = self._shift.to_ns, on.drive, on.chain, on.drive.drive_id
        before = chain_at(on.chains, self._covers_from_ns)
        value = newest_tight(
            [each for each in by_hand if each.recorded_ns <= to_ns and each.measured_ns <= to_ns], chain
        )
        measured, newest = read.measured.get(drive_id), read.newest.get(drive_id)
        live = known_of(measured, chain) if measured and chain else None
        hand = known_by_hand(drive, chain, value) if value and chain else None
        passed = read.passed.get(drive_id)
        return DriveFacts(
            drive=drive,
            chain=chain,
            known=newer(live, hand),
            newest=newest,
            health=self._health(drive, chain, baselines, newest),
            gain=wear_gained(drive, read.start.get(drive_id, []), read.end.get(drive_id, [])),
            joints=passed.pulses if passed else 0,
            readings=passed.readings if passed else 0,
            chain_before=before.chain_id if before else None,
        )

    # What is read, of many drives at once

    def _read(self, some: Sequence[_On]) -> _Read:
        shift = self._shift
        drive_ids = [each.drive.drive_id for each in some]
        rolled = self._readings.passed(drive_ids, shift.from_ns, shift.to_ns, self._resolution)
        passed = {each.drive_id: each for each in rolled}
        start, end = self._ends([(each.drive.drive_id, each.chain) for each in some if each.chain], passed)
        newest, measured = self._recent(some)
        for on in some:
            drive_id = on.drive.drive_id
            if drive_id not in measured and (found := self._measured_before(drive_id, end.get(drive_id, []))):
                measured[drive_id] = found
        return _Read(newest=newest, measured=measured, passed=passed, start=start, end=end)

    def _recent(self, some: Sequence[_On]) -> tuple[dict[str, Reading], dict[str, Reading]]:
        """The newest reading of each drive, and the newest measured one of the chain that was on among the last of a day.

        Most drives are known by the newest there is of them, and of most others a few readings tell. The rest have stood
        for a while.
        """
        newest: dict[str, Reading] = {}
        measured: dict[str, Reading] = {}

        def note(on: _On, readings: Sequence[Reading]) -> None:
            newest.update({each.drive_id: each for each in readings[-1:]})
            measured.update({each.drive_id: each for each in measured_of(readings, on.chain)[-1:]})

        for on in some:
            known = self._newest_before(on.drive.drive_id)
            note(on, [known] if known and known.t_ns > self._shift.to_ns - DAY_NS else [])
        waiting = [on for on in some if self._may_have_more(on, newest, measured)]
        for rows in (RECENT_FEW, RECENT_READINGS):
            recent = self._last_of_day(waiting, rows)
            for on in waiting:
                note(on, recent[on.drive.drive_id])
            waiting = [
                on
                for on in waiting
                if len(recent[on.drive.drive_id]) == rows and on.chain and on.drive.drive_id not in measured
            ]
        for on in some:
            known = self._newest_before(on.drive.drive_id)
            if known is not None:
                newest.setdefault(on.drive.drive_id, known)
        return newest, measured

    def _may_have_more(self, on: _On, newest: Mapping[str, Reading], measured: Mapping[str, Reading]) -> bool:
        """Whether what is sought of a drive may stand further back than the newest reading there is."""
        drive_id = on.drive.drive_id
        if drive_id in newest:
            return on.chain is not None and drive_id not in measured
        return drive_id in self._newest and self._newest_before(drive_id) is None

    def _last_of_day(self, some: Sequence[_On], rows_max: int) -> dict[str, list[Reading]]:
        to_ns, drive_ids = self._shift.to_ns, [each.drive.drive_id for each in some]
        spans = [Span(drive_id=each, from_ns=to_ns - DAY_NS, to_ns=to_ns) for each in drive_ids]
        return dict(zip(drive_ids, self._readings.raw_of(spans, rows_max), strict=True)) if spans else {}

    def _newest_before(self, drive_id: str) -> Reading | None:
        known = self._newest.get(drive_id)
        return known.reading if known and known.reading.t_ns <= self._shift.to_ns else None

    def _measured_before(self, drive_id: str, end: Sequence[Reading]) -> Reading | None:
        """The newest reading with an elongation, where none of the last ones has any."""
        if end:
            return end[-1]
        known = self._newest.get(drive_id)
        newest = known.measured if known else None
        return newest if newest is not None and newest.t_ns <= self._shift.to_ns else None

    def _ends(self, on: Sequence[tuple[str, Chain]], passed: Mapping[str, Passed]) -> tuple[_Ends, _Ends]:
        """Measured readings near the start and near the end of the shift, of the chain that was on at its end.

        Before the start where there are enough; else the first of the shift, as after a stop, or after a chain was fitted
        in it. Of the end the last ones, however long before it the drive was stopped. Where nothing was measured by the
        roll-ups nobody looks, but for the newest part, as these come seconds later.
        """
        from_ns = self._shift.from_ns
        before = [(drive_id, chain, (from_ns - END_NS, from_ns)) for drive_id, chain in on]
        start = {
            each: found for each, found in self._spans(before).items() if len(found) >= GAIN_READINGS_MIN
        }
        few = [each for each in on if each[0] not in start]
        start |= self._first_enough(few, passed, oldest=True)
        return start, self._first_enough(on, passed, oldest=False)

    def _first_enough(
        self, on: Sequence[tuple[str, Chain]], passed: Mapping[str, Passed], *, oldest: bool
    ) -> _Ends:
        """Measured readings of the first part of the shift, or of the last one, that has enough of them."""
        found: dict[str, list[Reading]] = {}
        parts = {drive_id: self._parts(chain, passed.get(drive_id), oldest=oldest) for drive_id, chain in on}
        for turn in range(max(map(len, parts.values()), default=0)):
            asked = [
                (drive_id, chain, parts[drive_id][turn])
                for drive_id, chain in on
                if drive_id not in found and turn < len(parts[drive_id])
            ]
            found |= _enough(self._spans(asked, oldest=oldest))
        return found

    def _spans(
        self, asked: Sequence[tuple[str, Chain, tuple[int, int]]], *, oldest: bool = False
    ) -> dict[str, list[Reading]]:
        """Measured readings of chains at one end of a time, of each drive."""
        spans = [
            Span(drive_id=drive_id, chain_id=chain.chain_id, from_ns=from_ns, to_ns=to_ns)
            for drive_id, chain, (from_ns, to_ns) in asked
        ]
        found = self._readings.raw_of(spans, END_READINGS, oldest=oldest) if spans else []
        return {span.drive_id: some for span, some in zip(spans, found, strict=True)}

    def _parts(self, chain: Chain, passed: Passed | None, *, oldest: bool) -> list[tuple[int, int]]:
        """Into what a shift is cut, from one of its ends, as far as there is something to be looked for."""
        from_ns, to_ns = self._shift.from_ns, self._shift.to_ns
        begun_ns = max(from_ns, chain.fitted_ns)
        step_ns = max(END_NS, (to_ns - from_ns) // END_WINDOWS)
        interval_ns = self._resolution * SECOND_NS
        ends_ns = passed.measured.get(chain.chain_id, ()) if passed else ()

        def has_some(part_from_ns: int, part_to_ns: int) -> bool:
            after = bisect_right(ends_ns, part_from_ns)
            is_rolled = after < len(ends_ns) and ends_ns[after] - interval_ns < part_to_ns
            return is_rolled or part_to_ns >= to_ns - interval_ns

        if oldest:
            parts = [(each, min(each + step_ns, to_ns)) for each in range(begun_ns, to_ns, step_ns)]
        else:
            parts = [(max(begun_ns, each - step_ns), each) for each in range(to_ns, begun_ns, -step_ns)]
        return [each for each in parts if has_some(*each)]

    # The sensing

    def _health(
        self, drive: Drive, chain: Chain | None, baselines: Sequence[Baseline], newest: Reading | None
    ) -> Health | None:
        """The state of the sensing at the end of the shift; None without sensors."""
        if self._healths is not None:
            return self._healths.get(drive.drive_id)
        if drive.whole_pitches is None and newest is None:
            return None
        to_ns, device = self._shift.to_ns, self._device(drive.drive_id)
        baseline = baseline_at(baselines, to_ns)
        begun_ns = [each.since_ns for each in self._of(drive, COMMISSIONING_KINDS)]
        touched = begun_anew_ns(drive.note, baseline)
        if touched and touched <= to_ns:
            begun_ns.append(touched)
        known = KnownOfSensing(
            now_ns=to_ns,
            pitch_mm=chain.pitch_mm if chain else None,
            quiet_after_s=self._quiet_after_s,
            online=device.online if device else None,
            online_since_ns=device.since_ns if device else 0,
            commissioned=chain is None or baseline is not None,
            commissioning_since_ns=min(begun_ns, default=None),
            simulated=bool(self._of(drive, SIMULATION_KINDS)),
        )
        signs = present_signs([newest] if newest else [], known)
        judged = judge(self._readings, drive, chain, baselines, to_ns, to_ns)
        return health([*signs, *judged.signs], newest)

    def _of(self, drive: Drive, kinds: Iterable[WorkKind]) -> list[Work]:
        return [each for each in self._work if each.drive_id == drive.drive_id and each.kind in kinds]

    def _device(self, drive_id: str) -> DeviceState | None:
        state = self._devices.get(drive_id)
        return state if state is not None and state.since_ns <= self._shift.to_ns else None


def _enough(found: _Ends) -> _Ends:
    """Return what there are enough readings in to tell wear by."""
    return {drive_id: some for drive_id, some in found.items() if len(some) >= GAIN_READINGS_MIN}


def measured_of(readings: Iterable[Reading], chain: Chain | None) -> list[Reading]:
    """Return the readings of a chain that have an elongation."""
    return [
        each
        for each in readings
        if each.elongation_pct is not None and chain is not None and each.chain_id == chain.chain_id
    ]


def _check_range(from_ns: int, to_ns: int, at_ns: int) -> None:
    if from_ns >= to_ns:
        raise FieldsRefusedError({"to": "must be later than from: exchange or correct the two times"})
    if to_ns > at_ns:
        raise FieldsRefusedError({"to": "lies ahead of now: a handover is frozen once its time is over"})
    if to_ns - from_ns > RANGE_DAYS_MAX * DAY_NS:
        raise FieldsRefusedError({"from": f"ask for {RANGE_DAYS_MAX} days at most: give a later start"})


def _told_of(site: Site) -> dict[str, str]:
    """A site in words, for the audit log."""
    slots = "; ".join(
        f"{each.name} {each.starts:%H:%M}-{each.ends:%H:%M} on {','.join(map(str, sorted(each.days)))}"
        for each in site.pattern.slots
    )
    return {"zone": site.zone, "shifts": slots}


def _words(kind: WorkKind) -> str:
    return str(kind).replace("_", " ")
