"""What goes out, put together from the settings: for each route the notifier of its way.

Knows which adapter serves which way; must not know what is sent.
"""

import ssl
from collections.abc import Callable, Iterable

from service.adapters.database.connect import Database
from service.commands import CommandError
from service.commands.parts import broker_publisher
from service.core.alert import Alert
from service.core.route import Route, Way
from service.deliver import Deliver, DeliverPorts, Pace, Surroundings
from service.ports import Notifier, Outbox
from service.settings import Settings
from service.share_tasks import Task


def deliverer(
    settings: Settings,
    database: Database,
    surroundings: Surroundings | None = None,
    task_of: Callable[[str], tuple[Task, Outbox]] | None = None,
) -> Deliver:
    """Return the door, with what it needs from outside.

    Args:
        settings: broker, deliver, and the zone of the plant.
        database: the open store.
        surroundings: zones of sites and shifts; None: the plant's zone, and no shifts.
        task_of: see DeliverPorts.

    Raises CommandError where deliver.tls_ca_file holds no certificates.
    """
    zone = settings.web.zone_info
    set_ = settings.deliver
    return Deliver(
        DeliverPorts(
            alert_log=database.alert_log,
            outbox=database.outbox,
            register=database.register,
            notifier_for=Notifiers(settings, database).of,
            public_url=settings.web.public_url,
            task_of=task_of,
        ),
        pace=Pace(look_s=set_.look_s, first_wait_s=set_.first_wait_s, longest_wait_s=set_.longest_wait_s),
        surroundings=surroundings or Surroundings(zone_of=lambda _site: zone),
        to_broker=set_.mqtt,
    )


class Notifiers:
    """Makes the notifier of a route. What a way needs is loaded only once a route goes that way."""

    def __init__(self, settings: Settings, database: Database) -> None:
        self._settings, self._database = settings, database
        self._tls_context = _tls_context(settings)

    def of(self, route: Route) -> Notifier:
        """Return the notifier of a route. Raises NotDeliveredError where its target cannot be used."""
        timeout_s = self._settings.deliver.timeout_s
        if route.way is Way.WEBHOOK:
            from service.adapters.webhook import WebhookNotifier

            return WebhookNotifier(route, timeout_s=timeout_s, tls_context=self._tls_context)
        if route.way is Way.APPRISE:
            from service.adapters.apprise_notifier import AppriseNotifier

            return AppriseNotifier(route, zone=self._settings.web.zone_info, timeout_s=timeout_s)
        from service.adapters.mqtt_alerts import MqttNotifier

        client_id = f"{self._settings.broker.client_id}-{route.route_id}"
        return MqttNotifier(
            route,
            lambda: broker_publisher(self._settings, client_id=client_id, patience_s=timeout_s),
            root=self._settings.broker.root,
            alerts_of=self._alerts_of,
        )

    def _alerts_of(self, drive_id: str | None) -> Iterable[Alert]:
        return self._database.alert_log.alerts(drive_id, standing=False)


def _tls_context(settings: Settings) -> ssl.SSLContext:
    """Return which certificates of webhooks are trusted: the system's, and those of the settings."""
    context = ssl.create_default_context()
    file = settings.deliver.tls_ca_file
    if file is not None:
        try:
            context.load_verify_locations(cafile=file)
        except OSError as error:  # ssl errors are such
            raise CommandError(f"deliver.tls_ca_file: {error}: give certificates in PEM") from None
    return context
