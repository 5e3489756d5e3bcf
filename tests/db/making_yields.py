"""Histories of runs for the tests of yield, made from a seed, and a store filled with one: run by run, closed out of order."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np

from db.filling import FinishedRun
from db.rework import ReworkStore
from db.store import SqlStore
from station.quantities import GROUPS
from station.records import FlickTable, RunClosing, RunOpening, Score, UnitIdentity, Verdict
from station.rework import State
from station.specification import Specification, parse_specification
from tests.db.making import STATION, TEXT, opening, rig

BERLIN = ZoneInfo("Europe/Berlin")
AUTUMN = datetime(2026, 10, 23, 22, 0, tzinfo=UTC)  # the clock goes back on the 25th at 01:00 UTC: that day has 25 hours
SPRING = datetime(2026, 3, 26, 23, 0, tzinfo=UTC)  # it goes forward on the 29th at 01:00 UTC: 23 hours
DAYS = 5
REASONS = ("snapback", "sluggish", "off-centre", "dead-channel")
RUNS = 110


@dataclass(frozen=True, slots=True)
class Product:
    text: str
    specification: Specification

    @property
    def sticks(self) -> tuple[str, ...]:
        return self.specification.stick.names


def product(name: str = "dunlin-2", revision: str = "A", sticks: tuple[str, ...] = ("main",), zone: float = 22.0) -> Product:
    listed = ", ".join(f'"{stick}"' for stick in sticks)
    text = TEXT.replace('name = "dunlin-2"', f'name = "{name}"').replace('revision = "A"', f'revision = "{revision}"')
    text = text.replace("[stick]\n", f"[stick]\nnames = [{listed}]\n").replace(
        "neutral_zone_counts = 22.0", f"neutral_zone_counts = {zone}"
    )
    return Product(text, parse_specification(text))


PRODUCTS = (product(), product(revision="B", zone=24.0), product("plover-1", sticks=("right", "left")))


def instants(rng: np.random.Generator, begin: datetime, count: int) -> list[datetime]:
    """Some at any time, some at a local midnight or a shift's begin or a microsecond before."""
    found = []
    for _ in range(count):
        at = begin + timedelta(hours=float(rng.uniform(-2.0, 24.0 * DAYS + 2.0)))
        if rng.random() < 0.3:
            wall = at.astimezone(BERLIN).replace(hour=int(rng.choice([0, 2, 6, 14, 22])), minute=0, second=0, microsecond=0)
            at = wall.astimezone(UTC) - timedelta(microseconds=int(rng.integers(0, 2)))
        found.append(at)
    return sorted(found)


def history(seed: int, begin: datetime = AUTUMN, runs: int = RUNS) -> list[FinishedRun]:
    """Finished runs in the order of their beginning. A unit may change its lot and be tested by real and emulated rigs."""
    rng = np.random.default_rng(seed)
    return [_finished(rng, at, index) for index, at in enumerate(instants(rng, begin, runs))]


def _finished(rng: np.random.Generator, at: datetime, index: int) -> FinishedRun:
    unit = int(rng.integers(0, RUNS // 2))
    which = PRODUCTS[2] if unit % 3 == 0 else PRODUCTS[int(rng.integers(0, 2))]
    emulated, name = bool(rng.random() < 0.15), f"rig-{rng.integers(1, 3)}"
    changes: dict[str, Any] = {
        "rig": rig(emulated, f"R-{name}"),
        "rig_name": name,
        "specification": which.specification.label,
        "specification_digest": which.specification.digest,
        "operator": str(rng.choice(["a. marsh", "b. sedge", ""])),
        "product": which.specification.name,
        "lot": str(rng.choice(["ML-2607", "ML-2609", ""])),
        "fitted": {},
    }
    verdict = Verdict(str(rng.choice(list(Verdict), p=[0.5, 0.35, 0.08, 0.07])))
    return FinishedRun(opening(f"U-{unit:03d}", at, **changes), _closing(rng, verdict, which.sticks, at, index))


def _closing(rng: np.random.Generator, verdict: Verdict, sticks: Sequence[str], at: datetime, index: int) -> RunClosing:
    scores = {} if verdict is Verdict.INVALID else {stick: _score(rng, verdict) for stick in sticks}
    reasons = {reason for score in scores.values() for reason in score.reasons} or ({"rig-link"} if verdict is Verdict.INVALID else set())
    evidence = {"continues": 1} if rng.random() < 0.1 else {}
    return RunClosing(
        verdict, tuple(sorted(reasons)), f"Run {index}.", scores, {}, evidence, {"wall_s": 20.0}, at + timedelta(seconds=20), flicks=12
    )


def _score(rng: np.random.Generator, verdict: Verdict) -> Score:
    reasons: tuple[str, ...] = ()
    if verdict is Verdict.FAIL:
        codes = [str(code) for code in rng.choice(REASONS, int(rng.integers(1, 3)), replace=False)]
        reasons = tuple(f"{code}:{_place(rng, code)}" for code in codes)
    dead = {reason[-1] for reason in reasons if reason.startswith("dead")}
    told = [group for group in GROUPS if group[0] not in dead and rng.random() < 0.95]
    groups = {group: _group(rng, verdict) for group in told}
    figures = {"rest_counts": {"x": float(rng.normal(128, 1)), "y": float(rng.normal(128, 1)) if rng.random() < 0.9 else float("nan")}}
    table = FlickTable(np.zeros(1, np.int8), {"peak_counts": np.ones(1)}, ((),))
    return Score(verdict, reasons, figures, groups, table)


def _place(rng: np.random.Generator, code: str) -> str:
    return str(rng.choice(["x", "y"] if code in ("off-centre", "dead-channel") else GROUPS))


def _group(rng: np.random.Generator, verdict: Verdict) -> dict[str, Any]:
    told = Verdict.PASS if verdict is Verdict.PASS else Verdict(str(rng.choice(["pass", "fail", "undecided"], p=[0.5, 0.3, 0.2])))
    return {
        "verdict": told,
        "flicks": 3,
        "flicks_used": 3,
        "peak_counts": {"mean": float(rng.normal(17, 2)) if rng.random() < 0.9 else None},
        "reach_counts": float(rng.normal(77, 2)),
        "return_s": float(rng.normal(0.006, 0.001)),
    }


def keep_products(store: SqlStore) -> None:
    for one in PRODUCTS:
        store.keep_specification(one.text, one.specification, AUTUMN)


def fill_one_by_one(store: SqlStore, runs: Sequence[FinishedRun], seed: int) -> list[int]:
    """Opened in order, closed in any. Numbers in the order of the runs."""
    keep_products(store)
    numbers = [store.open_run(run.opening) for run in runs]
    for index in np.random.default_rng(seed).permutation(len(runs)):
        store.close_run(numbers[index], runs[index].closing)
    return numbers


def rework(store: SqlStore, numbers: Sequence[int], runs: Sequence[FinishedRun], seed: int) -> None:
    """Every failed run is followed up; some orders are ended by a person."""
    rng, book = np.random.default_rng(seed), ReworkStore(store.database, STATION)
    for number, run in zip(numbers, runs, strict=True):
        if run.closing.verdict is not Verdict.FAIL:
            continue
        order = book.follow(number, 3, run.closing.ended_at).order
        end = State(str(rng.choice([State.OPEN, State.SCRAPPED, State.WITHDRAWN])))
        if order and end is not State.OPEN:
            book.end_order(order, end, "a. marsh", "for a test", run.closing.ended_at)


def of_unit(run: FinishedRun, serial: str, **changes: Any) -> FinishedRun:
    """The same run of another unit, or otherwise opened."""
    unit: UnitIdentity = replace(run.opening.unit, serial=serial)
    opened: RunOpening = replace(run.opening, unit=unit, **changes)
    return FinishedRun(opened, run.closing)
