"""Read the samples row by row: slow, and exact about what is wrong. The fast reader hands over to it whatever it does not like."""

import csv
import math
import re
from array import array
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Final

import numpy as np

from rigs.replayed.csv_columns import ThreeColumns
from rigs.replayed.csv_header import Header, shown
from station.errors import RecordingUnreadable

NUMBER: Final = re.compile(r"[+-]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[eE][+-]?[0-9]+)?")
ROWS_PER_REPORT: Final = 65_536


def read_plainly(path: Path, header: Header, row_bytes: float, progress: Callable[[float], None]) -> ThreeColumns:
    """Times, x and y, each shape (n,). Raises RecordingUnreadable naming line, column, value and what was expected."""
    kept = (array("d"), array("d"), array("d"))
    try:
        for count, (line, row) in enumerate(_rows(path, header), start=1):
            for place, column in zip(header.wanted, kept, strict=True):
                column.append(_number(path, line, header.names[place], row[place]))
            if count % ROWS_PER_REPORT == 0:
                progress(header.share(count, row_bytes))
    except OSError as problem:
        raise RecordingUnreadable(f"{path}: {problem.strerror}; expected a recording that can be read to its end") from problem
    time_s, x_v, y_v = (np.frombuffer(column, dtype=np.float64) for column in kept)
    return time_s, x_v, y_v


def _rows(path: Path, header: Header) -> Iterator[tuple[int, list[str]]]:
    with path.open("r", encoding="utf-8", errors="surrogateescape", newline="") as stream:
        for _ in range(header.lines):
            stream.readline()
        reader = csv.reader(stream, strict=True)
        try:
            for row in reader:
                line = header.lines + reader.line_num
                if max(header.wanted) < len(row) <= len(header.names):
                    yield line, row
                elif any(cell.strip() for cell in row):
                    raise RecordingUnreadable(f"{path}: line {line} has {len(row)} cells; expected {len(header.names)} as in the header")
        except csv.Error as problem:
            raise RecordingUnreadable(
                f"{path}: line {header.lines + reader.line_num}: {problem}; expected cells as in RFC 4180"
            ) from problem


def _number(path: Path, line: int, name: str, cell: str) -> float:
    plain = cell.strip()
    if NUMBER.fullmatch(plain):
        value = float(plain)
        if math.isfinite(value):
            return value
    fault = f"is {shown(cell)}" if plain else "is empty"
    raise RecordingUnreadable(f"{path}: line {line}, column {name} {fault}; expected a finite number")
