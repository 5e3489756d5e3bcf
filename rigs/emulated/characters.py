"""How the units of the demo bench are drawn: one function per character, from a seeded generator to hidden properties.

All figures are chosen, not measured: they put every character well on its side of the limits of the demo product's specification
(neutral zone 22 counts, rest within 8, reach within 8, return within 12 ms, rest shift within 2, noise within 1.5 counts).
"""

from collections.abc import Callable, Mapping
from dataclasses import replace
from typing import Final

import numpy as np

from rigs.emulated.stick import damping_for
from rigs.emulated.units import AxisProperties, StickProperties

REACH_COUNTS: Final = 77.0
PEAK_SD_COUNTS: Final = (0.6, 0.8)
CURABLE_RING_HZ: Final = (84.0, 90.0)  # slower rings pass a 0.47 uF part almost whole


def axis_with_peak(random: np.random.Generator, peak_counts: float, ring_hz: float) -> AxisProperties:
    """An axis whose far-side peaks scatter about this mean, both sides within half a count of each other."""
    reach = REACH_COUNTS + float(random.normal(0.0, 0.6))
    friction = float(random.uniform(0.05, 0.15))
    lean = float(random.uniform(-0.25, 0.25))
    plus, minus = (_damping(peak_counts + side, reach, friction) for side in (lean, -lean))
    sd_counts = float(random.uniform(*PEAK_SD_COUNTS))
    return AxisProperties(
        rest_counts=128.0 + float(random.normal(0.0, 1.2)),
        reach_plus_counts=reach,
        reach_minus_counts=reach + float(random.normal(0.0, 0.3)),
        ring_hz=ring_hz,
        damping_plus=plus,
        damping_minus=minus,
        damping_spread=sd_counts / _slope(peak_counts, plus),
        friction_counts=friction,
        stiction_counts=1.4 * friction,
        track_ohm=10_000.0 * float(np.clip(random.normal(1.0, 0.04), 0.85, 1.15)),
        rough_counts=float(random.uniform(0.02, 0.08)),
    )


def _damping(peak_counts: float, reach: float, friction: float) -> float:
    """Damping ratio for a peak: the first half swing runs about a centre displaced by friction."""
    return damping_for((peak_counts + friction) / (reach - friction))


def _slope(peak_counts: float, damping_ratio: float) -> float:
    """Counts of peak lost per unit of damping ratio: the derivative of exp(-pi zeta / sqrt(1 - zeta^2))."""
    return float(peak_counts * np.pi / (1.0 - damping_ratio**2) ** 1.5)


def _good_axis(random: np.random.Generator) -> AxisProperties:
    return axis_with_peak(random, float(random.uniform(11.0, 15.5)), float(random.uniform(48.0, 80.0)))


def _snapping_axis(random: np.random.Generator) -> AxisProperties:
    return axis_with_peak(random, float(random.uniform(23.6, 24.6)), float(random.uniform(*CURABLE_RING_HZ)))


def good(random: np.random.Generator) -> StickProperties:
    """Peaks of 11 to 15.5 counts, 8 to 12 standard deviations inside the zone."""
    return StickProperties(
        _good_axis(random), _good_axis(random), coupling_x=float(random.normal(0.0, 0.008)), coupling_y=float(random.normal(0.0, 0.008))
    )


def snapback_x(random: np.random.Generator) -> StickProperties:
    """Just beyond the zone on x, ringing fast: a part of the stock brings it inside."""
    return replace(good(random), x=_snapping_axis(random))


def snapback_y(random: np.random.Generator) -> StickProperties:
    return replace(good(random), y=_snapping_axis(random))


def snapback_both(random: np.random.Generator) -> StickProperties:
    return replace(good(random), x=_snapping_axis(random), y=_snapping_axis(random))


def wild(random: np.random.Generator) -> StickProperties:
    """Far beyond the zone and ringing slowly: no part will do."""
    return replace(good(random), x=axis_with_peak(random, float(random.uniform(29.0, 32.0)), float(random.uniform(50.0, 60.0))))


def off_centre(random: np.random.Generator) -> StickProperties:
    made = good(random)
    return replace(made, y=replace(made.y, rest_counts=128.0 + float(random.choice([-1.0, 1.0]) * random.uniform(10.5, 14.0))))


def short_reach(random: np.random.Generator) -> StickProperties:
    made = good(random)
    short = REACH_COUNTS - float(random.uniform(11.0, 15.0))
    damping = _damping(12.0, short, made.x.friction_counts)
    return replace(
        made,
        x=replace(made.x, reach_plus_counts=short, reach_minus_counts=short, damping_plus=damping, damping_minus=damping),
    )


def sticky(random: np.random.Generator) -> StickProperties:
    """Dry friction holds it off its centre: which side it ends on depends on the side it comes from."""
    made = good(random)
    friction = float(random.uniform(3.6, 4.2))
    dry = replace(
        made.x,
        friction_counts=friction,
        stiction_counts=1.6 * friction,
        friction_spread=0.03,
        damping_plus=0.42,
        damping_minus=0.42,
        damping_spread=0.004,
    )
    return replace(made, x=dry)


def noisy_wiper(random: np.random.Generator) -> StickProperties:
    """The wiper lifts now and then while it moves."""
    made = good(random)
    return replace(made, y=replace(made.y, dropout_hz=float(random.uniform(15.0, 30.0)), wiper_noise_counts=0.3))


def dead_channel(random: np.random.Generator) -> StickProperties:
    made = good(random)
    return replace(made, x=replace(made.x, dead=True, wiper_noise_counts=0.4))


def swapped_axes(random: np.random.Generator) -> StickProperties:
    """The leads of x and y are exchanged."""
    return replace(good(random), swapped=True)


def reversed_axis(random: np.random.Generator) -> StickProperties:
    """The ends of one track are exchanged."""
    return replace(good(random), reversed_x=True)


def sluggish(random: np.random.Generator) -> StickProperties:
    """Somebody fitted far too large a part."""
    made = good(random)
    return replace(made, x=replace(made.x, capacitance_f=4.7e-6))


def crossed(random: np.random.Generator) -> StickProperties:
    """A release throws the other axis as well."""
    return replace(good(random), kick=float(random.uniform(0.30, 0.36)))


CHARACTERS: Final[Mapping[str, Callable[[np.random.Generator], StickProperties]]] = {
    "good": good,
    "snapback-x": snapback_x,
    "snapback-y": snapback_y,
    "snapback-both": snapback_both,
    "wild": wild,
    "off-centre": off_centre,
    "short-reach": short_reach,
    "sticky": sticky,
    "noisy-wiper": noisy_wiper,
    "dead-channel": dead_channel,
    "swapped-axes": swapped_axes,
    "reversed-axis": reversed_axis,
    "sluggish": sluggish,
    "crossed": crossed,
}
DEMO_ORDER: Final = (
    "good",
    "snapback-x",
    "dead-channel",
    "good",
    "short-reach",
    "snapback-both",
    "off-centre",
    "swapped-axes",
    "good",
    "sticky",
    "snapback-y",
    "noisy-wiper",
    "sluggish",
    "wild",
    "crossed",
    "reversed-axis",
)
"""The first units of the demo row: passes and failures of different reasons within a minute."""

DEMO_SHARES: Final[Mapping[str, float]] = {
    "good": 0.80,
    "snapback-x": 0.05,
    "snapback-y": 0.04,
    "snapback-both": 0.02,
    "wild": 0.01,
    "off-centre": 0.02,
    "short-reach": 0.01,
    "sticky": 0.01,
    "noisy-wiper": 0.01,
    "dead-channel": 0.01,
    "swapped-axes": 0.01,
    "sluggish": 0.01,
}
"""Shares of the characters among the units behind the first ones."""
