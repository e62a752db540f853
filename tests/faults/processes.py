"""Rows of the table of faults in which a process dies: worker, web, broker."""

import time
import urllib.request

from tests.conftest import free_port
from tests.faults.plant import SETTLE_S, a_plant, locked
from tests.faults.row import Named, Row
from tests.faults.sending import until

BATCHES = 1000


def worker_killed() -> Row:
    """SIGKILL at work, three times."""
    with a_plant() as plant:
        plant.start()
        plant.send(BATCHES)
        for life in range(1, 4):
            plant.until_stored(life * BATCHES // 5)
            plant.worker.kill()
            plant.worker.start()
        return plant.row("worker: SIGKILL at work, 3 times")


def web_killed() -> Row:
    """SIGKILL while it serves; it starts again on the same store, while the worker goes on."""
    port = free_port()
    with a_plant(settings={"LINKLAG_WEB__PORT": str(port)}) as plant:
        plant.start()
        plant.web.start()
        until(lambda: plant.web.is_up() and _serves(port), SETTLE_S)
        plant.send(BATCHES)
        plant.until_stored(BATCHES // 4)
        plant.web.kill()
        plant.web.start()
        until(lambda: plant.web.is_up() and _serves(port), SETTLE_S)
        return plant.row("web: SIGKILL while it serves", note="it serves again, and the worker never stopped")


def _serves(port: int) -> bool:
    try:
        with urllib.request.urlopen(f"http://127.0.0.1:{port}/api/v1/drives", timeout=5) as answer:
            return bool(answer.status == 200)
    except OSError:
        return False


def broker_stopped() -> Row:
    """SIGTERM while devices send and while it holds batches that the store cannot take; started again."""
    with a_plant() as plant:
        plant.start()
        plant.send(BATCHES // 2)
        plant.until_stored(100)
        with locked(plant.file):
            plant.send(BATCHES // 4)
            time.sleep(2.0)
            plant.broker.stop()
            time.sleep(2.0)
            plant.broker.start()
        until(plant.devices.client.is_connected, SETTLE_S)
        plant.send(BATCHES // 4)
        return plant.row("broker: SIGTERM, with batches in its keeping")


def broker_killed() -> Row:
    """SIGKILL with batches in its keeping that it has not saved: those are gone, by what it promises and what not."""
    with a_plant() as plant:
        plant.start()
        plant.send(BATCHES // 2)
        plant.devices.wait(SETTLE_S)
        plant.until_stored(BATCHES // 2)
        with locked(plant.file):
            plant.send(
                BATCHES
            )  # of these the worker may have 500 in hand, and four times as many in its tray
            plant.devices.wait(SETTLE_S)
            plant.worker.kill()
            plant.broker.kill()
        plant.broker.start()
        plant.start()
        until(plant.devices.client.is_connected, SETTLE_S)
        plant.send(BATCHES // 2)
        return plant.row(
            "broker: SIGKILL, with batches in its keeping",
            allowed_loss=BATCHES,
            why="what it acknowledged and had not yet saved (autosave_interval); it kept them for a worker that was away",
            note="what came before and after it is whole",
        )


def rows(minutes: float) -> list[Named]:
    """Each of these rows by its name."""
    del minutes
    return [
        ("worker: SIGKILL", worker_killed),
        ("web: SIGKILL", web_killed),
        ("broker: SIGTERM", broker_stopped),
        ("broker: SIGKILL", broker_killed),
    ]
