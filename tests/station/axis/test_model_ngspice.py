"""Forward model against the ngspice circuit simulator: the real divider, two track halves that move, and the capacitor."""

import math
import shutil
import subprocess
from pathlib import Path

import numpy as np
import pytest

from station.axis.model import node_from_wiper
from tests.station.axis.sticks import COUNT_V, COUNTS, SUPPLY_V, TRACK_OHM, Stick, times

NGSPICE = shutil.which("ngspice")
pytestmark = [
    pytest.mark.ngspice,
    pytest.mark.skipif(NGSPICE is None, reason="ngspice is not installed (Debian package ngspice)"),
]


def netlist(stick: Stick, farads: float, series_ohm: float, length_s: float, out: Path) -> str:
    """Node `frac` carries the wiper fraction as a voltage; the halves are behavioural resistors R*(1-a) above and R*a below the wiper."""
    omega = 2.0 * math.pi * stick.ring_hz
    free = omega * math.sqrt(1.0 - stick.damping**2)
    since = f"max(time-{stick.release_s!r},0)"
    free_swing = f"(cos({free!r}*{since})+{stick.damping * omega / free!r}*sin({free!r}*{since}))"
    ring = f"exp(-{stick.damping * omega!r}*{since})*{free_swing}"
    fraction = f"{stick.rest_counts / COUNTS!r}+{stick.side * stick.reach_counts / COUNTS!r}*{ring}"
    return f"""one axis of a stick
Vdd rail 0 {SUPPLY_V}
Bfrac frac 0 V={fraction}
Rtop rail wiper r='{TRACK_OHM}*(1-v(frac))'
Rlow wiper 0 r='{TRACK_OHM}*v(frac)'
Rser wiper node {max(series_ohm, 1e-3)}
C1 node 0 {farads!r}
.options reltol=1e-6 abstol=1e-13 vntol=1e-9
.control
tran 5u {length_s} 0 5u
set wr_vecnames
set wr_singlescale
set numdgt=12
wrdata {out.name} v(node)
quit
.endc
.end
"""


def simulated(stick: Stick, farads: float, series_ohm: float, t: np.ndarray, folder: Path) -> np.ndarray:
    out = folder / "node.txt"
    (folder / "axis.cir").write_text(netlist(stick, farads, series_ohm, float(t[-1]) + 1e-4, out))
    assert NGSPICE is not None
    subprocess.run([NGSPICE, "-b", "axis.cir"], cwd=folder, check=True, capture_output=True, timeout=60)
    table = np.loadtxt(out, skiprows=1)
    return np.interp(t, table[:, 0], table[:, 1])


@pytest.mark.parametrize(("farads", "series_ohm"), [(1e-7, 0.0), (3.3e-7, 470.0), (6.8e-7, 0.0)])
@pytest.mark.parametrize("stick", [Stick(60.0, 0.35), Stick(90.0, 0.3, side=-1)], ids=["middle", "quick"])
def test_within_a_twentieth_of_a_count_of_the_circuit(stick: Stick, farads: float, series_ohm: float, tmp_path: Path) -> None:
    rate_hz = 4_000.0
    t = times(rate_hz, 0.08)
    circuit = simulated(stick, farads, series_ohm, t, tmp_path)
    found = node_from_wiper(stick.wiper(t), rate_hz, farads, SUPPLY_V, TRACK_OHM, series_ohm)
    assert np.ptp(circuit) > 0.9
    assert np.abs(found - circuit).max() / COUNT_V < 0.05
