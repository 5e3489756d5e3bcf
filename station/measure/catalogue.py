"""Every metric of a flick: one line each. A new metric is one function, one line here, and one limit in the specification."""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

import numpy as np

from station.measure.facts import Facts
from station.measure.lag import added_lags
from station.measure.stray import cross_axis, roughness
from station.measure.swing import turning_points
from station.records import Floats

Figure = Callable[[Facts], tuple[Floats, Floats | None]]


@dataclass(frozen=True, slots=True)
class Metric:
    """name: of the column, unit included. figure: values and standard uncertainties (None: not stated) of n flicks.

    limit: key under [limits] that the mean over a group's used flicks is held against, "" for none. reason: code when it is broken.
    nominal: key under [stick] that is subtracted first. size: the mean is taken over absolute values.
    """

    name: str
    unit: str
    figure: Figure
    definition: str
    limit: str = ""
    reason: str = ""
    nominal: str = ""
    size: bool = False


def t_release(f: Facts) -> tuple[Floats, Floats]:
    return f.release_s, f.release.u_release_s


def reach(f: Facts) -> tuple[Floats, Floats]:
    return f.reach, f.u_reach


def peak(f: Facts) -> tuple[Floats, Floats]:
    unseen = f.swing.cut & (f.peak.counts <= f.spec.host.neutral_zone_counts)
    return np.where(unseen, np.nan, f.peak.counts), f.peak.u_counts


def over_zone_time(f: Facts) -> tuple[Floats, Floats]:
    return f.over.over_s, f.over.u_over_s


def misread(f: Facts) -> tuple[Floats, Floats]:
    return f.over.misread, f.over.u_misread


def return_time(f: Facts) -> tuple[Floats, Floats]:
    return f.release.return_s, f.release.u_return_s


def settle_time(f: Facts) -> tuple[Floats, Floats]:
    return np.where(f.swing.cut, np.nan, f.settled.settle_s), f.settled.u_s


def rings(f: Facts) -> tuple[Floats, None]:
    return turning_points(f.swing, f.final), None


def rest_shift(f: Facts) -> tuple[Floats, Floats]:
    return np.where(f.swing.cut | f.settled.unsettled, np.nan, f.final), f.u_final


def cross(f: Facts) -> tuple[Floats, Floats]:
    return cross_axis(f.traces, f.swing, f.settled, f.release, f.reach, f.other_hold)


def added_lag(f: Facts) -> tuple[Floats, Floats]:
    lag = added_lags(f.traces, f.flicks, f.release, f.swing, f.reach, f.base, f.spec, f.fitted)
    return lag, np.where(lag == 0.0, 0.0, f.release.u_return_s)


def motion_noise(f: Facts) -> tuple[Floats, None]:
    return roughness(f.traces, f.release), None


CATALOGUE: Final = (
    Metric("t_release_s", "s", t_release, "Last crossing of 90 % of the reach before the crossing of 10 %."),
    Metric(
        "reach_counts", "counts", reach, "Level held at full deflection, from rest.", "reach_error_counts", "short-reach", "reach_counts"
    ),
    Metric("peak_counts", "counts", peak, "Noise-free largest excursion past rest on the far side after release, never negative."),
    Metric("over_zone_s", "s", over_zone_time, "Time the far-side excursion spends beyond the neutral zone."),
    Metric("misread_probability", "1", misread, "Chance that at least one host reading falls into over-zone time."),
    Metric("return_s", "s", return_time, "90 % to 10 % transition duration of the release.", "return_s", "sluggish"),
    Metric(
        "settle_s",
        "s",
        settle_time,
        "From release until the deflection stays in its settle band around the final level.",
        "settle_s",
        "slow-settle",
    ),
    Metric("rings", "1", rings, "Turning points at least a count from the final level after the return, both sides."),
    Metric(
        "rest_shift_counts",
        "counts",
        rest_shift,
        "Final level less the run's rest, held side positive.",
        "rest_shift_counts",
        "rest-shift",
        size=True,
    ),
    Metric(
        "cross_axis_counts",
        "counts",
        cross,
        "How far the other axis strays beyond its coupling at hold.",
        "cross_axis_counts",
        "cross-axis",
    ),
    Metric("added_lag_s", "s", added_lag, "Delay the fitted capacitor adds at the 50 % crossing of the return.", "added_lag_s", "dull"),
    Metric("motion_noise_counts", "counts", motion_noise, "Noise rms while the wiper moves.", "noise_counts", "noisy-wiper"),
)

METRICS: Final = {metric.name: metric for metric in CATALOGUE}


def column_names(metrics: tuple[Metric, ...] = CATALOGUE) -> list[str]:
    """Columns of a flick table: each metric and its standard uncertainty."""
    return [name for metric in metrics for name in (metric.name, f"u_{metric.name}")]
