"""Rows of the table of faults in which processes die: worker, web, broker."""

from tests.faults.plant import a_plant
from tests.faults.row import Named, Row

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


def rows(minutes: float) -> list[Named]:
    """Each of these rows by its name."""
    del minutes
    return [("worker: SIGKILL", worker_killed)]
