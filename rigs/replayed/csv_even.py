"""Read rows that are printed alike: digits in the same places, all else the same, as loggers write them over long stretches.

Such a stretch is a matrix of characters, and a number in it is Horner's rule down its columns of digits. Whole numbers below 2**53 and
powers of ten up to 10**22 are exact in double precision, so that their quotient is the correctly rounded value of the text.
"""

from collections.abc import Callable
from pathlib import Path
from typing import BinaryIO, Final

import numpy as np

from rigs.replayed.csv_columns import Columns, ThreeColumns
from rigs.replayed.csv_header import LINE_MAX_BYTES, Header
from rigs.replayed.csv_layout import Bytes, Field, Layout, layout_of
from station.records import Floats

BLOCK_BYTES: Final = 1 << 19  # stays in the processor's cache together with its copies
LONG_ROWS: Final = 64  # a stretch of fewer rows is not worth its own layout,
SHORT_STRETCHES_MAX: Final = 100  # and a file with more of them is left to the general parser


def read_even(path: Path, header: Header, row_bytes: float, progress: Callable[[float], None]) -> ThreeColumns | None:
    """Times, x and y, each shape (n,), or None when rows are not printed alike or hold anything but plain decimal numbers."""
    columns, block = Columns(header, row_bytes), _Block()
    layout: Layout | None = None
    short = 0
    with path.open("rb") as stream:
        stream.seek(header.size_bytes)
        while block.fill(stream):
            while row := block.next_row():
                if layout is None or not layout.fits(row):
                    layout = layout_of(row, header, len(block.text))
                if layout is None or short > SHORT_STRETCHES_MAX:
                    return None
                digits = block.take_rows(layout)
                for field, view in zip(layout.fields, columns.more(digits.shape[1]), strict=True):
                    write_numbers(digits, field, view)
                short += digits.shape[1] < LONG_ROWS
            progress(header.share(columns.rows, row_bytes))
    return None if block.left else columns.done()


def write_numbers(digits: Bytes, field: Field, into: Floats) -> None:
    """The numbers of a field, one per column of `digits`, shape (length, rows)."""
    into[:] = digits[field.places[0]]
    for place in field.places[1:]:
        into *= 10.0
        into += digits[place]
    into /= field.divisor


class _Block:
    """A stretch of the file and the room to work on it, taken once: memory that is new for every block costs more than the reading."""

    def __init__(self) -> None:
        self.text = bytearray(BLOCK_BYTES + LINE_MAX_BYTES)
        self._characters = np.frombuffer(self.text, np.uint8)
        self._digits = np.empty(len(self.text), np.uint8)
        self._turned = np.empty(len(self.text), np.uint8)
        self._strays = np.empty(len(self.text), np.bool_)
        self._at = self._end = 0

    @property
    def left(self) -> int:
        """Bytes that no row was made of."""
        return self._end - self._at

    def fill(self, stream: BinaryIO) -> bool:
        """Read on behind what is left; the last line of the file gets its line end. False when nothing came."""
        left = bytes(self.text[self._at : self._end])
        self.text[: len(left)] = left
        self._at, self._end = 0, len(left)
        if len(left) > LINE_MAX_BYTES - 1:
            return False
        with memoryview(self.text) as room:
            count = stream.readinto(room[len(left) : len(left) + BLOCK_BYTES])  # type: ignore[attr-defined]
        self._end += count
        if not count and left:
            self.text[self._end] = ord("\n")
            self._end += 1
        return bool(count or left)

    def next_row(self) -> bytes:
        """The next whole row, line end included, without taking it; empty when none is left."""
        end = self.text.find(b"\n", self._at, self._end)
        return bytes(self.text[self._at : end + 1]) if end >= 0 else b""

    def take_rows(self, layout: Layout) -> Bytes:
        """Digits of the next rows that keep to the layout, shape (length, rows); valid until the next call."""
        rows = self.left // layout.length
        size = rows * layout.length
        digits, strays = self._digits[:size], self._strays[:size]
        np.bitwise_xor(self._characters[self._at : self._at + size], layout.base[:size], out=digits)
        np.greater(digits, layout.most[:size], out=strays)
        if strays.any():
            rows = int(strays.argmax()) // layout.length
            size = rows * layout.length
        self._at += size
        turned = self._turned[:size].reshape(layout.length, rows)
        turned[:] = digits[:size].reshape(rows, layout.length).T
        return turned
