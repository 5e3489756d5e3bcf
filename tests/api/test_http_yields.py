"""Yield over HTTP: the report in every form, read back by other people's libraries, and the runs behind its figures."""

import csv
import io
import json
from collections.abc import Iterator
from datetime import date, datetime
from typing import Any
from urllib.parse import parse_qsl
from zoneinfo import ZoneInfo

import openpyxl
import polars
import pypdf
import pytest

from api.http.bodies_yields import YieldBody
from api.http.formats import Form, attachment, wanted
from api.http.problems import NotAcceptable
from station.yields import Split
from tests.api.client import TestClient
from tests.api.conftest import HOST
from tests.api.told import ZONE, Told, app_over, told_history

XLSX = "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet"


@pytest.fixture(scope="module")
def told(tmp_path_factory: pytest.TempPathFactory) -> Told:
    return told_history(tmp_path_factory.mktemp("told"))


@pytest.fixture(scope="module")
def client(told: Told) -> Iterator[TestClient]:
    with app_over(told) as app, TestClient(app, base_url=HOST, client=("127.0.0.1", 50000)) as one:
        yield one


def everything(client: TestClient, address: str, key: str) -> list[dict[str, Any]]:
    """All rows of a list, page by page."""
    found: list[dict[str, Any]] = []
    next_one: str | None = address
    while next_one:
        body = client.get(next_one).raise_for_status().json()
        found += body[key]
        next_one = body["next"]
    return found


def firsts(client: TestClient) -> dict[str, dict[str, Any]]:
    """First decided real run of each unit, found by going through the list of runs."""
    runs = [run for run in everything(client, "/v1/runs?limit=50&emulated=false", "runs") if run["verdict"] in ("pass", "fail")]
    return {run["unit"]["serial"]: run for run in sorted(runs, key=lambda run: (run["started_at"], run["number"]), reverse=True)}


@pytest.mark.parametrize("split", list(Split))
def test_every_split_is_what_the_document_promises_and_its_rows_add_up(client: TestClient, split: Split) -> None:
    body = client.get(f"/v1/yield?split={split}").raise_for_status().json()
    report = YieldBody.model_validate(body)
    assert report.zone == ZONE
    if split in (Split.NONE, Split.GROUP):
        return
    for name in ("units", "runs", "decided", "undecided", "invalid", "retests", "scrapped"):
        assert sum(getattr(row, name) for row in report.rows) == getattr(report.total, name), name
    assert sum(row.first_pass.count for row in report.rows) == report.total.first_pass.count


def test_first_pass_by_day_is_what_the_runs_say_one_by_one(client: TestClient) -> None:
    zone, by_day = ZoneInfo(ZONE), dict[str, list[bool]]()
    for run in firsts(client).values():
        day = datetime.fromisoformat(run["started_at"]).astimezone(zone).date().isoformat()
        by_day.setdefault(day, []).append(run["verdict"] == "pass")
    rows = {row["label"]: row for row in client.get("/v1/yield?split=day").json()["rows"] if row["units"]}
    assert {label: (row["units"], row["first_pass"]["count"]) for label, row in rows.items()} == {
        day: (len(told), sum(told)) for day, told in by_day.items()
    }


@pytest.mark.parametrize("split", ["day", "shift", "lot", "operator"])
def test_every_figure_leads_to_the_runs_behind_it(client: TestClient, split: str) -> None:
    report = client.get(f"/v1/yield?split={split}&to=2026-10-26").json()
    for row in (report["total"], *report["rows"][:3]):
        behind = {name: len(everything(client, f"/v1/yield/runs?{link}", "runs")) for name, link in row["links"].items()}
        assert behind["units"] == row["units"]
        assert behind["first_pass"] == row["first_pass"]["count"]
        assert behind["first_fail"] == row["units"] - row["first_pass"]["count"]
        assert behind["final"] == row["final"]["count"]
        assert {name: behind[name] for name in ("runs", "decided", "undecided", "invalid", "retests")} == {
            name: row[name] for name in ("runs", "decided", "undecided", "invalid", "retests")
        }
    for cause in report["causes"][:5]:
        found = everything(client, f"/v1/yield/runs?{cause['link']}&limit=2", "runs")
        assert len(found) == cause["runs"]
        assert {run["verdict"] for run in found} == {"fail"}


def test_filters_narrow_the_report(client: TestClient) -> None:
    whole = client.get("/v1/yield").json()["total"]
    parts = [client.get("/v1/yield", params={"specification": name}).json()["total"] for name in ("dunlin-2 A", "dunlin-2 B", "plover-1 A")]
    assert sum(part["runs"] for part in parts) == whole["runs"]
    some = client.get("/v1/yield?from=2026-10-25&to=2026-10-25&product=dunlin-2&rig=rig-1").json()
    assert 0 < some["total"]["runs"] < whole["runs"]
    assert (some["asked"]["first_day"], some["asked"]["product"]) == ("2026-10-25", "dunlin-2")
    same = client.get("/v1/yield?first_day=2026-10-25&last_day=2026-10-25&product=dunlin-2&rig=rig-1").json()
    assert same == some
    emulated = client.get("/v1/yield?emulated=true").json()
    assert emulated["total"]["runs"] == client.get("/v1/yield").json()["emulated_runs"] > 0
    assert client.get("/v1/yield?station=elsewhere").json()["total"]["runs"] == 0


def test_the_pdf_is_one_page_that_says_the_total(client: TestClient) -> None:
    answer = client.get("/v1/yield?format=pdf")
    assert (answer.headers["content-type"], answer.headers["content-disposition"]) == (
        "application/pdf",
        'attachment; filename="yield.pdf"',
    )
    pages = pypdf.PdfReader(io.BytesIO(answer.content)).pages
    total = client.get("/v1/yield").json()["total"]["first_pass"]
    assert len(pages) == 1
    assert f"{total['count']} of {total['of']}" in pages[0].extract_text()


def test_the_workbook_has_typed_cells(client: TestClient) -> None:
    answer = client.get("/v1/yield", headers={"Accept": XLSX})
    assert answer.headers["content-type"] == XLSX
    sheet = openpyxl.load_workbook(io.BytesIO(answer.content))["Yield"]
    assert sheet.freeze_panes == "A2"
    header = [cell.value for cell in sheet[1]]
    report = client.get("/v1/yield").json()
    for values, row in zip(sheet.iter_rows(min_row=3, values_only=True), report["rows"], strict=True):
        told = dict(zip(header, values, strict=True))
        day = told["Day"]
        assert isinstance(day, datetime)
        assert day.date() == date.fromisoformat(row["label"])
        assert (told["Units"], told["First pass yield"]) == (row["units"], row["first_pass"]["value"])


@pytest.mark.parametrize(("part", "key"), [("causes", "causes"), ("capability", "capability"), ("yield", "rows")])
def test_csv_of_every_part_in_both_dialects_holds_the_same(client: TestClient, part: str, key: str) -> None:
    standard = client.get(f"/v1/yield?format=csv&part={part}&split=lot")
    other = client.get(f"/v1/yield?format=csv&part={part}&split=lot&dialect=semicolon")
    assert standard.headers["content-type"] == "text/csv; charset=utf-8; header=present"
    one = polars.read_csv(standard.content)
    two = polars.read_csv(other.content.removeprefix(b"\xef\xbb\xbf"), separator=";", decimal_comma=True)
    assert one.equals(two)
    rows = client.get("/v1/yield?split=lot").json()[key]
    assert one.height == len(rows) + (part == "yield")
    if part == "causes":
        assert one["share"].to_list() == [row["share"] for row in rows]
        told = list(csv.DictReader(io.StringIO(standard.text, newline="")))
        assert [(row["code"], row["part"], row["lot"]) for row in told] == [(row["code"], row["part"], row["lot"]) for row in rows]


@pytest.mark.parametrize("form", ["json", "pdf", "xlsx", "csv"])
def test_the_same_question_gives_the_same_bytes_also_from_another_service(client: TestClient, told: Told, form: str) -> None:
    address = f"/v1/yield?split=shift&format={form}"
    first = client.get(address).content
    assert client.get(address).content == first
    with app_over(told) as app, TestClient(app, base_url=HOST) as other:
        assert other.get(address).content == first


def test_a_report_is_made_when_the_data_last_changed(client: TestClient) -> None:
    newest = max(run["ended_at"] for run in everything(client, "/v1/runs", "runs"))
    orders = max(one["changed_at"] for one in client.get("/v1/rework?state=all&limit=500").json()["orders"])
    assert client.get("/v1/yield").json()["made_at"] == max(newest, orders)


@pytest.mark.parametrize(
    ("asked", "status", "word"),
    [
        ("from=2026-10-26&to=2026-10-25", 422, "in order"),
        ("from=2026-10-26&first_day=2026-10-25", 422, "one day"),
        ("from=1500-01-01", 422, "from"),
        ("to=9999-12-31", 422, "to"),
        ("split=week", 422, "split"),
        ("format=zip", 422, "format"),
        ("part=all", 422, "part"),
        ("nonsense=1", 422, "nonsense"),
        ("lot=" + "x" * 500, 422, "lot"),
    ],
)
def test_what_cannot_be_asked_is_said(client: TestClient, asked: str, status: int, word: str) -> None:
    answer = client.get(f"/v1/yield?{asked}")
    assert (answer.status_code, answer.headers["content-type"]) == (status, "application/problem+json")
    assert word in answer.json()["detail"]


@pytest.mark.parametrize("link", ["label=nowhere", "label=9999-12-31", "label=0001-01-01", "split=group&label=x%2B", "after=zzz"])
def test_a_link_that_leads_nowhere_is_said(client: TestClient, link: str) -> None:
    answer = client.get(f"/v1/yield/runs?{link}")
    assert answer.status_code in (200, 422), answer.text
    assert answer.status_code == 422 or answer.json()["runs"] == []


@pytest.mark.parametrize(
    ("accept", "form"),
    [
        ("*/*", Form.JSON),
        ("", Form.JSON),
        ("text/html, application/xhtml+xml, */*;q=0.8", Form.JSON),
        ("application/pdf", Form.PDF),
        ("text/csv; header=present", Form.CSV),
        ("text/*", Form.CSV),
        ("image/png, TEXT/CSV", Form.CSV),
        ("text/csv;q=0, application/pdf", Form.PDF),
        ("text/csv; q=0.000, application/*", Form.JSON),
    ],
)
def test_a_form_is_chosen_by_exact_types(accept: str, form: Form) -> None:
    assert wanted(accept, None, (Form.JSON, Form.PDF, Form.XLSX, Form.CSV)) is form


@pytest.mark.parametrize("accept", ["image/png", "text/html", "text/csv;q=0"])
def test_a_form_that_is_not_there_is_not_acceptable(client: TestClient, accept: str) -> None:
    with pytest.raises(NotAcceptable, match="application/pdf"):
        wanted(accept, None, (Form.JSON, Form.PDF))
    answer = client.get("/v1/yield", headers={"Accept": accept})
    assert (answer.status_code, answer.json()["code"]) == (406, "not-acceptable")
    assert client.get("/v1/yield?format=json", headers={"Accept": accept}).status_code == 200


def test_answers_say_that_they_vary(client: TestClient) -> None:
    for address in ("/v1/yield", "/v1/yield?format=csv", "/v1/failed-units/export"):
        assert client.get(address).headers["vary"] == "Accept"


@pytest.mark.parametrize(
    ("name", "header"),
    [
        ("yield.pdf", 'attachment; filename="yield.pdf"'),
        # RFC 6266, section 5: the name "€ rates" as UTF-8, percent-encoded after RFC 8187 (there with the plain name "EURO rates").
        ("€ rates", "attachment; filename=\"_ rates\"; filename*=UTF-8''%E2%82%AC%20rates"),
        ('a"b\r\n.csv', "attachment; filename=\"a_b__.csv\"; filename*=UTF-8''a%22b%0D%0A.csv"),
    ],
)
def test_file_names_survive_the_header(name: str, header: str) -> None:
    assert attachment(name) == header


def test_links_repeat_what_was_asked(client: TestClient) -> None:
    report = client.get("/v1/yield?split=lot&from=2026-10-24&product=dunlin-2").json()
    for row in report["rows"]:
        asked = dict(parse_qsl(row["links"]["runs"]))
        assert asked == {"first_day": "2026-10-24", "product": "dunlin-2", "split": "lot", "label": row["label"], "figure": "runs"}


def test_json_has_no_numbers_that_are_none(client: TestClient) -> None:
    def refuse(name: str) -> float:
        raise AssertionError(name)

    json.loads(client.get("/v1/yield?lot=none-such").text, parse_constant=refuse)
