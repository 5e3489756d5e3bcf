"""Numbers on a line: a station's own number led by the station's place, so that no two stations share one and each can be read off.

Run 12 of the station in place 3 is run 30 000 012 of the line. The same holds for orders, procedures, calibrations, checks, studies and
charts, and wherever a record names another. Blocks get their digest anew, since it covers the number; what it said before is checked first.
"""

from collections.abc import Callable, Mapping, Sequence
from typing import Any, Final

from db.base import RUN_NUMBER_MAX
from db.blocks import digest
from db.queries.rework import advice_about
from db.writing import detail_about, flick_about, trace_about
from station.errors import StoreError, UsageError
from station.proof import calibration_name

NUMBERS_MAX: Final = 10_000_000
"""Numbers of one station: below this. Chosen: 27 years of a thousand runs a day; leaves room for PLACES_MAX stations."""

PLACES_MAX: Final = RUN_NUMBER_MAX // NUMBERS_MAX - 1

Row = dict[str, Any]
Rows = Mapping[str, Sequence[Row]]

OF_RUN: Final = ("run_number",)
OF_PROCEDURE: Final = ("id", "procedure_key")
OF_CHART: Final = ("id", "chart_key")
NUMBERS: Final[Mapping[str, Sequence[str]]] = {
    "runs": ("number",),
    "run_reasons": OF_RUN,
    "stick_results": OF_RUN,
    "group_results": OF_RUN,
    "flick_blocks": OF_RUN,
    "trace_blocks": OF_RUN,
    "run_health": OF_RUN,
    "first_runs": ("run_number", "continues"),
    "advices": OF_RUN,
    "fitted_parts": ("id",),
    "rework_orders": ("id", "failing_run"),
    "rework_tries": ("order_key", "advice_run", "retest_run"),
    "rework_parts": ("order_key",),
    "ledger": ("id", "order_key", "run_number"),
    "procedures": ("id", "outcome"),
    "procedure_steps": ("procedure_key",),
    "calibrations": OF_PROCEDURE,
    "reference_units": OF_PROCEDURE,
    "reference_checks": OF_PROCEDURE,
    "reference_deviations": ("check_key",),
    "studies": OF_PROCEDURE,
    "charts": ("id",),
    "chart_baselines": OF_CHART,
    "chart_signals": OF_CHART,
    "chart_notes": OF_CHART,
}
"""Columns that hold a number of the station, by table. Nothing (null, 0) stays nothing."""

POINTS: Final[Mapping[str, Sequence[str]]] = {
    "chart_baselines": ("first", "last"),
    "chart_signals": ("point", "points"),
    "chart_notes": ("point",),
}
"""Columns that name points of a chart: numbers of runs or checks, as text or a list of texts."""

CALIBRATED: Final = ("runs", "reference_checks")  # tables that name a calibration

BLOCKS: Final[Mapping[str, tuple[str, Callable[[Row], Row]]]] = {
    "stick_results": ("detail", lambda row: detail_about(row["run_number"], row["stick"])),
    "flick_blocks": ("data", lambda row: flick_about(row["run_number"], row["stick"], row)),
    "trace_blocks": ("data", lambda row: trace_about(row["run_number"], row["stick"], row)),
    "advices": ("document", lambda row: advice_about(row["run_number"], row["stick"])),
    "procedure_steps": ("figures", lambda row: _about_step(row)),
    "calibrations": ("document", lambda row: {"kind": "calibration", "procedure": row["procedure_key"]}),
    "studies": ("document", lambda row: {"kind": "study", "procedure": row["procedure_key"]}),
}
"""The packed column of a table, and what its digest covers beside it."""


def line_number(place: int, own: int) -> int:
    """Number on the line of a station's own number. Raises UsageError outside 1 .. PLACES_MAX or 1 .. NUMBERS_MAX - 1."""
    if not 1 <= place <= PLACES_MAX:
        raise UsageError(f"place of a station is {place}; expected 1 to {PLACES_MAX}")
    if not 1 <= own < NUMBERS_MAX:
        raise UsageError(f"number of a record is {own}; expected 1 to {NUMBERS_MAX - 1}")
    return place * NUMBERS_MAX + own


def own_number(number: int) -> tuple[int, int]:
    """A station's place, 0 for a number of a station's own database, and the station's own number."""
    return number // NUMBERS_MAX, number % NUMBERS_MAX


def to_line(rows: Rows, place: int) -> Rows:
    """Rows as the line has them. Raises UsageError for a number too large; StoreError naming a damaged block."""
    return {name: [_moved(name, row, lambda own: line_number(place, own)) for row in some] for name, some in rows.items()}


def from_line(rows: Rows, place: int) -> Rows:
    """Rows as the station in a place has them: the inverse of to_line. Raises StoreError naming a damaged block."""
    return {name: [_moved(name, row, lambda one: own_number(one)[1]) for row in some] for name, some in rows.items()}


def _moved(table: str, row: Row, move: Callable[[int], int]) -> Row:
    moved = dict(row)
    for column in NUMBERS.get(table, ()):
        moved[column] = move(row[column]) if row[column] else row[column]
    for column in POINTS.get(table, ()):
        moved[column] = _points(row[column], move)
    if table in CALIBRATED:
        moved["calibration"] = _calibration(row["calibration"], move)
    if table == "runs" and row["evidence"].get("continues"):
        moved["evidence"] = {**row["evidence"], "continues": move(row["evidence"]["continues"])}
    if table in BLOCKS:
        moved["sha256"] = _digest(table, row, moved)
    return moved


def _points(value: Any, move: Callable[[int], int]) -> Any:
    if isinstance(value, list):
        return [_points(one, move) for one in value]
    return str(move(int(value))) if value.isdecimal() and int(value) else value


def _calibration(name: str, move: Callable[[int], int]) -> str:
    """Names that calibrations of the station have; any other word stays as it is."""
    number = name.rpartition("-")[2]
    if not (number.isascii() and number.isdecimal() and int(number)) or name != calibration_name(int(number)):
        return name
    return calibration_name(move(int(number)))


def _digest(table: str, before: Row, after: Row) -> str:
    column, about = BLOCKS[table]
    if digest(before[column], {"codec": before["codec"], **about(before)}) != before["sha256"]:
        which = next(f"{name} {before[name]}" for name in ("run_number", "procedure_key") if name in before).replace("_", " ")
        raise StoreError(f"{table.replace('_', ' ')} of {which} do not match their SHA-256: the record is damaged", refused=True)
    return digest(after[column], {"codec": after["codec"], **about(after)})


def _about_step(row: Row) -> Row:
    return {"kind": "step", "procedure": row["procedure_key"], "position": row["position"], "name": row["name"]}
