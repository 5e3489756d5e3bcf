"""The real thing: an emulated rig and the service as processes of their own, a person at the bench, requests over HTTP."""

import os
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import httpx

from api.demo import EmulatedRig, start_rig
from db.migrate import create_or_require
from db.proof import ProofStore
from db.store import SqlStore
from rigs.emulated.operator import BenchClient
from rigs.emulated.settings import RigSettings
from tests.conftest import DATA
from tests.station.service.books import keep_calibration

COMMAND = (sys.executable, "-c", "from api.cli.main import run; run()")
WAIT_S = 30.0
RIG_ID = "RP-EMU-01"  # of the first emulated rig (api.demo)
FIRMWARE = RigSettings().firmware


def free_port() -> int:
    with socket.socket() as one:
        one.bind(("127.0.0.1", 0))
        return int(one.getsockname()[1])


def until(what: Callable[[], Any], wait_s: float = WAIT_S) -> Any:
    """The first true answer; an AssertionError when none comes in time."""
    end = time.monotonic() + wait_s
    while time.monotonic() < end:
        if answer := what():
            return answer
        time.sleep(0.02)
    raise AssertionError("it did not happen in time")


@dataclass(slots=True)
class RealStation:
    """One emulated rig and a service that can be killed and started again on the same folder."""

    folder: Path
    rig: EmulatedRig
    bench: BenchClient
    port: int
    service: subprocess.Popen[bytes] | None = None

    @property
    def url(self) -> str:
        return f"http://127.0.0.1:{self.port}"

    def config(self) -> Path:
        specifications = self.folder / "specifications"
        specifications.mkdir(exist_ok=True)
        text = (DATA / "dunlin-2-A.toml").read_text().replace('mode = "guarded"', 'mode = "guarded"\naudit_share = 0.0')
        (specifications / "dunlin-2-A.toml").write_text(text)
        path = self.folder / "station.toml"
        path.write_text(
            f'[station]\nname = "bench-1"\ndata = "{self.folder}"\nspecifications = "specifications"\nkeep_pass_every = 1\n'
            f'[web]\nport = {self.port}\n[[rigs]]\nname = "rig-1"\nport = "{self.rig.port}"\n'
        )
        return path

    def calibrate(self) -> None:
        """Let the rig have a calibration in force, as a person would have left it."""
        url = f"sqlite:///{self.folder / 'restpoint.db'}"
        create_or_require(url)
        store = SqlStore(url, "bench-1")
        keep_calibration(ProofStore(store.database, "bench-1"), "rig-1", RIG_ID, FIRMWARE, datetime.now(UTC), "bench-1")
        store.close()

    def begin(self) -> None:
        with (self.folder / "service.log").open("ab") as log:
            self.service = subprocess.Popen([*COMMAND, "serve", "--config", str(self.config())], stdout=log, stderr=log)
        until(self.linked)

    def linked(self) -> bool:
        try:
            return bool(self.view()["state"] != "unlinked")
        except httpx.TransportError:
            return False

    def end(self, number: int = signal.SIGKILL) -> int:
        """Send the signal; the service's exit code."""
        assert self.service is not None
        os.kill(self.service.pid, number)
        code = self.service.wait(15)
        self.service = None
        return code

    def view(self) -> dict[str, Any]:
        return dict(httpx.get(f"{self.url}/v1/rigs/rig-1").raise_for_status().json())

    def runs(self) -> list[dict[str, Any]]:
        return list(httpx.get(f"{self.url}/v1/runs").raise_for_status().json()["runs"])

    def load(self) -> dict[str, Any]:
        self.bench.open_guard()
        if self.bench.state()["clamp_closed"]:
            self.bench.unclamp()
        unit = self.bench.clamp(None)
        self.bench.close_guard()
        body = {"serial": unit["serial"], "product": unit["product"], "lot": unit["lot"], "operator": "tester"}
        httpx.post(f"{self.url}/v1/rigs/rig-1/unit", json=body).raise_for_status()
        until(lambda: self.view()["state"] == "ready")
        return unit

    def start(self) -> None:
        self.bench.press_start()
        until(lambda: self.view()["state"] == "running")

    def energised(self) -> bool:
        return bool(self.bench.state()["energised"])

    def rest_after(self, instant_s: float) -> float:
        """Seconds from an instant of the rig's clock until it was at rest for good, by the rig's own log; 0 if it was at rest already."""
        until(lambda: not self.energised(), 2.0)
        marks = [one for one in self.bench.log(instant_s) if one["kind"] == "rest"]
        return max((float(one["time_s"]) - instant_s for one in marks), default=0.0)


@contextmanager
def real_station(folder: Path) -> Iterator[RealStation]:
    """A running station; everything is ended afterwards."""
    with ExitStack() as last:
        rig = start_rig(1, folder, 7)
        last.callback(rig.end)
        bench = BenchClient(str(rig.control))
        last.callback(bench.close)
        station = RealStation(folder, rig, bench, free_port())
        station.calibrate()
        last.callback(lambda: station.end() if station.service else None)
        station.begin()
        yield station
