"""Shifts that hand over, put together: the door, and what puts a frozen handover on its way along the routes.

Knows how a handover is told in an event, in mail and in chat; must not know where routes lead.
"""

from datetime import tzinfo

from service.adapters.database.connect import Database
from service.adapters.web.handover_view import summary, view_of
from service.adapters.web.instants import rfc3339
from service.core.handover import Handover
from service.core.shift import shift_at
from service.deliver import Surroundings
from service.dispatch import Dispatch
from service.hand_over import HandOver
from service.settings import Settings

EVENT_TYPE = "linklag.handover"
CONTENT_BYTES_MAX = (
    48 * 1024
)  # of an event 64 KiB are sure to get through (CloudEvents 1.0, size limits; from memory)
TOLD_TO_DO = 8  # things to do that mail and chat say; the page has all


def handing_over(settings: Settings, database: Database) -> HandOver:
    """Return the door, which puts each frozen shift on its way."""
    dispatch = Dispatch(
        database.outbox, zone_of=surroundings(settings, database).zone_of, public_url=settings.web.public_url
    )

    def push(handover: Handover, at_ns: int) -> int:
        head = handover.head
        return dispatch.enqueue_document(
            site=head.site,
            kind=EVENT_TYPE,
            subject=f"{head.site}/{head.shift}",
            data=document(handover, settings.web.public_url),
            document_id=f"handover-{head.number}",
            at_ns=at_ns,
        )

    return HandOver(database, push=push, quiet_after_s=settings.web.stale_after_s)


def surroundings(settings: Settings, database: Database) -> Surroundings:
    """Return what routes have to know of sites: the zone of their clocks, the plant's where none is set, and the shift."""
    plant = settings.web.zone_info

    def zone_of(site: str) -> tzinfo:
        known = database.sites.site(site)
        return plant if known is None else known.zone_info

    def name_of_shift(site: str, t_ns: int) -> str | None:
        known = database.sites.site(site)
        on = None if known is None else shift_at(known.pattern, known.zone_info, t_ns)
        return None if on is None else on.name

    return Surroundings(zone_of=zone_of, shift_at=name_of_shift)


def document(handover: Handover, public_url: str = "") -> dict[str, object]:
    """Return a handover as it goes out: words for people, where it is, and the content as frozen.

    A content that is too long for an event is null: whoever wants it asks for it by number.
    """
    head, content = handover.head, handover.told
    view = view_of(content, head.number)
    to_do = [
        f"{row['name']}: {row['do']} ({row['why']})" if row["name"] else str(row["do"])
        for row in content["to_do"][:TOLD_TO_DO]
    ]
    left = len(content["to_do"]) + content["more"].get("to_do", 0) - len(to_do)
    lines = [", ".join(summary(content)) + ".", *to_do, *([f"and {left} more"] if left else [])]
    if view.at_drive:
        lines.append("Before anyone goes near a drive: lock out and tag out, by your local codes.")
    address = f"{public_url}/handovers/{head.number}"
    lines.append(f"Read and sign it: {address}")
    return ({"link": address} if public_url else {}) | {
        "number": head.number,
        "site": head.site,
        "shift": head.shift,
        "from": rfc3339(head.from_ns),
        "to": rfc3339(head.to_ns),
        "sha256": head.sha256,
        "title": f"Handover of {view.site}: {view.title}",
        "words": "\n".join(lines),
        "content": content if len(handover.content.encode()) <= CONTENT_BYTES_MAX else None,
    }
