"""Another name for a site or a class of drives, everywhere it is written, in one transaction.

Knows how the port `Groups` becomes SQL: which tables hold such a name. Must not know what a group is for.
"""

import json

from sqlalchemy import Connection, select, update

from service.adapters.database import changes_tables, outgoing_tables, shifts_tables, watch_tables
from service.adapters.database.audit_log import write_within
from service.adapters.database.changes import note_change_within
from service.adapters.database.register import DatabaseRegister
from service.adapters.database.transactions import Transactions
from service.core.drive import GroupKind
from service.ports import ConflictError, Renaming

_setpoint, _supply = watch_tables.setpoint_override, changes_tables.supply
_site, _stop, _route = shifts_tables.site, changes_tables.planned_stop, outgoing_tables.route


class DatabaseGroups:
    """The port `Groups` over a database."""

    def __init__(self, transactions: Transactions, register: DatabaseRegister) -> None:
        self._transactions, self._register = transactions, register

    def rename(self, renaming: Renaming) -> None:
        """Put the new name on all that has the old one, or on nothing. See the port."""
        with self._transactions.writing() as connection:
            _refuse_taken(connection, renaming)
            self._register.change_within(connection, renaming.drives, renaming.version)
            _rename_settings(connection, renaming)
            if renaming.kind is GroupKind.SITE:
                _rename_of_site(connection, renaming)
            write_within(connection, renaming.entry)


def _refuse_taken(connection: Connection, renaming: Renaming) -> None:
    scope, new = str(renaming.kind), renaming.new
    queries = [
        select(table.c.name).where(table.c.scope == scope, table.c.name == new)
        for table in (_setpoint, _supply)
    ]
    if renaming.kind is GroupKind.SITE:
        queries.append(select(_site.c.site).where(_site.c.site == new))
    if any(connection.execute(query).first() is not None for query in queries):
        raise ConflictError(
            f"something is set for {scope} {new!r} already, and nothing was renamed: choose another name, or move the "
            "drives there"
        )


def _rename_settings(connection: Connection, renaming: Renaming) -> None:
    scope, old, new = str(renaming.kind), renaming.old, renaming.new
    for table in (_setpoint, _supply):
        connection.execute(update(table).where(table.c.scope == scope, table.c.name == old).values(name=new))
    version = watch_tables.setpoint_version
    connection.execute(update(version).values(version=version.c.version + 1))
    note_change_within(connection, _supply.name, renaming.at_ns)


def _rename_of_site(connection: Connection, renaming: Renaming) -> None:
    old, new = renaming.old, renaming.new
    connection.execute(update(_site).where(_site.c.site == old).values(site=new))
    if old:  # a stop without a site is one of all sites
        connection.execute(update(_stop).where(_stop.c.site == old).values(site=new))
        note_change_within(connection, _stop.name, renaming.at_ns)
    for row in connection.execute(select(_route.c.route_id, _route.c.sites)).all():
        sites = json.loads(row.sites)
        if old in sites:
            named = list(dict.fromkeys(new if each == old else each for each in sites))
            text = json.dumps(named, ensure_ascii=False)
            connection.execute(update(_route).where(_route.c.route_id == row.route_id).values(sites=text))
