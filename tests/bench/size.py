"""Databases of ten thousand to a million runs: how long the questions of pages and reports take, and a finished run's write.

Beside them the same questions put plainly: one statement over the runs that uses no index, and a pandas read of the columns needed.
On SQLite, and on PostgreSQL where a server is given as for the tests of the store.
"""

import gc
import os
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import timedelta
from pathlib import Path
from typing import Any

import numpy as np
from sqlalchemy import func, inspect, select, table, text

from db.engine import Database
from db.filling import Filler
from db.migrate import create_or_require
from db.queries import Queries
from db.queries.yields import YieldQueries
from db.store import SqlStore
from tests.bench.report import Line
from tests.bench.size_questions import Asking, Question, questions
from tests.bench.size_runs import END, Works, specifications
from tests.db.conftest import POSTGRES, server_database
from tests.db.making import STATION, closing, opening, trace

MODERATE = (10_000, 100_000)
SEED = 2611
CHUNK = 5_000
CACHE_KB = 400_000
"""SQLite's own cache while a million runs come in; the station's is left as it is."""

TURNS, SLOW_TURNS = 11, 3
SLOW_S = 0.5
WRITES = 200
TRACE_SAMPLES = 75_000  # 300 kB, as in tests/bench/store.py


@dataclass(frozen=True, slots=True)
class Figures:
    """Of one database. seconds: median by the question's name, plain and pandas ones apart."""

    runs: int
    seconds: dict[str, float]
    plain: dict[str, float]
    pandas: dict[str, float]


def measure(sizes: tuple[int, ...] = MODERATE) -> list[Line]:
    """All lines, SQLite first."""
    lines = _of_kind("SQLite", sizes, _file)
    return lines + (_of_kind("PostgreSQL", sizes, server_database) if os.environ.get(POSTGRES) else [])


def _of_kind(kind: str, sizes: tuple[int, ...], place: Callable[[], Any]) -> list[Line]:
    found: list[Figures] = []
    lines: list[Line] = []
    for runs in sizes:
        with place() as url:
            create_or_require(url)
            lines.append(fill(kind, url, runs))
            found.append(_ask(url, runs))
            lines.append(_writes(kind, url, runs))
    return lines + _question_lines(kind, found)


@contextmanager
def _file() -> Iterator[str]:
    with tempfile.TemporaryDirectory() as folder:
        yield f"sqlite:///{Path(folder) / 'station.db'}"


def fill(kind: str, url: str, runs: int) -> Line:
    """Fill a database of the current revision, and say how quickly."""
    store = SqlStore(url, STATION)
    for content, specification in specifications():
        store.keep_specification(content, specification, END)
    _enlarge_cache(store.database)
    works, filler, done = Works(runs, SEED), Filler(store), 0
    began = time.perf_counter()
    gc.disable()  # rows are many and live shortly; the collector would look at all of them again and again
    try:
        for chunk in works.chunks(CHUNK):
            done += len(filler.fill(chunk))
            if done % (20 * CHUNK) == 0:
                gc.collect()
        filler.finish()
    finally:
        gc.enable()
    took = time.perf_counter() - began
    store.database.tidy()
    rows, size = _rows_and_bytes(store.database)
    store.close()
    said = f"{took:.0f} s, {runs / took:.0f} runs/s, {rows / took:.0f} rows/s, {size / 1e6:.0f} MB"
    return Line(f"filling {runs:,} runs ({rows:,} rows), {kind}", said, "-", "-", "10 min for a million")


def _enlarge_cache(database: Database) -> None:
    if database.file is not None:
        with database.writer.connect() as connection:
            connection.exec_driver_sql(f"PRAGMA cache_size = -{CACHE_KB}")


def _rows_and_bytes(database: Database) -> tuple[int, int]:
    with database.read() as connection:
        names = inspect(connection).get_table_names()
        rows = sum(connection.execute(select(func.count()).select_from(table(name))).scalar_one() for name in names)
        if database.file is not None:
            return rows, database.file.stat().st_size
        return rows, int(connection.execute(text("SELECT pg_database_size(current_database())")).scalar_one())


def _ask(url: str, runs: int) -> Figures:
    if not url.startswith("sqlite"):
        _analyse(url)
    found = Figures(runs, {}, {}, {})
    queries = Queries(url)
    try:
        for question in questions(Asking(queries, YieldQueries(queries.database))):
            found.seconds[question.name] = _median_s(question.ours)
            _baselines(found, question)
    finally:
        queries.close()
    return found


def _baselines(found: Figures, question: Question) -> None:
    if question.plain is not None:
        found.plain[question.name] = _median_s(question.plain)
    if question.pandas is not None:
        found.pandas[question.name] = _median_s(question.pandas)


def _analyse(url: str) -> None:
    """What a server does by itself a little later."""
    database = Database(url)
    with database.writer.connect().execution_options(isolation_level="AUTOCOMMIT") as connection:
        connection.exec_driver_sql("VACUUM ANALYZE")
    database.close()


def _median_s(ask: Callable[[], object]) -> float:
    """Of eleven turns, of three where one is slow; the first, which warms up, is left out."""
    first = _seconds(ask)
    return float(np.median([_seconds(ask) for _ in range(SLOW_TURNS if first > SLOW_S else TURNS)]))


def _seconds(ask: Callable[[], object]) -> float:
    began = time.perf_counter()
    ask()
    return time.perf_counter() - began


def _writes(kind: str, url: str, runs: int) -> Line:
    """close_run of units that come anew and units that come again, in turn."""
    store = SqlStore(url, STATION, keep_pass_every=1)
    content, specification = specifications()[0]
    store.keep_specification(content, specification, END)
    ends = [closing(seed, traces={"main": trace(seed, TRACE_SAMPLES)}) for seed in range(4)]
    took = []
    for index in range(WRITES):
        number = store.open_run(opening(f"NEW-{index // 2:05d}", END + timedelta(minutes=index)))
        took.append(_seconds(lambda number=number, index=index: store.close_run(number, ends[index % 4])))  # type: ignore[misc]
    store.close()
    worst = 1e3 * np.percentile(took, 99)
    said = f"{worst:.1f} ms (median {1e3 * np.median(took):.1f} ms)"
    return Line(f"writing a finished run beside {runs:,}, {kind}, 99th percentile", said, "-", "-", "under 20 ms")


def _question_lines(kind: str, found: list[Figures]) -> list[Line]:
    return [_question_line(kind, found, name) for name in found[0].seconds]


def _question_line(kind: str, found: list[Figures], name: str) -> Line:
    last = found[-1]
    said = " / ".join(_shown(one.seconds[name]) for one in found)
    beside = [f"{word}: {_shown(some[name])}" for word, some in (("plain", last.plain), ("pandas", last.pandas)) if name in some]
    ratio = f"{last.plain[name] / last.seconds[name]:.0f}" if name in last.plain else "-"
    sizes = " / ".join(f"{one.runs:,}" for one in found)
    return Line(f"{name}, {kind}, {sizes} runs", said, "; ".join(beside) or "-", ratio, LIMITS.get(name, "median under 100 ms"))


def _shown(seconds: float) -> str:
    return f"{1e3 * seconds:.1f} ms" if seconds < 1.0 else f"{seconds:.2f} s"


LIMITS = {
    "yield of 30 days by day": "under 200 ms; at most 2 times from 100 thousand to a million",
    "yield of all time by day": "under 1 s",
    "causes of 30 days": "at most 2 times from 100 thousand to a million",
    "failed units, page far down": "as the first page",
    "runs, page far down": "as the first page",
}
