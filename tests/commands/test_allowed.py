"""What a drive may send comes from the settings to the worker."""

from pathlib import Path

import pytest

from service.commands.parts import allowed_of, opened_database
from service.commands.serve import WorkerParts
from service.settings import Settings, Store, Worker

DAY_NS = 86_400 * 1_000_000_000


def test_as_shipped_a_drive_may_send_two_batches_a_second_of_its_own_time() -> None:
    terms = allowed_of(Settings())
    assert terms is not None
    assert (terms.per_s, terms.burst, terms.backlog_ns) == (2.0, 10_000, 31 * DAY_NS)


@pytest.mark.parametrize(("per_s", "bound"), [(2.0, True), (0.0, False)])
def test_the_worker_is_held_to_it_unless_it_is_0(tmp_path: Path, per_s: float, *, bound: bool) -> None:
    settings = Settings(store=Store(folder=tmp_path), worker=Worker(drive_batches_per_s=per_s))
    assert (allowed_of(settings) is not None) is bound
    with opened_database(settings) as database:
        assert (WorkerParts(settings, database)._ingest._curb is not None) is bound
