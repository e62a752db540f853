"""The door "these batches again": stored raw batches converted anew after what is known of the drive was corrected.

A baseline was wrong, teeth were missing, a delay was fitted: the readings since then are made again from the batches
as they came, by what the register says now. Each new reading is put in place of the old one, which is kept as
superseded. What the batches no longer give (they were forgotten) stays as it is.

Knows the order of the story; must not know how batches are kept or how a batch becomes a reading.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from typing import NamedTuple

from service.core.drive import Baseline, Chain, Drive, baseline_at, chain_at
from service.core.reading import Last, Reading, convert
from service.core.wire import Refusal
from service.ports import RawBatch, RawBatches, Readings, Register

PAGE = 500  # batches in one transaction


@dataclass(frozen=True, slots=True)
class Reconverted:
    """How many stored batches were converted again, and how many readings differed and were superseded."""

    batches: int
    superseded: int


class _Known(NamedTuple):
    """What the register says of one drive."""

    drive: Drive
    chains: list[Chain]
    baselines: dict[str, list[Baseline]]  # by chain


class Reconvert:
    """Converts the raw batches of a drive again."""

    def __init__(self, raw: RawBatches, readings: Readings, register: Register) -> None:
        self._raw = raw
        self._readings = readings
        self._register = register

    def drive(self, drive_id: str, from_ns: int, to_ns: int, *, at_ns: int, why: str) -> Reconverted:
        """Convert what a drive's devices sent with from_ns < t_ns <= to_ns again, in the order of its own time.

        The whole number of pitches is chosen as in service, by the last elongation before, which the new readings
        themselves are; the first one has the baseline and the alternation to go by. Doing it twice changes nothing.

        Raises NotFoundError (no such drive), ValueError (no reason given), StoreUnavailableError; what was superseded
        by then stays so.
        """
        if not why.strip():
            raise ValueError("say why the readings are made again; it is kept with those they replace")
        known = self._known(drive_id)
        last: dict[str, Last] = {}
        batches = superseded = 0
        for page in self._pages(drive_id, from_ns, to_ns):
            readings = [_again(raw, known, last, at_ns) for raw in page]
            batches += len(page)
            superseded += self._readings.supersede([each for each in readings if each], at_ns, why)
        return Reconverted(batches, superseded)

    def _pages(self, drive_id: str, from_ns: int, to_ns: int) -> Iterator[list[RawBatch]]:
        while page := [each for each in self._raw.after(drive_id, from_ns, PAGE) if each.t_ns <= to_ns]:
            yield page
            from_ns = page[-1].t_ns

    def _known(self, drive_id: str) -> _Known:
        """What the register says of the drive, read once for all its batches. Raises NotFoundError."""
        drive = self._register.drive(drive_id)
        chains = self._register.chains(drive_id)
        return _Known(
            drive, chains, {each.chain_id: self._register.baselines(each.chain_id) for each in chains}
        )


def _again(raw: RawBatch, known: _Known, last: dict[str, Last], at_ns: int) -> Reading | None:
    """The reading that a stored batch yields now; None if it is no batch after all."""
    batch = raw.decoded(at_ns)
    if isinstance(batch, Refusal):
        return None
    chain = chain_at(known.chains, batch.end_ns)
    reading = convert(
        batch,
        drive=known.drive,
        chain=chain,
        baseline=baseline_at(known.baselines[chain.chain_id], batch.end_ns) if chain else None,
        last=last.get(chain.chain_id) if chain else None,
    )
    if reading.elongation_pct is not None and reading.chain_id is not None:
        last[reading.chain_id] = Last(reading.elongation_pct, reading.t_ns)
    return reading
