"""The broker: what stands against each drive, retained, and every event as it comes.

Knows topics and what stands; must not know what made it so. An event goes to `<root>/<drive>/events`, in the structured
mode of CloudEvents, QoS 1, not retained; then what stands against its drive now to `<root>/<drive>/alerts`, retained: the
newest state, whatever came in between. After each connection all of it is published again, for a broker may have lost it.

Sources: CloudEvents 1.0.2, MQTT protocol binding, structured mode; OASIS MQTT 5.0; from memory.
"""

import time
from collections.abc import Callable, Iterable, Sequence

from service.adapters.mqtt_publisher import MqttPublisher, PublishError
from service.core.alert import Alert
from service.core.announce import alerts_topic, documents_topic, events_topic
from service.core.event import ALERT_TYPE, CONTENT_TYPE, CloudEvent, alerts_payload, encode
from service.core.route import Route
from service.ports import NotDeliveredError

JSON = "application/json"

AlertsOf = Callable[[str | None], Iterable[Alert]]  # of one drive, or of all of them


class MqttNotifier:
    """The port `Notifier` on the devices' broker: the route that is there by itself, or one to a topic of its own."""

    def __init__(
        self,
        route: Route,
        publisher: Callable[[], MqttPublisher],
        *,
        root: str,
        alerts_of: AlertsOf,
        now_ns: Callable[[], int] = time.time_ns,
    ) -> None:
        """A notifier that has not connected yet.

        Args:
            route: by MQTT; its target is a topic, or empty for the drives' own topics.
            publisher: makes a connection.
            root: topic levels above the drive.
            alerts_of: all alerts that something ever happened to, of a drive or (None) of all drives.
            now_ns: the clock.

        Raises NotDeliveredError where the topic is one of the drives' own.
        """
        if route.target and f"{route.target}/".startswith(f"{root}/"):
            raise NotDeliveredError(f"{root}/... is for devices and linklag itself: give a topic elsewhere")
        self._topic = route.target
        self._make, self._root, self._alerts_of, self._now_ns = publisher, root, alerts_of, now_ns
        self._publisher: MqttPublisher | None = None
        self._told_of = 0  # which connection has been told what stands

    def send(self, events: Sequence[CloudEvent], message_id: str) -> None:
        """Publish events one by one, and what stands against their drives. See the port."""
        del message_id  # each has its id in it
        with_broker = self._connected()
        self._tell_all_that_stands()
        try:
            refused = with_broker.refused
            for event in events:
                with_broker.publish(
                    self._topic or self._topic_of(event), encode(event), content_type=CONTENT_TYPE
                )
            if not self._topic:
                self._tell({_drive_of(event) for event in events} - {""})
            with_broker.wait()
        except PublishError as error:
            raise self._lost(error) from None
        self._refuse_refused(with_broker, refused)

    def rest(self) -> None:
        """See that what stands is out there. Raises NotDeliveredError."""
        if not self._topic:
            self._connected()
            self._tell_all_that_stands()

    def close(self) -> None:
        """Leave the broker."""
        if self._publisher is not None:
            self._publisher.__exit__(None, None, None)
            self._publisher = None
            self._told_of = 0

    def _connected(self) -> MqttPublisher:
        if self._publisher is None:
            made = self._make()
            try:
                made.__enter__()
            except PublishError as error:
                raise NotDeliveredError(str(error)) from None
            self._publisher = made
        return self._publisher

    def _tell_all_that_stands(self) -> None:
        """Publish what stands against every drive, once for each connection: the broker may have forgotten."""
        publisher = self._publisher
        if self._topic or publisher is None or publisher.connections == self._told_of:
            return
        connection, refused = publisher.connections, publisher.refused
        try:
            self._tell({alert.drive_id for alert in self._alerts_of(None)})
            publisher.wait()
        except PublishError as error:
            raise self._lost(error) from None
        self._refuse_refused(publisher, refused)
        self._told_of = connection

    def _tell(self, drive_ids: Iterable[str]) -> None:
        assert self._publisher is not None  # noqa: S101 - connected before
        for drive_id in sorted(drive_ids):
            payload = alerts_payload(self._alerts_of(drive_id), self._now_ns())
            self._publisher.publish(
                alerts_topic(self._root, drive_id), payload, content_type=JSON, retain=True
            )

    def _topic_of(self, event: CloudEvent) -> str:
        drive_id = _drive_of(event)
        return events_topic(self._root, drive_id) if drive_id else documents_topic(self._root)

    def _lost(self, error: PublishError) -> NotDeliveredError:
        self.close()
        return NotDeliveredError(str(error))

    def _refuse_refused(self, publisher: MqttPublisher, before: int) -> None:
        if publisher.refused > before:
            raise NotDeliveredError(
                f"the broker refused to take it ({publisher.refusal}): let linklag's user publish to alerts and events"
            )


def _drive_of(event: CloudEvent) -> str:
    """The drive of an alert's event; empty for what is of no drive."""
    return str(event.data["drive"]["id"]) if event.type.startswith(ALERT_TYPE) else ""
