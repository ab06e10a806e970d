"""Run by Alembic: apply the migrations on the connection that `upgrade` hands over."""

from alembic import context

from benchd.store.schema import metadata

context.configure(
    connection=context.config.attributes["connection"],
    target_metadata=metadata,
    # SQLite can change a table only by copying it.
    render_as_batch=True,
)
with context.begin_transaction():
    context.run_migrations()
