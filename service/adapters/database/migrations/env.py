"""What Alembic runs: the steps, over the connection and within the transaction that `connect` gives it."""

from alembic import context

context.configure(connection=context.config.attributes["connection"], transactional_ddl=False)
context.run_migrations()
