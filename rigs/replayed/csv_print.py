"""How a file prints its time stamps: the step of their last digit, seen in the text itself at both ends of the file."""

import csv
import re
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from rigs.replayed.csv_header import Header

SAMPLED_BYTES: Final = 16_384  # some hundred rows at either end: enough to meet a stamp without trailing zeros cut off
STAMP: Final = re.compile(r"[+-]?[0-9]*(?:\.(?P<decimals>[0-9]*))?(?:[eE](?P<exponent>[+-]?[0-9]{1,3}))?")


@dataclass(frozen=True, slots=True)
class Print:
    """step_s: what the last printed digit of a time stamp stands for, at the coarser end. row_bytes: mean length of a row."""

    step_s: float
    row_bytes: float


def read_print(path: Path, header: Header) -> Print:
    """Look at the first and the last rows. Raises OSError."""
    body_bytes = header.file_bytes - header.size_bytes
    with path.open("rb") as stream:
        stream.seek(header.size_bytes)
        head = _rows(stream.read(SAMPLED_BYTES), cut_first=False, cut_last=body_bytes > SAMPLED_BYTES)
        stream.seek(max(header.size_bytes, header.file_bytes - SAMPLED_BYTES))
        tail = _rows(stream.read(SAMPLED_BYTES), cut_first=body_bytes > SAMPLED_BYTES, cut_last=False)
    place = header.wanted[0]
    row_bytes = sum(map(len, head)) / len(head) + 1 if head else 1.0
    return Print(max(_finest_s(head, place), _finest_s(tail, place)), row_bytes)


def _rows(data: bytes, cut_first: bool, cut_last: bool) -> list[str]:
    lines = data.decode("utf-8", errors="replace").split("\n")
    return [line for line in lines[int(cut_first) : len(lines) - int(cut_last)] if line.strip()]


def _finest_s(rows: list[str], place: int) -> float:
    """Finest last digit among the rows: printers that cut trailing zeros show it in most of them, if not in all."""
    steps = [_step_s(cells[place]) for cells in csv.reader(rows) if len(cells) > place]
    return min((step for step in steps if step is not None), default=0.0)


def _step_s(stamp: str) -> float | None:
    match = STAMP.fullmatch(stamp.strip())
    if match is None:
        return None
    return float(10.0 ** (int(match["exponent"] or 0) - len(match["decimals"] or "")))
