"""The rework loop: followed runs, orders with their tries and parts, advice, the ledger, estimates.

Runs that ended before this step count as followed up: no order is opened for what people have long since dealt with.
"""

import sqlalchemy as sa
from alembic import op

revision = "0002"
down_revision = "0001"
branch_labels = None
depends_on = None

KEY = sa.BigInteger().with_variant(sa.Integer(), "sqlite")
TIME = sa.BigInteger()  # microseconds since 1970 UTC
BYTEWISE = sa.String().with_variant(sa.String(collation="C"), "postgresql")
COMPUTED = "('waiting', 'pending', 'made', 'failed')"
ONE_ORDER = sa.text("closed_at IS NULL")


def upgrade() -> None:
    _orders()
    _followed_runs()
    _tries()
    _parts()
    _advices()
    _ledger()
    _estimates()
    op.execute("INSERT INTO followed_runs (run_number, meaning) SELECT number, 'nothing' FROM runs WHERE verdict IS NOT NULL")


def _orders() -> None:
    op.create_table(
        "rework_orders",
        sa.Column("id", KEY, nullable=False),
        sa.Column("station", sa.String(), nullable=False),
        sa.Column("unit_key", KEY, nullable=False),
        sa.Column("serial", BYTEWISE, nullable=False),
        sa.Column("product", sa.String(), nullable=False),
        sa.Column("lot", sa.String(), nullable=False),
        sa.Column("emulated", sa.Boolean(), nullable=False),
        sa.Column("specification_key", KEY, nullable=False),
        sa.Column("failing_run", KEY, nullable=False),
        sa.Column("state", sa.String(), nullable=False),
        sa.Column("tries", sa.SmallInteger(), nullable=False),
        sa.Column("tries_max", sa.SmallInteger(), nullable=False),
        sa.Column("note", sa.String(), nullable=False),
        sa.Column("opened_at", TIME, nullable=False),
        sa.Column("changed_at", TIME, nullable=False),
        sa.Column("closed_at", TIME, nullable=True),
        sa.Column("closed_by", sa.String(), nullable=False),
        sa.Column("closing", sa.String(), nullable=False),
        sa.CheckConstraint(
            "state IN ('open', 'fitted', 'retested', 'closed', 'scrapped', 'withdrawn')", name=op.f("ck_rework_orders_state")
        ),
        sa.CheckConstraint("(closed_at IS NULL) = (state IN ('open', 'fitted', 'retested'))", name=op.f("ck_rework_orders_ended")),
        sa.ForeignKeyConstraint(["unit_key"], ["units.id"], name="fk_rework_orders_unit_key_units"),
        sa.ForeignKeyConstraint(["specification_key"], ["specifications.id"], name="fk_rework_orders_specification_key_specifications"),
        sa.ForeignKeyConstraint(["failing_run"], ["runs.number"], name="fk_rework_orders_failing_run_runs"),
        sa.PrimaryKeyConstraint("id", name="pk_rework_orders"),
        sqlite_autoincrement=True,
    )
    op.create_index(
        "uq_rework_orders_unit_key", "rework_orders", ["unit_key"], unique=True, sqlite_where=ONE_ORDER, postgresql_where=ONE_ORDER
    )
    for column in ("state", "product", "lot", "serial"):
        op.create_index(f"ix_rework_orders_{column}_id", "rework_orders", [column, "id"])


def _followed_runs() -> None:
    op.create_table(
        "followed_runs",
        sa.Column("run_number", KEY, nullable=False, autoincrement=False),
        sa.Column("meaning", sa.String(), nullable=False),
        sa.Column("order_key", KEY, nullable=True),
        sa.ForeignKeyConstraint(["run_number"], ["runs.number"], name="fk_followed_runs_run_number_runs", ondelete="CASCADE"),
        sa.ForeignKeyConstraint(["order_key"], ["rework_orders.id"], name="fk_followed_runs_order_key_rework_orders"),
        sa.PrimaryKeyConstraint("run_number", name="pk_followed_runs"),
    )


def _tries() -> None:
    op.create_table(
        "rework_tries",
        sa.Column("order_key", KEY, nullable=False, autoincrement=False),
        sa.Column("number", sa.SmallInteger(), nullable=False, autoincrement=False),
        sa.Column("advice_run", KEY, nullable=False),
        sa.Column("advice", sa.String(), nullable=False),
        sa.Column("advice_sentence", sa.String(), nullable=False),
        sa.Column("advice_at", TIME, nullable=True),
        sa.Column("steps", sa.JSON(), nullable=False),
        sa.Column("retest_run", KEY, nullable=True),
        sa.Column("retest_check", sa.String(), nullable=False),
        sa.Column("check_sentence", sa.String(), nullable=False),
        sa.Column("findings", sa.JSON(), nullable=False),
        sa.Column("outcome", sa.String(), nullable=False),
        sa.CheckConstraint(f"advice IN {COMPUTED}", name=op.f("ck_rework_tries_advice")),
        sa.CheckConstraint(f"retest_check IN {COMPUTED}", name=op.f("ck_rework_tries_retest_check")),
        sa.ForeignKeyConstraint(["order_key"], ["rework_orders.id"], name="fk_rework_tries_order_key_rework_orders", ondelete="CASCADE"),
        sa.ForeignKeyConstraint(["advice_run"], ["runs.number"], name="fk_rework_tries_advice_run_runs"),
        sa.ForeignKeyConstraint(["retest_run"], ["runs.number"], name="fk_rework_tries_retest_run_runs"),
        sa.PrimaryKeyConstraint("order_key", "number", name="pk_rework_tries"),
    )
    op.create_index("ix_rework_tries_advice", "rework_tries", ["advice"])
    op.create_index("ix_rework_tries_retest_check", "rework_tries", ["retest_check"])


def _parts() -> None:
    op.create_table(
        "rework_parts",
        sa.Column("order_key", KEY, nullable=False, autoincrement=False),
        sa.Column("try_number", sa.SmallInteger(), nullable=False, autoincrement=False),
        sa.Column("stick", sa.String(), nullable=False),
        sa.Column("axis", sa.String(), nullable=False),
        sa.Column("farads", sa.Double(), nullable=False),
        sa.Column("text", sa.String(), nullable=False),
        sa.Column("fitted_by", sa.String(), nullable=False),
        sa.Column("fitted_at", TIME, nullable=False),
        sa.CheckConstraint("axis IN ('x', 'y')", name=op.f("ck_rework_parts_axis")),
        sa.ForeignKeyConstraint(
            ["order_key", "try_number"],
            ["rework_tries.order_key", "rework_tries.number"],
            name="fk_rework_parts_order_key_rework_tries",
            ondelete="CASCADE",
        ),
        sa.PrimaryKeyConstraint("order_key", "try_number", "stick", "axis", name="pk_rework_parts"),
    )


def _advices() -> None:
    op.create_table(
        "advices",
        sa.Column("run_number", KEY, nullable=False, autoincrement=False),
        sa.Column("stick", sa.String(), nullable=False),
        sa.Column("source", sa.String(), nullable=False),
        sa.Column("software", sa.String(), nullable=False),
        sa.Column("made_at", TIME, nullable=False),
        sa.Column("codec", sa.String(), nullable=False),
        sa.Column("document", sa.LargeBinary(), nullable=False),
        sa.Column("sha256", sa.String(), nullable=False),
        sa.ForeignKeyConstraint(["run_number"], ["runs.number"], name="fk_advices_run_number_runs", ondelete="CASCADE"),
        sa.PrimaryKeyConstraint("run_number", "stick", name="pk_advices"),
    )


def _ledger() -> None:
    op.create_table(
        "ledger",
        sa.Column("id", KEY, nullable=False),
        sa.Column("order_key", KEY, nullable=False),
        sa.Column("try_number", sa.SmallInteger(), nullable=False),
        sa.Column("stick", sa.String(), nullable=False),
        sa.Column("axis", sa.String(), nullable=False),
        sa.Column("run_number", KEY, nullable=False),
        sa.Column("product", sa.String(), nullable=False),
        sa.Column("lot", sa.String(), nullable=False),
        sa.Column("emulated", sa.Boolean(), nullable=False),
        sa.Column("farads", sa.Double(), nullable=False),
        sa.Column("predicted_counts", sa.Double(), nullable=True),
        sa.Column("measured_counts", sa.Double(), nullable=True),
        sa.Column("finding", sa.String(), nullable=False),
        sa.Column("source", sa.String(), nullable=False),
        sa.Column("document", sa.JSON(), nullable=False),
        sa.Column("made_at", TIME, nullable=False),
        sa.ForeignKeyConstraint(["order_key"], ["rework_orders.id"], name="fk_ledger_order_key_rework_orders"),
        sa.ForeignKeyConstraint(["run_number"], ["runs.number"], name="fk_ledger_run_number_runs"),
        sa.PrimaryKeyConstraint("id", name="pk_ledger"),
        sa.UniqueConstraint("order_key", "try_number", "stick", "axis", name="uq_ledger_order_key_try_number_stick_axis"),
        sqlite_autoincrement=True,
    )
    op.create_index("ix_ledger_product_lot_emulated_id", "ledger", ["product", "lot", "emulated", "id"])
    op.create_index("ix_ledger_lot_id", "ledger", ["lot", "id"])


def _estimates() -> None:
    op.create_table(
        "source_estimates",
        sa.Column("product", sa.String(), nullable=False),
        sa.Column("scope", sa.String(), nullable=False),
        sa.Column("lot", sa.String(), nullable=False),
        sa.Column("emulated", sa.Boolean(), nullable=False),
        sa.Column("version", sa.Integer(), nullable=False, autoincrement=False),
        sa.Column("last_entry", sa.BigInteger(), nullable=False),
        sa.Column("digest", sa.String(), nullable=False),
        sa.Column("name", sa.String(), nullable=False),
        sa.Column("retests", sa.Integer(), nullable=False),
        sa.Column("ohm", sa.Double(), nullable=False),
        sa.Column("tolerance", sa.Double(), nullable=False),
        sa.Column("used", sa.Boolean(), nullable=False),
        sa.Column("document", sa.JSON(), nullable=False),
        sa.Column("made_at", TIME, nullable=False),
        sa.CheckConstraint("scope IN ('lot', 'product')", name=op.f("ck_source_estimates_scope")),
        sa.PrimaryKeyConstraint("product", "scope", "lot", "emulated", "version", name="pk_source_estimates"),
    )
