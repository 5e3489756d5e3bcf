"""The first schema: units, rigs, specifications, runs and what was found in them."""

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None
branch_labels = None
depends_on = None

KEY = sa.BigInteger().with_variant(sa.Integer(), "sqlite")
TIME = sa.BigInteger()  # microseconds since 1970 UTC
BYTEWISE = sa.String().with_variant(sa.String(collation="C"), "postgresql")
VERDICTS = "verdict IN ('pass', 'fail', 'undecided', 'invalid')"


def upgrade() -> None:
    _rigs()
    _specifications()
    _units()
    _fitted_parts()
    _runs()
    _flick_blocks()
    _group_results()
    _run_reasons()
    _stick_results()
    _trace_blocks()
    _monitors()


def _rigs() -> None:
    op.create_table(
        "rigs",
        sa.Column("id", KEY, nullable=False),
        sa.Column("station", sa.String(), nullable=False),
        sa.Column("name", sa.String(), nullable=False),
        sa.Column("rig_id", sa.String(), nullable=False),
        sa.Column("emulated", sa.Boolean(), nullable=False),
        sa.Column("firmware", sa.String(), nullable=False),
        sa.Column("last_seen_at", TIME, nullable=False),
        sa.Column("last_run", sa.BigInteger(), nullable=True),
        sa.PrimaryKeyConstraint("id", name="pk_rigs"),
        sa.UniqueConstraint("station", "name", "rig_id", "emulated", name="uq_rigs_station_name_rig_id_emulated"),
    )


def _specifications() -> None:
    op.create_table(
        "specifications",
        sa.Column("id", KEY, nullable=False),
        sa.Column("name", sa.String(), nullable=False),
        sa.Column("revision", sa.String(), nullable=False),
        sa.Column("digest", sa.String(), nullable=False),
        sa.Column("text", sa.String(), nullable=False),
        sa.Column("created_at", TIME, nullable=False),
        sa.PrimaryKeyConstraint("id", name="pk_specifications"),
        sa.UniqueConstraint("name", "revision", name="uq_specifications_name_revision"),
    )


def _units() -> None:
    op.create_table(
        "units",
        sa.Column("id", KEY, nullable=False),
        sa.Column("serial", BYTEWISE, nullable=False),
        sa.Column("product", sa.String(), nullable=False),
        sa.Column("lot", sa.String(), nullable=False),
        sa.Column("first_seen_at", TIME, nullable=False),
        sa.PrimaryKeyConstraint("id", name="pk_units"),
        sa.UniqueConstraint("serial", name="uq_units_serial"),
    )


def _fitted_parts() -> None:
    op.create_table(
        "fitted_parts",
        sa.Column("id", KEY, nullable=False),
        sa.Column("unit_key", KEY, nullable=False),
        sa.Column("stick", sa.String(), nullable=False),
        sa.Column("axis", sa.String(), nullable=False),
        sa.Column("farads", sa.Double(), nullable=False),
        sa.Column("fitted_by", sa.String(), nullable=False),
        sa.Column("fitted_at", TIME, nullable=False),
        sa.CheckConstraint("axis IN ('x', 'y')", name=op.f("ck_fitted_parts_axis")),
        sa.ForeignKeyConstraint(["unit_key"], ["units.id"], name="fk_fitted_parts_unit_key_units", ondelete="CASCADE"),
        sa.PrimaryKeyConstraint("id", name="pk_fitted_parts"),
    )
    op.create_index("ix_fitted_parts_unit_key_stick_axis", "fitted_parts", ["unit_key", "stick", "axis"])


def _runs() -> None:
    op.create_table(
        "runs",
        sa.Column("number", KEY, nullable=False),
        sa.Column("station", sa.String(), nullable=False),
        sa.Column("rig", sa.String(), nullable=False),
        sa.Column("rig_key", KEY, nullable=False),
        sa.Column("unit_key", KEY, nullable=False),
        sa.Column("specification_key", KEY, nullable=False),
        sa.Column("product", sa.String(), nullable=False),
        sa.Column("lot", sa.String(), nullable=False),
        sa.Column("calibration", sa.String(), nullable=False),
        sa.Column("software", sa.String(), nullable=False),
        sa.Column("firmware", sa.String(), nullable=False),
        sa.Column("boot", sa.BigInteger(), nullable=False),
        sa.Column("operator", sa.String(), nullable=False),
        sa.Column("emulated", sa.Boolean(), nullable=False),
        sa.Column("fitted", sa.JSON(), nullable=False),
        sa.Column("started_at", TIME, nullable=False),
        sa.Column("ended_at", TIME, nullable=True),
        sa.Column("verdict", sa.String(), nullable=True),
        sa.Column("reasons", sa.JSON(), nullable=False),
        sa.Column("explanation", sa.String(), nullable=False),
        sa.Column("evidence", sa.JSON(), nullable=False),
        sa.Column("timing", sa.JSON(), nullable=False),
        sa.CheckConstraint(VERDICTS, name=op.f("ck_runs_verdict")),
        sa.CheckConstraint("(verdict IS NULL) = (ended_at IS NULL)", name=op.f("ck_runs_ended")),
        sa.CheckConstraint("number BETWEEN 1 AND 4294967295", name=op.f("ck_runs_number")),
        sa.ForeignKeyConstraint(["rig_key"], ["rigs.id"], name="fk_runs_rig_key_rigs"),
        sa.ForeignKeyConstraint(["unit_key"], ["units.id"], name="fk_runs_unit_key_units"),
        sa.ForeignKeyConstraint(["specification_key"], ["specifications.id"], name="fk_runs_specification_key_specifications"),
        sa.PrimaryKeyConstraint("number", name="pk_runs"),
        sqlite_autoincrement=True,
    )
    op.create_index("ix_runs_emulated_started_at_number", "runs", ["emulated", "started_at", "number"])
    op.create_index("ix_runs_lot_started_at_number", "runs", ["lot", "started_at", "number"])
    op.create_index("ix_runs_product_started_at_number", "runs", ["product", "started_at", "number"])
    op.create_index("ix_runs_rig_started_at_number", "runs", ["rig", "started_at", "number"])
    op.create_index("ix_runs_started_at_number", "runs", ["started_at", "number"])
    op.create_index("ix_runs_unit_key_started_at_number", "runs", ["unit_key", "started_at", "number"])
    op.create_index("ix_runs_verdict_started_at_number", "runs", ["verdict", "started_at", "number"])


def _flick_blocks() -> None:
    op.create_table(
        "flick_blocks",
        sa.Column("run_number", KEY, nullable=False),
        sa.Column("stick", sa.String(), nullable=False),
        sa.Column("flicks", sa.Integer(), nullable=False),
        sa.Column("columns", sa.JSON(), nullable=False),
        sa.Column("flags", sa.JSON(), nullable=False),
        sa.Column("codec", sa.String(), nullable=False),
        sa.Column("data", sa.LargeBinary(), nullable=False),
        sa.Column("sha256", sa.String(), nullable=False),
        sa.ForeignKeyConstraint(["run_number"], ["runs.number"], name="fk_flick_blocks_run_number_runs", ondelete="CASCADE"),
        sa.PrimaryKeyConstraint("run_number", "stick", name="pk_flick_blocks"),
    )


def _group_results() -> None:
    op.create_table(
        "group_results",
        sa.Column("run_number", KEY, nullable=False),
        sa.Column("stick", sa.String(), nullable=False),
        sa.Column("group_name", sa.String(), nullable=False),
        sa.Column("verdict", sa.String(), nullable=False),
        sa.Column("flicks", sa.Integer(), nullable=False),
        sa.Column("flicks_used", sa.Integer(), nullable=False),
        sa.Column("peak_mean_counts", sa.Double(), nullable=True),
        sa.Column("peak_sd_counts", sa.Double(), nullable=True),
        sa.Column("peak_max_counts", sa.Double(), nullable=True),
        sa.Column("peak_u_counts", sa.Double(), nullable=True),
        sa.Column("misread_mean", sa.Double(), nullable=True),
        sa.Column("misread_upper", sa.Double(), nullable=True),
        sa.Column("return_s", sa.Double(), nullable=True),
        sa.Column("settle_s", sa.Double(), nullable=True),
        sa.Column("reach_counts", sa.Double(), nullable=True),
        sa.Column("added_lag_s", sa.Double(), nullable=True),
        sa.Column("rest_shift_counts", sa.Double(), nullable=True),
        sa.Column("cross_axis_counts", sa.Double(), nullable=True),
        sa.Column("over_zone", sa.Integer(), nullable=True),
        sa.Column("fitted_f", sa.Double(), nullable=True),
        sa.Column("accepted_by", sa.String(), nullable=False),
        sa.CheckConstraint(VERDICTS, name=op.f("ck_group_results_verdict")),
        sa.ForeignKeyConstraint(["run_number"], ["runs.number"], name="fk_group_results_run_number_runs", ondelete="CASCADE"),
        sa.PrimaryKeyConstraint("run_number", "stick", "group_name", name="pk_group_results"),
        sqlite_with_rowid=False,
    )


def _run_reasons() -> None:
    op.create_table(
        "run_reasons",
        sa.Column("run_number", KEY, nullable=False),
        sa.Column("position", sa.SmallInteger(), nullable=False),
        sa.Column("stick", sa.String(), nullable=False),
        sa.Column("code", sa.String(), nullable=False),
        sa.Column("part", sa.String(), nullable=False),
        sa.Column("started_at", TIME, nullable=False),
        sa.ForeignKeyConstraint(["run_number"], ["runs.number"], name="fk_run_reasons_run_number_runs", ondelete="CASCADE"),
        sa.PrimaryKeyConstraint("run_number", "position", name="pk_run_reasons"),
        sqlite_with_rowid=False,
    )
    op.create_index("ix_run_reasons_code_started_at_run_number", "run_reasons", ["code", "started_at", "run_number"])


def _stick_results() -> None:
    op.create_table(
        "stick_results",
        sa.Column("run_number", KEY, nullable=False),
        sa.Column("stick", sa.String(), nullable=False),
        sa.Column("verdict", sa.String(), nullable=False),
        sa.Column("rest_x_counts", sa.Double(), nullable=True),
        sa.Column("rest_y_counts", sa.Double(), nullable=True),
        sa.Column("noise_x_counts", sa.Double(), nullable=True),
        sa.Column("noise_y_counts", sa.Double(), nullable=True),
        sa.Column("supply_v", sa.Double(), nullable=True),
        sa.Column("codec", sa.String(), nullable=False),
        sa.Column("detail", sa.LargeBinary(), nullable=False),
        sa.Column("sha256", sa.String(), nullable=False),
        sa.CheckConstraint(VERDICTS, name=op.f("ck_stick_results_verdict")),
        sa.ForeignKeyConstraint(["run_number"], ["runs.number"], name="fk_stick_results_run_number_runs", ondelete="CASCADE"),
        sa.PrimaryKeyConstraint("run_number", "stick", name="pk_stick_results"),
    )


def _trace_blocks() -> None:
    op.create_table(
        "trace_blocks",
        sa.Column("run_number", KEY, nullable=False),
        sa.Column("stick", sa.String(), nullable=False),
        sa.Column("first_sample", sa.BigInteger(), nullable=False, autoincrement=False),
        sa.Column("whole", sa.Boolean(), nullable=False),
        sa.Column("samples", sa.BigInteger(), nullable=False),
        sa.Column("rate_hz", sa.Double(), nullable=False),
        sa.Column("scale_v", sa.Double(), nullable=False),
        sa.Column("supply_v", sa.Double(), nullable=False),
        sa.Column("commanded", sa.JSON(), nullable=False),
        sa.Column("codec", sa.String(), nullable=False),
        sa.Column("dtype", sa.String(), nullable=False),
        sa.Column("shape", sa.JSON(), nullable=False),
        sa.Column("data", sa.LargeBinary(), nullable=False),
        sa.Column("sha256", sa.String(), nullable=False),
        sa.ForeignKeyConstraint(["run_number"], ["runs.number"], name="fk_trace_blocks_run_number_runs", ondelete="CASCADE"),
        sa.PrimaryKeyConstraint("run_number", "stick", "first_sample", name="pk_trace_blocks"),
    )


def _monitors() -> None:
    op.create_table(
        "monitors",
        sa.Column("station", sa.String(), nullable=False),
        sa.Column("specification", sa.String(), nullable=False),
        sa.Column("document", sa.JSON(), nullable=False),
        sa.Column("kept_at", TIME, nullable=False),
        sa.PrimaryKeyConstraint("station", "specification", name="pk_monitors"),
    )
