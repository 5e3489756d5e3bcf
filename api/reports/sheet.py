"""Paper to draw on: A4 pages in points, from the top left corner, y downwards. The only room that knows the PDF library's canvas.

The same calls give the same bytes: the document's date is the one handed in, and its id is a digest of what it holds.
"""

import io
from collections.abc import Sequence
from datetime import datetime
from typing import Any, Final

from api.reports.fonts import BOLD, PLAIN, printable, require_fonts, width_of
from api.reports.printed import aware

WIDTH: Final = 595.28  # A4, ISO 216: 210 mm x 297 mm
HEIGHT: Final = 841.89
MARGIN: Final = 40.0
RIGHT: Final = WIDTH - MARGIN
INNER: Final = WIDTH - 2 * MARGIN
FOOT: Final = HEIGHT - 26.0

INK: Final = "#1B2026"
MUTED: Final = "#464E56"
LINE: Final = "#9AA1A8"
FAINT: Final = "#E7E9EB"
GREY: Final = "#8B939B"
BLUE: Final = "#0072B2"
ORANGE: Final = "#E69F00"
CALL: Final = "#D55E00"
PAPER: Final = "#FFFFFF"
HATCH_STEP: Final = 5.0


class Sheet:
    """A document being drawn, one page after the other. foot: a line at the bottom of every page."""

    def __init__(self, title: str, subject: str, made_at: datetime, foot: str) -> None:
        from reportlab.pdfgen.canvas import Canvas

        require_fonts()
        self._file = io.BytesIO()
        self._canvas: Any = Canvas(self._file, pagesize=(WIDTH, HEIGHT), invariant=1, pageCompression=1, lang="en-GB")
        stamp = f"D:{aware(made_at):%Y%m%d%H%M%S}+00'00'"
        self._canvas.setDateFormatter(lambda *_: stamp)
        self._canvas.setTitle(printable(title))
        self._canvas.setSubject(printable(subject))
        self._canvas.setAuthor("Restpoint")
        self._canvas.setCreator("Restpoint")
        self._foot = foot
        self.page = 1

    def text(
        self,
        x: float,
        y: float,
        text: str,
        size: float = 8.0,
        bold: bool = False,
        colour: str = INK,
        align: str = "left",
        room: float = 0.0,
    ) -> float:
        """One line on baseline y; x is its left end, middle ("centre") or right end. room: cut with an ellipsis to this width.

        Returns the width it took."""
        shown = fitted(text, room, size, bold) if room else printable(text)
        self._canvas.setFont(BOLD if bold else PLAIN, size)
        self._canvas.setFillColor(colour)
        width = width_of(shown, size, bold)
        left = x - {"left": 0.0, "centre": 0.5, "right": 1.0}[align] * width
        self._canvas.drawString(left, HEIGHT - y, shown)
        return width

    def upright(self, x: float, y: float, text: str, size: float, colour: str = MUTED) -> None:
        """One line read from below, centred on (x, y)."""
        self._canvas.saveState()
        self._canvas.translate(x, HEIGHT - y)
        self._canvas.rotate(90)
        self._canvas.setFont(PLAIN, size)
        self._canvas.setFillColor(colour)
        self._canvas.drawCentredString(0, 0, printable(text))
        self._canvas.restoreState()

    def line(self, x1: float, y1: float, x2: float, y2: float, colour: str = LINE, width: float = 0.5, dash: Sequence[float] = ()) -> None:
        self._pen(colour, width, dash)
        self._canvas.line(x1, HEIGHT - y1, x2, HEIGHT - y2)

    def box(self, x: float, y: float, width: float, height: float, fill: str = "", stroke: str = "", pen: float = 0.5) -> None:
        """A rectangle from its top left corner."""
        if fill:
            self._canvas.setFillColor(fill)
        self._pen(stroke or LINE, pen)
        self._canvas.rect(x, HEIGHT - y - height, width, height, stroke=int(bool(stroke)), fill=int(bool(fill)))

    def dot(self, x: float, y: float, radius: float, fill: str = INK, stroke: str = "") -> None:
        self._canvas.setFillColor(fill)
        self._pen(stroke or INK, 0.8)
        self._canvas.circle(x, HEIGHT - y, radius, stroke=int(bool(stroke)), fill=1)

    def path(self, points: Sequence[tuple[float, float]], colour: str = INK, width: float = 0.6, fill: str = "") -> None:
        """A line through points, or the outline of an area when filled."""
        if len(points) < 2:
            return
        path = self._canvas.beginPath()
        path.moveTo(points[0][0], HEIGHT - points[0][1])
        for x, y in points[1:]:
            path.lineTo(x, HEIGHT - y)
        if fill:
            path.close()
            self._canvas.setFillColor(fill)
        self._pen(colour, width)
        self._canvas.drawPath(path, stroke=1, fill=int(bool(fill)))

    def hatch(self, x: float, y: float, width: float, height: float) -> None:
        """A grey hatched band: the neutral zone."""
        if width <= 0.0 or height <= 0.0:
            return
        self.box(x, y, width, height, fill="#F1F2F3")
        with Clip(self, x, y, width, height):
            self._pen("#B4BAC0", 0.4)
            start = x - height
            while start < x + width:
                self._canvas.line(start, HEIGHT - y - height, start + height, HEIGHT - y)
                start += HATCH_STEP
        for edge in (y, y + height):
            self.line(x, edge, x + width, edge, GREY, 0.5, (2.5, 1.5))

    def next_page(self) -> None:
        self._finish_page()
        self._canvas.showPage()
        self.page += 1

    def bytes(self) -> bytes:
        """The finished document; nothing can be drawn afterwards."""
        self._finish_page()
        self._canvas.showPage()
        self._canvas.beginForm("pages", 0, 0, WIDTH, HEIGHT)
        self._canvas.setFont(PLAIN, 7.0)
        self._canvas.setFillColor(MUTED)
        self._canvas.drawRightString(RIGHT, HEIGHT - FOOT, f"of {self.page}")
        self._canvas.endForm()
        self._canvas.save()
        return self._file.getvalue()

    def _finish_page(self) -> None:
        self.line(MARGIN, FOOT - 10.0, RIGHT, FOOT - 10.0, LINE, 0.4)
        self.text(MARGIN, FOOT, self._foot, 7.0, colour=MUTED, room=INNER - 60.0)
        self.text(RIGHT - 13.0 - (3.5 if self.page > 9 else 0.0), FOOT, f"page {self.page}", 7.0, colour=MUTED, align="right")
        self._canvas.doForm("pages")

    def _pen(self, colour: str, width: float, dash: Sequence[float] = ()) -> None:
        self._canvas.setStrokeColor(colour)
        self._canvas.setLineWidth(width)
        self._canvas.setLineJoin(1)
        self._canvas.setDash(list(dash))

    def _begin_clip(self, x: float, y: float, width: float, height: float) -> None:
        self._canvas.saveState()
        path = self._canvas.beginPath()
        path.rect(x, HEIGHT - y - height, width, height)
        self._canvas.clipPath(path, stroke=0, fill=0)

    def _end_clip(self) -> None:
        self._canvas.restoreState()


class Clip:
    """While it lasts nothing is drawn outside a rectangle."""

    def __init__(self, sheet: Sheet, x: float, y: float, width: float, height: float) -> None:
        self._sheet = sheet
        self._area = (x, y, width, height)

    def __enter__(self) -> None:
        self._sheet._begin_clip(*self._area)

    def __exit__(self, *_: object) -> None:
        self._sheet._end_clip()


def fitted(text: str, room: float, size: float, bold: bool = False) -> str:
    """Printable text, cut with an ellipsis where it is wider than its room."""
    shown = printable(text[:2000])
    if width_of(shown, size, bold) <= room:
        return shown
    low, high = 0, len(shown)
    while low < high:
        middle = (low + high + 1) // 2
        low, high = (middle, high) if width_of(shown[:middle] + "…", size, bold) <= room else (low, middle - 1)
    return shown[:low].rstrip() + "…"


def wrapped(text: str, room: float, size: float, bold: bool = False) -> list[str]:
    """Printable text broken into lines no wider than its room; a word that is too wide is broken anywhere."""
    lines, line = [], ""
    for word in printable(text).split():
        together = f"{line} {word}" if line else word
        if width_of(together, size, bold) <= room:
            line = together
            continue
        lines += [line] if line else []
        *whole, line = _broken(word, room, size, bold)
        lines += whole
    return [*lines, line] if line else lines


def _broken(word: str, room: float, size: float, bold: bool) -> list[str]:
    parts = []
    while width_of(word, size, bold) > room and len(word) > 1:
        end = len(word) - 1
        while end > 1 and width_of(word[:end], size, bold) > room:
            end -= 1
        parts.append(word[:end])
        word = word[end:]
    return [*parts, word]
