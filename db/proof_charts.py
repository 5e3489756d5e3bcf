"""What is said of charts: limits frozen, signals seen, causes noted; and the points they show, from db.proof_points."""

from collections.abc import Sequence
from typing import Any

from sqlalchemy import Connection, insert, select
from sqlalchemy.orm import Session

from db import proof_keys, proof_points
from db.blocks import plain
from db.engine import Database
from db.models_charts import Chart, ChartBaseline, ChartNote, ChartSignal
from db.outbox import Kind, put
from db.proof_sides import Side, side_of
from station.proof import Baseline, ChartKey, ChartPoint, HealthRow, Note, Signal


class ChartBook:
    """The verbs of charts of station.ports.proof.ProofBook.

    What is said of a chart belongs to the machine whose points it shows then: limits frozen on an emulated rig are none of a real one's.
    """

    def __init__(self, database: Database, station: str) -> None:
        self.database = database
        self.station = station

    def charts_of_run(self, run_number: int) -> Sequence[ChartKey]:
        """See the port. None of a run that has not ended or does not exist."""
        with self.database.read() as connection:
            return proof_keys.charts_of_run(connection, self.station, run_number)

    def chart_points(self, chart: ChartKey, newest: int) -> Sequence[ChartPoint]:
        """See the port."""
        with self.database.read() as connection:
            return proof_points.points(connection, self.station, chart, newest)

    def chart_keys(self, rig: str) -> Sequence[ChartKey]:
        """Charts of a rig by its name, "" those of products, that have a point."""
        with self.database.read() as connection:
            return proof_keys.keys(connection, self.station, rig)

    def health(self, rig_id: str, emulated: bool, newest: int) -> Sequence[HealthRow]:
        """See the port."""
        with self.database.read() as connection:
            return proof_points.health(connection, self.station, Side(rig_id, emulated), newest)

    def baseline(self, chart: ChartKey) -> Baseline | None:
        """See the port."""
        query = select(ChartBaseline.__table__).order_by(ChartBaseline.id.desc()).limit(1)
        with self.database.read() as connection:
            key = _chart_key(connection, self._row(connection, chart))
            row = connection.execute(query.where(ChartBaseline.chart_key == key)).one_or_none()
        if row is None:
            return None
        return Baseline(chart, row.first, row.last, row.limits, tuple(row.rules), row.made_by, row.made_at)

    def keep_baseline(self, baseline: Baseline) -> None:
        """See the port."""
        row = {
            "first": baseline.first,
            "last": baseline.last,
            "limits": plain(baseline.limits),
            "rules": list(baseline.rules),
            "made_by": baseline.by,
            "made_at": baseline.at,
        }

        def work(session: Session, again: bool) -> None:
            key = self._made_key(session, baseline.chart)
            newest = session.scalar(select(ChartBaseline).filter_by(chart_key=key).order_by(ChartBaseline.id.desc()).limit(1))
            if again and newest is not None and all(getattr(newest, name) == value for name, value in row.items()):
                return  # the first try was committed although its answer got lost
            session.execute(insert(ChartBaseline).values(**row, chart_key=key))
            put(session, Kind.CHART, key, baseline.at)

        self.database.write(work)

    def signals(self, chart: ChartKey, newest: int) -> Sequence[Signal]:
        """See the port."""
        query = select(ChartSignal.__table__).order_by(ChartSignal.id.desc()).limit(newest)
        with self.database.read() as connection:
            key = _chart_key(connection, self._row(connection, chart))
            rows = connection.execute(query.where(ChartSignal.chart_key == key))
            return [Signal(chart, row.point, row.rule, tuple(row.points), row.sentence, row.seen_at) for row in rows]

    def keep_signals(self, signals: Sequence[Signal]) -> Sequence[Signal]:
        """See the port."""
        if not signals:
            return ()

        def work(session: Session, again: bool) -> list[Signal]:
            charts = {chart: self._made_key(session, chart) for chart in dict.fromkeys(one.chart for one in signals)}
            return [one for one in signals if _kept_now(session, charts[one.chart], one, again)]

        return self.database.write(work)

    def notes(self, chart: ChartKey) -> Sequence[Note]:
        """See the port."""
        query = select(ChartNote.__table__).order_by(ChartNote.id)
        with self.database.read() as connection:
            key = _chart_key(connection, self._row(connection, chart))
            rows = connection.execute(query.where(ChartNote.chart_key == key))
            return [Note(chart, row.point, row.cause, row.action, row.made_by, row.made_at) for row in rows]

    def keep_note(self, note: Note) -> None:
        """See the port."""
        row = {"point": note.point, "cause": note.cause, "action": note.action, "made_by": note.by, "made_at": note.at}

        def work(session: Session, again: bool) -> None:
            key = self._made_key(session, note.chart)
            if again and session.scalar(select(ChartNote.id).filter_by(chart_key=key, **row).limit(1)) is not None:
                return
            session.execute(insert(ChartNote).values(**row, chart_key=key))
            put(session, Kind.CHART, key, note.at)

        self.database.write(work)

    # --- inside

    def _row(self, connection: Connection, chart: ChartKey) -> dict[str, Any]:
        side = side_of(connection, self.station, chart)
        names = {name: getattr(chart, name) for name in ("what", "rig", "product", "lot", "figure")}
        return {"station": self.station, **names, "rig_id": side.rig_id, "emulated": side.emulated}

    def _made_key(self, session: Session, chart: ChartKey) -> int:
        connection = session.connection()
        row = self._row(connection, chart)
        key = _chart_key(connection, row)
        return session.execute(insert(Chart).values(row).returning(Chart.id)).scalar_one() if key is None else key


def _chart_key(connection: Connection, row: dict[str, Any]) -> int | None:
    return connection.execute(select(Chart.id).filter_by(**row)).scalar_one_or_none()


def _kept_now(session: Session, key: int, signal: Signal, again: bool) -> bool:
    """Keep a signal; whether it is new. At a second try what the first one kept is as new as it was then."""
    query = select(ChartSignal.seen_at).filter_by(chart_key=key, point=signal.point, rule=signal.rule)
    seen_at = session.scalar(query)
    if seen_at is not None:
        return again and seen_at == signal.at
    row = {"point": signal.point, "rule": signal.rule, "points": list(signal.points), "sentence": signal.sentence}
    session.execute(insert(ChartSignal).values(**row, chart_key=key, seen_at=signal.at))
    put(session, Kind.CHART, key, signal.at)
    return True
