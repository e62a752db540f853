"""Batches kept as they came, and what devices say of themselves: with the readings, or not at all."""

import json
from collections.abc import Iterator, Sequence
from itertools import count

import pytest
from prometheus_client import CollectorRegistry

from sensors_sim.batch import simulate_batch
from service.adapters.database.connect import Database
from service.core.drive import Chain, Drive
from service.core.wire import Form, decode
from service.ingest import Ingest, Message, Metrics, SourceStatus
from service.ports import StoreUnavailableError
from tests.contracts.given import an_empty_database

ROOT = "linklag/v1"
T0_NS = 1_795_000_000_000_000_000
FAR_NS = T0_NS + 10**15


class Source:
    """Gives what was sent, and notes what was acknowledged."""

    def __init__(self) -> None:
        self.waiting: list[Message] = []
        self.acknowledged: list[Message] = []

    def send(self, topic: str, payload: bytes) -> None:
        self.waiting.append(Message(topic, payload, None, len(self.waiting)))

    def receive(self, messages_max: int, timeout_s: float) -> list[Message]:
        del timeout_s
        taken, self.waiting = self.waiting[:messages_max], self.waiting[messages_max:]
        return taken

    def acknowledge(self, messages: Sequence[Message]) -> None:
        self.acknowledged += messages

    def release(self, messages: Sequence[Message]) -> None:
        self.waiting = [*messages, *self.waiting]

    def publish(self, topic: str, payload: bytes, *, retain: bool = True, qos: int = 1) -> None:
        pass

    def status(self) -> SourceStatus:
        raise NotImplementedError


@pytest.fixture
def database() -> Iterator[Database]:
    with an_empty_database() as database:
        database.register.add_drive(Drive(drive_id="d1", whole_pitches=24))
        database.register.fit_chain(
            Chain(chain_id="d1/1", drive_id="d1", designation="08B", pitch_mm=12.7, fitted_ns=1)
        )
        yield database


def ingest_of(source: Source, database: Database, *, keep: bool = True) -> Ingest:
    clock = count(T0_NS + 60 * 10**9)
    return Ingest(
        source,
        database.readings,
        database.register,
        database.refused,
        root=ROOT,
        metrics=Metrics(CollectorRegistry()),
        store_all=database.store_all if keep else None,
        devices=database.devices if keep else None,
        now_ns=lambda: next(clock),
    )


def payload(seq: int) -> bytes:
    made = simulate_batch(seed=seq)
    return json.dumps(
        {"v": 1, "seq": seq, "t0": T0_NS // 1000 + seq, "up": made.up.tolist(), "down": made.down.tolist()}
    ).encode()


def test_a_batch_is_kept_as_it_came_and_decodes_to_its_reading(database: Database) -> None:
    source = Source()
    sent = [payload(seq) for seq in range(3)]
    for each in sent:
        source.send(f"{ROOT}/d1/pulses", each)
    ingest_of(source, database).step()
    kept = database.raw_batches.raw("d1", 0, FAR_NS)
    assert [each.payload for each in kept] == sent
    assert {each.form for each in kept} == {Form.PULSES}
    readings = database.readings.raw("d1", 0, FAR_NS)
    for raw, reading in zip(kept, readings, strict=True):
        assert (raw.t0_ns, raw.seq, raw.t_ns) == (reading.t0_ns, reading.seq, reading.t_ns)
        batch = decode(raw.payload, form=raw.form, drive_id="d1", content_type=None, now_ns=FAR_NS)
        assert getattr(batch, "end_ns", None) == reading.t_ns


def test_the_reduced_form_is_kept_as_such(database: Database) -> None:
    source = Source()
    lag = {
        "v": 1,
        "seq": 0,
        "t0": T0_NS // 1000,
        "period_us": 12700,
        "lag_us": 4000,
        "count": 50,
        "sd_us": 20,
    }
    source.send(f"{ROOT}/d1/lag", json.dumps(lag).encode())
    ingest_of(source, database).step()
    assert [each.form for each in database.raw_batches.raw("d1", 0, FAR_NS)] == [Form.LAG]


def test_a_batch_sent_again_is_kept_once(database: Database) -> None:
    source = Source()
    for _ in range(3):
        source.send(f"{ROOT}/d1/pulses", payload(1))
    ingest = ingest_of(source, database)
    ingest.step()
    source.send(f"{ROOT}/d1/pulses", payload(1))
    ingest.step()
    assert len(database.raw_batches.raw("d1", 0, FAR_NS)) == 1


def test_where_none_are_to_be_kept_readings_are_stored_all_the_same(database: Database) -> None:
    source = Source()
    source.send(f"{ROOT}/d1/pulses", payload(1))
    ingest_of(source, database, keep=False).step()
    assert len(database.readings.raw("d1", 0, FAR_NS)) == 1
    assert database.raw_batches.raw("d1", 0, FAR_NS) == []


def test_nothing_is_acknowledged_where_either_cannot_be_stored(
    database: Database, monkeypatch: pytest.MonkeyPatch
) -> None:
    source = Source()
    source.send(f"{ROOT}/d1/pulses", payload(1))
    ingest = ingest_of(source, database)

    def full(*_: object) -> None:
        raise StoreUnavailableError("disk full")

    monkeypatch.setattr(database.raw_batches, "keep_within", full)
    with pytest.raises(StoreUnavailableError):
        ingest.step()
    assert source.acknowledged == []
    assert database.readings.raw("d1", 0, FAR_NS) == []
    monkeypatch.undo()
    ingest.step()
    assert len(source.acknowledged) == len(database.raw_batches.raw("d1", 0, FAR_NS)) == 1


def test_what_a_device_says_of_itself_is_noted(database: Database) -> None:
    source = Source()
    ingest = ingest_of(source, database)
    for online in (True, False):
        source.send(f"{ROOT}/d1/status", json.dumps({"v": 1, "online": online}).encode())
        ingest.step()
        assert [(each.drive_id, each.online) for each in database.devices.states()] == [("d1", online)]
