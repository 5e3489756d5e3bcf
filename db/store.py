"""Where results go: the port's verbs over a SQL database. Nothing of the database leaves this module; every verb is one transaction."""

from collections.abc import Mapping, Sequence
from datetime import datetime
from typing import Any

from sqlalchemy import delete, func, insert, select, update
from sqlalchemy.orm import Session

from db import monitors, writing
from db.chain import seal_run
from db.engine import Database
from db.last import last_run_of
from db.models import FittedPart, FlickBlock, GroupResult, Rig, Run, RunReason, Specification, StickResult, Unit
from db.models import TraceBlock as TraceRow
from db.models_proof import RunHealth
from db.outbox import Kind, put
from db.parts import fitted_now, parts_of
from db.proof_places import take_places
from db.queries.rework_due import in_rework
from db.yield_keeping import Told, closed_run, keep_yield
from station.errors import NotFound, SpecificationError, StoreError, UsageError
from station.quantities import AXES
from station.records import Fitted, LastRun, RunClosing, RunOpening, TraceBlock, UnitIdentity, Verdict
from station.specification import Specification as Revision

INTERRUPTED = "interrupted"


class SqlStore:
    """ResultSink over a database that exists in the current revision (db.migrate.create_or_require).

    station: the only one whose runs are accepted. keep_pass_every: of the passed runs, one in so many keeps its trace (1: all); failed,
    undecided and invalid runs always do, and so does the retest of a unit with a rework order. Safe to use from any thread.
    """

    def __init__(self, url: str, station: str, keep_pass_every: int = 20) -> None:
        if keep_pass_every < 1:
            raise UsageError(f"keep_pass_every is {keep_pass_every}; expected 1 (keep every trace) or more")
        self.station = station
        self.keep_pass_every = keep_pass_every
        self.database = Database(url)
        self.database.check_durable()

    def open_run(self, opening: RunOpening) -> int:
        """See the port. The specification must have been kept before; the unit and the rig become known by this."""
        if opening.station != self.station:
            raise UsageError(f"run names station {opening.station!r}; this store is of station {self.station!r}")

        def work(session: Session, _again: bool) -> int:
            keys = {
                "specification_key": _specification_key(session, opening),
                "unit_key": _unit_key(session, opening.unit, opening.started_at),
                "rig_key": _rig_key(session, opening),
            }
            number = session.execute(insert(Run).values(writing.run_row(opening, keys)).returning(Run.number)).scalar_one()
            _see_rig(session, keys["rig_key"], opening, number)
            return number

        return self.database.write(work)

    def keep_part(self, run_number: int, block: TraceBlock) -> None:
        """See the port. Parts may come in any order; one that begins at the same sample as another is refused, an empty one is nothing."""
        row = writing.trace_row(run_number, block, whole=False)

        def work(session: Session, again: bool) -> None:
            _open_run(session, run_number)
            if not row["samples"]:
                return
            kept = session.scalar(select(TraceRow.sha256).filter_by(run_number=run_number, stick=block.stick, first_sample=block.first))
            if again and kept == row["sha256"]:
                return  # the first try was committed although its answer got lost
            if kept is not None:
                raise StoreError(f"run {run_number}: a part of stick {block.stick} that begins at sample {block.first} is kept already")
            session.execute(insert(TraceRow), [row])

        self.database.write(work)

    def close_run(self, run_number: int, closing: RunClosing) -> None:
        """See the port. Traces are kept by the retention rule; parts of a stick that has no trace in `closing` stand for it."""
        keep = self._keeps_trace(run_number, closing.verdict)
        rows = _closing_rows(run_number, closing, keep)
        sticks = dict(rows)[StickResult]

        def work(session: Session, again: bool) -> None:
            if again and _closed_so(session, run_number, closing):
                return
            run = _open_run(session, run_number)
            reasons = _finish(session, run, closing)
            if closing.monitor is not None:
                monitors.put_after(session, run, closing.monitor, closing.ended_at)
            replaced = delete(TraceRow).where(TraceRow.run_number == run_number)
            session.execute(replaced.where(TraceRow.stick.in_(list(closing.traces))) if keep else replaced)
            groups = [
                row for stick, score in closing.scores.items() for row in writing.group_rows(run_number, stick, score, _part(run, stick))
            ]
            health = writing.health_rows(run_number, run.rig_key, run.started_at, closing)
            for table, some in (*rows, (GroupResult, groups), (RunHealth, health)):
                if some:
                    session.execute(insert(table), some)
            take_places(session, run, closing)
            keep_yield(session, closed_run(run, closing), Told(groups, sticks, reasons))
            put(session, Kind.RUN, run_number, closing.ended_at)
            seal_run(session, run.station, run_number)

        self.database.write(work)

    def close_interrupted(self, station: str, ended_at: datetime) -> Sequence[int]:
        """See the port."""

        def work(session: Session, _again: bool) -> list[int]:
            runs = session.scalars(select(Run).where(Run.verdict.is_(None), Run.station == station).order_by(Run.number)).all()
            for run in runs:
                closing = _interruption(ended_at, _samples_kept(session, run.number), _flicks_kept(session, run.number))
                keep_yield(session, closed_run(run, closing), Told(reasons=_finish(session, run, closing)))
                put(session, Kind.RUN, run.number, ended_at)
                seal_run(session, run.station, run.number)
            return [run.number for run in runs]

        return self.database.write(work)

    def monitors(self) -> Mapping[str, Mapping[str, Any]]:
        """See the port."""
        with self.database.read() as connection:
            return monitors.monitors_of(connection, self.station)

    def keep_monitor(self, specification: str, document: Mapping[str, Any], at: datetime) -> None:
        """See the port."""
        self.database.write(lambda session, _again: monitors.put(session, self.station, specification, document, at))

    def keep_specification(self, text: str, specification: Revision, at: datetime) -> None:
        """See the port."""

        def work(session: Session, _again: bool) -> None:
            kept = session.scalar(select(Specification).filter_by(name=specification.name, revision=specification.revision))
            if kept is None:
                row = {"name": specification.name, "revision": specification.revision, "digest": specification.digest}
                session.execute(insert(Specification).values(**row, text=text, created_at=at))
            elif kept.digest != specification.digest:
                raise SpecificationError(
                    "revision", specification.revision, f"a new revision, since {specification.label} is stored already with other values"
                )

        self.database.write(work)

    def fitted(self, serial: str) -> dict[str, Fitted]:
        """See the port."""
        with self.database.read() as connection:
            unit_key = connection.execute(select(Unit.id).where(Unit.serial == serial)).scalar_one_or_none()
            return {} if unit_key is None else fitted_now(parts_of(connection, unit_key))

    def last_run(self, serial: str) -> LastRun | None:
        """See the port."""
        with self.database.read() as connection:
            return last_run_of(connection, serial)

    def record_fitted(self, serial: str, stick: str, axis: str, farads: float, by: str, at: datetime) -> None:
        """Record that a capacitor was put on an axis of a unit (0.0: taken off). Raises NotFound, UsageError, StoreError."""
        if axis not in AXES:
            raise UsageError(f"axis is {axis!r}; expected x or y")
        if not 0.0 <= farads < 1e-3:
            raise UsageError(f"capacitance is {farads} F; expected 0 (none) to less than 1e-3 F")

        def work(session: Session, _again: bool) -> None:
            unit_key = session.scalar(select(Unit.id).filter_by(serial=serial))
            if unit_key is None:
                raise NotFound(f"unit {serial!r} is not known here; run it once, or check the serial number")
            row = {"unit_key": unit_key, "stick": stick, "axis": axis, "farads": farads, "fitted_by": by, "fitted_at": at}
            session.execute(insert(FittedPart).values(row))
            put(session, Kind.UNIT, unit_key, at)

        self.database.write(work)

    def close(self) -> None:
        """Give the connections back. Idempotent."""
        self.database.close()

    def _keeps_trace(self, run_number: int, verdict: Verdict) -> bool:
        if verdict is not Verdict.PASS or run_number % self.keep_pass_every == 1 % self.keep_pass_every:
            return True
        with self.database.read() as connection:
            return in_rework(connection, run_number)


def _closing_rows(number: int, closing: RunClosing, keep: bool) -> list[tuple[type, list[writing.Row]]]:
    """Rows of the blocks of a run that ends, packed."""
    scores = closing.scores.items()
    traces = [writing.trace_row(number, block, whole=True) for block in closing.traces.values()] if keep else []
    return [
        (StickResult, [writing.stick_row(number, stick, score) for stick, score in scores]),
        (FlickBlock, [writing.flick_row(number, stick, score) for stick, score in scores]),
        (TraceRow, traces),
    ]


def _finish(session: Session, run: Run, closing: RunClosing) -> list[writing.Row]:
    """Rows of its reasons."""
    session.execute(update(Run).where(Run.number == run.number).values(writing.ending(closing)))
    reasons = writing.reason_rows(run.number, run.started_at, closing)
    if reasons:
        session.execute(insert(RunReason), reasons)
    return reasons


def _open_run(session: Session, number: int) -> Run:
    run = session.get(Run, number, with_for_update=True)
    if run is None:
        raise NotFound(f"run {number} does not exist")
    if run.verdict is not None:
        raise StoreError(f"run {number} is closed already, with verdict {run.verdict}; a closed run is never changed", run_number=number)
    return run


def _closed_so(session: Session, number: int, closing: RunClosing) -> bool:
    """Whether the first try was committed although its answer got lost."""
    run = session.get(Run, number)
    return run is not None and (run.verdict, run.ended_at, run.reasons) == (closing.verdict.value, closing.ended_at, list(closing.reasons))


def _part(run: Run, stick: str) -> Fitted | None:
    parts = run.fitted.get(stick)
    return None if parts is None else Fitted(parts["x_f"], parts["y_f"])


def _samples_kept(session: Session, number: int) -> dict[str, int]:
    query = select(TraceRow.stick, func.sum(TraceRow.samples)).where(TraceRow.run_number == number).group_by(TraceRow.stick)
    return {stick: int(samples) for stick, samples in session.execute(query)}


def _flicks_kept(session: Session, number: int) -> int:
    """Flicks ordered in the parts that were kept: at least so many wore the rig."""
    rows = session.execute(select(TraceRow.stick, TraceRow.commanded).where(TraceRow.run_number == number))
    return len({(stick, group, at) for stick, commanded in rows for group, at in commanded})


def _interruption(ended_at: datetime, samples: Mapping[str, int], flicks: int) -> RunClosing:
    kept = ", ".join(f"{count} samples of stick {stick}" for stick, count in samples.items()) or "no samples"
    explanation = f"The run did not end: the service or its computer stopped. Kept: {kept}. Nothing is said of the unit; run it again."
    return RunClosing(Verdict.INVALID, (INTERRUPTED,), explanation, {}, {}, {"samples_kept": samples}, {}, ended_at, flicks=flicks)


def _specification_key(session: Session, opening: RunOpening) -> int:
    name, _, revision = opening.specification.rpartition(" ")
    kept = session.scalar(select(Specification).filter_by(name=name, revision=revision))
    if kept is None:
        raise NotFound(f"specification {opening.specification!r} is not in the database; keep it before a run")
    if kept.digest != opening.specification_digest:
        raise StoreError(f"specification {opening.specification!r} of this run has other values than the one in the database")
    return kept.id


def _unit_key(session: Session, unit: UnitIdentity, at: datetime) -> int:
    known = session.scalar(select(Unit).filter_by(serial=unit.serial))
    if known is None:
        row = {"serial": unit.serial, "product": unit.product, "lot": unit.lot, "first_seen_at": at}
        return session.execute(insert(Unit).values(row).returning(Unit.id)).scalar_one()
    known.product, known.lot = unit.product, unit.lot or known.lot
    return known.id


def _rig_key(session: Session, opening: RunOpening) -> int:
    rig = opening.rig
    row = {"station": opening.station, "name": opening.rig_name, "rig_id": rig.rig_id, "emulated": rig.emulated}
    known = session.scalar(select(Rig.id).filter_by(**row))
    if known is not None:
        return known
    new = insert(Rig).values(**row, firmware=rig.firmware, last_seen_at=opening.started_at)
    return session.execute(new.returning(Rig.id)).scalar_one()


def _see_rig(session: Session, key: int, opening: RunOpening, number: int) -> None:
    seen = {"firmware": opening.rig.firmware, "last_seen_at": opening.started_at, "last_run": number}
    session.execute(update(Rig).where(Rig.id == key).values(seen))
