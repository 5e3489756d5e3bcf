"""What one clamped unit measured under a fixed number of flicks says: figures by stick, place and figure. Pure, JSON-ready.

A place is a group or an axis; beside them "finger" (jitter of the actuator, of all groups together) and "supply".
"""

import math
from collections.abc import Iterator, Mapping
from typing import Any, Final

import numpy as np

from station.measure.health import jitter
from station.measure.push import Pushes
from station.quantities import AXES, GROUPS, axis_of
from station.records import Fitted, Floats, Score

FINGER: Final = "finger"
SUPPLY: Final = "supply"
GROUP_FIGURES: Final = ("peak_counts", "reach_counts", "return_s", "settle_s", "rest_shift_counts", "cross_axis_counts")
AXIS_FIGURES: Final = ("rest_counts", "noise_counts")
DIGITS: Final = 9  # significant ones kept of a figure: far more than it is worth, fewer than a float's own noise

Places = dict[str, dict[str, float | None]]


def figures_of(score: Score, found: Pushes | None, fitted: Fitted, supply_v: float) -> Places:
    """Means of one stick's figures by place. found: timing of its flicks by the rig's own orders."""
    places: Places = {group: _group(score, found, group, fitted) for group in GROUPS}
    for axis in AXES:
        places[axis] = {name: kept(score.figures[name][axis]) for name in AXIS_FIGURES}
    timing = (found.latency_s, found.release_s) if found else (np.zeros(0), np.zeros(0))
    group = found.group if found else np.zeros(0, dtype=np.intp)
    places[FINGER] = {f"{name}_jitter_s": kept(jitter(one, group)) for name, one in zip(("push", "release"), timing, strict=True)}
    places[SUPPLY] = {"supply_v": kept(supply_v)}
    return places


def scatter_of(score: Score, found: Pushes | None, fitted: Fitted) -> Places:
    """Standard deviations from flick to flick of the figures of the groups, None with fewer than two flicks."""
    return {group: {name: _sd(values) for name, values in _flicks(score, found, group, fitted)} for group in GROUPS}


def peaks_of(score: Score) -> dict[str, list[float | None]]:
    """Every flick's peak by group, in the order of the flicks, counts; None where it was not seen whole."""
    column = score.flicks.columns["peak_counts"]
    return {group: [kept(one) for one in column[score.flicks.group == index].tolist()] for index, group in enumerate(GROUPS)}


def rows_of(sticks: Mapping[str, Mapping[str, Mapping[str, float | None]]]) -> Iterator[tuple[str, str, str, float]]:
    """Stick, place, figure and value of a measurement as kept, NaN where it is not known."""
    for stick, places in sticks.items():
        for place, figures in places.items():
            for figure, value in figures.items():
                yield stick, place, figure, math.nan if value is None else float(value)


def unit_values(figures: Mapping[str, Any]) -> dict[str, float]:
    """The figures of a kept measurement that are the unit's, by "stick place figure"; those of the rig alone are left out."""
    names = {*GROUP_FIGURES, *AXIS_FIGURES, "added_lag_s"}
    return {f"{stick} {place} {name}": value for stick, place, name, value in rows_of(figures["sticks"]) if name in names}


def kept(value: float | None) -> float | None:
    """JSON-ready: None for what is no finite number."""
    if value is None or not math.isfinite(value):
        return None
    return float(f"{value:.{DIGITS}g}")


def _group(score: Score, found: Pushes | None, group: str, fitted: Fitted) -> dict[str, float | None]:
    return {name: kept(float(np.mean(values))) if len(values) else None for name, values in _flicks(score, found, group, fitted)}


def _sd(values: Floats) -> float | None:
    return kept(float(np.std(values, ddof=1))) if len(values) > 1 else None


def _flicks(score: Score, found: Pushes | None, group: str, fitted: Fitted) -> Iterator[tuple[str, Floats]]:
    """Known values of every figure of a group, flick by flick."""
    index = GROUPS.index(group)
    mine = score.flicks.group == index
    names = (*GROUP_FIGURES, "added_lag_s") if _farads(fitted, group) > 0.0 else GROUP_FIGURES
    for name in names:
        yield name, _known(score.flicks.columns[name][mine])
    if found is not None:
        for name, values in (("push_latency_s", found.latency_s), ("push_s", found.push_s), ("release_s", found.release_s)):
            yield name, _known(values[found.group == index])


def _known(values: Floats) -> Floats:
    return values[np.isfinite(values)]


def _farads(fitted: Fitted, group: str) -> float:
    return fitted.x_f if axis_of(group) == "x" else fitted.y_f
