"""What the retest of one axis should measure: with any part acting, and with a stick whose damping or spring has changed."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from station.axis.predict import Circuit, node_with, wiper_behind
from station.judge.advice_forecast import Flicks, is_fitted, predicted_counts, some
from station.judge.retest_figures import FIGURES, figures_of_traces
from station.judge.retest_stick import NODES, STICKS, Ringing, changed_wipers, ringing_of
from station.records import Floats

SMALLEST_F: Final = 1e-8  # below it a part does nothing a retest could see; derivation: 10 nF behind 2.5 kohm is 25 us
LARGEST_F: Final = 3.3e-6  # five times the largest useful value (common practice, no source)
PARTS: Final = 22  # between them; a factor of 1.3 from one to the next, within which figures are taken as linear in ln(C)
TRIED: Final = 8  # flicks of a group on which a change is worked out; its effect hardly differs between them, as advice has it
TRIED_TRACK: Final = 2  # and on which the track is tried: a small correction
TRACK_STEP: Final = 0.1  # the track is tried so much lower and higher
PART_STEP: Final = 0.1  # and the recorded part


@dataclass(frozen=True, slots=True)
class Predictions:
    """Predicted means of g groups over all flicks before the work, figures as in retest_figures.

    groups: indices into GROUPS, ascending; flicks: of each, shape (g,). parts_f: shape (k,), 0.0 first; by_part and by_track (change per
    unit of ln(track)): shape (k, g, 5). recorded: with the recorded part, and its change per unit
    of ln(track) and ln(part), (g, 5) each; a part that stays has none. as_before: as measured, (g, 5).
    by_stick: change at the nodes of ln(damping) and ln(ringing), shape (NODES, NODES, g, 5). deviations: of each flick with the recorded
    part from its group's mean, shape (m, 5).
    """

    groups: NDArray[np.intp]
    flicks: NDArray[np.intp]
    parts_f: Floats
    by_part: Floats
    by_track: Floats
    recorded: Floats
    recorded_track: Floats
    recorded_part: Floats
    as_before: Floats
    by_stick: Floats
    deviations: Floats


def part_grid() -> Floats:
    """No part, and parts evenly spaced by ratio, farads."""
    return np.concatenate([[0.0], np.geomspace(SMALLEST_F, LARGEST_F, PARTS)])


def predict(batches: Sequence[Flicks], circuit: Circuit, recorded_f: float, groups: NDArray[np.intp]) -> Predictions:
    """Predictions for these groups from the flicks before the work. The part that stays (recorded is what was fitted) is left as it is."""
    chosen = np.concatenate([one.group for one in batches])
    every = np.concatenate([_with(one, np.array([recorded_f]), circuit)[0] for one in batches])
    measured = np.concatenate([figures_of_traces(one, one.traces.own[None])[0] for one in batches])
    means, before = _means(every, chosen, groups), _means(measured, chosen, groups)
    tried, group = _tried(batches, groups, TRIED)
    farads = np.concatenate([part_grid(), recorded_f * np.array([1.0 - PART_STEP, 1.0 + PART_STEP, 1.0])])
    middle = _tried_means(tried, group, groups, farads, circuit)
    slope = _track_slope(batches, groups, farads, circuit)
    own = _own(tried, group, groups, recorded_f, circuit, middle[-1])
    deviations = np.concatenate([every[chosen == g] - means[row] for row, g in enumerate(groups.tolist())])
    moves = 0.0 if _stays(recorded_f, circuit) else 1.0
    return Predictions(
        groups=groups,
        flicks=np.array([np.count_nonzero(chosen == g) for g in groups.tolist()]),
        parts_f=farads[:-3],
        by_part=means + middle[:-3] - own,
        by_track=slope[:-3],
        recorded=means,
        recorded_track=moves * slope[-1],
        recorded_part=moves * (middle[-2] - middle[-3]) / (2.0 * PART_STEP),
        as_before=before,
        by_stick=_by_stick(tried, group, groups, recorded_f, circuit),
        deviations=deviations,
    )


def _stays(recorded_f: float, circuit: Circuit) -> bool:
    return bool(is_fitted(np.array([recorded_f]), circuit.fitted_f)[0])


def _with(flicks: Flicks, farads: Floats, circuit: Circuit, keep: bool = True) -> Floats:
    """Figures of these flicks with each part, shape (k, m, 5)."""
    return figures_of_traces(flicks, predicted_counts(flicks, farads, circuit, keep_fitted=keep)[1])


def _means(figures: Floats, group: NDArray[np.int8], groups: NDArray[np.intp]) -> Floats:
    """Means by group, shape (..., g, 5), of figures of shape (..., m, 5)."""
    return np.stack([figures[..., group == g, :].mean(axis=-2) for g in groups.tolist()], axis=-2)


def _track_slope(batches: Sequence[Flicks], groups: NDArray[np.intp], farads: Floats, circuit: Circuit) -> Floats:
    """Change of the means per unit of ln(track) with each part, shape (k, g, 5)."""
    tried, group = _tried(batches, groups, TRIED_TRACK)
    low, high = (_tried_means(tried, group, groups, farads, circuit.scaled(track=1.0 + s * TRACK_STEP)) for s in (-1.0, 1.0))
    return (high - low) / (2.0 * TRACK_STEP)


def _tried(batches: Sequence[Flicks], groups: NDArray[np.intp], most: int) -> tuple[list[Flicks], NDArray[np.int8]]:
    """The first `most` flicks of each group, and their groups."""
    left = dict.fromkeys(groups.tolist(), most)
    out = []
    for one in batches:
        rows = np.concatenate([np.flatnonzero(one.group == g)[: left[g]] for g in left])
        for g in left:
            left[g] -= int(np.count_nonzero(one.group[rows] == g))
        if len(rows):
            out.append(some(one, rows))
    return out, np.concatenate([one.group for one in out])


def _tried_means(tried: Sequence[Flicks], group: NDArray[np.int8], groups: NDArray[np.intp], farads: Floats, circuit: Circuit) -> Floats:
    figures = np.concatenate([_with(one, farads, circuit, keep=False) for one in tried], axis=1)
    return _means(figures, group, groups)


def _own(
    tried: Sequence[Flicks], group: NDArray[np.int8], groups: NDArray[np.intp], recorded_f: float, circuit: Circuit, modelled: Floats
) -> Floats:
    """Means of the tried flicks with the recorded part, computed as `recorded` is: measured where the part stays."""
    if not _stays(recorded_f, circuit):
        return modelled
    return _means(np.concatenate([figures_of_traces(one, one.traces.own[None])[0] for one in tried]), group, groups)


def _by_stick(tried: Sequence[Flicks], group: NDArray[np.int8], groups: NDArray[np.intp], recorded_f: float, circuit: Circuit) -> Floats:
    """Change of the means with each node of damping and ringing, from the same flicks unchanged."""
    parts = []
    for one in tried:
        wiper_v = wiper_behind(one.rest_v + one.scale_v[:, None] * one.traces.own, one.traces.rate_hz, circuit, one.return_s)
        wiper = (wiper_v - one.rest_v) / one.scale_v[:, None]
        bare = figures_of_traces(one, wiper[None])[0]
        ringing = ringing_of(bare, one.reach, one.group)
        parts.append(_changed_figures(one, wiper, ringing, recorded_f, circuit))
    figures = _means(np.concatenate(parts, axis=1), group, groups)
    changes: Floats = figures[1:] - figures[0]
    return changes.reshape(NODES, NODES, len(groups), len(FIGURES))


def _changed_figures(flicks: Flicks, wiper: Floats, ringing: Ringing, recorded_f: float, circuit: Circuit) -> Floats:
    """Figures with the recorded part of the unchanged stick and of STICKS changed ones, shape (1 + STICKS, m, 5)."""
    traces = changed_wipers(wiper, flicks.traces, ringing)
    count, m, n = traces.shape
    volts = (flicks.rest_v + flicks.scale_v[:, None] * traces).reshape(count * m, n)
    node_v = node_with(volts, flicks.traces.rate_hz, np.array([recorded_f]), circuit)[0].reshape(count, m, n)
    assert count == 1 + STICKS
    return figures_of_traces(flicks, (node_v - flicks.rest_v) / flicks.scale_v[:, None])
