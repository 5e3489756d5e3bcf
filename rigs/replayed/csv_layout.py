"""How a row of a file is printed: which characters are digits, and where its numbers stand."""

import re
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from rigs.replayed.csv_header import Header

DIGITS_MAX: Final = 15  # whole numbers of so many digits are exact in double precision
NUMBER: Final = re.compile(rb"([+-]?)([0-9]+)(?:\.([0-9]*))?")

Bytes = NDArray[np.uint8]


@dataclass(frozen=True, slots=True)
class Field:
    """A number in the row: places of its digits, and what to divide the whole number by for its point and sign."""

    places: tuple[int, ...]
    divisor: float


@dataclass(frozen=True, slots=True)
class Layout:
    """A row, line end included, and as many like it as a block holds.

    base: characters to take off (exclusive or), so that digits become 0..9 and all else 0. most: 9 for digits, else 0.
    """

    length: int
    base: Bytes
    most: Bytes
    fields: tuple[Field, ...]

    def fits(self, row: bytes) -> bool:
        """Whether another row is printed the same way."""
        if len(row) != self.length:
            return False
        return bool((np.frombuffer(row, np.uint8) ^ self.base[: self.length] <= self.most[: self.length]).all())


def layout_of(row: bytes, header: Header, block_bytes: int) -> Layout | None:
    """Layout of a row; None when it is not made of the header's cells, unquoted, or a wanted one is no plain decimal number."""
    cells = row.rstrip(b"\r\n").split(b",")
    if b'"' in row or not max(header.wanted) < len(cells) <= len(header.names):
        return None
    fields = [_field(cells[place], sum(len(cell) + 1 for cell in cells[:place])) for place in header.wanted]
    known = tuple(field for field in fields if field is not None)
    if len(known) < len(fields):
        return None
    text = np.frombuffer(row, np.uint8)
    is_digit = (text >= ord("0")) & (text <= ord("9"))
    rows = block_bytes // len(row) + 1
    base, most = np.where(is_digit, ord("0"), text), np.where(is_digit, 9, 0)
    return Layout(len(row), np.tile(base.astype(np.uint8), rows), np.tile(most.astype(np.uint8), rows), known)


def _field(cell: bytes, start: int) -> Field | None:
    match = NUMBER.fullmatch(cell)
    if match is None:
        return None
    sign, whole, part = match.span(1), match.span(2), match.span(3)
    places = [*range(*whole), *range(*part)]
    if len(places) > DIGITS_MAX:
        return None
    scale = 10.0 ** (part[1] - part[0])
    return Field(tuple(start + place for place in places), -scale if cell[slice(*sign)] == b"-" else scale)
