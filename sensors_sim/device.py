"""A capture device: cuts the pulses of a drive into windows, numbers them, writes them by the wire contract.

Knows the contract's fields and everything that may go wrong between the sensors and the broker. Must not know MQTT:
it says what is to be sent and when; sending is the publisher's.
"""

import heapq
import itertools
import math
from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime

import numpy as np

from sensors_sim.drive import Pulses, SimulatedDrive
from sensors_sim.encoding import CONTENT_TYPES, Encoding, Value, encode

_BOOT_S = 3.0  # from a restart until the device is on the broker again


@dataclass(frozen=True, slots=True, kw_only=True)
class ClockFault:
    """From `from_s` to `to_s` of the run the device's clock is off by `shift_s`."""

    from_s: float
    to_s: float = math.inf
    shift_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Trouble:
    """What goes wrong between the sensors and the broker.

    `restarts_s`: the device starts anew at these times, loses the window it was in, and counts from 0 again.
    `offline_s`: (from, to) times without network; windows are held and sent afterwards, in order.
    `redelivered`: probability that a batch is sent a second time. `garbage`: probability that a window is followed by
    a message that is no batch. `clock`: faults of the clock.
    """

    restarts_s: tuple[float, ...] = ()
    offline_s: tuple[tuple[float, float], ...] = ()
    redelivered: float = 0.0
    garbage: float = 0.0
    clock: tuple[ClockFault, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Window:
    """One batch before it is written: the pulses, its number, and when it is due (seconds into the run)."""

    seq: int
    t0_ns: int  # as the device's clock has it
    due_s: float
    pulses: Pulses


@dataclass(frozen=True, slots=True, kw_only=True)
class Message:
    """What the device sends. `due_s`: seconds into the run."""

    due_s: float
    topic: str
    payload: bytes
    content_type: str
    retain: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Connection:
    """The device loses its connection without saying good-bye (network gone, restart), or has it back."""

    due_s: float
    up: bool


@dataclass(kw_only=True)
class Device:
    """One capture device on one drive.

    `window_s`: of each batch, cut without a gap. `reduced`: sends the `lag` form, as a PLC without room for arrays.
    `delta`: sends differences of ticks. `integer_time`: t0 as microseconds since 1970.
    `sends_*`: which of the optional fields it knows.
    """

    drive: SimulatedDrive
    drive_id: str
    device_id: str = ""
    root: str = "linklag/v1"
    window_s: float = 5.0
    encoding: Encoding = Encoding.JSON
    big_endian: bool = False
    delta: bool = False
    reduced: bool = False
    integer_time: bool = False
    sends_span: bool = True
    sends_direction: bool = False
    sends_temperature: bool = False
    sends_load: bool = False
    sends_on_time: bool = False
    trouble: Trouble = field(default_factory=Trouble)
    seed: int = 0

    def __post_init__(self) -> None:
        if not 0.01 <= self.window_s <= 3600:
            raise ValueError("give a window of 0.01 s to 3600 s (1 s to 60 s is usual)")
        self._rng = np.random.default_rng((self.seed, 5))

    def windows(self) -> Iterator[Window]:
        """Yield window after window, for ever: seamless, numbered from 0, anew after each restart."""
        seq, restarts = 0, sorted(self.trouble.restarts_s, reverse=True)
        while True:
            pulses = self.drive.run(self.window_s)
            end_s = self.drive.now_s
            if restarts and restarts[-1] <= end_s:
                restarts.pop()
                seq = 0
                continue
            t0_ns = pulses.t0_ns + self._clock_shift_ns(end_s - self.window_s)
            yield Window(seq=seq, t0_ns=t0_ns, due_s=end_s, pulses=pulses)
            seq += 1

    def messages(self) -> Iterator[Message | Connection]:
        """Yield all that the device sends, in the order in which it is due, for ever."""
        waiting: list[tuple[float, int, Message | Connection]] = []
        count = itertools.count()
        for from_s, to_s in self._away_s():
            heapq.heappush(waiting, (from_s, next(count), Connection(due_s=from_s, up=False)))
            heapq.heappush(waiting, (to_s, next(count), Connection(due_s=to_s, up=True)))
        for window in self.windows():
            while waiting and waiting[0][0] < window.due_s:
                yield heapq.heappop(waiting)[2]
            for message in self._of(window):
                heapq.heappush(waiting, (message.due_s, next(count), message))

    def write(self, window: Window) -> Message:
        """Return the window as a message."""
        fields = self.lag_fields(window) if self.reduced else self.pulse_fields(window)
        return Message(
            due_s=self._sent_s(window.due_s),
            topic=f"{self.root}/{self.drive_id}/{'lag' if self.reduced else 'pulses'}",
            payload=encode(fields, self.encoding, big_endian=self.big_endian),
            content_type=CONTENT_TYPES[self.encoding],
        )

    def status(self, *, online: bool) -> Message:
        """Return the birth, or the last will (online False), both retained."""
        fields: dict[str, Value] = {"v": 1, "online": online}
        if online:
            fields |= {
                "dev": self.device_id,
                "window_ms": round(self.window_s * 1000),
                "tick_ns": self.drive.tick_ns,
            }
        topic = f"{self.root}/{self.drive_id}/status"
        payload = encode(fields, Encoding.JSON)
        return Message(due_s=0.0, topic=topic, payload=payload, content_type="application/json", retain=True)

    def pulse_fields(self, window: Window) -> dict[str, Value]:
        """Return the fields of the `pulses` form."""
        pulses = window.pulses
        fields = self._common_fields(window) | {"tick_ns": pulses.tick_ns}
        if self.sends_span:
            fields["span_ticks"] = pulses.span_ticks
        up, down = pulses.up_ticks, pulses.down_ticks
        if self.delta:
            fields["delta"] = True
            up, down = np.diff(up, prepend=0), np.diff(down, prepend=0)
        fields |= {"up": up, "down": down}
        return fields | self._on_times_us(pulses) | self._optional_fields(window)

    def _on_times_us(self, pulses: Pulses) -> dict[str, Value]:
        """Return how long a joint keeps each sensor on: its width at the speed of the middle one of all intervals.

        Nothing where there is no interval: a chain that stands.
        """
        if not self.sends_on_time or min(len(pulses.up_ticks), len(pulses.down_ticks)) < 2:
            return {}
        pitch_mm, to_us = self.drive.chain.pitch_mm, pulses.tick_ns / 1000
        found: dict[str, Value] = {}
        for name, sensor, ticks in (
            ("up_on_us", self.drive.up, pulses.up_ticks),
            ("down_on_us", self.drive.down, pulses.down_ticks),
        ):
            found[name] = round(sensor.target_mm / pitch_mm * float(np.median(np.diff(ticks))) * to_us, 1)
        return found

    def lag_fields(self, window: Window) -> dict[str, Value]:
        """Return the fields of the `lag` form: mean period and mean lag over an even number of joints.

        Plain arithmetic, as a PLC does it: from each `up` pulse to the next pulse of `up` and to the next of `down`.
        A window with fewer than two pairs is sent with zeros.
        """
        pulses = window.pulses
        up, down = pulses.up_ticks, pulses.down_ticks
        after = np.searchsorted(down, up, side="right")
        pairs = min(int(np.count_nonzero(after < len(down))), len(up) - 1) // 2 * 2
        period_us = lag_us = sd_us = 0.0
        if pairs >= 2:
            to_us = pulses.tick_ns / 1000
            lags = (down[after[:pairs]] - up[:pairs]) * to_us
            period_us = float(up[pairs] - up[0]) / pairs * to_us
            lag_us, sd_us = float(lags.mean()) % period_us, float(lags.std(ddof=1))
        fields = self._common_fields(window) | {
            "span_ms": round(pulses.span_ticks * pulses.tick_ns / 1e6),
            "period_us": round(period_us, 2),
            "lag_us": round(lag_us, 2),
            "count": max(pairs, 0),
            "sd_us": round(sd_us, 2),
        }
        return fields | self._optional_fields(window)

    def _common_fields(self, window: Window) -> dict[str, Value]:
        t0_us = window.t0_ns // 1000
        return {"v": 1, "seq": window.seq, "t0": t0_us if self.integer_time else _rfc3339(t0_us)}

    def _optional_fields(self, window: Window) -> dict[str, Value]:
        fields: dict[str, Value] = {}
        if self.sends_direction:
            fields["dir"] = -1 if window.pulses.true_speed_m_s < 0 else 1
        around, middle_s = self.drive.surroundings, window.due_s - self.window_s / 2
        if self.sends_temperature:
            fields["temp_c"] = round(around.temperature_c(middle_s), 1)
            fields["mount_c"] = round(around.mount_temperature_c(middle_s), 1)
        if self.sends_load:
            fields["load_n"] = round(around.tension_n(middle_s))
        if self.device_id:
            fields["dev"] = self.device_id
        return fields

    def _of(self, window: Window) -> Iterator[Message]:
        """Yield the messages that a window gives rise to: itself, perhaps once more, perhaps some garbage."""
        message = self.write(window)
        yield message
        if self._rng.random() < self.trouble.redelivered:
            yield replace(message, due_s=message.due_s + 0.3)
        if self._rng.random() < self.trouble.garbage:
            yield replace(message, due_s=message.due_s + 0.2, payload=self._garbage(message.payload))

    def _garbage(self, payload: bytes) -> bytes:
        """Return something that is no batch, as firmware with a fault sends it."""
        kinds = (
            b"",
            b"ERR 17 buffer overrun",
            payload[: len(payload) // 2],
            self._rng.bytes(40),
            payload.replace(b'"v":1', b'"v":9', 1),
            b'{"v":1,"seq":3,"t0":"yesterday","up":[1,2],"down":[1,2]}',
            b'{"v":1,"seq":4,"t0":"2026-01-01T00:00:00Z","up":[50,20],"down":[60]}',
        )
        return kinds[int(self._rng.integers(len(kinds)))]

    def _away_s(self) -> list[tuple[float, float]]:
        """Return when the device has no connection: (from, to)."""
        return [*((at_s, at_s + _BOOT_S) for at_s in self.trouble.restarts_s), *self.trouble.offline_s]

    def _sent_s(self, due_s: float) -> float:
        """Return when a message that is due can be sent: at once, or when the connection is back."""
        return max((to_s for from_s, to_s in self._away_s() if from_s <= due_s < to_s), default=due_s)

    def _clock_shift_ns(self, at_s: float) -> int:
        return sum(
            round(fault.shift_s * 1e9) for fault in self.trouble.clock if fault.from_s <= at_s < fault.to_s
        )


def _rfc3339(t_us: int) -> str:
    """Return an instant, microseconds since 1970, as RFC 3339 text in UTC."""
    seconds, microseconds = divmod(t_us, 1_000_000)
    return f"{datetime.fromtimestamp(seconds, UTC):%Y-%m-%dT%H:%M:%S}.{microseconds:06d}Z"
