"""Tables as a workbook (XLSX): typed cells, a header that stays in sight, and no text that is taken for a formula, link or number.

Rows go to a temporary file one by one, so that memory does not grow with their number.
"""

import math
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from itertools import chain, islice
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import TYPE_CHECKING, Any, Final

from api.reports.printed import aware
from api.reports.tables import Column, Kind, Row, Value

if TYPE_CHECKING:
    from xlsxwriter import Workbook
    from xlsxwriter.worksheet import Worksheet

CHUNK_BYTES: Final = 1 << 16
ROWS_MAX: Final = 1_048_576  # of a sheet, its header included (ECMA-376 leaves it open; every spreadsheet known keeps to it)
TEXT_MAX: Final = 32_767  # characters in a cell; a longer text would be left out
WRAPPED_FROM: Final = 60  # characters: wider columns hold sentences
OPTIONS: Final = {"constant_memory": True, "strings_to_formulas": False, "strings_to_urls": False, "strings_to_numbers": False}
FORMATS: Final = {
    Kind.WHOLE: "0",
    Kind.NUMBER: "General",
    Kind.SHARE: "0.0%",
    Kind.DAY: "yyyy-mm-dd",
    Kind.LOCAL: "yyyy-mm-dd hh:mm",
    Kind.MOMENT: "yyyy-mm-dd hh:mm:ss",
}
Fill = Callable[["Workbook", "Styles"], None]


@dataclass(frozen=True, slots=True)
class Styles:
    """Formats of a workbook: of the header, of text, and of values by their kind."""

    header: Any
    text: Any
    wrapped: Any
    by_kind: dict[Kind, Any]


def workbook(made_at: datetime, title: str, fill: Fill) -> Iterator[bytes]:
    """The file in pieces. fill: adds the sheets. Nothing is left on disk, also when the reader goes away."""
    from xlsxwriter import Workbook

    with TemporaryDirectory(prefix="restpoint-") as folder:
        path = Path(folder, "book.xlsx")
        with Workbook(str(path), {**OPTIONS, "tmpdir": folder}) as book:
            book.set_properties({"title": title, "author": "Restpoint", "created": aware(made_at).replace(tzinfo=None)})
            fill(book, _styles(book))
        with path.open("rb") as file:
            while piece := file.read(CHUNK_BYTES):
                yield piece


def add_table(book: "Workbook", styles: Styles, name: str, columns: Sequence[Column[Row]], rows: Iterable[Row]) -> None:
    """A sheet with the table; more rows than a sheet can hold go on in further sheets."""
    rest = iter(rows)
    for number in range(1, 1000):
        sheet = _sheet(book, styles, name if number == 1 else f"{name} {number}", columns)
        for index, row in enumerate(islice(rest, ROWS_MAX - 1), 1):
            for place, column in enumerate(columns):
                _write(sheet, styles, (index, place), column, column.of(row))
        following = next(rest, None)
        if following is None:
            return
        rest = chain((following,), rest)


def add_words(book: "Workbook", styles: Styles, name: str, rows: Iterable[tuple[str, str]]) -> None:
    """A sheet of two columns of text: a word and its meaning."""
    columns: tuple[Column[tuple[str, str]], ...] = (
        Column("word", "Word", Kind.TEXT, lambda row: row[0], 26),
        Column("meaning", "Meaning", Kind.TEXT, lambda row: row[1], 110),
    )
    add_table(book, styles, name, columns, rows)


def _sheet(book: "Workbook", styles: Styles, name: str, columns: Sequence[Column[Row]]) -> "Worksheet":
    sheet = book.add_worksheet(name)
    sheet.freeze_panes(1, 0)
    for place, column in enumerate(columns):
        sheet.set_column(place, place, column.width)
        sheet.write_string(0, place, column.title, styles.header)
    return sheet


def _write(sheet: "Worksheet", styles: Styles, at: tuple[int, int], column: Column[Row], value: Value) -> None:
    kind = column.kind
    if value is None or value == "" or (isinstance(value, float) and not math.isfinite(value)):
        return
    if isinstance(value, str):
        sheet.write_string(*at, cut(value), styles.wrapped if column.width > WRAPPED_FROM else styles.text)
    elif isinstance(value, date):
        moment = aware(value).replace(tzinfo=None) if isinstance(value, datetime) and kind is Kind.MOMENT else value
        sheet.write_datetime(*at, moment, styles.by_kind[kind])
    else:
        sheet.write_number(*at, value, styles.by_kind[kind])


def cut(text: str) -> str:
    """Text as a cell can hold it; what is cut off is told by an ellipsis."""
    sound = text.encode("utf-8", "replace").decode()
    return sound if len(sound) <= TEXT_MAX else sound[: TEXT_MAX - 1] + "…"


def _styles(book: "Workbook") -> Styles:
    header = book.add_format({"bold": True, "bg_color": "#DCDFE2", "bottom": 1, "text_wrap": True, "valign": "top"})
    wrapped = book.add_format({"valign": "top", "text_wrap": True})
    text = book.add_format({"valign": "top"})
    return Styles(header, text, wrapped, {kind: book.add_format({"num_format": code, "valign": "top"}) for kind, code in FORMATS.items()})
