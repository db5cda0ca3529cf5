"""Run by Alembic. The connection comes from ``scheduler.store.migrating``, inside its transaction."""

from __future__ import annotations

from alembic import context

from scheduler.store.tables import metadata

context.configure(
    connection=context.config.attributes["connection"],
    target_metadata=metadata,
    transactional_ddl=True,  # SQLite can, when the driver does not commit behind our back
    render_as_batch=True,
)
context.run_migrations()
