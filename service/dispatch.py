"""Puts documents and tests on their way along routes; what becomes of them there is the door `deliver`'s.

Knows which routes take a document of a site, and when; must not know what is in it.
"""

import secrets
from collections.abc import Callable, Mapping
from datetime import tzinfo
from typing import Any

from service.core.event import CloudEvent, linked, source_of, trial_event
from service.core.instant import format_rfc3339
from service.core.route import document_due_ns, takes_document
from service.ports import Outbox, Outgoing, OutgoingKind


class Dispatch:
    """What is sent that is no transition of an alert."""

    def __init__(self, outbox: Outbox, *, zone_of: Callable[[str], tzinfo], public_url: str = "") -> None:
        """zone_of: the time zone of a site, for quiet hours. public_url: by which people reach the pages; "": no link goes out."""
        self._outbox, self._zone_of, self._public_url = outbox, zone_of, public_url

    def enqueue_document(
        self,
        *,
        site: str,
        kind: str,
        subject: str,
        data: Mapping[str, Any],
        document_id: str,
        at_ns: int,
    ) -> int:
        """Put a document on its way along every route that takes documents of its site; return along how many.

        The same document again, while it still waits, changes nothing; later it goes out again under the same id.

        Args:
            site: whose document it is.
            kind: the type of the event, such as linklag.handover.
            subject: what it is of, such as a site and its shift.
            data: the document, as JSON can hold it. `title` and `words` in it are what mail and chat say.
            document_id: its own name, which no other document of this store has.
            at_ns: now.
        """
        instance = self._outbox.instance()
        event = CloudEvent(
            id=f"{instance}.{document_id}",
            source=source_of(instance),
            type=kind,
            subject=subject,
            time=format_rfc3339(at_ns),
            data=dict(data),
        )
        zone = self._zone_of(site)
        rows = [
            Outgoing(
                route_id=route.route_id,
                kind=OutgoingKind.DOCUMENT,
                lane=f"{kind}:{site}",
                event=event,
                made_ns=at_ns,
                due_ns=document_due_ns(route, at_ns, zone),
            )
            for route in self._outbox.routes()
            if takes_document(route, site)
        ]
        return self._outbox.put(rows) if rows else 0

    def enqueue_test(self, route_id: str, at_ns: int) -> str:
        """Put a test on its way along one route, ahead of all that waits; return its id. Raises NotFoundError."""
        instance = self._outbox.instance()
        test_id = f"{instance}.test-{secrets.token_hex(6)}"
        self._outbox.put(
            [
                Outgoing(
                    route_id=route_id,
                    kind=OutgoingKind.TEST,
                    lane="test",
                    event=linked(
                        trial_event(route_id, test_id, at_ns, instance), self._public_url, "/routes"
                    ),
                    made_ns=at_ns,
                    due_ns=at_ns,
                )
            ]
        )
        return test_id
