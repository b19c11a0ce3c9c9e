"""Runs the revisions on the connection that the store hands over, in its transaction."""

from __future__ import annotations

from alembic import context

from monitor.trace.schema import METADATA

context.configure(
    connection=context.config.attributes["connection"],
    target_metadata=METADATA,
    render_as_batch=True,  # SQLite alters a table by making it anew
)
with context.begin_transaction():
    context.run_migrations()
