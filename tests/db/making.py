"""Runs for the tests of the store, made from a seed: the same number gives the same run."""

from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np

from station.quantities import GROUPS
from station.records import (
    CommandedFlick,
    Fitted,
    FlickTable,
    RigIdentity,
    RunClosing,
    RunOpening,
    Score,
    TraceBlock,
    UnitIdentity,
    Verdict,
)
from station.specification import parse_specification

STATION = "mossgate-1"
START = datetime(2026, 11, 25, 7, 30, tzinfo=UTC)
TEXT = (Path(__file__).parents[1] / "data" / "dunlin-2-A.toml").read_text(encoding="utf-8")
SPECIFICATION = parse_specification(TEXT)
COLUMNS = ("t_release_s", "reach_counts", "peak_counts", "over_zone_s", "return_s", "settle_s")


def rig(emulated: bool = True, rig_id: str = "R-0001", firmware: str = "1.4") -> RigIdentity:
    return RigIdentity(rig_id, firmware, 1, 7, emulated, 10_000, 12, 3.3, 1_000_000)


def opening(serial: str = "DL2-00001", at: datetime = START, **changes: Any) -> RunOpening:
    """changes: product, lot, rig_name, and any field of RunOpening."""
    unit = UnitIdentity(serial, changes.pop("product", "dunlin-2"), changes.pop("lot", "ML-2607"))
    values: dict[str, Any] = {
        "station": STATION,
        "rig": rig(),
        "rig_name": "rig-1",
        "unit": unit,
        "specification": SPECIFICATION.label,
        "specification_digest": SPECIFICATION.digest,
        "fitted": {"main": Fitted(0.0, 3.3e-7)},
        "calibration": "cal-12",
        "software": "0.1.0",
        "operator": "a. marsh",
        "started_at": at,
    }
    return RunOpening(**{**values, **changes})


def trace(seed: int, samples: int = 400, first: int = 0, stick: str = "main") -> TraceBlock:
    codes = np.random.default_rng(seed).integers(0, 4096, (first + samples, 2), dtype=np.uint16)[first:]
    commanded = (CommandedFlick("x+", 100), CommandedFlick("y-", 250))
    return TraceBlock(stick, first, codes, 10_000.0, 3.3 / 4096, 3.29, commanded)


def score(seed: int, verdict: Verdict = Verdict.FAIL, reasons: tuple[str, ...] = ("snapback:x+",), flicks: int = 8) -> Score:
    rng = np.random.default_rng(seed)
    columns = {name: rng.normal(20.0, 3.0, flicks) for name in COLUMNS}
    columns["settle_s"][-1] = np.nan
    flags = tuple(("dropout",) if row == 2 else () for row in range(flicks))
    table = FlickTable((np.arange(flicks) % 4).astype(np.int8), columns, flags)
    figures = {"rest_counts": {"x": 128.1, "y": 127.6}, "noise_counts": {"x": 0.3, "y": float("nan")}, "supply_v": 3.29}
    return Score(verdict, reasons, figures, {name: _group(verdict, rng) for name in GROUPS}, table)


def _group(verdict: Verdict, rng: np.random.Generator) -> dict[str, Any]:
    mean = float(rng.normal(20.0, 2.0))
    return {
        "verdict": verdict,
        "flicks": 20,
        "flicks_used": 12,
        "peak_counts": {"mean": mean, "sd": 0.6, "max": mean + 1.5, "u": 0.05},
        "misread_probability": {"mean": 0.21, "upper": 0.27},
        "return_s": 0.0043,
        "settle_s": None,
        "reach_counts": 76.8,
        "added_lag_s": 0.0,
        "over_zone": 11,
        "decision": {"accepted_by": "gate at flick 12" if verdict is Verdict.PASS else "", "path": [1, 2, 3]},
    }


def closing(seed: int, verdict: Verdict = Verdict.FAIL, at: datetime | None = None, **changes: Any) -> RunClosing:
    reasons = {Verdict.FAIL: ("snapback:x+",), Verdict.INVALID: ("rig-link",)}.get(verdict, ())
    values: dict[str, Any] = {
        "verdict": verdict,
        "reasons": reasons,
        "explanation": f"Made from seed {seed}.",
        "scores": {"main": score(seed, verdict, reasons)},
        "traces": {"main": trace(seed)},
        "evidence": {"samples_expected": 400, "samples_received": 400},
        "timing": {"wall_s": 15.2, "rig_s": 14.9},
        "ended_at": at or START + timedelta(seconds=20),
        "monitor": {"groups": seed, "flicks": 4 * seed, "rare": 0},
    }
    return RunClosing(**{**values, **changes})
