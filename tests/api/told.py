"""A database with a history of runs and rework for the doors' tests of yield, and an app over it."""

import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from fastapi import FastAPI

from api.http.access import Access
from api.http.app import build_app
from api.http.settings import WebSettings
from db.filling import Filler
from db.migrate import create_or_require
from db.queries import Queries
from db.queries.rework import ReworkQueries
from db.rework import ReworkStore
from db.rows_rework import OrderFilter
from db.store import SqlStore
from station.records import Verdict
from station.rework import State
from station.shifts import shift_times
from tests.api.fakes import FakeDesk
from tests.db.making import STATION
from tests.db.making_yields import history, keep_products, of_unit

ZONE = "Europe/Berlin"
CONFIG = f'[station]\nname = "{STATION}"\nzone = "{ZONE}"\nshifts = ["06:00", "14:00", "22:00"]\n'
SEED = 5


@dataclass(frozen=True)
class Told:
    """url: of the database. settings: as CONFIG gives them."""

    url: str
    config: Path

    @property
    def settings(self) -> WebSettings:
        return WebSettings(station=STATION, version="0.1.0", zone=ZONE, shifts=shift_times(["06:00", "14:00", "22:00"]))


def told_history(folder: Path, runs: int = 110) -> Told:
    """A new database. Every third order is scrapped, every third withdrawn."""
    told = Told(f"sqlite:///{folder / 'told.sqlite'}", folder / "station.toml")
    told.config.write_text(CONFIG, encoding="utf-8")
    create_or_require(told.url)
    store = SqlStore(told.url, STATION)
    try:
        keep_products(store)
        filler = Filler(store)
        if runs:
            filler.fill(history(SEED, runs=runs))
        filler.finish()
        end_orders(store)
    finally:
        store.close()
    return told


def end_orders(store: SqlStore) -> None:
    """By a person."""
    queries, book = ReworkQueries(store.database), ReworkStore(store.database, STATION)
    for row in queries.orders(OrderFilter(state="active"), limit=500).items:
        if row.order % 3:
            state = State.SCRAPPED if row.order % 3 == 1 else State.WITHDRAWN
            book.end_order(row.order, state, "a. marsh", "for a test", row.changed_at)


def copied(told: Told, folder: Path) -> Told:
    """The same data in a database of its own. Nobody may have it open."""
    file = Path(shutil.copy(told.url.removeprefix("sqlite:///"), folder))
    return Told(f"sqlite:///{file}", told.config)


def add_failed(url: str, serial: str, **changes: Any) -> int:
    """One more failed run, begun after all others."""
    store, runs = SqlStore(url, STATION), history(SEED)
    try:
        failed = max((run for run in runs if run.closing.verdict is Verdict.FAIL), key=lambda run: run.opening.started_at)
        run = of_unit(failed, serial, **changes)
        number = store.open_run(run.opening)
        store.close_run(number, run.closing)
        return number
    finally:
        store.close()


@contextmanager
def app_over(told: Told) -> Iterator[FastAPI]:
    """The app, its connections given back afterwards."""
    queries = Queries(told.url)
    try:
        yield build_app(FakeDesk(), queries, Access(), told.settings)
    finally:
        queries.close()
