"""Where a recording's header stands in the file and what it names. Comment lines before it begin with #."""

import csv
import os
import stat
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO, Final

from station.errors import RecordingUnreadable

LINE_MAX_BYTES: Final = 65_536  # no header of three names is longer; a longer line means that this is another kind of file
BOM_UTF8: Final = b"\xef\xbb\xbf"
BOMS_UTF16: Final = (b"\xff\xfe", b"\xfe\xff")
SHOWN_CHARACTERS: Final = 60


@dataclass(frozen=True, slots=True)
class Header:
    """names: all columns of the file. wanted: places of the time, x and y columns. lines, size_bytes: up to and with the header line."""

    names: tuple[str, ...]
    wanted: tuple[int, int, int]
    lines: int
    size_bytes: int
    file_bytes: int

    def share(self, rows: int, row_bytes: float) -> float:
        """Share of the file below the header that so many rows of this mean length make up, 0 to 1."""
        return min(1.0, rows * row_bytes / max(1, self.file_bytes - self.size_bytes))


def read_header(path: Path, columns: tuple[str, str, str]) -> Header:
    """Find the header line and the wanted columns in it. Raises RecordingUnreadable."""
    try:
        status = path.stat()
        if not stat.S_ISREG(status.st_mode):
            raise RecordingUnreadable(f"{path}: is not a regular file; expected a recording as CSV")
        with path.open("rb") as stream:
            text, lines = _header_line(path, stream)
            size_bytes = stream.tell()
    except OSError as problem:
        raise RecordingUnreadable(f"{path}: {problem.strerror}; expected a recording as CSV") from problem
    except ValueError as problem:  # a NUL in the name
        raise RecordingUnreadable(f"{os.fspath(path)!r}: {problem}; expected the name of a file") from problem
    names = _names(path, lines, text)
    return Header(names, _wanted(path, lines, names, columns), lines, size_bytes, status.st_size)


def shown(value: str) -> str:
    """The value in quotes, cut to a length that fits in a message."""
    return ascii(value if len(value) <= SHOWN_CHARACTERS else value[:SHOWN_CHARACTERS] + "...")


def _header_line(path: Path, stream: BinaryIO) -> tuple[bytes, int]:
    lines = 0
    while line := stream.readline(LINE_MAX_BYTES):
        if lines == 0:
            if line.startswith(BOMS_UTF16):
                raise RecordingUnreadable(f"{path}: is UTF-16 text; expected UTF-8")
            line = line.removeprefix(BOM_UTF8)
        lines += 1
        comment = line.startswith(b"#")
        while not line.endswith(b"\n") and len(line) >= LINE_MAX_BYTES - len(BOM_UTF8):
            if not comment:
                raise RecordingUnreadable(f"{path}: line {lines} is longer than {LINE_MAX_BYTES} bytes; expected a header of column names")
            line = stream.readline(LINE_MAX_BYTES)
        if not comment and line.strip():
            return line.rstrip(b"\r\n"), lines
    raise RecordingUnreadable(f"{path}: no header line; expected column names as in t_s,x_v,y_v")


def _names(path: Path, line: int, text: bytes) -> tuple[str, ...]:
    if b"\r" in text:
        raise RecordingUnreadable(f"{path}: line {line} holds a bare carriage return; expected lines ended by LF or CRLF")
    try:
        row = next(csv.reader([text.decode("utf-8")], strict=True))
    except UnicodeDecodeError as problem:
        raise RecordingUnreadable(f"{path}: line {line} is not UTF-8 text ({problem.reason}); expected column names") from problem
    except csv.Error as problem:
        raise RecordingUnreadable(f"{path}: line {line}: {problem}; expected column names parted by commas") from problem
    return tuple(name.strip() for name in row)


def _wanted(path: Path, line: int, names: tuple[str, ...], columns: tuple[str, str, str]) -> tuple[int, int, int]:
    for column in columns:
        found = names.count(column)
        if found != 1:
            fault = "is missing" if found == 0 else f"is there {found} times"
            raise RecordingUnreadable(
                f"{path}: line {line}: column {column} {fault} in the header {shown(','.join(names))}; expected it once"
            )
    time_s, x_v, y_v = (names.index(column) for column in columns)
    return time_s, x_v, y_v
