"""Many finished runs at once, for measuring at size and for tests: the rows of db.writing, in one transaction per chunk.

What the store does run by run (db.store, db.yield_keeping, db.proof_places, the following up of db.rework) is done here for a whole
chunk; db.yield_check tells whether it came to the same. Nobody else writes to the database meanwhile. Not for a station at work.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from sqlalchemy import insert, select, update
from sqlalchemy.orm import Session

from db import writing
from db.filling_places import FirstPlaces
from db.filling_rework import Reworking
from db.filling_yield import YieldRows
from db.models import FlickBlock, GroupResult, Rig, Run, RunReason, Specification, StickResult, TraceBlock, Unit
from db.models_proof import RunHealth
from db.store import SqlStore
from station.errors import NotFound, StoreError
from station.records import RunClosing, RunOpening

SERIALS_AT_ONCE = 5_000
"""Chosen: well below SQLite's 32,766 variables of a statement."""

Row = dict[str, Any]


@dataclass(frozen=True, slots=True)
class FinishedRun:
    """A run from beginning to end."""

    opening: RunOpening
    closing: RunClosing


class Filler:
    """Fills the database of a store. tries_max: of rework orders, which open and go on as the runs say. Of no use after an error."""

    def __init__(self, store: SqlStore, tries_max: int = 3) -> None:
        self.database = store.database
        self._specifications: dict[str, int] = {}
        self._rigs: dict[tuple[str, str, str, bool], int] = {}
        self._rework = Reworking(tries_max)
        self._yield = YieldRows()
        self._places = FirstPlaces()

    def fill(self, runs: Sequence[FinishedRun]) -> list[int]:
        """Numbers of the runs, given in the order in which they began. Raises NotFound for a specification that was not kept before."""
        return self.database.write(lambda session, again: self._chunk(session, runs, again))

    def finish(self) -> None:
        """Write what still goes on: orders that no run has ended."""
        self.database.write(lambda session, _again: self._rework.write_open(session))

    def _chunk(self, session: Session, runs: Sequence[FinishedRun], again: bool) -> list[int]:
        if again:
            raise StoreError("the database could not be used while it was filled; begin anew with another one")
        known, units = self._units(session, runs)
        rows = [self._run_row(session, run, units[run.opening.unit.serial]) for run in runs]
        numbers = self._insert_runs(session, rows)
        closed = [{**row, "number": number} for row, number in zip(rows, numbers, strict=True)]
        found = _Found(runs, closed)
        found.write(session)
        self._yield.add(session, closed, found, known)
        self._places.add(session, closed, known)
        self._rework.add(session, closed, {key: serial for serial, key in units.items()})
        for run in {row["rig_key"]: row for row in closed}.values():
            seen = {"firmware": run["firmware"], "last_seen_at": run["started_at"], "last_run": run["number"]}
            session.execute(update(Rig).where(Rig.id == run["rig_key"]).values(seen))
        return numbers

    def _run_row(self, session: Session, run: FinishedRun, unit_key: int) -> Row:
        keys = {
            "specification_key": self._specification(session, run.opening.specification),
            "unit_key": unit_key,
            "rig_key": self._rig(session, run.opening),
        }
        return {**writing.run_row(run.opening, keys), **writing.ending(run.closing)}

    def _insert_runs(self, session: Session, rows: list[Row]) -> list[int]:
        statement = insert(Run).returning(Run.number, sort_by_parameter_order=True)
        return list(session.scalars(statement, rows))

    def _units(self, session: Session, runs: Sequence[FinishedRun]) -> tuple[set[int], dict[str, int]]:
        """Keys of units that were there before, and the keys of all units of these runs by serial."""
        told = _as_last_given(runs)
        serials = list(told)
        found: dict[str, int] = {}
        for begin in range(0, len(serials), SERIALS_AT_ONCE):
            some = serials[begin : begin + SERIALS_AT_ONCE]
            found |= {row.serial: row.id for row in session.execute(select(Unit.serial, Unit.id).where(Unit.serial.in_(some)))}
        known = set(found.values())
        again = [{"key": found[serial], **row} for serial, row in told.items() if serial in found]
        for row in again:
            given = {name: row[name] for name in ("product", "lot") if row[name]}
            session.execute(update(Unit).where(Unit.id == row["key"]).values(given))
        new = [row for serial, row in told.items() if serial not in found]
        if new:
            keys = session.scalars(insert(Unit).returning(Unit.id, sort_by_parameter_order=True), new)
            found |= dict(zip((row["serial"] for row in new), keys, strict=True))
        return known, found

    def _specification(self, session: Session, label: str) -> int:
        if label not in self._specifications:
            name, _, revision = label.rpartition(" ")
            key = session.scalar(select(Specification.id).filter_by(name=name, revision=revision))
            if key is None:
                raise NotFound(f"specification {label!r} is not in the database; keep it before filling")
            self._specifications[label] = key
        return self._specifications[label]

    def _rig(self, session: Session, opening: RunOpening) -> int:
        rig = opening.rig
        place = (opening.station, opening.rig_name, rig.rig_id, rig.emulated)
        if place not in self._rigs:
            row = dict(zip(("station", "name", "rig_id", "emulated"), place, strict=True))
            key = session.scalar(select(Rig.id).filter_by(**row))
            if key is None:
                new = insert(Rig).values(**row, firmware=rig.firmware, last_seen_at=opening.started_at)
                key = session.execute(new.returning(Rig.id)).scalar_one()
            self._rigs[place] = key
        return self._rigs[place]


class _Found:
    """Rows of what was found in the runs of a chunk."""

    def __init__(self, runs: Sequence[FinishedRun], closed: Sequence[Row]) -> None:
        self.groups: list[Row] = []
        self.sticks: list[Row] = []
        self.reasons: list[Row] = []
        self._others: dict[Any, list[Row]] = {FlickBlock: [], TraceBlock: [], RunHealth: []}
        for run, row in zip(runs, closed, strict=True):
            self._add(row, run)

    def write(self, session: Session) -> None:
        tables: dict[Any, list[Row]] = {StickResult: self.sticks, GroupResult: self.groups, RunReason: self.reasons, **self._others}
        for table, rows in tables.items():
            if rows:
                session.connection().execute(insert(table.__table__), rows)  # no mapped objects: a third quicker

    def _add(self, row: Row, run: FinishedRun) -> None:
        number, closing = row["number"], run.closing
        self.reasons += writing.reason_rows(number, row["started_at"], closing)
        self._others[RunHealth] += writing.health_rows(number, row["rig_key"], row["started_at"], closing)
        self._others[TraceBlock] += [writing.trace_row(number, block, whole=True) for block in closing.traces.values()]
        for stick, score in closing.scores.items():
            self.sticks.append(writing.stick_row(number, stick, score))
            self.groups += writing.group_rows(number, stick, score, run.opening.fitted.get(stick))
            self._others[FlickBlock].append(writing.flick_row(number, stick, score))


def _as_last_given(runs: Sequence[FinishedRun]) -> dict[str, Row]:
    """Rows of the units of these runs by serial, in the order in which they came: product and lot as last given, seen at the first."""
    found: dict[str, Row] = {}
    for opening in (run.opening for run in runs):
        unit = opening.unit
        before = found.get(unit.serial, {"lot": "", "first_seen_at": opening.started_at})
        found[unit.serial] = {**before, "serial": unit.serial, "product": unit.product, "lot": unit.lot or before["lot"]}
    return found
