"""What is known of every drive just now: its settings, chain, limit, newest reading and what they say together.

Joins register and readings for page, stream, API and metrics; must not know HTML or HTTP. The register
is read again only when its version has changed.
"""

from collections.abc import Iterable
from dataclasses import dataclass

from service.adapters.web import words
from service.core.drive import Chain, Drive, Limit, chain_at
from service.core.drive import limit as limit_of
from service.core.reading import Reading
from service.ports import Newest, Readings, Register

SECOND_NS = 1_000_000_000


@dataclass(frozen=True, slots=True, kw_only=True)
class DriveState:
    """One drive as it is now. `used` is elongation / limit of the chain now on the drive, or None."""

    drive: Drive
    limit: Limit
    limit_words: str
    chain: Chain | None
    reading: Reading | None  # the newest
    measured: Reading | None  # the newest with an elongation, of the chain now on the drive
    used: float | None
    verdict: words.Verdict | None
    condition: words.Condition | None
    finding: words.Finding | None  # why the newest has no elongation

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


@dataclass(frozen=True, slots=True)
class Snapshot:
    """The register as it was at one version: drives that are not retired, and all chains of each."""

    version: int
    drives: dict[str, Drive]
    chains: dict[str, list[Chain]]


class Board:
    """Reads the state of all drives, or of one."""

    def __init__(self, readings: Readings, register: Register) -> None:
        self._readings, self._register = readings, register
        self._snapshot: Snapshot | None = None

    def snapshot(self) -> Snapshot:
        """Return the register as it now is."""
        version = self._register.version()
        known = self._snapshot
        if known is None or known.version != version:
            chains: dict[str, list[Chain]] = {}
            for chain in self._register.chains():
                chains.setdefault(chain.drive_id, []).append(chain)
            known = Snapshot(version, {each.drive_id: each for each in self._register.drives()}, chains)
            self._snapshot = known  # one assignment: threads see the old or the new, never half
        return known

    def states(self, now_ns: int) -> list[DriveState]:
        """Return every drive that is not retired, most worn first; those without a number last, by id."""
        known = self.snapshot()
        newest = {each.drive_id: each for each in self._readings.newest()}
        states = [
            state_of(drive, known.chains.get(drive_id, []), newest.get(drive_id), now_ns)
            for drive_id, drive in known.drives.items()
        ]
        return most_worn_first(states)

    def state(self, drive_id: str, now_ns: int) -> DriveState:
        """Return one drive, retired or not. Raises NotFoundError."""
        drive = self._register.drive(drive_id)
        return state_of(drive, self._register.chains(drive_id), self._readings.newest_of(drive_id), now_ns)


def most_worn_first(states: Iterable[DriveState]) -> list[DriveState]:
    """Return the drives by the part of the limit that is used, greatest first; without a number last."""
    return sorted(states, key=lambda each: (each.used is None, -(each.used or 0.0), each.drive.drive_id))


def state_of(drive: Drive, chains: Iterable[Chain], newest: Newest | None, now_ns: int) -> DriveState:
    """Return what is known of one drive. A number of an earlier chain says nothing of this one and is left out."""
    chain = chain_at(chains, now_ns)
    limit = limit_of(drive)
    reading = newest.reading if newest else None
    measured = newest.measured if newest else None
    if measured is not None and (chain is None or measured.chain_id != chain.chain_id):
        measured = None
    used = verdict = None
    if measured is not None and measured.elongation_pct is not None:
        used = measured.elongation_pct / limit.limit_pct
        verdict = words.verdict(measured.elongation_pct, measured.elongation_u_pct or 0.0, limit.limit_pct)
    return DriveState(
        drive=drive,
        limit=limit,
        limit_words=words.limit_words(drive, limit),
        chain=chain,
        reading=reading,
        measured=measured,
        used=used,
        verdict=verdict,
        condition=words.condition(reading) if reading else None,
        finding=words.finding(reading) if reading else None,
    )
