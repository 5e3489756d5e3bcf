"""Predicted traces for the eye: the flick of each group that swings farthest, as measured and as it would be with each part."""

from typing import Any, Final

import numpy as np

from station.axis.predict import Circuit
from station.judge.advice_axis import Track
from station.judge.advice_forecast import flicks_of, predicted_counts
from station.judge.score import score_recording
from station.measure.baseline import baseline_of
from station.measure.facts import Facts, facts_of
from station.measure.flicks import search
from station.quantities import GROUPS, axis_of
from station.records import Fitted, Floats, Recording, Verdict
from station.specification import Specification

BEFORE_S: Final = 0.005
AFTER_S: Final = 0.080  # shown: three swings of a slow stick
POINTS: Final = 400  # most points of a shown trace


def predicted_traces(recording: Recording, spec: Specification, fitted: Fitted | None = None, track: Track | None = None) -> dict[str, Any]:
    """By group: t_s from release, measured and wiper deflection in counts (held side positive), and one trace for each candidate,
    JSON-ready. Empty for a recording that cannot be trusted.
    """
    parts = fitted or Fitted()
    if score_recording(recording, spec, parts).verdict is Verdict.INVALID:
        return {}
    base = baseline_of(recording, spec)
    found = search(recording, base, spec)
    ohm = track.ohm if track else spec.stick.track_ohm
    out: dict[str, Any] = {}
    for index, group in enumerate(GROUPS):
        mine = np.flatnonzero((found.flicks.axis == index // 2) & (found.flicks.sign == 1.0 - 2.0 * (index % 2)))
        if len(mine):
            facts = facts_of(found.values, recording.rate_hz, found.flicks.part(mine), base, spec, parts)
            circuit = Circuit(base.supply_v, ohm, spec.stick.series_ohm, parts.x_f if axis_of(group) == "x" else parts.y_f)
            out[group] = _farthest(facts, circuit, np.unique(np.array([0.0, *spec.stock.values_f])))
    return out


def _farthest(facts: Facts, circuit: Circuit, farads: Floats) -> dict[str, Any]:
    """The flick that swings farthest of those recorded to their end, from shortly before its release."""
    one = int(np.argmax(np.where(facts.swing.cut, -1.0, facts.peak.counts)))
    flicks = flicks_of(facts, np.array([one]))
    wiper, node = predicted_counts(flicks, farads, circuit)
    own, column = flicks.traces.own[0], np.arange(flicks.traces.own.shape[1])
    release = facts.release.column[one] - facts.traces.pivot + flicks.traces.pivot
    time_s = (column - release) / flicks.traces.rate_hz
    shown = np.flatnonzero((time_s >= -BEFORE_S) & (time_s <= AFTER_S) & (column < flicks.traces.end[0]))
    shown = shown[:: max(1, -(-len(shown) // POINTS))]
    return {
        "t_s": time_s[shown].tolist(),
        "measured_counts": own[shown].tolist(),
        "wiper_counts": wiper[0, shown].tolist(),
        "candidates": [{"capacitance_f": part, "counts": node[k, 0, shown].tolist()} for k, part in enumerate(farads.tolist())],
    }
