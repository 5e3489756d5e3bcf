"""Yield rows of a run that closes, inside the transaction that closes it."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlalchemy import Select, delete, insert, select, update
from sqlalchemy.dialects import postgresql, sqlite
from sqlalchemy.orm import Session

from db.base import to_us
from db.models import GroupResult, Run, RunReason, StickResult, Unit
from db.models_yield import YieldFigure, YieldKind, YieldRun
from db.yield_marks import DAY_US, DECIDED, Decided, Flags, figure_sums, flags_of, group_marks, together
from station.records import RunClosing

KIND = ("station", "product", "specification_key", "lot", "rig", "operator", "emulated")
RUN = (*KIND, "number", "unit_key", "started_at")
GROUP_COLUMNS = ("stick", "group_name", "verdict", "peak_mean_counts", "reach_counts", "return_s")
STICK_COLUMNS = ("stick", "rest_x_counts", "rest_y_counts")

Row = Mapping[Any, Any]


@dataclass(frozen=True, slots=True)
class Told:
    """What a run says: rows of its groups, sticks and reasons as the store keeps them."""

    groups: Sequence[Row] = ()
    sticks: Sequence[Row] = ()
    reasons: Sequence[Row] = ()


def keep_yield(session: Session, run: Row, told: Told) -> None:
    """Of a run that closes in this session. run: by the names in RUN, and its verdict and evidence."""
    if _on_server(session):  # SQLite has one writer anyway
        session.execute(select(Unit.id).where(Unit.id == run["unit_key"]).with_for_update())
    marks = marks_of(run, told.groups, told.reasons, [row["stick"] for row in told.sticks])
    kind = kind_key(session, {name: run[name] for name in KIND})
    flags = _settled(session, run, marks) if run["verdict"] in DECIDED else Flags()
    session.execute(insert(YieldRun).values(yield_row(run, kind, marks, flags)))
    if flags.first:
        add_figures(session, _sums(kind, run["started_at"], told, 1))


def closed_run(run: Run, closing: RunClosing) -> Row:
    """What `keep_yield` must know of a run, with the end it is given."""
    return {**{name: getattr(run, name) for name in RUN}, "verdict": closing.verdict.value, "evidence": closing.evidence}


def keep_yield_of(session: Session, number: int) -> None:
    """The same of a run whose rows are all in the database, such as one that came from elsewhere."""
    session.flush()
    columns = [getattr(Run, name) for name in (*RUN, "verdict", "evidence")]
    run = session.execute(select(*columns).where(Run.number == number)).mappings().one()
    keep_yield(session, run, told_of(session, number))


def told_of(session: Session, number: int) -> Told:
    """What the database has of a run."""
    groups = session.execute(select(*(getattr(GroupResult, name) for name in GROUP_COLUMNS)).where(GroupResult.run_number == number))
    sticks = session.execute(select(*(getattr(StickResult, name) for name in STICK_COLUMNS)).where(StickResult.run_number == number))
    reasons = session.execute(select(RunReason.stick, RunReason.part).where(RunReason.run_number == number))
    return Told(groups.mappings().all(), sticks.mappings().all(), reasons.mappings().all())


def yield_row(run: Row, kind: int, marks: tuple[str, str], flags: Flags) -> dict[str, Any]:
    """The row of a closed run. marks: its failed and its open groups."""
    return {
        "emulated": run["emulated"],
        "started_at": run["started_at"],
        "run_number": run["number"],
        "kind_key": kind,
        "unit_key": run["unit_key"],
        "verdict": run["verdict"],
        "failed_groups": marks[0],
        "open_groups": marks[1],
        **flag_values(flags),
    }


def flag_values(flags: Flags) -> dict[str, Any]:
    return {name: getattr(flags, name) for name in ("first", "newest", "final_passed", "final_groups")}


def settle(session: Session, unit_key: int, emulated: bool) -> None:
    """Say anew which decided runs of a unit are first and newest, after runs of it came or went in bulk."""
    _flag(session, session.execute(decided_runs(unit_key, emulated)).all(), [])


def decided_runs(unit_key: int, emulated: bool) -> Select[*tuple[Any, ...]]:
    """Yield rows of a unit's decided runs."""
    query = select(YieldRun.__table__).join(Run, Run.number == YieldRun.run_number)
    return query.where(Run.unit_key == unit_key, YieldRun.emulated == emulated, YieldRun.verdict.in_(DECIDED))


def _settled(session: Session, run: Row, marks: tuple[str, str]) -> Flags:
    """Flags of a run that is not there yet, the others' being changed accordingly."""
    rows = session.execute(decided_runs(run["unit_key"], run["emulated"])).all()
    new = Decided(run["started_at"], run["number"], run["verdict"], together(*marks))
    return _flag(session, rows, [new])[run["number"]]


def _flag(session: Session, rows: Sequence[Any], new: Sequence[Decided]) -> dict[int, Flags]:
    """Figures go from the row of the former first run to the new one's."""
    known = [Decided(row.started_at, row.run_number, row.verdict, together(row.failed_groups, row.open_groups)) for row in rows]
    wanted = flags_of([*known, *new])
    for row in rows:
        flags = wanted[row.run_number]
        if flags == Flags(row.first, row.newest, row.final_passed, row.final_groups):
            continue
        session.execute(update(YieldRun).where(YieldRun.run_number == row.run_number).values(flag_values(flags)))
        if flags.first != row.first:
            _move_figures(session, row, 1 if flags.first else -1)
    return wanted


def _move_figures(session: Session, row: Any, sign: int) -> None:
    """Add the figures of a run to its day's sums, or take them away (sign -1)."""
    sums = _sums(row.kind_key, row.started_at, told_of(session, row.run_number), sign)
    add_figures(session, sums)
    for one in sums if sign < 0 else ():
        place = (getattr(YieldFigure, name) == one[name] for name in ("day", "kind_key", "figure"))
        session.execute(delete(YieldFigure).where(*place, YieldFigure.units == 0))


def _sums(kind: int, started_at: datetime, told: Told, sign: int) -> list[Row]:
    place = {"day": to_us(started_at) // DAY_US, "kind_key": kind}
    return [
        {**place, "figure": figure.value, "units": sign, "count": sign * count, "total": sign * total, "squares": sign * squares}
        for figure, (count, total, squares) in figure_sums(told.groups, told.sticks).items()
    ]


def kind_key(session: Session, kind: Row) -> int:
    """Key of a kind of runs; a new one is made."""
    query = select(YieldKind.id).filter_by(**kind)
    known = session.scalar(query)
    if known is None:
        session.execute(_insert(session)(YieldKind).values(**kind).on_conflict_do_nothing())
        known = session.execute(query).scalar_one()
    return known


def add_figures(session: Session, rows: Sequence[Row]) -> None:
    """Add sums to those kept."""
    if not rows:
        return
    new = _insert(session)(YieldFigure)
    sums = {name: getattr(YieldFigure, name) + getattr(new.excluded, name) for name in ("units", "count", "total", "squares")}
    session.execute(new.on_conflict_do_update(index_elements=["day", "kind_key", "figure"], set_=sums), list(rows))


def marks_of(run: Row, groups: Sequence[Row], reasons: Sequence[Row], sticks: Iterable[str]) -> tuple[str, str]:
    """Failed and open groups of a run. run: its verdict and evidence."""
    return group_marks(run["verdict"], groups, sticks, reasons, bool(run["evidence"].get("continues")))


def _on_server(session: Session) -> bool:
    return session.get_bind().dialect.name == "postgresql"


def _insert(session: Session) -> Any:
    """The insert that knows what to do about a row that is there already: both databases have it, under one name each."""
    return postgresql.insert if _on_server(session) else sqlite.insert
