"""Which runs a report is about, as conditions on yield_runs, and the kinds of runs among them."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import date, datetime, time
from functools import lru_cache
from typing import Any, Final

from sqlalchemy import Boolean, ColumnElement, Connection, Row, false, func, literal_column, select

from db.models import Specification
from db.models_yield import YieldKind, YieldRun
from db.queries.yields_slots import Slot, shifts, span, zone_of
from station.errors import UsageError
from station.ports.yields import NO_NAME
from station.specification import parse_specification
from station.yields import Asked, Split

FILTERS: Final = ("product", "lot", "rig", "operator", "station")
KIND_SPLITS: Final[Mapping[Split, str]] = {
    Split.PRODUCT: "product",
    Split.SPECIFICATION: "specification",
    Split.LOT: "lot",
    Split.RIG: "rig",
    Split.OPERATOR: "operator",
}


@dataclass(frozen=True, slots=True)
class Kind:
    """What the runs of a kind have in common. sticks: names of the product's sticks. text: the specification's."""

    product: str
    specification: str
    specification_key: int
    lot: str
    rig: str
    operator: str
    station: str
    sticks: tuple[str, ...]
    text: str

    def label(self, split: Split) -> str:
        """Of the row that a run of this kind belongs to."""
        return str(getattr(self, KIND_SPLITS[split])) or NO_NAME


@dataclass(frozen=True, slots=True)
class Scope:
    """begin <= started_at < end, open where None. kinds: by key. narrow: whether the kinds are not all there are."""

    emulated: bool
    begin: datetime | None
    end: datetime | None
    kinds: Mapping[int, Kind]
    narrow: bool

    def conditions(self) -> list[ColumnElement[bool]]:
        """On rows of yield_runs."""
        found = [YieldRun.emulated == self.emulated]
        if self.begin is not None:
            found.append(YieldRun.started_at >= self.begin)
        if self.end is not None:
            found.append(YieldRun.started_at < self.end)
        return [*found, of_kinds(self.kinds)] if self.narrow else found

    def by_sticks(self) -> dict[tuple[str, ...], ColumnElement[bool]]:
        """Conditions that tell runs by the names of the sticks that their units have, the most common names first."""
        keys: dict[tuple[str, ...], list[int]] = {}
        for key, kind in self.kinds.items():
            keys.setdefault(kind.sticks, []).append(key)
        return {sticks: of_kinds(keys[sticks]) for sticks in sorted(keys, key=lambda names: (-len(keys[names]), names))}


def of_kinds(keys: Iterable[int]) -> ColumnElement[bool]:
    """Whether a run is of one of these kinds. Keys stand in the text: a statement is made once and asked for every day or shift."""
    listed = ",".join(str(int(key)) for key in sorted(keys))
    return literal_column(f"yield_runs.kind_key IN ({listed})", Boolean) if listed else false()


def scope_of(connection: Connection, asked: Asked, zone: str) -> Scope:
    """Raises UsageError for a zone that does not exist and days out of order."""
    begin, end = span(asked.first_day, asked.last_day, zone_of(zone))
    return _scope(connection, asked.emulated, begin, end, _chosen(asked))


def scope_of_row(connection: Connection, asked: Asked, zone: str, starts: tuple[time, ...], label: str) -> Scope:
    """The scope of one row of a report, "" for its total. Raises UsageError for a label that no row of the split can have."""
    begin, end = span(asked.first_day, asked.last_day, zone_of(zone))
    chosen = _chosen(asked)
    if label and asked.split in (Split.DAY, Split.SHIFT):
        slot = _slot(asked.split, label, zone, starts)
        begin = slot.begin if begin is None else max(begin, slot.begin)
        end = slot.end if end is None else min(end, slot.end)
    elif label and asked.split in KIND_SPLITS:
        chosen = (*chosen, _column(KIND_SPLITS[asked.split]) == ("" if label == NO_NAME else label))
    elif label:
        raise UsageError(f"split is {asked.split.value!r}; expected one whose rows have runs of their own: {_splits()}")
    return _scope(connection, asked.emulated, begin, end, chosen)


def extent(connection: Connection, scope: Scope) -> tuple[datetime, datetime] | None:
    """First and last start of a run of the scope, None without any. Each is found at once, unless the kinds are narrow."""
    conditions = scope.conditions()
    columns = (func.min(YieldRun.started_at), func.max(YieldRun.started_at))
    if scope.narrow:
        first, last = connection.execute(select(*columns).where(*conditions)).one()
    else:
        first, last = (connection.execute(select(column).where(*conditions)).scalar_one() for column in columns)
    return None if first is None else (first, last)


def _scope(
    connection: Connection, emulated: bool, begin: datetime | None, end: datetime | None, chosen: tuple[ColumnElement[bool], ...]
) -> Scope:
    columns = (YieldKind.__table__, Specification.name, Specification.revision, Specification.text)
    query = select(*columns).join(Specification).where(YieldKind.emulated == emulated, *chosen)
    kinds = {row.id: _kind(row) for row in connection.execute(query)}
    return Scope(emulated, begin, end, kinds, bool(chosen))


def _chosen(asked: Asked) -> tuple[ColumnElement[bool], ...]:
    names = (*FILTERS, "specification")
    return tuple(_column(name) == getattr(asked, name) for name in names if getattr(asked, name))


def _column(name: str) -> Any:
    return Specification.name + " " + Specification.revision if name == "specification" else getattr(YieldKind, name)


def _slot(split: Split, label: str, zone: str, starts: tuple[time, ...]) -> Slot:
    try:
        at = datetime.fromisoformat(label)
    except ValueError as problem:
        raise UsageError(f"label is {label!r}; expected one of a row by {split.value}, such as 2026-11-25") from problem
    begin, end = span(date(at.year, at.month, at.day), date(at.year, at.month, at.day), zone_of(zone))
    if begin is None or end is None:
        raise UsageError(f"label is {label!r}; expected a day")
    if split is Split.DAY:
        return Slot(label, begin, end)
    for slot in shifts(begin, end, zone_of(zone), starts):
        if slot.label == label:
            return slot
    raise UsageError(f"label is {label!r}; expected a shift that begins then")


def _splits() -> str:
    return ", ".join(split.value for split in (Split.DAY, Split.SHIFT, *KIND_SPLITS))


def _kind(row: Row[Any]) -> Kind:
    same = {name: getattr(row, name) for name in (*FILTERS, "specification_key", "text")}
    return Kind(**same, specification=f"{row.name} {row.revision}", sticks=sticks_of(row.text))


@lru_cache(maxsize=256)
def sticks_of(text: str) -> tuple[str, ...]:
    """Sticks of a product by its specification's text."""
    return tuple(sorted(parse_specification(text).stick.names))
