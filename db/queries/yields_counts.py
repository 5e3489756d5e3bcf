"""Counting the runs of a report, row by row.

Rows in time are asked one by one: each is a range of the table's own order, read once and added up at once. Grouping by a computed day
would have SQLite sort all rows first (docs/decisions/0011).
"""

from bisect import bisect_right
from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import replace
from datetime import time
from typing import Any

from sqlalchemy import BigInteger, ColumnElement, Connection, Select, and_, bindparam, false, func, select, type_coerce

from db.base import MICROSECOND, UtcTime, to_us
from db.models_rework import ReworkOrder
from db.models_yield import YieldRun
from db.queries.yields_rows import COUNTED, RowCounts
from db.queries.yields_scope import Kind, Scope, extent
from db.queries.yields_slots import Slot, days, shifts, zone_of
from db.yield_marks import DECIDED
from station.records import Verdict
from station.rework import ACTIVE, State
from station.yields import ReworkLoop, Split

RUN = YieldRun
STARTED_US = type_coerce(RUN.started_at, BigInteger)
COUNTS = (
    func.count(),
    func.count().filter(RUN.verdict.in_(DECIDED)),
    func.count().filter(RUN.verdict == Verdict.UNDECIDED.value),
    func.count().filter(RUN.first),
    func.count().filter(and_(RUN.first, RUN.verdict == Verdict.PASS.value)),
    func.count().filter(RUN.final_passed),
)
"""In the order of COUNTED. final_passed stands on first runs alone."""


def rows_of(connection: Connection, scope: Scope, split: Split, zone: str, starts: Sequence[time]) -> dict[str, RowCounts]:
    """Counts by row label, in the order of rows."""
    if split not in (Split.DAY, Split.SHIFT):
        return _by_kind(connection, scope, lambda kind: label_of(kind, split))
    slots = _slots(connection, scope, split, zone, starts)
    return _by_slot(connection, scope, slots)


def count_runs(connection: Connection, scope: Scope) -> int:
    """Closed runs of a scope."""
    return connection.execute(select(func.count()).select_from(RUN).where(*scope.conditions())).scalar_one()


def at_last(connection: Connection, scope: Scope) -> Counter[tuple[str, str]]:
    """Units by the groups they had open at first, and those they did not pass at last; those that passed all at last are left out."""
    query = select(RUN.open_groups, RUN.final_groups, func.count()).where(*scope.conditions(), RUN.first, RUN.final_groups != "")
    found: Counter[tuple[str, str]] = Counter()
    for opened, final, count in connection.execute(query.group_by(RUN.open_groups, RUN.final_groups)):
        found[opened, final] += count
    return found


def _slots(connection: Connection, scope: Scope, split: Split, zone: str, starts: Sequence[time]) -> list[Slot]:
    """Slots from the first run to the last, cut to the scope's own time."""
    ends = extent(connection, scope)
    if ends is None:
        return []
    first, last = ends[0], ends[1] + MICROSECOND
    every = days(first, last, zone_of(zone)) if split is Split.DAY else shifts(first, last, zone_of(zone), starts)
    begin, end = scope.begin or every[0].begin, scope.end or every[-1].end
    return [Slot(one.label, max(one.begin, begin), min(one.end, end)) for one in every]


def _by_slot(connection: Connection, scope: Scope, slots: Sequence[Slot]) -> dict[str, RowCounts]:
    sticks = scope.by_sticks() or {(): false()}
    first, *others = sticks
    apart = [func.count().filter(and_(RUN.first, sticks[names])) for names in others]
    within = _within(scope)
    counts, marks = select(*COUNTS, *apart).where(*within), _marks(within)
    found: dict[str, RowCounts] = {}
    for slot in slots:
        time = {"begin": slot.begin, "end": slot.end}
        numbers = connection.execute(counts, time).one()
        if numbers[0]:
            found[slot.label] = row = RowCounts()
            values = dict(zip(COUNTED, numbers, strict=False))
            units = dict(zip(others, numbers[len(COUNTED) :], strict=True))
            row.add(values, {first: values["units"] - sum(units.values()), **units})
            row.marks.update({(failed, opened): count for failed, opened, count in connection.execute(marks, time)})
    _add_scrap(connection, scope, lambda us, _key: found[_label_at(slots, us)])
    return found


def _within(scope: Scope) -> list[ColumnElement[bool]]:
    """The scope with the time of a slot in place of its own: a second bound might be the one that the range is read by."""
    begin, end = bindparam("begin", type_=UtcTime()), bindparam("end", type_=UtcTime())
    return [*replace(scope, begin=None, end=None).conditions(), RUN.started_at >= begin, RUN.started_at < end]


def _marks(conditions: Sequence[ColumnElement[bool]], *by: Any) -> Select[*tuple[Any, ...]]:
    """Which groups failed the units that failed at first, and which those left open; units by both."""
    query = select(*by, RUN.failed_groups, RUN.open_groups, func.count())
    return query.where(*conditions, RUN.verdict == Verdict.FAIL.value, RUN.first).group_by(*by, RUN.failed_groups, RUN.open_groups)


def _by_kind(connection: Connection, scope: Scope, label: Callable[[Kind], str]) -> dict[str, RowCounts]:
    conditions = scope.conditions()
    query: Select[*tuple[Any, ...]] = select(RUN.kind_key, *COUNTS).where(*conditions).group_by(RUN.kind_key)
    found: dict[str, RowCounts] = {}
    for key, *numbers in connection.execute(query):
        kind, values = scope.kinds[key], dict(zip(COUNTED, numbers, strict=True))
        found.setdefault(label(kind), RowCounts()).add(values, {kind.sticks: values["units"]})
    for key, failed, opened, count in connection.execute(_marks(conditions, RUN.kind_key)):
        found[label(scope.kinds[key])].marks[failed, opened] += count
    _add_scrap(connection, scope, lambda _us, key: found[label(scope.kinds[key])])
    return dict(sorted(found.items()))


def label_of(kind: Kind, split: Split) -> str:
    """Of the row of a kind's runs; "" where there is but one row."""
    return "" if split in (Split.NONE, Split.GROUP) else kind.label(split)


def _label_at(slots: Sequence[Slot], us: int) -> str:
    return slots[bisect_right(slots, us, key=lambda slot: to_us(slot.begin)) - 1].label


def _add_scrap(connection: Connection, scope: Scope, row: Callable[[int, int], RowCounts]) -> None:
    """Orders that a failed run of the scope began and that ended in scrap, few among many. row: by start and kind of the run."""
    query = select(STARTED_US, RUN.kind_key).join(ReworkOrder, ReworkOrder.failing_run == RUN.run_number)
    scrapped = (ReworkOrder.state == State.SCRAPPED.value, RUN.verdict == Verdict.FAIL.value)
    for us, key in connection.execute(query.where(*scope.conditions(), *scrapped)):
        row(us, key).scrapped += 1


def rework_loop(connection: Connection, scope: Scope) -> ReworkLoop:
    """Orders that a failed run of the scope began, by how they stand."""
    order = ReworkOrder
    query = select(order.state, order.tries, func.count()).select_from(RUN).join(order, order.failing_run == RUN.run_number)
    query = query.where(*scope.conditions(), RUN.verdict == Verdict.FAIL.value).group_by(order.state, order.tries)
    states: Counter[str] = Counter()
    tries: Counter[int] = Counter()
    for state, number, count in connection.execute(query):
        states[state] += count
        tries[number] += count if state == State.CLOSED else 0
    return ReworkLoop(
        begun=sum(states.values()),
        active=sum(states[state] for state in ACTIVE),
        closed=states[State.CLOSED],
        scrapped=states[State.SCRAPPED],
        withdrawn=states[State.WITHDRAWN],
        tries={number: count for number, count in sorted(tries.items()) if count},
    )
