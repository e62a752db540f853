"""A plant whose one drive is being set up: batches of a simulated drive in the store, and the time just after them."""

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from typing import Any

from sensors_sim.sensor import Sensor
from service.core.batch import Batch
from tests.adapters.web.plant import Plant, a_plant
from tests.contracts.given import FAKE
from tests.core.running import Running, S, sent

SOUND = Running(registered={"name": "Infeed 2", "site": "Talheim", "driven_teeth": 57})
SENT = SOUND.batches()
AFTER_NS = SENT[-1].end_ns + S
TWO_SPEEDS = Running(speeds=(0.6, 1.2), down=Sensor(delay_s=1e-4))
SENT_AT_TWO = TWO_SPEEDS.batches()
WHO = {"by": "A. Kern", "why": "new chain fitted"}


@contextmanager
def being_set_up(
    running: Running = SOUND, batches: Sequence[Batch] = SENT, *, kind: str = FAKE, **how: Any
) -> Iterator[Plant]:
    """An app on a store that holds the drive, its chain and these batches; now is a second after the newest of all."""
    at_ns = max(AFTER_NS, max((each.end_ns for each in batches), default=0) + S)
    with a_plant(kind, now_ns=lambda: at_ns, **how) as plant:
        register(plant, running)
        plant.ports.raw_batches.keep([sent(each) for each in batches])
        yield plant


def register(plant: Plant, running: Running) -> None:
    plant.ports.register.add_drive(running.drive)
    plant.ports.register.fit_chain(running.chain)
