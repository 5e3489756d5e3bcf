"""Reads a file of peaks: each line one group's successive peaks in counts, separated by commas."""

import csv
from collections.abc import Sequence
from math import isfinite
from pathlib import Path

from api.cli.options import read_text
from station.errors import UsageError


def read_peaks(path: Path) -> list[list[float]]:
    """Peaks of each line, in counts. Empty lines at the end are left out.

    Raises UsageError naming file, line and column of the first cell that is no finite number, or when there is no line at all.
    """
    rows: list[list[float]] = []
    empty_from = 0
    reader = csv.reader(read_text(path, "peaks").splitlines(), strict=True)
    try:
        for cells in reader:
            if not any(cell.strip() for cell in cells) and len(cells) < 2:
                empty_from = empty_from or reader.line_num
                continue
            if empty_from:
                raise _bad(path, empty_from, 1, "")
            rows.append(_numbers(path, reader.line_num, cells))
    except csv.Error as problem:
        raise UsageError(f"peaks {path}: line {reader.line_num}: {problem}; expected numbers separated by commas") from problem
    if not rows:
        raise UsageError(f"peaks {path}: no line with peaks; expected one line per group, numbers separated by commas")
    return rows


def _numbers(path: Path, line: int, cells: Sequence[str]) -> list[float]:
    return [_number(path, line, column, cell) for column, cell in enumerate(cells, start=1)]


def _number(path: Path, line: int, column: int, cell: str) -> float:
    try:
        value = float(cell)
    except ValueError as problem:
        raise _bad(path, line, column, cell) from problem
    if not isfinite(value) or "_" in cell:
        raise _bad(path, line, column, cell)
    return value


def _bad(path: Path, line: int, column: int, cell: str) -> UsageError:
    shown = f"is {cell.strip()!r}" if cell.strip() else "is empty"
    return UsageError(f"peaks {path}: line {line}, column {column} {shown}; expected a peak in counts")
