"""Which process does which task: the tables, as `tables` has the others. No instant in them is ever compared with a clock."""

from sqlalchemy import Column, Table

from service.adapters.database.tables import Text, Whole, metadata

# Processes that work on this store, each as long as it gives signs of life.
holder = Table(
    "holder",
    metadata,
    Column("name", Text, primary_key=True),
    Column("beat", Whole, nullable=False),  # its own count of its signs of life: the others watch it change
    Column("ready_for", Text, nullable=False),  # JSON: kinds of tasks
    Column(
        "at_ns", Whole, nullable=False
    ),  # of the newest sign of life by the holder's own clock, for people
    sqlite_strict=True,
)

# Apart from the signs of life, so that a transaction that looks here is not in the way of them.
lease = Table(
    "lease",
    metadata,
    Column("task", Text, primary_key=True),
    Column("holder", Text, nullable=False),  # empty: nobody
    Column("term", Whole, nullable=False),  # rises each time that somebody takes the task
    Column("since_ns", Whole, nullable=False),  # by the holder's own clock, for people
    sqlite_strict=True,
)
