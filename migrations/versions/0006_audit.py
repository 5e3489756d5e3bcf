"""Who did what, the chain of digests over it and over the runs, and answers kept for repeated requests.

Rows of the first two can be added but neither changed nor removed.
"""

import sqlalchemy as sa
from alembic import op

revision = "0006"
down_revision = "0005"
branch_labels = None
depends_on = None

KEY = sa.BigInteger().with_variant(sa.Integer(), "sqlite")
TIME = sa.BigInteger()  # microseconds since 1970 UTC
APPEND_ONLY = ("audit_entries", "chain")


def upgrade() -> None:
    _entries()
    _chain()
    _answers()
    for table in APPEND_ONLY:
        _append_only(table)


def _entries() -> None:
    op.create_table(
        "audit_entries",
        sa.Column("number", KEY, nullable=False),
        sa.Column("station", sa.String(), nullable=False),
        sa.Column("at", TIME, nullable=False),
        sa.Column("who", sa.String(), nullable=False),
        sa.Column("role", sa.String(), nullable=False),
        sa.Column("address", sa.String(), nullable=False),
        sa.Column("what", sa.String(), nullable=False),
        sa.Column("status", sa.SmallInteger(), nullable=False),
        sa.Column("asked", sa.String(), nullable=False),
        sa.Column("before", sa.String(), nullable=False),
        sa.Column("after", sa.String(), nullable=False),
        sa.Column("left_out", sa.Integer(), nullable=False),
        sa.PrimaryKeyConstraint("number", name="pk_audit_entries"),
        sqlite_autoincrement=True,
    )


def _chain() -> None:
    op.create_table(
        "chain",
        sa.Column("station", sa.String(), nullable=False),
        sa.Column("position", sa.BigInteger(), nullable=False, autoincrement=False),
        sa.Column("kind", sa.String(), nullable=False),
        sa.Column("key", sa.BigInteger(), nullable=False),
        sa.Column("digest", sa.String(), nullable=False),
        sa.Column("link", sa.String(), nullable=False),
        sa.PrimaryKeyConstraint("station", "position", name="pk_chain"),
        sa.UniqueConstraint("station", "kind", "key", name="uq_chain_station_kind_key"),
    )
    op.create_table(
        "chain_heads",
        sa.Column("station", sa.String(), nullable=False),
        sa.Column("position", sa.BigInteger(), nullable=False),
        sa.Column("link", sa.String(), nullable=False),
        sa.PrimaryKeyConstraint("station", name="pk_chain_heads"),
    )


def _answers() -> None:
    op.create_table(
        "kept_answers",
        sa.Column("who", sa.String(), nullable=False),
        sa.Column("key", sa.String(), nullable=False),
        sa.Column("digest", sa.String(), nullable=False),
        sa.Column("at", TIME, nullable=False),
        sa.Column("status", sa.SmallInteger(), nullable=True),
        sa.Column("headers", sa.JSON(none_as_null=True), nullable=False),
        sa.Column("body", sa.LargeBinary(), nullable=False),
        sa.PrimaryKeyConstraint("who", "key", name="pk_kept_answers"),
    )
    op.create_index("ix_kept_answers_at", "kept_answers", ["at"])


def _append_only(table: str) -> None:
    """Have the database refuse UPDATE and DELETE."""
    if op.get_bind().dialect.name == "sqlite":
        for verb in ("UPDATE", "DELETE"):
            op.execute(
                f"CREATE TRIGGER {table}_no_{verb.lower()} BEFORE {verb} ON {table} "
                f"BEGIN SELECT RAISE(ABORT, 'rows of {table} are only ever added'); END"
            )
        return
    op.execute(
        f"CREATE FUNCTION {table}_only_added() RETURNS trigger LANGUAGE plpgsql AS "
        f"$$ BEGIN RAISE EXCEPTION 'rows of {table} are only ever added'; END $$"
    )
    op.execute(
        f"CREATE TRIGGER {table}_only_added BEFORE UPDATE OR DELETE OR TRUNCATE ON {table} "
        f"FOR EACH STATEMENT EXECUTE FUNCTION {table}_only_added()"
    )
