"""Questions to a line database about its stations: who they are, how far they are behind, and what came lately."""

from collections.abc import Mapping, Sequence
from datetime import datetime
from typing import Final

from sqlalchemy import Connection, func, select

from db.base import EPOCH
from db.engine import Database
from db.line_numbers import NUMBERS_MAX, line_number
from db.models import Run
from db.models_line import LineRecord
from db.models_line import LineStation as StationRow
from db.outbox import Kind
from station.ports.line import CameRun, LineStation, News

NEWS_MAX: Final = 100  # runs of one station told at a time, the newest. Chosen: a page renews itself once for all of them


class LineQueries:
    """Implements station.ports.line.LineBook. Safe to use from any thread."""

    def __init__(self, database: Database) -> None:
        self._database = database

    def stations(self) -> Sequence[LineStation]:
        """See the port."""
        with self._database.read() as connection:
            return _stations(connection)

    def news(self, mark: Mapping[int, tuple[int, datetime]] | None) -> News:
        """See the port."""
        runs: list[CameRun] = []
        orders: list[int] = []
        after: dict[int, tuple[int, datetime]] = {}
        with self._database.read() as connection:
            for station in _stations(connection):
                after[station.place] = (_last_run(connection, station.place), _last_order(connection, station.place))
                if mark is not None:
                    run, order_at = mark.get(station.place, (station.place * NUMBERS_MAX, EPOCH))
                    runs += _runs(connection, run, after[station.place][0])
                    orders += _orders(connection, station.place, order_at)
        return News(after, runs, orders)


def _stations(connection: Connection) -> list[LineStation]:
    rows = connection.execute(select(StationRow.__table__).order_by(StationRow.id))
    return [LineStation(row.id, row.name, row.joined_at, row.heard_at, row.waiting, row.refused) for row in rows]


def _last_run(connection: Connection, place: int) -> int:
    first = place * NUMBERS_MAX
    query = select(func.max(Run.number)).where(Run.number > first, Run.number < first + NUMBERS_MAX)
    return connection.execute(query).scalar_one_or_none() or first


def _last_order(connection: Connection, place: int) -> datetime:
    query = select(func.max(LineRecord.came_at)).filter_by(station_key=place, kind=Kind.ORDER.value)
    return connection.execute(query).scalar_one_or_none() or EPOCH


def _runs(connection: Connection, after: int, last: int) -> list[CameRun]:
    columns = (Run.number, Run.station, Run.rig, Run.verdict, Run.reasons)
    query = select(*columns).where(Run.number > after, Run.number <= last).order_by(Run.number.desc()).limit(NEWS_MAX)
    rows = connection.execute(query).all()
    return [CameRun(row.number, row.station, row.rig, str(row.verdict), tuple(row.reasons)) for row in reversed(rows)]


def _orders(connection: Connection, place: int, after: datetime) -> list[int]:
    query = select(LineRecord.number).filter_by(station_key=place, kind=Kind.ORDER.value).where(LineRecord.came_at > after)
    return [line_number(place, number) for number in connection.scalars(query.order_by(LineRecord.came_at))]
