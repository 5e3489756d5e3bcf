"""Orders and what hangs on them for the tests of the store."""

from datetime import timedelta
from typing import Any

from db.rework import ReworkStore
from db.store import SqlStore
from station.records import Verdict
from station.rework import Checked, EstimateRow, Followed, Job, Lesson, LotKey, Part
from tests.db.making import START, STATION, closing, opening

LOT = LotKey("dunlin-2", "ML-2607", True)
MINUTE = timedelta(minutes=1)
STEP: dict[str, Any] = {
    "stick": "main",
    "axis": "x",
    "solder": True,
    "capacitance_f": 4.7e-7,
    "value": "0.47 uF",
    "marking": "474",
    "where": "between the x axis signal and ground: pads X SIG and GND",
    "in_words": "Fit 0.47 uF (474): mean peak 19.4 counts.",
    "help": [],
}


def rework_of(store: SqlStore) -> ReworkStore:
    return ReworkStore(store.database, STATION)


def run(store: SqlStore, verdict: Verdict = Verdict.FAIL, serial: str = "DL2-00001", minute: int = 0, **changes: Any) -> int:
    """A closed run; the parts it carries are those known of the unit, unless given."""
    at = START + minute * MINUTE
    changes = {"fitted": store.fitted(serial), **changes}
    number = store.open_run(opening(serial, at, **changes))
    store.close_run(number, closing(number, verdict, at + timedelta(seconds=20)))
    return number


def failed(store: SqlStore, serial: str = "DL2-00001", minute: int = 0, tries_max: int = 3, **changes: Any) -> int:
    """The order that a failed run opens."""
    return follow(store, run(store, Verdict.FAIL, serial, minute, **changes), tries_max).order


def follow(store: SqlStore, number: int, tries_max: int = 3) -> Followed:
    return rework_of(store).follow(number, tries_max, START + number * MINUTE)


def job(store: SqlStore, kind: str) -> Job:
    """The only job of a kind."""
    (found,) = [one for one in rework_of(store).jobs() if one.kind == kind]
    return found


def document(source: str = "specification") -> dict[str, Any]:
    axis = {"outcome": "fit", "candidates": [], "recommended_f": 4.7e-7, "cautions": []}
    return {"format": "restpoint-advice/1", "axes": {"x": axis, "y": axis}, "track": {"source": source}, "cautions": []}


def lesson(axis: str = "x", predicted: float | None = 19.5, measured: float | None = 19.4, finding: str = "as-recorded") -> Lesson:
    return Lesson("main", axis, 4.7e-7, predicted, measured, finding, "specification", {"ohm": 10_200.0, "predicted_counts": predicted})


def advise(store: SqlStore) -> Job:
    one = job(store, "advice")
    rework_of(store).keep_advice(one, {"main": document()}, [STEP], "0.1.0", START)
    return one


def retested(store: SqlStore, order: int, verdict: Verdict, minute: int, farads: float = 4.7e-7, serial: str = "DL2-00001") -> int:
    """A part is recorded, the unit is tested, the run is followed up. Returns the run's number."""
    rework_of(store).fit(order, Part("main", "x", farads, "474"), "a. marsh", START + minute * MINUTE)
    number = run(store, verdict, serial, minute)
    assert follow(store, number).order == order
    return number


def checked() -> Checked:
    return Checked("", {"main x": {"finding": "as-recorded", "in_words": "x acts as recorded."}}, (lesson(),))


def estimate(retests: int = 1) -> EstimateRow:
    return EstimateRow(
        LOT, 0, f"{retests:08x}", f"lot ML-2607, {retests} retests", retests, 10_100.0, 0.15, False, {"method": "made for a test"}, START
    )


def one_of_everything(store: SqlStore) -> None:
    """Rows in every table of the rework loop, for a database that has a failed first run and no order."""
    from sqlalchemy.orm import Session

    from db.models_rework import LedgerEntry

    rework = rework_of(store)
    order = follow(store, 1).order
    advise(store)
    rework.fit(order, Part("main", "y", 1e-7, "104"), "a. marsh", START)
    figures: dict[str, Any] = {
        "predicted_counts": 19.5,
        "measured_counts": None,
        "finding": "as-recorded",
        "source": "",
        "document": {},
        "made_at": START,
    }
    place = {"order_key": order, "try_number": 1, "stick": "main", "axis": "y", "run_number": 1, "farads": 1e-7}

    def enter(session: Session, _again: bool) -> None:
        session.add(LedgerEntry(**place, **figures, product="dunlin-2", lot="ML-2607", emulated=True))

    store.database.write(enter)
    rework.keep_estimate(estimate(), 1)
