"""The capture device: windows, numbers, the fields of the wire contract, and what goes wrong on the way."""

import itertools
import json
from datetime import UTC, datetime
from typing import Any

import cbor2
import numpy as np
import pytest

from sensors_sim.chain import SimulatedChain
from sensors_sim.device import ClockFault, Connection, Device, Message, Trouble
from sensors_sim.drive import SimulatedDrive, Surroundings
from sensors_sim.encoding import Encoding
from sensors_sim.motion import Motion
from sensors_sim.sensor import Sensor

PITCH_MM = 12.7
START_NS = 1_764_058_500_123_456_000
NEEDED = {"v", "seq", "t0", "up", "down"}
ON_TIMES = {"up_on_us", "down_on_us"}
OPTIONAL = {"tick_ns", "delta", "span_ticks", "dir", "temp_c", "mount_c", "load_n", "dev"} | ON_TIMES
LAG_FIELDS = {"v", "seq", "t0", "span_ms", "period_us", "lag_us", "count", "sd_us"}


def drive(**changes: Any) -> SimulatedDrive:
    chain = SimulatedChain.make(
        pitch_mm=PITCH_MM, pitches=120, elongation_pct=1.0, rng=np.random.default_rng(1)
    )
    settings: dict[str, Any] = {
        "motion": Motion.constant(1.0),
        "spacing_mm": 24.2 * PITCH_MM,
        "up_to_driver_mm": 34 * PITCH_MM,
        "start_ns": START_NS,
    }
    return SimulatedDrive(chain=chain, **(settings | changes))


def device(running: SimulatedDrive | None = None, **changes: Any) -> Device:
    settings: dict[str, Any] = {"drive": running or drive(), "drive_id": "d1", "window_s": 2.0, "seed": 3}
    return Device(**(settings | changes))


def messages(sender: Device, count: int) -> list[Message]:
    return [m for m in itertools.islice(sender.messages(), count) if isinstance(m, Message)]


def fields_of(message: Message) -> dict[str, Any]:
    reader = json.loads if message.content_type == "application/json" else cbor2.loads
    fields: dict[str, Any] = reader(message.payload)
    for name in ("up", "down"):
        if isinstance(fields.get(name), cbor2.CBORTag):
            fields[name] = np.frombuffer(
                fields[name].value, {69: "<u2", 70: "<u4", 71: "<u8"}[fields[name].tag]
            ).tolist()
    return fields


@pytest.mark.parametrize("encoding", Encoding)
@pytest.mark.parametrize("delta", [False, True])
@pytest.mark.parametrize("known", [False, True])
def test_a_batch_holds_the_fields_of_the_contract(encoding: Encoding, *, delta: bool, known: bool) -> None:
    sender = device(
        encoding=encoding,
        delta=delta,
        integer_time=known,
        sends_direction=known,
        sends_temperature=known,
        sends_load=known,
        sends_on_time=known,
        device_id="cap" if known else "",
    )
    (message,) = messages(sender, 1)
    fields = fields_of(message)
    assert message.topic == "linklag/v1/d1/pulses"
    assert message.retain is False
    assert message.content_type == ("application/json" if encoding is Encoding.JSON else "application/cbor")
    assert set(fields) >= NEEDED
    assert set(fields) <= NEEDED | OPTIONAL
    assert fields["v"] == 1
    assert fields["seq"] == 0
    assert fields["t0"] == (START_NS // 1000 if known else "2025-11-25T08:15:00.123456Z")
    assert fields["span_ticks"] * fields["tick_ns"] == 2_000_000_000
    for name in ("up", "down"):
        ticks = np.cumsum(fields[name]) if delta else np.array(fields[name])
        assert len(ticks) > 140
        assert ticks[0] >= 0
        assert ticks[-1] <= fields["span_ticks"]
        assert np.all(np.diff(ticks) >= 0)


def test_delta_and_plain_hold_the_same_pulses() -> None:
    plain, delta = (fields_of(messages(device(delta=on), 1)[0]) for on in (False, True))
    assert np.cumsum(delta["up"]).tolist() == plain["up"]
    assert np.cumsum(delta["down"]).tolist() == plain["down"]
    assert delta["delta"] is True


def test_windows_follow_each_other_without_a_gap_and_are_numbered() -> None:
    sender, whole = device(), drive().run(20.0)
    windows = list(itertools.islice(sender.windows(), 10))
    assert [w.seq for w in windows] == list(range(10))
    assert [w.due_s for w in windows] == pytest.approx(np.arange(2.0, 22.0, 2.0))
    ticks = [(w.t0_ns - START_NS) // 1000 + w.pulses.up_ticks for w in windows]
    assert np.concatenate(ticks).tolist() == whole.up_ticks.tolist()


def test_a_stopped_drive_is_a_batch_without_pulses() -> None:
    fields = fields_of(messages(device(drive(motion=Motion.constant(0.0))), 1)[0])
    assert fields["up"] == fields["down"] == []
    assert fields["span_ticks"] == 2_000_000


def test_the_direction_is_sent_by_devices_that_know_it() -> None:
    back = fields_of(messages(device(drive(motion=Motion.constant(-1.0)), sends_direction=True), 1)[0])
    assert back["dir"] == -1


def test_temperatures_and_load_are_those_of_the_surroundings() -> None:
    around = Surroundings(chain_c=60, mount_c=31, load_n=1500)
    fields = fields_of(
        messages(device(drive(surroundings=around), sends_temperature=True, sends_load=True), 1)[0]
    )
    assert (fields["temp_c"], fields["mount_c"], fields["load_n"]) == (60.0, 31.0, 1500)


def test_how_long_a_joint_keeps_a_sensor_on_is_its_width_over_the_speed() -> None:
    """6.4 mm at 1 m/s are 6400 us, however many joints are missed."""
    wide, narrow = Sensor(target_mm=6.4, missed=0.1), Sensor(target_mm=4.0)
    fields = fields_of(messages(device(drive(up=wide, down=narrow), sends_on_time=True), 1)[0])
    assert fields["up_on_us"] == pytest.approx(6400, rel=0.02)
    assert fields["down_on_us"] == pytest.approx(4000, rel=0.02)
    for still in (drive(motion=Motion.constant(0.0)), drive(up=Sensor(silent_from_s=0))):
        (message,) = messages(device(still, sends_on_time=True), 1)
        assert not ON_TIMES & set(fields_of(message))


def test_the_lag_form_states_period_and_lag_of_an_even_number_of_joints() -> None:
    perfect = Sensor(repeatability_mm=0.0)
    (message,) = messages(device(drive(up=perfect, down=perfect), reduced=True), 1)
    fields = fields_of(message)
    assert message.topic == "linklag/v1/d1/lag"
    assert set(fields) == LAG_FIELDS
    assert fields["span_ms"] == 2000
    assert fields["count"] % 2 == 0
    assert fields["count"] > 120
    assert fields["period_us"] == pytest.approx(PITCH_MM * 1.01 * 1000, rel=1e-3)
    assert 0 <= fields["lag_us"] < fields["period_us"]
    assert fields["lag_us"] / fields["period_us"] == pytest.approx(24.2 / 1.01 % 1, abs=0.02)


def test_the_lag_form_of_a_stopped_drive_counts_no_pairs() -> None:
    fields = fields_of(messages(device(drive(motion=Motion.constant(0.0)), reduced=True), 1)[0])
    assert (fields["count"], fields["period_us"], fields["lag_us"]) == (0, 0.0, 0.0)


def test_a_restart_loses_a_window_and_counts_from_zero_again() -> None:
    sender = device(trouble=Trouble(restarts_s=(5.0,)))
    windows = list(itertools.islice(sender.windows(), 5))
    assert [w.seq for w in windows] == [0, 1, 0, 1, 2]
    assert [w.due_s for w in windows] == pytest.approx([2.0, 4.0, 8.0, 10.0, 12.0])
    events = list(itertools.islice(device(trouble=Trouble(restarts_s=(5.0,))).messages(), 6))
    assert [e.up for e in events if isinstance(e, Connection)] == [False, True]
    assert [e.due_s for e in events] == sorted(e.due_s for e in events)


def test_a_redelivered_batch_is_the_same_bytes_again() -> None:
    sent = messages(device(trouble=Trouble(redelivered=1.0)), 8)
    assert sent[0].payload == sent[1].payload
    assert len({m.payload for m in sent}) == 4


def test_a_backlog_is_held_while_offline_and_sent_in_order_afterwards() -> None:
    sender = device(trouble=Trouble(offline_s=((3.0, 9.0),)))
    events = list(itertools.islice(sender.messages(), 8))
    assert [e.due_s for e in events] == pytest.approx([2, 3, 9, 9, 9, 9, 10, 12])
    seqs = [fields_of(e)["seq"] for e in events if isinstance(e, Message)]
    assert seqs == [0, 1, 2, 3, 4, 5]


def test_clock_faults_shift_the_start_of_a_batch_and_nothing_else() -> None:
    faults = (ClockFault(from_s=2.0, to_s=4.0, shift_s=3600), ClockFault(from_s=6.0, shift_s=-1e9))
    right = list(itertools.islice(device().windows(), 5))
    wrong = list(itertools.islice(device(trouble=Trouble(clock=faults)).windows(), 5))
    shifts = [(b.t0_ns - a.t0_ns) / 1e9 for a, b in zip(right, wrong, strict=True)]
    assert shifts == [0, 3600, 0, -1e9, -1e9]
    assert [w.pulses.up_ticks.tolist() for w in right] == [w.pulses.up_ticks.tolist() for w in wrong]
    year = datetime.fromtimestamp(wrong[4].t0_ns / 1e9, UTC).year
    assert year < 2000
    assert fields_of(device().write(wrong[4]))["t0"].startswith(f"{year}-")


def test_garbage_comes_between_the_batches_and_spoils_none() -> None:
    sent = messages(device(trouble=Trouble(garbage=1.0)), 60)
    assert [fields_of(m)["seq"] for m in sent[::2]] == list(range(30))
    assert len({m.payload for m in sent[1::2]}) > 5


def test_birth_and_will_are_retained_and_say_online() -> None:
    sender = device(device_id="cap-1")
    birth, will = sender.status(online=True), sender.status(online=False)
    assert birth.retain
    assert will.retain
    assert birth.topic == will.topic == "linklag/v1/d1/status"
    assert json.loads(birth.payload) == {
        "v": 1,
        "online": True,
        "dev": "cap-1",
        "window_ms": 2000,
        "tick_ns": 1000,
    }
    assert json.loads(will.payload) == {"v": 1, "online": False}


def test_a_window_out_of_reason_is_refused() -> None:
    with pytest.raises(ValueError, match="window"):
        device(window_s=0)
