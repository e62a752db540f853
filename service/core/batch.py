"""One pulse batch: what a capture device saw over one stretch of time, on one clock.

Knows the fields of the wire contract after decoding; must not know how they were encoded (`wire`)
nor what they mean for the chain (`lag` and after).
"""

from dataclasses import dataclass
from enum import StrEnum

import numpy as np
import numpy.typing as npt

Ticks = npt.NDArray[np.int64]

PULSES_MAX = 100_000  # of one sensor in one batch; more is refused (wire contract)
PAYLOAD_BYTES_MAX = 1024 * 1024  # larger payloads are refused before they are decoded (wire contract)
KEPT_PAYLOAD_BYTES_MAX = 64 * 1024  # so much of a refused payload is kept for people to see
WINDOW_NS_MAX = 3_600_000_000_000
WINDOW_S_MAX = 3600.0  # a batch over a longer stretch is stored without a number (1 s to 60 s is usual)


class RejectionReason(StrEnum):
    """Why a message could not become a batch, or a batch could not be taken."""

    NOT_PARSEABLE = "not_parseable"  # neither the JSON nor the CBOR of the contract
    NOT_V1 = "not_v1"  # "v" is missing or is not 1
    FIELD_INVALID = "field_invalid"  # a field is missing, of the wrong type or out of its range
    TOO_LARGE = "too_large"  # over 1 MiB, or over 100 000 pulses of one sensor
    TICKS_BACKWARDS = "ticks_backwards"  # the ticks of a sensor go backwards
    CLOCK_OFF = "clock_off"  # t0 lies over 10 min ahead of now, or before 2000
    WRONG_TOPIC = "wrong_topic"  # the drive's level of the topic is no valid drive id
    UNREGISTERED = "unregistered"  # nobody has registered this drive
    TOO_OFTEN = "too_often"  # not read: the drive sends more than its own time accounts for
    STORE_REFUSED = "store_refused"  # the store does not take its reading, and says why
    LINKLAG_FAULT = "linklag_fault"  # a fault of ours: nothing is known to be wrong with the message


@dataclass(frozen=True, slots=True, kw_only=True)
class Rejection:
    """What could not be used, with its reason and the payload, so that people can see it.

    `detail` says to a person what was found and what would mend it.
    `drive_id` is the drive's level of the topic as it came (it may be no valid id).
    """

    drive_id: str
    topic: str
    reason: RejectionReason
    detail: str
    payload: bytes  # at most KEPT_PAYLOAD_BYTES_MAX, cut at the end
    payload_bytes: int  # length as it came
    received_ns: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Reduced:
    """The `lag` form: a batch that the device has already reduced to mean period and mean lag, microseconds."""

    period_us: float
    lag_us: float
    count: int  # pulse pairs averaged
    sd_us: float  # standard deviation of one pair


@dataclass(frozen=True, slots=True, kw_only=True)
class Batch:
    """One pulse batch of one drive.

    `up`, `down`: shape (n,) and (m,), int64 ticks since t0, non-decreasing; empty for a stopped drive.
    `reduced` is set for the `lag` form only; `up` and `down` are empty then.
    (drive_id, device_id, t0_ns, seq) identifies the batch: the same four are the same batch sent again.
    """

    drive_id: str
    seq: int
    t0_ns: int  # UTC instant of tick 0, nanoseconds since 1970
    tick_ns: int
    up: Ticks
    down: Ticks
    span_ns: int | None  # length of the window, where the device sent it
    direction: int = 1  # 1 forward, -1 reverse
    temp_c: float | None = None  # of the chain
    mount_c: float | None = None  # of the sensor mount
    load_n: float | None = None  # tension in the measured strand
    device_id: str = ""
    reduced: Reduced | None = None
    up_on_us: float | None = None  # how long a joint kept `up` on, mean over the window
    down_on_us: float | None = None  # the same of `down`

    @property
    def end_ns(self) -> int:
        """The instant at which the window ends: after its span if sent, else at its last pulse."""
        span_ns = self.span_ns
        if span_ns is None:
            up_last = int(self.up[-1]) if len(self.up) else 0
            down_last = int(self.down[-1]) if len(self.down) else 0
            span_ns = max(up_last, down_last) * self.tick_ns
        return self.t0_ns + min(span_ns, WINDOW_NS_MAX)
