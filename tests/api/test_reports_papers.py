"""Papers read back by two libraries that did not write them: text, pages, fonts, and where things lie."""

import io
import os
import subprocess
import sys
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from functools import cache
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import pypdfium2
import pytest
from pypdf import PdfReader

from api.reports.axes import ticks
from api.reports.certificate import EMULATED, NOT_ACCREDITED, certificate_pdf
from api.reports.certificate_reading import residuals_of, tables_of
from api.reports.definitions import YIELD
from api.reports.fonts import printable
from api.reports.printed import between, figure, percent
from api.reports.sheet import MARGIN, fitted, wrapped
from api.reports.traces import extremes
from api.reports.unit_page import unit_pdf
from api.reports.yield_page import yield_pdf
from station.yields import Split
from tests.api import report_samples as samples

ROOT = Path(__file__).parents[2]
A4 = (595.28, 841.89)  # points; ISO 216: 210 mm x 297 mm


@cache
def paper(name: str) -> bytes:
    return samples.PAPERS[name]()


def reader(data: bytes) -> PdfReader:
    return PdfReader(io.BytesIO(data), strict=True)


def text_of(data: bytes) -> str:
    """All text, blanks as one."""
    return " ".join(" ".join(page.extract_text() for page in reader(data).pages).split())


def rectangles(data: bytes) -> Iterator[list[tuple[float, float, float, float]]]:
    """Of each page: left, bottom, right, top of every piece of text."""
    document = pypdfium2.PdfDocument(data)
    for page in document:
        text = page.get_textpage()
        yield [text.get_rect(index) for index in range(text.count_rects())]
        text.close()
        page.close()
    document.close()


@pytest.mark.parametrize("name", [name for name in samples.PAPERS if name.startswith("yield")])
def test_a_yield_report_is_one_page(name: str) -> None:
    assert len(reader(paper(name)).pages) == 1


@pytest.mark.parametrize("split", list(Split))
@pytest.mark.parametrize("count", [0, 1, 26, 27, 93])
def test_however_many_rows_it_stays_one_page(split: Split, count: int) -> None:
    data = yield_pdf(samples.yield_report(count, split))
    assert len(reader(data).pages) == 1


@pytest.mark.parametrize("name", samples.PAPERS)
def test_every_page_is_a4_and_its_fonts_are_embedded(name: str) -> None:
    page: Any
    for page in reader(paper(name)).pages:
        assert (float(page.mediabox.width), float(page.mediabox.height)) == pytest.approx(A4, abs=0.01)
        fonts = page["/Resources"]["/Font"]
        used = [font.get_object() for font in fonts.values() if font.get_object()["/BaseFont"] != "/Helvetica"]
        assert used
        for font in used:  # embedded as a subset: six letters and a plus before the name, ISO 32000-1:2008, 9.6.4
            assert font["/BaseFont"][7] == "+"
            assert "SourceSansPro" in font["/BaseFont"]
            assert "/FontFile2" in font["/FontDescriptor"]
        assert "/Helvetica" not in page.get_contents().get_data().decode("latin-1")


@pytest.mark.parametrize("name", samples.PAPERS)
def test_no_text_lies_on_another_or_outside_the_margins(name: str) -> None:
    for boxes in rectangles(paper(name)):
        for left, bottom, right, top in boxes:
            assert left >= MARGIN - 3.0
            assert right <= A4[0] - MARGIN + 3.0
            assert bottom >= 20.0
            assert top <= A4[1] - 25.0
        for index, one in enumerate(boxes):
            for other in boxes[index + 1 :]:
                across = min(one[2], other[2]) - max(one[0], other[0])
                down = min(one[3], other[3]) - max(one[1], other[1])
                assert min(across, down) < 1.0, (name, one, other)


@pytest.mark.parametrize("name", samples.PAPERS)
def test_nothing_is_drawn_into_the_margins(name: str) -> None:
    document = pypdfium2.PdfDocument(paper(name))
    for page in document:
        bitmap = page.render(scale=1.0, grayscale=True)
        ink = bitmap.to_numpy().reshape(bitmap.height, -1) < 200
        columns, rows = np.flatnonzero(ink.any(axis=0)), np.flatnonzero(ink.any(axis=1))
        assert columns[0] >= MARGIN - 4.0
        assert columns[-1] <= A4[0] - MARGIN + 4.0
        assert rows[0] >= 25.0
        assert rows[-1] <= A4[1] - 20.0
        bitmap.close()
        page.close()
    document.close()


def test_a_yield_report_says_what_was_asked_and_found() -> None:
    report = samples.yield_report()
    text = text_of(paper("yield by day"))
    for words in (
        "Mossgate bench",
        "2026-11-11 to 2026-11-24",
        "product dunlin-2",
        "real runs",
        "by day",
        "2026-11-25 09:30 Europe/Berlin",
    ):
        assert words in text
    first = report.total.first_pass
    for words in (percent(first.value), between(first.low, first.high), f"{first.count} of {first.of}", "12 emulated runs counted apart"):
        assert words in text
    for row in report.rows:
        assert f"{row.label} {row.units} {row.first_pass.count} of {row.first_pass.of}" in text
    for word, meaning in YIELD:
        assert f"{word}: {meaning}" in text or meaning.split()[0] in text
    assert "7 after 1 try, 3 after 2 tries" in text
    assert "axis from" in text


def test_causes_stand_in_their_order_with_running_sums() -> None:
    text = text_of(paper("yield by day"))
    places = [text.index(f"{cause.code} {cause.part}") for cause in samples.yield_report().causes]
    assert all(one < next_one for one, next_one in pairwise(places))
    assert "100 %" in text


def test_rows_that_find_no_room_are_counted_and_the_newest_are_shown() -> None:
    report = samples.yield_report(400)
    text = text_of(yield_pdf(report))
    shown = [row.label for row in report.rows if f"{row.label} {row.units} " in text]
    assert shown == [row.label for row in report.rows[-len(shown) :]]
    assert 15 <= len(shown) < 40
    assert f"{400 - len(shown)} more rows in the XLSX" in text
    assert "the 92 newest of 400" in text


def test_of_other_divisions_the_rows_with_the_most_units_are_shown() -> None:
    report = samples.yield_report(60, Split.LOT)
    text = text_of(yield_pdf(report))
    shown = {row.label for row in report.rows if f"{row.label} {row.units} " in text}
    least = min(row.units for row in report.rows if row.label in shown)
    assert all(row.units <= least for row in report.rows if row.label not in shown)


def test_emulated_runs_are_named_on_the_paper() -> None:
    text = text_of(yield_pdf(samples.yield_report(emulated=True)))
    assert "EMULATED RUNS" in text
    assert "emulated runs alone" in text
    assert "counted apart" not in text.split("Capability")[0]


def test_an_empty_report_claims_no_yield() -> None:
    text = text_of(paper("yield of nothing"))
    assert "no decided run to tell" in text
    assert "No failed run names a cause." in text
    assert "0 %" not in text.split("Causes")[0].replace("100 %", "").replace("95 %", "")


def test_letters_of_other_scripts_are_printed_and_what_the_typeface_lacks_as_its_code() -> None:
    text = text_of(paper("unit, hostile"))
    assert "ДН-0001 Ωmega" in text.replace(" -", "-")
    assert printable("工場-7") == "[U+5DE5][U+5834]-7"
    assert "[U+5DE5]" in text
    assert printable("a\r\n\tb\x00\x85\u2028") == "a   b   "


def test_a_unit_report_says_verdict_reasons_figures_advice_and_calibration() -> None:
    text = text_of(paper("unit"))
    for words in (
        "DN-0002",
        "FAIL",
        "group x+: Too many flicks swing beyond the neutral zone on the far side. [snapback:x+]",
        "C-12",
        "31.02 ± 0.12 broken",
        "Peak: beyond 22: good with 0.1 % of flicks, bad with 2.5 %.",
        "main x: 0.47 µF (474)",
        "remove batteries",
        "18 older runs not shown",
        "5 drawn, 5 beyond the zone",
    ):
        assert words in text


def test_the_failing_word_is_vermillion_and_has_its_shape() -> None:
    document = pypdfium2.PdfDocument(paper("unit"))
    bitmap = document[0].render(scale=2.0)
    pixels = bitmap.to_numpy()[:, :, ::-1].astype(int)  # blue, green, red as pdfium gives them
    bitmap.close()
    document.close()
    close = np.abs(pixels - np.array([0xD5, 0x5E, 0x00])).max(axis=2) < 12
    rows = np.flatnonzero(close.any(axis=1))
    columns = np.flatnonzero(close[rows[0] : rows[0] + 40].any(axis=0))
    assert columns[0] < 2 * (MARGIN + 3)  # the shape, left of the word
    assert columns[-1] > 2 * (MARGIN + 45)  # the word


def test_an_unknown_calibration_is_named_as_missing() -> None:
    report = samples.unit_report()
    assert report.newest is not None
    text = text_of(unit_pdf(replace(report, newest=replace(report.newest, calibration="", run=replace(report.newest.run, emulated=True)))))
    assert "none: the run had no valid one" in text
    assert "EMULATED RIG" in text


def test_a_certificate_has_every_figure_and_says_what_it_is_not() -> None:
    calibration = samples.calibration()
    text = text_of(paper("calibration"))
    for place in ("x+", "x-", "y+", "y-"):
        assert f"{place} ± U" in text
    for kept in (calibration.document["directions"]["x+"], calibration.document["rig"]):
        for one in kept.values():
            assert one["label"] in text
    assert NOT_ACCREDITED in text
    assert " out " not in text.split("Rig Figure")[0]
    assert "0.0100 ± 0.0020 " in text  # of the sampler's input: 1e-8 S, u 1e-9 S, in microsiemens
    assert " ".join(text.split()).count("ACCEPTED") == 1
    for words in ("C-12", "RP-0001", "1.4.0", "ann", "2026-11-25 09:30", "2027-02-23 09:30", "500,000 flicks", "k = 2", "pinch hazard"):
        assert words in text
    assert "done by ann, ben" in text


def test_a_calibration_with_problems_is_not_accepted_on_every_page() -> None:
    for page in reader(paper("calibration, not accepted")).pages:
        assert "NOT ACCEPTED" in page.extract_text()
    text = text_of(paper("calibration, not accepted"))
    assert "backlash of x+ is too large." in text
    assert "never valid" in text
    assert "500,000 flicks" not in text


def test_an_emulated_calibration_says_so() -> None:
    assert EMULATED in text_of(certificate_pdf(replace(samples.calibration(), emulated=True), samples.ZONE))


def test_figures_out_of_limits_carry_the_word() -> None:
    calibration = samples.calibration()
    document = {**calibration.document, "rig": {"offset_v": {"value": 0.0123, "u": 0.0004, "unit": "V", "most": 0.006, "within": False}}}
    text = text_of(certificate_pdf(replace(calibration, document=document), samples.ZONE))
    assert "12.30 ± 0.80 out" in text
    assert "≤ 6" in text


def test_any_document_with_figures_is_read() -> None:
    document = {
        "alone": {"value": 1.0},
        "deep": {"deeper": {"first": {"value": None, "unit": "V"}, "second": {"value": 2.5, "u": 0.1, "unit": "V"}}},
        "beside": {"a": {"one": {"value": 1}}, "b": {"one": {"value": 2}, "two": {"value": 3}}},
        "noise": [1, 2, {"value": 3}],
        "word": {"value": "not a figure"},
    }
    tables = {table.title: table for table in tables_of(document)}
    assert set(tables) == {"figures", "deep deeper", "beside"}
    assert tables["deep deeper"].rows[0][1][0].value == "–"  # type: ignore[union-attr]
    assert tables["deep deeper"].rows[1][1][0].value == "2,500"  # type: ignore[union-attr]
    assert tables["beside"].columns == ("a", "b")
    assert tables["beside"].rows[1][1][0] is None
    assert residuals_of({"residuals": {"x+": {"angle_deg": [1.0], "residual": [1.0, 2.0]}, "y+": 3}}) == []


def test_the_same_data_gives_the_same_bytes_in_any_process() -> None:
    printed = set()
    for seed, zone in (("0", "UTC"), ("4711", "Asia/Tokyo")):
        around = {**os.environ, "PYTHONHASHSEED": seed, "TZ": zone}
        made = subprocess.run(
            [sys.executable, "-m", "tests.api.report_samples"], cwd=ROOT, env=around, capture_output=True, text=True, check=True
        )
        printed.add(made.stdout)
    assert len(printed) == 1
    assert printed.pop().splitlines() == [f"{digest} {name}" for name, digest in samples.digests().items()]


def test_papers_made_at_once_are_the_same() -> None:
    names = list(samples.PAPERS)
    with ThreadPoolExecutor(4) as pool:
        made = list(pool.map(lambda name: samples.PAPERS[name](), names))
    assert [paper(name) for name in names] == made


def test_the_date_of_a_paper_is_that_of_its_data() -> None:
    for name, data in ((name, paper(name)) for name in samples.PAPERS):
        about = reader(data).metadata
        assert about is not None
        assert about.creation_date == samples.MADE_AT, name
        assert about.modification_date == samples.MADE_AT


def test_no_library_is_loaded_before_a_document_is_made() -> None:
    names = ("yields", "yield_page", "unit_page", "certificate", "failed", "documents")
    check = (
        "; ".join(f"import api.reports.{name}" for name in names)
        + "; import sys; print({'reportlab', 'xlsxwriter', 'PIL'} & set(sys.modules))"
    )
    made = subprocess.run([sys.executable, "-c", check], cwd=ROOT, capture_output=True, text=True, check=True)
    assert made.stdout.strip() == "set()"


@pytest.mark.parametrize(
    ("value", "shown"),
    [(0.0, "0.0 %"), (0.0004, "<0.1 %"), (0.9512, "95.1 %"), (0.99996, ">99.9 %"), (1.0, "100 %"), (None, "–"), (float("nan"), "–")],
)
def test_a_share_is_never_rounded_to_all_or_none(value: float | None, shown: str) -> None:
    assert percent(value) == shown


@pytest.mark.parametrize(
    ("value", "shown"), [(0.00432, "0.004320"), (-15.214, "−15.21"), (0.0, "0"), (1.5e-9, "1.500e−09"), (123456.0, "123,456"), (None, "–")]
)
def test_figures_have_four_digits(value: float | None, shown: str) -> None:
    assert figure(value) == shown


@pytest.mark.parametrize(("low", "high"), [(0.0, 1.0), (-22.3, 77.9), (0.6, 1.0), (1e-6, 3e-6), (-5e5, 4.0)])
def test_ticks_are_round_and_inside(low: float, high: float) -> None:
    found = ticks(low, high, 5)
    assert 2 <= len(found) <= 8
    assert all(low - 1e-9 * abs(low) <= one <= high + 1e-9 * abs(high) for one in found)


def test_texts_are_cut_and_broken_to_their_room() -> None:
    assert fitted("short", 100.0, 8.0) == "short"
    assert fitted("r" * 300, 60.0, 8.0).endswith("…")
    lines = wrapped("word " * 30 + "x" * 200, 120.0, 8.0)
    assert "".join(lines).replace(" ", "") == "word" * 30 + "x" * 200


def test_no_extreme_is_lost_in_a_drawing() -> None:
    rng = np.random.default_rng(4)
    level = rng.normal(size=10_007)
    level[5003], level[7] = 99.0, np.nan
    starts, low, high = extremes(level, 480)
    assert len(starts) == 480
    assert np.nanmax(high) == 99.0
    assert np.nanmin(low) == np.nanmin(level)
    assert extremes(np.full(4, np.nan), 2)[1].tolist() == pytest.approx([np.nan, np.nan], nan_ok=True)
    assert len(extremes(np.empty(0), 480)[0]) == 0
