"""Several workers on one store: each speaks of its own drives only, under the root they speak under."""

import pytest
from prometheus_client import CollectorRegistry

from service.core.partition import Partition
from service.ingest import Ingest, Metrics
from tests.test_ingest import ROOT, Worker, batch, worker

__all__ = ["worker"]
SITES = ("plant/site-a", "plant/site-b")


def taking(worker: Worker, partition: Partition) -> Ingest:
    return Ingest(
        worker.source,
        worker.store,
        worker.register,
        worker.refused,
        root=ROOT,
        metrics=Metrics(CollectorRegistry()),
        partition=partition,
        now_ns=lambda: worker.now_ns,
    )


def work(ingest: Ingest) -> None:
    while ingest.step():
        pass
    ingest.step()


def topics(worker: Worker) -> list[str]:
    return [topic for topic, _payload, _retain in worker.source.published]


@pytest.mark.parametrize("site", SITES)
def test_a_reading_is_published_under_the_root_that_its_batch_came_by(worker: Worker, site: str) -> None:
    ingest = taking(worker, Partition(roots=SITES))
    worker.source.send(batch(), f"{site}/d1/pulses")
    work(ingest)
    assert len(worker.store.all) == 1
    assert topics(worker) == [f"{site}/d1/elongation"]


def test_at_its_start_a_worker_says_nothing_of_drives_that_may_be_anothers(worker: Worker) -> None:
    """Another may know of a newer reading, and the older would stand retained in its place."""
    worker.send(batch())
    worker.work()
    worker.source.published.clear()
    work(taking(worker, Partition(roots=("plant/site-a",))))
    work(taking(worker, Partition(roots=(ROOT,), drives=frozenset({"d2"}))))
    assert topics(worker) == []
    work(taking(worker, Partition(roots=(ROOT,), drives=frozenset({"d1", "d2"}))))
    assert topics(worker) == [f"{ROOT}/d1/elongation"]


def test_what_still_comes_of_anothers_drive_is_stored_and_left_to_it_to_tell(worker: Worker) -> None:
    """As where a drive was moved to another partition: for a while both have it."""
    ingest = taking(worker, Partition(roots=(ROOT,), drives=frozenset({"d2"})))
    worker.send(batch())
    work(ingest)
    assert len(worker.store.all) == 1
    assert len(worker.source.acknowledged) == 1
    assert topics(worker) == []


def test_what_is_refused_names_its_drive_under_any_root(worker: Worker) -> None:
    ingest = taking(worker, Partition(roots=SITES))
    worker.source.send(b"junk", "plant/site-b/d1/pulses")
    worker.source.send(b"junk", "elsewhere/d1/pulses")
    work(ingest)
    refused = [kept.rejection for kept in worker.refused.rejections()]
    assert {rejection.drive_id for rejection in refused} == {"d1", "elsewhere"}
    assert len(worker.source.acknowledged) == 2
