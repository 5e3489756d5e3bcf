"""The whole way back in virtual time: a unit fails over the real bytes, is advised on, gets its part, is tested again, and is checked."""

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from api.pads import read_pad_maps
from db.rework import ReworkStore
from rigs.emulated.units import AxisProperties, StickProperties
from station.rework import RunFacts
from station.service.adviser import Adviser, AdviserNeeds
from station.service.reckoner import StationReckoning
from station.service.rework_desk import OrderDesk
from station.specification import Specification, parse_specification
from tests.station.service.virtual import VirtualStation, one_unit, virtual_station

PADS = Path(__file__).parents[3] / "rigs" / "profiles" / "pads"
SERIAL = "DN2-04102"  # the demo bench's unit that snaps back on x


@dataclass
class Floor:
    """A station, its adviser, and a technician."""

    station: VirtualStation
    serial: str
    said: list[tuple[str, Any]]

    def __post_init__(self) -> None:
        self.book = ReworkStore(self.station.store.database, "mossgate-1")
        pads, reckon = read_pad_maps(PADS), StationReckoning()
        self.adviser = Adviser(AdviserNeeds(self.book, self.station.clock, pads, "0.1.0", self.tell, reckon))
        self.desk = OrderDesk(self.book, self.station.clock, pads, lambda order, sentence: self.tell("rework", sentence), reckon)

    def tell(self, kind: str, data: Any) -> None:
        self.said.append((kind, data))

    def test(self) -> str:
        """One run, followed up. Its verdict."""
        view = self.station.test(self.serial)
        self.adviser.run_ended(view.last_run)
        self.adviser.work()
        return view.verdict

    def solder(self, axis: str, farads: float) -> None:
        """What is truly done to the stick; the unit is taken out of the clamp first."""
        self.station.hands.open_guard()
        self.station.turn()
        if self.station.rig.plant.panel.clamp_closed:
            self.station.hands.unclamp()
        self.station.rig.bench.unit(self.serial).fit("main", axis, farads)

    def record(self, part: str, axis: str = "x") -> None:
        assert self.desk.fit(1, "main", axis, part, "a. marsh")

    @property
    def order(self) -> Any:
        return self.book.order(1)

    def facts(self, number: int) -> RunFacts:
        return self.book.facts(number)


@pytest.fixture
def floor(bench: VirtualStation) -> Floor:
    return Floor(bench, SERIAL, [])


def wild(folder: Path, text: str, tries_max: int = 3) -> Floor:
    """A unit far beyond the zone that rings slowly: no part will do."""
    changed = text + f"\n[rework]\ntries_max = {tries_max}\n"
    stick = StickProperties(x=AxisProperties(damping_plus=0.28, damping_minus=0.28, ring_hz=52.0))
    return Floor(virtual_station(folder, parse_specification(changed), changed, one_unit(stick)), "DN2-00001", [])


@pytest.fixture
def hopeless(tmp_path: Path, spec_text: str) -> Iterator[Floor]:
    floor = wild(tmp_path, spec_text, tries_max=2)
    yield floor
    floor.station.close()


def test_the_right_part_closes_the_order(floor: Floor) -> None:
    assert floor.test() == "fail"
    step = floor.order.tries[0].steps[0]
    assert (step["axis"], step["solder"], step["marking"], step["capacitance_f"]) == ("x", True, "474", 4.7e-7)
    assert step["where"] == "between the x axis signal and ground: pads X SIG and GND"
    floor.solder("x", 4.7e-7)
    floor.record("474")
    assert floor.test() == "pass"
    detail = floor.order
    tried = detail.tries[0]
    assert (detail.order.state, tried.outcome, tried.findings["main x"]["finding"]) == ("closed", "passed", "as-recorded")
    assert floor.facts(2).fitted["main"].x_f == 4.7e-7  # the retest carried what was recorded
    (entry,) = floor.book.ledger().items
    assert entry.predicted_counts == pytest.approx(step["predicted_peak_counts"], abs=0.3)  # the same flicks, each direction weighing alike
    assert abs(entry.residual_counts or 99.0) < 1.0  # track tolerance 20 %, part as marked
    assert [(one.key.lot, one.retests, one.used) for one in floor.book.estimates()] == [("ML-2607", 1, False), (None, 1, False)]


def test_a_dry_joint_is_found_out_and_the_next_try_reckons_with_it(floor: Floor) -> None:
    floor.test()
    floor.record("0.47uF")  # soldered badly: nothing acts
    assert floor.test() == "fail"
    detail = floor.order
    finding = detail.tries[0].findings["main x"]
    assert (detail.order.state, detail.order.tries, detail.tries[0].outcome) == ("open", 2, "goes-on")
    assert finding["finding"] == "not-acting"
    assert "does not act" in finding["in_words"]
    assert finding["likelihoods"][0]["weight"] > 0.9
    assert floor.facts(2).acting["main"].x_f == 0.0
    assert detail.tries[1].steps[0]["action"] == "fit"  # not "replace": the part of the record does not act
    floor.solder("x", 4.7e-7)
    floor.record("474")
    assert floor.test() == "pass"
    assert floor.order.order.closing == "Run 3 passed after 2 tries."
    assert [one.finding for one in floor.book.ledger().items] == ["as-recorded", "not-acting"]


def test_a_part_of_another_value_is_named(floor: Floor) -> None:
    floor.test()
    floor.solder("x", 1e-7)
    floor.record("474")
    floor.test()
    finding = floor.order.tries[0].findings["main x"]
    assert finding["finding"] == "other-value"
    assert finding["acting_f"] == pytest.approx(1e-7, rel=0.5)


def test_a_unit_that_no_part_cures_says_what_would_and_is_scrapped_at_the_limit(hopeless: Floor) -> None:
    hopeless.test()
    step = next(one for one in hopeless.order.tries[0].steps if one["axis"] == "x")
    assert (step["action"], step["capacitance_f"], step["solder"]) == ("none-will-do", None, False)
    assert step["blocking"]
    assert any("stick module" in sentence for sentence in step["help"])
    for farads, text in ((4.7e-7, "474"), (6.8e-7, "684")):
        hopeless.solder("x", farads)
        hopeless.record(text)
        assert hopeless.test() == "fail"
    detail = hopeless.order
    assert (detail.order.state, [one.outcome for one in detail.tries]) == ("scrapped", ["goes-on", "scrapped"])
    assert "last of 2 tries: scrap the unit for its stick module" in detail.order.closing
    assert "limit on tries is reached" in hopeless.said[-1][1]["sentence"]


def test_a_retest_that_is_interrupted_leaves_the_order_as_it_is_and_says_so(floor: Floor) -> None:
    floor.test()
    floor.solder("x", 4.7e-7)
    floor.record("474")
    station = floor.station
    station.load(SERIAL)
    station.rig.at(station.rig.now_s + 3.0, station.hands.open_guard)
    assert station.run().verdict == "invalid"
    floor.adviser.run_ended(2)
    floor.adviser.work()
    assert floor.order.order.state == "fitted"
    assert "Run 2 was invalid (rig-guard) and says nothing of the unit: the order stays fitted" in floor.order.order.note
    station.hands.close_guard()
    station.turn()
    station.worker.do_reset()
    assert floor.test() == "pass"
    assert (floor.order.order.state, floor.order.order.note, floor.order.tries[0].retest_run) == ("closed", "", 3)


def test_the_lot_is_told_which_single_part_serves_it_best(floor: Floor) -> None:
    floor.test()
    for serial in (None, None):
        floor.station.test(serial)
    view = floor.desk.lot_advice("dunlin-2", "ML-2607")
    assert (view["format"], view["rests_on"]["units_tested"]) == ("restpoint-lot/1", 3)
    assert (view["sticks"], view["left_out"]) == (2, 1)  # the bench's third unit has a dead channel
    assert [value["capacitance_f"] for value in view["values"]] == [0.0, 1e-7, 1.5e-7, 2.2e-7, 3.3e-7, 4.7e-7, 6.8e-7]
    assert floor.book.advice(2) is not None  # made for the lot, and kept
    assert floor.desk.lot_advice("dunlin-2", "ML-2607") == view


def test_estimates_come_into_use_and_are_named(floor: Floor, short: Specification, monkeypatch: pytest.MonkeyPatch) -> None:
    from station.judge import learning_estimate

    monkeypatch.setattr(learning_estimate, "USABLE_FROM", 1)
    floor.test()
    floor.solder("x", 4.7e-7)
    floor.record("474")
    floor.test()
    newest = floor.book.estimates("dunlin-2", "ML-2607")[0]
    assert newest.used
    floor.station.test("DN2-04103")
    _, documents = floor.desk.advise(3)
    track = documents["main"]["track"]
    assert (track["source"], track["ohm"]) == (newest.name, newest.ohm)
    assert track["ohm"] != short.stick.track_ohm
