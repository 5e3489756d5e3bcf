"""Run by Alembic. The connection, already in a transaction, is handed in by db.migrate: nobody else changes a schema."""

from alembic import context

from db import models_rework

connection = context.config.attributes["connection"]
context.configure(
    connection=connection,
    target_metadata=models_rework.ReworkOrder.metadata,
    render_as_batch=True,
    transactional_ddl=True,
    compare_type=True,
)
with context.begin_transaction():
    context.run_migrations()
