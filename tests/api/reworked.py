"""A store with units in every stage of rework, advised on and checked by the product's own adviser, and a service over it."""

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from pathlib import Path

from fastapi import FastAPI

from api.clock import SystemClock
from api.http.access import Access
from api.http.app import build_app
from api.http.settings import WebSettings
from api.pads import read_pad_maps
from db.migrate import create_or_require
from db.queries import Queries
from db.rework import ReworkStore
from db.store import SqlStore
from station.records import Fitted
from station.service.adviser import Adviser, AdviserNeeds
from station.service.reckoner import StationReckoning
from station.service.rework_desk import OrderDesk
from tests.api.fakes import FakeDesk
from tests.api.filled import SPECIFICATION, SPECIFICATION_TEXT, START, STATION, Story, add_run
from tests.truth import Scene

PADS = read_pad_maps(Path(__file__).parents[2] / "rigs" / "profiles" / "pads")
ORDER = ("x+", "x-", "y+", "y-") * 8
SNAPS_X = Scene(peak_counts={"x+": 24.5, "x-": 24.0}, ring_hz=90.0, order=ORDER)
SNAPS_Y = Scene(peak_counts={"y+": 25.0, "y-": 24.5}, ring_hz=90.0, order=ORDER)
SNAPS_BOTH = Scene(peak_counts={"x+": 27.5, "x-": 27.0, "y+": 25.0, "y-": 24.5}, ring_hz=90.0, order=ORDER)
WILD = Scene(peak_counts={"x+": 55.0, "x-": 56.0}, ring_hz=45.0, order=ORDER)
QUIET = Scene(peak_counts=dict.fromkeys(("x+", "x-", "y+", "y-"), 12.0), order=("x+", "x-", "y+", "y-") * 14)

CLOSED, TO_SOLDER, SECOND_TRY, HOPELESS, TO_RETEST, WITHDRAWN = range(1, 7)
"""Orders by number."""


@dataclass
class Workshop:
    """Tests units, lets the adviser work, and records parts."""

    store: SqlStore
    minutes: int = 0

    def __post_init__(self) -> None:
        self.book, self.clock, reckon = ReworkStore(self.store.database, STATION), SystemClock(), StationReckoning()
        self.adviser = Adviser(AdviserNeeds(self.book, self.clock, PADS, "0.1.0", lambda kind, data: None, reckon))
        self.desk = OrderDesk(self.book, self.clock, PADS, lambda order, sentence: None, reckon)

    def test(self, serial: str, scene: Scene, seed: int = 0, lot: str = "ML-2607") -> int:
        """One run with the parts on record, followed up; its number."""
        self.minutes += 1
        fitted = self.store.fitted(serial).get("main", Fitted())
        number = add_run(self.store, Story(serial, scene, fitted, lot), self.now, seed)
        self.adviser.run_ended(number)
        self.adviser.work()
        return number

    @property
    def now(self) -> datetime:
        return START + timedelta(minutes=self.minutes)


def reworked_store(folder: Path) -> str:
    """Address of a database with one order in each stage, in the order of the constants above, and a unit that passed."""
    url = f"sqlite:///{folder / 'results.sqlite'}"
    create_or_require(url)
    store = SqlStore(url, STATION, keep_pass_every=1)
    try:
        store.keep_specification(SPECIFICATION_TEXT, SPECIFICATION, START)
        _fill(Workshop(store))
    finally:
        store.close()
    return url


def _fill(shop: Workshop) -> None:
    for number, scene in enumerate((SNAPS_X, SNAPS_BOTH, SNAPS_X, WILD, SNAPS_Y, SNAPS_Y), start=1):
        shop.test(f"DN-010{number}", scene, number)
    shop.test("DN-0107", QUIET, 7)
    for order in (CLOSED, SECOND_TRY):
        shop.desk.fit(order, "main", "x", "474", "a. marsh")
    shop.desk.fit(TO_RETEST, "main", "y", "474K", "a. marsh")
    shop.test("DN-0101", replace(SNAPS_X, capacitance_f=(4.7e-7, 0.0), order=ORDER * 4), 11)
    shop.test("DN-0103", SNAPS_X, 13)  # a dry joint: nothing acts
    shop.test("DN-0108", QUIET, 17, "ML-2611")  # nobody asks for advice on it
    shop.desk.withdraw(WITHDRAWN, "b. reed", "sent back to the customer")


@contextmanager
def reworked_app(url: str, settings: WebSettings) -> Iterator[FastAPI]:
    """The web application over such a database, with a desk that records."""
    store, queries = SqlStore(url, STATION), Queries(url)
    try:
        yield build_app(FakeDesk(), queries, Access(), settings, Workshop(store).desk)
    finally:
        queries.close()
        store.close()
