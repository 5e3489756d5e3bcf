"""Candidates of one axis: what each part would do to the measured flicks, and what the retest would say of it."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray
from scipy import special

from station.axis.markings import marking_of
from station.judge import reasons
from station.judge.advice_chance import Bounds, Chances, GroupForecast, chances
from station.judge.advice_forecast import Bends, Figures
from station.judge.groups import number
from station.judge.limits import mean_and_u
from station.judge.plan import Plan
from station.quantities import GROUPS
from station.records import Floats
from station.specification import Specification

MOVES_S: Final = 0.14  # of one flick beside hold and free time: push, way home, pause; chosen on the emulated rig, 0.35 s in all
SURPRISE: Final = 0.05  # an observed share that a normal tail explains with less chance than this is taken instead of the tail


@dataclass(frozen=True, slots=True)
class GroupFigures:
    """Predicted figures of one group with one part, means over its flicks. u_counts: standard uncertainty of the mean peak."""

    name: str
    flicks: int
    mean_counts: float
    sd_counts: float
    largest_counts: float
    u_counts: float
    over_share: float
    return_s: float
    lag_s: float
    settle_s: float

    def document(self) -> dict[str, Any]:
        """JSON-ready."""
        return {
            "flicks": self.flicks,
            "peak_counts": {"mean": self.mean_counts, "sd": self.sd_counts, "max": self.largest_counts, "u": self.u_counts},
            "over_share": self.over_share,
            "return_s": number(self.return_s),
            "added_lag_s": number(self.lag_s),
            "settle_s": number(self.settle_s),
        }


@dataclass(frozen=True, slots=True)
class Candidate:
    """One part. mean, sd and worst pool both directions; other figures are the worse group's.

    broken: reasons, by group or axis, for which it does not meet at nominal track and part. test_flicks, test_s: of the retest, all
    groups of the axis.
    """

    capacitance_f: float
    groups: tuple[GroupFigures, ...]
    mean_counts: float
    sd_counts: float
    worst_counts: float
    u_counts: float
    chance: float
    broken: tuple[str, ...]
    test_flicks: float
    test_s: float

    @property
    def meets(self) -> bool:
        return not self.broken

    def worse(self, figure: str) -> float:
        """The larger of a figure's group means; NaN where one is not known."""
        return float(np.max([getattr(group, figure) for group in self.groups]))

    def document(self) -> dict[str, Any]:
        """The contract's fields and more, JSON-ready."""
        return {
            "capacitance_f": self.capacitance_f,
            "marking": marking_of(self.capacitance_f),
            "peak_counts": {"mean": self.mean_counts, "sd": self.sd_counts, "worst": self.worst_counts, "u": self.u_counts},
            "over_share": self.worse("over_share"),
            "added_lag_s": number(self.worse("lag_s")),
            "return_s": number(self.worse("return_s")),
            "settle_s": number(self.worse("settle_s")),
            "chance_to_pass": self.chance,
            "meets": self.meets,
            "broken": list(self.broken),
            "retest": {"flicks": self.test_flicks, "seconds": self.test_s},
            "groups": {group.name: group.document() for group in self.groups},
        }


@dataclass(frozen=True, slots=True)
class Retest:
    """How the retest is drawn. tolerances: of part, fitted part and track, as shares. u_counts: systematic uncertainty of a peak."""

    plan: Plan
    tolerances: tuple[float, float, float]
    u_counts: float
    seed: int


def candidates_of(
    group: NDArray[np.int8],
    farads: Floats,
    figures: Figures,
    bends: dict[int, Bends],
    spec: Specification,
    retest: Retest,
    standing: Sequence[str],
) -> list[Candidate]:
    """All candidates of an axis. group: of each flick, index into GROUPS. standing: reasons that no part can cure."""
    rows = {one: np.flatnonzero(group == one) for one in np.unique(group).tolist()}
    forecasts = [_forecast(GROUPS[one], figures, row, bends[one], spec) for one, row in rows.items()]
    limits = spec.limits
    bounds = Bounds(spec.host.neutral_zone_counts, spec.decision.guard_band_counts, limits.return_s, limits.added_lag_s, limits.settle_s)
    drawn = chances(retest.plan, forecasts, bounds, retest.tolerances, retest.u_counts, seed=retest.seed)
    out = []
    for k, one in enumerate(farads.tolist()):
        groups = tuple(_group(k, figures, row, forecast, spec) for row, forecast in zip(rows.values(), forecasts, strict=True))
        out.append(_candidate(one, figures.peak_counts[k], groups, drawn, k, spec, standing))
    return out


def _forecast(name: str, figures: Figures, row: NDArray[np.intp], bends: Bends, spec: Specification) -> GroupForecast:
    peaks = figures.peak_counts[:, row]
    returns, lags = (np.array([mean_and_u(one, np.zeros(len(row))) for one in part[:, row]]) for part in (figures.return_s, figures.lag_s))
    several = len(row) > 1
    return GroupForecast(
        name=name,
        flicks=len(row),
        freedom=float(max(len(row) - 1, 1)),
        mean_counts=peaks.mean(axis=1),
        sd_counts=peaks.std(axis=1, ddof=1) if several else np.full(len(peaks), spec.decision.sd_floor_counts),
        return_s=returns[:, 0],
        u_return_s=returns[:, 1],
        lag_s=lags[:, 0],
        u_lag_s=lags[:, 1],
        settle_s=figures.settle_s[:, row].mean(axis=1),
        peak_bends=bends.peak,
        return_bends=bends.return_time,
    )


def _candidate(
    farads: float, pooled: Floats, groups: tuple[GroupFigures, ...], drawn: Chances, k: int, spec: Specification, standing: Sequence[str]
) -> Candidate:
    flicks = float(drawn.flicks[k].sum())
    return Candidate(
        capacitance_f=farads,
        groups=groups,
        mean_counts=float(pooled.mean()),
        sd_counts=float(pooled.std(ddof=1)) if len(pooled) > 1 else 0.0,
        worst_counts=float(pooled.max()),
        u_counts=math.sqrt(sum((one.u_counts * one.flicks) ** 2 for one in groups)) / len(pooled),
        chance=0.0 if standing else float(drawn.passes[k]),
        broken=tuple(dict.fromkeys([*standing, *_broken(groups, spec)])),
        test_flicks=flicks,
        test_s=flicks * (spec.flick.hold_s + spec.flick.free_s + MOVES_S),
    )


def _group(k: int, figures: Figures, row: NDArray[np.intp], forecast: GroupForecast, spec: Specification) -> GroupFigures:
    peaks, sd = figures.peak_counts[k, row], float(forecast.sd_counts[k])
    measured = float(np.sqrt(np.mean(figures.u_peak_counts[k, row] ** 2)))
    return GroupFigures(
        name=forecast.name,
        flicks=len(row),
        mean_counts=float(forecast.mean_counts[k]),
        sd_counts=sd,
        largest_counts=float(peaks.max()),
        u_counts=math.hypot(sd, measured) / math.sqrt(len(row)),
        over_share=over_share(peaks, sd, spec.host.neutral_zone_counts, spec.decision.sd_floor_counts),
        return_s=float(forecast.return_s[k]),
        lag_s=float(forecast.lag_s[k]),
        settle_s=float(forecast.settle_s[k]),
    )


def over_share(peaks: Floats, sd: float, zone_counts: float, floor_counts: float) -> float:
    """Long-run share of flicks beyond the zone, from a group's peaks, shape (n,), and their standard deviation.

    Tail of the normal law beyond the zone, with at least the floor as standard deviation: a dozen flicks without an exceedance say more
    than "none". Where more flicks lie beyond than such a tail explains (binomial, 5 %), the observed share is taken.
    """
    tail = float(special.ndtr((float(peaks.mean()) - zone_counts) / max(sd, floor_counts, 1e-9)))
    beyond = int(np.count_nonzero(peaks > zone_counts))
    unexplained = beyond > 0 and float(special.bdtrc(beyond - 1, len(peaks), tail)) < SURPRISE
    return beyond / len(peaks) if unexplained else tail


def _broken(groups: Sequence[GroupFigures], spec: Specification) -> list[str]:
    """Reasons, by group, for which a part would not do; a figure that is not known breaks its limit."""
    limits = spec.limits
    out = []
    for group in groups:
        checks = (
            (reasons.SNAPBACK, group.over_share, spec.decision.over_share_good),
            (reasons.DULL, group.lag_s, limits.added_lag_s),
            (reasons.SLUGGISH, group.return_s, limits.return_s),
            (reasons.SLOW_SETTLE, group.settle_s, limits.settle_s),
        )
        out += [f"{code}:{group.name}" for code, value, limit in checks if not value <= limit]
    return out
