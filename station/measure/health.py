"""What a recording tells of the rig it was made on: the figures named in station.proof.HEALTH. Pure; says nothing of the unit."""

import math
from collections.abc import Mapping, Sequence
from typing import Final

import numpy as np

from station.measure.push import Pushes, pushes
from station.measure.rows import Indices
from station.proof import HEALTH
from station.quantities import GROUPS
from station.records import Floats, Recording
from station.specification import Specification

LEAD_S: Final = 0.25  # before the first flick: what lies farther back may hold the clamp's knock
LEAST_SAMPLES: Final = 16  # of rest, for a noise figure
SAMPLES_MAX: Final = 6_000_000  # of a recording that is looked at: ten minutes at 10 kS/s, 1,800 flicks; bounds memory to some 60 MB


def health_of(recording: Recording, spec: Specification) -> dict[str, float]:
    """Figures of proof.HEALTH, NaN where not known: no flicks commanded, a dead axis, samples that are no numbers."""
    found = health_pushes(recording, spec)
    return {**(timing_of(found) if found else dict.fromkeys(HEALTH[:6], math.nan)), **_noise(recording, spec)}


def health_pushes(recording: Recording, spec: Specification) -> Pushes | None:
    """Timing of every commanded flick, in the order of the commands; None where there is none to look at."""
    commanded = tuple(one for one in recording.commanded or () if one.first_sample < min(len(recording.x_v), SAMPLES_MAX))
    if not commanded:
        return None
    rest = [float(np.median(lead)) if len(lead) else math.nan for lead in _leads(recording)]
    reach_v = spec.stick.reach_counts * spec.count_v(recording.supply_v)
    with np.errstate(invalid="ignore"):
        return pushes((recording.x_v, recording.y_v), recording.rate_hz, commanded, (rest[0], rest[1]), reach_v)


def timing_of(found: Pushes) -> dict[str, float]:
    """Medians of all flicks, and the jitter about the groups' own means."""
    return {
        "push_latency_s": median(found.latency_s),
        "push_jitter_s": jitter(found.latency_s, found.group),
        "push_s": median(found.push_s),
        "release_s": median(found.release_s),
        "release_jitter_s": jitter(found.release_s, found.group),
        "release_speed_share_s": median(found.speed_share_s),
    }


def pooled(sticks: Sequence[Mapping[str, float]]) -> dict[str, float]:
    """One set of figures from those of several sticks: the mean of each over the sticks that know it."""
    out = {}
    for name in HEALTH:
        known = [one[name] for one in sticks if math.isfinite(one[name])]
        out[name] = sum(known) / len(known) if known else math.nan
    return out


def median(values: Floats) -> float:
    """Of the values that are known; NaN if none is."""
    known = values[np.isfinite(values)]
    return float(np.median(known)) if len(known) else math.nan


def jitter(values: Floats, group: Indices) -> float:
    """Standard deviation about the groups' own means, with as many degrees of freedom as are left; NaN without one."""
    known = np.isfinite(values)
    values, group = values[known], group[known]
    counts = np.bincount(group, minlength=len(GROUPS))
    freedom = len(values) - np.count_nonzero(counts)
    if freedom < 1:
        return math.nan
    means = np.bincount(group, values, len(GROUPS)) / np.maximum(counts, 1)
    return math.sqrt(float(np.sum((values - means[group]) ** 2)) / freedom)


def _leads(recording: Recording) -> tuple[Floats, Floats]:
    """Samples of x and y before the first commanded flick."""
    commanded = recording.commanded or ()
    end = commanded[0].first_sample if commanded else 0
    begin = max(0, end - round(LEAD_S * recording.rate_hz))
    return recording.x_v[begin:end], recording.y_v[begin:end]


def _noise(recording: Recording, spec: Specification) -> dict[str, float]:
    """Rms at rest of both axes, counts."""
    count_v = spec.count_v(recording.supply_v)
    found = [float(np.std(lead)) / count_v if len(lead) >= LEAST_SAMPLES else math.nan for lead in _leads(recording)]
    return {"noise_x_counts": found[0], "noise_y_counts": found[1]}
