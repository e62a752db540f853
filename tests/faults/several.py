"""A row of the table of faults: two processes watch one store and two deliver from it, and one of each is killed."""

from tests.faults.plant import SETTLE_S, a_plant
from tests.faults.row import Named, Row
from tests.faults.sending import until

BATCHES = 1000


def two_watchers() -> Row:
    """The worker only stores; `linklag watch` and `linklag deliver` run twice each, and the first of both dies."""
    settings = {"LINKLAG_WORKER__TASKS": "housekeeping", "LINKLAG_WORKER__TAKEOVER_S": "5"}
    with a_plant(settings=settings) as plant:
        plant.start()
        first = [plant.also("watch"), plant.also("deliver")]
        second = [plant.also("watch"), plant.also("deliver")]
        plant.send(BATCHES // 2)
        until(lambda: len(plant.delivered()) > 5 and all(each.is_up() for each in first + second), SETTLE_S)
        for process in first:
            process.kill()
        plant.send(BATCHES // 2)
        row = plant.row("watch and deliver: two of each, one of each SIGKILL")
        assert all(process.is_up() for process in second)
        return row


def rows(minutes: float) -> list[Named]:
    """This row by its name."""
    del minutes
    return [("two watchers", two_watchers)]
