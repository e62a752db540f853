"""RabbitMQ as the way in: what it must have, and whether it has it."""

import json
import time

import typer

from service.adapters.amqp_definitions import Spread, definitions, queue_name
from service.commands import CommandError
from service.commands.finding import Finding
from service.commands.parts import amqp_told, opened_database, outlet, tls_of
from service.settings import Settings

CONNECT_S = 12.0
SETTLE_S = 1.0


def print_definitions(settings: Settings, *, drives: bool) -> int:
    """Print the definitions of the settings, with a user for each registered drive where wanted; return the exit code."""
    amqp = settings.amqp
    if not amqp.host:
        raise CommandError(
            "amqp.host is empty: say where RabbitMQ is, and how many queues (amqp.queues), first"
        )
    if amqp.username is None:
        raise CommandError(
            "amqp.username is not set: give the worker a user; with a certificate, the name in it"
        )
    drive_ids: list[str] = []
    if drives:
        with opened_database(settings) as database:
            drive_ids = [drive.drive_id for drive in database.register.drives()]
    spread = Spread(roots=(settings.broker.root,), queues=amqp.queues, vhost=amqp.vhost)
    password = amqp.password.get_secret_value() if amqp.password else None
    made = definitions(spread, worker=amqp.username, worker_password=password, drive_ids=drive_ids)
    typer.echo(json.dumps(made, indent=1))
    return 0


def check_queues(settings: Settings) -> Finding:
    """Whether each queue is there and whether somebody takes from it. Nothing is taken."""
    amqp = settings.amqp
    names = [queue_name(number) for number in range(1, amqp.queues + 1)]
    with amqp_told():
        from service.adapters.amqp import look_at, parameters

        where = parameters(
            amqp.host, amqp.port, vhost=amqp.vhost, name="linklag-check", username=amqp.username,
            password=amqp.password.get_secret_value() if amqp.password else None, tls=tls_of(amqp),
            allow_insecure=amqp.allow_insecure,
        )  # fmt: skip
    try:
        queues = look_at(where, names)
    except ConnectionError as error:
        fix = "start RabbitMQ, correct [amqp], or import what `linklag amqp-definitions` prints"
        return Finding(subject="amqp", found=str(error), fix=fix)
    told = ", ".join(f"{queue.name} {queue.messages} waiting" for queue in queues)
    alone = [queue.name for queue in queues if queue.messages and not queue.consumers]
    if alone:
        fix = "start the worker whose queues these are (partition.NAME.queues)"
        return Finding(subject="amqp", found=f"{told}; nobody takes from {', '.join(alone)}", fix=fix)
    return Finding(subject="amqp", found=f"{amqp.host}:{amqp.port} lets us take from its queues: {told}")


def check_outlet(settings: Settings) -> Finding:
    """Whether RabbitMQ's MQTT side lets us publish. Published is an empty retained message for a drive that cannot exist."""
    broker = settings.broker
    where = f"{broker.host}:{broker.port}"
    to = outlet(settings, f"{broker.client_id}-check")
    to.open()
    try:
        to.publish(f"{broker.root}/_check/elongation", b"")
        if not to.emptied(CONNECT_S):
            trouble = to.trouble or f"{where} does not answer"
            fix = 'correct [broker], which is RabbitMQ\'s MQTT side; before 3.13 it needs broker.mqtt_version = "3.1.1"'
            return Finding(subject="broker", found=trouble, fix=fix)
        time.sleep(SETTLE_S)
        if to.trouble:
            return Finding(
                subject="broker", found=to.trouble, fix=f"let this user write {broker.root}/+/elongation"
            )
    finally:
        to.close()
    return Finding(subject="broker", found=f"{where} lets us publish under {broker.root}")
