"""The service as a process, beside a rig process: killed, stopped, unplugged, started twice, started wrongly."""

import signal
import subprocess
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import httpx
import pytest

from tests.api.real import COMMAND, RealStation, free_port, real_station, until

REST_LIMIT_S = 0.25  # dead-man 200 ms after the last heartbeat, plus one heartbeat period
STOP_LIMIT_S = 5.0


@pytest.fixture
def station(tmp_path: Path) -> Iterator[RealStation]:
    with real_station(tmp_path) as one:
        yield one


def wait_for_a_stroke(station: RealStation) -> float:
    """Until the finger has torque; the rig's clock then."""
    until(station.energised, 10.0)
    return float(station.bench.state()["time_s"])


@pytest.mark.parametrize("sticks_in", ["warm-up", "test flicks"])
def test_kill_in_a_run_leaves_a_rig_at_rest_and_the_run_is_closed_at_the_next_start(station: RealStation, sticks_in: str) -> None:
    station.load()
    station.start()
    if sticks_in == "test flicks":
        until(lambda: sum(one["flicks"] for one in station.view()["progress"].values()) >= 5)
    at_s = wait_for_a_stroke(station)
    station.end(signal.SIGKILL)
    assert station.rest_after(at_s) <= REST_LIMIT_S + 0.05  # the instant was read a few milliseconds before the kill
    station.begin()
    [run] = station.runs()
    assert (run["verdict"], run["reasons"]) == ("invalid", ["interrupted"])
    detail = httpx.get(f"{station.url}/v1/runs/{run['number']}").json()
    assert bool(detail["traces"]) is (sticks_in == "test flicks")  # what was recorded is kept
    view = station.view()
    assert view["run_number"] == 0
    assert not station.energised()


def test_stop_signal_brings_rest_first_and_ends_with_streams_open(station: RealStation) -> None:
    station.load()
    station.start()
    opened = threading.Event()

    def listen() -> None:
        try:
            with httpx.stream("GET", f"{station.url}/v1/events", timeout=20.0) as stream:
                for _ in stream.iter_lines():
                    opened.set()
        except httpx.TransportError:
            return

    listeners = [threading.Thread(target=listen) for _ in range(5)]
    for one in listeners:
        one.start()
    assert opened.wait(5.0)
    at_s = wait_for_a_stroke(station)
    began = time.monotonic()
    code = station.end(signal.SIGTERM)
    assert time.monotonic() - began < STOP_LIMIT_S
    assert code == 143
    assert station.rest_after(at_s) <= REST_LIMIT_S + 0.05
    for one in listeners:
        one.join(5.0)
    station.begin()
    [run] = station.runs()
    assert (run["verdict"], run["reasons"]) == ("invalid", ["interrupted"])


def test_unplugged_in_a_flick_and_plugged_in_again(station: RealStation) -> None:
    station.load()
    station.start()
    at_s = wait_for_a_stroke(station)
    station.bench.inject("unplug")
    view = until(lambda: v if (v := station.view())["state"] == "unlinked" else None)
    assert "scan the unit and press start again" in view["sentence"]
    assert station.rest_after(at_s) <= REST_LIMIT_S + 0.05
    station.bench.inject("replug")
    until(station.linked)
    time.sleep(0.5)
    assert station.view()["run_number"] == 0
    [run] = station.runs()
    assert (run["verdict"], run["reasons"]) == ("invalid", ["rig-link"])


def test_halt_over_the_api_is_at_rest_within_a_tenth_of_a_second(station: RealStation) -> None:
    station.load()
    station.start()
    at_s = wait_for_a_stroke(station)
    httpx.post(f"{station.url}/v1/rigs/rig-1/halt").raise_for_status()
    assert station.rest_after(at_s) <= 0.15  # 100 ms from the call; the instant was read some milliseconds before it
    until(lambda: station.view()["state"] != "running")
    assert station.runs()[0]["reasons"] == ["interrupted"]


def refused(*words: str) -> str:
    """Run the command; its one line of refusal."""
    done = subprocess.run([*COMMAND, *words], capture_output=True, text=True, timeout=30, check=False)
    assert done.returncode == 2, done
    assert done.stdout == ""
    assert "Traceback" not in done.stderr
    assert len(done.stderr.strip().splitlines()) == 1, done.stderr
    return done.stderr.strip()


def test_a_second_service_on_the_same_folder_is_refused(station: RealStation) -> None:
    assert "no other service uses" in refused("serve", "--config", str(station.config()), "--port", str(free_port()))


def test_a_taken_port_is_refused(station: RealStation, tmp_path: Path) -> None:
    other = tmp_path / "other"
    line = refused("serve", "--data", str(other), "--port", str(station.port))
    assert str(station.port) in line
    assert "free" in line


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ('[station]\nnam = "a"\n', ("station.nam", "no such key")),
        ("[web]\nport = 99999\n", ("web.port", "99999")),
        ('[web]\nhost = "0.0.0.0"\n', ("0.0.0.0", "tokens")),
        ('[[rigs]]\nname = "rig-1"\n', ("rigs.0.port", "missing")),
        ('[station]\nspecifications = "nowhere"\n', ("station.specifications", "nowhere")),
        ('[station]\ndatabase = "mysql://a/b"\n', ("database", "mysql")),
        ("[station\n", ("TOML",)),
    ],
)
def test_a_wrong_configuration_is_one_line(tmp_path: Path, text: str, words: tuple[str, ...]) -> None:
    file = tmp_path / "station.toml"
    file.write_text(text)
    for command in ("serve", "config"):
        extra = ("check",) if command == "config" else ("--data", str(tmp_path / "data"))
        if command == "config" and "database" in text:
            continue
        line = refused(command, *extra, "--config", str(file))
        assert all(word in line for word in words), line


def test_a_missing_port_is_told_and_the_service_goes_on(tmp_path: Path) -> None:
    file, port = tmp_path / "station.toml", free_port()
    file.write_text(f'[web]\nport = {port}\n[[rigs]]\nname = "rig-1"\nport = "{tmp_path}/nothing"\n')
    with (tmp_path / "log").open("wb") as log:
        service = subprocess.Popen([*COMMAND, "serve", "--config", str(file), "--data", str(tmp_path / "data")], stdout=log, stderr=log)
    try:

        def told() -> bool:
            try:
                view = httpx.get(f"http://127.0.0.1:{port}/v1/rigs/rig-1").json()
                return "nothing" in view["sentence"]
            except httpx.TransportError:
                return False

        until(told)
        assert httpx.get(f"http://127.0.0.1:{port}/healthz").status_code == 200
        assert httpx.get(f"http://127.0.0.1:{port}/readyz").status_code == 503
    finally:
        service.terminate()
        assert service.wait(10) == 143


def test_a_database_of_another_revision_is_refused(tmp_path: Path) -> None:
    import sqlite3

    from db.migrate import create_or_require

    data = tmp_path / "data"
    data.mkdir()
    create_or_require(f"sqlite:///{data / 'restpoint.db'}")
    with sqlite3.connect(data / "restpoint.db") as database:
        database.execute("UPDATE alembic_version SET version_num = '9999'")
    database.close()
    line = refused("serve", "--data", str(data), "--port", str(free_port()))
    assert "9999" in line
    assert "restpoint db upgrade" in line
