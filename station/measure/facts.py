"""Everything the metrics are read from, worked out once for a batch of flicks, in the order in which one thing needs another."""

from dataclasses import dataclass

from station.measure.baseline import Baseline
from station.measure.release import Release, releases
from station.measure.segments import Segments
from station.measure.swing import Peak, Settling, Swing, peaks, settling, swings
from station.measure.traces import Traces, cut, final_levels, hold_levels
from station.measure.zone import OverZone, over_zone
from station.records import Fitted, Floats
from station.specification import Specification


@dataclass(frozen=True, slots=True)
class Facts:
    """Of n flicks. Levels in counts, shape (n,)."""

    base: Baseline
    spec: Specification
    fitted: Fitted
    flicks: Segments
    traces: Traces
    reach: Floats
    other_hold: Floats
    u_reach: Floats
    release: Release
    release_s: Floats
    final: Floats
    u_final: Floats
    swing: Swing
    peak: Peak
    settled: Settling
    over: OverZone


def facts_of(values: tuple[Floats, Floats], rate_hz: float, flicks: Segments, base: Baseline, spec: Specification, fitted: Fitted) -> Facts:
    """Works on each flick's own samples and the run's baseline alone. values: samples of x and y, volts."""
    traces = cut(values, rate_hz, flicks, base)
    reach, other_hold, u_reach = hold_levels(traces)
    release = releases(traces, reach, u_reach)
    release_s = traces.sample_s + (release.column - traces.pivot) / traces.rate_hz
    final, u_final = final_levels(values, rate_hz, flicks, base, release_s, traces)
    swing = swings(traces, release, final)
    peak = peaks(swing, traces, final)
    settled = settling(swing, traces, release, final, u_final, spec.limits.settle_band_counts)
    over = over_zone(swing, traces, peak, final, spec.host.neutral_zone_counts, spec.host.report_interval_s)
    return Facts(
        base, spec, fitted, flicks, traces, reach, other_hold, u_reach, release, release_s, final, u_final, swing, peak, settled, over
    )
