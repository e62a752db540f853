"""A pulse batch for a microcontroller: stamps both sensors from interrupts and writes the batch as CBOR (RFC 8949).

Runs under MicroPython and under CPython, and needs `array`, `struct` and `time` alone. Knows the fields of WIRE.md; must not
know how bytes travel. Rules for the next editor:

- `on_up` and `on_down` run in interrupts: no allocation, no exception, no call that may do either.
- All RAM is taken once, by the constructor of `Capture`: two batches of 8 bytes a pulse and the buffer that they are written to.
- Ticks are microseconds since the window began, by one counter for both sensors. `ticks_diff` hides that `time.ticks_us`
  wraps, as long as a window is shorter than half its period (2^29 us, 9 min).
- batch_encoder.c writes the same bytes; a test holds one to the other.

On a board (a sketch: no board was there to run it on):

    capture = Capture(pulses_max=600)
    Pin(14, Pin.IN).irq(capture.on_up, Pin.IRQ_RISING, hard=True)
    Pin(15, Pin.IN).irq(capture.on_down, Pin.IRQ_RISING, hard=True)
    while True:
        time.sleep_ms(1000)
        payload = bytes(capture.take(seq, utc_us()))
        client.publish(topic, payload, qos=1)  # until its PUBACK has come, send this very payload again
"""

import struct
import time
from array import array

BYTES_BESIDE_PULSES = 256  # all the rest of a batch is shorter than this
DEV_BYTES_MAX = 64
_UINT16_LE = 69  # tags of RFC 8746, 2.1: arrays of unsigned integers, little endian
_UINT32_LE = 70

_ticks_us = getattr(time, "ticks_us", None)
_ticks_diff = getattr(time, "ticks_diff", None)


def now_ticks() -> int:
    """Return the counter that pulses are stamped with, in microseconds. Under MicroPython it wraps."""
    return _ticks_us() if _ticks_us else time.monotonic_ns() // 1000


def ticks_from(begin: int, now: int) -> int:
    """Return the microseconds from one value of the counter to a later one."""
    return _ticks_diff(now, begin) if _ticks_diff else now - begin


class Batch:
    """What one window brought. Where a value is None, or `dev` empty, the field is left out."""

    def __init__(self, pulses_max: int) -> None:
        """An empty batch with room for so many pulses of each sensor."""
        self.up = array("I", bytes(4 * pulses_max))  # ticks of 1 us since t0, non-decreasing
        self.down = array("I", bytes(4 * pulses_max))
        self.up_count = 0
        self.down_count = 0
        self.begin = 0  # what the counter said at t0
        self.seq = 0
        self.t0_us = 0  # UTC, microseconds since 1970
        self.span_ticks = 0
        self.direction = 1
        self.temp_c: float | None = None
        self.mount_c: float | None = None
        self.load_n: float | None = None
        self.dev = ""


class Capture:
    """Both sensors of one drive. While one batch is written and sent, pulses go into the other."""

    def __init__(self, pulses_max: int, dev: str = "") -> None:
        """Take all RAM that will be needed, and begin the first window.

        Args:
            pulses_max: of each sensor in a window: joints a second times seconds, and a half more.
            dev: the device's own id, needed only where two devices serve one drive in turn.
        """
        if pulses_max < 1 or len(dev.encode()) > DEV_BYTES_MAX:
            raise ValueError("pulses_max must be 1 or more, and dev no longer than 64 bytes")
        self.lost = 0  # pulses that found no room; linklag counts them as missed by the sensor
        self._pulses_max = pulses_max
        self._buffer = bytearray(8 * pulses_max + BYTES_BESIDE_PULSES)
        self._batch = Batch(pulses_max)
        self._other = Batch(pulses_max)
        self._batch.dev = self._other.dev = dev
        self._batch.begin = now_ticks()

    def on_up(self, _pin: object = None) -> None:
        """Interrupt: the sensor switched on that a joint passes first."""
        batch = self._batch
        if batch.up_count < self._pulses_max:
            batch.up[batch.up_count] = ticks_from(batch.begin, now_ticks())
            batch.up_count += 1
        else:
            self.lost += 1

    def on_down(self, _pin: object = None) -> None:
        """Interrupt: the sensor switched on that a joint passes second."""
        batch = self._batch
        if batch.down_count < self._pulses_max:
            batch.down[batch.down_count] = ticks_from(batch.begin, now_ticks())
            batch.down_count += 1
        else:
            self.lost += 1

    def take(self, seq: int, utc_us: int) -> memoryview:
        """End the window, begin the next, and return the ended one as bytes, which stand until the next call.

        Args:
            seq: number of this batch, one more than of the last.
            utc_us: UTC now, microseconds since 1970; the error of the clock moves the batch in time and nothing else.
        """
        done, fresh = self._batch, self._other
        fresh.up_count = fresh.down_count = 0
        fresh.begin = now_ticks()
        self._batch = fresh  # from here on interrupts fill the other one
        self._other = done
        done.span_ticks = ticks_from(done.begin, fresh.begin)
        done.t0_us = utc_us - done.span_ticks
        done.seq = seq
        return memoryview(self._buffer)[: encode_into(self._buffer, done)]


def encode_into(buffer: bytearray, batch: Batch) -> int:
    """Write the batch to the front of the buffer as one CBOR map; return how many bytes that took.

    The buffer needs 4 bytes a pulse of either sensor and BYTES_BESIDE_PULSES more. Raises ValueError where it is smaller,
    and for numbers out of range. That ticks do not step back is the counter's business, and is not checked here.
    """
    longest = max(batch.up_count, batch.down_count)
    if len(buffer) < 4 * (batch.up_count + batch.down_count) + BYTES_BESIDE_PULSES:
        raise ValueError("the buffer is too small for so many pulses")
    if longest > 100_000 or batch.seq < 0 or batch.t0_us < 0 or batch.direction not in (1, -1):
        raise ValueError("over 100000 pulses a sensor, a number below 0, or a direction other than 1 and -1")
    last = max(_last(batch.up, batch.up_count), _last(batch.down, batch.down_count))
    optional = (("temp_c", batch.temp_c), ("mount_c", batch.mount_c), ("load_n", batch.load_n))
    fields = 6 + sum(value is not None for _, value in optional) + (batch.direction < 0) + bool(batch.dev)
    at = _head(buffer, 0, 5, fields)
    at = _number(buffer, at, "v", 1)
    at = _number(buffer, at, "seq", batch.seq)
    at = _number(buffer, at, "t0", batch.t0_us)
    # A pulse that came while the batches were swapped lies after the end: the window then reaches to it.
    at = _number(buffer, at, "span_ticks", max(batch.span_ticks, last))
    at = _ticks(buffer, _text(buffer, at, "up"), batch.up, batch.up_count)
    at = _ticks(buffer, _text(buffer, at, "down"), batch.down, batch.down_count)
    if batch.direction < 0:
        at = _head(buffer, _text(buffer, at, "dir"), 1, 0)  # -1
    for name, value in optional:
        if value is not None:
            at = _float(buffer, _text(buffer, at, name), value)
    if batch.dev:
        at = _text(buffer, _text(buffer, at, "dev"), batch.dev)
    return at


def _last(ticks: "array[int]", count: int) -> int:
    return ticks[count - 1] if count else 0


def _head(buffer: bytearray, at: int, major: int, argument: int) -> int:
    """Write the first bytes of an item: its kind and its argument in the shortest form (RFC 8949, 3 and 4.2.1)."""
    major <<= 5
    if argument < 24:
        buffer[at] = major | argument
        return at + 1
    if argument < 1 << 8:
        struct.pack_into(">BB", buffer, at, major | 24, argument)
        return at + 2
    if argument < 1 << 16:
        struct.pack_into(">BH", buffer, at, major | 25, argument)
        return at + 3
    if argument < 1 << 32:
        struct.pack_into(">BI", buffer, at, major | 26, argument)
        return at + 5
    struct.pack_into(">BQ", buffer, at, major | 27, argument)
    return at + 9


def _text(buffer: bytearray, at: int, text: str) -> int:
    content = text.encode()
    at = _head(buffer, at, 3, len(content))
    buffer[at : at + len(content)] = content
    return at + len(content)


def _number(buffer: bytearray, at: int, name: str, value: int) -> int:
    return _head(buffer, _text(buffer, at, name), 0, value)


def _float(buffer: bytearray, at: int, value: float) -> int:
    struct.pack_into(">Bd", buffer, at, 0xFB, value)
    return at + 9


def _ticks(buffer: bytearray, at: int, ticks: "array[int]", count: int) -> int:
    """Write ticks as a typed array of the narrower width that holds the last, which is the greatest."""
    narrow = _last(ticks, count) < 1 << 16
    width, form = (2, "<H") if narrow else (4, "<I")
    at = _head(buffer, at, 6, _UINT16_LE if narrow else _UINT32_LE)
    at = _head(buffer, at, 2, width * count)
    for n in range(count):
        struct.pack_into(form, buffer, at, ticks[n])
        at += width
    return at
