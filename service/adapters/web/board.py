"""What is known of every drive just now: its settings, chain, limit, newest reading and what they say together.

Joins register and readings for page, stream, API and metrics; must not know HTML or HTTP. The register
is read again only when its version has changed.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

from service.adapters.web import words
from service.adapters.web.instants import age_words
from service.adapters.web.sensing import Assessed, Sensing, Watched
from service.core.commission import touched_ns
from service.core.drive import Baseline, Chain, Drive, Limit, chain_at
from service.core.drive import limit as limit_of
from service.core.hand import HandValue, Known, newer
from service.core.health import Health
from service.core.reading import Reading
from service.measure_by_hand import known_by_hand, known_of, newest_tight
from service.ports import HandValues, Newest, Readings, Register

SECOND_NS = 1_000_000_000
SLACK_KEPT_NS = (
    60 * SECOND_NS
)  # so long earlier measurements by hand are remembered where the newest was of a slack chain
SLACK_AT_ONCE = 20  # drives of which they are asked for again in one look


@dataclass(frozen=True, slots=True, kw_only=True)
class DriveState:
    """One drive as it is now. `used` is elongation / limit of the chain now on the drive, or None.

    `known` is the elongation that `used` and `verdict` go by: of the newest reading that has one, or of a
    measurement by hand where there is no such reading or it is older by more than a day.
    """

    drive: Drive
    limit: Limit
    limit_words: str
    chain: Chain | None
    reading: Reading | None  # the newest
    measured: Reading | None  # the newest with an elongation, of the chain now on the drive
    used: float | None
    verdict: words.Verdict | None
    finding: words.Finding | None  # why the newest has no elongation
    health: Health | None = None  # of its sensing; None where nothing is known of it
    assessed: Assessed | None = None  # what many readings show; only of a drive that is looked at by itself
    by_hand: Known | None = None  # the newest measurement by hand of the chain now on the drive
    known: Known | None = None

    @property
    def place(self) -> str:
        """Site, area and line, as far as they are given."""
        return " / ".join(part for part in (self.drive.site, self.drive.area, self.drive.line) if part)

    @property
    def title(self) -> str:
        """The name, or the id where there is none."""
        return self.drive.name or self.drive.drive_id

    def age_s(self, now_ns: int) -> float | None:
        """Return the age of the newest reading, seconds; a clock ahead of ours counts as 0."""
        return None if self.reading is None else max(0.0, (now_ns - self.reading.t_ns) / SECOND_NS)

    @property
    def baseline_outdated(self) -> bool:
        """Whether the newest elongation rests on a baseline from before somebody touched the sensors, which holds no more."""
        if self.measured is None or self.measured.baseline_taken_ns is None:
            return False
        touched = touched_ns(self.drive.note)
        return touched is not None and self.measured.baseline_taken_ns < touched < self.measured.t_ns

    @property
    def counts_by_hand(self) -> bool:
        """Whether the measurement by hand is what to go by."""
        return self.known is not None and self.known.by == "hand"

    def by_hand_words(self, now_ns: int) -> tuple[str, str, str] | None:
        """Return the elongation by hand, its expanded uncertainty (per cent) and how old it is; None without one."""
        if self.by_hand is None:
            return None
        age_s = (now_ns - self.by_hand.t_ns) / SECOND_NS
        return *words.elongation_words(self.by_hand.elongation_pct, self.by_hand.u_pct), age_words(age_s)


@dataclass(frozen=True, slots=True)
class Snapshot:
    """The register as it was at one version: drives that are not retired, all chains of each, baselines of each chain."""

    version: int
    drives: dict[str, Drive]
    chains: dict[str, list[Chain]]
    baselines: dict[str, list[Baseline]]


class Board:
    """Reads the state of all drives, or of one."""

    def __init__(
        self, readings: Readings, register: Register, hand_values: HandValues, sensing: Sensing
    ) -> None:
        self._readings, self._register, self._hand_values = readings, register, hand_values
        self._sensing = sensing
        self._snapshot: Snapshot | None = None
        self._slack: dict[str, tuple[int, HandValue, list[HandValue]]] = {}  # when asked, the newest, all

    def snapshot(self) -> Snapshot:
        """Return the register as it now is."""
        version = self._register.version()
        known = self._snapshot
        if known is None or known.version != version:
            chains: dict[str, list[Chain]] = {}
            for chain in self._register.chains():
                chains.setdefault(chain.drive_id, []).append(chain)
            baselines: dict[str, list[Baseline]] = {}
            for baseline in self._register.baselines():
                baselines.setdefault(baseline.chain_id, []).append(baseline)
            drives = {each.drive_id: each for each in self._register.drives()}
            known = Snapshot(version, drives, chains, baselines)
            self._snapshot = known  # one assignment: threads see the old or the new, never half
        return known

    def states(self, now_ns: int) -> list[DriveState]:
        """Return every drive that is not retired, most worn first; those without a number last, by id."""
        known = self.snapshot()
        newest = {each.drive_id: each for each in self._readings.newest()}
        by_hand = self._by_hand(now_ns)
        states = [
            state_of(
                drive,
                known.chains.get(drive_id, []),
                newest.get(drive_id),
                now_ns,
                by_hand.get(drive_id, []),
            )
            for drive_id, drive in known.drives.items()
        ]
        watched = [
            Watched(state.drive, state.chain, _baselines(known, state.chain), state.reading)
            for state in states
        ]
        healths = self._sensing.look(watched, now_ns)
        return most_worn_first(replace(each, health=healths.get(each.drive.drive_id)) for each in states)

    def _by_hand(self, now_ns: int) -> dict[str, list[HandValue]]:
        """The newest measurement by hand of each drive; all of them where it was of a slack chain, for an earlier one may count.

        These are asked for drive by drive: at once where the newest is another, else a few drives a look.
        """
        newest = {each.drive_id: each for each in self._hand_values.newest()}
        slack = {drive_id: each for drive_id, each in newest.items() if not each.tight}
        known = {drive_id: each for drive_id, each in self._slack.items() if slack.get(drive_id) == each[1]}
        old = [drive_id for drive_id, each in known.items() if not 0 <= now_ns - each[0] < SLACK_KEPT_NS]
        again = sorted(old, key=lambda drive_id: known[drive_id][0])[:SLACK_AT_ONCE]
        for drive_id in {*(slack.keys() - known.keys()), *again}:
            known[drive_id] = now_ns, slack[drive_id], self._hand_values.of(drive_id)
        self._slack = known  # one assignment: threads see the old or the new
        return {
            drive_id: known[drive_id][2] if drive_id in known else [each] for drive_id, each in newest.items()
        }

    def state(self, drive_id: str, now_ns: int) -> DriveState:
        """Return one drive, retired or not. Raises NotFoundError."""
        drive = self._register.drive(drive_id)
        chains, newest = self._register.chains(drive_id), self._readings.newest_of(drive_id)
        state = state_of(drive, chains, newest, now_ns, self._hand_values.of(drive_id))
        baselines = self._register.baselines(state.chain.chain_id) if state.chain else []
        watched = Watched(drive, state.chain, baselines, state.reading)
        found, assessed = self._sensing.look_at(watched, now_ns)
        return replace(state, health=found, assessed=assessed)


def _baselines(known: Snapshot, chain: Chain | None) -> list[Baseline]:
    return known.baselines.get(chain.chain_id, []) if chain else []


def most_worn_first(states: Iterable[DriveState]) -> list[DriveState]:
    """Return the drives by the part of the limit that is used, greatest first; without a number last."""
    return sorted(states, key=lambda each: (each.used is None, -(each.used or 0.0), each.drive.drive_id))


def state_of(
    drive: Drive,
    chains: Iterable[Chain],
    newest: Newest | None,
    now_ns: int,
    hand_values: Sequence[HandValue] = (),
) -> DriveState:
    """Return what is known of one drive. A number of an earlier chain says nothing of this one and is left out."""
    chain = chain_at(chains, now_ns)
    limit = limit_of(drive)
    reading = newest.reading if newest else None
    measured = newest.measured if newest else None
    if measured is not None and (chain is None or measured.chain_id != chain.chain_id):
        measured = None
    value = newest_tight(hand_values, chain)
    by_hand = known_by_hand(drive, chain, value) if chain is not None and value is not None else None
    known = newer(known_of(measured, chain) if measured and chain else None, by_hand)
    used = verdict = None
    if known is not None:
        used = known.elongation_pct / limit.limit_pct
        verdict = words.verdict(known.elongation_pct, known.u_pct, limit.limit_pct)
    return DriveState(
        drive=drive,
        limit=limit,
        limit_words=words.limit_words(drive, limit),
        chain=chain,
        reading=reading,
        measured=measured,
        used=used,
        verdict=verdict,
        finding=words.finding(reading) if reading else None,
        by_hand=by_hand,
        known=known,
    )
