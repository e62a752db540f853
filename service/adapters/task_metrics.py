"""Metrics of what processes share, for Prometheus: how each route of deliveries gets on, and which process does what.

Read from the store when asked for. Knows the library and the ports; must not know what is delivered.
"""

import time
from collections import Counter
from collections.abc import Callable, Iterable, Sequence
from wsgiref.simple_server import WSGIServer

import structlog
from prometheus_client import CollectorRegistry, start_http_server
from prometheus_client.core import CounterMetricFamily, GaugeMetricFamily, Metric

from service.ports import Delivery, Leases, Outbox, StoreUnavailableError

Value = Callable[[Delivery, int], float]

_OF_ROUTE: tuple[tuple[str, str, Value], ...] = (
    ("waiting", "Events on their way along the route", lambda each, _: each.waiting),
    ("held", "Events of these that were refused themselves", lambda each, _: each.held),
    ("failures", "Failures in a row of the way as a whole", lambda each, _: each.failures),
    ("off", "1 where the endpoint said that it is gone", lambda each, _: float(bool(each.off_why))),
    (
        "oldest_seconds",
        "Age of the oldest event that waits",
        lambda each, now_ns: 0.0 if each.oldest_ns is None else max(0.0, (now_ns - each.oldest_ns) / 1e9),
    ),
)

log = structlog.get_logger(__name__)


class TaskCollector:
    """Collects from a store at each scrape. While it is out of reach there are no samples of it but `linklag_store_up` 0."""

    def __init__(
        self,
        outbox: Outbox,
        leases: Leases,
        tasks: Callable[[], Iterable[tuple[str, Sequence[str]]]],
        *,
        now_ns: Callable[[], int] = time.time_ns,
    ) -> None:
        """tasks: what there is to do, by kind."""
        self._outbox, self._leases, self._tasks, self._now_ns = outbox, leases, tasks, now_ns

    def collect(self) -> Iterable[Metric]:
        """Yield all metric families."""
        try:
            deliveries, (_, leases) = self._outbox.deliveries(), self._leases.look()
            tasks = dict(self._tasks())
        except StoreUnavailableError as fault:
            log.warning("metrics_without_store", fault=str(fault))
            yield GaugeMetricFamily("linklag_store_up", "Whether the store can be read", value=0)
            return
        yield GaugeMetricFamily("linklag_store_up", "Whether the store can be read", value=1)
        yield from _of_routes(deliveries, self._now_ns())
        yield from _of_tasks(tasks, {each.task: each.holder for each in leases})


def _of_routes(deliveries: Sequence[Delivery], now_ns: int) -> Iterable[Metric]:
    for name, words, value in _OF_ROUTE:
        family = GaugeMetricFamily(f"linklag_delivery_{name}", words, labels=["route"])
        for each in deliveries:
            family.add_metric([each.route_id], value(each, now_ns))
        yield family
    sent = CounterMetricFamily("linklag_delivery_sent", "Events that arrived", labels=["route"])
    for each in deliveries:
        sent.add_metric([each.route_id], each.sent)
    yield sent


def _of_tasks(tasks: dict[str, Sequence[str]], held: dict[str, str]) -> Iterable[Metric]:
    holding = GaugeMetricFamily(
        "linklag_tasks_held", "Tasks of a kind that a process does", labels=["kind", "process"]
    )
    nobody = GaugeMetricFamily(
        "linklag_tasks_without", "Tasks of a kind that no process does", labels=["kind"]
    )
    for kind, names in sorted(tasks.items()):
        by = Counter(held[name] for name in names if name in held)
        for process, count in sorted(by.items()):
            holding.add_metric([kind, process], count)
        nobody.add_metric([kind], len(names) - sum(by.values()))
    yield holding
    yield nobody


def serve_metrics(host: str, port: int, registry: CollectorRegistry) -> WSGIServer:
    """Return a server that answers with a registry's metrics, in threads of its own, until its `shutdown`. Raises OSError."""
    server, _ = start_http_server(port, host, registry)
    return server
