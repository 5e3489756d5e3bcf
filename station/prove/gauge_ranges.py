"""The range method: components from mean ranges, as on the classic paper form. It cannot tell the interaction from repeatability.

Factors: K1 = 1 / d2 of the trials (many ranges are averaged), K2 and K3 = 1 / d2* of one range over operators and over parts.
"""

from dataclasses import dataclass

import numpy as np

from station.prove.gauge_anova import Components
from station.prove.gauge_study import GaugeStudy
from station.prove.range_constants import mean_range, rms_range


@dataclass(frozen=True, slots=True)
class Ranges:
    """mean_range: of the trials of one part by one operator. operators_range, parts_range: of their averages."""

    mean_range: float
    operators_range: float
    parts_range: float


def ranges(study: GaugeStudy) -> Ranges:
    """The three figures of the form, in the unit of the values."""
    return Ranges(
        mean_range=float(np.ptp(study.values, axis=2).mean()),
        operators_range=float(np.ptp(study.values.mean(axis=(0, 2)))),
        parts_range=float(np.ptp(study.values.mean(axis=(1, 2)))),
    )


def range_components(study: GaugeStudy) -> Components:
    """Variances by the range method; negative ones are zero, the interaction is not separated."""
    p, o, r = study.values.shape
    found = ranges(study)
    repeatability_sd = found.mean_range / mean_range(r)
    operator = (found.operators_range / rms_range(o)) ** 2 - repeatability_sd**2 / (p * r) if o > 1 else 0.0
    return Components(
        repeatability=repeatability_sd**2,
        operator=max(0.0, operator),
        interaction=0.0,
        part=(found.parts_range / rms_range(p)) ** 2,
    )
