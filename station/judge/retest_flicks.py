"""The flicks of a recording that a retest is judged by, axis by axis."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

import numpy as np

from station.judge.advice_forecast import Flicks, flicks_of
from station.judge.score import score_recording
from station.measure.baseline import Baseline, baseline_of
from station.measure.facts import facts_of
from station.measure.flicks import Found, search
from station.quantities import AXES
from station.records import Fitted, Recording, Verdict
from station.specification import Specification

BATCH: Final = 60  # flicks worked on at once: bounds the memory whatever the length of the recording


@dataclass(frozen=True, slots=True)
class Returns:
    """Complete returns of one recording in batches, by axis; why says what keeps all of them out. u_rest_counts by axis."""

    axes: Mapping[str, tuple[Flicks, ...]]
    u_rest_counts: Mapping[str, float]
    supply_v: float
    why: str = ""


def returns_of(recording: Recording, spec: Specification, fitted: Fitted) -> Returns:
    """Flicks that return and were recorded to their end; those before the first ordered one of a run are warm-up."""
    score = score_recording(recording, spec, fitted)
    if score.verdict is Verdict.INVALID:
        why = " ".join([f"{', '.join(score.reasons)}.", *score.figures.get("explanation", [])])
        return Returns({}, {}, spec.host.supply_v, why)
    base = baseline_of(recording, spec)
    found = search(recording, base, spec)
    axes = {axis: _batches(index, recording, base, found, spec, fitted) for index, axis in enumerate(AXES)}
    return Returns(axes, dict(zip(AXES, base.u_rest_counts, strict=True)), base.supply_v)


def _batches(axis: int, recording: Recording, base: Baseline, found: Found, spec: Specification, fitted: Fitted) -> tuple[Flicks, ...]:
    mine = found.flicks.axis == axis
    if recording.commanded:
        mine &= found.flicks.half >= recording.commanded[0].first_sample
    rows, out = np.flatnonzero(mine), []
    for first in range(0, len(rows), BATCH):
        facts = facts_of(found.values, recording.rate_hz, found.flicks.part(rows[first : first + BATCH]), base, spec, fitted)
        usable = np.flatnonzero(np.isfinite(facts.release.return_s) & ~facts.swing.cut)
        if len(usable):
            out.append(flicks_of(facts, usable))
    return tuple(out)
