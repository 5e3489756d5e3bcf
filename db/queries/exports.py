"""What exports ask beside the pages they are made of: how many rows there are, where a list goes on, which traces a unit left."""

from collections.abc import Sequence
from dataclasses import dataclass

from sqlalchemy import func, select

from db.engine import Database
from db.models import Run, TraceBlock, Unit
from db.models_yield import YieldRun
from db.queries.failed import FailedFilter, standing
from db.queries.yields_scope import scope_of
from db.rows import Cursor
from station.errors import NotFound
from station.yields import Asked


@dataclass(frozen=True, slots=True)
class TraceRow:
    """A trace that is kept. samples: of each axis."""

    run: int
    stick: str
    samples: int


class ExportQueries:
    """Safe to use from any thread. Every method raises StoreUnavailable."""

    def __init__(self, database: Database) -> None:
        self.database = database

    def count_failed(self, asked: Asked, zone: str, which: FailedFilter, after: Cursor | None) -> int:
        """How many failed units there are behind a place in their list. Raises UsageError for a zone or days that cannot be."""
        with self.database.read() as connection:
            conditions = standing(scope_of(connection, asked, zone), which, after)
            return connection.execute(select(func.count()).select_from(YieldRun).where(*conditions)).scalar_one()

    def cursor_of(self, number: int) -> Cursor:
        """The place of a run in lists of runs. Raises NotFound."""
        with self.database.read() as connection:
            at = connection.execute(select(Run.started_at).where(Run.number == number)).scalar_one_or_none()
        if at is None:
            raise NotFound(f"run {number} does not exist, so that no list goes on after it")
        return Cursor(at, number)

    def traces_of(self, serial: str) -> Sequence[TraceRow]:
        """Traces kept of a unit's runs, newest run first."""
        block = TraceBlock
        query = select(block.run_number, block.stick, func.sum(block.samples)).join(Run, Run.number == block.run_number)
        query = query.join(Unit, Unit.id == Run.unit_key).where(Unit.serial == serial).group_by(block.run_number, block.stick)
        with self.database.read() as connection:
            rows = connection.execute(query.order_by(block.run_number.desc(), block.stick))
            return [TraceRow(number, stick, int(samples)) for number, stick, samples in rows]
