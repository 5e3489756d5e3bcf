"""Recordings of waveforms in closed form, and the reference values they are checked against."""

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from station.measure.baseline import baseline_of
from station.measure.flicks import measure_flicks
from station.records import FlickTable, Recording
from tests.campaign_accuracy import demo_specification

Array = NDArray[np.float64]
REST_COUNTS, REACH_COUNTS = 128.0, 77.0
COUNT_V = 3.3 / 256
RELEASE_S = 0.35
DATA = Path(__file__).parents[2] / "data"


def entry(file: str, name: str) -> dict[str, Any]:
    """One reference entry of tests/data; its source stands beside it in the file."""
    entries = json.loads((DATA / file).read_text(encoding="utf-8"))["entries"]
    return next(one for one in entries if one["name"] == name)


def released(
    response: Callable[[Array], Array], rate_hz: float = 8000.0, noise_v: float = 0.0, free_s: float = 0.3, seed: int = 0
) -> Recording:
    """One x+ flick: 0.25 s of rest, push, hold at full reach, then reach * response(t) from RELEASE_S on. y rests."""
    t = np.arange(round((RELEASE_S + free_s) * rate_hz)) / rate_hz
    push = np.clip((t - 0.25) / 0.012, 0.0, 1.0)
    d = np.where(t < RELEASE_S, 0.5 - 0.5 * np.cos(np.pi * push), response(np.maximum(t - RELEASE_S, 0.0)))
    return Recording(rate_hz, (REST_COUNTS + REACH_COUNTS * d) * COUNT_V, np.full(len(t), REST_COUNTS * COUNT_V), 3.3)


def measured(recording: Recording) -> FlickTable:
    spec = demo_specification()
    return measure_flicks(recording, baseline_of(recording, spec), spec)


def second_order(zeta: float, wn: float) -> Callable[[Array], Array]:
    """Free response of an underdamped second-order system from 1 at rest: standard vibration theory."""
    wd, decay = wn * np.sqrt(1 - zeta**2), zeta * wn
    return lambda t: np.asarray(np.exp(-decay * t) * (np.cos(wd * t) + decay / wd * np.sin(wd * t)))
