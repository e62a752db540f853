"""The rows that a new store begins with, where it is not led there by the steps of its schema.

Knows the tables that are never empty; a test holds it to what the steps leave.
"""

import secrets

from sqlalchemy import Connection, insert

from service.adapters.database import outgoing_tables, tables, watch_tables


def put_first_rows(connection: Connection) -> None:
    """Put them in, in the transaction that makes the tables."""
    for table, values in (
        (tables.register_version, {"version": 0}),
        (tables.probe, {"at_ns": 0}),
        (watch_tables.setpoint_version, {"version": 0}),
        (outgoing_tables.store_name, {"name": secrets.token_hex(8)}),
    ):
        connection.execute(insert(table), {"one": 1, **values})
