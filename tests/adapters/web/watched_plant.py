"""Drives of the simulator on an app: watched up to now, registered, stored."""

from dataclasses import replace
from typing import Any

from service.core.drive import Baseline, Chain, Drive
from tests.adapters.web.plant import NOW_NS, Plant
from tests.contracts.given import S
from tests.core.watched import Watched

DAY_NS = 86_400 * S
FITTED_NS = NOW_NS - 200 * DAY_NS


def put(plant: Plant, drive_id: str, watched: Watched, **drive: Any) -> None:
    """Register a drive that was watched and store its readings, the newest of which ends a second ago."""
    moved_ns = NOW_NS - S - watched.readings[-1].t_ns
    chain = replace(watched.chain, drive_id=drive_id, chain_id=f"{drive_id}-1", fitted_ns=FITTED_NS)
    plant.ports.register.add_drive(_named(watched.drive, drive_id, drive))
    plant.ports.register.fit_chain(chain)
    if watched.baseline is not None:
        plant.ports.register.record_baseline(_moved(watched.baseline, chain, moved_ns))
    plant.ports.readings.store(
        [
            replace(
                each,
                drive_id=drive_id,
                chain_id=chain.chain_id,
                t0_ns=each.t0_ns + moved_ns,
                t_ns=each.t_ns + moved_ns,
                baseline_taken_ns=_later(each.baseline_taken_ns, moved_ns),
                baseline_recorded_ns=_later(each.baseline_recorded_ns, moved_ns),
            )
            for each in watched.readings
        ]
    )
    while plant.ports.readings.roll_up():
        pass


def _named(drive: Drive, drive_id: str, more: dict[str, Any]) -> Drive:
    return replace(drive, **{"drive_id": drive_id} | more)


def _moved(baseline: Baseline, chain: Chain, moved_ns: int) -> Baseline:
    return replace(
        baseline,
        chain_id=chain.chain_id,
        taken_ns=baseline.taken_ns + moved_ns,
        recorded_ns=baseline.recorded_ns + moved_ns,
    )


def _later(t_ns: int | None, moved_ns: int) -> int | None:
    return None if t_ns is None else t_ns + moved_ns
