"""Things as they are sent to a line: all rows of a run, an order and the like, read from one state of a database.

Units, rigs and specifications go along by name, without the keys that they have in this one database.
"""

import hashlib
import json
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any, Final

from sqlalchemy import Connection, select

from db.base import Base, to_us
from db.line_numbers import Row, Rows
from db.models import FittedPart, FlickBlock, GroupResult, Rig, Run, RunReason, Specification, StickResult, TraceBlock, Unit
from db.models_charts import Chart, ChartBaseline, ChartNote, ChartSignal, FirstRun
from db.models_proof import (
    CalibrationRecord,
    ProcedureRecord,
    ProcedureStep,
    ReferenceCheckRecord,
    ReferenceDeviation,
    ReferenceUnitRecord,
    RunHealth,
    StudyRecord,
)
from db.models_rework import Advice, LedgerEntry, ReworkOrder, ReworkPart, ReworkTry
from db.outbox import Kind

Table = type[Base]

PARTS: Final[Mapping[Kind, Mapping[Table, str]]] = {
    Kind.RUN: {
        Run: "number",
        RunReason: "run_number",
        StickResult: "run_number",
        GroupResult: "run_number",
        FlickBlock: "run_number",
        TraceBlock: "run_number",
        RunHealth: "run_number",
        FirstRun: "run_number",
    },
    Kind.UNIT: {FittedPart: "unit_key"},
    Kind.ORDER: {ReworkOrder: "id", ReworkTry: "order_key", ReworkPart: "order_key", LedgerEntry: "order_key"},
    Kind.ADVICE: {Advice: "run_number"},
    Kind.PROCEDURE: {
        ProcedureRecord: "id",
        ProcedureStep: "procedure_key",
        CalibrationRecord: "procedure_key",
        ReferenceUnitRecord: "procedure_key",
        ReferenceCheckRecord: "procedure_key",
        StudyRecord: "procedure_key",
    },
    Kind.CHART: {Chart: "id", ChartBaseline: "chart_key", ChartSignal: "chart_key", ChartNote: "chart_key"},
}
"""Tables of each kind, those first to which the others refer, and the column that holds the number of the thing."""

NAMED: Final[Mapping[str, Table]] = {"unit_key": Unit, "rig_key": Rig, "specification_key": Specification}
"""Keys of this database that are not sent, and whose rows go along instead. A thing has at most one of each."""

OUTSIDE: Final = ("trace_blocks",)
"""Tables that the digest of a thing leaves out: traces may be thrown away later. Each has its own digest."""


@dataclass(frozen=True, slots=True)
class Record:
    """rows: by table. named: the unit, the rig and the specification that it rests on, without their keys."""

    kind: Kind
    number: int
    rows: Rows
    named: Mapping[str, Row]

    def sha256(self) -> str:
        """Of its content. Two records with the same content have the same, whichever database they were read from."""
        content = {name: sorted(_line(row) for row in some) for name, some in self.rows.items() if name not in OUTSIDE}
        names = {"units": ("serial",), "rigs": ("station", "name", "rig_id", "emulated"), "specifications": ("name", "revision", "digest")}
        known = {table: [row[name] for name in names[table]] for table, row in self.named.items()}
        return hashlib.sha256(json.dumps([self.kind, self.number, content, known], sort_keys=True).encode()).hexdigest()


def read_record(connection: Connection, kind: Kind, number: int) -> Record | None:
    """None when it is not there (any more)."""
    rows = {table.__tablename__: _rows(connection, table, key, number) for table, key in PARTS[kind].items()}
    first = next(iter(rows.values()))
    if not first:
        return None
    if kind is Kind.PROCEDURE:
        checks = [row["id"] for row in rows["reference_checks"]]
        rows["reference_deviations"] = [one for check in checks for one in _rows(connection, ReferenceDeviation, "check_key", check)]
    named = {table.__tablename__: _named(connection, table, first[0][key]) for key, table in NAMED.items() if key in first[0]}
    return Record(kind, number, {name: [_sent(row) for row in some] for name, some in rows.items()}, named)


def _rows(connection: Connection, table: Table, key: str, number: int) -> list[Row]:
    return [dict(row) for row in connection.execute(select(table.__table__).filter_by(**{key: number})).mappings()]


def _named(connection: Connection, table: Table, key: int) -> Row:
    (row,) = _rows(connection, table, "id", key)
    return {name: value for name, value in row.items() if name != "id"}


def _sent(row: Row) -> Row:
    return {name: value for name, value in row.items() if name not in NAMED}


def _line(row: Row) -> str:
    """A row as text. Packed columns stand there by their digest."""
    return json.dumps({name: value for name, value in row.items() if not isinstance(value, bytes)}, sort_keys=True, default=_plain)


def _plain(value: Any) -> int:
    if isinstance(value, datetime):
        return to_us(value)
    raise TypeError(f"{type(value).__name__} in a record")
