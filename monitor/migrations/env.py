"""What alembic runs: the steps, on the connection that monitor.stores.database hands over, in its transaction."""

from alembic import context

from monitor.stores.tables import METADATA

context.configure(
    connection=context.config.attributes["connection"],
    target_metadata=METADATA,
    render_as_batch=True,  # SQLite alters a table by copying it
    compare_type=True,
)
with context.begin_transaction():
    context.run_migrations()
