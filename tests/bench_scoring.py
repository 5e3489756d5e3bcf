"""Speed of the scorer, as ratios within one run.

    python -m tests.bench_scoring

prints flicks per second beside the plain scipy scorer's, the time beside three bare passes over the same samples, and the cost of one more
flick of a live run after 10 and after 1,000.
"""

import time
from dataclasses import dataclass

import numpy as np

from station.measure.baseline import baseline_of
from station.measure.flicks import LIVE, measure_flicks
from station.quantities import GROUPS
from station.records import Recording
from tests.campaign_accuracy import demo_specification
from tests.slow_scorer import slow_score
from tests.truth import Scene, simulate

SHIFT = Scene(order=GROUPS * 25, interval_s=0.35, hold_s=0.08)


@dataclass(frozen=True)
class Speed:
    fast_s_per_flick: float
    slow_s_per_flick: float
    passes_s_per_flick: float
    live_s: float

    @property
    def times_faster(self) -> float:
        return self.slow_s_per_flick / self.fast_s_per_flick

    @property
    def times_bare_passes(self) -> float:
        return self.fast_s_per_flick / self.passes_s_per_flick

    def report(self) -> str:
        return (
            f"scoring {1 / self.fast_s_per_flick:.0f} flicks/s: {self.times_faster:.1f} times the plain scipy loop, "
            f"{self.times_bare_passes:.1f} times three bare passes; one live flick {1e3 * self.live_s:.2f} ms"
        )


def repeated(recording: Recording, times: int) -> Recording:
    """The same flicks again and again after one quiet lead."""
    lead = round(0.25 * recording.rate_hz)
    x, y = (np.concatenate([v[:lead]] + [v[lead:]] * times) for v in (recording.x_v, recording.y_v))
    return Recording(recording.rate_hz, x, y, recording.supply_v, recording.quantum_v)


def measure_speed(times: int = 10, slow_flicks: int = 100) -> Speed:
    """Seconds per flick of both scorers and of three sums over the samples; best of three."""
    spec = demo_specification()
    short = simulate(SHIFT, 1, with_truth=False)
    long = repeated(short.recording, times)
    base = baseline_of(long, spec)
    flicks = len(measure_flicks(long, base, spec))
    fast = min(_timed(lambda: measure_flicks(long, base, spec)) for _ in range(3))
    passes = min(_timed(lambda: [float(v.sum()) for _ in range(3) for v in (long.x_v, long.y_v)]) for _ in range(3))
    slow = _timed(lambda: slow_score(short.recording, spec))
    first, last = (round((short.push_s[7] + offset) * SHIFT.rate_hz) for offset in (-0.002, 0.345))
    one = Recording(SHIFT.rate_hz, long.x_v[first:last], long.y_v[first:last], long.supply_v, long.quantum_v)
    live = sorted(_timed(lambda: measure_flicks(one, base, spec, metrics=LIVE)) for _ in range(41))[20]
    return Speed(fast / flicks, slow / slow_flicks, passes / flicks, live)


def _timed(work: object) -> float:
    start = time.perf_counter()
    work()  # type: ignore[operator]
    return time.perf_counter() - start


if __name__ == "__main__":
    print(measure_speed().report())
