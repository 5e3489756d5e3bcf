"""The running station: start to ready, idle memory, host overhead, and two rigs at 10 kS/s under 50 requests a second."""

import subprocess
import tempfile
import threading
import time
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path
from typing import Any

import httpx
import numpy as np

from api.demo import EmulatedRig, Operator, start_rig
from tests.api.real import COMMAND, free_port, until
from tests.bench.report import Line
from tests.conftest import DATA

UNITS = 4  # of each rig
REQUESTS_HZ = 50
ASKED = ("/v1/rigs", "/v1/runs", "/v1/rigs/rig-1", "/healthz", "/v1/units")


def measure() -> list[Line]:
    """All lines of the running service."""
    with tempfile.TemporaryDirectory() as name, ExitStack() as last:
        folder = Path(name)
        rigs = [start_rig(number, folder, 40 + number) for number in (1, 2)]
        for rig in rigs:
            last.callback(rig.end)
        with _service(folder, rigs) as (url, process, ready_s):
            idle_mb = _rss_mb(process.pid)
            calm = _shift(url, rigs, loaded=False)
            loaded = _shift(url, rigs, loaded=True)
            return [
                *_start_lines(ready_s, idle_mb),
                *_run_lines(url, calm, loaded),
            ]


def _start_lines(ready_s: float, idle_mb: float) -> list[Line]:
    bare_s, bare_mb = _bare_python()
    return [
        Line(
            "start to ready",
            f"{ready_s:.2f} s",
            f"an interpreter that imports numpy: {bare_s:.2f} s",
            f"{ready_s / bare_s:.1f}",
            "under 3 s",
        ),
        Line("idle memory of the service", f"{idle_mb:.0f} MB", f"the same: {bare_mb:.0f} MB", f"{idle_mb / bare_mb:.1f}", "under 150 MB"),
    ]


def _run_lines(url: str, calm: "_Shift", loaded: "_Shift") -> list[Line]:
    shares = {shift.name: np.mean([_overhead(run) for run in shift.details(url)]) for shift in (calm, loaded)}
    lost = sum(_lost(run) for run in loaded.details(url))
    samples = sum(stick["samples_received"] for run in loaded.details(url) for stick in run["evidence"]["sticks"])
    slow = np.percentile(loaded.answers_s, 99)
    return [
        Line(
            "host overhead of a run (wall time beside the rig's own motion and settling)",
            f"{100 * shares['loaded']:.2f} % under load",
            f"{100 * shares['calm']:.2f} % without requests",
            f"{shares['loaded'] / shares['calm']:.1f}",
            "under 3 %",
        ),
        Line(
            f"samples lost, two rigs at 2 x 10 kS/s, {REQUESTS_HZ} requests/s",
            f"{lost} of {samples} ({len(loaded.runs)} runs, {loaded.invalid(url)} invalid)",
            f"{len(loaded.answers_s)} requests answered, 99th percentile {1e3 * slow:.0f} ms",
            "-",
            "0",
        ),
    ]


class _Shift:
    """Units tested on both rigs, and how requests fared meanwhile."""

    def __init__(self, name: str, runs: list[int], answers_s: list[float]) -> None:
        self.name, self.runs, self.answers_s = name, runs, answers_s

    def details(self, url: str) -> list[dict[str, Any]]:
        return [httpx.get(f"{url}/v1/runs/{number}").json() for number in self.runs]

    def invalid(self, url: str) -> int:
        return sum(run["run"]["verdict"] == "invalid" for run in self.details(url))


def _shift(url: str, rigs: list[EmulatedRig], loaded: bool) -> _Shift:
    before = {run["number"] for run in httpx.get(f"{url}/v1/runs").json()["runs"]}
    operators = [Operator(rig, url, UNITS, lambda _line: None) for rig in rigs]
    for operator in operators:
        operator.start()
    answers: list[float] = []
    ended = threading.Event()
    asker = threading.Thread(target=_ask, args=(url, ended, answers))
    if loaded:
        asker.start()
    for operator in operators:
        operator.join()
    ended.set()
    if loaded:
        asker.join()
    after = [run["number"] for run in httpx.get(f"{url}/v1/runs").json()["runs"]]
    return _Shift("loaded" if loaded else "calm", [number for number in after if number not in before], answers)


def _ask(url: str, ended: threading.Event, answers_s: list[float]) -> None:
    """Requests at an even pace; each one's answering time."""
    begin = time.monotonic()
    with httpx.Client(base_url=url, timeout=10.0) as client:
        while not ended.wait(max(0.0, begin + len(answers_s) / REQUESTS_HZ - time.monotonic())):
            asked = time.perf_counter()
            client.get(ASKED[len(answers_s) % len(ASKED)]).raise_for_status()
            answers_s.append(time.perf_counter() - asked)


def _overhead(run: dict[str, Any]) -> float:
    timing = run["timing"]
    return float((timing["wall_s"] - timing["motion_s"] - timing["settling_s"]) / timing["wall_s"])


def _lost(run: dict[str, Any]) -> int:
    return sum(stick["samples_expected"] - stick["samples_received"] for stick in run["evidence"]["sticks"])


@contextmanager
def _service(folder: Path, rigs: list[EmulatedRig]) -> Iterator[tuple[str, subprocess.Popen[bytes], float]]:
    specifications = folder / "specifications"
    specifications.mkdir()
    (specifications / "dunlin-2-A.toml").write_text((DATA / "dunlin-2-A.toml").read_text())
    port = free_port()
    listed = "".join(f'[[rigs]]\nname = "{rig.name}"\nport = "{rig.port}"\n' for rig in rigs)
    (folder / "station.toml").write_text(
        f'[station]\nname = "bench-1"\ndata = "{folder}"\nspecifications = "specifications"\n[web]\nport = {port}\n{listed}'
    )
    url, began = f"http://127.0.0.1:{port}", time.monotonic()
    process = subprocess.Popen([*COMMAND, "serve", "--config", str(folder / "station.toml")], stderr=subprocess.DEVNULL)
    try:
        until(lambda: _ready(url))
        yield url, process, time.monotonic() - began
    finally:
        process.terminate()
        process.wait(15)


def _ready(url: str) -> bool:
    try:
        return httpx.get(f"{url}/readyz").status_code == 200
    except httpx.TransportError:
        return False


def _bare_python() -> tuple[float, float]:
    began = time.monotonic()
    code = "import numpy, sys; sys.stdout.write(open('/proc/self/status').read())"
    said = subprocess.run([COMMAND[0], "-c", code], capture_output=True, text=True, check=True).stdout
    return time.monotonic() - began, _from_status(said)


def _rss_mb(pid: int) -> float:
    return _from_status(Path(f"/proc/{pid}/status").read_text())


def _from_status(text: str) -> float:
    line = next(line for line in text.splitlines() if line.startswith("VmRSS"))
    return int(line.split()[1]) / 1024
