"""Failed units, unit reports and traces handed out as files: whole, in parts, to readers that go away."""

import base64
import csv
import hashlib
import io
import json
import time
from collections.abc import Iterator
from datetime import datetime
from pathlib import Path
from typing import Any

import httpx
import numpy as np
import openpyxl
import polars
import pypdf
import pytest

from api.http import exports
from api.http.bodies_yields import FailedUnitBody, UnitHistoryBody
from api.http.routes import exports as routes
from api.http.yields import Reports
from api.reports.failed import resume_point
from db.queries import Queries
from db.store import SqlStore
from station.yields import FailedUnit
from tests.api.client import TestClient
from tests.api.conftest import HOST
from tests.api.fakes import serving
from tests.api.filled import START
from tests.api.report_samples import failed_units
from tests.api.reworked import reworked_store
from tests.api.told import Told, app_over, told_history

EXPORT = "/v1/failed-units/export"


@pytest.fixture(scope="module")
def told(tmp_path_factory: pytest.TempPathFactory) -> Told:
    return told_history(tmp_path_factory.mktemp("told"))


@pytest.fixture(scope="module")
def told_client(told: Told) -> Iterator[TestClient]:
    with app_over(told) as app, TestClient(app, base_url=HOST, client=("127.0.0.1", 50000)) as one:
        yield one


def listed(client: TestClient, address: str) -> list[dict[str, Any]]:
    found: list[dict[str, Any]] = []
    next_one: str | None = address
    while next_one:
        answer = client.get(next_one).raise_for_status()
        body = answer.json()
        found += body["units"]
        next_one = body["next"]
        assert answer.headers.get("link") == (f'<{next_one}>; rel="next"' if next_one else None)
    return found


def test_failed_units_are_those_whose_newest_decided_run_failed(told_client: TestClient) -> None:
    runs: list[dict[str, Any]] = []
    address: str | None = "/v1/runs?limit=100&emulated=false"
    while address:
        body = told_client.get(address).json()
        runs += [run for run in body["runs"] if run["verdict"] in ("pass", "fail")]
        address = body["next"]
    newest: dict[str, dict[str, Any]] = {}
    for run in runs:  # newest first
        newest.setdefault(run["unit"]["serial"], run)
    expected = [run["number"] for run in newest.values() if run["verdict"] == "fail"]
    found = listed(told_client, "/v1/failed-units?limit=3")
    assert [row["run"] for row in found] == expected
    assert len(expected) > 9
    for row in found:
        FailedUnitBody.model_validate(row)


@pytest.mark.parametrize(
    "asked", ["lot=ML-2607", "rig=rig-2", "serial=U-00", "reason=sluggish", "from=2026-10-25&to=2026-10-26", "emulated=true"]
)
def test_failed_units_are_filtered_alike_in_pages_and_exports(told_client: TestClient, asked: str) -> None:
    whole = {row["run"] for row in listed(told_client, "/v1/failed-units")}
    some = listed(told_client, f"/v1/failed-units?limit=2&{asked}")
    rows = list(csv.DictReader(io.StringIO(told_client.get(f"{EXPORT}?format=csv&{asked}").text, newline="")))
    assert [int(row["run"]) for row in rows] == [row["run"] for row in some]
    assert some
    if "emulated" not in asked:
        assert {row["run"] for row in some} < whole


def test_every_form_of_the_list_says_the_same(told_client: TestClient) -> None:
    units = listed(told_client, "/v1/failed-units")
    runs = [row["run"] for row in units]
    answers = {form: told_client.get(f"{EXPORT}?format={form}") for form in ("csv", "xlsx", "json", "jsonl")}
    assert {int(answer.headers["restpoint-rows"]) for answer in answers.values()} == {len(runs)}
    table = polars.read_csv(answers["csv"].content)
    assert table["run"].to_list() == runs
    assert table["ended_at"].to_list() == [row["ended_at"] for row in units]
    book = openpyxl.load_workbook(io.BytesIO(answers["xlsx"].content), read_only=True)
    _, *rows = book["Failed units"].iter_rows(values_only=True)
    assert [row[0] for row in rows] == runs
    assert isinstance(rows[0][4], datetime)
    document = answers["json"].json()
    assert document["units"] == units
    assert (document["count"], document["last_run"]) == (len(runs), runs[-1])
    assert [json.loads(line) for line in answers["jsonl"].text.splitlines()] == units


def test_a_list_that_was_cut_off_anywhere_goes_on_to_the_same_bytes(told_client: TestClient) -> None:
    for dialect in ("standard", "semicolon"):
        whole = told_client.get(f"{EXPORT}?dialect={dialect}").content
        for cut in np.random.default_rng(3).integers(0, len(whole), 12).tolist():
            point = resume_point(io.BytesIO(whole[:cut]))
            rest = told_client.get(f"{EXPORT}?dialect={dialect}&after={point.run}").content
            start = whole[: point.size] if point.run else b""
            assert start + rest == whole


def test_an_answer_has_at_most_so_many_rows_and_says_how_many_there_are(told_client: TestClient, monkeypatch: pytest.MonkeyPatch) -> None:
    whole = told_client.get(f"{EXPORT}?format=csv")
    monkeypatch.setattr(routes, "EXPORT_ROWS_MAX", 4)
    found, after, left = b"", 0, int(whole.headers["restpoint-rows"])
    while left:
        part = told_client.get(f"{EXPORT}?format=csv&after={after}")
        assert int(part.headers["restpoint-rows"]) == left
        found += part.content
        after, left = resume_point(io.BytesIO(found)).run, left - 4 if left > 4 else 0
    assert found == whole.content


def test_a_page_longer_than_the_database_gives_at_once(monkeypatch: pytest.MonkeyPatch, told_client: TestClient) -> None:
    whole = told_client.get(f"{EXPORT}?format=jsonl").content
    monkeypatch.setattr("api.http.yields.PAGE_MAX", 3)
    assert told_client.get(f"{EXPORT}?format=jsonl").content == whole


@pytest.mark.parametrize(
    ("asked", "status", "code"),
    [
        ("after=4000000", 404, "not-found"),
        ("format=pdf", 406, "not-acceptable"),
        ("dialect=tab", 422, "not-valid"),
        ("from=x", 422, "not-valid"),
    ],
)
def test_what_cannot_be_exported_is_said_before_the_first_byte(told_client: TestClient, asked: str, status: int, code: str) -> None:
    answer = told_client.get(f"{EXPORT}?{asked}")
    assert (answer.status_code, answer.json()["code"]) == (status, code)


def test_only_so_many_exports_at_once(told_client: TestClient) -> None:
    places = told_client.app.state.exports  # type: ignore[attr-defined]
    assert isinstance(places, exports.ExportPlaces)
    places.take()
    places.take()
    answer = told_client.get(EXPORT)
    places.give_back()
    assert (answer.status_code, answer.json()["code"], answer.headers["retry-after"]) == (503, "exports-full", "5")
    assert told_client.get("/v1/failed-units").status_code == 200
    assert told_client.get(EXPORT).status_code == 200
    places.give_back()
    assert places.taken == 0


def test_a_reader_that_goes_away_gives_its_place_back(told: Told, monkeypatch: pytest.MonkeyPatch) -> None:
    ended = []

    def endless(*_: object) -> Iterator[FailedUnit]:
        try:
            while True:
                yield from failed_units(1000)
        finally:
            ended.append(True)

    monkeypatch.setattr(Reports, "failed_rows", endless)
    with app_over(told) as app, serving(app) as (url, _), httpx.Client(base_url=url) as client:
        with client.stream("GET", f"{EXPORT}?format=csv") as answer:
            assert len(next(answer.iter_bytes())) > 1000
            assert app.state.exports.taken == 1
        until_s = time.monotonic() + 10
        while not (app.state.exports.taken == 0 and ended) and time.monotonic() < until_s:
            time.sleep(0.02)
        assert app.state.exports.taken == 0
        assert ended == [True]


def test_a_unit_says_its_whole_history_in_one_answer(tmp_path: Path) -> None:
    url = reworked_store(tmp_path)
    with app_over(Told(url, tmp_path / "station.toml")) as app, TestClient(app, base_url=HOST) as client:
        serial = next(unit["unit"]["serial"] for unit in client.get("/v1/units").json()["units"] if unit["runs"] > 1)
        body = client.get(f"/v1/units/{serial}/history").raise_for_status().json()
        UnitHistoryBody.model_validate({**body, "traces": []})
        plain = client.get(f"/v1/units/{serial}").json()
        assert {name: body[name] for name in plain} == plain
        assert body["orders"] == [one for one in client.get("/v1/rework?state=all").json()["orders"] if one["unit"]["serial"] == serial]
        assert body["orders"]
        assert body["parts"]
        assert body["advice"] == client.get(f"/v1/units/{serial}/advice").json()
        assert {trace["run"] for trace in body["traces"]} <= {run["number"] for run in body["runs"]}
        for trace in body["traces"]:
            assert client.get(trace["json"]).json()["samples"] == trace["samples"]
            assert client.get(trace["csv"]).headers["content-type"].startswith("text/csv")
            assert len(client.get(trace["raw"]).content) == 4 * trace["samples"]
        text = pdf_text(client.get(body["report"]).content)
        assert "Advice" in text
        assert serial in text


def pdf_text(content: bytes) -> str:
    return "\n".join(page.extract_text() for page in pypdf.PdfReader(io.BytesIO(content)).pages)


def test_a_unit_on_paper_names_what_its_verdict_rests_on(client: TestClient) -> None:
    answer = client.get("/v1/units/DN-0002/report")
    assert answer.headers["content-type"] == "application/pdf"
    assert answer.headers["content-disposition"] == 'attachment; filename="unit-DN-0002.pdf"'
    text = pdf_text(answer.content)
    for word in ("DN-0002", "FAIL", "snapback:x+", "dunlin-2 A", "none: the run had no valid one", "Recording", "Flicks over each other"):
        assert word in text, word
    assert client.get("/v1/units/DN-0002/report").content == answer.content


def test_a_unit_without_traces_or_verdict_still_has_a_report(client: TestClient, told_client: TestClient) -> None:
    assert "rig-guard" in pdf_text(client.get("/v1/units/DN-0004/report").content)
    serial = told_client.get("/v1/units?limit=1").json()["units"][0]["unit"]["serial"]
    text = pdf_text(told_client.get(f"/v1/units/{serial}/report").content)
    assert "Recording" not in text
    assert serial in text


def test_a_unit_in_an_open_run_has_a_report(tmp_path: Path) -> None:
    from tests.api.filled import STATION, STORIES, filled_store, opening

    url = filled_store(tmp_path, STORIES[3:])
    store = SqlStore(url, STATION)
    store.open_run(opening(STORIES[3], START.replace(hour=9)))
    store.close()
    with app_over(Told(url, tmp_path)) as app, TestClient(app, base_url=HOST) as client:
        text = pdf_text(client.get("/v1/units/DN-0004/report").content)
    assert "Newest run: 2" in text


@pytest.mark.parametrize("what", ["history", "report"])
def test_a_unit_that_is_not_known_has_neither(client: TestClient, what: str) -> None:
    answer = client.get(f"/v1/units/DN-9999/{what}")
    assert (answer.status_code, answer.json()["code"]) == (404, "not-found")


def test_raw_samples_are_the_codes_of_the_sampler(client: TestClient, queries: Queries) -> None:
    answer = client.get("/v1/runs/2/trace", headers={"Accept": "application/octet-stream"})
    kept, headers = queries.recording(2), answer.headers
    codes = np.frombuffer(answer.content, "<u2").reshape(-1, 2)
    assert headers["content-disposition"] == 'attachment; filename="run-2-main.u16le"'
    assert (int(headers["restpoint-samples"]), headers["restpoint-axes"]) == (len(kept.x_v), "x,y")
    assert np.array_equal(codes[:, 0] * float(headers["restpoint-scale-v"]), kept.x_v)
    assert np.array_equal(codes[:, 1] * float(headers["restpoint-scale-v"]), kept.y_v)
    assert float(headers["restpoint-rate-hz"]) == kept.rate_hz
    assert float(headers["restpoint-supply-v"]) == kept.supply_v
    assert float(headers["restpoint-first-s"]) == kept.t_first_s
    digest = base64.b64encode(hashlib.sha256(answer.content).digest()).decode()
    assert headers["repr-digest"] == f"sha-256=:{digest}:"  # RFC 9530, section 3


def test_a_digest_is_written_as_the_standard_writes_it() -> None:
    # RFC 9530, appendix B.1: the representation {"hello": "world"} and a line feed (value from memory, held by recomputing it here).
    digest = base64.b64encode(hashlib.sha256(b'{"hello": "world"}\n').digest()).decode()
    assert digest == "RK/0qy18MlBSVnWgjwz6lZEWjP/lF5HF9bvEF8FabDg="


def test_runs_are_filtered_by_station(client: TestClient) -> None:
    assert len(client.get("/v1/runs", params={"station": "Mossgate bench"}).json()["runs"]) == 4
    assert client.get("/v1/runs?station=elsewhere").json()["runs"] == []
