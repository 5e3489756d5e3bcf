"""Yield rows of a chunk of finished runs: those of new units are reckoned at once, those of known units settled one by one."""

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from typing import Any, Protocol

from sqlalchemy import insert
from sqlalchemy.orm import Session

from db.base import to_us
from db.models_yield import YieldRun
from db.yield_keeping import KIND, add_figures, kind_key, marks_of, settle, yield_row
from db.yield_marks import DAY_US, DECIDED, Decided, Flags, figure_sums, flags_of, together

Row = dict[str, Any]


class Found(Protocol):
    """Rows of what was found in the runs of a chunk."""

    groups: list[Row]
    sticks: list[Row]
    reasons: list[Row]


class YieldRows:
    """Remembers the keys of kinds."""

    def __init__(self) -> None:
        self._kinds: dict[tuple[Any, ...], int] = {}

    def add(self, session: Session, closed: Sequence[Row], found: Found, known: set[int]) -> None:
        """closed: rows of the runs with their numbers, oldest first. known: keys of units that had runs before."""
        groups, sticks, reasons = (_by_run(rows) for rows in (found.groups, found.sticks, found.reasons))
        marks = {
            run["number"]: marks_of(run, groups[run["number"]], reasons[run["number"]], [one["stick"] for one in sticks[run["number"]]])
            for run in closed
        }
        flags = _flags(closed, marks, known)
        kinds = {run["number"]: self._kind(session, run) for run in closed}
        rows = [yield_row(run, kinds[run["number"]], marks[run["number"]], flags.get(run["number"], Flags())) for run in closed]
        session.connection().execute(insert(YieldRun), rows)
        firsts = [row for row in rows if row["first"]]
        add_figures(session, _figures(firsts, groups, sticks))
        for unit, emulated in {(run["unit_key"], run["emulated"]) for run in closed if run["unit_key"] in known}:
            settle(session, unit, emulated)

    def _kind(self, session: Session, run: Row) -> int:
        values = tuple(run[name] for name in KIND)
        if values not in self._kinds:
            self._kinds[values] = kind_key(session, dict(zip(KIND, values, strict=True)))
        return self._kinds[values]


def _flags(closed: Sequence[Row], marks: Mapping[int, tuple[str, str]], known: set[int]) -> dict[int, Flags]:
    """Of the decided runs of units that had none before."""
    decided: dict[tuple[int, bool], list[Row]] = defaultdict(list)
    for run in closed:
        if run["verdict"] in DECIDED and run["unit_key"] not in known:
            decided[run["unit_key"], run["emulated"]].append(run)
    found: dict[int, Flags] = {}
    for runs in decided.values():
        found |= flags_of([Decided(run["started_at"], run["number"], run["verdict"], together(*marks[run["number"]])) for run in runs])
    return found


def _figures(firsts: Iterable[Row], groups: Mapping[int, list[Row]], sticks: Mapping[int, list[Row]]) -> list[Row]:
    """Sums of the first decided runs, by day, kind and figure."""
    sums: dict[tuple[int, int, str], list[float]] = defaultdict(lambda: [0, 0, 0.0, 0.0])
    for row in firsts:
        number, day = row["run_number"], to_us(row["started_at"]) // DAY_US
        for figure, (count, total, squares) in figure_sums(groups[number], sticks[number]).items():
            kept = sums[day, row["kind_key"], figure.value]
            sums[day, row["kind_key"], figure.value] = [a + b for a, b in zip(kept, (1, count, total, squares), strict=True)]
    names = ("units", "count", "total", "squares")
    return [
        {"day": day, "kind_key": kind, "figure": figure, **dict(zip(names, values, strict=True))}
        for (day, kind, figure), values in sums.items()
    ]


def _by_run(rows: Iterable[Row]) -> dict[int, list[Row]]:
    found: dict[int, list[Row]] = defaultdict(list)
    for row in rows:
        found[row["run_number"]].append(row)
    return found
