"""The service of a line: all stations' results through the same doors, and nothing that moves; and a station that tells of its line."""

import json
import signal
import subprocess
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import httpx
import pytest
import typer

from api.cli.db import register
from api.clock import SystemClock
from api.config import load_config
from api.line import build_line_service
from api.line_forwarding import forwarder_of
from db.line_numbers import line_number
from db.migrate import create_or_require
from db.store import SqlStore
from station.errors import ConfigurationError, SchemaMismatch, StoreUnavailable
from station.records import Verdict
from station.rework import Followed
from tests.api.client import TestClient
from tests.api.filled import STATION as WORKSHOP
from tests.api.real import COMMAND, free_port, until
from tests.api.reworked import TO_SOLDER, reworked_store
from tests.db.line_making import forwarding, run_at, send_all
from tests.db.making import SPECIFICATION, START, TEXT
from tests.db.making_rework import rework_of
from tests.own_postgres import WHY_NOT, OwnServer

FIRST, SECOND = WORKSHOP, "mossgate-2"
NAMES = (FIRST, SECOND)
SHARED = "DN-0101"  # a unit that both have tested
HOST = "http://127.0.0.1:8000"
PATIENCE_S = 60.0  # for a service to come up on a busy machine


@dataclass(frozen=True, slots=True)
class Line:
    """A line database and the stations that have sent all they had."""

    url: str
    stores: dict[str, SqlStore]


@pytest.fixture(scope="module")
def line(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Line]:
    folder = tmp_path_factory.mktemp("line")
    stores = {FIRST: SqlStore(reworked_store(folder), FIRST), SECOND: station(folder, SECOND)}
    made = Line(f"sqlite:///{folder / 'line.db'}", stores)
    create_or_require(made.url)
    for minute, verdict in enumerate(Verdict):
        run_at(stores[SECOND], verdict, SHARED, minute)
    for store in made.stores.values():
        send(made, store)
    yield made
    for store in made.stores.values():
        store.close()


def station(folder: Path, name: str) -> SqlStore:
    url = f"sqlite:///{folder / name}.db"
    create_or_require(url)
    store = SqlStore(url, name, 1)
    store.keep_specification(TEXT, SPECIFICATION, START)
    return store


def send(line: Line, store: SqlStore) -> None:
    sender = forwarding(store, line.url)
    assert send_all(sender).count == 0
    sender.close()


@pytest.fixture
def client(line: Line) -> Iterator[TestClient]:
    service = build_line_service(load_config(None, {}), line.url)
    with TestClient(service.app, base_url=HOST, raise_server_exceptions=False, client=("127.0.0.1", 50000)) as one:
        yield one
    service.end()


def test_all_stations_are_shown_by_their_own_numbers(client: TestClient, line: Line) -> None:
    runs = client.get("/v1/runs", params={"limit": 100}).json()["runs"]
    assert {run["station"] for run in runs} == set(NAMES)
    numbers = {run["number"] for run in runs}
    assert {line_number(1, 1), line_number(2, 1)} <= numbers
    assert all(number // 10_000_000 in (1, 2) for number in numbers)
    for name in NAMES:
        assert {run["station"] for run in client.get("/v1/runs", params={"station": name}).json()["runs"]} <= {name}
    detail = client.get(f"/v1/runs/{line_number(2, 1)}").json()
    assert (detail["run"]["station"], detail["run"]["verdict"]) == (SECOND, "pass")
    unit = client.get(f"/v1/units/{SHARED}").json()
    assert {run["station"] for run in unit["runs"]} == set(NAMES)


PAGES = ("/", "/runs", f"/runs/{line_number(1, 2)}", "/units", f"/units/{SHARED}", "/rework", f"/rework/{line_number(1, 1)}")


@pytest.mark.parametrize("path", PAGES)
def test_pages_are_served(client: TestClient, path: str) -> None:
    assert client.get(path).status_code == 200


def test_there_are_no_rigs_and_every_verb_that_needs_one_says_so(client: TestClient) -> None:
    assert client.get("/v1/rigs").json()["rigs"] == []
    away = client.get("/v1/rigs/rig-1")
    assert (away.status_code, away.json()["code"]) == (404, "not-found")
    assert "this service shows the line, from what its stations sent: it has no rigs" in away.json()["detail"]
    unit = {"serial": "DL2-00001", "product": "dunlin-2", "lot": "ML-2607", "operator": "a. marsh"}
    for verb, body in (("unit", unit), ("start", None), ("halt", None), ("reset", None)):
        refused = client.post(f"/v1/rigs/rig-1/{verb}", json=body)
        assert (refused.status_code, refused.json()["code"]) in ((409, "not-ready"), (404, "not-found")), verb
        assert "it has no rigs" in refused.json()["detail"]


def test_nothing_is_recorded_on_the_line(client: TestClient) -> None:
    part = {"stick": "main", "axis": "x", "part": "474", "operator": "a. marsh"}
    fitted = client.post(f"/v1/rework/{line_number(1, TO_SOLDER)}/fitted", json=part)
    assert (fitted.status_code, fitted.json()["code"]) == (409, "not-ready")
    back = client.post("/v1/monitors/set-back", json={"specification": "dunlin-2 A", "operator": "a. marsh", "cause": "none"})
    assert (back.status_code, back.json()["code"]) == (409, "not-ready")


def test_readiness_and_metrics_say_how_far_each_station_is(client: TestClient) -> None:
    ready = client.get("/readyz")
    assert ready.status_code == 200
    assert set(ready.json()["notes"]) == {f"station {name}" for name in NAMES}
    assert all(note.endswith("s ago; nothing waited there.") for note in ready.json()["notes"].values())
    metrics = client.get("/metrics").text
    assert 'restpoint_station_waiting{station="mossgate-2"} 0.0' in metrics
    assert f'restpoint_station_heard_seconds{{station="{FIRST}"}}' in metrics


def test_what_comes_is_told_to_open_pages(client: TestClient, line: Line) -> None:
    desk = client.app.state.desk  # type: ignore[attr-defined]
    desk.look()
    assert desk.recent_events() == []
    store = line.stores[SECOND]
    number = run_at(store, serial="DL2-00099", minute=100)
    followed: Followed = rework_of(store).follow(number, 3, START.replace(year=2027))
    sender = forwarding(store, line.url)
    while sender.send(START.replace(year=2027)):
        pass
    sender.close()
    desk.look()
    (_, ended), (_, order) = desk.recent_events()
    assert (ended.kind, ended.rig, ended.data["run"], ended.data["verdict"]) == (
        "run-ended",
        "mossgate-2/rig-1",
        line_number(2, number),
        "fail",
    )
    assert (order.kind, order.data["order"]) == ("rework", line_number(2, followed.order))
    desk.look()
    assert len(desk.recent_events()) == 2


def test_a_database_that_is_no_line_of_ours_is_refused(tmp_path: Path) -> None:
    with pytest.raises(StoreUnavailable, match="does not exist"):
        build_line_service(load_config(None, {}), f"sqlite:///{tmp_path / 'none.db'}")
    with pytest.raises(StoreUnavailable, match="cannot be reached"):
        build_line_service(load_config(None, {}), "postgresql://restpoint@127.0.0.1:1/none")
    from sqlalchemy import text

    from db.engine import Database

    url = f"sqlite:///{tmp_path / 'old.db'}"
    create_or_require(url)
    old = Database(url)
    old.write(lambda session, _: session.execute(text("UPDATE alembic_version SET version_num = '0001'")))
    old.close()
    with pytest.raises(SchemaMismatch, match="revision 0001"):
        build_line_service(load_config(None, {}), url)


def test_a_line_database_is_no_stations_own(line: Line) -> None:
    store = SqlStore(line.url, "mossgate-1")
    with pytest.raises(ConfigurationError, match=r"station\.database is .*expected a database of its own, not a line's"):
        forwarder_of(load_config(None, {}), store, SystemClock(), lambda _kind, _data: None)
    store.close()


def test_an_address_that_is_none_is_refused() -> None:
    with pytest.raises(ConfigurationError, match=r"station\.line .*expected sqlite:///FILE or postgresql://USER@HOST/NAME"):
        load_config(None, {"station": {"line": "mysql://root@host/line"}})


def test_the_outbox_is_told(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    app = typer.Typer()
    register(app)

    def outbox(*words: str) -> str:
        arguments = ["db", "outbox", "--database", f"sqlite:///{tmp_path / 'mossgate-1.db'}", *words]
        typer.main.get_command(app)(args=arguments, standalone_mode=False)
        return capsys.readouterr().out

    store = station(tmp_path, "mossgate-1")
    assert outbox().startswith("none: this station was never part of a line")
    forwarding(store, f"sqlite:///{tmp_path / 'line.db'}").close()
    run_at(store)
    store.record_fitted("DL2-00001", "main", "x", 3.3e-7, "a. marsh", START)
    store.close()
    assert outbox() == "2 records wait for the line since 2026-11-25T07:30:00Z: 1 of kind run, 1 of kind unit\n"
    assert json.loads(outbox("--json")) == {
        "format": "restpoint-outbox/1",
        "kept": True,
        "waiting": 2,
        "oldest_at": "2026-11-25T07:30:00Z",
        "kinds": {"run": 1, "unit": 1},
        "refused": 0,
        "refusal": "",
    }


@pytest.mark.skipif(bool(WHY_NOT), reason=WHY_NOT)
def test_a_station_and_its_line_as_processes_with_the_server_cut_off(tmp_path: Path) -> None:
    """The station starts while the server is away, says so and is ready all the same; later all that it had comes to the line's pages."""
    server = OwnServer()
    try:
        server.start()
        server.make_database()
        create_or_require(server.url)
        server.pull_the_plug()
        store = station(tmp_path, "mossgate-1")
        for minute in range(6):
            run_at(store, Verdict.PASS, f"DL2-{minute:05d}", minute)
        store.close()
        ports = free_port(), free_port()
        (tmp_path / "station.toml").write_text(
            f'[station]\nname = "mossgate-1"\ndata = "{tmp_path}"\ndatabase = "sqlite:///{tmp_path}/mossgate-1.db"\nline = "{server.url}"\n'
            f"[web]\nport = {ports[0]}\n"
        )
        with serving("--config", str(tmp_path / "station.toml")):
            probe = f"http://127.0.0.1:{ports[0]}"
            note = until(lambda: answer(probe, "/readyz").get("notes", {}).get("line", ""), PATIENCE_S)
            assert "records wait for the line since" in note
            assert "nothing is lost" in note
            assert "line" not in answer(probe, "/readyz")["checks"]
            server.start()
            with serving("--line", server.url, "--port", str(ports[1])):
                until(lambda: answer(probe, "/readyz")["notes"] == {"line": ""}, PATIENCE_S)
                runs = until(lambda: answer(f"http://127.0.0.1:{ports[1]}", "/v1/runs").get("runs", []), PATIENCE_S)
                assert {run["station"] for run in runs} == {"mossgate-1"}
    finally:
        server.remove()


def answer(url: str, path: str) -> dict[str, Any]:
    """Empty while nobody answers."""
    try:
        found: dict[str, Any] = httpx.get(f"{url}{path}", timeout=5.0).json()
    except httpx.TransportError:
        return {}
    return found


@contextmanager
def serving(*words: str) -> Iterator[None]:
    """`restpoint serve` as a process, ended by a signal at the end."""
    process = subprocess.Popen([*COMMAND, "serve", *words], stdout=subprocess.DEVNULL)
    try:
        yield
    finally:
        process.send_signal(signal.SIGTERM)
        assert process.wait(15.0) == 143
