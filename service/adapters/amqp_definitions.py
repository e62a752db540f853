"""What RabbitMQ must have before the first device connects: exchange, queues, bindings, users and their rights.

Knows RabbitMQ's own document for that, which `rabbitmqctl import_definitions` or `load_definitions` in rabbitmq.conf read;
must not know where it goes. Importing it again changes nothing.

- Devices publish by MQTT, which comes in at `amq.topic` with dots for slashes. From there an exchange spreads by hash of the
  topic over quorum queues, so that all batches of a drive are in one, in order.
- A queue has one consumer at a time (single active consumer); another that waits takes over when it goes.
- Nobody but the worker reads, and no user may declare or delete anything.

Source: RabbitMQ's documentation of definitions, topic permissions, quorum queues and its exchange plugin; tested on 3.10.8.
"""

import base64
import hashlib
import re
import secrets
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from service.core.wire import Form

EXCHANGE = "linklag"
FORMS_OUT = ("elongation", "alerts", "events")
# Quorum queues of RabbitMQ 4 drop a message after 20 deliveries unless told otherwise, and 3.x takes no "never".
DELIVERIES_MAX = 1_000_000


@dataclass(frozen=True, slots=True, kw_only=True)
class Spread:
    """How batches are spread over queues."""

    roots: tuple[str, ...]  # of topics
    queues: int
    vhost: str = "/"

    def __post_init__(self) -> None:
        for root in self.roots:
            if "." in root:
                raise ValueError(
                    f"root {root!r} has a dot, which RabbitMQ takes for a slash: give levels without dots"
                )


def queue_name(number: int) -> str:
    """Return the name of queue 1, 2, ..."""
    return f"{EXCHANGE}.{number}"


def password_hash(password: str, salt: bytes | None = None) -> str:
    """Return what RabbitMQ keeps of a password: base64 of salt and SHA-256 of salt and password."""
    salt = secrets.token_bytes(4) if salt is None else salt
    return base64.b64encode(salt + hashlib.sha256(salt + password.encode()).digest()).decode()


def definitions(
    spread: Spread, *, worker: str, worker_password: str | None, drive_ids: Sequence[str] = ()
) -> dict[str, Any]:
    """Return the document to import.

    Args:
        spread: topics and queues.
        worker: the worker's user.
        worker_password: None where it shows a certificate.
        drive_ids: devices that get a user of their id, without a password: they show a certificate of that name.
    """
    names = [queue_name(number) for number in range(1, spread.queues + 1)]
    devices = [drive_id for drive_id in drive_ids if drive_id != worker]
    return {
        "vhosts": [{"name": spread.vhost}],
        "users": [_user(worker, worker_password), *(_user(drive_id, None) for drive_id in devices)],
        "permissions": [
            _rights(spread, worker, read=rf"^{EXCHANGE}\.[0-9]+$"),
            *(_rights(spread, drive_id, read="^$") for drive_id in devices),
        ],
        "topic_permissions": [
            _topic_rights(spread, worker, _topics_out(spread)),
            *(_topic_rights(spread, drive_id, _topics_in(spread)) for drive_id in devices),
        ],
        "exchanges": [
            {
                "name": EXCHANGE,
                "vhost": spread.vhost,
                "type": "x-consistent-hash",
                "durable": True,
                "auto_delete": False,
                "internal": False,
                "arguments": {},
            }
        ],
        "queues": [_queue(spread, name) for name in names],
        "bindings": [
            *_bindings_in(spread),
            *(_binding(spread, EXCHANGE, name, "queue", "1") for name in names),
        ],
    }


def _user(name: str, password: str | None) -> dict[str, Any]:
    hashed = "" if password is None else password_hash(password)  # empty: nobody gets in by password
    return {
        "name": name,
        "password_hash": hashed,
        "hashing_algorithm": "rabbit_password_hashing_sha256",
        "tags": "",
    }


def _rights(spread: Spread, user: str, *, read: str) -> dict[str, str]:
    return {"user": user, "vhost": spread.vhost, "configure": "^$", "write": r"^amq\.topic$", "read": read}


def _topic_rights(spread: Spread, user: str, write: str) -> dict[str, str]:
    return {"user": user, "vhost": spread.vhost, "exchange": "amq.topic", "write": write, "read": "^$"}


def _topics_out(spread: Spread) -> str:
    roots = _either([_key(root) for root in spread.roots])
    return rf"^{roots}\.([a-z0-9_-]+\.{_either(FORMS_OUT)}|documents)$"


def _topics_in(spread: Spread) -> str:
    """What a device may publish to: its own topics, by the name that it came in under."""
    roots = _either([_key(root) for root in spread.roots])
    return rf"^{roots}\.{{username}}\.{_either(list(Form))}$"


def _either(words: Sequence[str]) -> str:
    return f"({'|'.join(words)})"


def _key(root: str) -> str:
    return re.escape(root.replace("/", ".")).replace(r"\-", "-")


def _queue(spread: Spread, name: str) -> dict[str, Any]:
    return {
        "name": name,
        "vhost": spread.vhost,
        "durable": True,
        "auto_delete": False,
        "arguments": {
            "x-queue-type": "quorum",
            "x-single-active-consumer": True,
            "x-delivery-limit": DELIVERIES_MAX,
        },
    }


def _bindings_in(spread: Spread) -> list[dict[str, Any]]:
    return [
        _binding(spread, "amq.topic", EXCHANGE, "exchange", f"{root.replace('/', '.')}.*.{form}")
        for root in spread.roots
        for form in Form
    ]


def _binding(spread: Spread, source: str, to: str, kind: str, key: str) -> dict[str, Any]:
    return {
        "source": source,
        "vhost": spread.vhost,
        "destination": to,
        "destination_type": kind,
        "routing_key": key,
        "arguments": {},
    }
