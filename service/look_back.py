"""Door: somebody asks how chains lived, what became of them, and what their wear went with.

Knows the ports and core; changes nothing. Raises NotFoundError, and LifeFitterMissingError where the statistics of lives
cannot be worked out here.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from service.core.drive import Baseline, Chain, Drive
from service.core.influence import Day, Influence, influence
from service.core.life import (
    Comparison,
    Life,
    LifeUnit,
    Removal,
    RemovalKind,
    Survival,
    enough,
    known,
    split_at,
)
from service.core.sprocket import SprocketState, sprocket_states
from service.core.upkeep import LASTING, Upkeep, UpkeepKind
from service.ports import LifeFitter, NotFoundError, Resolution, Stores
from service.tend import run_of

DAY_NS = 86_400_000_000_000
BEDDING_IN_H = 20.0  # of running: by then the first fast wear is over (trade literature, from memory)
DAYS_MOST = 800  # that are looked at for what wear goes with
CHAINS_RUN_MOST = 500  # whose way is counted for one answer


@dataclass(frozen=True, slots=True, kw_only=True)
class Past:
    """One chain with what became of it. removal None: it is on, or nobody said more than that it came off."""

    chain: Chain
    life: Life
    removal: Removal | None


@dataclass(frozen=True, slots=True, kw_only=True)
class ClassLives:
    """The lives of a class of drives in days: how long they live, and why they came off."""

    drive_class: str
    drives: int
    survival: Survival
    kinds: Mapping[RemovalKind, int]
    on: int


@dataclass(frozen=True, slots=True, kw_only=True)
class LivesReport:
    """The lives of one class in one unit. compared: before and after the change on each drive, None where none was asked for.

    unknown: chains whose length is not known in this unit.
    """

    drive_class: str
    unit: LifeUnit
    lives: Sequence[Life]
    unknown: int
    survival: Survival
    change: UpkeepKind | None = None
    compared: Comparison | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class WearReport:
    """What the wear of a drive went with, over which time, and what was done to it meanwhile."""

    drive: Drive
    from_ns: int
    to_ns: int
    found: Influence
    upkeep: Sequence[Upkeep]
    chains: Sequence[Chain]


class LookBack:
    """What was, for who asks."""

    def __init__(self, stores: Stores, fitter: LifeFitter) -> None:
        self._stores, self._fitter = stores, fitter

    # Lives

    def pasts(self, drive_id: str, now_ns: int) -> list[Past]:
        """Return the chains of a drive, the one fitted first first. Raises NotFoundError."""
        drive = self._stores.register.drive(drive_id)
        removals = {each.chain_id: each for each in self._stores.removals.newest(drive_id)}
        return [
            Past(
                chain=chain,
                life=self._life(drive, chain, removals.get(chain.chain_id), now_ns, run=True),
                removal=removals.get(chain.chain_id),
            )
            for chain in self._stores.register.chains(drive_id)
        ]

    def classes(self, now_ns: int) -> list[ClassLives]:
        """Return every class of drives with how long its chains live, by name. Raises LifeFitterMissingError."""
        by_class: dict[str, list[Life]] = {}
        drives = self._stores.register.drives(retired=True)
        for each in drives:
            by_class.setdefault(each.drive_class, [])
        for life in self._lives(drives, now_ns, run=False):
            by_class[life.drive_class].append(life)
        return [
            ClassLives(
                drive_class=name,
                drives=sum(each.drive_class == name for each in drives),
                survival=self._survival(lives, LifeUnit.DAYS),
                kinds={kind: sum(each.kind is kind for each in lives) for kind in RemovalKind},
                on=sum(each.kind is None for each in lives),
            )
            for name, lives in sorted(by_class.items())
        ]

    def lives_of(
        self, drive_class: str, unit: LifeUnit, now_ns: int, change: UpkeepKind | None = None
    ) -> LivesReport:
        """Return the lives of a class in one unit, and before against after the newest such change on each drive.

        Raises NotFoundError (no drive is of that class), ValueError (no lasting change), LifeFitterMissingError.
        """
        if change is not None and change not in LASTING:
            raise ValueError(f"give one of {', '.join(LASTING)}: only these make a before and an after")
        drives = [
            each for each in self._stores.register.drives(retired=True) if each.drive_class == drive_class
        ]
        if not drives:
            raise NotFoundError(f"no drive is of class {drive_class!r}: GET /api/v1/lives lists the classes")
        lives = self._lives(drives, now_ns, run=unit is not LifeUnit.DAYS)
        held = known(lives, unit)
        return LivesReport(
            drive_class=drive_class,
            unit=unit,
            lives=lives,
            unknown=len(lives) - len(held),
            survival=self._survival(held, unit),
            change=change,
            compared=None if change is None else self._compared(held, unit, change),
        )

    def _compared(self, lives: Sequence[Life], unit: LifeUnit, change: UpkeepKind) -> Comparison:
        changes: dict[str, int] = {}
        for each in self._stores.upkeep_log.of():
            if each.kind is change:
                changes[each.drive_id] = each.at_ns  # by at_ns: the newest stays
        before, after = (known(side, unit) for side in split_at(lives, changes))
        survivals = self._survival(before, unit), self._survival(after, unit)
        if not enough(before, after):
            return Comparison(before=survivals[0], after=survivals[1])
        chi2, p = self._fitter.log_rank(_sample(before, unit), _sample(after, unit))
        return Comparison(before=survivals[0], after=survivals[1], chi2=chi2, p=p)

    def _lives(self, drives: Iterable[Drive], now_ns: int, *, run: bool) -> list[Life]:
        removals = {each.chain_id: each for each in self._stores.removals.newest()}
        by_id = {each.drive_id: each for each in drives}
        chains = [each for each in self._stores.register.chains() if each.drive_id in by_id]
        run = run and len(chains) <= CHAINS_RUN_MOST
        return [
            self._life(by_id[each.drive_id], each, removals.get(each.chain_id), now_ns, run=run)
            for each in chains
        ]

    def _life(self, drive: Drive, chain: Chain, removal: Removal | None, now_ns: int, *, run: bool) -> Life:
        until_ns = now_ns if chain.removed_ns is None else chain.removed_ns
        passages = removal.passages if removal else None
        hours = removal.hours if removal else None
        if run and (passages is None or hours is None):
            counted = run_of(self._stores.readings, chain, until_ns) or (None, None)
            passages = counted[0] if passages is None else passages
            hours = counted[1] if hours is None else hours
        said = removal.kind if removal else RemovalKind.OTHER
        return Life(
            chain_id=chain.chain_id,
            drive_id=drive.drive_id,
            drive_class=drive.drive_class,
            designation=chain.designation,
            fitted_ns=chain.fitted_ns,
            until_ns=max(until_ns, chain.fitted_ns + 1),
            kind=None if chain.removed_ns is None else said,
            hours=hours,
            passages=passages,
            elongation_pct=removal.elongation_pct if removal else None,
            u_pct=removal.u_pct if removal else None,
        )

    def _survival(self, lives: Sequence[Life], unit: LifeUnit) -> Survival:
        return self._fitter.survival(*_sample(lives, unit))

    # Sprockets and upkeep

    def sprockets(self, drive_id: str, now_ns: int) -> list[SprocketState]:
        """Return the sprockets that are on a drive, with whether they are due. Raises NotFoundError."""
        self._stores.register.drive(drive_id)
        return sprocket_states(
            self._stores.sprockets.of(drive_id),
            self._stores.sprockets.inspections(drive_id),
            self._stores.register.chains(drive_id),
            now_ns,
        )

    # What wear goes with

    def influence(self, drive_id: str, from_ns: int, to_ns: int) -> WearReport:
        """Return what the wear of a drive went with over from_ns to to_ns. Raises NotFoundError, ValueError."""
        if not from_ns < to_ns:
            raise ValueError("from must be before to: exchange or correct the two times")
        from_ns = max(from_ns, to_ns - DAYS_MOST * DAY_NS)
        drive = self._stores.register.drive(drive_id)
        upkeep = self._stores.upkeep_log.of(drive_id)
        chains = self._stores.register.chains(drive_id)
        days = self._days(drive_id, chains, from_ns, to_ns)
        inside = [each for each in upkeep if from_ns < each.at_ns <= to_ns]
        return WearReport(
            drive=drive,
            from_ns=from_ns,
            to_ns=to_ns,
            found=influence(days, upkeep),
            upkeep=inside,
            chains=[each for each in chains if from_ns < each.fitted_ns <= to_ns],
        )

    def _days(self, drive_id: str, chains: Iterable[Chain], from_ns: int, to_ns: int) -> list[Day]:
        """Days from raw readings, and where these are gone from what was rolled up, which knows no load or temperature."""
        by_id = {each.chain_id: each for each in chains}
        baselines = {chain_id: self._stores.register.baselines(chain_id) for chain_id in by_id}
        ran_h: dict[str, float] = {}
        found: dict[tuple[int, str], Day] = {}
        for each in self._stores.readings.rolled(drive_id, from_ns, to_ns, Resolution.DAY):
            if (chain := by_id.get(each.chain_id or "")) is not None:
                stretch = _stretch(chain, baselines[chain.chain_id], each.end_ns)
                found[each.end_ns, chain.chain_id] = Day(
                    chain_id=chain.chain_id,
                    stretch=stretch or "",
                    end_ns=each.end_ns,
                    km=each.pulses * chain.pitch_mm / 1e6,
                    elongation_pct=each.mean_pct if stretch and _worn_in(chain, each.end_ns) else None,
                )
        for day in self._stores.readings.by_day(drive_id, from_ns, to_ns):
            if (chain := by_id.get(day.chain_id)) is None:
                continue
            stretch = _stretch(chain, baselines[chain.chain_id], day.end_ns)
            unseen_h = BEDDING_IN_H if _worn_in(chain, day.end_ns) else 0.0
            before_h = ran_h.get(chain.chain_id, unseen_h)
            ran_h[chain.chain_id] = before_h + 24 * (day.running or 0.0)
            worn_in = before_h >= BEDDING_IN_H
            found[day.end_ns, chain.chain_id] = Day(
                chain_id=chain.chain_id,
                stretch=stretch or "",
                end_ns=day.end_ns,
                km=day.passages * chain.pitch_mm / 1e6,
                elongation_pct=day.elongation_pct if stretch and worn_in else None,
                load_n=day.load_n,
                speed_m_s=day.speed_m_s,
                temp_c=day.temp_c,
            )
        return [found[key] for key in sorted(found)]


def _stretch(chain: Chain, baselines: Sequence[Baseline], end_ns: int) -> str | None:
    """Which days can be held against each other; None for a day in which a baseline was recorded, for it has two."""
    before, by_end = (
        sum(each.recorded_ns <= t_ns for each in baselines) for t_ns in (end_ns - DAY_NS, end_ns)
    )
    return None if before != by_end else f"{chain.chain_id}/{before}"


def _worn_in(chain: Chain, end_ns: int) -> bool:
    """Where hours of running are not known: three days after it was fitted."""
    return end_ns - chain.fitted_ns > 3 * DAY_NS


def _sample(lives: Sequence[Life], unit: LifeUnit) -> tuple[list[float], list[bool]]:
    return [each.length(unit) or 0.0 for each in lives], [each.ended for each in lives]
