"""Run by Alembic. The connection, already in a transaction, is handed in by db.migrate: nobody else changes a schema."""

from alembic import context

from db import models_audit, models_charts, models_line, models_proof, models_rework, models_yield
from db.base import Base

MODELS = (models_audit, models_charts, models_line, models_proof, models_rework, models_yield)  # with them all tables are known
connection = context.config.attributes["connection"]
context.configure(
    connection=connection,
    target_metadata=Base.metadata,
    render_as_batch=True,
    transactional_ddl=True,
    compare_type=True,
)
with context.begin_transaction():
    context.run_migrations()
