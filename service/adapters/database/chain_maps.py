"""Maps of chains, link by link, between two foldings.

Knows how the port `ChainMaps` becomes SQL; must not know what is in a map but that JSON can say it.
"""

import json

from sqlalchemy import select

from service.adapters.database import tables
from service.adapters.database.dialect import insert_into
from service.adapters.database.transactions import Transactions
from service.ports import SavedMap

STATE_BYTES_MAX = 16 * 1024 * 1024
_m = tables.chain_map.c


class DatabaseChainMaps:
    """The port `ChainMaps` over a database."""

    def __init__(self, transactions: Transactions, state_bytes_max: int = STATE_BYTES_MAX) -> None:
        self._transactions = transactions
        self._state_bytes_max = state_bytes_max

    def save(self, saved: SavedMap) -> None:
        """Replace the map of that chain.

        Raises ValueError where its state is nothing that JSON can say (NaN, a number as a key ...) or is too large.
        """
        state = _as_text(saved, self._state_bytes_max)
        statement = insert_into(tables.chain_map)
        new = statement.excluded
        with self._transactions.writing() as connection:
            connection.execute(
                statement.on_conflict_do_update(
                    index_elements=["chain_id"],
                    set_={"folded_to_ns": new.folded_to_ns, "state": new.state},
                ),
                {"chain_id": saved.chain_id, "folded_to_ns": saved.folded_to_ns, "state": state},
            )

    def load(self, chain_id: str) -> SavedMap | None:
        """The map of a chain, or None."""
        with self._transactions.reading() as connection:
            row = connection.execute(
                select(_m.folded_to_ns, _m.state).where(_m.chain_id == chain_id)
            ).one_or_none()
        if row is None:
            return None
        return SavedMap(chain_id=chain_id, folded_to_ns=row.folded_to_ns, state=json.loads(row.state))


def _as_text(saved: SavedMap, bytes_max: int) -> str:
    try:
        text = json.dumps(saved.state, allow_nan=False, separators=(",", ":"))
    except (TypeError, ValueError) as error:
        raise ValueError(f"map of chain {saved.chain_id!r}: JSON cannot say its state: {error}") from error
    if len(text) > bytes_max:  # ASCII: a character is a byte
        raise ValueError(
            f"map of chain {saved.chain_id!r}: its state has {len(text)} bytes, {bytes_max} at most: fold fewer links"
        )
    return text
