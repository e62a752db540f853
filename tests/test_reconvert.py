"""Stored batches converted again: what was corrected shows, what was replaced is kept, twice is once."""

import json
from collections.abc import Iterator
from dataclasses import replace

import numpy as np
import pytest

from sensors_sim.batch import SimulatedBatch, simulate_batch
from service.adapters.database.connect import Database
from service.core.batch import Batch
from service.core.drive import Baseline, Chain, Drive
from service.core.reading import convert
from service.core.wire import Form
from service.ports import NotFoundError, RawBatch
from service.reconvert import Reconvert
from tests.contracts.given import an_empty_database

S = 1_000_000_000
T0_NS = 1_795_000_000 * S
DRIVE = Drive(drive_id="kiln-feed", whole_pitches=20, driver_teeth=19)
CHAIN = Chain(
    chain_id="kiln-feed/1",
    drive_id="kiln-feed",
    designation="08B",
    pitch_mm=12.7,
    pitches_in_loop=120,
    fitted_ns=1,
)


@pytest.fixture
def database() -> Iterator[Database]:
    with an_empty_database() as database:
        database.register.add_drive(DRIVE)
        database.register.fit_chain(CHAIN)
        yield database


def simulated(number: int) -> SimulatedBatch:
    return simulate_batch(
        whole_pitches=20, elongation_pct=1.2, spacing_error_mm=1.5, seed=number, t0_ns=T0_NS + number * 10 * S
    )


def store(database: Database, number: int) -> None:
    """One batch and the reading that it gave at the time, as the worker stores them."""
    made = simulated(number)
    payload = {
        "v": 1, "seq": number, "t0": made.t0_ns // 1000, "up": made.up.tolist(), "down": made.down.tolist(),
        "span_ticks": made.span_ticks,
    }  # fmt: skip
    batch = Batch(
        drive_id="kiln-feed", seq=number, t0_ns=made.t0_ns, tick_ns=1000, up=made.up, down=made.down,
        span_ns=made.span_ticks * 1000,
    )  # fmt: skip
    database.readings.store([convert(batch, drive=DRIVE, chain=CHAIN, baseline=None, last=None)])
    database.raw_batches.keep(
        [
            RawBatch(
                drive_id="kiln-feed", device_id="", t0_ns=made.t0_ns, seq=number, t_ns=batch.end_ns,
                form=Form.PULSES, content_type="application/json", payload=json.dumps(payload).encode(),
            )
        ]
    )  # fmt: skip


def elongations(database: Database) -> list[float | None]:
    return [each.elongation_pct for each in database.readings.raw("kiln-feed", 0, T0_NS + 10**6 * S)]


def record_baseline(database: Database) -> float:
    """N0 as it really was while the chain was at 1.2 %: the spacing is 1.5 mm more than registered."""
    truth = simulated(0)
    database.register.record_baseline(
        Baseline(
            chain_id="kiln-feed/1", pitches_between=truth.true_pitches_between, pitches_between_u=0.001,
            elongation_pct=truth.true_elongation_pct, elongation_u_pct=0.01, taken_ns=T0_NS, recorded_ns=T0_NS,
            recorded_by="tests", why="the tape was wrong",
        )
    )  # fmt: skip
    return truth.true_elongation_pct


def test_readings_are_made_again_by_a_baseline_recorded_later(database: Database) -> None:
    for number in range(4):
        store(database, number)
    before = elongations(database)
    truth = record_baseline(database)
    work = Reconvert(database.raw_batches, database.readings, database.register)
    done = work.drive("kiln-feed", 0, T0_NS + 10**6 * S, at_ns=T0_NS + 100 * S, why="the tape was wrong")
    assert (done.batches, done.superseded) == (4, 4)
    assert np.allclose(np.array(elongations(database), dtype=float), truth, atol=0.03)
    assert abs(float(before[0] or 0) - truth) > 0.4
    kept = database.readings.superseded("kiln-feed", 0, T0_NS + 10**6 * S)
    assert [each.reading.elongation_pct for each in kept] == before
    assert {each.why for each in kept} == {"the tape was wrong"}


def test_doing_it_twice_supersedes_nothing_more(database: Database) -> None:
    for number in range(3):
        store(database, number)
    record_baseline(database)
    work = Reconvert(database.raw_batches, database.readings, database.register)
    for superseded in (3, 0):
        done = work.drive("kiln-feed", 0, T0_NS + 10**6 * S, at_ns=T0_NS + 100 * S, why="again")
        assert (done.batches, done.superseded) == (3, superseded)


def test_only_the_time_asked_for_is_made_again(database: Database) -> None:
    for number in range(4):
        store(database, number)
    record_baseline(database)
    ends = [each.t_ns for each in database.readings.raw("kiln-feed", 0, T0_NS + 10**6 * S)]
    work = Reconvert(database.raw_batches, database.readings, database.register)
    done = work.drive("kiln-feed", ends[0], ends[2], at_ns=ends[3], why="the middle")
    assert (done.batches, done.superseded) == (2, 2)


def test_roll_ups_follow(database: Database) -> None:
    from service.ports import Resolution

    store(database, 0)
    database.readings.roll_up()
    truth = record_baseline(database)
    work = Reconvert(database.raw_batches, database.readings, database.register)
    work.drive("kiln-feed", 0, T0_NS + 10**6 * S, at_ns=T0_NS + 100 * S, why="the tape was wrong")
    database.readings.roll_up()
    (hour,) = database.readings.rolled("kiln-feed", 0, T0_NS + 10**6 * S, Resolution.HOUR)
    assert hour.mean_pct == pytest.approx(truth, abs=0.03)


def test_a_reason_is_asked_for_and_the_drive_must_exist(database: Database) -> None:
    work = Reconvert(database.raw_batches, database.readings, database.register)
    with pytest.raises(ValueError, match="say why"):
        work.drive("kiln-feed", 0, 1, at_ns=1, why=" ")
    with pytest.raises(NotFoundError):
        work.drive("nowhere", 0, 1, at_ns=1, why="tests")


def test_a_payload_that_is_no_batch_after_all_is_passed_over(database: Database) -> None:
    store(database, 0)
    (raw,) = database.raw_batches.raw("kiln-feed", 0, T0_NS + 10**6 * S)
    database.raw_batches.keep([replace(raw, seq=99, payload=b"no batch")])
    work = Reconvert(database.raw_batches, database.readings, database.register)
    done = work.drive("kiln-feed", 0, T0_NS + 10**6 * S, at_ns=T0_NS, why="tests")
    assert (done.batches, done.superseded) == (2, 0)
