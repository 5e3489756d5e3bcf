"""Shapes of the verdicts beside their words, as on the pages: pass a ring, fail a filled square on its corner, undecided a half-filled
square, invalid an open triangle, open a dashed line. Colour alone says nothing.
"""

from collections.abc import Sequence

from api.reports.sheet import BLUE, CALL, INK, MUTED, PAPER, Sheet

COLOURS = {"pass": BLUE, "fail": CALL}


def colour_of(verdict: str) -> str:
    """Vermillion calls a person; everything else is calm."""
    return COLOURS.get(verdict, MUTED)


def mark(sheet: Sheet, verdict: str, x: float, y: float, size: float) -> None:
    """The shape within a square whose top left corner is (x, y)."""
    colour, pen = colour_of(verdict), max(0.6, size / 11.0)

    def at(points: Sequence[tuple[float, float]]) -> list[tuple[float, float]]:
        return [(x + across * size, y + down * size) for across, down in points]

    if verdict == "pass":
        sheet.dot(x + size / 2, y + size / 2, size * 0.42, PAPER, colour)
        sheet.dot(x + size / 2, y + size / 2, size * 0.15, colour)
    elif verdict == "fail":
        sheet.path(at([(0.5, 0.03), (0.97, 0.5), (0.5, 0.97), (0.03, 0.5)]), colour, pen, colour)
    elif verdict == "undecided":
        sheet.box(x + 0.1 * size, y + 0.1 * size, 0.8 * size, 0.8 * size, stroke=colour, pen=pen)
        sheet.box(x + 0.1 * size, y + 0.1 * size, 0.4 * size, 0.8 * size, fill=colour)
    elif verdict == "invalid":
        sheet.path(at([(0.5, 0.08), (0.95, 0.92), (0.05, 0.92)]), colour, pen, PAPER)
    else:
        sheet.line(x + 0.1 * size, y + size / 2, x + 0.9 * size, y + size / 2, colour, pen, (size / 5, size / 8))


def marked(sheet: Sheet, verdict: str, x: float, y: float, size: float, loud: bool = False, instead: str = "") -> float:
    """Shape and word on baseline y; returns the width. loud: in capitals and in its colour, for large letters. instead: of the word."""
    word = instead or verdict or "open"
    mark(sheet, verdict, x, y - 0.76 * size, 0.84 * size)
    shown, colour = (word.upper(), colour_of(verdict)) if loud else (word, INK)
    return 1.15 * size + sheet.text(x + 1.15 * size, y, shown, size, verdict == "fail" or loud, colour)
