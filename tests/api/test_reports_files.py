"""Workbooks, CSV and JSON read back by libraries that did not write them."""

import csv
import io
import json
import tempfile
import tracemalloc
import zipfile
from collections.abc import Callable, Iterable, Iterator
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Any

import openpyxl
import polars as pl
import pytest

from api.reports import workbook as workbook_module
from api.reports.delimited import Dialect, guarded
from api.reports.documents import failed_json, failed_lines, yield_json
from api.reports.failed import ResumePoint, failed_csv, failed_xlsx, resume_point, resume_point_of_lines
from api.reports.tables import CAPABILITY, FAILED, yield_columns
from api.reports.workbook import TEXT_MAX, cut
from api.reports.yield_page import yield_pdf
from api.reports.yields import Part, yield_csv, yield_xlsx
from station.yields import FailedUnit, Split, YieldReport
from tests.api import report_samples as samples

MEGABYTE = 1 << 20


def joined(pieces: Iterable[bytes]) -> bytes:
    return b"".join(pieces)


def read_csv(data: bytes, delimiter: str = ",") -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(data.decode("utf-8-sig"), newline=""), delimiter=delimiter, strict=True))


def opened(data: bytes) -> Any:
    return openpyxl.load_workbook(io.BytesIO(data))


def peak_bytes(make: Iterable[bytes]) -> tuple[int, int]:
    """Bytes of a document, and the most memory that Python held while it was made."""
    tracemalloc.start()
    try:
        size = sum(len(piece) for piece in make)
        return size, tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()


# CSV


def test_csv_is_that_of_rfc_4180() -> None:
    data = joined(failed_csv(samples.hostile_units()))
    assert data.startswith(b"run,serial,product,lot,ended_at,station,rig,specification,reasons,order,order_state\r\n")
    assert data.endswith(b"\r\n")
    assert b'"say ""so"", then; go"' in data  # 2.7: a quote is doubled
    assert b'"two\r\nlines"' in data  # 2.6: line breaks inside quotes
    assert data.count(b"\n") == data.count(b"\r\n")  # 2.1: CRLF and nothing else ends a line
    assert len(read_csv(data)) == len(samples.HOSTILE)


@pytest.mark.parametrize("dialect", list(Dialect))
def test_no_text_cell_begins_like_a_formula(dialect: Dialect) -> None:
    """Starts that a spreadsheet takes for a formula, and the apostrophe against them: CWE-1236."""
    delimiter = ";" if dialect is Dialect.SEMICOLON else ","
    rows = read_csv(joined(failed_csv(samples.hostile_units(), dialect)), delimiter)
    texts = [column.name for column in FAILED if column.kind == "text"]
    for row, text in zip(rows, samples.HOSTILE, strict=True):
        for name in texts:
            assert not row[name].startswith(("=", "+", "-", "@", "\t", "\r"))
        assert row["serial"] == (f"'{text}" if text[0] in "=+-@\t\r" else text)


def test_negative_numbers_stay_numbers() -> None:
    rows = read_csv(joined(yield_csv(samples.yield_report(), Part.CAPABILITY)))
    assert rows[2]["mean"] == "-0.25"
    assert rows[2]["lower"] == "-2.0"
    assert rows[2]["sd"] == rows[2]["cpk"] == rows[0]["lower"] == ""
    assert guarded("-0.25") == "'-0.25"


def test_yield_csv_begins_with_the_total_and_holds_full_precision() -> None:
    report = samples.yield_report()
    rows = read_csv(joined(yield_csv(report)))
    assert [row["part"] for row in rows] == ["total"] + ["row"] * len(report.rows)
    assert [row["label"] for row in rows[1:]] == [row.label for row in report.rows]
    assert float(rows[0]["first_pass_share"]) == report.total.first_pass.value
    assert [int(row["units"]) for row in rows] == [report.total.units, *(row.units for row in report.rows)]


def test_a_row_without_a_name_is_not_taken_for_the_total() -> None:
    report = samples.yield_report(1, Split.LOT)
    nameless = YieldReport(**{name: getattr(report, name) for name in YieldReport.__slots__} | {"rows": (samples.yield_row("", 9, 8),)})
    assert [row["part"] for row in read_csv(joined(yield_csv(nameless)))] == ["total", "row"]


def test_the_semicolon_dialect_reads_as_the_same_numbers() -> None:
    report = samples.yield_report()
    data = joined(yield_csv(report, dialect=Dialect.SEMICOLON))
    assert data.startswith(b"\xef\xbb\xbfpart;label;units;")
    table = pl.read_csv(io.BytesIO(data), separator=";", decimal_comma=True, try_parse_dates=True)
    assert table["first_pass_share"].to_list() == [report.total.first_pass.value, *(row.first_pass.value for row in report.rows)]
    assert table["label"].to_list()[1:] == [date.fromisoformat(row.label) for row in report.rows]
    standard = pl.read_csv(io.BytesIO(joined(yield_csv(report))), try_parse_dates=True)
    assert table.equals(standard)


@pytest.mark.parametrize("part", list(Part))
def test_an_empty_report_is_a_header(part: Part) -> None:
    rows = read_csv(joined(yield_csv(samples.empty_report(), part)))
    assert len(rows) == (1 if part is Part.YIELD else 0)
    assert all(row["first_pass_share"] == "" for row in rows)


def test_times_are_utc_with_milliseconds() -> None:
    row = read_csv(joined(failed_csv(samples.failed_units(1))))[0]
    assert row["ended_at"] == "2026-11-25T08:29:59.863Z"
    assert row["reasons"] == "sluggish:x-"
    assert row["order"] == ""


# a list that goes on


@pytest.mark.parametrize("dialect", list(Dialect))
def test_a_list_cut_anywhere_goes_on_to_the_same_bytes(dialect: Dialect) -> None:
    units = [*samples.hostile_units()]
    whole = joined(failed_csv(units, dialect))
    for cut_at in range(len(whole) + 1):
        point = resume_point(io.BytesIO(whole[:cut_at]))
        assert point.size <= cut_at
        rest = units if point.run == 0 else [unit for unit in units if unit.run < point.run]
        assert whole[: point.size] + joined(failed_csv(rest, dialect, resumed=point.size > 0)) == whole


def test_json_lines_cut_anywhere_go_on_to_the_same_bytes() -> None:
    units = [*samples.hostile_units()]
    whole = joined(failed_lines(units))
    for cut_at in range(0, len(whole) + 1, 7):
        point = resume_point_of_lines(io.BytesIO(whole[:cut_at]))
        rest = units if point.run == 0 else [unit for unit in units if unit.run < point.run]
        assert whole[: point.size] + joined(failed_lines(rest)) == whole
    assert resume_point_of_lines(io.BytesIO(b"")) == ResumePoint(0, 0)


# workbooks


def test_cells_of_a_workbook_have_their_types() -> None:
    report = samples.yield_report()
    book = opened(joined(yield_xlsx(report)))
    assert book.sheetnames == ["Yield", "Causes", "Capability", "Definitions"]
    sheet = book["Yield"]
    places = {column.name: index for index, column in enumerate(yield_columns(report), 1)}
    assert [cell.value for cell in sheet[1]] == [column.title for column in yield_columns(report)]
    assert sheet.cell(2, places["part"]).value == "total"
    assert sheet.cell(2, places["label"]).value is None
    for index, row in enumerate(report.rows, 3):
        label, share = sheet.cell(index, places["label"]), sheet.cell(index, places["first_pass_share"])
        assert label.value == datetime.fromisoformat(row.label)
        assert label.number_format == "yyyy-mm-dd"
        assert share.value == row.first_pass.value
        assert share.number_format == "0.0%"
        assert sheet.cell(index, places["units"]).value == row.units
    for one in book.worksheets:
        assert one.freeze_panes == "A2"
        assert all(dimension.width > 5 for dimension in one.column_dimensions.values())
    assert book.properties.created.replace(tzinfo=UTC) == samples.MADE_AT


def test_shifts_are_times_on_the_wall() -> None:
    report = samples.yield_report(4, Split.SHIFT)
    sheet = opened(joined(yield_xlsx(report)))["Yield"]
    assert [sheet.cell(index, 2).value for index in range(3, 7)] == [datetime.fromisoformat(row.label) for row in report.rows]
    assert sheet.cell(3, 2).number_format == "yyyy-mm-dd hh:mm"


def test_the_definitions_sheet_says_what_was_asked() -> None:
    sheet = opened(joined(yield_xlsx(samples.yield_report())))["Definitions"]
    words = {row[0].value: row[1].value for row in sheet.iter_rows(min_row=2)}
    assert words["asked"] == "2026-11-11 to 2026-11-24, product dunlin-2, real runs, by day"
    assert words["made at"] == "2026-11-25 09:30 Europe/Berlin"
    assert words["emulated runs, counted apart"] == "12"
    assert words["closed, by tries"] == "7 after 1, 3 after 2"
    assert "first decided run" in words["first-pass yield"]


def test_text_in_a_workbook_is_text() -> None:
    for data in (joined(failed_xlsx(samples.hostile_units(), samples.MADE_AT)), joined(yield_xlsx(samples.hostile_report()))):
        with zipfile.ZipFile(io.BytesIO(data)) as archive:
            sheets = [name for name in archive.namelist() if name.startswith("xl/worksheets/sheet")]
            for name in sheets:
                text = archive.read(name)
                assert b"<f>" not in text
                assert b"<hyperlink" not in text
            assert not [name for name in archive.namelist() if "externalLink" in name or "_rels/sheet" in name]
    sheet = opened(joined(failed_xlsx(samples.hostile_units(), samples.MADE_AT)))["Failed units"]
    for index, wanted in enumerate(samples.HOSTILE, 2):
        cell = sheet.cell(index, 2)
        assert cell.data_type in ("s", "inlineStr")
        assert cell.value.replace("_x000D_", "\r") == wanted  # how a workbook writes a carriage return


def test_moments_in_a_workbook_are_utc() -> None:
    sheet = opened(joined(failed_xlsx(samples.failed_units(3), samples.MADE_AT)))["Failed units"]
    assert sheet.cell(1, 5).value == "Ended (UTC)"
    wanted = (samples.MADE_AT - timedelta(minutes=1, milliseconds=137)).replace(tzinfo=None)
    assert abs(sheet.cell(3, 5).value - wanted) < timedelta(milliseconds=2)
    assert sheet.cell(2, 10).value is None


def test_rows_beyond_a_sheet_go_on_in_the_next(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(workbook_module, "ROWS_MAX", 5)
    book = opened(joined(failed_xlsx(samples.failed_units(8), samples.MADE_AT)))
    assert [(sheet.title, sheet.max_row) for sheet in book.worksheets] == [("Failed units", 5), ("Failed units 2", 5)]
    assert [sheet.cell(2, 1).value for sheet in book.worksheets] == [8, 4]


def test_a_text_too_long_for_a_cell_is_cut_and_says_so() -> None:
    assert len(cut("x" * 40_000)) == TEXT_MAX
    assert cut("x" * 40_000).endswith("…")
    assert cut("x" * TEXT_MAX) == "x" * TEXT_MAX
    assert cut("a\ud800") == "a?"


def test_a_reader_that_goes_away_leaves_nothing_behind(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(tempfile, "tempdir", str(tmp_path))
    pieces = failed_xlsx(samples.failed_units(3000), samples.MADE_AT)
    assert next(pieces).startswith(b"PK")
    assert list(tmp_path.iterdir())
    pieces.close()  # type: ignore[attr-defined]
    assert not list(tmp_path.iterdir())


def test_rows_that_fail_leave_nothing_behind(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(tempfile, "tempdir", str(tmp_path))

    def broken() -> Iterator[FailedUnit]:
        yield from samples.failed_units(3)
        raise RuntimeError("the database went away")

    with pytest.raises(RuntimeError, match="went away"):
        joined(failed_xlsx(broken(), samples.MADE_AT))
    assert not list(tmp_path.iterdir())


# JSON


def test_yield_json_is_the_report() -> None:
    report = samples.yield_report()
    document = json.loads(yield_json(report))
    assert document["format"] == "restpoint-yield/1"
    assert document["made_at"] == "2026-11-25T08:30:00.000Z"
    assert document["asked"]["first_day"] == "2026-11-11"
    assert document["total"]["first_pass"]["value"] == report.total.first_pass.value
    assert [row["label"] for row in document["rows"]] == [row.label for row in report.rows]
    assert document["capability"][2]["sd"] is None
    assert document["rework"]["tries"] == {"1": 7, "2": 3}


@pytest.mark.parametrize("count", [0, 1, 3])
def test_failed_json_tells_how_many_and_the_last_key(count: int) -> None:
    document = json.loads(joined(failed_json(samples.failed_units(count), {"asked": {"lot": "ML-2607"}})))
    assert document["format"] == "restpoint-failed/1"
    assert document["asked"] == {"lot": "ML-2607"}
    assert document["count"] == len(document["units"]) == count
    assert document["last_run"] == (1 if count else None)


def test_failed_units_read_alike_in_every_format() -> None:
    units = list(samples.failed_units(9))
    lines = [json.loads(line) for line in joined(failed_lines(units)).splitlines()]
    table = pl.read_csv(io.BytesIO(joined(failed_csv(units))))
    sheet = opened(joined(failed_xlsx(units, samples.MADE_AT)))["Failed units"]
    assert [line["run"] for line in lines] == table["run"].to_list() == [row[0].value for row in sheet.iter_rows(min_row=2)]
    assert [" ".join(line["reasons"]) for line in lines] == table["reasons"].to_list()
    assert [line["ended_at"] for line in lines] == table["ended_at"].to_list()


def test_json_of_the_hostile_report_comes_back_unchanged() -> None:
    document = json.loads(yield_json(samples.hostile_report()))
    assert [row["label"] for row in document["rows"]] == list(samples.HOSTILE)


# size


def test_documents_of_5000_rows_take_little_memory() -> None:
    """Bounds are about twice what was measured; JSON is one document of 2 MB and is made whole."""
    report = samples.yield_report(5000, Split.SHIFT)
    yield_pdf(report)  # fonts are read once in the life of a process
    makers: tuple[tuple[Callable[[YieldReport], Iterator[bytes]], float], ...] = (
        (yield_xlsx, 1 * MEGABYTE),
        (yield_csv, 1.2 * MEGABYTE),
        (lambda one: iter([yield_pdf(one)]), 2 * MEGABYTE),
        (lambda one: iter([yield_json(one)]), 20 * MEGABYTE),
    )
    for make, bound in makers:
        size, peak = peak_bytes(make(report))
        assert size > 10_000
        assert peak < bound


def test_memory_of_a_list_does_not_grow_with_it() -> None:
    writers: tuple[Callable[[int], Iterator[bytes]], ...] = (
        lambda count: failed_csv(samples.failed_units(count)),
        lambda count: failed_lines(samples.failed_units(count)),
        lambda count: failed_xlsx(samples.failed_units(count), samples.MADE_AT),
    )
    for write in writers:
        small_size, small = peak_bytes(write(1000))
        large_size, large = peak_bytes(write(8000))
        assert large_size > 5 * small_size
        assert large < 1.5 * small + MEGABYTE // 4


def test_capability_columns_are_all_there() -> None:
    book = opened(joined(yield_xlsx(samples.yield_report())))
    sheet = book["Capability"]
    assert [cell.value for cell in sheet[1]] == [column.title for column in CAPABILITY]
    assert sheet.cell(4, 6).value == -0.25
    assert sheet.cell(4, 7).value is None
