"""Proving the rig: procedures and what came of them, what every run tells of its rig, charts and what was said of their points.

Flicks of runs that ended before this step are the flicks of their groups, null where no group was scored. First decided runs of units
that ended before are counted here as they will be from now on: in the order in which they ended.
"""

import sqlalchemy as sa
from alembic import op

revision = "0003"
down_revision = "0002"
branch_labels = None
depends_on = None

KEY = sa.BigInteger().with_variant(sa.Integer(), "sqlite")
TIME = sa.BigInteger()  # microseconds since 1970 UTC
BYTEWISE = sa.String().with_variant(sa.String(collation="C"), "postgresql")
KINDS = "kind IN ('calibration', 'reference-values', 'reference-check', 'gauge-study', 'type-1-study')"
STUDY_KINDS = "kind IN ('gauge-study', 'type-1-study')"
OPEN = sa.text("standing = 'open'")
FIGURES = (
    "push_latency_s",
    "push_jitter_s",
    "push_s",
    "release_s",
    "release_jitter_s",
    "release_speed_share_s",
    "noise_x_counts",
    "noise_y_counts",
)

FLICKS_BEFORE = """
UPDATE runs SET flicks = (SELECT sum(group_results.flicks) FROM group_results WHERE group_results.run_number = runs.number)
WHERE verdict IS NOT NULL
"""

RUN_COLUMNS = ("number", "station", "unit_key", "product", "lot", "emulated", "verdict", "ended_at")
PLACES = ("place_in_product", "place_in_lot")
FIRST_COLUMNS = ("run_number", "unit_key", "station", "product", "lot", "emulated", "failed", "continues", "ended_at", *PLACES)

COUNTS_BEFORE = """
INSERT INTO unit_counts (station, product, scope, lot, emulated, units)
SELECT station, product, 'product', '', emulated, count(*) FROM first_runs GROUP BY station, product, emulated
UNION ALL
SELECT station, product, 'lot', lot, emulated, count(*) FROM first_runs GROUP BY station, product, lot, emulated
"""


def upgrade() -> None:
    _runs()
    _procedures()
    _procedure_steps()
    _calibrations()
    _reference_units()
    _reference_checks()
    _reference_deviations()
    _studies()
    _run_health()
    _first_runs()
    _unit_counts()
    _charts()
    _chart_baselines()
    _chart_signals()
    _chart_notes()
    op.execute(FLICKS_BEFORE)
    _first_runs_before()
    op.execute(COUNTS_BEFORE)


def _runs() -> None:
    op.add_column("runs", sa.Column("flicks", sa.Integer(), nullable=True))
    op.create_index("ix_runs_calibration_flicks", "runs", ["calibration", "flicks"])


def _procedures() -> None:
    op.create_table(
        "procedures",
        sa.Column("id", KEY, nullable=False),
        sa.Column("station", sa.String(), nullable=False),
        sa.Column("rig", sa.String(), nullable=False),
        sa.Column("kind", sa.String(), nullable=False),
        sa.Column("rig_id", sa.String(), nullable=False),
        sa.Column("emulated", sa.Boolean(), nullable=False),
        sa.Column("firmware", sa.String(), nullable=False),
        sa.Column("plan", sa.JSON(), nullable=False),
        sa.Column("opened_by", sa.String(), nullable=False),
        sa.Column("opened_at", TIME, nullable=False),
        sa.Column("standing", sa.String(), nullable=False),
        sa.Column("ended_at", TIME, nullable=True),
        sa.Column("cause", sa.String(), nullable=False),
        sa.Column("outcome", sa.BigInteger(), nullable=True),
        sa.CheckConstraint(KINDS, name=op.f("ck_procedures_kind")),
        sa.CheckConstraint("standing IN ('open', 'done', 'abandoned')", name=op.f("ck_procedures_standing")),
        sa.CheckConstraint("(ended_at IS NULL) = (standing = 'open')", name=op.f("ck_procedures_ended")),
        sa.CheckConstraint("(outcome IS NULL) = (standing <> 'done')", name=op.f("ck_procedures_outcome")),
        sa.PrimaryKeyConstraint("id", name="pk_procedures"),
        sqlite_autoincrement=True,
    )
    op.create_index("uq_procedures_station_rig", "procedures", ["station", "rig"], unique=True, sqlite_where=OPEN, postgresql_where=OPEN)
    for column in ("kind", "rig", "standing"):
        op.create_index(f"ix_procedures_{column}_id", "procedures", [column, "id"])


def _procedure_steps() -> None:
    op.create_table(
        "procedure_steps",
        sa.Column("procedure_key", KEY, nullable=False, autoincrement=False),
        sa.Column("position", sa.SmallInteger(), nullable=False, autoincrement=False),
        sa.Column("attempt", sa.Integer(), nullable=False, autoincrement=False),
        sa.Column("name", sa.String(), nullable=False),
        sa.Column("kept_by", sa.String(), nullable=False),
        sa.Column("kept_at", TIME, nullable=False),
        sa.Column("codec", sa.String(), nullable=False),
        sa.Column("figures", sa.LargeBinary(), nullable=False),
        sa.Column("sha256", sa.String(), nullable=False),
        sa.ForeignKeyConstraint(
            ["procedure_key"], ["procedures.id"], name="fk_procedure_steps_procedure_key_procedures", ondelete="CASCADE"
        ),
        sa.PrimaryKeyConstraint("procedure_key", "position", "attempt", name="pk_procedure_steps"),
    )


def _procedure(table: str) -> list[sa.schema.SchemaItem]:
    """The column that every outcome has of its procedure, and its constraints."""
    return [
        sa.Column("procedure_key", KEY, nullable=False),
        sa.ForeignKeyConstraint(["procedure_key"], ["procedures.id"], name=f"fk_{table}_procedure_key_procedures"),
        sa.UniqueConstraint("procedure_key", name=f"uq_{table}_procedure_key"),
    ]


def _calibrations() -> None:
    op.create_table(
        "calibrations",
        sa.Column("id", KEY, nullable=False),
        *_procedure("calibrations"),
        sa.Column("station", sa.String(), nullable=False),
        sa.Column("rig", sa.String(), nullable=False),
        sa.Column("rig_id", sa.String(), nullable=False),
        sa.Column("emulated", sa.Boolean(), nullable=False),
        sa.Column("firmware", sa.String(), nullable=False),
        sa.Column("accepted", sa.Boolean(), nullable=False),
        sa.Column("problems", sa.JSON(), nullable=False),
        sa.Column("made_by", sa.String(), nullable=False),
        sa.Column("made_at", TIME, nullable=False),
        sa.Column("valid_until", TIME, nullable=False),
        sa.Column("flicks_max", sa.BigInteger(), nullable=False),
        sa.Column("codec", sa.String(), nullable=False),
        sa.Column("document", sa.LargeBinary(), nullable=False),
        sa.Column("sha256", sa.String(), nullable=False),
        sa.PrimaryKeyConstraint("id", name="pk_calibrations"),
        sqlite_autoincrement=True,
    )
    op.create_index(
        "ix_calibrations_station_rig_id_emulated_accepted_id", "calibrations", ["station", "rig_id", "emulated", "accepted", "id"]
    )
    op.create_index("ix_calibrations_rig_id", "calibrations", ["rig", "id"])


def _reference_units() -> None:
    op.create_table(
        "reference_units",
        sa.Column("id", KEY, nullable=False),
        *_procedure("reference_units"),
        sa.Column("station", sa.String(), nullable=False),
        sa.Column("serial", BYTEWISE, nullable=False),
        sa.Column("product", sa.String(), nullable=False),
        sa.Column("rig_id", sa.String(), nullable=False),
        sa.Column("emulated", sa.Boolean(), nullable=False),
        sa.Column("known", sa.JSON(), nullable=False),
        sa.Column("specification", sa.String(), nullable=False),
        sa.Column("made_by", sa.String(), nullable=False),
        sa.Column("made_at", TIME, nullable=False),
        sa.PrimaryKeyConstraint("id", name="pk_reference_units"),
        sqlite_autoincrement=True,
    )
    op.create_index(
        "ix_reference_units_station_rig_id_emulated_serial_id", "reference_units", ["station", "rig_id", "emulated", "serial", "id"]
    )


def _reference_checks() -> None:
    op.create_table(
        "reference_checks",
        sa.Column("id", KEY, nullable=False),
        *_procedure("reference_checks"),
        sa.Column("station", sa.String(), nullable=False),
        sa.Column("rig", sa.String(), nullable=False),
        sa.Column("rig_id", sa.String(), nullable=False),
        sa.Column("emulated", sa.Boolean(), nullable=False),
        sa.Column("firmware", sa.String(), nullable=False),
        sa.Column("calibration", sa.String(), nullable=False),
        sa.Column("serial", BYTEWISE, nullable=False),
        sa.Column("product", sa.String(), nullable=False),
        sa.Column("deviations", sa.JSON(), nullable=False),
        sa.Column("within", sa.Boolean(), nullable=False),
        sa.Column("made_by", sa.String(), nullable=False),
        sa.Column("made_at", TIME, nullable=False),
        sa.PrimaryKeyConstraint("id", name="pk_reference_checks"),
        sqlite_autoincrement=True,
    )
    op.create_index("ix_reference_checks_station_rig_id_emulated_id", "reference_checks", ["station", "rig_id", "emulated", "id"])
    op.create_index("ix_reference_checks_rig_id", "reference_checks", ["rig", "id"])


def _reference_deviations() -> None:
    op.create_table(
        "reference_deviations",
        sa.Column("check_key", KEY, nullable=False, autoincrement=False),
        sa.Column("stick", sa.String(), nullable=False),
        sa.Column("place", sa.String(), nullable=False),
        sa.Column("figure", sa.String(), nullable=False),
        sa.Column("measured", sa.Double(), nullable=True),
        sa.Column("reference", sa.Double(), nullable=False),
        sa.Column("allowed", sa.Double(), nullable=False),
        sa.ForeignKeyConstraint(
            ["check_key"], ["reference_checks.id"], name="fk_reference_deviations_check_key_reference_checks", ondelete="CASCADE"
        ),
        sa.PrimaryKeyConstraint("check_key", "stick", "place", "figure", name="pk_reference_deviations"),
        sqlite_with_rowid=False,
    )


def _studies() -> None:
    op.create_table(
        "studies",
        sa.Column("id", KEY, nullable=False),
        *_procedure("studies"),
        sa.Column("kind", sa.String(), nullable=False),
        sa.Column("station", sa.String(), nullable=False),
        sa.Column("rig", sa.String(), nullable=False),
        sa.Column("rig_id", sa.String(), nullable=False),
        sa.Column("emulated", sa.Boolean(), nullable=False),
        sa.Column("product", sa.String(), nullable=False),
        sa.Column("specification", sa.String(), nullable=False),
        sa.Column("accepted", sa.Boolean(), nullable=False),
        sa.Column("problems", sa.JSON(), nullable=False),
        sa.Column("peak_u_counts", sa.Double(), nullable=True),
        sa.Column("made_by", sa.String(), nullable=False),
        sa.Column("made_at", TIME, nullable=False),
        sa.Column("codec", sa.String(), nullable=False),
        sa.Column("document", sa.LargeBinary(), nullable=False),
        sa.Column("sha256", sa.String(), nullable=False),
        sa.CheckConstraint(STUDY_KINDS, name=op.f("ck_studies_kind")),
        sa.PrimaryKeyConstraint("id", name="pk_studies"),
        sqlite_autoincrement=True,
    )
    op.create_index("ix_studies_station_product_emulated_id", "studies", ["station", "product", "emulated", "id"])


def _run_health() -> None:
    op.create_table(
        "run_health",
        sa.Column("run_number", KEY, nullable=False, autoincrement=False),
        sa.Column("rig_key", KEY, nullable=False),
        sa.Column("invalid", sa.Boolean(), nullable=False),
        sa.Column("started_at", TIME, nullable=False),
        *(sa.Column(name, sa.Double(), nullable=True) for name in FIGURES),
        sa.ForeignKeyConstraint(["run_number"], ["runs.number"], name="fk_run_health_run_number_runs", ondelete="CASCADE"),
        sa.ForeignKeyConstraint(["rig_key"], ["rigs.id"], name="fk_run_health_rig_key_rigs"),
        sa.PrimaryKeyConstraint("run_number", name="pk_run_health"),
    )
    op.create_index("ix_run_health_rig_key_invalid_started_at", "run_health", ["rig_key", "invalid", "started_at"])


def _first_runs() -> None:
    op.create_table(
        "first_runs",
        sa.Column("run_number", KEY, nullable=False, autoincrement=False),
        sa.Column("unit_key", KEY, nullable=False),
        sa.Column("station", sa.String(), nullable=False),
        sa.Column("product", sa.String(), nullable=False),
        sa.Column("lot", sa.String(), nullable=False),
        sa.Column("emulated", sa.Boolean(), nullable=False),
        sa.Column("failed", sa.Boolean(), nullable=False),
        sa.Column("continues", sa.BigInteger(), nullable=False),
        sa.Column("ended_at", TIME, nullable=False),
        sa.Column("place_in_product", sa.BigInteger(), nullable=False),
        sa.Column("place_in_lot", sa.BigInteger(), nullable=False),
        sa.ForeignKeyConstraint(["run_number"], ["runs.number"], name="fk_first_runs_run_number_runs", ondelete="CASCADE"),
        sa.ForeignKeyConstraint(["unit_key"], ["units.id"], name="fk_first_runs_unit_key_units"),
        sa.PrimaryKeyConstraint("run_number", name="pk_first_runs"),
        sa.UniqueConstraint("station", "unit_key", "emulated", name="uq_first_runs_station_unit_key_emulated"),
        sa.UniqueConstraint("station", "product", "emulated", "place_in_product", name="uq_first_runs_place_in_product"),
        sa.UniqueConstraint("station", "product", "lot", "emulated", "place_in_lot", name="uq_first_runs_place_in_lot"),
    )


def _first_runs_before() -> None:
    """Of each unit the decided run that ended first, numbered within its product and within its lot."""
    run = sa.table("runs", *(sa.column(name) for name in RUN_COLUMNS), sa.column("evidence", sa.JSON()))
    columns = [run.c[name] for name in RUN_COLUMNS]
    continues = sa.func.coalesce(run.c.evidence["continues"].as_integer(), 0).label("continues")
    ended = (run.c.ended_at, run.c.number)
    turn = sa.func.row_number().over(partition_by=(run.c.unit_key, run.c.emulated), order_by=ended).label("turn")
    decided = sa.select(*columns, continues, turn).where(run.c.verdict.in_(("pass", "fail"))).subquery()
    same, order = (decided.c.station, decided.c.product), (decided.c.ended_at, decided.c.number)
    chosen = sa.select(
        decided.c.number,
        decided.c.unit_key,
        *same,
        decided.c.lot,
        decided.c.emulated,
        decided.c.verdict == "fail",
        decided.c.continues,
        decided.c.ended_at,
        sa.func.row_number().over(partition_by=(*same, decided.c.emulated), order_by=order),
        sa.func.row_number().over(partition_by=(*same, decided.c.lot, decided.c.emulated), order_by=order),
    ).where(decided.c.turn == 1)
    op.execute(sa.insert(sa.table("first_runs", *(sa.column(name) for name in FIRST_COLUMNS))).from_select(FIRST_COLUMNS, chosen))


def _unit_counts() -> None:
    op.create_table(
        "unit_counts",
        sa.Column("station", sa.String(), nullable=False),
        sa.Column("product", sa.String(), nullable=False),
        sa.Column("scope", sa.String(), nullable=False),
        sa.Column("lot", sa.String(), nullable=False),
        sa.Column("emulated", sa.Boolean(), nullable=False),
        sa.Column("units", sa.BigInteger(), nullable=False),
        sa.CheckConstraint("scope IN ('lot', 'product')", name=op.f("ck_unit_counts_scope")),
        sa.PrimaryKeyConstraint("station", "product", "scope", "lot", "emulated", name="pk_unit_counts"),
    )


def _charts() -> None:
    op.create_table(
        "charts",
        sa.Column("id", KEY, nullable=False),
        sa.Column("station", sa.String(), nullable=False),
        sa.Column("what", sa.String(), nullable=False),
        sa.Column("rig", sa.String(), nullable=False),
        sa.Column("product", sa.String(), nullable=False),
        sa.Column("lot", sa.String(), nullable=False),
        sa.Column("figure", sa.String(), nullable=False),
        sa.Column("rig_id", sa.String(), nullable=False),
        sa.Column("emulated", sa.Boolean(), nullable=False),
        sa.PrimaryKeyConstraint("id", name="pk_charts"),
        sa.UniqueConstraint("station", "what", "rig", "product", "lot", "figure", "rig_id", "emulated", name="uq_charts_key"),
    )


def _chart(table: str) -> list[sa.schema.SchemaItem]:
    """The columns that everything said of a chart begins with."""
    return [
        sa.Column("id", KEY, nullable=False),
        sa.Column("chart_key", KEY, nullable=False),
        sa.ForeignKeyConstraint(["chart_key"], ["charts.id"], name=f"fk_{table}_chart_key_charts"),
        sa.PrimaryKeyConstraint("id", name=f"pk_{table}"),
    ]


def _chart_baselines() -> None:
    op.create_table(
        "chart_baselines",
        *_chart("chart_baselines"),
        sa.Column("first", sa.String(), nullable=False),
        sa.Column("last", sa.String(), nullable=False),
        sa.Column("limits", sa.JSON(), nullable=False),
        sa.Column("rules", sa.JSON(), nullable=False),
        sa.Column("made_by", sa.String(), nullable=False),
        sa.Column("made_at", TIME, nullable=False),
    )
    op.create_index("ix_chart_baselines_chart_key_id", "chart_baselines", ["chart_key", "id"])


def _chart_signals() -> None:
    op.create_table(
        "chart_signals",
        *_chart("chart_signals"),
        sa.Column("point", sa.String(), nullable=False),
        sa.Column("rule", sa.String(), nullable=False),
        sa.Column("points", sa.JSON(), nullable=False),
        sa.Column("sentence", sa.String(), nullable=False),
        sa.Column("seen_at", TIME, nullable=False),
        sa.UniqueConstraint("chart_key", "point", "rule", name="uq_chart_signals_chart_key_point_rule"),
    )
    op.create_index("ix_chart_signals_chart_key_id", "chart_signals", ["chart_key", "id"])


def _chart_notes() -> None:
    op.create_table(
        "chart_notes",
        *_chart("chart_notes"),
        sa.Column("point", sa.String(), nullable=False),
        sa.Column("cause", sa.String(), nullable=False),
        sa.Column("action", sa.String(), nullable=False),
        sa.Column("made_by", sa.String(), nullable=False),
        sa.Column("made_at", TIME, nullable=False),
    )
    op.create_index("ix_chart_notes_chart_key_point_id", "chart_notes", ["chart_key", "point", "id"])
