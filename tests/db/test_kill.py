"""A writer killed at any instant, and a disk that refuses: nothing that was acknowledged is lost, nothing is left half."""

import multiprocessing
from collections.abc import Callable, Iterator
from multiprocessing.connection import Connection
from multiprocessing.context import ForkServerContext
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from db.backup import problems_in
from db.queries import Queries
from db.rows import RunFilter
from db.store import SqlStore
from station.errors import NotFound
from station.records import Verdict
from tests.db.making import START, STATION, trace
from tests.db.writer import PART, SAMPLES, verdict_of, write_for_ever, write_into_a_limit

KILLS = 20
SEED = 54


@pytest.fixture(scope="module")
def processes() -> ForkServerContext:
    """Processes that start in milliseconds, since their modules are imported once."""
    context = multiprocessing.get_context("forkserver")
    context.set_forkserver_preload(["tests.db.writer"])
    return context


def heard(acknowledged: Connection) -> Iterator[tuple[str, int]]:
    while True:
        try:
            yield acknowledged.recv()
        except EOFError:
            return


def kill_once(processes: ForkServerContext, url: str, delay_s: float) -> list[tuple[str, int]]:
    receiver, sender = processes.Pipe(duplex=False)
    writer = processes.Process(target=write_for_ever, args=(url, sender))
    writer.start()
    sender.close()
    said = [receiver.recv()]
    writer.join(delay_s)
    writer.kill()
    writer.join()
    said += heard(receiver)
    receiver.close()
    writer.close()
    return said


def check(queries: Queries, said: list[tuple[str, int]]) -> None:
    """Every acknowledged step is there, whole."""
    closed = {number for word, number in said if word == "close"}
    for number in {number for word, number in said if word == "open"}:
        run = queries.run(number)
        kept = sum(1 for word, other in said if (word, other) == ("part", number)) * PART
        if number in closed:
            assert run.run.verdict == verdict_of(number), f"run {number}, seed {SEED}"
            assert len(queries.flicks(number)) == 8
            kept = SAMPLES if verdict_of(number) is not Verdict.PASS or number % 20 == 1 else 0
        elif run.run.verdict != "invalid":
            assert run.run.verdict == verdict_of(number)  # closed, but killed before it could say so
            continue
        samples = run.traces.get("main", 0)
        assert samples >= kept, f"run {number}, seed {SEED}"
        if samples:
            whole = trace(number, samples)
            np.testing.assert_array_equal(queries.recording(number).y_v, whole.codes[:, 1] * whole.scale_v)
        else:
            with pytest.raises(NotFound):
                queries.recording(number)


def test_kills_lose_nothing_acknowledged(file_url: str, new_store: Callable[..., SqlStore], processes: ForkServerContext) -> None:
    store, queries = new_store(file_url), Queries(file_url)
    rng = np.random.default_rng(SEED)
    interrupted: list[int] = []
    everything: list[tuple[str, int]] = []
    for _ in range(KILLS):
        said = kill_once(processes, file_url, float(rng.uniform(0.0, 0.08)))
        left_open = [run.number for run in queries.runs(RunFilter(verdict="open")).items]
        assert store.close_interrupted(STATION, START) == left_open
        assert len(left_open) <= 1
        interrupted += left_open
        check(queries, said)
        everything += said
    check(queries, everything)
    assert len(everything) > 3 * KILLS
    assert interrupted
    for number in interrupted:
        assert queries.run(number).run.reasons == ("interrupted",)
    queries.close()
    store.close()
    assert problems_in(Path(file_url.removeprefix("sqlite:///"))) == []


@pytest.mark.parametrize("beyond_bytes", [8_000, 40_000, 200_000])
def test_a_disk_that_refuses_to_write(
    file_url: str, new_store: Callable[..., SqlStore], processes: ForkServerContext, beyond_bytes: int
) -> None:
    """EFBIG from the operating system: an I/O error in the middle of a transaction."""
    store = new_store(file_url)
    assert store.database.tidy()
    file = Path(file_url.removeprefix("sqlite:///"))
    receiver, sender = processes.Pipe(duplex=False)
    writer: Any = processes.Process(target=write_into_a_limit, args=(file_url, sender, file.stat().st_size + beyond_bytes))
    writer.start()
    sender.close()
    number, kept, told = receiver.recv()
    writer.join()
    receiver.close()
    assert writer.exitcode == 0
    assert "the disk reports an error" in told or "the disk is full" in told
    assert store.close_interrupted(STATION, START) == [number]
    queries = Queries(file_url)
    assert queries.run(number).traces == ({"main": kept * PART} if kept else {})
    queries.close()
    store.close()
    assert problems_in(file) == []
