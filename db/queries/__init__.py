"""Questions to the database, each in one short read-only transaction, answered with frozen dataclasses of db.rows."""

from collections.abc import Sequence
from datetime import datetime

from db.engine import Database
from db.queries import counts, detail, runs, traces, units
from db.rows import CountsSince, Cursor, Page, RigRow, RunDetail, RunFilter, RunRow, SpecificationRow, UnitDetail, UnitRow
from station.records import FlickTable, Recording

PAGE_MAX = 500
"""Most rows of one page. Chosen: a page of runs stays under 200 kB of JSON."""


class Queries:
    """Read side of a database in the current revision. Safe to use from any thread. Every method raises StoreUnavailable."""

    def __init__(self, url: str) -> None:
        self.database = Database(url)

    def runs(self, which: RunFilter | None = None, after: Cursor | None = None, limit: int = 50) -> Page[RunRow]:
        """Newest first. Raises UsageError for a limit outside 1 .. PAGE_MAX or a verdict that does not exist."""
        with self.database.read() as connection:
            return runs.page(connection, which or RunFilter(), after, limit, PAGE_MAX)

    def run(self, number: int) -> RunDetail:
        """Raises NotFound; StoreError naming the run when what was kept of it is damaged."""
        with self.database.read() as connection:
            return detail.run(connection, number)

    def flicks(self, number: int, stick: str = "main") -> FlickTable:
        """Figures of every flick. Raises NotFound; StoreError naming the run when the block is damaged."""
        with self.database.read() as connection:
            return traces.flicks(connection, number, stick)

    def recording(self, number: int, stick: str = "main") -> Recording:
        """Samples of a run in volts. Raises NotFound when none were kept; StoreError naming the run when they are damaged."""
        with self.database.read() as connection:
            rows = traces.rows(connection, number, stick)
        return traces.recording(rows, number, stick)

    def units(self, prefix: str = "", after: str | None = None, limit: int = 50) -> Page[UnitRow]:
        """By serial number; `after` is the `next` of the page before. Raises UsageError for a limit outside 1 .. PAGE_MAX."""
        with self.database.read() as connection:
            return units.page(connection, prefix, after, limit, PAGE_MAX)

    def unit(self, serial: str) -> UnitDetail:
        """A unit with all its runs. Raises NotFound."""
        with self.database.read() as connection:
            return units.unit(connection, serial)

    def rigs(self) -> Sequence[RigRow]:
        """All rigs that ever ran here, by station and name."""
        with self.database.read() as connection:
            return counts.rigs(connection)

    def specifications(self) -> Sequence[SpecificationRow]:
        """All revisions, by name, newest first."""
        with self.database.read() as connection:
            return counts.specifications(connection)

    def specification_text(self, name: str, revision: str) -> str:
        """TOML text of a revision as it was first kept. Raises NotFound."""
        with self.database.read() as connection:
            return counts.specification_text(connection, name, revision)

    def counts_since(self, since: datetime) -> CountsSince:
        """Runs that started at `since` or later, by verdict and reason."""
        with self.database.read() as connection:
            return counts.since(connection, since)

    def close(self) -> None:
        """Give the connections back. Idempotent."""
        self.database.close()


__all__ = ["PAGE_MAX", "Queries"]
