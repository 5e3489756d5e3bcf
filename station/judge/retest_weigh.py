"""Explanations of a retest weighed against each other: prior times likelihood, normed to one (Bayes' rule)."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from scipy import special

from station.judge.retest_evidence import Evidence
from station.records import Floats

AS_RECORDED: Final = "as-recorded"
NOT_ACTING: Final = "not-acting"
OTHER_VALUE: Final = "other-value"
CHANGED_STICK: Final = "changed-stick"

PRIORS: Final[Mapping[str, float]] = {AS_RECORDED: 0.70, NOT_ACTING: 0.14, OTHER_VALUE: 0.08, CHANGED_STICK: 0.08}
"""Before the retest (chosen, no source): most work is right; of mistakes a joint that does not act is the likeliest."""
STOCK_SHARE: Final = 0.5  # of other values: one from the bench, within its tolerance; else any, evenly by ratio (chosen, no source)
VALUES: Final = 200  # of other values tried; 3 % apart
DAMPING_SD: Final = 0.25  # prior of a changed stick, of ln(damping factor) and ln(ringing factor) (chosen, no source)
RINGING_SD: Final = 0.08
OWN_DAMPING_SD: Final = 0.10  # and by which either direction may differ from the other
OWN_RINGING_SD: Final = 0.02
STICK_GRID: Final = (61, 41)  # damping, ringing: finer than what clamping alone leaves open


@dataclass(frozen=True, slots=True)
class Explanation:
    """One explanation. log_likelihood: of the retest's means, natural logarithm of its density. weight: posterior. fit: chance of means
    as far off as these, or farther, were its best version true (F law of the squared distance)."""

    finding: str
    prior: float
    log_likelihood: float
    weight: float
    fit: float


@dataclass(frozen=True, slots=True)
class ValueEstimate:
    """Capacitance that explains the retest with an unchanged stick: median and 95 % interval of its posterior, flat in ln(C)."""

    capacitance_f: float
    low_f: float
    high_f: float


@dataclass(frozen=True, slots=True)
class StickEstimate:
    """Factors on the rate of decay and of ringing that explain the retest with the recorded part: medians, 95 % intervals."""

    decay: tuple[float, float, float]
    ringing: tuple[float, float, float]


@dataclass(frozen=True, slots=True)
class Weighed:
    """All explanations that apply, likeliest first, and what the two open ones would have to be. acting_f: of not-acting, else None."""

    explanations: tuple[Explanation, ...]
    value: ValueEstimate
    stick: StickEstimate
    acting_f: float | None


@dataclass(frozen=True, slots=True)
class _Cloud:
    """Versions of one explanation: means (q, D), scale matrices (q or 1, D, D), shares (q,) that sum to one."""

    means: Floats
    scales: Floats
    shares: Floats


def weigh(evidence: Evidence, before_f: float, recorded_f: float, stock_f: Sequence[float], part_tolerance: float) -> Weighed:
    """Weights of the explanations of one axis. part_tolerance: of a new part, as a share."""
    u_part = part_tolerance / np.sqrt(3.0)
    values = _any_value(evidence)
    sticks, grid = _sticks(evidence, u_part)
    silent = [one for one in dict.fromkeys((0.0, before_f)) if one != recorded_f]
    clouds = {AS_RECORDED: _one(evidence, evidence.recorded(u_part))}
    if silent:
        clouds[NOT_ACTING] = _joined([_one(evidence, evidence.without_new(part, before_f)) for part in silent])
    clouds[OTHER_VALUE] = _other_values(evidence, values, [one for one in stock_f if one not in (recorded_f, before_f)], u_part)
    clouds[CHANGED_STICK] = sticks
    densities = {finding: _densities(evidence, cloud) for finding, cloud in clouds.items()}
    explanations = _explanations(evidence, clouds, densities)
    acting = silent[int(np.argmax(densities[NOT_ACTING]))] if silent else None
    return Weighed(explanations, _value(evidence, values), _stick(sticks, densities[CHANGED_STICK], grid), acting)


def _one(evidence: Evidence, prediction: tuple[Floats, Floats]) -> _Cloud:
    mean, scale = prediction
    return _Cloud(mean[None], scale[None], np.ones(1))


def _joined(clouds: Sequence[_Cloud], shares: Sequence[float] | None = None) -> _Cloud:
    given = shares or [1.0 / len(clouds)] * len(clouds)
    scaled = [one.shares * share for one, share in zip(clouds, given, strict=True)]
    return _Cloud(np.concatenate([c.means for c in clouds]), np.concatenate([c.scales for c in clouds]), np.concatenate(scaled))


def _any_value(evidence: Evidence) -> _Cloud:
    """Values evenly spaced by ratio over all that a retest could see."""
    found = [evidence.with_part(one, 0.0) for one in evidence.values(VALUES)]
    return _Cloud(np.stack([mean for mean, _ in found]), np.stack([scale for _, scale in found]), np.full(VALUES, 1.0 / VALUES))


def _other_values(evidence: Evidence, values: _Cloud, stock_f: Sequence[float], u_part: float) -> _Cloud:
    if not stock_f:
        return values
    stock = _joined([_one(evidence, evidence.with_part(one, u_part)) for one in stock_f])
    return _joined([values, stock], [1.0 - STOCK_SHARE, STOCK_SHARE])


def _sticks(evidence: Evidence, u_part: float) -> tuple[_Cloud, tuple[Floats, Floats]]:
    """The recorded part with every changed stick of the grid, and the grid's two logarithms."""
    damping, ringing = (np.linspace(-span, span, count) for span, count in zip(evidence.stick_spans, STICK_GRID, strict=True))
    prior = np.exp(-0.5 * (damping[:, None] / DAMPING_SD) ** 2 - 0.5 * (ringing[None, :] / RINGING_SD) ** 2)
    mean, scale = evidence.recorded(u_part)
    changes = evidence.stick_changes(damping, ringing).reshape(prior.size, -1)
    wider = scale + evidence.own_stick(OWN_DAMPING_SD, OWN_RINGING_SD)
    return _Cloud(mean + changes, wider[None], prior.ravel() / prior.sum()), (damping, ringing)


def _densities(evidence: Evidence, cloud: _Cloud) -> Floats:
    """Logarithm of share times density of the measured means for each version, shape (q,)."""
    distance, log_size = _distances(evidence, cloud)
    size, freedom = float(len(evidence.measured)), evidence.freedom
    constant = special.gammaln((freedom + size) / 2.0) - special.gammaln(freedom / 2.0) - 0.5 * size * np.log(freedom * np.pi)
    with np.errstate(divide="ignore"):
        shares = np.log(cloud.shares)
    return np.asarray(shares + constant - 0.5 * log_size - 0.5 * (freedom + size) * np.log1p(distance / freedom))


def _distances(evidence: Evidence, cloud: _Cloud) -> tuple[Floats, Floats]:
    """Squared distances of the measured means in units of the scale matrices, and logarithms of their determinants."""
    lower = np.linalg.cholesky(cloud.scales)
    off = evidence.measured - cloud.means
    white = np.linalg.solve(np.broadcast_to(lower, (len(off), *lower.shape[1:])), off[..., None])[..., 0]
    log_size = 2.0 * np.log(np.diagonal(lower, axis1=1, axis2=2)).sum(axis=1)
    return np.sum(white**2, axis=1), np.asarray(log_size)


def _explanations(evidence: Evidence, clouds: Mapping[str, _Cloud], densities: Mapping[str, Floats]) -> tuple[Explanation, ...]:
    total = sum(PRIORS[finding] for finding in clouds)
    likelihoods = {finding: float(special.logsumexp(one)) for finding, one in densities.items()}
    logs = np.array([np.log(PRIORS[finding] / total) + likelihoods[finding] for finding in clouds])
    weights = np.exp(logs - special.logsumexp(logs))
    out = []
    for finding, weight in zip(clouds, weights.tolist(), strict=True):
        nearest = float(_distances(evidence, clouds[finding])[0].min())
        size = len(evidence.measured)
        fit = float(special.fdtrc(size, evidence.freedom, nearest / size))
        out.append(Explanation(finding, PRIORS[finding] / total, likelihoods[finding], weight, fit))
    return tuple(sorted(out, key=lambda one: -one.weight))


def _value(evidence: Evidence, values: _Cloud) -> ValueEstimate:
    middle, low, high = _quantiles(np.log(evidence.values(VALUES)), _densities(evidence, values))
    return ValueEstimate(float(np.exp(middle)), float(np.exp(low)), float(np.exp(high)))


def _stick(sticks: _Cloud, densities: Floats, grid: tuple[Floats, Floats]) -> StickEstimate:
    damping, ringing = grid
    table = densities.reshape(len(damping), len(ringing))
    found = (_quantiles(damping, special.logsumexp(table, axis=1)), _quantiles(ringing, special.logsumexp(table, axis=0)))
    (d, d_low, d_high), (r, r_low, r_high) = (tuple(float(np.exp(one)) for one in three) for three in found)
    return StickEstimate((d, d_low, d_high), (r, r_low, r_high))


def _quantiles(points: Floats, log_density: Any) -> tuple[float, float, float]:
    """Median, 2.5 % and 97.5 % of a density on even points."""
    share = np.exp(log_density - np.max(log_density))
    total = np.cumsum(share) - 0.5 * share
    middle, low, high = np.interp([0.5, 0.025, 0.975], total / share.sum(), points).tolist()
    return middle, low, high
