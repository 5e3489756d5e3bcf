"""`restpoint proof`: what is kept, the same from a database and from a station at an address."""

from collections.abc import Iterator
from pathlib import Path
from typing import Any, NoReturn

import pytest
from pypdf import PdfReader

from api.clock import SystemClock
from api.http.access import Access
from api.http.app import build_app
from api.http.settings import WebSettings
from db.migrate import create_or_require
from db.proof import ProofStore
from db.queries import Queries
from db.store import SqlStore
from station.errors import NotFound
from station.service.proving.conductor import Proving
from station.service.proving.desk import StationProof
from tests.api.command import answered, here, refused, restpoint
from tests.api.fakes import FakeDesk, serving
from tests.api.proven import RUNS, proven
from tests.db.making import STATION
from tests.db.making_proof import closed_run

Places = dict[str, list[str]]


@pytest.fixture(scope="module")
def store(tmp_path_factory: pytest.TempPathFactory) -> Iterator[SqlStore]:
    with proven(tmp_path_factory.mktemp("proven")) as made:
        yield made


@pytest.fixture(scope="module")
def places(store: SqlStore) -> Iterator[Places]:
    url = str(store.database.url)
    queries = Queries(url)
    around = Proving(STATION, ProofStore(store.database, STATION), SystemClock(), {}, lambda product: None, lambda serial: {})
    app = build_app(FakeDesk(("rig-1",)), queries, Access(), WebSettings(STATION, "0.1.0"), proof=StationProof(around, _no_worker, ()))
    with serving(app) as (address, _):
        yield {"local": ["--database", url], "remote": ["--server", address]}
    queries.close()


def _no_worker(name: str) -> NoReturn:
    raise NotFound(f"rig is {name!r}; none is linked here")


SPEED = "release-speed/rig-1///"
QUESTIONS: list[list[str]] = [
    ["procedures", "rig-1"],
    ["procedures", "rig-1", "--limit", "2"],
    ["calibrations"],
    ["calibrations", "--rig", "rig-1", "--accepted", "--emulated"],
    ["calibrations", "--real"],
    ["calibrations", "1"],
    ["calibrations", "2"],
    ["references"],
    ["references", "--product", "other"],
    ["references", "--rig", "rig-1"],
    ["studies"],
    ["studies", "--refused"],
    ["studies", "1"],
    ["studies", "2"],
    ["charts", "rig-1"],
    ["charts"],
    ["chart", SPEED],
    ["chart", SPEED, "--points", "3"],
]


@pytest.mark.parametrize("question", QUESTIONS, ids=" ".join)
def test_a_station_and_its_database_give_the_same_answers(places: Places, question: list[str]) -> None:
    local, remote = (here("proof", *question, *place) for place in places.values())
    assert (local.returncode, local.stderr) == (0, "")
    assert local.stdout == remote.stdout
    assert local.stdout.strip()
    assert answered(here("proof", *question, *places["local"], "--json"), 0) == answered(
        here("proof", *question, *places["remote"], "--json"), 0
    )


def test_procedures_say_how_they_stand(places: Places) -> None:
    told = here("proof", "procedures", "rig-1", *places["local"]).stdout
    assert "reference-check (emulated)" in told
    first = answered(here("proof", "procedures", "rig-1", "--limit", "2", *places["local"], "--json"), 0)
    rest = answered(here("proof", "procedures", "rig-1", "--after", first["next"], *places["local"], "--json"), 0)
    assert [one["number"] for one in first["procedures"] + rest["procedures"]] == list(range(9, 0, -1))


def test_a_calibration_is_shown_with_figures_and_what_is_out(places: Places) -> None:
    listed = here("proof", "calibrations", *places["local"]).stdout
    assert f"{84 * RUNS} of 500000" in listed
    one = here("proof", "calibrations", "1", *places["local"]).stdout
    assert "Calibration C-1 of rig rig-1 (emulated) (R-0001, firmware 1.4): accepted" in one
    for words in ("contact_deg", "12.40 +- 0.10", "5 to 20", "12.00 +- 0.20", "OUT"):
        assert words in one
    refused_one = here("proof", "calibrations", "2", *places["local"]).stdout
    assert "NOT accepted" in refused_one
    assert "! latency_s is 0.03 s; expected at most 0.02 s" in refused_one


def test_a_certificate_is_written(places: Places, tmp_path: Path) -> None:
    for name, place in places.items():
        paper = tmp_path / f"{name}.pdf"
        done = here("proof", "certificate", "1", "-o", paper, *place)
        assert (done.returncode, done.stdout) == (0, f"done: certificate of calibration 1 in {paper}\n")
        assert "C-1" in PdfReader(paper).pages[0].extract_text()
        body = answered(here("proof", "certificate", "1", "-o", paper, *place, "--json"), 0)
        assert (body["calibration"], body["bytes"]) == (1, paper.stat().st_size)
        refused(here("proof", "certificate", "99", "-o", paper, *place), "99")
        refused(here("proof", "certificate", "1", "-o", tmp_path / "nowhere" / "c.pdf", *place), "nowhere")
    refused(here("proof", "certificate", "1", *places["local"]), "--output")


def test_references_show_the_newest_values_and_what_was_off(places: Places) -> None:
    body = answered(here("proof", "references", *places["local"], "--json"), 0)
    (unit,) = body["units"]
    assert unit["values"]["main"]["x+"]["peak_counts"]["value"] == 19.5
    assert [one["within"] for one in body["checks"]] == [False, True]
    told = here("proof", "references", *places["local"]).stdout
    assert "main x+ peak_counts 23 for 19.5; main x rest_counts - for 128" in told


def test_studies_show_where_the_spread_comes_from(places: Places) -> None:
    gauge = here("proof", "studies", "1", *places["local"]).stdout
    assert "Study 1, gauge study of dunlin-2 A on rig rig-1 (emulated): accepted" in gauge
    assert "standard uncertainty of a measured peak: 0.12 counts" in gauge
    assert "main x+ peak_counts" in gauge
    type_1 = here("proof", "studies", "2", *places["local"]).stdout
    assert "Cgk" in type_1
    assert "main x+ peak_counts" in type_1


def points(place: list[str]) -> list[dict[str, Any]]:
    """All points of the chart of release speed."""
    return list(answered(here("proof", "chart", SPEED, "--points", "2000", *place, "--json"), 0)["points"])


def test_a_chart_is_shown_and_a_point_is_noted(places: Places) -> None:
    local = places["local"]
    keys = [point["key"] for point in points(local)]
    told = here("proof", "chart", SPEED, *local).stdout
    assert "Release speed, rig rig-1, reach/s" in told
    assert "provisional limits" in told
    by = ("--operator", "ann")
    refused(here("proof", "freeze", SPEED, "--first", keys[0], "--last", keys[-1], *by, *local), "expected at least 50")
    refused(here("proof", "note", SPEED, "--point", "999", "--cause", "worn", *by, *local), "999")
    for place, action in zip(places.values(), ("new tip", "none"), strict=True):
        done = here("proof", "note", SPEED, "--point", keys[0], "--cause", "worn tip", "--action", action, *by, *place)
        assert (done.returncode, done.stdout) == (0, f"done: noted at {keys[0]} of Release speed, rig rig-1\n")
    noted = points(places["remote"])[0]["notes"]
    assert [(note["cause"], note["action"]) for note in noted] == [("worn tip", "new tip"), ("worn tip", "none")]


def test_limits_are_frozen_here_and_there(tmp_path: Path, settings: WebSettings) -> None:
    with proven(tmp_path) as store:
        for number in range(RUNS, 60):
            closed_run(store, f"DL2-{number:05}", 20 + number, health={"release_speed_share_s": 410.0 + number % 5})
        place = ["--database", str(store.database.url)]
        keys = [point["key"] for point in points(place)]
        words = ("proof", "freeze", SPEED, "--first", keys[0], "--last", keys[54], "--operator", "ann")
        done = here(*words, "--rule", "slope", "--rule", "beyond", *place)
        assert (
            done.stdout == f"done: limits of Release speed, rig rig-1 are frozen from {keys[0]} to {keys[54]}; looked for: beyond, slope\n"
        )
        body = answered(here(*words, *place, "--json"), 0)
        assert (body["format"], body["limits"], body["baseline"]["by"]) == ("restpoint-chart/1", "frozen", "ann")
        told = here("proof", "chart", SPEED, *place).stdout
        assert f"limits frozen from {keys[0]} to {keys[54]} by ann" in told
        refused(here(*words, "--rule", "beyound", *place), "beyound", "one-side")


def test_what_cannot_be_is_refused_alike(places: Places, tmp_path: Path) -> None:
    for place in places.values():
        refused(here("proof", "calibrations", 99, *place), "99")
        refused(here("proof", "studies", 99, *place), "99")
        refused(here("proof", "calibrations", "--after", "x", *place), "page cursor")
        refused(here("proof", "calibrations", "1", "--rig", "rig-1", *place), "expected one of them")
        refused(here("proof", "studies", "1", "--limit", "3", *place), "expected one of them")
        refused(here("proof", "chart", "nonsense", *place), "WHAT/RIG/PRODUCT/LOT/FIGURE")
        refused(here("proof", "chart", "colour/rig-1///", *place), "colour", "release-speed")
        refused(here("proof", "charts", "zz", *place), "zz")
        refused(here("proof", "note", SPEED, "--point", "1", *place), "--cause")
    refused(here("proof", "freeze", SPEED, "--first", "1", "--last", "2", *places["local"]), "expected")
    refused(here("proof", "note", SPEED, "--point", "1", "--cause", "x", *places["local"]), "operator is missing")
    refused(here("proof", "calibrations", *places["local"], *places["remote"]), "one place")
    refused(here("proof", "studies", "--database", f"sqlite:///{tmp_path / 'absent.db'}"), "absent.db")
    refused(here("proof", "charts", "--server", "http://127.0.0.1:1"), "127.0.0.1:1")


def test_a_database_of_two_stations_is_not_asked_for_charts(tmp_path: Path) -> None:
    with proven(tmp_path) as store:
        url = str(store.database.url)
        other = SqlStore(url, "mossgate-9", keep_pass_every=1)
        closed_run(other, "DL2-99999", 99, station="mossgate-9")
        other.close()
        refused(here("proof", "charts", "rig-1", "--database", url), "mossgate-9", "--server")
        assert here("proof", "calibrations", "--database", url).returncode == 0


def test_an_empty_database_has_nothing(tmp_path: Path) -> None:
    url = f"sqlite:///{tmp_path / 'empty.db'}"
    create_or_require(url)
    said = [here("proof", *words, "--database", url).stdout for words in (["calibrations"], ["studies"], ["charts"], ["procedures", "a"])]
    assert said == ["No calibrations.\n", "No studies.\n", "No charts.\n", "No procedures.\n"]


def test_the_installed_command_answers(places: Places) -> None:
    assert len(answered(restpoint("proof", "calibrations", *places["local"], "--json"), 0)["calibrations"]) == 2
