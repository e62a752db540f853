"""What every page says while the store is away: since when, and what waits for it, by what workers say of themselves.

Pages that need the store cannot be made then; the one that says so carries this, too.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any


@dataclass(frozen=True, slots=True, kw_only=True)
class StoreAway:
    """How one worker stands that does not reach the store, or has not stored yet what came meanwhile."""

    away: bool  # False: the store is back, and what waited is being stored
    since_ns: int
    trouble: str
    messages: int  # in the spool
    oldest_ns: int | None  # received then
    spool_trouble: str  # why it takes no more; "" where it does


def stores_away(said: Sequence[Mapping[str, Any]]) -> list[StoreAway]:
    """Return what is to be told of the workers that say this of themselves."""
    return [found for found in (_of(each.get("ingest")) for each in said) if found is not None]


def _of(ingest: Mapping[str, Any] | None) -> StoreAway | None:
    if ingest is None:
        return None
    spool = ingest.get("spool") or {}
    away, messages = not ingest.get("store_ok", True), int(spool.get("messages", 0))
    if not away and not messages:
        return None
    return StoreAway(
        away=away,
        since_ns=int(ingest.get("since_ns", 0)),
        trouble=str(ingest.get("trouble", "")),
        messages=messages,
        oldest_ns=spool.get("since_ns"),
        spool_trouble=str(spool.get("trouble", "")),
    )
