"""Keeping a finished run: wall time of close_run with a 300 kB trace, beside a bare SQLite commit of as many bytes."""

import sqlite3
import tempfile
import time
from pathlib import Path

import numpy as np

from db.migrate import create_or_require
from db.store import SqlStore
from tests.bench.report import Line
from tests.db.making import SPECIFICATION, START, STATION, TEXT, closing, opening, trace

RUNS = 300
SAMPLES = 75_000  # 300 kB: about twenty flicks of both axes at 10 kS/s


def measure() -> list[Line]:
    """p99 of close_run, and of the bare commit."""
    with tempfile.TemporaryDirectory() as folder:
        ours, bare = _ours(Path(folder)), _bare(Path(folder))
    ratio = np.percentile(ours, 99) / np.percentile(bare, 99)
    return [
        Line(
            "writing a finished run, 300 kB trace, 99th percentile",
            f"{1e3 * np.percentile(ours, 99):.1f} ms (median {1e3 * np.median(ours):.1f} ms)",
            f"one synced commit of 300 kB in the same folder: {1e3 * np.percentile(bare, 99):.1f} ms",
            f"{ratio:.1f}",
            "at most 20 ms",
        )
    ]


def _ours(folder: Path) -> list[float]:
    url = f"sqlite:///{folder / 'store.db'}"
    create_or_require(url)
    store = SqlStore(url, STATION, keep_pass_every=1)
    store.keep_specification(TEXT, SPECIFICATION, START)
    ends = [closing(seed, traces={"main": trace(seed, SAMPLES)}) for seed in range(4)]
    took = []
    for index in range(RUNS):
        number = store.open_run(opening(f"DL2-{index:05d}"))
        began = time.perf_counter()
        store.close_run(number, ends[index % 4])
        took.append(time.perf_counter() - began)
    store.close()
    return took


def _bare(folder: Path) -> list[float]:
    database = sqlite3.connect(folder / "bare.db", isolation_level=None)
    database.execute("PRAGMA journal_mode = WAL")
    database.execute("PRAGMA synchronous = FULL")
    database.execute("CREATE TABLE blobs (id INTEGER PRIMARY KEY, data BLOB)")
    data, took = np.random.default_rng(1).bytes(300_000), []
    for _ in range(RUNS):
        began = time.perf_counter()
        database.execute("INSERT INTO blobs (data) VALUES (?)", (data,))
        took.append(time.perf_counter() - began)
    database.close()
    return took
