"""The pooled monitor over runs: switches to counting on rare big flicks, survives a restart, is set back by a person."""

from pathlib import Path

import numpy as np
import pytest

from station.errors import NotFound, UsageError
from station.quantities import GROUPS
from station.records import FlickTable, Score, Verdict
from station.service.station import Station
from station.service.watchman import Watchman
from station.service.worker import Surroundings
from station.specification import Specification
from tests.station.service.virtual import VirtualStation


def score(peaks: dict[str, list[float]]) -> Score:
    """A score whose groups used all of these peaks."""
    names = [group for group, some in peaks.items() for _ in some]
    flat = np.array([peak for some in peaks.values() for peak in some])
    table = FlickTable(np.array([GROUPS.index(name) for name in names], np.int8), {"peak_counts": flat}, ((),) * len(flat))
    groups = {group: {"flicks_used": len(some)} for group, some in peaks.items()}
    return Score(Verdict.PASS, (), {}, groups, table)


def unit(seed: int, rare: bool) -> dict[str, Score]:
    random = np.random.default_rng(seed)
    peaks = {group: list(random.normal(12.0, 0.7, 11)) for group in GROUPS}
    if rare:
        peaks["x+"][-1] = 40.0
    return {"main": score(peaks)}


def test_rare_big_flicks_switch_to_counting_and_a_person_sets_it_back(dunlin: Specification) -> None:
    watchman = Watchman({})
    for seed in range(200):
        watchman.take(dunlin, unit(seed, rare=False))
    assert watchman.mode(dunlin) == "guarded"
    assert watchman.alarms() == {}
    document = {}
    for seed in range(200, 260):
        document = dict(watchman.take(dunlin, unit(seed, rare=seed % 5 == 0)))
    assert watchman.mode(dunlin) == "count"
    assert "dunlin-2 A" in watchman.alarms()
    again = Watchman({dunlin.label: document})  # after a restart of the service
    assert again.mode(dunlin) == "count"
    again.set_back(dunlin.label)
    assert again.mode(dunlin) == "guarded"
    assert again.set_back("nobody B") is None


def test_a_switched_station_counts_and_says_so_in_the_record(bench: VirtualStation, short: Specification, tmp_path: Path) -> None:
    around: Surroundings = bench.worker._around
    for seed in range(60):
        around.watchman.take(short, unit(seed, rare=seed % 3 == 0))
    view = bench.test()
    detail = bench.queries.run(view.last_run)
    groups = detail.sticks["main"].groups
    assert {one["decision"]["mode"] for one in groups.values()} == {"count"}
    assert {one["decision"]["accepted_by"] for one in groups.values()} == {"count, 189 flicks"}
    assert bench.store.monitors()[short.label]["switched"] is True
    station = Station([], around)
    with pytest.raises(UsageError):
        station.set_back(short.label, "engineer", " ")
    with pytest.raises(NotFound):
        station.set_back("other B", "engineer", "loose cable")
    station.set_back(short.label, "engineer", "loose cable at the probe")
    assert bench.store.monitors()[short.label]["switched"] is False
    assert "loose cable" in bench.notices()[-1]
    assert bench.test().verdict == "fail"  # the demo bench's second unit, in few flicks again
