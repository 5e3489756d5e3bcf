"""What a retest measured beside what it should have measured, with every uncertainty between the two."""

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from station.judge.retest_figures import BACK, FIGURES, IN_COUNTS, PEAK, TO_BACK, TO_PEAK
from station.judge.retest_predict import LARGEST_F, Predictions
from station.judge.retest_stick import DAMPING_SPAN, RINGING_SPAN, nodes
from station.records import Floats

MODEL: Final = np.array([0.05, 0.05, 1e-5, 1e-5, 2.1e-5])
"""Counts and seconds that the axis model leaves of each figure; its rms on emulated sticks of 45 to 90 Hz is at most that."""
USUAL: Final = np.array([0.7, 0.4, 4e-5, 5e-5, 9e-5])  # usual spread from flick to flick; chosen on emulated data
USUAL_FREEDOM: Final = 5.0  # flicks that the usual spread counts for; derivation: as many as there are figures
CLAMP_DAMPING: Final = 0.01  # how exactly a stick's damping and ringing come back when it was out and is clamped again (chosen, no source)
CLAMP_RINGING: Final = 0.005
LEAST_PEAK: Final = 2.0  # counts; below it the time of a peak says nothing
LEAST_BACK: Final = 1.0  # likewise of a swing back
SMALLEST_VALUE_F: Final = 2.2e-8  # of another part that acts; a smaller one is no different from none (a fifth of the least useful value)
STEP: Final = 0.1  # of ln(C), over which a slope is taken


@dataclass(frozen=True, slots=True)
class Measured:
    """Of the retest, by group as in the predictions: means (g, 5), flicks (g,), and each flick's deviation from its group's mean (n, 5)."""

    means: Floats
    flicks: NDArray[np.intp]
    deviations: Floats


class Evidence:
    """Means of the figures that can be trusted, all groups in a row (D of them), and predictions of them with their scale matrices."""

    def __init__(self, predictions: Predictions, measured: Measured, u_track: float, u_rest_counts: float) -> None:
        """u_track: standard uncertainty of the track, as a share. u_rest_counts: of both recordings' rest levels."""
        self._all = predictions
        self._track = u_track
        self._keep = np.tile(_told(predictions, measured), len(measured.flicks))
        self.measured = measured.means.ravel()[self._keep]
        spread, self.freedom = _spread(predictions.deviations, measured.deviations, len(measured.flicks))
        shares = 1.0 / predictions.flicks + 1.0 / measured.flicks
        blocks = np.kron(np.diag(shares), spread)
        known = np.tile(MODEL**2 + np.where(IN_COUNTS, u_rest_counts, 0.0) ** 2, len(shares))
        self._clamped = blocks + np.diag(known) + self._stick_scale(CLAMP_DAMPING, CLAMP_RINGING)

    @property
    def stick_spans(self) -> tuple[float, float]:
        """Largest logarithms of a changed stick's factors."""
        return DAMPING_SPAN, RINGING_SPAN

    def values(self, count: int) -> Floats:
        """Parts evenly spaced by ratio, farads."""
        return np.geomspace(SMALLEST_VALUE_F, LARGEST_F, count)

    def recorded(self, u_part: float) -> tuple[Floats, Floats]:
        """Mean and scale matrix with the recorded part. u_part: standard uncertainty of a new part, as a share."""
        part = self._all.recorded_part * u_part
        return self._kept(self._all.recorded, self._rank(part) + self._rank(self._all.recorded_track * self._track))

    def with_part(self, farads: float, u_part: float) -> tuple[Floats, Floats]:
        """With this part, within the grid's range."""
        part, track = self._slope(farads) * u_part, self._at(self._all.by_track, farads) * self._track
        return self._kept(self._at(self._all.by_part, farads), self._rank(part) + self._rank(track))

    def without_new(self, farads: float, before_f: float) -> tuple[Floats, Floats]:
        """With the part that acted before the work (as measured then), or with none."""
        if farads == before_f:
            return self._kept(self._all.as_before, np.zeros_like(self._clamped))
        return self._kept(self._all.by_part[0], self._rank(self._all.by_track[0] * self._track))

    def stick_changes(self, damping: Floats, ringing: Floats) -> Floats:
        """Change of the means with logarithms of damping (p,) and ringing (q,) factors, shape (p, q, D)."""
        changes = np.einsum("pi,qj,ijgf->pqgf", _lagrange(damping, DAMPING_SPAN), _lagrange(ringing, RINGING_SPAN), self._all.by_stick)
        zero = np.einsum("i,j,ijgf->gf", *(_lagrange(np.zeros(1), span)[0] for span in self.stick_spans), self._all.by_stick)
        return np.asarray((changes - zero).reshape(len(damping), len(ringing), -1)[:, :, self._keep])

    def own_stick(self, damping_sd: float, ringing_sd: float) -> Floats:
        """Scale matrix of changes that each direction has for itself."""
        size = len(FIGURES)
        outer = self._stick_scale(damping_sd, ringing_sd)
        same = np.kron(np.eye(len(self._all.flicks)), np.ones((size, size)))
        return np.asarray((outer * same)[np.ix_(self._keep, self._keep)])

    def u_figures(self, u_part: float) -> Floats:
        """Standard uncertainties of the differences of all figures from those recorded, shape (g, 5), all sources."""
        scale = self._clamped + self._rank(self._all.recorded_part * u_part) + self._rank(self._all.recorded_track * self._track)
        return np.sqrt(np.diagonal(scale)).reshape(-1, len(FIGURES))

    def u_mean_peak(self, u_part: float) -> float:
        """Of the mean peak of the axis, each direction weighing alike, without the track's share."""
        groups = len(self._all.flicks)
        weights = np.tile(np.arange(len(FIGURES)) == PEAK, groups) / groups
        return float(np.sqrt(weights @ (self._clamped + self._rank(self._all.recorded_part * u_part)) @ weights))

    def _kept(self, means: Floats, more: Floats) -> tuple[Floats, Floats]:
        return means.ravel()[self._keep], (self._clamped + more)[np.ix_(self._keep, self._keep)]

    def _rank(self, change: Floats) -> Floats:
        return np.outer(change.ravel(), change.ravel())

    def _stick_scale(self, damping_sd: float, ringing_sd: float) -> Floats:
        out = np.zeros((self._all.as_before.size,) * 2)
        zero, h = np.zeros(1), 0.01
        for at, sd in ((0, damping_sd), (1, ringing_sd)):
            sides = [_lagrange(np.array([s * h]), (DAMPING_SPAN, RINGING_SPAN)[at])[0] for s in (-1.0, 1.0)]
            slope = (sides[1] - sides[0]) / (2.0 * h)
            other = _lagrange(zero, (RINGING_SPAN, DAMPING_SPAN)[at])[0]
            pair = (slope, other) if at == 0 else (other, slope)
            out += self._rank(sd * np.einsum("i,j,ijgf->gf", *pair, self._all.by_stick))
        return out

    def _slope(self, farads: float) -> Floats:
        low, high = farads * np.exp(-STEP), farads * np.exp(STEP)
        return (self._at(self._all.by_part, high) - self._at(self._all.by_part, low)) / (2.0 * STEP)

    def _at(self, table: Floats, farads: float) -> Floats:
        """Linear in ln(C) between the grid's parts, shape (g, 5); linear in C from none to the smallest."""
        grid = self._all.parts_f
        if farads <= grid[1]:
            share, upper = farads / grid[1], 1
        else:
            upper = min(int(np.searchsorted(grid, farads)), len(grid) - 1)
            share = np.log(min(farads, grid[-1]) / grid[upper - 1]) / np.log(grid[upper] / grid[upper - 1])
        return np.asarray(table[upper - 1] + share * (table[upper] - table[upper - 1]))


def _told(predictions: Predictions, measured: Measured) -> NDArray[np.bool_]:
    """Which figures can be trusted in every group: times of swings only where there are swings."""
    sides = np.stack([predictions.recorded, predictions.as_before, measured.means])
    keep = np.ones(len(FIGURES), dtype=bool)
    keep[TO_PEAK] = bool(np.all(sides[..., PEAK] >= LEAST_PEAK))
    keep[TO_BACK] = keep[TO_PEAK] and bool(np.all(sides[..., BACK] >= LEAST_BACK))
    return keep


def _spread(before: Floats, after: Floats, groups: int) -> tuple[Floats, float]:
    """Covariance from flick to flick, pooled over groups and both recordings, drawn toward the usual one; and its degrees of freedom."""
    deviations = np.concatenate([before, after])
    freedom = float(len(deviations) - 2 * groups)
    total = deviations.T @ deviations + USUAL_FREEDOM * np.diag(USUAL**2)
    return total / (freedom + USUAL_FREEDOM), freedom + USUAL_FREEDOM


def _lagrange(points: Floats, span: float) -> Floats:
    """Weights of the nodes in the polynomial through them at each point, shape (p, nodes)."""
    at = nodes(span)
    off = points[:, None] - at[None, :]
    out = np.empty_like(off)
    for k in range(len(at)):
        others = np.arange(len(at)) != k
        out[:, k] = np.prod(off[:, others] / (at[k] - at[others]), axis=1)
    return out
