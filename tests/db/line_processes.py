"""A station that writes and a forwarder that sends, as processes of their own, for tests that pull plugs and kill."""

import time
from datetime import timedelta
from multiprocessing.connection import Connection
from multiprocessing.synchronize import Event

import numpy as np

from db.forward import Forwarding
from db.rework import ReworkStore
from db.store import SqlStore
from station.errors import StoreUnavailable
from station.records import Verdict
from station.rework import Meaning, Part
from tests.db.making import START, closing, opening, trace
from tests.db.making_proof import HEALTH
from tests.db.making_rework import STEP, checked, document

SERIALS = 40  # units that are tested again and again, at every station
SAMPLES = 2000
VERDICTS = (Verdict.PASS, Verdict.PASS, Verdict.FAIL, Verdict.FAIL, Verdict.UNDECIDED, Verdict.INVALID)
AWAY_S = 0.1  # the forwarder's pause while the line is away


def write_until(url: str, name: str, seed: int, pause_s: float, stop: Event, written: Connection) -> None:
    """Runs of units in any order, followed up, advised, fitted and checked, until told to stop; then says how many there were."""
    store = SqlStore(url, name)
    random, count = np.random.default_rng(seed), 0
    while not stop.is_set():
        one_run(store, random, count)
        count += 1
        time.sleep(pause_s)
    store.close()
    written.send(count)


def one_run(store: SqlStore, random: np.random.Generator, count: int) -> None:
    at = START + timedelta(seconds=30 * count + int(random.integers(10)))
    serial = f"DL2-{random.integers(SERIALS):05d}"
    verdict = VERDICTS[random.integers(len(VERDICTS))]
    number = store.open_run(opening(serial, at, station=store.station, fitted=store.fitted(serial), lot=f"ML-{2607 + count // 50}"))
    samples = {"main": trace(number, SAMPLES)}
    store.close_run(number, closing(number, verdict, at + timedelta(seconds=15), traces=samples, health=HEALTH, flicks=80))
    rework = ReworkStore(store.database, store.station)
    followed = rework.follow(number, 3, at)
    for job in rework.jobs():
        if job.kind == "check":
            rework.keep_check(job, checked(), at)
        else:
            rework.keep_advice(job, {"main": document()}, [STEP], "0.1.0", at)
    if followed.meaning is Meaning.OPENS:
        rework.fit(followed.order, Part("main", "x", 4.7e-7, "474"), "a. marsh", at)


def forward_for_ever(url: str, name: str, line: str) -> None:
    """Send whatever waits, and try again while the line is away. It is ended by a kill."""
    store = SqlStore(url, name)
    sender = Forwarding(store.database, name, line)
    sender.begin(START)
    while True:
        try:
            if not sender.send(START):
                time.sleep(0.01)
        except StoreUnavailable:
            time.sleep(AWAY_S)
