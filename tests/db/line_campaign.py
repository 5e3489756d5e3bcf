"""Stations that write all the time while the server of their line is ended at once again and again and their forwarders are killed."""

import multiprocessing
import time
from collections import Counter
from collections.abc import Callable
from contextlib import ExitStack
from dataclasses import dataclass, field
from multiprocessing.context import ForkServerContext
from pathlib import Path
from typing import Any

import numpy as np
from sqlalchemy import select

from db.engine import Database
from db.forward import Forwarding
from db.migrate import create_or_require
from db.models_line import LineRecord
from db.store import SqlStore
from tests.db.line_making import differences, send_all
from tests.db.line_processes import forward_for_ever, write_until
from tests.db.making import SPECIFICATION, START, TEXT
from tests.own_postgres import OwnServer

STATIONS = ("mossgate-1", "mossgate-2")


@dataclass(slots=True)
class Found:
    """What a campaign did and found. differing: what the line has otherwise than a station, at the end."""

    runs: dict[str, int] = field(default_factory=dict)
    records: Counter[str] = field(default_factory=Counter)
    plugs: int = 0
    kills: int = 0
    away_s: float = 0.0
    waited: int = 0
    refill_s: float = 0.0
    differing: list[str] = field(default_factory=list)


def processes() -> ForkServerContext:
    """Processes that start in milliseconds, since their modules are imported once."""
    context = multiprocessing.get_context("forkserver")
    context.set_forkserver_preload(["tests.db.line_processes"])
    return context


def campaign(folder: Path, seconds: float, seed: int, pause_s: float = 0.02, away_s: tuple[float, float] = (0.5, 1.5)) -> Found:
    """Write at both stations for so long. away_s: how long the server stays away each time, from and to."""
    found, random = Found(), np.random.default_rng(seed)
    with ExitStack() as last:
        server = OwnServer()
        last.callback(server.remove)
        server.start()
        server.make_database()
        create_or_require(server.url)
        urls = {name: _station(folder / f"{name}.db", name) for name in STATIONS}
        context = processes()
        stop = context.Event()
        writers = {name: _writer(context, url, name, seed + index, pause_s, stop) for index, (name, url) in enumerate(urls.items())}
        forwarders = {name: _forwarder(context, url, name, server.url) for name, url in urls.items()}
        last.callback(lambda: [process.kill() for process in forwarders.values()])
        last.callback(stop.set)
        _trouble(found, random, server, forwarders, seconds, away_s, lambda name: _forwarder(context, urls[name], name, server.url))
        stop.set()
        for name, (process, receiver) in writers.items():
            found.runs[name] = receiver.recv()
            process.join()
            receiver.close()
        for process in forwarders.values():
            process.kill()
            process.join()
        server.start()
        _settle(found, urls, server.url)
    return found


def _trouble(
    found: Found,
    random: np.random.Generator,
    server: OwnServer,
    forwarders: dict[str, Any],
    seconds: float,
    away_s: tuple[float, float],
    again: Callable[[str], Any],
) -> None:
    """Plugs pulled and processes killed at random instants. It ends with the server away, so that something waits at the end."""
    until = time.monotonic() + seconds
    while True:
        time.sleep(random.uniform(0.3, 1.2))
        for name in random.permutation(list(forwarders))[: int(random.integers(1, 3))]:
            forwarders[name].kill()
            forwarders[name].join()
            forwarders[name] = again(name)
            found.kills += 1
            time.sleep(random.uniform(0.0, 0.3))
        server.pull_the_plug()
        found.plugs += 1
        began = time.monotonic()
        time.sleep(random.uniform(*away_s))
        found.away_s += time.monotonic() - began
        if time.monotonic() > until and found.plugs > 1:
            return
        server.start()


def _settle(found: Found, urls: dict[str, str], line_url: str) -> None:
    """Send what still waits, then compare."""
    line = Database(line_url)
    stations = {name: Database(url) for name, url in urls.items()}
    senders = {name: Forwarding(stations[name], name, line_url) for name in urls}
    for sender in senders.values():
        sender.begin(START)  # as at every start: a forwarder may have been killed each time before it came so far
    found.waited = sum(sender.waiting().count for sender in senders.values())
    began = time.monotonic()
    for name, sender in senders.items():
        left = send_all(sender)
        found.differing += [f"{name}: {left.refused} refused, first {left.refusal}"] if left.count else []
    found.refill_s = time.monotonic() - began
    for name, station in stations.items():
        found.differing += [f"{name}: {one}" for one in differences(station, line, name)]
    with line.read() as connection:
        found.records = Counter(connection.scalars(select(LineRecord.kind)))
    for sender in senders.values():
        sender.close()
    for database in (*stations.values(), line):
        database.close()


def _station(file: Path, name: str) -> str:
    url = f"sqlite:///{file}"
    create_or_require(url)
    store = SqlStore(url, name)
    store.keep_specification(TEXT, SPECIFICATION, START)
    store.close()
    return url


def _writer(context: ForkServerContext, url: str, name: str, seed: int, pause_s: float, stop: Any) -> tuple[Any, Any]:
    receiver, sender = context.Pipe(duplex=False)
    process = context.Process(target=write_until, args=(url, name, seed, pause_s, stop, sender))
    process.start()
    sender.close()
    return process, receiver


def _forwarder(context: ForkServerContext, url: str, name: str, line: str) -> Any:
    process = context.Process(target=forward_for_ever, args=(url, name, line))
    process.start()
    return process
