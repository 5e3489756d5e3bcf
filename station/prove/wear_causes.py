"""What trends of a rig's own figures say together: the part that wears, named, so that it is not taken for bad units.

How each ill shows follows from what the finger does in a flick: it touches, pushes, holds, goes on beyond its release point.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

from scipy.special import chdtrc

from station.proof import Deviation

SPEAKS: Final = {
    "push_latency_s": "the servo's answer, play of its gear, and where the finger touches",
    "push_jitter_s": "how evenly the servo answers and the clamp holds",
    "push_s": "the servo's speed",
    "release_s": "the finger's edge: a worn one lets go earlier",
    "release_jitter_s": "how evenly the finger lets go and the clamp holds",
    "release_speed_share_s": "how freely the stick flies: a dragging finger, or springs of the sticks themselves",
    "noise_x_counts": "probe and sampler of x",
    "noise_y_counts": "probe and sampler of y",
    "supply_v": "the unit's supply, and the reference of the sampler that reads it",
}
"""Which part of the rig a figure of its health speaks of (station.proof.HEALTH, and the supply if it is given)."""


@dataclass(frozen=True, slots=True)
class Pattern:
    """signs: trends that must be there, +1 rising, -1 falling. without: trends that must not. part: what to look at; todo: what to do."""

    name: str
    signs: Mapping[str, int]
    without: Mapping[str, int]
    part: str
    because: str
    todo: str


METER: Final = "measure the supply with another meter, then recalibrate"
PATTERNS: Final = (
    Pattern(
        "worn-finger", {"push_latency_s": 1, "release_s": -1}, {}, "finger",
        "the stick is touched later and let go earlier: the tip has become shorter", "change the finger's tip, then recalibrate",
    ),
    Pattern(
        "slow-servo", {"push_latency_s": 1, "push_s": 1}, {}, "servo",
        "the push takes longer from the order on and on its way: the servo has become slower",
        "check the servo's supply and that the finger moves freely, change the servo if both are good, then recalibrate",
    ),
    Pattern(
        "late-servo", {"push_latency_s": 1, "release_s": 1}, {"push_s": 1}, "servo",
        "push and release come later by the same while the speed stays: the servo answers later, or its gear has more play",
        "look for play between servo and finger, then recalibrate",
    ),
    Pattern(
        "loose-clamp", {"push_jitter_s": 1, "release_jitter_s": 1}, {}, "clamp",
        "touching and letting go scatter more together: the unit lies elsewhere at every push (or the servo answers unevenly)",
        "clean and tighten the clamp, then measure the reference unit",
    ),
    Pattern(
        "uneven-release", {"release_jitter_s": 1}, {"push_jitter_s": 1}, "finger",
        "letting go scatters more while touching does not: the finger's edge is worn or dirty", "clean the finger's edge or change its tip",
    ),
    Pattern(
        "dragging-release", {"release_speed_share_s": -1}, {}, "finger or stick springs",
        "returns become slower: the finger drags as it lets go, or the sticks that come in have weaker springs",
        "measure the reference unit: if its release is slower too it is the finger, else it is the lot",
    ),
    Pattern(
        "noisy-sampler", {"noise_x_counts": 1, "noise_y_counts": 1}, {}, "sampler",
        "both axes become noisier at rest: the sampler, its ground or its supply", "check ground and shields, then recalibrate",
    ),
    Pattern(
        "noisy-probe-x", {"noise_x_counts": 1}, {"noise_y_counts": 1}, "probe of x",
        "one axis alone becomes noisier at rest", "clean or change the probe of x",
    ),
    Pattern(
        "noisy-probe-y", {"noise_y_counts": 1}, {"noise_x_counts": 1}, "probe of y",
        "one axis alone becomes noisier at rest", "clean or change the probe of y",
    ),
    Pattern(
        "drifting-sampler", {"supply_v": 1}, {}, "sampler's reference",
        "the supply seems to rise: it does, or the reference of the sampler falls", METER,
    ),
    Pattern(
        "drifting-sampler", {"supply_v": -1}, {}, "sampler's reference",
        "the supply seems to fall: it does, or the reference of the sampler rises", METER,
    ),
)  # fmt: skip

SCALE_SURE: Final = 3.0  # standard uncertainties a common scale must lie from 1; false alarms 0.3 % by the normal law
ALIKE_P: Final = 0.01  # deviations are alike unless a chi-square test says at this chance that they are not
FEWEST_FIGURES: Final = 4


def causes(signs: Mapping[str, int]) -> list[dict[str, Any]]:
    """Likely causes, JSON-ready, from the sign of each figure's trend (+1, -1, 0 none), most telling first."""
    found = [pattern for pattern in PATTERNS if _fits(pattern, signs)]
    found.sort(key=lambda pattern: -len(pattern.signs))
    return [
        {
            "name": pattern.name,
            "part": pattern.part,
            "figures": list(pattern.signs),
            "sentence": f"{pattern.part[0].upper()}{pattern.part[1:]}: {pattern.because}. What to do: {pattern.todo}.",
        }
        for pattern in found
    ]


def _fits(pattern: Pattern, signs: Mapping[str, int]) -> bool:
    there = all(signs.get(figure, 0) == sign for figure, sign in pattern.signs.items())
    return there and not any(signs.get(figure, 0) == sign for figure, sign in pattern.without.items())


@dataclass(frozen=True, slots=True)
class CommonScale:
    """factor: by which all figures of a reference unit are measured too large. u: its standard uncertainty. sentence: for people."""

    factor: float
    u: float
    sentence: str


def common_scale(deviations: Sequence[Deviation]) -> CommonScale | None:
    """Whether a reference unit's levels are all too large, or all too small, by one factor: then the sampler is at fault, not the unit.

    Takes the figures in counts whose value is at least three times their limit (a limit stands for two standard uncertainties). None with
    fewer than four of them, with a factor that may be 1, or with deviations that differ among each other.
    """
    usable = [one for one in deviations if _tells_scale(one)]
    if len(usable) < FEWEST_FIGURES:
        return None
    ratios = [one.measured / one.reference.value for one in usable]
    weights = [(2.0 * one.reference.value / one.reference.limit) ** 2 for one in usable]
    whole = sum(weights)
    factor = sum(weight * ratio for weight, ratio in zip(weights, ratios, strict=True)) / whole
    u = 1.0 / math.sqrt(whole)
    unlike = sum(weight * (ratio - factor) ** 2 for weight, ratio in zip(weights, ratios, strict=True))
    if abs(factor - 1.0) <= SCALE_SURE * u or float(chdtrc(len(usable) - 1, unlike)) < ALIKE_P:
        return None
    side = "large" if factor > 1.0 else "small"
    return CommonScale(
        factor,
        u,
        f"{len(usable)} figures of the reference unit are all too {side} by {100.0 * abs(factor - 1.0):.2g} %: the sampler's scale has "
        "moved (its reference, or the divider of the supply), not the unit. Recalibrate.",
    )


def _tells_scale(one: Deviation) -> bool:
    known = math.isfinite(one.measured) and one.reference.limit > 0.0
    return known and one.figure.endswith("_counts") and one.reference.value >= 3.0 * one.reference.limit
