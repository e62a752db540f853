"""Somebody looks at the newest pulses of a drive: the newest window with a lag, and why a newer one has none."""

from collections.abc import Iterator
from dataclasses import replace

import numpy as np
import pytest

from service.core.batch import Batch
from service.core.drive import limit
from service.core.not_measured import NotMeasured
from service.core.reading import convert
from service.look_at_pulses import Seen, pulses_of_drive
from service.ports import NotFoundError
from tests.contracts.given import FAKE, Ports, a_store
from tests.core.running import Running, sent

RUNNING = Running(elongation_pct=1.1, seconds=25.0)


@pytest.fixture
def ports() -> Iterator[Ports]:
    with a_store(FAKE) as store:
        store.register.add_drive(RUNNING.drive)
        store.register.fit_chain(RUNNING.chain)
        yield store


def look(ports: Ports, at_ns: int) -> Seen:
    return pulses_of_drive("d", ports.register, ports.readings, ports.raw_batches, at_ns)


def keep(ports: Ports, *batches: Batch) -> int:
    """Keep batches as ingest would, with their readings; return the end of the last."""
    for batch in batches:
        reading = convert(batch, drive=RUNNING.drive, chain=RUNNING.chain, baseline=None, last=None)
        ports.readings.store([reading])
        ports.raw_batches.keep([sent(batch)])
    return batches[-1].end_ns


def stopped(after: Batch) -> Batch:
    none = np.zeros(0, dtype=np.int64)
    return replace(after, seq=after.seq + 1, t0_ns=after.end_ns, up=none, down=none, span_ns=5 * 10**9)


def test_the_newest_window_is_shown_with_its_reading(ports: Ports) -> None:
    end_ns = keep(ports, *RUNNING.batches()[:3])
    seen = look(ports, end_ns + 10**9)
    assert seen.strobe is not None
    assert seen.shown_ns == seen.newest_ns == end_ns
    assert seen.window_s == pytest.approx(5.0, abs=0.5)
    assert seen.reason is None
    assert seen.reading is not None
    assert seen.reading.t_ns == end_ns
    assert seen.reading.pitches_between is not None
    assert seen.strobe.pitches_between == pytest.approx(seen.reading.pitches_between, abs=0.01)


def test_the_pulses_are_held_against_new_chain_and_limit(ports: Ports) -> None:
    seen = look(ports, keep(ports, *RUNNING.batches()[:1]))
    assert seen.new_pitches == pytest.approx(24.3)
    assert seen.limit_pitches == pytest.approx(24.3 / (1 + limit(RUNNING.drive).limit_pct / 100))


def test_where_the_drive_stands_the_window_before_is_shown_and_why(ports: Ports) -> None:
    before, *_ = RUNNING.batches()
    end_ns = keep(ports, before, stopped(before))
    seen = look(ports, end_ns)
    assert seen.shown_ns == before.end_ns
    assert seen.newest_ns == end_ns
    assert seen.reason is NotMeasured.STOPPED


def test_without_any_lag_there_is_only_the_reason(ports: Ports) -> None:
    seen = look(ports, keep(ports, stopped(RUNNING.batches()[0])))
    assert seen.strobe is None
    assert seen.reading is None
    assert seen.reason is NotMeasured.STOPPED


def test_nothing_kept_is_nothing_seen(ports: Ports) -> None:
    seen = look(ports, RUNNING.batches()[0].end_ns)
    assert (seen.strobe, seen.newest_ns, seen.reason) == (None, None, None)


def test_pulses_from_before_the_chain_was_fitted_are_not_its_own(ports: Ports) -> None:
    batch = RUNNING.batches()[0]
    keep(ports, batch)
    ports.register.take_off_chain("d/1", batch.end_ns + 1, "worn")
    ports.register.fit_chain(replace(RUNNING.chain, chain_id="d/2", fitted_ns=batch.end_ns + 2))
    seen = look(ports, batch.end_ns + 10**9)
    assert seen.chain is not None
    assert seen.chain.chain_id == "d/2"
    assert seen.strobe is None


def test_without_a_chain_or_sensors_there_is_nothing_to_hold_them_against(ports: Ports) -> None:
    ports.register.add_drive(replace(RUNNING.drive, drive_id="bare"))
    bare = pulses_of_drive("bare", ports.register, ports.readings, ports.raw_batches, 10**18)
    assert (bare.chain, bare.new_pitches, bare.limit_pitches) == (None, None, None)
    ports.register.add_drive(replace(RUNNING.drive, drive_id="hand", whole_pitches=None, offset_pitches=0.0))
    ports.register.fit_chain(replace(RUNNING.chain, chain_id="hand/1", drive_id="hand"))
    by_hand = pulses_of_drive("hand", ports.register, ports.readings, ports.raw_batches, 10**18)
    assert by_hand.chain is not None
    assert by_hand.new_pitches is None


def test_a_drive_that_is_not_there_is_told(ports: Ports) -> None:
    with pytest.raises(NotFoundError):
        pulses_of_drive("nowhere", ports.register, ports.readings, ports.raw_batches, 0)
