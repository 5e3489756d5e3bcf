"""Ten million rows of CSV read and scored, beside numpy.loadtxt that only parses them."""

import resource
import subprocess
import sys
import tempfile
from pathlib import Path

import numpy as np
import polars

from tests.bench.report import Line
from tests.bench_scoring import SHIFT, repeated
from tests.conftest import DATA
from tests.truth import simulate

ROWS = 10_000_000
OURS = """
import sys, time
from pathlib import Path
from rigs.replayed.csv_recording import read_recording
from station.judge.score import score_recording
from station.specification import parse_specification
spec = parse_specification(Path(sys.argv[2]).read_text())
began = time.perf_counter()
score = score_recording(read_recording(Path(sys.argv[1])), spec)
print(time.perf_counter() - began, len(score.flicks))
"""
PLAIN = """
import sys, time
import numpy
began = time.perf_counter()
rows = numpy.loadtxt(sys.argv[1], delimiter=",", skiprows=1)
print(time.perf_counter() - began, len(rows))
"""


def measure(rounds: int = 3) -> list[Line]:
    """Best of several rounds, each in a process of its own, turn and turn about."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "long.csv"
        _write(path)
        runs = [(_run(OURS, path), _run(PLAIN, path)) for _ in range(rounds)]
    ours, plain = min(one for one, _ in runs), min(other for _, other in runs)
    peak_mb = resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss / 1024
    return [
        Line(
            f"{ROWS / 1e6:.0f} million rows of CSV read and scored ({ours[1]} flicks)",
            f"{ours[0]:.2f} s, peak memory of either process at most {peak_mb:.0f} MB",
            f"numpy.loadtxt parsing alone: {plain[0]:.2f} s",
            f"{ours[0] / plain[0]:.2f}",
            "at most 1, under 1 GB",
        )
    ]


def _write(path: Path) -> None:
    short = simulate(SHIFT, 1, with_truth=False).recording
    long = repeated(short, ROWS // len(short.x_v) + 1)
    t_s = np.arange(ROWS) / long.rate_hz
    columns = {"t_s": t_s, "x_v": long.x_v[:ROWS], "y_v": long.y_v[:ROWS]}
    polars.DataFrame(columns).write_csv(path, float_precision=6)


def _run(code: str, path: Path) -> tuple[float, int]:
    words = [sys.executable, "-c", code, str(path), str(DATA / "dunlin-2-A.toml")]
    said = subprocess.run(words, capture_output=True, text=True, check=True).stdout.split()
    return float(said[0]), int(said[1])
