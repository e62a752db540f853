"""Rows of the table of faults in which the store does not take what comes: it is locked, or its disk is full."""

import contextlib
import os
import shutil
import subprocess
import sys
import time
from collections.abc import Callable
from functools import partial
from pathlib import Path

from service.adapters.spool import FileSpool
from tests.conftest import needs
from tests.faults.plant import SETTLE_S, Plant, a_plant, locked, row_of
from tests.faults.row import Named, Row
from tests.faults.sending import until

BATCHES = 1000
ROOM_BYTES = 24_000_000  # of the small disk of a store
SPOOL_ROOM_BYTES = 6_000_000


def store_locked(away_s: float) -> Row:
    """Another program writes to the store all the while: the broker keeps what comes."""
    with a_plant() as plant:
        plant.start()
        plant.send(BATCHES // 2)
        plant.until_stored(100)
        with locked(plant.file):
            plant.send(BATCHES // 2)
            began_s = time.monotonic()
            until(lambda: plant.said()["ingest"]["store_ok"] is False, SETTLE_S)
            time.sleep(max(0.0, away_s - (time.monotonic() - began_s)))
        return plant.row(f"store: locked for {away_s:.0f} s, no spool", note="the broker held them")


def store_locked_spool_and_kills(away_s: float, batches: int = BATCHES) -> Row:
    """The worker spools, is killed while it does, starts with the store still away, and is killed while it drains."""
    with a_plant(spool_after_s=1) as plant:
        plant.start()
        plant.send(batches // 4)
        plant.until_stored(batches // 8)
        with locked(plant.file):
            began_s = time.monotonic()
            before = plant.spool_bytes()
            plant.send(batches // 4)
            until(lambda: plant.worker.is_up() and plant.spool_bytes() > before, SETTLE_S)
            plant.worker.kill()
            plant.send(batches - plant.sent)
            plant.worker.start()
            again = plant.spool_bytes()
            until(lambda: plant.worker.is_up() and plant.spool_bytes() != again, SETTLE_S)
            plant.devices.wait(SETTLE_S)
            until(lambda: plant.worker.is_up() and _is_still(plant.spool_bytes), SETTLE_S)
            away_s = max(away_s, time.monotonic() - began_s)
            time.sleep(max(0.0, away_s - (time.monotonic() - began_s)))
            spooled = plant.spool_bytes()
            stored = plant.stored()
        until(lambda: plant.worker.is_up() and plant.stored() > stored, SETTLE_S)
        plant.worker.kill()
        plant.worker.start()
        row = plant.row(
            f"store: locked for {away_s:.0f} s, spool, worker SIGKILL while it spools and drains",
            note=f"{spooled / 1e6:.1f} MB of spool",
        )
        plant.worker.stop()
        with FileSpool(plant.folder / "spool" / "linklag-worker.spool.db", bytes_max=1 << 24) as spool:
            assert spool.status().messages == 0, "all of it was drained"
        return row


def _is_still(count: Callable[[], int]) -> bool:
    before = count()
    time.sleep(1.0)
    return count() == before


def disk_full(*, spool: bool) -> Row:
    """The store's disk fills up, and with a spool that one's too; then room is made. Small disks, in a mount namespace."""
    maps = [] if os.geteuid() == 0 else ["--map-root-user"]
    command = [needs("unshare"), "--mount", "--propagation", "private", *maps, sys.executable]
    return row_of(command, f"from tests.faults import stores; row = stores.disk_full_inside(spool={spool})")


def disk_full_inside(*, spool: bool) -> Row:
    """The row itself, in the namespace."""
    folder = Path(os.environ.get("TMPDIR", "/tmp")) / f"disks-{os.getpid()}"  # noqa: S108 - a name of our own
    store, other = folder / "store", folder / "spool"
    for disk, room in ((store, ROOM_BYTES), (other, SPOOL_ROOM_BYTES)):
        disk.mkdir(parents=True)
        subprocess.run(["mount", "-t", "tmpfs", "-o", f"size={room}", "none", str(disk)], check=True)
    try:
        with a_plant(store=store, spool_after_s=1 if spool else None, spool=other) as plant:
            return _disk_full(plant, store, other, spool=spool)
    finally:
        for disk in (store, other):
            subprocess.run(["umount", "--lazy", str(disk)], check=False)
        shutil.rmtree(folder, ignore_errors=True)


def _disk_full(plant: Plant, store: Path, other: Path, *, spool: bool) -> Row:
    plant.start()
    plant.send(BATCHES // 2)
    plant.until_stored(BATCHES // 2)
    fillers = [_fill(store)]
    plant.send(BATCHES)
    until(lambda: "disk is full" in plant.said()["ingest"]["trouble"], SETTLE_S)
    if spool:
        until(lambda: plant.spooled() > 0, SETTLE_S)
        fillers.append(_fill(other))
        plant.send(BATCHES)
        until(lambda: "its disk is full" in plant.said()["ingest"]["spool"]["trouble"], SETTLE_S)
    told = plant.health()
    assert "the disk is full: make room" in told, told
    stored, waited = plant.stored(), plant.spooled() if spool else 0
    time.sleep(3.0)
    assert plant.stored() == stored, "nothing is stored on a full disk"
    for filler in fillers:
        filler.unlink()
    which = "store and spool" if spool else "store"
    note = (
        f"health told it; {waited} waited in the spool" if spool else "health told it; the broker held them"
    )
    return plant.row(f"disk of the {which} full, then room made", note=note)


def _fill(disk: Path) -> Path:
    """Take all room of a disk."""
    filler = disk / "filler"
    with filler.open("wb", buffering=0) as file, contextlib.suppress(OSError):  # no space left
        while True:
            file.write(b"\0" * 4096)
    return filler


def rows(minutes: float) -> list[Named]:
    """Each of these rows by its name."""
    away_s = minutes * 60
    return [
        ("store: locked, no spool", partial(store_locked, away_s)),
        ("store: locked, spool", partial(store_locked_spool_and_kills, away_s)),
        ("disk full", partial(disk_full, spool=False)),
        ("disk full, spool", partial(disk_full, spool=True)),
    ]
