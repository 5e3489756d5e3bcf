"""Levels: means over the quiet samples, in the spirit of the state levels of IEC 60469:2013 / IEEE 181-2011.

The shortest half of the samples says where the level is; the mean of all samples near it says how high, so that coarse codes and
samples of a movement do not pull it.
"""

import math
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from station.records import Floats

NEAR_SD: Final = 4.0  # samples within this many standard deviations of the level count: leaves out 1 of 16,000 of normal noise
NEAR_STEPS: Final = 1.5  # and at least this many steps of the sampler, so that neighbouring codes on both sides stay in
ROUNDS: Final = 3


def quiet_mean(values: Floats, valid: NDArray[np.bool_], sd: ArrayLike, step: float) -> tuple[Floats, Floats]:
    """Level of each row and the number of samples it rests on.

    values, valid: shape (n, m). sd: of the noise, shape (n,) or scalar; step: of the sampler, both in the unit of values.
    NaN and 0 where a row has no valid sample.
    """
    centre, some = _shortest_half(values, valid)
    near = np.maximum(NEAR_SD * np.asarray(sd), NEAR_STEPS * step) + 1e-12
    near = np.broadcast_to(near, centre.shape)[:, None]
    inside = valid
    for _ in range(ROUNDS):
        inside = np.abs(values - centre[:, None]) <= near
        inside &= valid
        count = np.count_nonzero(inside, axis=1)
        total = np.einsum("ij,ij->i", values, inside)
        centre = np.where(count > 0, total / np.maximum(count, 1), centre)
    return np.where(some, centre, np.nan), np.where(some, count, 0).astype(np.float64)


def _shortest_half(values: Floats, valid: NDArray[np.bool_]) -> tuple[Floats, NDArray[np.bool_]]:
    """Middle of the shortest stretch that holds half of a row's valid samples."""
    count = np.count_nonzero(valid, axis=1)
    ordered = np.sort(np.where(valid, values, np.inf), axis=1)
    half = np.maximum((count + 1) // 2, 1)
    column = np.arange(values.shape[1])[None, :]
    upper = np.take_along_axis(ordered, np.minimum(column + half[:, None] - 1, values.shape[1] - 1), axis=1)
    fits = column + half[:, None] <= count[:, None]
    width = np.where(fits, upper - np.where(fits, ordered, 0.0), np.inf)
    # with coarse codes many stretches are equally short: the middle one of them stands for the level
    shortest = width <= width.min(axis=1, keepdims=True) + 1e-12
    pick = (np.argmax(shortest, axis=1) + values.shape[1] - 1 - np.argmax(shortest[:, ::-1], axis=1)) // 2
    pick = np.where(np.take_along_axis(shortest, pick[:, None], axis=1)[:, 0], pick, np.argmax(shortest, axis=1))
    row = np.arange(len(values))
    some = count > 0
    middle = 0.5 * (np.where(some, ordered[row, pick], 0.0) + np.where(some, upper[row, pick], 0.0))
    return middle, some


def undithered(sd: float, step: float) -> float:
    """Standard uncertainty that quantisation leaves in a long mean: step / sqrt(12) without noise, vanishing as noise grows.

    First harmonic of the staircase's error averaged over normal noise: falls as exp(-2 pi^2 (sd / step)^2) (Widrow's theorem).
    """
    if step <= 0.0:
        return 0.0
    own = max(0.0, sd * sd - step * step / 12.0)
    return step / math.sqrt(12.0) * math.exp(-2.0 * math.pi**2 * own / (step * step))
