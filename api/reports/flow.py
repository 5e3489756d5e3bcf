"""Papers of several pages: pieces are set below each other, and one that does not fit begins the next page."""

from collections.abc import Callable, Sequence
from typing import Final

from api.reports.grid import GAP, HEADER, ROW, Cell, Lane, draw_header, draw_row
from api.reports.sheet import FOOT, INK, INNER, LINE, MARGIN, MUTED, Sheet, wrapped

TOP: Final = 44.0
BOTTOM: Final = FOOT - 18.0
LINE_HEIGHT: Final = 11.0
Fact = tuple[str, str]


class Flow:
    """Where the next piece goes. head: drawn at the top of every page after the first."""

    def __init__(self, sheet: Sheet, y: float, head: Callable[[Sheet], None]) -> None:
        self.sheet = sheet
        self.y = y
        self._head = head

    def require(self, height: float) -> None:
        """Begin a page when less is left on this one."""
        if self.y + height > BOTTOM:
            self.sheet.next_page()
            self._head(self.sheet)
            self.y = TOP + 12.0

    def skip(self, height: float) -> None:
        self.y += height

    def title(self, text: str, following: float = 40.0) -> None:
        """A section's title, kept together with what follows it."""
        self.require(22.0 + following)
        self.sheet.text(MARGIN, self.y + 14.0, text, 11.0, True, room=INNER)
        self.y += 20.0

    def paragraph(self, text: str, size: float = 8.5, colour: str = INK, bold: bool = False, indent: float = 0.0) -> None:
        """Text broken into lines."""
        for line in wrapped(text, INNER - indent, size, bold):
            self.require(LINE_HEIGHT)
            self.sheet.text(MARGIN + indent, self.y + 8.5, line, size, bold, colour)
            self.y += LINE_HEIGHT * size / 8.5

    def facts(self, facts: Sequence[Fact], name_width: float = 78.0) -> None:
        """Names and what they are, in two columns, down the left one first."""
        half = (len(facts) + 1) // 2
        width = INNER / 2.0
        self.require(LINE_HEIGHT * half)
        for index, (name, value) in enumerate(facts):
            x, y = MARGIN + width * (index // half), self.y + LINE_HEIGHT * (index % half) + 8.5
            self.sheet.text(x, y, name, 8.0, colour=MUTED, room=name_width - 4.0)
            self.sheet.text(x + name_width, y, value, 8.5, room=width - name_width - 8.0)
        self.y += LINE_HEIGHT * half + 4.0

    def grid(self, lanes: Sequence[Lane], rows: Sequence[Sequence[Cell | str]], size: float = 7.5) -> None:
        """A table; its header is repeated on every page it goes on to."""
        self.require(HEADER + ROW * min(3, max(1, len(rows))))
        self.y = draw_header(self.sheet, MARGIN, self.y, lanes, size)
        for row in rows:
            if self.y + ROW > BOTTOM:
                self.require(BOTTOM)
                self.y = draw_header(self.sheet, MARGIN, self.y, lanes, size)
            self.y = draw_row(self.sheet, MARGIN, self.y, lanes, row, size)
        self.y += GAP

    def rule(self) -> None:
        self.sheet.line(MARGIN, self.y, MARGIN + INNER, self.y, LINE, 0.4)
        self.y += 4.0
