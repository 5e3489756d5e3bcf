"""`restpoint export`: files that are the same from a database and from a station, whole or going on where they were cut off."""

import io
import itertools
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import openpyxl
import polars
import pypdf
import pytest

from api.cli import export_files
from api.http.routes import exports as routes
from api.http.yields import Reports
from station.errors import StoreError
from station.yields import FailedUnit
from tests.api.command import DATA, answered, here, refused
from tests.api.fakes import serving
from tests.api.told import Told, app_over, told_history

Made = Callable[..., bytes]


@pytest.fixture(scope="module")
def told(tmp_path_factory: pytest.TempPathFactory) -> Told:
    return told_history(tmp_path_factory.mktemp("told"))


@pytest.fixture(scope="module")
def served(told: Told) -> Iterator[str]:
    with app_over(told) as app, serving(app) as (url, _):
        yield url


def local(told: Told) -> list[str]:
    return ["--database", told.url, "--config", str(told.config)]


def made(output: Path, *arguments: object) -> bytes:
    """Bytes of a file that the command writes."""
    done = answered(here("export", *arguments, "-o", output, "--json"), 0)
    assert done["bytes"] == output.stat().st_size
    return output.read_bytes()


@pytest.mark.parametrize(
    ("arguments", "name"),
    [
        (["yield"], "y.pdf"),
        (["yield", "--split", "shift"], "y.xlsx"),
        (["yield", "--split", "lot", "--part", "causes", "--dialect", "semicolon"], "y.csv"),
        (["yield", "--from", "2026-10-24", "--to", "2026-10-25"], "y.json"),
        (["failed"], "f.csv"),
        (["failed", "--lot", "ML-2607", "--dialect", "semicolon"], "f.csv"),
        (["failed", "--reason", "sluggish"], "f.xlsx"),
        (["failed", "--serial", "U-00"], "f.json"),
        (["failed"], "f.jsonl"),
        (["unit", "U-001"], "u.pdf"),
        (["unit", "U-001"], "u.json"),
    ],
)
def test_database_and_station_give_the_same_bytes(told: Told, served: str, tmp_path: Path, arguments: list[str], name: str) -> None:
    one = made(tmp_path / name, *arguments, *local(told))
    assert one == made(tmp_path / f"served-{name}", *arguments, "--server", served)
    assert one == made(tmp_path / name, *arguments, *local(told))
    assert len(one) > 100
    assert [path.name for path in tmp_path.glob("*.part")] == []


def test_files_are_what_their_names_say(told: Told, tmp_path: Path) -> None:
    assert len(pypdf.PdfReader(io.BytesIO(made(tmp_path / "y.pdf", "yield", *local(told)))).pages) == 1
    book = openpyxl.load_workbook(io.BytesIO(made(tmp_path / "f.xlsx", "failed", *local(told))))
    table = polars.read_csv(made(tmp_path / "f.csv", "failed", *local(told)))
    assert [row[0] for row in book["Failed units"].iter_rows(min_row=2, values_only=True)] == table["run"].to_list()
    as_pdf = made(tmp_path / "report", "unit", "U-001", "--format", "pdf", *local(told))
    assert "U-001" in pypdf.PdfReader(io.BytesIO(as_pdf)).pages[0].extract_text()


@pytest.mark.parametrize("form", ["csv", "raw"])
def test_a_trace_is_the_same_from_both_and_scores_as_the_run_did(filled: str, app: Any, tmp_path: Path, form: str) -> None:
    name = tmp_path / f"t.{form}"
    one = made(name, "trace", 2, "--format", form, "--database", filled)
    with serving(app) as (url, _):
        assert made(tmp_path / "other", "trace", 2, "--format", form, "--server", url) == one
    if form == "csv":
        score = answered(here("score", name, "--spec", DATA / "dunlin-2-A.toml", "--json"), 1)
        assert score["reasons"] == ["snapback:x+"]


@pytest.mark.parametrize("form", ["csv", "jsonl"])
def test_a_list_cut_off_anywhere_goes_on_to_the_same_bytes(told: Told, served: str, tmp_path: Path, form: str) -> None:
    whole = made(tmp_path / f"whole.{form}", "failed", *local(told))
    part = tmp_path / f"part.{form}"
    for cut, place in zip(
        (0, 40, 500, 1000, len(whole) - 1, len(whole)), itertools.cycle((local(told), ["--server", served])), strict=False
    ):
        part.write_bytes(whole[:cut])
        assert made(part, "failed", "--resume", *place) == whole
    part.unlink()
    assert made(part, "failed", "--resume", *local(told)) == whole


def test_a_station_that_breaks_off_is_gone_on_with(told: Told, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    whole, output = made(tmp_path / "whole.csv", "failed", *local(told)), tmp_path / "f.csv"
    rows = Reports.failed_rows

    def breaking(*arguments: Any) -> Iterator[FailedUnit]:
        yield from itertools.islice(rows(*arguments), 3)
        raise StoreError("the disk is gone")

    monkeypatch.setattr(Reports, "failed_rows", breaking)
    monkeypatch.setattr("api.reports.delimited.CHUNK_BYTES", 100)
    with app_over(told) as app, serving(app) as (url, _):
        refused(here("export", "failed", "-o", output, "--server", url), url, "--resume goes on with it")
        assert 100 < output.stat().st_size < len(whole)
        monkeypatch.setattr(Reports, "failed_rows", rows)
        assert made(output, "failed", "--resume", "--server", url) == whole


def test_a_list_longer_than_a_station_gives_at_once_is_asked_for_in_parts(
    told: Told, served: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    whole = made(tmp_path / "whole.csv", "failed", *local(told))
    monkeypatch.setattr(routes, "EXPORT_ROWS_MAX", 4)
    for form in ("csv", "jsonl"):
        assert made(tmp_path / f"parts.{form}", "failed", "--server", served).count(b"\n") == whole.count(b"\n") - (form == "jsonl")
    assert made(tmp_path / "parts.csv", "failed", "--server", served) == whole


def test_progress_goes_up_to_the_end(told: Told, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    seen: list[float] = []

    @contextmanager
    def bar(_what: str) -> Iterator[Callable[[float], None]]:
        yield seen.append

    monkeypatch.setattr(export_files, "progress_bar", bar)
    monkeypatch.setattr("api.reports.delimited.CHUNK_BYTES", 200)
    made(tmp_path / "f.csv", "failed", *local(told))
    assert seen == sorted(seen)
    assert len(seen) > 3
    assert seen[-1] == 1.0


@pytest.mark.parametrize(
    ("arguments", "word"),
    [
        (["yield", "-o", "y.zip"], "expected one of: pdf, xlsx, csv, json"),
        (["failed", "-o", "f.pdf"], "expected one of: csv, xlsx, json, jsonl"),
        (["failed", "-o", "f.xlsx", "--resume"], "expected csv or jsonl"),
        (["unit", "U-001", "-o", "u.csv"], "expected one of: pdf, json"),
        (["unit", "nobody", "-o", "u.pdf"], "nobody"),
        (["trace", "9999", "-o", "t.csv"], "9999"),
        (["yield", "-o", "nowhere/y.pdf"], "nowhere"),
        (["failed", "-o", "nowhere/f.csv"], "nowhere"),
        (["failed", "-o", "f.csv", "--dialect", "tab"], "dialect"),
    ],
)
def test_what_cannot_be_written_is_refused_and_leaves_nothing(
    told: Told, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, arguments: list[str], word: str
) -> None:
    monkeypatch.chdir(tmp_path)
    refused(here("export", *arguments, *local(told)), word)
    assert list(tmp_path.iterdir()) == []


def test_a_file_that_is_there_stays_as_it_was_when_nothing_better_comes(told: Told, tmp_path: Path) -> None:
    output = tmp_path / "was.pdf"
    output.write_bytes(b"as it was")
    refused(here("export", "unit", "nobody", "-o", output, *local(told)), "nobody")
    refused(here("export", "failed", "--format", "csv", "-o", output, "--from", "x", *local(told)), "from")
    refused(here("export", "failed", "--format", "csv", "-o", output, "--server", "http://127.0.0.1:9"), "127.0.0.1:9")
    assert output.read_bytes() == b"as it was"


def test_a_file_that_is_no_list_is_not_gone_on_with(told: Told, tmp_path: Path) -> None:
    output = tmp_path / "f.jsonl"
    output.write_text("no list\n", encoding="utf-8")
    refused(here("export", "failed", "-o", output, "--resume", *local(told)), "no list of failed units")
    assert output.read_text(encoding="utf-8") == "no list\n"
