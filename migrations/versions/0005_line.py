"""A line of stations: the outbox of a station, and the stations and records of a line database.

One rule is loosened to what one station says: a unit may have an open order at each station that tested it.
"""

import secrets

import sqlalchemy as sa
from alembic import op

revision = "0005"
down_revision = "0004"
branch_labels = None
depends_on = None

KEY = sa.BigInteger().with_variant(sa.Integer(), "sqlite")
TIME = sa.BigInteger()  # microseconds since 1970 UTC
ONE_ORDER = sa.text("closed_at IS NULL")


def upgrade() -> None:
    _origin()
    _outbox()
    _stations()
    _records()
    op.drop_index("uq_rework_orders_unit_key", "rework_orders")
    columns = ["station", "unit_key"]
    op.create_index(
        "uq_rework_orders_station_unit_key", "rework_orders", columns, unique=True, sqlite_where=ONE_ORDER, postgresql_where=ONE_ORDER
    )


def _origin() -> None:
    origin = op.create_table(
        "outbox_origin",
        sa.Column("id", sa.SmallInteger(), nullable=False, autoincrement=False),
        sa.Column("identity", sa.String(), nullable=False),
        sa.Column("keeps", sa.Boolean(), nullable=False),
        sa.PrimaryKeyConstraint("id", name="pk_outbox_origin"),
    )
    op.bulk_insert(origin, [{"id": 1, "identity": secrets.token_hex(16), "keeps": False}])


def _outbox() -> None:
    op.create_table(
        "outbox",
        sa.Column("id", KEY, nullable=False),
        sa.Column("kind", sa.String(), nullable=False),
        sa.Column("number", sa.BigInteger(), nullable=False),
        sa.Column("put_at", TIME, nullable=False),
        sa.Column("refusal", sa.String(), nullable=False),
        sa.PrimaryKeyConstraint("id", name="pk_outbox"),
        sa.UniqueConstraint("kind", "number", name="uq_outbox_kind_number"),
        sqlite_autoincrement=True,
    )
    op.create_index("ix_outbox_refusal_id", "outbox", ["refusal", "id"])


def _stations() -> None:
    op.create_table(
        "line_stations",
        sa.Column("id", KEY, nullable=False),
        sa.Column("name", sa.String(), nullable=False),
        sa.Column("identity", sa.String(), nullable=False),
        sa.Column("joined_at", TIME, nullable=False),
        sa.Column("heard_at", TIME, nullable=False),
        sa.Column("waiting", sa.BigInteger(), nullable=False),
        sa.Column("refused", sa.BigInteger(), nullable=False),
        sa.PrimaryKeyConstraint("id", name="pk_line_stations"),
        sa.UniqueConstraint("name", name="uq_line_stations_name"),
        sa.UniqueConstraint("identity", name="uq_line_stations_identity"),
        sqlite_autoincrement=True,
    )


def _records() -> None:
    op.create_table(
        "line_records",
        sa.Column("station_key", KEY, nullable=False, autoincrement=False),
        sa.Column("kind", sa.String(), nullable=False),
        sa.Column("number", sa.BigInteger(), nullable=False, autoincrement=False),
        sa.Column("sha256", sa.String(), nullable=False),
        sa.Column("came_at", TIME, nullable=False),
        sa.ForeignKeyConstraint(["station_key"], ["line_stations.id"], name="fk_line_records_station_key_line_stations"),
        sa.PrimaryKeyConstraint("station_key", "kind", "number", name="pk_line_records"),
        sqlite_with_rowid=False,
    )
