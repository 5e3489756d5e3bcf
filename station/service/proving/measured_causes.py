"""What a reference check that is off most likely means, by the pattern of its deviations. Pure; a hint for a person, no verdict."""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Final

from station.proof import Deviation, ReferenceCheck

LEANS: Final = 0.3  # share of its limit by which a figure is off on the mean of all places; chosen on emulated data
TIMING: Final = frozenset(("push_latency_s", "push_s", "release_s"))
OF_THE_RIG: Final = TIMING | {"push_jitter_s", "release_jitter_s", "supply_v", "noise_counts"}


@dataclass(frozen=True, slots=True)
class Pattern:
    """off: figures that are off at any place. leans: by figure, mean deviation of all places in limits; NaN where it was not measured."""

    off: frozenset[str]
    leans: dict[str, float]

    def later(self, figure: str) -> bool:
        return self.leans.get(figure, math.nan) > LEANS

    def earlier(self, figure: str) -> bool:
        return self.leans.get(figure, math.nan) < -LEANS


def likely_causes(check: ReferenceCheck) -> tuple[str, ...]:
    """Sentences, the most telling first; empty when the check is within."""
    off = [one for one in check.deviations if not one.within]
    if not off:
        return ()
    pattern = Pattern(frozenset(one.figure for one in off), _leans(check.deviations))
    found = [sentence for fits, sentence in CAUSES if fits(pattern)]
    if not pattern.off & OF_THE_RIG:
        found.append(f"The unit itself: only its own figures changed. Look at unit {check.serial}, or measure another reference unit.")
    if any(math.isnan(one.measured) for one in off):
        found.append("Some figures could not be measured: look at the unit's connection and measure it again.")
    return tuple(found) or ("No known pattern: measure again, then recalibrate the rig.",)


def _leans(deviations: Sequence[Deviation]) -> dict[str, float]:
    by_figure: dict[str, list[float]] = {}
    for one in deviations:
        by_figure.setdefault(one.figure, []).append((one.measured - one.reference.value) / one.reference.limit)
    return {figure: sum(values) / len(values) for figure, values in by_figure.items()}


def _timing(pattern: Pattern) -> bool:
    """Whether the finger's timing is off and steady enough to be read: with a loose clamp it is not."""
    return bool(pattern.off & TIMING) and "push_jitter_s" not in pattern.off


def _slow(pattern: Pattern) -> bool:
    return _timing(pattern) and pattern.later("push_s")


def _late(pattern: Pattern) -> bool:
    return _timing(pattern) and not pattern.later("push_s") and pattern.later("push_latency_s") and pattern.later("release_s")


def _worn(pattern: Pattern) -> bool:
    """A shorter tip touches later and lets go earlier."""
    return _timing(pattern) and not pattern.later("push_s") and pattern.later("push_latency_s") and pattern.earlier("release_s")


def _loose(pattern: Pattern) -> bool:
    return "push_jitter_s" in pattern.off and pattern.later("push_jitter_s")


def _uneven(pattern: Pattern) -> bool:
    return "release_jitter_s" in pattern.off and "push_jitter_s" not in pattern.off and pattern.later("release_jitter_s")


def _drifted(pattern: Pattern) -> bool:
    return "supply_v" in pattern.off


def _noisy(pattern: Pattern) -> bool:
    return "noise_counts" in pattern.off and pattern.later("noise_counts")


CAUSES: Final[tuple[tuple[Callable[[Pattern], bool], str], ...]] = (
    (_slow, "Slow servo: the push takes longer. Look for friction, a weak supply of the actuator, a tired motor."),
    (_late, "Late servo: push and release come later by about the same time. Look at the actuator's driver."),
    (_worn, "Worn finger: it touches later and lets go earlier. Look at its tip; after a change recalibrate."),
    (_loose, "Loose clamp: the finger meets the stick at another place each time. Tighten clamp and finger."),
    (_uneven, "Uneven release: the finger lets go now sooner, now later. Look at its edge; the clamp may be loose as well."),
    (_drifted, "Drifting sampler, or another supply of the unit: check the sampler at its references, then recalibrate."),
    (_noisy, "Noisy sampler: look at cable, earth and probes."),
)
"""Patterns, the most telling first, as the emulated rig's ills make them; order and wording chosen."""
