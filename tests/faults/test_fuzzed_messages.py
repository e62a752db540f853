"""A short run of the mutated messages of `tests/bench/fuzz_mqtt.py`; the million is run by hand."""

from pathlib import Path

import pytest

from service import ingest
from service.core.batch import Batch
from service.core.wire import Refusal, decode
from tests.bench.fuzz_mqtt import Maker, inside
from tests.strategies import NOW_NS


def test_mutated_messages_are_readings_or_rejections_and_nothing_grows(tmp_path: Path) -> None:
    seen = inside(2000, 11, tmp_path)
    seen.check()
    assert seen.messages == 2000
    # They reach every depth, else this would show nothing.
    assert {
        "not_parseable",
        "field_invalid",
        "not_v1",
        "wrong_topic",
        "unregistered",
        "ticks_backwards",
    } <= set(seen.refused)


def test_a_message_that_brings_out_a_fault_of_ours_is_noticed(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def brittle(payload: bytes, **more: object) -> Batch | Refusal:
        if payload.endswith(b"7}"):
            raise ZeroDivisionError
        return decode(payload, **more)  # type: ignore[arg-type]

    monkeypatch.setattr(ingest, "decode", brittle)
    monkeypatch.setattr(ingest, "log", _Silent())
    seen = inside(500, 11, tmp_path)
    assert seen.faults > 0
    with pytest.raises(AssertionError):
        seen.check()


class _Silent:
    def __getattr__(self, _name: str) -> object:
        return lambda *_, **__: None


def test_the_same_seed_makes_the_same_messages() -> None:
    assert list(Maker(3, NOW_NS).messages(200)) == list(Maker(3, NOW_NS).messages(200))
