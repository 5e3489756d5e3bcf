"""Samples for looking at: an envelope that loses no extreme, the whole recording as CSV, and flicks laid over each other. Pure."""

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from station.quantities import GROUPS, axis_of, sign_of
from station.records import FlickTable, Floats, Recording

CHUNK_ROWS: Final = 2048  # about 64 kB of text at a time
POINTS_PER_FLICK: Final = 450  # more than a chart has pixels for it


@dataclass(frozen=True, slots=True)
class Envelope:
    """Smallest and largest sample of each stretch, shape (points,), volts; t_s: where each stretch begins."""

    t_s: Floats
    x_min_v: Floats
    x_max_v: Floats
    y_min_v: Floats
    y_max_v: Floats


def envelope(recording: Recording, first: int, last: int, points: int) -> Envelope:
    """Samples first..last (exclusive) in at most `points` stretches of equal length (within one sample); empty for no samples."""
    count = max(last - first, 0)
    starts = np.unique(np.linspace(0, count, min(points, count), endpoint=False).astype(np.int64)) if count else np.empty(0, np.int64)
    lows, highs = [], []
    for level_v in (recording.x_v[first:last], recording.y_v[first:last]):
        lows.append(np.minimum.reduceat(level_v, starts) if count else np.empty(0))
        highs.append(np.maximum.reduceat(level_v, starts) if count else np.empty(0))
    t_s = recording.t_first_s + (first + starts) / recording.rate_hz
    return Envelope(t_s, lows[0], highs[0], lows[1], highs[1])


def sample_at(recording: Recording, t_s: float) -> int:
    """Index of the first sample at or after a time of the recording, within 0..n."""
    index = math.ceil((t_s - recording.t_first_s) * recording.rate_hz - 1e-6)
    return min(max(index, 0), len(recording.x_v))


def csv_lines(recording: Recording, about: Mapping[str, Any]) -> Iterator[str]:
    """The recording as CSV by its contract (header `t_s,x_v,y_v`, RFC 4180 line ends), in pieces; `about` becomes comment lines.

    Numbers are the shortest that read back to the same double, so that a score of the file is a score of the samples.
    """
    yield "".join(f"# {name}: {value}\r\n" for name, value in about.items()) + "t_s,x_v,y_v\r\n"
    for begin in range(0, len(recording.x_v), CHUNK_ROWS):
        end = min(begin + CHUNK_ROWS, len(recording.x_v))
        t_s = (recording.t_first_s + np.arange(begin, end) / recording.rate_hz).tolist()
        rows = zip(t_s, recording.x_v[begin:end].tolist(), recording.y_v[begin:end].tolist(), strict=True)
        yield "".join(f"{t!r},{x!r},{y!r}\r\n" for t, x, y in rows)


@dataclass(frozen=True, slots=True)
class Overlaid:
    """One flick cut out: deflection in counts, shape (m,), first sample t_first_s after release, then each step_s."""

    flick: int
    t_first_s: float
    step_s: float
    deflection_counts: Floats


@dataclass(frozen=True, slots=True)
class Cut:
    """How flicks are cut out: from before_s before release to after_s after it; rest of both axes and a count, in volts."""

    before_s: float
    after_s: float
    rest_v: Mapping[str, float]
    count_v: float


def overlay(recording: Recording, flicks: FlickTable, cut: Cut, most: int) -> dict[str, list[Overlaid]]:
    """By group, at most `most` flicks: those with the largest peaks, in the order they were made."""
    found: dict[str, list[Overlaid]] = {}
    for index, group in enumerate(GROUPS):
        chosen = _largest(np.flatnonzero(flicks.group == index), flicks.columns["peak_counts"], most)
        cuts = (_cut_out(recording, int(flick), float(flicks.columns["t_release_s"][flick]), group, cut) for flick in chosen)
        found[group] = [one for one in cuts if one is not None]
    return found


def _largest(rows: NDArray[np.intp], peaks_counts: Floats, most: int) -> NDArray[np.intp]:
    keys = np.nan_to_num(peaks_counts[rows], nan=-np.inf)
    return np.sort(rows[np.argsort(-keys, kind="stable")[:most]])


def _cut_out(recording: Recording, flick: int, release_s: float, group: str, cut: Cut) -> Overlaid | None:
    if not math.isfinite(release_s):
        return None
    first, last = sample_at(recording, release_s - cut.before_s), sample_at(recording, release_s + cut.after_s)
    stride = max(1, math.ceil((last - first) / POINTS_PER_FLICK))
    axis = axis_of(group)
    level_v = (recording.x_v if axis == "x" else recording.y_v)[first:last:stride]
    deflection = sign_of(group) * (level_v - cut.rest_v[axis]) / cut.count_v
    t_first_s = recording.t_first_s + first / recording.rate_hz - release_s
    return Overlaid(flick, t_first_s, stride / recording.rate_hz, deflection)
