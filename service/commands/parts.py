"""Builds what the commands work with from the settings: the store, the broker as a source, the page's socket.

What a person can mend is told as a `CommandError`.
"""

import socket
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from sqlalchemy import Engine

from service.adapters.database.access import Access
from service.adapters.database.connect import (
    BUSY_TIMEOUT_S,
    Database,
    NewerStoreError,
    open_database,
)
from service.adapters.database.dialect import make_engine
from service.adapters.database.raw_batches import RawBounds
from service.adapters.database.refused import Bounds
from service.commands import CommandError
from service.commands.partitions import all_at, groups_of, others_of
from service.commands.series import series_of
from service.core.allowance import Terms
from service.core.partition import filters
from service.ports import StoreUnavailableError
from service.settings import Amqp, Broker, Settings

if TYPE_CHECKING:
    from service.adapters.amqp import AmqpSource
    from service.adapters.mqtt import MqttSource
    from service.adapters.mqtt_outlet import MqttOutlet
    from service.adapters.mqtt_publisher import MqttPublisher
    from service.adapters.reaching import Tls
    from service.adapters.sparkplug import SparkplugSource

DAY_S = 86_400


class StoreAwayError(CommandError):
    """The store cannot be opened just now; later it may."""


@contextmanager
def opened_database(settings: Settings) -> Iterator[Database]:
    """Give the store of the settings, made and brought up to date as needed; close it at the end."""
    folder = settings.store.file.parent
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise CommandError(
            f"the store's folder {folder} cannot be made ({error.strerror}): correct --data or store.folder"
        ) from None
    bounds = Bounds(rejections_per_drive=settings.retention.rejections_per_drive)
    batches_bytes = max(1, settings.retention.batches_mb) * 1_000_000  # with 0 the worker keeps none
    raw_bounds = RawBounds(bytes=batches_bytes, bytes_per_drive=max(1, batches_bytes // 4))
    with series_of(settings) as series:
        try:
            database = open_database(
                settings.store.url,
                access=store_access(settings),
                bounds=bounds,
                raw_bounds=raw_bounds,
                series=series,
            )
        except StoreUnavailableError as error:
            raise StoreAwayError(str(error)) from None
        except (NewerStoreError, ValueError) as error:
            raise CommandError(str(error)) from None
        try:
            yield database
        finally:
            database.close()


@contextmanager
def store_engine(settings: Settings) -> Iterator[Engine]:
    """Give the store of the settings for what needs no ports, as it is: nothing is made or brought up to date."""
    try:
        engine = make_engine(settings.store.url, BUSY_TIMEOUT_S, store_access(settings))
    except ValueError as error:
        raise CommandError(str(error)) from None
    try:
        yield engine
    finally:
        engine.dispose()


def store_access(settings: Settings) -> Access:
    """Return what is shown to the database server, where there is one."""
    store = settings.store
    return Access(
        password=store.password.get_secret_value() if store.password else None,
        tls=store.with_tls,
        ca_file=store.tls_ca_file,
        cert_file=store.tls_cert_file,
        key_file=store.tls_key_file,
    )


def broker_source(
    settings: Settings,
    *,
    client_id: str | None = None,
    session_s: int | None = None,
    partition: str | None = None,
) -> "MqttSource":
    """Return the broker of the settings as a source that is not connected yet.

    Args:
        settings: of the broker.
        client_id: another than the worker's, whose session is then left alone.
        session_s: how long the broker keeps the session; None takes the setting.
        partition: whose broker, client id and topics; None are those of the only worker.
    """
    mine = Wanted(filters=filters(settings.taken_by(partition)))
    if client_id is None:
        mine = Wanted(
            filters=mine.filters, more=groups_of(settings, partition), ended=others_of(settings, partition)
        )
    return _mqtt_source(
        settings, partition, client_id or settings.broker_of(partition).client_id, mine, session_s=session_s
    )


def left_source(settings: Settings, client_id: str, partition: str | None) -> "MqttSource":
    """Return what the broker of a partition still keeps under the id of a worker that is gone, and nothing that comes now."""
    return _mqtt_source(settings, partition, client_id, Wanted(filters=[], ended=all_at(settings, partition)))


@dataclass(frozen=True, slots=True, kw_only=True)
class Wanted:
    """What a source subscribes to, and what it ends."""

    filters: list[str]
    more: list[str] = field(default_factory=list)
    ended: list[str] = field(default_factory=list)


def _mqtt_source(
    settings: Settings, partition: str | None, client_id: str, wanted: Wanted, *, session_s: int | None = None
) -> "MqttSource":
    from service.adapters.mqtt import MqttSource

    broker = settings.broker_of(partition)
    with _in_words("broker"):
        return MqttSource(
            broker.host,
            broker.port,
            root=broker.root,
            filters=wanted.filters,
            more_filters=wanted.more,
            others_filters=wanted.ended,
            client_id=client_id,
            username=broker.username,
            password=broker.password.get_secret_value() if broker.password else None,
            tls=tls_of(broker),
            allow_insecure=broker.allow_insecure,
            session_expiry_s=broker.session_expiry_days * DAY_S if session_s is None else session_s,
            receive_maximum=broker.receive_maximum,
            keepalive_s=broker.keepalive_s,
        )


def worker_source(
    settings: Settings, partition: str | None = None
) -> "MqttSource | SparkplugSource | AmqpSource":
    """Return the worker's source: RabbitMQ's queues, or the broker.

    What Sparkplug nodes publish at the broker is turned into messages of ours where it is on.
    """
    if settings.amqp.host:
        return queue_source(settings, partition)
    source = broker_source(settings, partition=partition)
    broker = settings.broker_of(partition)
    return with_sparkplug(settings, source, groups=bool(broker.sparkplug_groups), root=broker.root)


def with_sparkplug(
    settings: Settings, source: "MqttSource", *, groups: bool, root: str | None = None
) -> "MqttSource | SparkplugSource":
    """Return a source that also understands what Sparkplug nodes publish, where there are `groups`."""
    if not groups:
        return source
    from service.adapters.sparkplug import SparkplugSource

    try:
        return SparkplugSource(source, root or settings.broker.root)
    except ValueError as error:
        raise CommandError(f"broker.sparkplug_groups: {error}") from None


def allowed_of(settings: Settings) -> Terms | None:
    """Return what each drive may send; None where it may send whatever it likes."""
    worker = settings.worker
    if worker.drive_batches_per_s == 0:
        return None
    return Terms(
        per_s=worker.drive_batches_per_s,
        burst=worker.drive_burst,
        backlog_ns=worker.backlog_days * DAY_S * 1_000_000_000,
    )


def queue_source(settings: Settings, partition: str | None = None) -> "AmqpSource":
    """Return the queues of RabbitMQ that a partition takes from, with its MQTT side to publish at."""
    with amqp_told():
        from service.adapters.amqp import AmqpSource
        from service.adapters.amqp_definitions import queue_name

        amqp = settings.amqp
        return AmqpSource(
            amqp.host,
            amqp.port,
            vhost=amqp.vhost,
            queues=[queue_name(number) for number in settings.queues_of(partition)],
            outlet=outlet(settings, settings.broker_of(partition).client_id),
            name=settings.broker_of(partition).client_id,
            username=amqp.username,
            password=amqp.password.get_secret_value() if amqp.password else None,
            tls=tls_of(amqp),
            allow_insecure=amqp.allow_insecure,
            prefetch=amqp.prefetch,
            heartbeat_s=amqp.heartbeat_s,
        )


def outlet(settings: Settings, client_id: str) -> "MqttOutlet":
    """Return RabbitMQ's MQTT side as a place to publish the newest of each topic at, not connected yet."""
    from service.adapters.mqtt_outlet import MqttOutlet

    broker = settings.broker
    with _in_words("broker"):
        return MqttOutlet(
            broker.host,
            broker.port,
            client_id=client_id,
            version=broker.mqtt_version,
            username=broker.username,
            password=broker.password.get_secret_value() if broker.password else None,
            tls=tls_of(broker),
            allow_insecure=broker.allow_insecure,
            keepalive_s=broker.keepalive_s,
        )


@contextmanager
def amqp_told() -> Iterator[None]:
    """Tell what keeps AMQP from being used as a CommandError with its key."""
    try:
        with _in_words("amqp"):
            yield
    except ImportError:
        raise CommandError("amqp.host: pika is not installed: pip install 'linklag[amqp]'") from None


def tls_of(section: Broker | Amqp) -> "Tls | None":
    """Return how a connection is encrypted, None where it is not."""
    from service.adapters.reaching import Tls

    if not section.tls:
        return None
    return Tls(ca_file=section.tls_ca_file, cert_file=section.tls_cert_file, key_file=section.tls_key_file)


@contextmanager
def _in_words(section: str) -> Iterator[None]:
    """Tell what is wrong with the settings of a connection as a CommandError with their section."""
    try:
        yield
    except ValueError as error:
        raise CommandError(f"{section}: {error}") from None
    except OSError as error:  # ssl errors are such
        raise CommandError(f"{section}.tls_..._file: {error}: give PEM files that belong together") from None


def broker_publisher(
    settings: Settings, *, client_id: str, patience_s: float | None = None
) -> "MqttPublisher":
    """Return the broker of the settings as a place to publish to, not connected yet, under an id of its own."""
    from service.adapters.mqtt_publisher import MqttPublisher

    broker = settings.broker
    with _in_words("broker"):
        return MqttPublisher(
            broker.host,
            broker.port,
            client_id=client_id,
            version=broker.mqtt_version,
            username=broker.username,
            password=broker.password.get_secret_value() if broker.password else None,
            tls=tls_of(broker),
            allow_insecure=broker.allow_insecure,
            keepalive_s=broker.keepalive_s,
            patience_s=patience_s,
        )


def listen(host: str, port: int) -> socket.socket:
    """Return a socket that listens; a clash is told before anything else starts."""
    family = socket.AF_INET6 if ":" in host else socket.AF_INET
    listening = socket.socket(family)
    try:
        listening.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        listening.bind((host.strip("[]"), port))
        listening.listen(1024)
    except OSError as error:
        listening.close()
        raise CommandError(
            f"cannot serve on {host}:{port} ({error.strerror}): stop what does, or give another web.port (--port)"
        ) from None
    return listening
