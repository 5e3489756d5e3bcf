"""The electric side of one axis: potentiometer, capacitor and the sampler's own load, stepped exactly.

A wiper at share a of a track R across V is a source V a behind R a (1 - a) + series. With the sampler's input resistance beside it the
source becomes V a g behind R_s g, g = input / (R_s + input). Over one short step the source is a ramp and its resistance the mean of both
ends; then C R dv/dt = e(t) - v has the closed form used here, and the steps chain as affine maps of v. Written for the emulated rig
alone, on purpose without the station's own axis model: the two check each other.
"""

from dataclasses import dataclass
from typing import Final

import numpy as np

from station.records import Floats

STEP_MAX_S: Final = 25e-6  # at 90 Hz and 0.1 uF the ramp is then within 0.003 counts of an adaptive integrator (tested)
OPEN_OHM: Final = 1e15  # a wiper that has lifted


@dataclass(frozen=True, slots=True)
class Axis:
    """Electric figures of one axis."""

    track_ohm: float
    series_ohm: float
    capacitance_f: float
    input_ohm: float


def source(axis: Axis, share: Floats, supply_v: float | Floats, lifted: np.ndarray | None = None) -> tuple[Floats, Floats]:
    """Open-circuit volts and source resistance at the node for wiper shares, shape (n,); lifted: where the wiper has no contact."""
    own_ohm = axis.track_ohm * share * (1.0 - share) + axis.series_ohm
    if lifted is not None:
        own_ohm = np.where(lifted, OPEN_OHM, own_ohm)
    load = axis.input_ohm / (own_ohm + axis.input_ohm)
    return supply_v * share * load, own_ohm * load


def chain(gain: Floats, offset: Floats, start: float) -> Floats:
    """All v[k] of v[k] = gain[k] v[k-1] + offset[k], v[-1] = start, by doubling: log2(n) passes instead of n steps."""
    gain, offset = gain.copy(), offset.copy()
    reach = 1
    while reach < len(gain):
        offset[reach:] += gain[reach:] * offset[:-reach]
        gain[reach:] *= gain[:-reach].copy()
        reach *= 2
    return gain * start + offset


def node(axis: Axis, open_v: Floats, source_ohm: Floats, step_s: float, start_v: float) -> Floats:
    """Volts at the node after each step.

    open_v, source_ohm: shape (n + 1,), at the ends of n equal steps; start_v: the node at the first of them. Returns shape (n,).
    Without a capacitor the node is the source.
    """
    if axis.capacitance_f == 0.0:
        return open_v[1:]
    tau_s = axis.capacitance_f * 0.5 * (source_ohm[1:] + source_ohm[:-1])
    ratio = step_s / np.maximum(tau_s, 1e-15)
    keep = np.exp(-ratio)
    ramp = (1.0 - keep) / ratio
    return chain(keep, open_v[1:] * (1.0 - ramp) + open_v[:-1] * (ramp - keep), start_v)


def substeps(period_s: float) -> int:
    """Steps per sample that keep a step at or below STEP_MAX_S."""
    return max(1, int(np.ceil(period_s / STEP_MAX_S - 1e-9)))
