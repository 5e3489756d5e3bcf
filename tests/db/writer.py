"""A station's writing as a process of its own, for tests that kill it. It says what was acknowledged, and nothing before."""

import resource
from multiprocessing.connection import Connection

from db.store import SqlStore
from station.errors import StoreUnavailable
from station.records import Verdict
from tests.db.making import STATION, closing, opening, trace

SAMPLES = 3000
PART = 1000


def verdict_of(number: int) -> Verdict:
    return (Verdict.FAIL, Verdict.PASS, Verdict.INVALID)[number % 3]


def write_for_ever(url: str, acknowledged: Connection) -> None:
    """Runs one after the other: opened, three parts, closed. Sends (word, run number) when the store has returned."""
    store = SqlStore(url, STATION)
    while True:
        number = store.open_run(opening())
        acknowledged.send(("open", number))
        for first in range(0, SAMPLES, PART):
            store.keep_part(number, trace(number, PART, first))
            acknowledged.send(("part", number))
        store.close_run(number, closing(number, verdict_of(number), traces={"main": trace(number, SAMPLES)}))
        acknowledged.send(("close", number))


def write_into_a_limit(url: str, answer: Connection, limit_bytes: int) -> None:
    """Keep parts until the operating system refuses to let a file grow; send how many were kept and what the error said."""
    store = SqlStore(url, STATION)
    number = store.open_run(opening())
    resource.setrlimit(resource.RLIMIT_FSIZE, (limit_bytes, limit_bytes))  # Python ignores SIGXFSZ: the write fails with EFBIG
    kept = 0
    try:
        while True:
            store.keep_part(number, trace(number, PART, kept * PART))
            kept += 1
    except StoreUnavailable as problem:
        answer.send((number, kept, str(problem)))
