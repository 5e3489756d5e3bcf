"""Tables as CSV (RFC 4180: CRLF, quotes doubled, a header, UTF-8), a row at a time.

A text cell that a spreadsheet would take for a formula gets an apostrophe in front (CWE-1236); numbers, shares and times are left alone,
so that a negative number stays one.
"""

import csv
import io
import math
from collections.abc import Iterable, Iterator, Sequence
from datetime import datetime
from enum import StrEnum
from typing import Final

from api.reports.printed import rfc3339
from api.reports.tables import Column, Kind, Row, Value

FORMULA_STARTS: Final = ("=", "+", "-", "@", "\t", "\r")
CHUNK_BYTES: Final = 1 << 16
MARK: Final = "\ufeff"  # byte order mark: without it spreadsheets that want semicolons take UTF-8 for something else (common practice)


class Dialect(StrEnum):
    """STANDARD: RFC 4180. SEMICOLON: for spreadsheets set to decimal commas: fields apart by semicolons, and a byte order mark."""

    STANDARD = "standard"
    SEMICOLON = "semicolon"


def csv_bytes(
    columns: Sequence[Column[Row]], rows: Iterable[Row], dialect: Dialect = Dialect.STANDARD, header: bool = True
) -> Iterator[bytes]:
    """The table in pieces of about CHUNK_BYTES. header: False leaves out the first line (and the mark) of a table that goes on."""
    pad = io.StringIO(newline="")
    write = csv.writer(pad, delimiter=";" if dialect is Dialect.SEMICOLON else ",", lineterminator="\r\n").writerow
    if header:
        pad.write(MARK if dialect is Dialect.SEMICOLON else "")
        write([column.name for column in columns])
    for row in rows:
        write([cell(column.kind, column.of(row), dialect) for column in columns])
        if pad.tell() >= CHUNK_BYTES:
            yield _emptied(pad)
    yield _emptied(pad)


def cell(kind: Kind, value: Value, dialect: Dialect) -> str:
    """One value as it stands in the file; empty where it is not known."""
    if kind is Kind.TEXT:
        return guarded(str(value or ""))
    if value is None or (isinstance(value, float) and not math.isfinite(value)):
        return ""
    if isinstance(value, datetime):
        return rfc3339(value) if kind is Kind.MOMENT else f"{value:%Y-%m-%d %H:%M}"
    if isinstance(value, float):
        return repr(float(value)).replace(".", "," if dialect is Dialect.SEMICOLON else ".")
    return str(value)


def guarded(text: str) -> str:
    """Text that no spreadsheet takes for a formula."""
    return f"'{text}" if text.startswith(FORMULA_STARTS) else text


def _emptied(pad: io.StringIO) -> bytes:
    piece = pad.getvalue().encode("utf-8", "replace")
    pad.seek(0)
    pad.truncate()
    return piece
