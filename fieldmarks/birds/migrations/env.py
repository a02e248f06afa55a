"""Alembic environment: the store hands its open connection over."""

from alembic import context

from fieldmarks.birds.orm import metadata

connection = context.config.attributes["connection"]
context.configure(connection=connection, target_metadata=metadata)
with context.begin_transaction():
    context.run_migrations()
