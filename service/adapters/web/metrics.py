"""Metrics in the Prometheus text format, read from the store when asked for: there is no second bookkeeping.

What the worker counts in its own registry is put behind ours where both run in one process.
"""

from collections.abc import Callable, Iterable

from prometheus_client import CollectorRegistry, generate_latest
from prometheus_client.core import GaugeMetricFamily, Metric

from service.adapters.web.board import DriveState
from service.adapters.web.parts import Parts

Value = Callable[[DriveState, int], float | None]


def _elongation(state: DriveState, now_ns: int) -> float | None:
    del now_ns
    return state.measured.elongation_pct if state.measured else None


def _uncertainty(state: DriveState, now_ns: int) -> float | None:
    del now_ns
    return state.measured.elongation_u_pct if state.measured else None


def _measured_age(state: DriveState, now_ns: int) -> float | None:
    return max(0.0, (now_ns - state.measured.t_ns) / 1e9) if state.measured else None


# Name without prefix, help, value; a drive for which it is None has no sample.
_OF_DRIVE: tuple[tuple[str, str, Value], ...] = (
    (
        "elongation_percent",
        "Newest elongation of the chain on the drive, against nominal pitch",
        _elongation,
    ),
    ("elongation_standard_uncertainty_percent", "Its standard uncertainty, k = 1", _uncertainty),
    (
        "hand_elongation_percent",
        "Newest elongation by hand of the chain on the drive",
        lambda s, _: s.by_hand.elongation_pct if s.by_hand else None,
    ),
    (
        "hand_elongation_standard_uncertainty_percent",
        "Its standard uncertainty, k = 1",
        lambda s, _: s.by_hand.u_pct if s.by_hand else None,
    ),
    (
        "hand_age_seconds",
        "Age of the newest measurement by hand",
        lambda s, n: max(0.0, (n - s.by_hand.t_ns) / 1e9) if s.by_hand else None,
    ),
    ("limit_percent", "Elongation at which the chain must be replaced", lambda s, _: s.limit.limit_pct),
    ("limit_used_ratio", "Elongation over limit, by readings or else by hand", lambda s, _: s.used),
    ("reading_age_seconds", "Age of the newest reading, measured or not", lambda s, n: s.age_s(n)),
    ("measured_age_seconds", "Age of the newest reading with an elongation", _measured_age),
    (
        "speed_metres_per_second",
        "Chain speed of the newest reading",
        lambda s, _: s.reading.speed_m_s if s.reading else None,
    ),
    (
        "coherence_ratio",
        "How far all pulses of the newest reading agree on one lag, 0 to 1",
        lambda s, _: s.reading.coherence if s.reading else None,
    ),
)


class StoreCollector:
    """Collects from the parts of the app at each scrape."""

    def __init__(self, parts: Parts) -> None:
        self._parts = parts

    def collect(self) -> Iterable[Metric]:
        """Yield all metric families. Raises StoreUnavailableError."""
        parts = self._parts
        now_ns = parts.now_ns()
        states = parts.board.states(now_ns)
        for name, words, value in _OF_DRIVE:
            family = GaugeMetricFamily(f"linklag_{name}", words, labels=["drive"])
            for state in states:
                found = value(state, now_ns)
                if found is not None:
                    family.add_metric([state.drive.drive_id], found)
            yield family
        yield _sensing(states)
        yield GaugeMetricFamily("linklag_drives", "Drives on the board", value=len(states))
        sightings = len(parts.refused.sightings())
        yield GaugeMetricFamily("linklag_unregistered_drives", "Drives that publish unasked", value=sightings)
        yield GaugeMetricFamily("linklag_stream_clients", "Open live streams", value=parts.live.clients)


def _sensing(states: Iterable[DriveState]) -> Metric:
    family = GaugeMetricFamily(
        "linklag_sensing_state", "1 for the state of the sensing by NE 107", labels=["drive", "condition"]
    )
    for state in states:
        if state.health is not None:
            family.add_metric([state.drive.drive_id, state.health.status.value], 1)
    return family


def exposition(parts: Parts) -> bytes:
    """Return all metrics as text."""
    ours = CollectorRegistry(auto_describe=False)
    ours.register(StoreCollector(parts))
    text = generate_latest(ours)
    return text if parts.worker_registry is None else text + generate_latest(parts.worker_registry)
