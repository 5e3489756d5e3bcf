"""A database in which every kind of procedure was concluded, with documents as the station makes them."""

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import numpy as np

from db.migrate import create_or_require
from db.store import SqlStore
from station.proof import Kind
from station.prove.study import StudyRow, evaluate_study
from station.prove.study_words import tolerance_of
from station.prove.type1 import type_1_study
from tests.db.making import SPECIFICATION, START, STATION, TEXT
from tests.db.making_proof import begun, closed_run, concluded, proof_of, step

RUNS = 30


def figure(value: float, u: float, unit: str, least: float | None, most: float | None) -> dict[str, Any]:
    """A figure of a calibration's document."""
    return {"value": value, "u": u, "unit": unit, "least": least, "most": most, "within": True}


FIGURES: dict[str, Any] = {
    "directions": {
        "x+": {"contact_deg": figure(12.4, 0.05, "deg", 5.0, 20.0), "full_deg": figure(31.0, 0.1, "deg", None, 40.0)},
        "x-": {"contact_deg": figure(12.6, 0.05, "deg", 5.0, 20.0), "full_deg": figure(30.8, 0.1, "deg", None, 40.0)},
    },
    "rig": {"latency_s": figure(0.012, 1e-4, "s", None, 0.02), "bow": {**figure(float("nan"), 1e-3, "1", None, 2e-3), "within": False}},
    "residuals": {"x+": {"angle_deg": [12.0, 20.0, 30.0], "residual": [0.001, -0.002, 0.001]}},
    "steps": [{"name": "sweep x+", "by": "a. marsh", "at": "2026-11-24T08:00:00+00:00"}],
}


def gauge_document() -> dict[str, Any]:
    """Of five parts, two operators and three trials, peaks of one group."""
    rng = np.random.default_rng(20261125)
    parts = rng.normal(18.0, 1.5, 5)
    rows = [
        StudyRow(f"P{part}", operator, str(trial), {"main x+ peak_counts": float(parts[part] + rng.normal(0.0, 0.05))})
        for part in range(5)
        for operator in ("ann", "ben")
        for trial in (1, 2, 3)
    ]
    return evaluate_study(rows, lambda name, mean: tolerance_of(name, SPECIFICATION, mean))


def type_1_document() -> dict[str, Any]:
    """Of 30 repeats on one reference, one figure."""
    values = np.random.default_rng(20261126).normal(18.1, 0.1, 30)
    name = "main x+ peak_counts"
    return type_1_study({name: values.tolist()}, {name: 18.0}, {name: 22.0})


@contextmanager
def proven(folder: Path) -> Iterator[SqlStore]:
    """Calibrations 1 (accepted) and 2 (refused), reference unit REF-01 found twice, checks 1 (within) and 2 (off), studies 1 (gauge) and
    2 (type 1), procedure 8 open with one step done, and runs that tell of their rig."""
    url = f"sqlite:///{folder / 'station.db'}"
    create_or_require(url)
    store = SqlStore(url, STATION, keep_pass_every=1)
    store.keep_specification(TEXT, SPECIFICATION, START)
    try:
        _fill(store)
        yield store
    finally:
        store.close()


def _fill(store: SqlStore) -> None:
    proof = proof_of(store)
    concluded(proof, Kind.CALIBRATION, 0, document=FIGURES)
    concluded(proof, Kind.CALIBRATION, 2, document=FIGURES, problems=("latency_s is 0.03 s; expected at most 0.02 s",))
    concluded(proof, Kind.REFERENCE_VALUES, 4, peak=19.0)
    concluded(proof, Kind.REFERENCE_VALUES, 6)
    concluded(proof, Kind.REFERENCE_CHECK, 8)
    concluded(proof, Kind.REFERENCE_CHECK, 10, peak=23.0, rest=float("nan"))
    concluded(proof, Kind.GAUGE_STUDY, 12, document=gauge_document())
    concluded(proof, Kind.TYPE_1_STUDY, 14, document=type_1_document(), peak_u_counts=float("nan"))
    proof.keep_step(proof.begin_procedure(begun(Kind.REFERENCE_CHECK, 16)), step())
    rng = np.random.default_rng(20261127)
    for number in range(RUNS):
        health = {"push_latency_s": 0.012 + 1e-5 * rng.normal(), "release_speed_share_s": 410.0 + rng.normal()}
        closed_run(store, f"DL2-{number:05}", 20 + number, health=health, calibration="C-1")
