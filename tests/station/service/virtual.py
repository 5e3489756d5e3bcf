"""A whole station in virtual time: worker, driver, emulated rig over the same bytes, and a real database file."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from db.migrate import create_or_require
from db.queries import Queries
from db.store import SqlStore
from rigs.driver.dialogue import RigDriver
from rigs.emulated.bench import Bench, demo_bench
from rigs.emulated.hands import Hands
from rigs.emulated.ills import Ills
from rigs.emulated.rig import EmulatedRig
from rigs.emulated.settings import RigSettings
from rigs.emulated.units import EmulatedUnit, StickProperties
from rigs.emulated.virtual import LoopbackTransport, VirtualClock
from station.ports.desk import RigView
from station.proof import Kind
from station.records import RunEvent, UnitIdentity
from station.service.events import EventRing
from station.service.ordering import Surroundings
from station.service.proving.conductor import Proving
from station.service.proving.course import Course
from station.service.shelf import SpecificationShelf
from station.service.watchman import Watchman
from station.service.worker import RigWorker
from station.specification import Specification, parse_specification
from tests.station.service.books import MemoryBook, calibration_there

TURNS_MAX = 100  # of the worker's loop, before a wait is given up; an unlinked turn is the shortest, 20 ms


@dataclass(slots=True)
class VirtualStation:
    """One rig, its worker and its database. `test` is what an operator does with one unit."""

    rig: EmulatedRig
    hands: Hands
    ills: Ills
    cable: LoopbackTransport
    clock: VirtualClock
    store: SqlStore
    queries: Queries
    worker: RigWorker
    events: EventRing
    book: MemoryBook

    def turn(self, times: int = 5) -> RigView:
        for _ in range(times):
            self.worker.turn()
        return self.worker.view()

    def load(self, serial: str | None = None, operator: str = "tester") -> UnitIdentity:
        """Guard open, unit in, guard closed, serial scanned."""
        self.hands.open_guard()
        self.turn()
        if self.rig.plant.panel.clamp_closed:
            self.hands.unclamp()
            self.turn()
        label = self.hands.clamp(serial)
        self.hands.close_guard()
        self.turn()
        if self.worker.view().state == "fault":  # its cause has gone: the stop is released, clamp and guard are closed
            self.worker.do_reset()
            self.turn()
        unit = UnitIdentity(label["serial"], label["product"], label["lot"])
        self.worker.do_scan(unit, operator)
        self.turn()
        return unit

    def run(self) -> RigView:
        """Start pressed, until the run has ended."""
        before = self.worker.view().last_run
        self.hands.press_start()
        for _ in range(TURNS_MAX):
            self.worker.turn()
            if self.worker.view().last_run not in (0, before):
                return self.worker.view()
        raise AssertionError(f"no run ended: {self.worker.view().sentence}")

    def test(self, serial: str | None = None) -> RigView:
        self.load(serial)
        return self.run()

    def notices(self) -> list[str]:
        return [event.data["sentence"] for _, event in self.events.recent() if event.kind == "notice"]

    def told(self, kind: str) -> list[RunEvent]:
        return [event for _, event in self.events.recent() if event.kind == kind]

    def close(self) -> None:
        self.queries.close()
        self.store.close()


def virtual_station(
    folder: Path,
    specification: Specification,
    text: str,
    bench: Bench | None = None,
    settings: RigSettings | None = None,
    *,
    calibrated: bool = True,
    courses: Callable[[MemoryBook], Mapping[Kind, Course]] | None = None,
) -> VirtualStation:
    """A station whose worker is linked; nothing is clamped yet. calibrated: whether the rig has a calibration in force."""
    url = f"sqlite:///{folder / 'results.db'}"
    create_or_require(url)
    store, clock, events = SqlStore(url, "mossgate-1", keep_pass_every=1), VirtualClock(), EventRing()
    store.keep_specification(text, specification, clock.utc())
    rig = EmulatedRig(7, bench or demo_bench(7), settings)
    cable = LoopbackTransport(rig, clock)
    shelf = SpecificationShelf([specification])
    book = MemoryBook()
    if calibrated:
        book.outcomes.append(calibration_there(rig.plant.settings.rig_id, rig.plant.settings.firmware, clock.utc()))
    proving = Proving("mossgate-1", book, clock, courses(book) if courses else {}, shelf.of, store.fitted)
    around = Surroundings("mossgate-1", "0.1.0", clock, store, shelf, events, Watchman(store.monitors()), proving)
    worker = RigWorker(RigDriver("rig-1", cable, clock), around)
    station = VirtualStation(rig, Hands(rig), Ills(rig, cable), cable, clock, store, Queries(url), worker, events, book)
    station.turn()
    return station


def one_unit(properties: StickProperties | None = None, sticks: tuple[str, ...] = ("main",), **figures: Any) -> Bench:
    """A bench with one unit, D2-1, whose sticks are all alike."""
    stick = properties or StickProperties(**figures)
    return Bench([EmulatedUnit("DN2-00001", "dunlin-2", "ML-2607", "made", dict.fromkeys(sticks, stick))], 1, sticks=sticks)


def with_sticks(text: str, names: tuple[str, ...]) -> tuple[str, Specification]:
    """The specification of a product with several sticks."""
    listed = ", ".join(f'"{name}"' for name in names)
    changed = text.replace("reach_counts = 77.0", f"reach_counts = 77.0\nnames = [{listed}]")
    return changed, parse_specification(changed)
