"""Door: batches were stored, so the map of each chain goes on, link by link.

Batches are folded in the order of their own time, each once, from where the
last folding ended; the map is stored after each page of batches, so it goes on after a restart. Nothing waits for it: it may
lag behind or be away without a reading noticing. Where several processes work on one store, one of them folds.

Knows the order of the story; must not know how a map is folded or stored.
"""

import threading
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import structlog

from service.core.batch import Batch
from service.core.chain_faults import Finding, faults_of
from service.core.chain_map import PITCHES_MIN, ChainMap, begin, fold
from service.core.drive import Chain, chain_at
from service.core.link_map import LinkMap, map_of
from service.core.reading import Reading, alternates
from service.core.wire import Refusal
from service.ports import (
    ChainMaps,
    LeaseLostError,
    NotFoundError,
    RawBatch,
    RawBatches,
    Readings,
    Register,
    SavedMap,
    StoreUnavailableError,
)
from service.share_tasks import Alone, Task

PAGE = 100  # batches folded between two savings


log = structlog.get_logger(__name__)


@dataclass(frozen=True, slots=True, kw_only=True)
class MapOfChain:
    """The map of the chain that is on a drive, as far as it is folded."""

    chain: Chain
    folded_to_ns: int | None  # None: nothing was folded yet
    laps: float
    lost: bool  # which joint is where is not known at the moment
    links: LinkMap | None  # None: too few laps yet
    faults: list[Finding]


class FoldMaps:
    """Folds what was stored of every drive into the map of its chain."""

    def __init__(
        self,
        raw: RawBatches,
        readings: Readings,
        register: Register,
        maps: ChainMaps,
        *,
        task: Task | None = None,
        now_ns: Callable[[], int],
    ) -> None:
        """task: whether this process folds; None: it does."""
        self._task = task or Alone()
        self._raw = raw
        self._readings = readings
        self._register = register
        self._maps = maps
        self._now_ns = now_ns

    def run(self, stop: threading.Event, every_s: float) -> None:
        """Fold until `stop`. What fails is tried again at the next turn."""
        while not stop.wait(every_s):
            try:
                with self._task.turn() as held:
                    if held:
                        self._fold_all(stop)
            except (StoreUnavailableError, LeaseLostError) as fault:
                log.warning("folding_waits", fault=str(fault))
            except Exception:
                log.exception("folding_failed")  # a map may wait until the bug is mended; readings may not

    def _fold_all(self, stop: threading.Event) -> None:
        for drive in self._register.drives():
            if stop.is_set():
                break
            self.fold_drive(drive.drive_id)

    def fold_drive(self, drive_id: str) -> int:
        """Fold what came of a drive since the last time into the map of its chain; return how many batches that was.

        Raises StoreUnavailableError; what was saved by then is not folded twice.
        """
        chain = chain_at(self._register.chains(drive_id), self._now_ns())
        newest = self._readings.newest_of(drive_id)
        between = newest.measured.pitches_between if newest and newest.measured else None
        if chain is None or not _can_be_mapped(chain) or between is None:
            return 0
        chain_map, to_ns = self._loaded(chain)
        done = 0
        while page := self._raw.after(drive_id, max(to_ns, chain.fitted_ns), PAGE):
            for raw in page:
                chain_map = self._folded(chain_map, raw, between)
            to_ns = page[-1].t_ns
            done += len(page)
            self._maps.save(SavedMap(chain_id=chain.chain_id, folded_to_ns=to_ns, state=chain_map.to_dict()))
        return done

    def _loaded(self, chain: Chain) -> tuple[ChainMap, int]:
        """The map as saved, and up to when; a new one where there is none, or the loop is another."""
        saved = self._maps.load(chain.chain_id)
        pitches = chain.pitches_in_loop or 0
        if saved is None:
            return begin(pitches), chain.fitted_ns
        try:
            chain_map = ChainMap.from_dict(saved.state)
        except ValueError as fault:
            log.warning("map_begun_again", chain=chain.chain_id, why=str(fault))
            return begin(pitches), saved.folded_to_ns
        return (chain_map if chain_map.pitches_in_loop == pitches else begin(pitches)), saved.folded_to_ns

    def _folded(self, chain_map: ChainMap, raw: RawBatch, between: float) -> ChainMap:
        batch = raw.decoded(self._now_ns())
        if isinstance(batch, Refusal) or batch.direction < 0 or not _has_pulses(batch):
            return chain_map
        tick_s = batch.tick_ns * 1e-9
        up_s, down_s = np.multiply(batch.up, tick_s), np.multiply(batch.down, tick_s)
        return fold(chain_map, up_s=up_s, down_s=down_s, t0_ns=batch.t0_ns, pitches_between=between)[0]


def _can_be_mapped(chain: Chain) -> bool:
    return (chain.pitches_in_loop or 0) >= PITCHES_MIN and alternates(chain.designation)


def _has_pulses(batch: Batch) -> bool:
    return len(batch.up) > 1 and len(batch.down) > 1


def map_of_drive(
    drive_id: str, register: Register, readings: Readings, maps: ChainMaps, at_ns: int
) -> MapOfChain:
    """Return the map of the chain that is on a drive at an instant.

    Raises NotFoundError where there is no such drive, no chain on it, or its chain has no loop length registered.
    """
    drive = register.drive(drive_id)
    chain = chain_at(register.chains(drive_id), at_ns)
    if chain is None:
        raise NotFoundError(f"no chain is on {drive_id}; fit one first")
    if not _can_be_mapped(chain):
        raise NotFoundError(
            f"the chain {chain.chain_id} cannot be mapped: give pitches_in_loop, its joints counted (leaf chain has no map)"
        )
    saved = maps.load(chain.chain_id)
    if saved is None:
        return MapOfChain(chain=chain, folded_to_ns=None, laps=0.0, lost=False, links=None, faults=[])
    chain_map = ChainMap.from_dict(saved.state)
    links = map_of(chain_map, _mean_pct(readings, drive_id), drive.driver_teeth)
    return MapOfChain(
        chain=chain,
        folded_to_ns=saved.folded_to_ns,
        laps=chain_map.known.laps,
        lost=chain_map.lost,
        links=links,
        faults=[] if links is None else faults_of(links, chain.pitch_mm),
    )


def _mean_pct(readings: Readings, drive_id: str) -> float:
    """The chain's newest elongation; 0 where there is none."""
    newest = readings.newest_of(drive_id)
    measured: Reading | None = newest.measured if newest else None
    return 0.0 if measured is None or measured.elongation_pct is None else measured.elongation_pct
