"""The door "a device spoke": what is stored, kept, published and acknowledged, and in which order."""

import json
import random
import threading
import time
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from prometheus_client import CollectorRegistry
from structlog.testing import capture_logs

from service import ingest
from service.adapters.trays import InTray
from service.core.announce import elongation_payload
from service.core.batch import Batch, Rejection, RejectionReason
from service.core.drive import Baseline, Chain, Drive
from service.core.reading import NotMeasured, Reading, convert
from service.core.wire import decode
from service.ingest import Housekeeper, Ingest, Message, Metrics, SourceStatus
from service.ports import ReadingsRefusedError, RefusedReading, Resolution, Sighting, StoreUnavailableError
from tests.fakes import FakeReadings, FakeRefused, FakeRegister

ROOT = "linklag/v1"
S = 1_000_000_000
NOW_NS = 1_795_000_000 * S
FITTED_NS = NOW_NS - 90 * 86400 * S
PERIOD_TICKS = 20_000  # of 1 µs


class FakeSource:
    """Messages put in by a test. It keeps the order of acknowledgement with the real source's own in-tray."""

    def __init__(self, events: list[str]) -> None:
        self.tray = InTray(1_000_000)
        self.acknowledged: list[bytes] = []
        self.published: list[tuple[str, dict[str, Any], bool]] = []
        self._events = events

    def send(self, payload: bytes, topic: str = f"{ROOT}/d1/pulses", kind: str | None = None) -> None:
        self.tray.put(topic, payload, kind)

    def receive(self, messages_max: int, timeout_s: float) -> list[Message]:
        return self.tray.take(messages_max, min(timeout_s, 0.01))

    def acknowledge(self, messages: Sequence[Message]) -> None:
        self.tray.acknowledge(messages)
        self.acknowledged += [message.payload for message in messages]
        self._events.append("acknowledge")

    def release(self, messages: Sequence[Message]) -> None:
        self.tray.give_back(messages)

    def publish(self, topic: str, payload: bytes, *, retain: bool = True, qos: int = 1) -> None:
        assert qos == 1
        self.published.append((topic, json.loads(payload), retain))
        self._events.append("publish")

    def status(self) -> SourceStatus:
        raise NotImplementedError


class Store(FakeReadings):
    """Readings that also refuse some for good, as a database does a number it cannot hold."""

    def __init__(self, events: list[str]) -> None:
        super().__init__()
        self.refuses: Callable[[Reading], bool] = lambda _reading: False
        self.refuses_with: Callable[[Reading], str] = lambda _reading: (
            ""
        )  # as a server does, the others being stored
        self._events = events

    def store(self, readings: Sequence[Reading]) -> int:
        for reading in readings:
            if self.refuses(reading):
                raise OverflowError("Python int too large to convert to SQLite INTEGER")
        said = {reading: words for reading in readings if (words := self.refuses_with(reading))}
        new = super().store([reading for reading in readings if reading not in said])
        self._events.append("store")
        if said:
            refused = [
                RefusedReading(reading, words, "retention" in words) for reading, words in said.items()
            ]
            raise ReadingsRefusedError(refused, new=new)
        return new

    @property
    def all(self) -> list[Reading]:
        return list(self._readings.values())


@dataclass
class Worker:
    """An ingest with everything around it in memory, on a clock of its own."""

    events: list[str] = field(default_factory=list)
    now_ns: int = NOW_NS

    def __post_init__(self) -> None:
        self.source = FakeSource(self.events)
        self.store = Store(self.events)
        self.register = FakeRegister()
        self.refused = FakeRefused()
        self.registry = CollectorRegistry()
        self.ingest = self.new_ingest()

    def new_ingest(self, flush_messages: int = 200) -> Ingest:
        return Ingest(
            self.source,
            self.store,
            self.register,
            self.refused,
            root=ROOT,
            metrics=Metrics(self.registry),
            flush_messages=flush_messages,
            now_ns=lambda: self.now_ns,
        )

    def restart(self, flush_messages: int = 200) -> None:
        self.registry = CollectorRegistry()
        self.ingest = self.new_ingest(flush_messages)

    def send(self, *payloads: bytes, drive: str = "d1", form: str = "pulses") -> None:
        for payload in payloads:
            self.source.send(payload, f"{ROOT}/{drive}/{form}")

    def work(self) -> None:
        """Until nothing is left to do."""
        while self.ingest.step():
            pass

    def reasons(self) -> list[RejectionReason]:
        return [kept.rejection.reason for kept in reversed(self.refused.rejections())]

    def count(self, name: str, **labels: str) -> float:
        return self.registry.get_sample_value(f"linklag_{name}", labels) or 0.0


@pytest.fixture
def worker(monkeypatch: pytest.MonkeyPatch) -> Worker:
    """A worker with one registered drive, d1: chain c1, 12.5 pitches between the sensors when it was new."""
    monkeypatch.setattr(ingest, "REGISTER_S", 0.0)
    monkeypatch.setattr(ingest, "ANNOUNCE_S", 0.0)
    worker = Worker()
    register_drive(worker)
    return worker


def register_drive(
    worker: Worker, drive_id: str = "d1", pitches: float = 12.5, *, baseline: bool = True
) -> None:
    worker.register.add_drive(
        Drive(drive_id=drive_id, whole_pitches=int(pitches), offset_pitches=pitches % 1, own_limit_pct=2.0)
    )
    chain_id = f"c-{drive_id}"
    worker.register.fit_chain(
        Chain(chain_id=chain_id, drive_id=drive_id, designation="16B-1", pitch_mm=25.4, fitted_ns=FITTED_NS)
    )
    if baseline:
        worker.register.record_baseline(
            Baseline(
                chain_id=chain_id,
                pitches_between=pitches,
                pitches_between_u=0.001,
                elongation_pct=0.0,
                elongation_u_pct=0.01,
                taken_ns=FITTED_NS,
                recorded_ns=FITTED_NS,
                recorded_by="test",
                why="new",
            )
        )


def batch(
    seq: int = 0,
    *,
    wear_pct: float = 0.5,
    pitches: float = 12.5,
    ago_s: float = 60.0,
    count: int = 60,
    **fields: Any,
) -> bytes:
    """A JSON batch of a steady chain that is worn by so much, with a little jitter that depends on `seq` only."""
    rng = np.random.default_rng(seq)
    between = pitches / (1 + wear_pct / 100)
    up = np.arange(count) * PERIOD_TICKS + 500
    down = up + (between % 1) * PERIOD_TICKS
    jitter = rng.normal(0, 30, (2, count))
    ticks = [
        np.sort((train + extra).astype(int)).tolist() for train, extra in zip((up, down), jitter, strict=True)
    ]
    t0_us = (NOW_NS - int(ago_s * S)) // 1000
    return json.dumps({"v": 1, "seq": seq, "t0": t0_us, "up": ticks[0], "down": ticks[1]} | fields).encode()


def elongations(readings: Iterable[Reading]) -> dict[int, float | None]:
    return {reading.seq: reading.elongation_pct for reading in readings}


# The story


def test_a_batch_becomes_a_reading_which_is_stored_then_published_then_acknowledged(worker: Worker) -> None:
    worker.send(batch(7, wear_pct=0.8, temp_c=41.0))
    assert worker.ingest.step() == 1
    (reading,) = worker.store.all
    assert (reading.drive_id, reading.chain_id, reading.seq, reading.temp_c) == ("d1", "c-d1", 7, 41.0)
    assert reading.elongation_pct == pytest.approx(0.8 - (41 - 20) * 0.00117, abs=0.03)
    assert worker.events == ["store", "publish", "acknowledge"]


def test_the_lag_form_becomes_a_reading_too(worker: Worker) -> None:
    between = 12.5 / 1.01
    lag = {"period_us": 20000.0, "lag_us": between % 1 * 20000, "count": 60, "sd_us": 40.0, "span_ms": 1200}
    payload = json.dumps({"v": 1, "seq": 1, "t0": (NOW_NS - 60 * S) // 1000} | lag).encode()
    worker.send(payload, form="lag")
    worker.work()
    assert worker.store.all[0].elongation_pct == pytest.approx(1.0, abs=0.03)
    assert worker.count("batches_total", form="lag") == 1


def test_a_valid_batch_that_cannot_be_measured_is_stored_with_its_reason(worker: Worker) -> None:
    worker.send(batch(1, up=[], down=[], span_ticks=5_000_000))
    worker.work()
    (reading,) = worker.store.all
    assert (reading.elongation_pct, reading.reason) == (None, NotMeasured.STOPPED)
    assert worker.count("not_measured_total", reason="stopped") == 1


def test_a_batch_sent_twice_counts_once_and_is_acknowledged_twice(worker: Worker) -> None:
    worker.send(batch(1), batch(2), batch(1))
    worker.work()
    worker.send(batch(2))
    worker.work()
    assert sorted(elongations(worker.store.all)) == [1, 2]
    assert len(worker.source.acknowledged) == 4
    assert (worker.count("readings_total"), worker.count("repeats_total")) == (2, 2)


def test_the_chain_that_was_on_at_the_time_of_the_batch_is_the_one_measured(worker: Worker) -> None:
    changed_ns = NOW_NS - 3600 * S
    worker.register.take_off_chain("c-d1", changed_ns, "worn")
    worker.register.fit_chain(
        Chain(
            chain_id="c2", drive_id="d1", designation="16B-1", pitch_mm=25.4, fitted_ns=changed_ns + 600 * S
        )
    )
    worker.send(batch(1, ago_s=60), batch(2, ago_s=3300), batch(3, ago_s=4000))
    worker.work()
    assert {reading.seq: reading.chain_id for reading in worker.store.all} == {1: "c2", 2: None, 3: "c-d1"}
    assert next(r.reason for r in worker.store.all if r.seq == 2) is NotMeasured.NO_CHAIN


def test_many_messages_make_few_commits(worker: Worker) -> None:
    worker.send(*[batch(seq) for seq in range(450)])
    worker.work()
    assert worker.events.count("store") == 3
    assert len(worker.store.all) == 450


def test_the_age_of_readings_when_stored_is_measured(worker: Worker) -> None:
    worker.send(batch(1, ago_s=21.2, count=60))
    worker.work()
    assert worker.count("stored_after_seconds_count") == 1
    assert worker.count("stored_after_seconds_sum") == pytest.approx(20, abs=0.1)


# What cannot be used


def test_what_is_refused_is_kept_with_reason_and_payload_and_acknowledged(worker: Worker) -> None:
    worker.send(b"\x00\x01 no json", batch(1, v=2), batch(2, up=[5, 3]))
    worker.work()
    assert worker.reasons() == [
        RejectionReason.NOT_PARSEABLE,
        RejectionReason.NOT_V1,
        RejectionReason.TICKS_BACKWARDS,
    ]
    first = worker.refused.rejections()[-1].rejection
    assert (first.drive_id, first.topic, first.payload) == ("d1", f"{ROOT}/d1/pulses", b"\x00\x01 no json")
    assert first.received_ns == NOW_NS
    assert first.detail
    assert len(worker.source.acknowledged) == 3
    assert worker.count("rejections_total", reason="not_v1") == 1


def test_of_a_large_payload_the_beginning_is_kept_and_its_length(worker: Worker) -> None:
    worker.send(b"x" * 1_048_577)
    worker.work()
    kept = worker.refused.rejections()[0].rejection
    assert (kept.reason, len(kept.payload), kept.payload_bytes) == (
        RejectionReason.TOO_LARGE,
        65_536,
        1_048_577,
    )


def test_a_wrong_topic_is_refused_and_the_drive_s_level_kept(worker: Worker) -> None:
    worker.send(batch(1), drive="Drive No 1")
    worker.source.send(batch(2), "elsewhere/d1/pulses")
    worker.work()
    assert worker.reasons() == [RejectionReason.WRONG_TOPIC] * 2
    assert {kept.rejection.drive_id for kept in worker.refused.rejections()} == {"Drive No 1", "elsewhere"}


def test_a_drive_that_nobody_registered_is_sighted_with_its_rates_and_its_batches_are_kept(
    worker: Worker,
) -> None:
    worker.send(batch(1, dev="plc-3"), batch(2, dev="plc-3"), drive="new-drive")
    worker.work()
    worker.send(batch(3, dev="plc-3"), drive="new-drive")
    worker.work()
    (sighting,) = worker.refused.sightings()
    assert (sighting.drive_id, sighting.messages, sighting.device_id) == ("new-drive", 3, "plc-3")
    assert sighting.topic == f"{ROOT}/new-drive/pulses"
    assert sighting.up_rate_hz == pytest.approx(50, rel=0.01)
    assert sighting.down_rate_hz == pytest.approx(50, rel=0.01)
    assert worker.reasons() == [RejectionReason.UNREGISTERED] * 3
    assert "register it" in worker.refused.rejections()[0].rejection.detail
    assert worker.store.all == []


def test_once_it_is_registered_its_batches_become_readings(worker: Worker) -> None:
    worker.send(batch(1), drive="new-drive")
    worker.work()
    register_drive(worker, "new-drive")
    worker.send(batch(2), drive="new-drive")
    worker.work()
    assert elongations(worker.store.all).keys() == {2}


def test_the_register_is_asked_at_most_once_a_second(worker: Worker, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(ingest, "REGISTER_S", 0.2)
    asked = []
    version = worker.register.version

    def ask() -> int:
        asked.append(1)
        return version()

    monkeypatch.setattr(worker.register, "version", ask)
    began_s = time.monotonic()
    while time.monotonic() - began_s < 0.5:
        worker.ingest.step()
    assert 2 <= len(asked) <= 4


def test_a_retired_drive_is_measured_up_to_its_end_and_unregistered_after(worker: Worker) -> None:
    worker.register.retire_drive("d1", NOW_NS - 1000 * S)
    worker.send(batch(1, ago_s=2000), batch(2, ago_s=60))
    worker.work()
    assert elongations(worker.store.all).keys() == {1}
    assert worker.reasons() == [RejectionReason.UNREGISTERED]
    assert "was retired" in worker.refused.rejections()[0].rejection.detail


def test_a_device_that_invents_drives_fills_neither_the_store_nor_the_memory(worker: Worker) -> None:
    for number in range(3000):
        worker.send(b"junk", drive=f"d{number}x")
    worker.work()
    assert len(worker.refused.rejections(rows_max=10_000)) <= 10_000
    assert len(worker.ingest._warnings._said) <= ingest.LOG_KEYS_MAX


def test_the_same_warning_is_logged_once_a_minute(worker: Worker) -> None:
    with capture_logs() as logs:
        worker.send(*[b"junk %d" % number for number in range(300)])
        worker.work()
    assert [entry["drive"] for entry in logs if entry["event"] == "message_refused"] == ["d1"]


# One bad message never stops the others, whoever is at fault


def test_a_fault_of_ours_in_one_conversion_is_kept_as_such_and_the_others_go_on(
    worker: Worker, monkeypatch: pytest.MonkeyPatch
) -> None:
    def convert_or_fail(batch: Batch, **known: Any) -> Reading:
        if batch.seq == 3:
            raise ZeroDivisionError("a bug of ours")
        return convert(batch, **known)

    monkeypatch.setattr(ingest, "convert", convert_or_fail)
    worker.send(*[batch(seq) for seq in range(6)])
    with capture_logs() as logs:
        worker.work()
    assert sorted(elongations(worker.store.all)) == [0, 1, 2, 4, 5]
    (kept,) = worker.refused.rejections()
    assert kept.rejection.reason is RejectionReason.LINKLAG_FAULT
    assert "fault of linklag" in kept.rejection.detail
    assert "a bug of ours" in kept.rejection.detail
    assert kept.rejection.payload == batch(3)
    assert len(worker.source.acknowledged) == 6
    assert isinstance(next(e["exc_info"] for e in logs if e["event"] == "message_failed"), ZeroDivisionError)


def test_a_fault_of_ours_in_decoding_is_kept_as_such_and_the_others_go_on(
    worker: Worker, monkeypatch: pytest.MonkeyPatch
) -> None:
    def decode_or_fail(payload: bytes, **known: Any) -> Any:
        if payload == b"poison":
            raise MemoryError
        return decode(payload, **known)

    monkeypatch.setattr(ingest, "decode", decode_or_fail)
    worker.send(batch(1), b"poison", batch(2))
    worker.work()
    assert sorted(elongations(worker.store.all)) == [1, 2]
    assert worker.reasons() == [RejectionReason.LINKLAG_FAULT]
    assert "MemoryError" in worker.refused.rejections()[0].rejection.detail
    assert len(worker.source.acknowledged) == 3


def test_a_reading_that_the_store_cannot_take_is_rejected_and_the_others_are_stored(worker: Worker) -> None:
    worker.store.refuses = lambda reading: reading.seq == 2
    worker.send(*[batch(seq) for seq in range(5)])
    worker.work()
    assert sorted(elongations(worker.store.all)) == [0, 1, 3, 4]
    (kept,) = worker.refused.rejections()
    assert kept.rejection.payload == batch(2)
    assert kept.rejection.reason is RejectionReason.LINKLAG_FAULT
    assert "OverflowError" in kept.rejection.detail
    assert len(worker.source.acknowledged) == 5


def test_a_reading_that_a_server_refuses_is_kept_with_its_words_and_the_others_are_stored(
    worker: Worker,
) -> None:
    worker.store.refuses_with = lambda reading: "points beyond retention policy" if reading.seq == 2 else ""
    worker.send(*[batch(seq) for seq in range(5)])
    worker.work()
    assert sorted(elongations(worker.store.all)) == [0, 1, 3, 4]
    (kept,) = worker.refused.rejections()
    assert kept.rejection.payload == batch(2)
    assert kept.rejection.reason is RejectionReason.STORE_REFUSED
    assert "points beyond retention policy" in kept.rejection.detail
    assert len(worker.source.acknowledged) == 5
    assert worker.count("readings_total") == 4


def test_a_backlog_older_than_a_server_keeps_is_kept_as_refused_and_holds_up_nothing(worker: Worker) -> None:
    worker.store.refuses_with = lambda _reading: "points beyond retention policy"
    worker.send(*[batch(seq) for seq in range(5)])
    worker.work()
    assert worker.reasons() == [RejectionReason.STORE_REFUSED] * 5
    assert len(worker.source.acknowledged) == 5


def test_a_server_that_refuses_all_for_another_reason_is_itself_at_fault_and_nothing_is_lost(
    worker: Worker,
) -> None:
    worker.store.refuses_with = lambda _reading: "field type conflict"
    worker.send(*[batch(seq) for seq in range(5)])
    with pytest.raises(StoreUnavailableError, match="takes no reading: field type conflict"):
        worker.ingest.step()
    assert worker.source.acknowledged == []
    worker.store.refuses_with = lambda _reading: ""
    worker.work()
    assert len(worker.store.all) == len(worker.source.acknowledged) == 5
    assert worker.refused.rejections() == []


def test_such_a_reading_on_its_own_waits_for_others_to_show_who_is_at_fault(worker: Worker) -> None:
    worker.store.refuses = lambda reading: reading.seq == 2
    worker.send(batch(2))
    with pytest.raises(StoreUnavailableError, match="takes no reading"):
        worker.ingest.step()
    assert worker.source.acknowledged == []
    worker.send(batch(3))
    with pytest.raises(StoreUnavailableError):
        worker.ingest.step()
    worker.work()
    assert sorted(elongations(worker.store.all)) == [3]
    assert len(worker.refused.rejections()) == 1
    assert len(worker.source.acknowledged) == 2


def test_a_store_that_takes_no_reading_at_all_is_itself_at_fault_and_loses_none(worker: Worker) -> None:
    worker.store.refuses = lambda _reading: True
    worker.send(*[batch(seq) for seq in range(1000)])
    for _ in range(10):
        with pytest.raises(StoreUnavailableError, match="takes no reading"):
            worker.ingest.step()
    assert worker.source.acknowledged == []
    assert worker.source.tray.unacknowledged <= 400, "what waits in hand is bounded"
    worker.store.refuses = lambda _reading: False
    worker.work()
    assert len(worker.store.all) == len(worker.source.acknowledged) == 1000
    assert worker.refused.rejections() == []


def test_of_a_rejection_that_cannot_be_kept_all_but_the_payload_is(
    worker: Worker, monkeypatch: pytest.MonkeyPatch
) -> None:
    keep = worker.refused.keep

    def keep_or_fail(rejections: Sequence[Rejection], sightings: Sequence[Sighting]) -> None:
        if any(b"\xff" in rejection.payload for rejection in rejections):
            raise ValueError("a bug in the store")
        keep(rejections, sightings)

    monkeypatch.setattr(worker.refused, "keep", keep_or_fail)
    worker.send(b"junk", b"\xff", batch(1))
    worker.work()
    kept = [kept.rejection for kept in reversed(worker.refused.rejections())]
    assert [rejection.payload for rejection in kept] == [b"junk", b""]
    assert "a bug in the store" in kept[1].detail
    assert len(worker.source.acknowledged) == 3
    assert len(worker.store.all) == 1


@settings(max_examples=80, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    st.lists(
        st.tuples(
            st.sampled_from(["d1", "d2", "D 3", "", "d1/x", "\u20ac"]),
            st.sampled_from(["pulses", "lag", "status", "elongation"]),
            st.one_of(
                st.binary(max_size=40),
                st.sampled_from([batch(1), batch(2)[:-9], b"{}", b'{"v":1,"online":true}', b"\xa1\x61v\x01"]),
            ),
            st.sampled_from([None, "application/json", "application/cbor", "text/plain"]),
        ),
        max_size=12,
    )
)
def test_whatever_comes_is_acknowledged_and_each_refusal_is_kept(
    sent: list[tuple[str, str, bytes, str | None]],
) -> None:
    worker = Worker()
    register_drive(worker)
    for drive, form, payload, kind in sent:
        worker.source.send(payload, f"{ROOT}/{drive}/{form}", kind)
    worker.work()
    assert len(worker.source.acknowledged) == len(sent)
    refused = sum(kept.repeats + 1 for kept in worker.refused.rejections(rows_max=1000))
    seen = sum(
        form == "status" and payload in {b"", b'{"v":1,"online":true}'} for _, form, payload, _ in sent
    )
    stored = worker.count("readings_total") + worker.count("repeats_total")
    assert refused + stored >= len(sent) - seen


# A store that comes and goes


def test_while_the_store_is_down_nothing_is_acknowledged_and_health_says_why(worker: Worker) -> None:
    worker.work()
    worker.store.down = "disk full: free some space"
    worker.send(batch(1), b"junk")
    stop = threading.Event()
    thread = threading.Thread(target=worker.ingest.run, args=(stop,), daemon=True)
    thread.start()
    try:
        wait_until(lambda: worker.count("store_retries_total") >= 2)
        health = worker.ingest.health()
        assert (health.store_ok, health.in_hand) == (False, 2)
        assert "disk full" in health.trouble
        assert worker.source.acknowledged == []
        worker.store.down = None
        wait_until(lambda: worker.ingest.health().store_ok)
        assert worker.ingest.health().stored_ns == NOW_NS
    finally:
        stop.set()
        thread.join(5)
    assert elongations(worker.store.all).keys() == {1}
    assert worker.reasons() == [RejectionReason.NOT_PARSEABLE]
    assert len(worker.source.acknowledged) == 2


def test_a_rejection_that_waits_for_the_store_is_kept_once(worker: Worker) -> None:
    """The readings were stored already when the rejections could not be; neither is repeated."""
    worker.refused.down = "busy"
    worker.send(batch(1), b"junk")
    for _ in range(3):
        with pytest.raises(StoreUnavailableError):
            worker.ingest.step()
    worker.refused.down = None
    worker.work()
    assert worker.refused.rejections()[0].repeats == 0
    assert worker.count("readings_total") == 1
    assert worker.events.count("store") == 1
    assert worker.events[-1] == "acknowledge"


def test_a_worker_that_starts_before_its_store_waits_and_takes_nothing(worker: Worker) -> None:
    worker.register.down = "no such file"
    worker.send(batch(1))
    for _ in range(2):
        with pytest.raises(StoreUnavailableError):
            worker.ingest.step()
    assert worker.source.tray.unacknowledged == 0
    worker.register.down = None
    worker.work()
    assert worker.ingest.health().store_ok
    assert len(worker.store.all) == 1


def test_a_register_that_cannot_be_read_for_a_while_is_used_as_last_known(worker: Worker) -> None:
    worker.work()
    worker.register.down = "busy"
    worker.ingest.step()
    assert worker.ingest.health().trouble == "busy"
    worker.send(batch(1))
    worker.work()
    assert len(worker.store.all) == 1
    worker.register.down = None
    worker.ingest.step()
    assert worker.ingest.health().store_ok


def test_what_is_in_hand_when_the_worker_stops_is_released(worker: Worker) -> None:
    worker.work()
    worker.store.down = "gone"
    worker.send(batch(1))
    stop = threading.Event()
    thread = threading.Thread(target=worker.ingest.run, args=(stop,), daemon=True)
    thread.start()
    wait_until(lambda: worker.count("store_retries_total") >= 1)
    stop.set()
    thread.join(5)
    assert not thread.is_alive()
    assert worker.source.receive(10, 0) == [Message(f"{ROOT}/d1/pulses", batch(1), None, 1)]


def wait_until(condition: Callable[[], object]) -> None:
    end_s = time.monotonic() + 10
    while not condition():
        assert time.monotonic() < end_s, "waited in vain"
        time.sleep(0.005)


def test_the_wait_for_the_store_grows_to_its_cap() -> None:
    waits = [ingest._delay_s(attempt) for attempt in range(30)]
    assert 0.05 <= waits[0] <= 0.1
    assert all(7.5 <= wait_s <= 15 for wait_s in waits[8:])


# What is published


def test_the_newest_reading_of_each_drive_is_published_once_a_flush(worker: Worker) -> None:
    register_drive(worker, "d2")
    worker.send(batch(1, ago_s=90), batch(3, ago_s=30, wear_pct=0.7), batch(2, ago_s=60))
    worker.send(batch(4, up=[], down=[], span_ticks=10, ago_s=50), drive="d2")
    worker.work()
    by_topic = {topic: (payload, retain) for topic, payload, retain in worker.source.published}
    assert len(worker.source.published) == 2
    payload, retain = by_topic[f"{ROOT}/d1/elongation"]
    assert (payload["seq"], payload["limit_pct"], retain) == (3, 2.0, True)
    assert payload["elongation_pct"] == pytest.approx(0.7, abs=0.03)
    assert by_topic[f"{ROOT}/d2/elongation"][0]["reason"] == "stopped"


def test_a_reading_that_cannot_be_published_is_stored_all_the_same(
    worker: Worker, monkeypatch: pytest.MonkeyPatch
) -> None:
    register_drive(worker, "d2")

    def payload_or_fail(reading: Reading, limit_pct: float | None) -> bytes:
        if reading.drive_id == "d1":
            raise OverflowError("a bug of ours")
        return elongation_payload(reading, limit_pct)

    monkeypatch.setattr(ingest, "elongation_payload", payload_or_fail)
    worker.send(batch(1))
    worker.send(batch(2), drive="d2")
    worker.work()
    assert len(worker.store.all) == len(worker.source.acknowledged) == 2
    assert [topic for topic, _payload, _retain in worker.source.published] == [f"{ROOT}/d2/elongation"]


def test_a_late_batch_does_not_replace_a_newer_publication(worker: Worker) -> None:
    worker.send(batch(1, ago_s=30))
    worker.work()
    worker.send(batch(2, ago_s=90))
    worker.work()
    assert [payload["seq"] for _topic, payload, _retain in worker.source.published] == [1]


def test_a_worker_that_starts_publishes_what_is_newest_in_the_store(worker: Worker) -> None:
    """It may have been killed between storing and publishing."""
    worker.send(batch(1, ago_s=30))
    worker.work()
    worker.source.published.clear()
    worker.restart()
    worker.work()
    worker.send(batch(2, ago_s=90))
    worker.work()
    assert [payload["seq"] for _topic, payload, _retain in worker.source.published] == [1]


def test_a_drive_is_published_at_most_every_quarter_second_and_its_last_reading_always(
    worker: Worker, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(ingest, "ANNOUNCE_S", 0.2)
    worker.restart(flush_messages=1)
    worker.send(*[batch(seq, ago_s=90 - seq) for seq in range(30)])
    began_s = time.monotonic()
    worker.work()
    took_s = time.monotonic() - began_s
    wait_until(lambda: worker.ingest.step() or worker.source.published[-1][1]["seq"] == 29)
    assert len(worker.source.published) <= 2 + took_s / 0.2


# Order of arrival


@pytest.mark.parametrize(("pitches", "baseline"), [(12.5, True), (34.3, True), (12.5, False)])
def test_the_order_of_arrival_changes_no_reading(
    monkeypatch: pytest.MonkeyPatch,
    pitches: float,
    baseline: bool,  # noqa: FBT001
) -> None:
    """Months of wear within one minute of arrival, shuffled, in flushes of any size."""
    monkeypatch.setattr(ingest, "ANNOUNCE_S", 60.0)
    sent = [
        batch(seq, pitches=pitches, wear_pct=0.1 + seq / 40 * 0.4, ago_s=40 * 86400 - seq * 86400)
        for seq in range(40)
    ]
    results = []
    for seed in range(6):
        worker = Worker()
        register_drive(worker, pitches=pitches, baseline=baseline)
        worker.restart(flush_messages=[200, 1, 7, 40, 3, 1][seed])
        order = list(sent)
        random.Random(seed).shuffle(order)
        worker.send(*(order if seed else sent))
        worker.work()
        assert all(reading.elongation_pct is not None for reading in worker.store.all)
        results.append(sorted(worker.store.all, key=lambda reading: reading.seq))
    assert all(readings == results[0] for readings in results[1:])


def test_a_long_spacing_is_resolved_by_the_chain_s_last_elongation_after_a_restart(worker: Worker) -> None:
    """34 pitches without baseline: 0.9 % and 3.9 % give the same lag. What is stored already tells them apart."""
    register_drive(worker, "long", pitches=34.0, baseline=False)
    worker.send(batch(1, pitches=34.0, wear_pct=0.9, ago_s=90), drive="long")
    worker.work()
    assert worker.store.all[0].reason is NotMeasured.AMBIGUOUS
    worker.send(batch(2, pitches=34.0, wear_pct=1.3, ago_s=80), drive="long")  # 4.3 % is out of question
    worker.work()
    worker.restart()
    worker.send(batch(3, pitches=34.0, wear_pct=0.95, ago_s=70), drive="long")
    worker.work()
    assert elongations(worker.store.all)[3] == pytest.approx(0.95, abs=0.03)


def test_within_a_flush_batches_count_in_the_order_of_their_own_time(worker: Worker) -> None:
    """Of a chain that was never measured: the second batch is told by the first, even if it arrived before it."""
    for drive_id, ages_s in (("a", (90, 80)), ("b", (80, 90))):
        register_drive(worker, drive_id, pitches=34.0, baseline=False)
        wear_pct = {90: 1.3, 80: 0.95}
        worker.send(
            *[batch(age, pitches=34.0, wear_pct=wear_pct[age], ago_s=age) for age in ages_s], drive=drive_id
        )
    worker.work()
    readings = sorted((reading.seq, reading.elongation_pct) for reading in worker.store.all)
    assert readings[0] == readings[1]
    assert readings[2] == readings[3]
    assert all(pct is not None for _seq, pct in readings)


def test_a_late_batch_teaches_nothing(worker: Worker) -> None:
    worker.send(batch(1, wear_pct=0.8, ago_s=30))
    worker.work()
    worker.send(batch(2, wear_pct=0.5, ago_s=86400))
    worker.work()
    assert worker.ingest._last["c-d1"].elongation_pct == pytest.approx(0.8, abs=0.03)


# Devices that come and go


def test_a_device_s_status_is_shown_and_its_last_will_too(worker: Worker) -> None:
    worker.send(b'{"v":1,"online":true,"model":"x"}', form="status")
    worker.work()
    assert worker.count("device_online", drive="d1") == 1
    worker.send(b'{"v":1,"online":false}', form="status")
    worker.send(b'{"v":1,"online":true}', form="status", drive="nobody-knows")
    worker.work()
    assert worker.registry.get_sample_value("linklag_device_online", {"drive": "d1"}) == 0
    assert worker.registry.get_sample_value("linklag_device_online", {"drive": "nobody-knows"}) is None
    assert worker.refused.rejections() == []


def test_a_status_that_says_nothing_is_refused_and_an_empty_one_is_none(worker: Worker) -> None:
    worker.send(b"up", b"", form="status")
    worker.work()
    assert worker.reasons() == [RejectionReason.FIELD_INVALID]
    assert "status" in worker.refused.rejections()[0].rejection.detail


# Housekeeping


def test_roll_ups_are_brought_up_to_date_and_old_rows_forgotten(worker: Worker) -> None:
    worker.send(*[batch(seq, ago_s=5 * 86400 - seq * 86400) for seq in range(5)])
    worker.work()
    keep = {None: 2, Resolution.MINUTE: 3}
    housekeeper = Housekeeper(worker.store, keep_days=keep, now_ns=lambda: NOW_NS)
    assert housekeeper.forget() == 0, "nothing goes before it is rolled up"
    assert housekeeper.roll_up() > 0
    assert housekeeper.roll_up() == 0
    assert housekeeper.forget() > 0
    assert elongations(worker.store.raw("d1", 0, NOW_NS)).keys() == {3, 4}
    hours = worker.store.rolled("d1", 0, NOW_NS, Resolution.HOUR)
    minutes = worker.store.rolled("d1", 0, NOW_NS, Resolution.MINUTE)
    assert len(hours) == 5
    assert len(minutes) == 3


def test_housekeeping_outlives_a_store_that_is_down_and_a_fault_of_ours(
    worker: Worker, monkeypatch: pytest.MonkeyPatch
) -> None:
    worker.send(batch(1))
    worker.work()
    worker.store.down = "busy"
    roll_up = worker.store.roll_up
    faults = [ZeroDivisionError("a bug of ours")]

    def roll_up_or_fail(intervals_max: int = 10_000) -> int:
        if worker.store.down is None and faults:
            raise faults.pop()
        return roll_up(intervals_max)

    monkeypatch.setattr(worker.store, "roll_up", roll_up_or_fail)
    stop = threading.Event()
    housekeeper = Housekeeper(worker.store, keep_days={None: 90}, roll_up_s=0.01, now_ns=lambda: NOW_NS)
    thread = threading.Thread(target=housekeeper.run, args=(stop,), daemon=True)
    thread.start()
    time.sleep(0.1)
    worker.store.down = None
    wait_until(lambda: worker.store.rolled("d1", 0, NOW_NS + 86400 * S, Resolution.DAY))
    stop.set()
    thread.join(5)
    assert not thread.is_alive()
    assert faults == []


def test_settings_that_cannot_work_are_refused(worker: Worker) -> None:
    worker.registry = CollectorRegistry()
    with pytest.raises(ValueError, match="above 0"):
        worker.new_ingest(flush_messages=0)
    with pytest.raises(ValueError, match="above 0"):
        Housekeeper(worker.store, keep_days={None: 0})
