"""One run with everything it rests on."""

from collections.abc import Mapping
from typing import Any

from sqlalchemy import Connection, func, select

from db.blocks import Packed, unpack_json
from db.models import GroupResult, Run, Specification, StickResult, TraceBlock
from db.queries.runs import listing, run_row
from db.rows import GroupRow, RunDetail, StickDetail
from db.writing import detail_about
from station.errors import NotFound
from station.quantities import GROUPS
from station.records import Fitted


def run(connection: Connection, number: int) -> RunDetail:
    """Raises NotFound; StoreError naming the run when its detail is damaged."""
    more = (Run.calibration, Run.software, Run.firmware, Run.boot, Run.fitted, Run.explanation, Run.evidence, Run.timing)
    row = connection.execute(listing().add_columns(*more, Specification.digest).where(Run.number == number)).one_or_none()
    if row is None:
        raise NotFound(f"run {number} does not exist")
    traces = _samples_kept(connection, number)
    return RunDetail(
        run=run_row(row),
        specification_digest=row.digest,
        calibration=row.calibration,
        software=row.software,
        firmware=row.firmware,
        boot=row.boot,
        fitted={stick: Fitted(parts["x_f"], parts["y_f"]) for stick, parts in row.fitted.items()},
        explanation=row.explanation,
        evidence=row.evidence,
        timing=row.timing,
        sticks=_sticks(connection, number, traces),
        traces=traces,
    )


def _sticks(connection: Connection, number: int, traces: Mapping[str, int]) -> dict[str, StickDetail]:
    groups = _groups(connection, number)
    query = select(StickResult.__table__).where(StickResult.run_number == number).order_by(StickResult.stick)
    return {row.stick: _stick(row, groups.get(row.stick, ()), traces.get(row.stick, 0)) for row in connection.execute(query)}


def _stick(row: Any, groups: tuple[GroupRow, ...], samples_kept: int) -> StickDetail:
    subject = f"run {row.run_number}, stick {row.stick}: the kept score"
    detail = unpack_json(Packed(row.codec, row.detail, row.sha256), detail_about(row.run_number, row.stick), subject)
    return StickDetail(
        stick=row.stick,
        verdict=row.verdict,
        reasons=tuple(detail["reasons"]),
        figures=detail["figures"],
        groups=detail["groups"],
        rows=groups,
        samples_kept=samples_kept,
    )


def _groups(connection: Connection, number: int) -> dict[str, tuple[GroupRow, ...]]:
    query = select(GroupResult.__table__).where(GroupResult.run_number == number)
    found: dict[str, list[GroupRow]] = {}
    for row in sorted(connection.execute(query).mappings(), key=lambda row: GROUPS.index(row["group_name"])):
        values = {key: value for key, value in row.items() if key not in ("run_number", "group_name")}
        found.setdefault(row["stick"], []).append(GroupRow(group=row["group_name"], **values))
    return {stick: tuple(rows) for stick, rows in found.items()}


def _samples_kept(connection: Connection, number: int) -> dict[str, int]:
    query = select(TraceBlock.stick, func.sum(TraceBlock.samples)).where(TraceBlock.run_number == number).group_by(TraceBlock.stick)
    return {stick: int(samples) for stick, samples in connection.execute(query.order_by(TraceBlock.stick))}
