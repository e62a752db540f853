"""The Structured Text of the capture device: parsed as IEC 61131-3, and run line by line over simulated stamps."""

import itertools
import math
import random
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from sensors_sim.chain import SimulatedChain
from sensors_sim.drive import SimulatedDrive
from sensors_sim.motion import Motion
from service.core.batch import Batch
from service.core.drive import Chain, Drive
from service.core.reading import convert
from service.core.wire import Form, decode
from tests.deploy.structured_text import Program

FILE = Path(__file__).parents[2] / "deploy" / "devices" / "capture.st"
PROGRAM = Program(FILE.read_text())
UTC_US = 1_790_000_000_000_000
WRAP = 2**32
PITCH_MM = 25.4
Stamps = list[int]


def test_a_parser_of_the_language_takes_it() -> None:
    import blark

    parsed = blark.parse_source_code(FILE.read_text()).transform()
    assert [each.name for each in parsed.items] == ["LagWindow", "MicrosText", "LagCapture"]


def scans(ups: Stamps, downs: Stamps, *, begin: int = 0, end: int, step: int = 4_000) -> Iterator[Batch]:
    """The batches of a controller with a scan of so many microseconds, counter and UTC starting as given."""
    capture = PROGRAM.make("LagCapture")
    waiting = {"Ups": list(ups), "Downs": list(downs)}
    for now in range(step, end, step):
        # The queues are read a little later than the counter, and one after the other.
        seen = {
            name: [at for at in queue if at <= now + late][:32]
            for late, (name, queue) in enumerate(waiting.items())
        }
        arrays = {
            name: [(begin + at) % WRAP for at in some] + [0] * (32 - len(some)) for name, some in seen.items()
        }
        capture(
            Latch=(begin + now) % WRAP,
            UtcUs=UTC_US + now,
            UpCount=len(seen["Ups"]),
            DownCount=len(seen["Downs"]),
            Ups=arrays["Ups"],
            Downs=arrays["Downs"],
        )
        del waiting["Ups"][: capture.UpTaken]
        del waiting["Downs"][: capture.DownTaken]
        if capture.Publish:
            batch = decode(
                capture.Text.encode(),
                form=Form.LAG,
                drive_id="d",
                content_type=None,
                now_ns=(UTC_US + 10**9) * 1000,
            )
            assert isinstance(batch, Batch), batch
            yield batch


def steady(
    period: float, lag: float, count: int, jitter: float = 0.0, seed: int = 0
) -> tuple[Stamps, Stamps]:
    rng = random.Random(seed)
    ups = [round(1000 + n * period + rng.gauss(0, jitter)) for n in range(count)]
    downs = [round(1000 + n * period + lag + rng.gauss(0, jitter)) for n in range(count)]
    return sorted(ups), sorted(downs)


@settings(max_examples=30)  # a second or two of a controller, line by line
@given(
    period=st.floats(3_000, 60_000),
    fraction=st.floats(0, 0.999),
    jitter=st.sampled_from([0.0, 20.0]),
    begin=st.sampled_from([0, WRAP - 700_000, 2**31 - 3]),
)
@example(period=3650.0, fraction=0.0, jitter=20.0, begin=0)
@example(period=3650.0, fraction=0.999, jitter=20.0, begin=0)
def test_period_and_lag_of_a_steady_chain_come_back_wherever_the_counter_wraps(
    period: float, fraction: float, jitter: float, begin: int
) -> None:
    ups, downs = steady(period, fraction * period, int(2.5e6 / period), jitter)
    found = list(scans(ups, downs, begin=begin, end=2_400_000))
    assert len(found) >= 1
    for batch in found:
        assert batch.reduced is not None
        assert batch.reduced.count % 2 == 0
        tolerance = 1 + 6 * jitter / math.sqrt(batch.reduced.count)
        assert batch.reduced.period_us == pytest.approx(period, abs=tolerance)
        off = (batch.reduced.lag_us - fraction * period + period / 2) % period - period / 2
        assert abs(off) <= tolerance, "a lag near a whole period may come out on its other side"
        assert batch.reduced.sd_us <= 1 + 3 * jitter


def test_windows_follow_each_other_with_their_times_and_numbers() -> None:
    ups, downs = steady(20_000, 9_000, 260)
    found = list(scans(ups, downs, end=5_000_000))
    assert [batch.seq for batch in found] == [0, 1, 2, 3]
    for before, after in itertools.pairwise(found):
        assert before.span_ns is not None
        assert 0 <= after.t0_ns - before.t0_ns - before.span_ns <= 25_000_000
    assert found[0].t0_ns == (UTC_US + 1000) * 1000, (
        "from the first pulse, which came before the first scan ended"
    )


def test_a_chain_that_stands_still_gives_windows_with_a_count_of_0() -> None:
    found = list(scans([], [], end=3_500_000))
    assert [(batch.seq, batch.reduced) for batch in found] == [(0, None), (1, None), (2, None)]
    assert all(batch.span_ns is not None and batch.span_ns >= 10**9 for batch in found)


@pytest.mark.parametrize("missing", [10, 30])
def test_a_window_with_a_missed_joint_is_given_up_and_the_next_is_whole(missing: int) -> None:
    ups, downs = steady(20_000, 9_000, 130)
    del ups[missing]
    found = list(scans(ups, downs, end=2_300_000))
    assert [batch.seq for batch in found] == [0]
    assert found[0].reduced is not None
    assert found[0].reduced.lag_us == pytest.approx(9_000, abs=1)


def test_a_window_is_not_ended_by_a_chain_that_stops_with_one_pulse() -> None:
    capture = PROGRAM.make("LagWindow")
    capture(Kind=1, Stamp=0)
    for scan in range(1, 1001):
        capture(Kind=0, Stamp=scan * 4_000)
        assert not capture.Ready
    assert (capture.Faults, capture.Running) == (1, False)


def test_the_elongation_of_a_simulated_drive_comes_out() -> None:
    chain = SimulatedChain.make(
        pitch_mm=PITCH_MM, pitches=60, elongation_pct=1.5, rng=np.random.default_rng(3)
    )
    drive = SimulatedDrive(
        chain=chain, motion=Motion.constant(1.2), spacing_mm=12.4 * PITCH_MM, up_to_driver_mm=20 * PITCH_MM
    )
    pulses = drive.run(12.0)
    registered = Drive(drive_id="d", whole_pitches=12, offset_pitches=0.4)
    fitted = Chain(chain_id="c", drive_id="d", designation="16B-1", pitch_mm=PITCH_MM, fitted_ns=0)
    found = list(scans(pulses.up_ticks.tolist(), pulses.down_ticks.tolist(), end=11_900_000))
    elongations = [
        convert(batch, drive=registered, chain=fitted, baseline=None, last=None).elongation_pct
        for batch in found
    ]
    assert len(elongations) > 8
    assert all(each is not None for each in elongations)
    mean: Any = np.mean([each for each in elongations if each is not None])
    assert mean == pytest.approx(pulses.true_elongation_pct, abs=0.1)
