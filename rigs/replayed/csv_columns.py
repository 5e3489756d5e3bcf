"""Columns of samples as they grow while a file is read."""

from typing import Final

import numpy as np

from rigs.replayed.csv_header import Header
from station.records import Floats

HEADROOM: Final = 1.02  # rows more than the file's length and the length of its first rows say

ThreeColumns = tuple[Floats, Floats, Floats]


class Columns:
    """Times, x and y. Room is taken once for the rows expected, so that memory is touched once; more is taken when they are exceeded."""

    def __init__(self, header: Header, row_bytes: float) -> None:
        expected = int(HEADROOM * (header.file_bytes - header.size_bytes) / row_bytes) + 1
        self.rows = 0
        self._columns = [np.empty(expected) for _ in header.wanted]

    def more(self, rows: int) -> list[Floats]:
        """Views of the next rows of each column, to be written before the next call."""
        end = self.rows + rows
        for column in self._columns:
            if end > len(column):
                column.resize(2 * end, refcheck=False)
        views = [column[self.rows : end] for column in self._columns]
        self.rows = end
        return views

    def done(self) -> ThreeColumns:
        """The columns, each shape (rows,); the room that was not needed is given back. No view of them may be in use any more."""
        for column in self._columns:
            column.resize(self.rows, refcheck=False)
        time_s, x_v, y_v = self._columns
        return time_s, x_v, y_v
