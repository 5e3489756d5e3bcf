"""Runs, units and specifications over HTTP, from a real database."""

import csv
import io
from pathlib import Path

import numpy as np
import pytest

from api.http.access import Access
from api.http.app import build_app
from api.http.settings import WebSettings
from db.queries import Queries
from db.store import SqlStore
from rigs.replayed.csv_recording import read_recording
from station.judge.score import score_recording
from station.records import FlickTable
from tests.api.client import TestClient
from tests.api.fakes import FakeDesk
from tests.api.filled import SPECIFICATION, SPECIFICATION_TEXT, START, STORIES


def numbers(body: dict[str, list[dict[str, int]]]) -> list[int]:
    return [run["number"] for run in body["runs"]]


def test_runs_come_newest_first_with_what_a_list_needs(client: TestClient) -> None:
    body = client.get("/v1/runs").json()
    assert numbers(body) == [4, 3, 2, 1]
    run = body["runs"][2]
    assert (run["verdict"], run["reasons"]) == ("fail", ["snapback:x+"])
    assert run["unit"] == {"serial": "DN-0002", "product": "dunlin-2", "lot": "ML-2607"}
    assert run["started_at"] == "2026-11-24T07:31:00.000Z"
    assert run["emulated"] is True


def test_pages_follow_their_links_to_the_end(client: TestClient) -> None:
    address, seen = "/v1/runs?limit=3&lot=ML-2607", []
    while address:
        answer = client.get(address)
        seen += numbers(answer.json())
        address = answer.json()["next"]
        assert answer.headers.get("link") == (f'<{address}>; rel="next"' if address else None)
    assert seen == [4, 2, 1]


@pytest.mark.parametrize(
    ("asked", "expected"),
    [
        ("verdict=pass", [1]),
        ("verdict=open", []),
        ("reason=snapback", [2]),
        ("reason=snapback:x%2B", [2]),
        ("reason=snapback:y%2B", []),
        ("serial=DN-000", [4, 3, 2, 1]),
        ("serial=DN-0003", [3]),
        ("lot=ML-2611", [3]),
        ("rig=a&product=dunlin-2", [4, 3, 2, 1]),
        ("rig=b", []),
        ("emulated=false", []),
        ("since=2026-11-24T07:32:00Z", [4, 3]),
        ("since=2026-11-24T08:32:00%2B01:00&until=2026-11-24T07:33:00Z", [3]),
    ],
)
def test_runs_are_filtered(client: TestClient, asked: str, expected: list[int]) -> None:
    assert numbers(client.get(f"/v1/runs?{asked}").json()) == expected


def test_a_run_says_what_it_rests_on(client: TestClient) -> None:
    body = client.get("/v1/runs/4").json()
    assert body["explanation"] == "The guard opened during the run."
    assert (body["firmware"], body["boot"], body["calibration"]) == ("2.1.0", 12, "")
    assert body["specification_digest"] == SPECIFICATION.digest
    assert body["fitted"] == {"main": {"x_f": 0.0, "y_f": 0.0}}
    assert body["traces"]["main"] == body["sticks"]["main"]["samples_kept"] > 8000
    assert body["timing"] == {"wall_s": 20.0, "motion_s": 19.6}


def test_flicks_are_the_kept_figures_and_null_where_not_known(client: TestClient, queries: Queries) -> None:
    body = client.get("/v1/runs/2/flicks").json()
    kept = queries.flicks(2)
    assert body["group"][:4] == ["x+", "x-", "y+", "y-"]
    assert len(body["group"]) == 24
    for name, column in kept.columns.items():
        assert [value is None for value in body["columns"][name]] == np.isnan(column).tolist()
        assert np.allclose([value for value in body["columns"][name] if value is not None], column[np.isfinite(column)], rtol=0, atol=0)


def test_a_figure_that_is_not_known_is_null() -> None:
    from api.http.flicks import flicks_body

    table = FlickTable(
        np.array([0, 3], np.int8), {"peak_counts": np.array([np.nan, 2.5]), "settle_s": np.array([np.inf, 0.1])}, ((), ("dropout",))
    )
    body = flicks_body(1, "main", table)
    assert body.columns == {"peak_counts": [None, 2.5], "settle_s": [None, 0.1]}
    assert (body.group, body.flags) == (["x+", "y-"], [[], ["dropout"]])


def test_the_trace_as_csv_gives_the_same_score_to_the_last_bit(client: TestClient, queries: Queries, tmp_path: Path) -> None:
    answer = client.get("/v1/runs/2/trace?format=csv")
    assert answer.headers["content-type"] == "text/csv; charset=utf-8; header=present"
    assert answer.headers["content-disposition"] == 'attachment; filename="run-2-main.csv"'
    file = tmp_path / "run.csv"
    file.write_bytes(answer.content)
    kept = queries.recording(2)
    read = read_recording(file, supply_v=kept.supply_v)
    assert np.array_equal(read.x_v, kept.x_v)
    assert np.array_equal(read.y_v, kept.y_v)
    assert read.rate_hz == pytest.approx(kept.rate_hz, rel=1e-9)
    score, detail = score_recording(read, SPECIFICATION), queries.run(2)
    assert (str(score.verdict), score.reasons) == (detail.run.verdict, detail.run.reasons)
    assert score.groups["x+"]["peak_counts"] == pytest.approx(detail.sticks["main"].groups["x+"]["peak_counts"], rel=1e-6)


def test_the_csv_is_rfc_4180(client: TestClient) -> None:
    text = client.get("/v1/runs/4/trace", headers={"Accept": "text/csv"}).text
    lines = text.split("\r\n")
    assert lines[-1] == ""
    assert "\n" not in text.replace("\r\n", "")
    rows = list(csv.reader(io.StringIO("\r\n".join(line for line in lines if not line.startswith("#")))))
    assert rows[0] == ["t_s", "x_v", "y_v"]
    assert {len(row) for row in rows} == {3}


def test_the_json_trace_is_an_envelope_that_loses_no_extreme(client: TestClient, queries: Queries) -> None:
    body = client.get("/v1/runs/2/trace?points=50").json()
    kept = queries.recording(2)
    assert len(body["t_s"]) == len(body["y_max_v"]) == 50
    assert body["samples"] == len(kept.x_v)
    assert max(body["x_max_v"]) == pytest.approx(kept.x_v.max(), abs=1e-6)
    assert min(body["x_min_v"]) == pytest.approx(kept.x_v.min(), abs=1e-6)
    assert body["commanded"][0] == {"group": "x+", "t_s": 0.25}


def test_a_stretch_of_the_trace_is_cut_out(client: TestClient, queries: Queries) -> None:
    body = client.get("/v1/runs/2/trace?from_s=0.5&to_s=0.51&points=5000").json()
    kept = queries.recording(2)
    assert body["t_s"][0] == 0.5
    assert len(body["t_s"]) == 80
    assert np.allclose(body["x_min_v"], kept.x_v[4000:4080], atol=1e-6)
    assert client.get("/v1/runs/2/trace?from_s=0.6&to_s=0.5").json()["t_s"] == []


@pytest.mark.parametrize(
    ("accept", "kind"),
    [
        ("*/*", "application/json"),
        ("text/csv", "text/csv"),
        ("text/csv;q=0.9, application/json", "text/csv"),
        ("application/json", "application/json"),
    ],
)
def test_the_format_is_negotiated(client: TestClient, accept: str, kind: str) -> None:
    answer = client.get("/v1/runs/4/trace", headers={"Accept": accept})
    assert answer.headers["content-type"].startswith(kind)
    assert answer.headers["vary"] == "Accept"


def test_an_unknown_format_is_not_acceptable(client: TestClient) -> None:
    answer = client.get("/v1/runs/4/trace", headers={"Accept": "image/png"})
    assert (answer.status_code, answer.json()["code"]) == (406, "not-acceptable")


def test_the_overlay_shows_the_largest_peaks_from_rest(client: TestClient, queries: Queries) -> None:
    body = client.get("/v1/runs/2/overlay?most=4").json()
    assert body["neutral_zone_counts"] == 22.0
    group = body["groups"]["x+"]
    assert (group["flicks"], len(group["drawn"])) == (6, 4)
    assert sorted(one["peak_counts"] for one in group["drawn"]) == sorted(group["peaks_counts"])[-4:]
    for one in group["drawn"]:
        held = [d for at, d in enumerate(one["deflection_counts"]) if one["t_first_s"] + at * one["step_s"] < -0.002]
        assert np.mean(held) == pytest.approx(77.0, abs=0.5)  # the scene's reach
        assert -min(one["deflection_counts"]) == pytest.approx(one["peak_counts"], abs=1.0)
        assert one["over_zone"] is True


def test_what_was_not_kept_is_not_found(desk: FakeDesk, settings: WebSettings, tmp_path: Path) -> None:
    from db.migrate import create_or_require
    from tests.api.filled import add_run, opening

    url = f"sqlite:///{tmp_path / 'thin.sqlite'}"
    create_or_require(url)
    store = SqlStore(url, "Mossgate bench", keep_pass_every=2)
    store.keep_specification(SPECIFICATION_TEXT, SPECIFICATION, START)
    for seed in range(2):
        add_run(store, STORIES[0], START, seed)
    store.open_run(opening(STORIES[2], START))
    store.close()
    queries = Queries(url)
    with TestClient(build_app(desk, queries, Access(), settings), base_url="http://127.0.0.1:8000") as client:
        for path in ("trace", "overlay"):
            answer = client.get(f"/v1/runs/2/{path}")
            assert (answer.status_code, answer.json()["code"]) == (404, "not-found")
        assert "No trace of this stick was kept" in client.get("/runs/2").text
        assert client.get("/v1/runs/1/flicks?stick=left").status_code == 404
        assert client.get("/v1/runs/3").json()["run"]["verdict"] is None
        assert "The run has not ended." in client.get("/runs/3").text
    queries.close()


def test_units_are_paged_by_serial(client: TestClient) -> None:
    first = client.get("/v1/units?limit=3").json()
    assert [unit["unit"]["serial"] for unit in first["units"]] == ["DN-0001", "DN-0002", "DN-0003"]
    second = client.get(first["next"]).json()
    assert [unit["unit"]["serial"] for unit in second["units"]] == ["DN-0004"]
    assert second["next"] is None
    assert client.get("/v1/units?serial=DN-0002").json()["units"][0]["last_verdict"] == "fail"


def test_a_unit_comes_with_its_history(client: TestClient) -> None:
    body = client.get("/v1/units/DN-0002").json()
    assert [run["number"] for run in body["runs"]] == [2]
    assert body["first_seen_at"] == "2026-11-24T07:31:00.000Z"


def test_specifications_are_listed_and_given_as_text(client: TestClient) -> None:
    listed = client.get("/v1/specifications").json()["specifications"]
    assert [(one["label"], one["digest"]) for one in listed] == [("dunlin-2 A", SPECIFICATION.digest)]
    answer = client.get("/v1/specifications/dunlin-2/A")
    assert answer.headers["content-type"] == "application/toml"
    assert answer.text == SPECIFICATION_TEXT
