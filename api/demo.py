"""The demo's hands: emulated rigs as processes of their own, and an operator for each who clamps, scans and presses start."""

import subprocess
import sys
import threading
import time
from collections.abc import Callable
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import httpx

from rigs.emulated.operator import BenchClient
from station.errors import LinkLost

READY_S = 15.0  # for a rig process to come up
RUN_S = 900.0  # longest run of a doubtful unit, with room
LOOK_S = 0.1
START = "from api.cli.main import run; run()"  # the command restpoint, by this interpreter
PAUSE_S = 0.8  # between two units, so that the verdict can be read

Say = Callable[[str], None]


@dataclass(slots=True)
class EmulatedRig:
    """One rig process. port and control are names in the data folder that stay the same from run to run."""

    name: str
    port: Path
    control: Path
    process: subprocess.Popen[bytes]

    def end(self) -> None:
        self.process.terminate()
        try:
            self.process.wait(5)
        except subprocess.TimeoutExpired:
            self.process.kill()
            self.process.wait()


def rig_flags(number: int, folder: Path) -> dict[str, str]:
    """Configuration of the emulated rig `rig-<number>`, whose port keeps its name in the data folder."""
    return {"name": f"rig-{number}", "port": str(folder / f"rig-{number}.port"), "rig_id": f"RP-EMU-{number:02d}"}


def start_rig(number: int, folder: Path, seed: int) -> EmulatedRig:
    """Start the emulated rig and wait until it is there. Raises LinkLost when it does not come up."""
    flags = rig_flags(number, folder)
    port, control = Path(flags["port"]), folder / f"rig-{number}.control"
    for left in (port, control):
        left.unlink(missing_ok=True)
    words = ["--port", str(port), "--control", str(control), "--rig-id", flags["rig_id"], "--seed", str(seed), "--json"]
    process = subprocess.Popen([sys.executable, "-c", START, "rig-emulator", *words], stdout=subprocess.DEVNULL)
    rig = EmulatedRig(flags["name"], port, control, process)
    until = time.monotonic() + READY_S
    while not (port.exists() and control.exists()):
        if process.poll() is not None or time.monotonic() > until:
            rig.end()
            raise LinkLost(f"emulated rig {rig.name} did not come up within {READY_S:.0f} s")
        time.sleep(LOOK_S)
    return rig


class Operator(threading.Thread):
    """Tests `units` units on one rig through the same doors as a person: bench, API, start button."""

    def __init__(self, rig: EmulatedRig, url: str, units: int, say: Say) -> None:
        super().__init__(name=f"operator {rig.name}", daemon=True)
        self._rig = rig
        self._units = units
        self._say = say
        self._stop_asked = threading.Event()
        self._web = httpx.Client(base_url=url, timeout=10.0)

    def stop(self) -> None:
        self._stop_asked.set()

    def run(self) -> None:
        with self._web, closing(BenchClient(str(self._rig.control))) as bench:
            for _ in range(self._units):
                try:
                    self._await_pages()
                    self._one(bench)
                except httpx.ConnectError:
                    return  # the station has been stopped, or never came up and has said why
                except (httpx.HTTPError, LinkLost, OSError) as problem:
                    if not self._stop_asked.is_set():
                        self._say(f"{self._rig.name}: the operator stops: {problem}")
                    return
                if self._stop_asked.wait(PAUSE_S):
                    return
        self._say(f"{self._rig.name}: shift over, {self._units} units. Pages go on being served; Ctrl-C ends.")

    def _await_pages(self) -> None:
        until = time.monotonic() + READY_S
        while True:
            try:
                self._view()
            except httpx.ConnectError:
                if time.monotonic() > until or self._stop_asked.wait(LOOK_S):
                    raise
            else:
                return

    def _one(self, bench: BenchClient) -> None:
        self._until(lambda view: view["state"] != "unlinked")
        before = self._view()["last_run"]
        bench.open_guard()
        if bench.state()["clamp_closed"]:  # left by a run that did not end
            bench.unclamp()
        unit = bench.clamp(None)
        bench.close_guard()
        body = {"serial": unit["serial"], "product": unit["product"], "lot": unit["lot"], "operator": "demo"}
        self._web.post(f"/v1/rigs/{self._rig.name}/unit", json=body).raise_for_status()
        self._until(lambda view: view["state"] == "ready")
        self._say(f"{self._rig.name}: unit {unit['serial']} of lot {unit['lot']} clamped, start pressed")
        bench.press_start()
        view = self._until(lambda view: view["state"] == "ended" and view["last_run"] != before)
        self._say(f"{self._rig.name}: {self._summary(unit['serial'], view)}")

    def _summary(self, serial: str, view: dict[str, Any]) -> str:
        progress = view["progress"]
        flicks = sum(one["flicks"] for one in progress.values())
        reasons = ", ".join(view["reasons"])
        return f"unit {serial} run {view['last_run']}: {view['verdict'].upper()}{' ' + reasons if reasons else ''} ({flicks} flicks)"

    def _view(self) -> dict[str, Any]:
        answer = self._web.get(f"/v1/rigs/{self._rig.name}")
        answer.raise_for_status()
        view: dict[str, Any] = answer.json()
        return view

    def _until(self, wanted: Callable[[dict[str, Any]], bool]) -> dict[str, Any]:
        until = time.monotonic() + RUN_S
        while time.monotonic() < until:
            view = self._view()
            if wanted(view):
                return view
            if self._stop_asked.wait(LOOK_S):
                raise LinkLost("asked to stop")
        raise LinkLost(f"{self._rig.name} did not get there within {RUN_S:.0f} s")
