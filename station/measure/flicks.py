"""From a recording to its flicks: clean, find, measure. The same code takes a whole recording or the stretch of one new flick."""

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from station.measure.baseline import Baseline
from station.measure.catalogue import CATALOGUE, METRICS, Metric, column_names
from station.measure.facts import facts_of
from station.measure.scan import Scan, scan
from station.measure.segments import Segments, find_flicks
from station.measure.spikes import Contact, bridged, find_contact, spike_rule
from station.records import Fitted, FlickTable, Floats, Recording
from station.specification import Specification

BATCH_SAMPLES: Final = 400_000  # flicks measured at once hold about so many samples per axis, whatever the length of the recording
LONGEST_S: Final = 0.47  # of one flick's traces
LIVE: Final = tuple(
    METRICS[name] for name in ("t_release_s", "reach_counts", "peak_counts", "over_zone_s", "misread_probability", "return_s", "settle_s")
)


@dataclass(frozen=True, slots=True)
class Found:
    """A recording cleaned and searched. values: samples of x and y with broken contacts bridged; scans of these, and contacts, as pairs.

    extremes_v: lowest and highest sample of either axis as recorded.
    """

    values: tuple[Floats, Floats]
    extremes_v: tuple[tuple[float, float], tuple[float, float]]
    scans: tuple[Scan, Scan]
    contacts: tuple[Contact, Contact]
    flicks: Segments
    reach_v: float  # nominal


def search(recording: Recording, base: Baseline, spec: Specification) -> Found:
    """Contacts and flicks of a recording. Needs finite samples."""
    axes = [_axis(values, k, recording, base, spec) for k, values in enumerate((recording.x_v, recording.y_v))]
    (x, x_range, x_scan, x_contact), (y, y_range, y_scan, y_contact) = axes
    flicks = find_flicks((x, y), (x_scan.means, y_scan.means), x_scan.block, recording.rate_hz, base, spec)
    return Found((x, y), (x_range, y_range), (x_scan, y_scan), (x_contact, y_contact), flicks, spec.stick.reach_counts * base.count_v)


def _axis(
    values: Floats, axis: int, recording: Recording, base: Baseline, spec: Specification
) -> tuple[Floats, tuple[float, float], Scan, Contact]:
    rule = spike_rule(recording.rate_hz, base.count_v, spec.stick.reach_counts, base.noise_v[axis], base.quantum_v[axis])
    seen = scan(values, recording.rate_hz, rule.step_v)
    contact = find_contact(values, seen.steps, base.rest_v[axis], rule)
    if not (len(contact.dropouts) or len(contact.losses)):
        return values, (seen.lowest_v, seen.highest_v), seen, contact
    cleaned = bridged(values, np.concatenate([contact.dropouts, contact.losses]))
    return cleaned, (seen.lowest_v, seen.highest_v), scan(cleaned, recording.rate_hz, rule.step_v), contact


def measure_found(
    found: Found, recording: Recording, base: Baseline, spec: Specification, fitted: Fitted, metrics: tuple[Metric, ...] = CATALOGUE
) -> FlickTable:
    """Figures of all flicks, in batches of bounded memory."""
    if not len(found.flicks):
        return FlickTable(np.zeros(0, dtype=np.int8), {name: np.zeros(0) for name in column_names(metrics)}, ())
    size = max(1, int(BATCH_SAMPLES / (LONGEST_S * recording.rate_hz)))
    parts = [found.flicks.part(slice(i, i + size)) for i in range(0, len(found.flicks), size)]
    columns = [_columns(found.values, recording, part, base, spec, fitted, metrics) for part in parts]
    joined = {name: np.concatenate([part[name] for part in columns]) for name in columns[0]}
    cut = joined.pop("cut") > 0
    unsettled = joined.pop("unsettled") > 0
    flicks, flags = found.flicks, _flags(found, cut, unsettled)
    unknown = np.array([bool({"contact-loss", "contact-lost"} & set(words)) for words in flags])
    joined["peak_counts"][unknown] = np.nan  # part of the swing was not seen
    return FlickTable((2 * flicks.axis + (flicks.sign < 0)).astype(np.int8), joined, flags)


def _columns(
    values: tuple[Floats, Floats],
    recording: Recording,
    part: Segments,
    base: Baseline,
    spec: Specification,
    fitted: Fitted,
    metrics: tuple[Metric, ...],
) -> dict[str, Floats]:
    facts = facts_of(values, recording.rate_hz, part, base, spec, fitted)
    out: dict[str, Floats] = {}
    for metric in metrics:
        value, u = metric.figure(facts)
        out[metric.name] = value
        out[f"u_{metric.name}"] = np.full(len(part), np.nan) if u is None else u
    out["t_release_s"] = out["t_release_s"] + recording.t_first_s
    out["cut"], out["unsettled"] = facts.swing.cut.astype(np.float64), facts.settled.unsettled.astype(np.float64)
    return out


def _flags(found: Found, cut: NDArray[np.bool_], unsettled: NDArray[np.bool_]) -> tuple[tuple[str, ...], ...]:
    """Words about each flick, such as "dropout"."""
    words: list[list[str]] = [[] for _ in range(len(found.flicks))]
    for axis, contact in enumerate(found.contacts):
        for word, firsts in (("dropout", contact.dropouts[:, 0]), ("contact-loss", contact.losses[:, 0]), ("contact-lost", contact.jumps)):
            for flick in _holding(found.flicks, axis, firsts):
                words[flick].append(word)
    for flick in _diagonal(found.flicks):
        words[flick].append("diagonal")
    for flick in np.flatnonzero(cut).tolist():
        words[flick].append("cut-short")
    for flick in np.flatnonzero(unsettled).tolist():
        words[flick].append("unsettled")
    return tuple(tuple(w) for w in words)


def _holding(flicks: Segments, axis: int, firsts: NDArray[np.intp]) -> list[int]:
    """Flicks of an axis whose hold or free interval contains any of the samples."""
    mine = np.flatnonzero(flicks.axis == axis)
    ordered = np.sort(firsts)
    inside = np.searchsorted(ordered, flicks.free_end[mine]) > np.searchsorted(ordered, flicks.hold[mine])
    return [int(k) for k in mine[inside]]


def _diagonal(flicks: Segments) -> list[int]:
    """Flicks released while the other axis was held too: both count, each in its own group."""
    out: list[int] = []
    for axis in (0, 1):
        mine, other = np.flatnonzero(flicks.axis == axis), np.flatnonzero(flicks.axis != axis)
        last = np.searchsorted(flicks.hold[other], flicks.half[mine]) - 1
        overlap = (last >= 0) & (flicks.half[other][last] > flicks.hold[mine]) if len(other) else np.zeros(len(mine), dtype=bool)
        out += mine[overlap].tolist()
    return out


def measure_flicks(
    recording: Recording, base: Baseline, spec: Specification, fitted: Fitted | None = None, metrics: tuple[Metric, ...] = CATALOGUE
) -> FlickTable:
    """All flicks of a recording, or of the stretch of one that begins at rest.

    Figures depend on each flick's own samples and the baseline alone, so a live run may measure flick by flick. metrics: which lines of
    the catalogue; LIVE leaves out those that take long.
    """
    return measure_found(search(recording, base, spec), recording, base, spec, fitted or Fitted(), metrics)
