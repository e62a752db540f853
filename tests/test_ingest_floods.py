"""A device gone mad: the others go on, its own backlog does too, and nothing of it goes unsaid."""

import pytest
from prometheus_client import CollectorRegistry
from structlog.testing import capture_logs

from service import ingest
from service.core.allowance import Terms
from service.core.batch import RejectionReason
from service.curb import TELL_NS
from service.ingest import Ingest, Metrics
from tests.test_ingest import NOW_NS, ROOT, Worker, batch, register_drive

S = 1_000_000_000
BURST = 50
TERMS = Terms(per_s=2.0, burst=float(BURST), backlog_ns=31 * 86400 * S)


class Curbed(Worker):
    def new_ingest(self, flush_messages: int = 200) -> Ingest:
        return Ingest(
            self.source, self.store, self.register, self.refused, root=ROOT, metrics=Metrics(self.registry),
            allowed=TERMS, flush_messages=flush_messages, now_ns=lambda: self.now_ns,
        )  # fmt: skip

    def stored(self, drive_id: str) -> int:
        return sum(reading.drive_id == drive_id for reading in self.store.all)


@pytest.fixture
def worker(monkeypatch: pytest.MonkeyPatch) -> Curbed:
    monkeypatch.setattr(ingest, "REGISTER_S", 0.0)
    monkeypatch.setattr(ingest, "ANNOUNCE_S", 0.0)
    worker = Curbed()
    register_drive(worker)
    register_drive(worker, "d2")
    return worker


def test_a_backlog_that_comes_at_once_is_no_flood(worker: Curbed) -> None:
    worker.send(*(batch(number, ago_s=3000 - number, count=20) for number in range(2000)))
    worker.work()
    assert worker.stored("d1") == 2000
    assert worker.reasons() == []


def test_one_window_again_and_again_is_read_as_far_as_the_burst_and_the_rest_is_counted(
    worker: Curbed,
) -> None:
    flood = batch(1)
    worker.send(*[flood] * 1000)
    worker.work()
    assert worker.stored("d1") == 1
    assert len(worker.source.acknowledged) == 1000
    assert worker.reasons() == [RejectionReason.TOO_OFTEN]
    (first,) = (kept.rejection for kept in worker.refused.rejections())
    assert (first.drive_id, first.payload) == ("d1", flood)
    assert "worker.drive_burst" in first.detail
    unread = worker.count("unread_total", drive="d1")
    assert unread == 1000 - BURST - 1  # the first time its window is new
    assert worker.count("repeats_total") == BURST
    worker.now_ns += TELL_NS
    worker.work()  # though nothing more came
    told = worker.refused.rejections()[0].rejection
    assert told.detail.startswith(f"{unread - 1:.0f} messages of {(unread - 1) * len(flood):.0f} bytes")
    assert (told.payload, told.payload_bytes) == (b"", (unread - 1) * len(flood))
    worker.now_ns += TELL_NS
    worker.work()
    assert len(worker.reasons()) == 2


@pytest.mark.parametrize("garbage", [b"\x00", b'{"v":1', b"x" * 2_000_000])
def test_garbage_ends_soon_and_the_others_and_later_the_device_itself_are_heard(
    worker: Curbed, garbage: bytes
) -> None:
    for number in range(100):
        worker.send(garbage, garbage, garbage)
        worker.send(batch(number, ago_s=3600 - number), drive="d2")
    worker.work()
    assert worker.stored("d2") == 100
    assert worker.count("unread_total", drive="d1") >= 300 - BURST
    worker.now_ns += 60 * S
    worker.send(batch(1, ago_s=-50))
    worker.work()
    assert worker.stored("d1") == 1


def test_a_flood_of_batches_does_not_hide_that_the_device_went(worker: Curbed) -> None:
    worker.send(b'{"v":1,"online":true}', form="status")
    worker.send(*[batch(1)] * 200)
    worker.send(b'{"v":1,"online":false}', form="status")
    worker.work()
    assert worker.count("device_online", drive="d1") == 0
    worker.send(*[b'{"v":1,"online":true}', b'{"v":1,"online":false}'] * 100, form="status")
    worker.work()
    assert worker.count("unread_total", drive="d1") > 200 - BURST


def test_invented_drives_and_topics_share_one_purse_and_take_none_of_what_is_registered(
    worker: Curbed,
) -> None:
    for number in range(500):
        worker.send(batch(number), drive=f"made-up-{number}")
        worker.source.send(b"{}", f"{ROOT}/Made Up {number}/pulses")
    worker.send(*(batch(number, ago_s=200 - number) for number in range(100)))
    worker.work()
    assert worker.stored("d1") == 100
    assert worker.count("unread_total", drive="") == 1000 - BURST
    assert len(worker.refused.sightings()) <= BURST
    assert len(worker.reasons()) == BURST + 1
    assert len(worker.ingest._curb._allowances) == 2  # type: ignore[union-attr]


def test_what_was_counted_and_not_told_yet_is_told_at_the_end(worker: Curbed) -> None:
    worker.send(*[b"x"] * 100)
    worker.work()
    worker.ingest._tell_the_rest()
    assert worker.refused.rejections()[0].rejection.detail.startswith(f"{100 - BURST - 1} messages")


def test_batches_that_bring_out_a_fault_of_ours_are_paid_for_too(
    worker: Curbed, monkeypatch: pytest.MonkeyPatch
) -> None:
    def fails(*_: object, **__: object) -> None:
        raise ArithmeticError

    monkeypatch.setattr(ingest, "decode", fails)
    worker.send(*[b"x"] * 300)
    with capture_logs():
        worker.work()
    assert worker.count("rejections_total", reason="linklag_fault") == BURST


def test_without_terms_everything_is_read(worker: Curbed) -> None:
    worker.registry = CollectorRegistry()
    worker.ingest = Worker.new_ingest(worker)
    worker.send(*[b"x"] * 300)
    worker.work()
    assert RejectionReason.TOO_OFTEN not in worker.reasons()
    assert worker.now_ns == NOW_NS


def test_what_a_hostile_topic_holds_does_not_reach_the_terminal_that_shows_the_log(worker: Curbed) -> None:
    worker.send(b"{}", drive="\x1b[2Jgone\n" + "x" * 5000)
    with capture_logs() as said:
        worker.work()
    (line,) = (each for each in said if each["event"] == "message_refused")
    assert line["drive"].startswith(r"\x1b[2Jgone\n")
    assert len(line["drive"]) == 64
    assert line["detail"].isprintable()
