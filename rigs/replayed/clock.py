"""The sampling clock of a recording, judged by its time stamps: strictly increasing and uniform within 1 %."""

from dataclasses import dataclass
from typing import Final

import numpy as np

from station.records import Floats

UNIFORMITY: Final = 0.01  # contract of a recording: steps off the median by no more than 1 %, plus print rounding
RATE_MIN_HZ, RATE_MAX_HZ = 1_000.0, 100_000.0  # contract of a recording
BLOCKS: Final = 100  # the median step is taken over about so many spans, so long that their ends' rounding hardly counts
COARSE_SHARE: Final = 0.49  # a missing sample makes a step of at least 2 - 0.49, seen beyond 1.01 + 0.49; coarser printing could hide it
CHUNK: Final = 131_072


@dataclass(frozen=True, slots=True)
class Clock:
    """rate_hz: of the samples. distrust: one plain sentence for everything that makes the time stamps untrustworthy."""

    rate_hz: float
    distrust: tuple[str, ...]


def examine_clock(time_s: Floats, print_step_s: float) -> Clock:
    """Judge time stamps of shape (n,), n >= 2, printed with a last digit worth print_step_s (0.0: not rounded)."""
    step_s = _median_step_s(time_s)
    if step_s <= 0.0:
        # No rate can be told; the contract's slowest stands in, so that levels can still be looked at.
        return Clock(RATE_MIN_HZ, ("the time stamps do not increase",))
    shortest_s, longest_s, longest_at = _extreme_steps(time_s)
    slack_s = 4.0 * float(np.spacing(np.abs(time_s[[0, -1]]).max()))  # stamps are doubles: half a unit in the last place each, twice
    room_s = UNIFORMITY * step_s + print_step_s + slack_s
    found = [
        *_backward(shortest_s),
        *_uneven(step_s, shortest_s, longest_s, float(time_s[longest_at]), room_s),
        *_too_coarse(time_s, step_s, (shortest_s, longest_s), print_step_s, slack_s),
        *_off_range(1.0 / step_s),
    ]
    mean_step_s = float(time_s[-1] - time_s[0]) / (len(time_s) - 1)
    return Clock(1.0 / (step_s if found else mean_step_s), tuple(found))


def _median_step_s(time_s: Floats) -> float:
    span = max(1, (len(time_s) - 1) // BLOCKS)
    return float(np.median(np.diff(time_s[::span]))) / span


def _extreme_steps(time_s: Floats) -> tuple[float, float, int]:
    """Shortest and longest step, and the index of the sample before the longest; in chunks that stay in the cache."""
    shortest, longest, longest_at = np.inf, -np.inf, 0
    for begin in range(0, len(time_s) - 1, CHUNK):
        steps = np.diff(time_s[begin : begin + CHUNK + 1])
        at = int(steps.argmax())
        shortest = min(shortest, float(steps.min()))
        if steps[at] > longest:
            longest, longest_at = float(steps[at]), begin + at
    return float(shortest), float(longest), longest_at


def _backward(shortest_s: float) -> list[str]:
    return [] if shortest_s > 0.0 else [f"time does not strictly increase: a step of {shortest_s:.3g} s"]


def _uneven(step_s: float, shortest_s: float, longest_s: float, longest_after_s: float, room_s: float) -> list[str]:
    found = []
    if longest_s > step_s + room_s:
        found.append(
            f"samples are missing or late: a step of {longest_s:.6g} s after {longest_after_s:.6g} s, "
            f"where the median is {step_s:.6g} s and {room_s:.2g} s more is allowed"
        )
    if 0.0 < shortest_s < step_s - room_s:
        found.append(
            f"time steps are uneven: one of {shortest_s:.6g} s, where the median is {step_s:.6g} s and {room_s:.2g} s less is allowed"
        )
    return found


def _too_coarse(time_s: Floats, step_s: float, extremes_s: tuple[float, float], print_step_s: float, slack_s: float) -> list[str]:
    """Coarsely printed stamps are believed only where they show no step but those of an even clock."""
    if print_step_s <= COARSE_SHARE * step_s:
        return []
    even_s = round(step_s / print_step_s) * print_step_s
    if abs(step_s - even_s) <= UNIFORMITY * step_s:
        believed = extremes_s[1] - extremes_s[0] <= 2.0 * slack_s
    else:
        believed = _off_line_s(time_s) <= 0.5 * print_step_s + UNIFORMITY * step_s
    if believed:
        return []
    return [f"time stamps are printed in steps of {print_step_s:.3g} s, too coarse to see that no sample of {step_s:.3g} s is missing"]


def _off_line_s(time_s: Floats) -> float:
    """Largest distance of a stamp from the straight line of an even clock (least squares)."""
    index = np.arange(len(time_s), dtype=np.float64)
    index -= index.mean()
    centred = time_s - time_s.mean()
    centred -= index * (float(index @ centred) / float(index @ index))
    return float(np.abs(centred).max())


def _off_range(rate_hz: float) -> list[str]:
    low, high = RATE_MIN_HZ * (1.0 - UNIFORMITY), RATE_MAX_HZ * (1.0 + UNIFORMITY)
    if low <= rate_hz <= high:
        return []
    return [f"sampled at {rate_hz:.6g} samples per second; expected {RATE_MIN_HZ:.0f} to {RATE_MAX_HZ:.0f}"]
