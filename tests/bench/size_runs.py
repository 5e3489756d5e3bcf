"""A works' runs made from a seed: units of several products on three rigs in two shifts a day, with retests, rework and what goes wrong.

Rates are chosen so that every sort of row is there in numbers a small works would know; nothing is measured from them.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np
from numpy.typing import NDArray

from db.filling import FinishedRun
from station.quantities import GROUPS
from station.records import Fitted, FlickTable, RunClosing, RunOpening, Score, UnitIdentity, Verdict
from station.specification import Specification, parse_specification
from tests.db.making import STATION, TEXT, rig, trace

END = datetime(2026, 11, 25, 21, 0, tzinfo=UTC)
RUNS_A_DAY = 2_000
SHIFT_BEGINS_H = 5.0  # UTC; two shifts of eight hours
SHIFTS_H = 16.0
ATTEMPTS = 6
POOL = 60  # different scores of each sort
TRACE_EVERY = 5_000
OPERATORS = ("a. marsh", "b. sedge", "c. fenn", "d. reed", "e. brook", "f. lowe")
PRODUCTS = (("dunlin-2", "A"), ("dunlin-2", "B"), ("teal-1", "A"), ("plover-1", "A"))
PRODUCT_SHARES = (0.35, 0.35, 0.2, 0.1)
STICKS = {"plover-1": ("left", "right")}
VERDICTS = (Verdict.PASS, Verdict.FAIL, Verdict.UNDECIDED, Verdict.INVALID)
FIRST_SHARES, RETEST_SHARES = (0.92, 0.06, 0.012, 0.008), (0.75, 0.22, 0.02, 0.01)
COMES_BACK = 0.9
EMULATED_SHARE = 0.01
INVALID_REASONS = ("rig-guard", "rig-link", "bad-recording", "rig-clamp")
CAUSES = (
    "snapback:{g}",
    "snapback:{g}",
    "snapback:{g}",
    "sluggish:{g}",
    "off-centre:{a}",
    "short-reach:{g}",
    "noisy-wiper:{a}",
    "dead-channel:{a}",
)


@dataclass(frozen=True, slots=True)
class Plan:
    """What every run is about, in the order in which they begin; columns of equal length."""

    start_s: NDArray[np.float64]
    unit: NDArray[np.int64]
    verdict: NDArray[np.int8]
    attempt: NDArray[np.int8]

    def __len__(self) -> int:
        return len(self.unit)


def specifications() -> list[tuple[str, Specification]]:
    """Texts and revisions of all products."""
    found = []
    for name, revision in PRODUCTS:
        text = TEXT.replace('name = "dunlin-2"', f'name = "{name}"').replace('revision = "A"', f'revision = "{revision}"')
        if name in STICKS:
            listed = ", ".join(f'"{stick}"' for stick in STICKS[name])
            text = text.replace("[stick]\n", f"[stick]\nnames = [{listed}]\n")
        if revision == "B":
            text = text.replace("reach_error_counts = 8.0", "reach_error_counts = 6.0")
        found.append((text, parse_specification(text)))
    return found


def plan(runs: int, seed: int) -> Plan:
    """Units come evenly over the shifts; an undecided or invalid run is made again soon, a failed one after rework."""
    rng = np.random.default_rng(seed)
    units = int(runs * 0.97) + 1
    days = max(1.0, runs / RUNS_A_DAY)
    at = np.sort(rng.uniform(0.0, days, units))
    start = _in_shift(at)
    unit, alive = np.arange(units), np.ones(units, bool)
    columns: list[tuple[Any, ...]] = []
    for attempt in range(ATTEMPTS):
        shares = FIRST_SHARES if attempt == 0 else RETEST_SHARES
        verdict = rng.choice(len(VERDICTS), len(unit), p=np.array(shares) / sum(shares)).astype(np.int8)
        columns.append((start, unit, verdict, np.full(len(unit), attempt, np.int8)))
        alive = (verdict != 0) & ((verdict != 1) | (rng.random(len(unit)) < COMES_BACK))
        soon, late = rng.uniform(60.0, 300.0, len(unit)), rng.exponential(6 * 3600.0, len(unit)) + 1200.0
        start = (start + np.where(verdict == 1, late, soon))[alive]
        unit = unit[alive]
    merged = [np.concatenate(column) for column in zip(*columns, strict=True)]
    order = np.argsort(merged[0], kind="stable")
    chosen = order[merged[0][order] < days * 86_400.0][:runs]
    return Plan(*(column[chosen] for column in merged))


def _in_shift(at_days: NDArray[np.float64]) -> NDArray[np.float64]:
    """Seconds from the first midnight; the day squeezed into the hours of the shifts."""
    day, within = np.divmod(at_days, 1.0)
    return day * 86_400.0 + 3600.0 * (SHIFT_BEGINS_H + SHIFTS_H * within)


class Works:
    """Turns a plan into finished runs, some at a time."""

    def __init__(self, runs: int, seed: int) -> None:
        self.plan = plan(runs, seed)
        self._rng = np.random.default_rng(seed + 1)
        self._specifications = [one for _, one in specifications()]
        self._pools = {name: _pools(STICKS.get(name, ("main",)), self._rng) for name, _ in PRODUCTS}
        last = float(self.plan.start_s[-1]) if len(self.plan) else 0.0
        self._midnight = (END - timedelta(seconds=last)).replace(hour=0, minute=0, second=0, microsecond=0)

    def chunks(self, size: int) -> Iterator[list[FinishedRun]]:
        """All runs, oldest first."""
        for begin in range(0, len(self.plan), size):
            yield [self._run(index) for index in range(begin, min(begin + size, len(self.plan)))]

    def _run(self, index: int) -> FinishedRun:
        unit, verdict = int(self.plan.unit[index]), VERDICTS[self.plan.verdict[index]]
        own = _fractions(unit)
        which = int(np.searchsorted(np.cumsum(PRODUCT_SHARES), own[0]))
        specification = self._specifications[which]
        at = self._midnight + timedelta(seconds=round(float(self.plan.start_s[index]), 3))
        opening = self._opening(unit, own, specification, at, index)
        scores, reasons = _scores(self._pools[specification.name][verdict], index)
        traces = {stick: trace(index, 2_000, stick=stick) for stick in scores} if index % TRACE_EVERY == 0 else {}
        closing = RunClosing(
            verdict=verdict,
            reasons=reasons,
            explanation="Made for measuring at size.",
            scores=scores,
            traces=traces,
            evidence={"samples_expected": 90_000, "samples_received": 90_000},
            timing={"wall_s": 25.2, "rig_s": 24.9},
            ended_at=at + timedelta(seconds=25.2),
            flicks=48 * max(1, len(scores)),
            health={"push_latency_s": 0.002, "push_s": 0.031, "noise_x_counts": 0.3, "noise_y_counts": 0.3},
        )
        return FinishedRun(opening, closing)

    def _opening(self, unit: int, own: tuple[float, float, float], specification: Specification, at: datetime, index: int) -> RunOpening:
        emulated = own[2] < EMULATED_SHARE
        number = 9 if emulated else 1 + index % 3
        sticks = STICKS.get(specification.name, ("main",))
        return RunOpening(
            station=STATION,
            rig=rig(emulated, f"R-{number:04d}"),
            rig_name=f"rig-{number}",
            unit=UnitIdentity(f"{specification.name.upper()}-{unit:07d}", specification.name, _lot(at, own[1])),
            specification=specification.label,
            specification_digest=specification.digest,
            fitted=dict.fromkeys(sticks, Fitted(0.0, 0.0)),
            calibration="cal-12",
            software="0.1.0",
            operator=OPERATORS[(at.hour >= 13) * 3 + (number % 3)],
            started_at=at,
        )


def _fractions(unit: int) -> tuple[float, float, float]:
    """Three numbers in 0 .. 1 that belong to a unit (Knuth's multiplicative hash, constant from memory)."""
    mixed = (unit + 1) * 2654435761 % 2**32
    return mixed / 2**32, (mixed * 2654435761 % 2**32) / 2**32, (mixed * 40503 % 2**16) / 2**16


def _lot(at: datetime, own: float) -> str:
    """Lots come fortnightly; some units still carry the one before."""
    year, week, _ = (at - timedelta(days=14 if own < 0.2 else 0)).isocalendar()
    return f"ML-{year % 100}{week // 2 * 2:02d}"


Sample = tuple[dict[str, Score], tuple[str, ...]]


def _pools(sticks: tuple[str, ...], rng: np.random.Generator) -> dict[Verdict, list[Sample]]:
    return {verdict: [_sample(verdict, sticks, rng) for _ in range(POOL)] for verdict in VERDICTS}


def _scores(pool: list[Sample], index: int) -> Sample:
    return pool[index * 7919 % len(pool)]


def _sample(verdict: Verdict, sticks: tuple[str, ...], rng: np.random.Generator) -> Sample:
    """Scores by stick and the reasons of the run."""
    if verdict is Verdict.INVALID:
        return {}, (str(rng.choice(INVALID_REASONS)),)
    reasons: tuple[str, ...] = ()
    if verdict is Verdict.FAIL:
        group = str(rng.choice(GROUPS))
        causes = rng.choice(CAUSES, 1 + int(rng.random() < 0.3), replace=False)
        reasons = tuple(dict.fromkeys(str(cause).format(g=group, a=group[0]) for cause in causes))
    bad = str(rng.choice(sticks))
    return {stick: _score(verdict if stick == bad else Verdict.PASS, reasons if stick == bad else (), rng) for stick in sticks}, reasons


def _score(verdict: Verdict, reasons: tuple[str, ...], rng: np.random.Generator, flicks: int = 48) -> Score:
    names = ("t_release_s", "reach_counts", "peak_counts", "over_zone_s", "return_s", "settle_s")
    columns = {name: np.round(rng.normal(20.0, 3.0, flicks), 3) for name in names}
    table = FlickTable((np.arange(flicks) % 4).astype(np.int8), columns, tuple(() for _ in range(flicks)))
    dead = {reason.partition(":")[2] for reason in reasons if reason.startswith("dead-channel")}
    groups = {group: _group(group, verdict, reasons, rng) for group in GROUPS if group[0] not in dead}
    rest = {"x": float(rng.normal(128.0, 1.5)), "y": float(rng.normal(128.0, 1.5))}
    return Score(verdict, reasons, {"rest_counts": rest, "noise_counts": {"x": 0.3, "y": 0.3}, "supply_v": 3.3}, groups, table)


def _group(group: str, verdict: Verdict, reasons: tuple[str, ...], rng: np.random.Generator) -> dict[str, Any]:
    failed = any(reason.partition(":")[2] == group for reason in reasons)
    told = verdict if failed or verdict is not Verdict.FAIL else (Verdict.PASS if rng.random() < 0.7 else Verdict.UNDECIDED)
    mean = float(rng.normal(24.0 if failed else 17.0, 1.2))
    return {
        "verdict": told,
        "flicks": 12,
        "flicks_used": 12,
        "peak_counts": {"mean": mean, "sd": 0.6, "max": mean + 1.5, "u": 0.05},
        "misread_probability": {"mean": 0.0, "upper": 0.02},
        "return_s": float(rng.normal(0.006, 0.0006)),
        "settle_s": float(rng.normal(0.06, 0.005)),
        "reach_counts": float(rng.normal(77.0, 1.8)),
        "added_lag_s": 0.0,
        "rest_shift_counts": float(rng.normal(0.0, 0.4)),
        "cross_axis_counts": float(abs(rng.normal(2.0, 1.0))),
        "over_zone": 0,
        "decision": {"accepted_by": "gate at flick 12" if told is Verdict.PASS else "", "in_words": "Made for measuring at size."},
    }
