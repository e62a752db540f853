"""What the service says of a drive to others on the broker: topics and retained payloads.

Knows the contract's outgoing topics and how a reading is written there; must not know who publishes it, nor when.
"""

import msgspec

from service.core.instant import format_rfc3339
from service.core.reading import Reading


def elongation_topic(root: str, drive_id: str) -> str:
    """Return the topic of a drive's newest reading; published retained, QoS 1."""
    return f"{root}/{drive_id}/elongation"


def alerts_topic(root: str, drive_id: str) -> str:
    """Return the topic of a drive's standing alerts; published retained, QoS 1."""
    return f"{root}/{drive_id}/alerts"


def events_topic(root: str, drive_id: str) -> str:
    """Return the topic of all that happens to a drive's alerts, as CloudEvents; published QoS 1, not retained."""
    return f"{root}/{drive_id}/events"


def documents_topic(root: str) -> str:
    """Return the topic of documents that are of no one drive, such as handovers; as `events_topic`."""
    return f"{root}/documents"


class ElongationFields(msgspec.Struct, kw_only=True):
    """The `elongation` payload. Null where the batch could not give the value; every field is always there."""

    v: int = 1
    t: str  # end of the window, RFC 3339
    elongation_pct: float | None
    u_pct: float | None  # standard uncertainty (k = 1)
    limit_pct: float | None
    reason: str | None  # why there is no elongation
    speed_m_s: float | None
    pitches_between: float | None
    lag_pitches: float | None
    coherence: float | None
    pitches_averaged: int
    whole_laps: int
    up_pulses: int
    down_pulses: int
    up_missed: int
    down_missed: int
    up_extra: int
    down_extra: int
    temp_c: float | None
    mount_c: float | None
    load_n: float | None
    chain: str | None
    dev: str
    t0: str  # with dev and seq: which batch it came from
    seq: int


def elongation_payload(reading: Reading, limit_pct: float | None = None) -> bytes:
    """Return the UTF-8 JSON of `<root>/<drive>/elongation` for the newest reading of a drive.

    Figures are rounded well below their uncertainty: per cent to five places, pitches to six.

    Args:
        reading: measured or not; where not, elongation_pct is null and reason says why.
        limit_pct: the elongation at which this chain must be replaced, per cent; None where it isn't known.
    """
    return msgspec.json.encode(
        ElongationFields(
            t=format_rfc3339(reading.t_ns),
            elongation_pct=_rounded(reading.elongation_pct, 5),
            u_pct=_rounded(reading.elongation_u_pct, 5),
            limit_pct=limit_pct,
            reason=reading.reason,
            speed_m_s=_rounded(reading.speed_m_s, 5),
            pitches_between=_rounded(reading.pitches_between, 6),
            lag_pitches=_rounded(reading.lag_pitches, 6),
            coherence=_rounded(reading.coherence, 5),
            pitches_averaged=reading.pitches_averaged,
            whole_laps=reading.whole_laps,
            up_pulses=reading.up_pulses,
            down_pulses=reading.down_pulses,
            up_missed=reading.up_missed,
            down_missed=reading.down_missed,
            up_extra=reading.up_extra,
            down_extra=reading.down_extra,
            temp_c=reading.temp_c,
            mount_c=reading.mount_c,
            load_n=reading.load_n,
            chain=reading.chain_id,
            dev=reading.device_id,
            t0=format_rfc3339(reading.t0_ns),
            seq=reading.seq,
        )
    )


def _rounded(value: float | None, places: int) -> float | None:
    return None if value is None else round(value, places)
