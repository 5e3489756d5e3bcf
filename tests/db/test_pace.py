"""What it costs to keep a result: processor time, since a machine that runs tests has other work; the bench reports the clock's figures."""

import time
from collections.abc import Callable
from pathlib import Path

import numpy as np

from db.store import SqlStore
from tests.db.making import closing, opening, trace

RUNS = 60
SAMPLES = 75_000  # 300 kB: about twenty flicks of both axes at 10 kS/s


def test_closing_a_run_with_a_long_trace_is_quick(file_url: str, new_store: Callable[..., SqlStore]) -> None:
    store = new_store(file_url)
    close_s, part_s = [], []
    ends = [closing(seed, traces={"main": trace(seed, SAMPLES)}) for seed in range(4)]
    part = trace(9, 5_000)
    for index in range(RUNS):
        number = store.open_run(opening(f"DL2-{index:05d}"))
        began = time.thread_time()
        store.keep_part(number, part)
        part_s.append(time.thread_time() - began)
        began = time.thread_time()
        store.close_run(number, ends[index % 4])
        close_s.append(time.thread_time() - began)
    assert np.median(close_s) < 0.030, f"median {np.median(close_s):.4f} s"
    assert np.median(part_s) < 0.010, f"median {np.median(part_s):.4f} s"


def test_the_log_stays_short(file_url: str, new_store: Callable[..., SqlStore]) -> None:
    """Nobody reads for long, so the log is used again from its beginning."""
    store = new_store(file_url)
    end = closing(1, traces={"main": trace(1, SAMPLES)})
    for index in range(30):
        store.close_run(store.open_run(opening(f"DL2-{index:05d}")), end)
    size = Path(file_url.removeprefix("sqlite:///")).stat().st_size
    assert store.database.log_bytes() < 6_000_000 < size
