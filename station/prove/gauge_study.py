"""A gauge study: the same parts measured by every operator equally often."""

import csv
import math
import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Final

import numpy as np

from station.errors import StudyUnreadable
from station.records import Floats

COLUMNS: Final = ("part", "operator", "trial", "value")
NUMBER: Final = re.compile(r"[+-]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[eE][+-]?[0-9]+)?")


@dataclass(frozen=True, slots=True)
class GaugeStudy:
    """values: shape (parts, operators, trials), in the unit of what was measured."""

    values: Floats
    parts: tuple[str, ...]
    operators: tuple[str, ...]

    @property
    def trials(self) -> int:
        return int(self.values.shape[2])


@dataclass(frozen=True, slots=True)
class Reading:
    """One measured value. where: how a message names it, such as "line 7"."""

    part: str
    operator: str
    trial: str
    value: float
    where: str


def parse_study(text: str) -> GaugeStudy:
    """Study from CSV text with a header naming part, operator, trial and value in any order; # lines before it are comments.

    Raises StudyUnreadable naming line, column, value and what was expected.
    """
    return study_of(_readings(text.removeprefix("\ufeff")))


def study_of(readings: Iterable[Reading]) -> GaugeStudy:
    """Study from readings in any order. Raises StudyUnreadable: doubled, missing, one part only, one trial only."""
    cells: dict[tuple[str, str], dict[str, float]] = {}
    for reading in readings:
        cell = cells.setdefault((reading.part, reading.operator), {})
        if reading.trial in cell:
            raise StudyUnreadable(
                f"{reading.where}: {_named(reading.part, reading.operator)}, trial {reading.trial} is there twice; expected it once"
            )
        cell[reading.trial] = reading.value
    parts = tuple(dict.fromkeys(part for part, _ in cells))
    operators = tuple(dict.fromkeys(operator for _, operator in cells))
    trials = _trials(cells, parts, operators)
    values = np.array([[list(cells[part, operator].values()) for operator in operators] for part in parts], dtype=np.float64)
    return GaugeStudy(values.reshape(len(parts), len(operators), trials), parts, operators)


def _trials(cells: Mapping[tuple[str, str], Mapping[str, float]], parts: tuple[str, ...], operators: tuple[str, ...]) -> int:
    """Trials of every cell, if the study is balanced and large enough."""
    if len(parts) < 2:
        raise StudyUnreadable(f"the study has {len(parts)} part{'' if len(parts) == 1 else 's'}; expected at least two")
    trials = max(map(len, cells.values()))
    for part in parts:
        for operator in operators:
            found = len(cells.get((part, operator), ()))
            if found != trials:
                raise StudyUnreadable(
                    f"the study is not balanced: {_named(part, operator)} has {found} trials; expected {trials} as the others have"
                )
    if trials < 2:
        raise StudyUnreadable("the study has one trial of each part by each operator; expected at least two")
    return trials


def _readings(text: str) -> Iterable[Reading]:
    lines = text.splitlines()
    first = next((index for index, line in enumerate(lines) if line.strip() and not line.startswith("#")), None)
    if first is None:
        raise StudyUnreadable("the study has no header; expected part,operator,trial,value")
    rows = csv.reader(lines[first:], strict=True)
    try:
        places = _places(first + 1, next(rows))
        for row in rows:
            if any(cell.strip() for cell in row):
                yield _reading(first + rows.line_num, row, places)
    except csv.Error as problem:
        raise StudyUnreadable(f"line {first + rows.line_num}: {problem}; expected cells as in RFC 4180") from problem


def _places(line: int, header: list[str]) -> tuple[int, ...]:
    names = [name.strip() for name in header]
    for column in COLUMNS:
        if names.count(column) != 1:
            fault = "is missing" if column not in names else "is there twice"
            raise StudyUnreadable(
                f"line {line}: column {column} {fault} in the header {','.join(names)[:80]!a}; expected {','.join(COLUMNS)}"
            )
    return tuple(names.index(column) for column in COLUMNS)


def _reading(line: int, row: list[str], places: tuple[int, ...]) -> Reading:
    if len(row) <= max(places):
        raise StudyUnreadable(f"line {line} has {len(row)} cells; expected at least {max(places) + 1}")
    part, operator, trial, value = (row[place].strip() for place in places)
    for column, cell in zip(COLUMNS[:3], (part, operator, trial), strict=True):
        if not cell:
            raise StudyUnreadable(f"line {line}, column {column} is empty; expected a name")
    number = float(value) if NUMBER.fullmatch(value) else math.nan
    if not math.isfinite(number):
        raise StudyUnreadable(f"line {line}, column value {f'is {value[:40]!a}' if value else 'is empty'}; expected a finite number")
    return Reading(part, operator, trial, number, f"line {line}")


def _named(part: str, operator: str) -> str:
    return f"part {part[:40]}, operator {operator[:40]}"
