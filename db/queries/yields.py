"""Questions of yield, each in one short read-only transaction. Implements station.ports.yields.YieldBook."""

from collections.abc import Sequence
from dataclasses import replace
from datetime import time

from sqlalchemy import Connection

from db.engine import Database
from db.queries import PAGE_MAX, failed
from db.queries.failed import FailedFilter
from db.queries.yields_behind import behind
from db.queries.yields_causes import causes
from db.queries.yields_counts import at_last, count_runs, rework_loop, rows_of
from db.queries.yields_figures import figures
from db.queries.yields_rows import RowCounts, group_rows
from db.queries.yields_scope import Scope, scope_of, scope_of_row
from db.rows import Cursor, Page, RunRow
from station.ports.yields import Behind, CauseTally, Rank, YieldTallies
from station.yields import Asked, FailedUnit, Split


class YieldQueries:
    """Read side of yield. Safe to use from any thread. zone: IANA name of the station's zone. Every method raises StoreUnavailable."""

    def __init__(self, database: Database) -> None:
        self.database = database

    def tallies(self, asked: Asked, zone: str, shifts: Sequence[time] = ()) -> YieldTallies:
        """See the port. Causes are told apart by lot when the report is split by lot, else by place alone."""
        with self.database.read() as connection:
            scope = scope_of(connection, asked, zone)
            rows = rows_of(connection, scope, asked.split, zone, shifts)
            whole = _whole(connection, scope, asked.split, list(rows.values()))
            total = whole.tally("")
            by_group, alone = asked.split is Split.GROUP, asked.split is Split.NONE
            return YieldTallies(
                total=total,
                rows=group_rows(total) if by_group else () if alone else tuple(row.tally(label) for label, row in rows.items()),
                causes=tuple(causes(connection, scope, Rank.PLACE_AND_LOT if asked.split is Split.LOT else Rank.PLACE)),
                figures=figures(connection, scope),
                rework=rework_loop(connection, scope),
                emulated_runs=0 if asked.emulated else count_runs(connection, scope_of(connection, replace(asked, emulated=True), zone)),
            )

    def causes(self, asked: Asked, zone: str, rank: Rank = Rank.PLACE) -> Sequence[CauseTally]:
        """See the port."""
        with self.database.read() as connection:
            return causes(connection, scope_of(connection, asked, zone), rank)

    def behind(
        self,
        asked: Asked,
        zone: str,
        figure: Behind,
        *,
        label: str = "",
        shifts: Sequence[time] = (),
        reason: str = "",
        after: Cursor | None = None,
        limit: int = 50,
    ) -> Page[RunRow]:
        """Runs behind a figure of the row with this label, "" for the total. Raises UsageError for a label, zone or limit."""
        with self.database.read() as connection:
            scope = scope_of_row(connection, asked, zone, tuple(shifts), label)
            return behind(connection, scope, figure, reason, after, limit, PAGE_MAX)

    def failed_units(
        self, asked: Asked, zone: str, which: FailedFilter | None = None, after: Cursor | None = None, limit: int = 50
    ) -> Page[FailedUnit]:
        """Units whose newest decided run failed, newest first. asked: of that run; its split means nothing. Raises UsageError."""
        with self.database.read() as connection:
            return failed.page(connection, scope_of(connection, asked, zone), which or FailedFilter(), after, limit, PAGE_MAX)


def _whole(connection: Connection, scope: Scope, split: Split, rows: Sequence[RowCounts]) -> RowCounts:
    """All rows together."""
    whole = RowCounts(final=at_last(connection, scope) if split is Split.GROUP else None)
    for row in rows:
        whole.join(row)
    return whole
