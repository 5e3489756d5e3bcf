"""Yield: narrow rows beside the runs, which of a unit's decided runs is first and newest, and sums of figures by day.

Filled here from the runs that are there, as they will be kept from now on.
"""

from collections import defaultdict
from itertools import groupby

import sqlalchemy as sa
from alembic import op

revision = "0004"
down_revision = "0003"
branch_labels = None
depends_on = None

KEY = sa.BigInteger().with_variant(sa.Integer(), "sqlite")
TIME = sa.BigInteger()  # microseconds since 1970 UTC
BYTEWISE = sa.String().with_variant(sa.String(collation="C"), "postgresql")
KIND = ("station", "product", "specification_key", "lot", "rig", "operator", "emulated")
KEYS = ("emulated", "started_at", "run_number", "kind_key")
FAILED = sa.text("verdict = 'fail'")
STANDING = sa.text("newest AND verdict = 'fail'")
GROUPS = ("x+", "x-", "y+", "y-")
CHUNK = 10_000

KINDS_BEFORE = """
INSERT INTO yield_kinds (station, product, specification_key, lot, rig, operator, emulated)
SELECT DISTINCT station, product, specification_key, lot, rig, operator, emulated FROM runs WHERE verdict IS NOT NULL
"""

RUNS_BEFORE = """
INSERT INTO yield_runs (emulated, started_at, run_number, kind_key, unit_key, verdict,
                        first, newest, final_passed, failed_groups, open_groups, final_groups)
SELECT runs.emulated, runs.started_at, runs.number, yield_kinds.id, runs.unit_key, runs.verdict,
       coalesce(turns.turn = 1, false), coalesce(turns.from_end = 1, false), coalesce(turns.turn = 1 AND turns.last = 'pass', false),
       '', '', ''
FROM runs
JOIN yield_kinds ON yield_kinds.station = runs.station AND yield_kinds.product = runs.product
    AND yield_kinds.specification_key = runs.specification_key AND yield_kinds.lot = runs.lot AND yield_kinds.rig = runs.rig
    AND yield_kinds.operator = runs.operator AND yield_kinds.emulated = runs.emulated
LEFT JOIN (
    SELECT number,
           row_number() OVER (PARTITION BY unit_key, emulated ORDER BY started_at, number) AS turn,
           row_number() OVER (PARTITION BY unit_key, emulated ORDER BY started_at DESC, number DESC) AS from_end,
           first_value(verdict) OVER (PARTITION BY unit_key, emulated ORDER BY started_at DESC, number DESC) AS last
    FROM runs WHERE verdict IN ('pass', 'fail')
) AS turns ON turns.number = runs.number
WHERE runs.verdict IS NOT NULL
"""

FIGURES_BEFORE = """
INSERT INTO yield_figures (day, kind_key, figure, units, count, total, squares)
SELECT day, kind_key, figure, count(DISTINCT run_number), count(*), sum(value), sum(value * value)
FROM (
    SELECT (y.started_at - y.started_at % 86400000000) / 86400000000 AS day, y.kind_key, y.run_number, f.figure, f.value
    FROM yield_runs AS y
    JOIN (
        SELECT run_number, 'peak' AS figure, peak_mean_counts AS value FROM group_results
        UNION ALL SELECT run_number, 'reach', reach_counts FROM group_results
        UNION ALL SELECT run_number, 'return', return_s FROM group_results
        UNION ALL SELECT run_number, 'rest', rest_x_counts FROM stick_results
        UNION ALL SELECT run_number, 'rest', rest_y_counts FROM stick_results
    ) AS f ON f.run_number = y.run_number
    WHERE y.first AND f.value IS NOT NULL
) AS known
GROUP BY day, kind_key, figure
"""

Places = dict[int, list[tuple[str, str, str]]]


def upgrade() -> None:
    _kinds()
    _runs()
    _figures()
    op.create_index("ix_rework_orders_failing_run_state_tries", "rework_orders", ["failing_run", "state", "tries"])
    op.execute(KINDS_BEFORE)
    op.execute(RUNS_BEFORE)
    _groups_before()
    op.execute(FIGURES_BEFORE)


def _kinds() -> None:
    op.create_table(
        "yield_kinds",
        sa.Column("id", KEY, nullable=False),
        sa.Column("station", sa.String(), nullable=False),
        sa.Column("product", sa.String(), nullable=False),
        sa.Column("specification_key", KEY, nullable=False),
        sa.Column("lot", sa.String(), nullable=False),
        sa.Column("rig", sa.String(), nullable=False),
        sa.Column("operator", sa.String(), nullable=False),
        sa.Column("emulated", sa.Boolean(), nullable=False),
        sa.ForeignKeyConstraint(["specification_key"], ["specifications.id"], name="fk_yield_kinds_specification_key_specifications"),
        sa.PrimaryKeyConstraint("id", name="pk_yield_kinds"),
        sa.UniqueConstraint(*KIND, name="uq_yield_kinds_key"),
    )


def _runs() -> None:
    op.create_table(
        "yield_runs",
        sa.Column("emulated", sa.Boolean(), nullable=False),
        sa.Column("started_at", TIME, nullable=False, autoincrement=False),
        sa.Column("run_number", KEY, nullable=False, autoincrement=False),
        sa.Column("kind_key", KEY, nullable=False),
        sa.Column("unit_key", KEY, nullable=False),
        sa.Column("verdict", sa.String(), nullable=False),
        *(sa.Column(name, sa.Boolean(), nullable=False) for name in ("first", "newest", "final_passed")),
        *(sa.Column(name, sa.String(), nullable=False) for name in ("failed_groups", "open_groups", "final_groups")),
        sa.ForeignKeyConstraint(["run_number"], ["runs.number"], name="fk_yield_runs_run_number_runs", ondelete="CASCADE"),
        sa.ForeignKeyConstraint(["kind_key"], ["yield_kinds.id"], name="fk_yield_runs_kind_key_yield_kinds"),
        sa.ForeignKeyConstraint(["unit_key"], ["units.id"], name="fk_yield_runs_unit_key_units"),
        sa.PrimaryKeyConstraint("emulated", "started_at", "run_number", name="pk_yield_runs"),
        sqlite_with_rowid=False,
    )
    op.create_index("ix_yield_runs_run_number", "yield_runs", ["run_number"], unique=True)
    failed = [*KEYS, "unit_key", "first", "failed_groups", "open_groups"]
    op.create_index("ix_yield_runs_failed", "yield_runs", failed, sqlite_where=FAILED, postgresql_where=FAILED)
    op.create_index("ix_yield_runs_standing", "yield_runs", list(KEYS), sqlite_where=STANDING, postgresql_where=STANDING)


def _figures() -> None:
    op.create_table(
        "yield_figures",
        sa.Column("day", sa.Integer(), nullable=False, autoincrement=False),
        sa.Column("kind_key", KEY, nullable=False, autoincrement=False),
        sa.Column("figure", sa.String(), nullable=False),
        sa.Column("units", sa.BigInteger(), nullable=False),
        sa.Column("count", sa.BigInteger(), nullable=False),
        sa.Column("total", sa.Double(), nullable=False),
        sa.Column("squares", sa.Double(), nullable=False),
        sa.ForeignKeyConstraint(["kind_key"], ["yield_kinds.id"], name="fk_yield_figures_kind_key_yield_kinds"),
        sa.PrimaryKeyConstraint("day", "kind_key", "figure", name="pk_yield_figures"),
        sqlite_with_rowid=False,
    )


def _groups_before() -> None:
    """Which groups a failed run failed, and which it left open, told on the run itself and on its unit's first decided run."""
    connection = op.get_bind()
    runs = sa.table("runs", sa.column("number"), sa.column("verdict"), sa.column("evidence", sa.JSON()))
    failed = sa.select(runs.c.number, runs.c.evidence["continues"].as_integer()).where(runs.c.verdict == "fail").order_by(runs.c.number)
    queue = connection.execute(failed).all()
    for begin in range(0, len(queue), CHUNK):
        some = queue[begin : begin + CHUNK]
        _mark(connection, {number: bool(continues) for number, continues in some})
    first = "first AND NOT final_passed"
    newest = "SELECT marked.groups FROM marked WHERE marked.unit_key = yield_runs.unit_key AND marked.emulated = yield_runs.emulated"
    marked = "SELECT unit_key, emulated, final_groups AS groups FROM yield_runs WHERE newest AND verdict = 'fail'"
    connection.exec_driver_sql(f"CREATE TEMPORARY TABLE marked AS {marked}")
    connection.exec_driver_sql("CREATE INDEX ix_marked ON marked (unit_key, emulated)")
    connection.exec_driver_sql("UPDATE yield_runs SET final_groups = '' WHERE verdict = 'fail' AND NOT first")
    connection.exec_driver_sql("UPDATE yield_runs SET final_groups = '' WHERE first AND final_passed")
    connection.exec_driver_sql(f"UPDATE yield_runs SET final_groups = coalesce(({newest}), '') WHERE {first}")
    connection.exec_driver_sql("DROP TABLE marked")


def _mark(connection: sa.Connection, runs: dict[int, bool]) -> None:
    """final_groups holds all that a run did not pass until the newest run's are told on the first. runs: whether each continues another."""
    low, high = min(runs), max(runs)
    groups = _places(connection, "SELECT run_number, stick, group_name, verdict FROM group_results", low, high)
    reasons = _places(connection, "SELECT run_number, stick, part, '' FROM run_reasons", low, high)
    sticks = _places(connection, "SELECT run_number, stick, '', '' FROM stick_results", low, high)
    values = []
    for number, continues in runs.items():
        told = {(stick, group): verdict for stick, group, verdict in groups[number]}
        named = {(stick, part) for stick, part, _ in reasons[number]}
        failed: list[str] = []
        undecided: list[str] = []
        for stick, group in ((stick, group) for stick in sorted(stick for stick, _, _ in sticks[number]) for group in GROUPS):
            verdict = told.get((stick, group)) or _untold(stick, group, named, continues)
            if verdict != "pass":
                (failed if verdict == "fail" else undecided).append(f"{stick} {group}")
        neither = sorted([*failed, *undecided], key=lambda place: (place.partition(" ")[0], GROUPS.index(place.partition(" ")[2])))
        values.append({"n": number, "f": ",".join(failed), "o": ",".join(undecided), "b": ",".join(neither)})
    update = sa.text("UPDATE yield_runs SET failed_groups = :f, open_groups = :o, final_groups = :b WHERE run_number = :n")
    connection.execute(update, values)


def _untold(stick: str, group: str, named: set[tuple[str, str]], continues: bool) -> str:
    if (stick, group) in named or (stick, group[0]) in named:
        return "fail"
    return "pass" if continues else "undecided"


def _places(connection: sa.Connection, query: str, low: int, high: int) -> Places:
    rows = connection.execute(sa.text(f"{query} WHERE run_number BETWEEN :low AND :high ORDER BY 1"), {"low": low, "high": high})
    found: Places = defaultdict(list)
    for number, some in groupby(rows, key=lambda row: row[0]):
        found[number] = [(row[1], row[2], row[3]) for row in some]
    return found
