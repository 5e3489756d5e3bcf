"""Tables on paper: a header, rows on lines of equal height, words on the left and figures on the right of their columns."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from api.reports.marks import mark, marked
from api.reports.sheet import FAINT, INK, LINE, MUTED, Sheet

SIZE: Final = 7.5
HEADER: Final = 12.0
ROW: Final = 10.5
GAP: Final = 3.0
SHAPE: Final = 8.0  # room of a shape before a text


@dataclass(frozen=True, slots=True)
class Lane:
    """One column: its title, its width in points, and whether it holds figures."""

    title: str
    width: float
    right: bool = True


@dataclass(frozen=True, slots=True)
class Cell:
    """Text; a verdict is its shape and word. shape: of a verdict, drawn before the text of a left-hand column."""

    text: str
    bold: bool = False
    verdict: bool = False
    shape: str = ""


Row = Sequence[Cell | str]


def draw_header(sheet: Sheet, x: float, y: float, lanes: Sequence[Lane], size: float = SIZE) -> float:
    """Titles from top y; returns where rows begin."""
    sheet.box(x, y, sum(lane.width for lane in lanes), HEADER, fill=FAINT)
    for left, lane in _placed(x, lanes):
        at = left + lane.width - GAP if lane.right else left + GAP
        sheet.text(at, y + 8.7, lane.title, size - 0.5, True, MUTED, "right" if lane.right else "left", lane.width - 2 * GAP)
    return y + HEADER


def draw_row(sheet: Sheet, x: float, y: float, lanes: Sequence[Lane], row: Row, size: float = SIZE) -> float:
    """One row from top y, a fine line below it; returns where the next begins."""
    for (left, lane), cell in zip(_placed(x, lanes), row, strict=True):
        one = Cell(cell) if isinstance(cell, str) else cell
        if one.verdict:
            marked(sheet, one.text, left + GAP, y + 7.9, size)
        else:
            at = left + lane.width - GAP if lane.right else left + GAP
            align = "right" if lane.right else "left"
            room = lane.width - 2 * GAP
            if one.shape and not lane.right:
                mark(sheet, one.shape, at, y + 2.2, 6.0)
                at, room = at + SHAPE, room - SHAPE
            sheet.text(at, y + 7.9, one.text, size, one.bold, INK, align, room)
    sheet.line(x, y + ROW, x + sum(lane.width for lane in lanes), y + ROW, LINE, 0.25)
    return y + ROW


def draw_grid(sheet: Sheet, x: float, y: float, lanes: Sequence[Lane], rows: Sequence[Row]) -> float:
    """A whole table that is known to fit; returns its lower edge."""
    y = draw_header(sheet, x, y, lanes)
    for row in rows:
        y = draw_row(sheet, x, y, lanes, row)
    return y


def grid_height(rows: int) -> float:
    """Points that a table of so many rows takes."""
    return HEADER + ROW * rows


def rows_within(height: float) -> int:
    """How many rows fit below a header."""
    return max(0, int((height - HEADER) / ROW))


def _placed(x: float, lanes: Sequence[Lane]) -> list[tuple[float, Lane]]:
    placed = []
    for lane in lanes:
        placed.append((x, lane))
        x += lane.width
    return placed
