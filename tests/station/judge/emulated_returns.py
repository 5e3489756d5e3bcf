"""Recordings of emulated sticks behind the emulated rig's own circuit and converter, without its firmware: quick enough for campaigns."""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from rigs.emulated.characters import axis_with_peak
from rigs.emulated.circuit import Axis, node, source, substeps
from rigs.emulated.converter import coded, converted
from rigs.emulated.laws import ConverterLaw
from rigs.emulated.path import Path, Pushed
from rigs.emulated.release import Grease
from rigs.emulated.sampler import wiper_levels
from rigs.emulated.settings import RigSettings
from rigs.emulated.stick import free_motion
from rigs.emulated.units import TRACK_COUNTS, AxisProperties, StickProperties
from station.quantities import axis_of, sign_of
from station.records import Floats, Recording

LEAD_S, HOLD_S, FREE_S, PUSH_COUNTS_S = 0.30, 0.06, 0.16, 6000.0
LAW = ConverterLaw()


def stick_of(
    random: np.random.Generator, peak_counts: float = 24.0, ring_hz: float = 86.0, track_ohm: float | None = None
) -> StickProperties:
    """A stick whose x swings to this mean peak, as the demo bench draws it; y is good. track_ohm: in place of the drawn track of x."""
    x = axis_with_peak(random, peak_counts, ring_hz)
    x = x if track_ohm is None else replace(x, track_ohm=track_ohm)
    return StickProperties(x, axis_with_peak(random, 13.0, 60.0))


def with_parts(stick: StickProperties, x_f: float = 0.0, y_f: float = 0.0) -> StickProperties:
    return replace(stick, x=replace(stick.x, capacitance_f=x_f), y=replace(stick.y, capacitance_f=y_f))


def damped(stick: StickProperties, factor: float) -> StickProperties:
    """The damping ratio of x times a factor."""
    return replace(stick, x=replace(stick.x, damping_plus=stick.x.damping_plus * factor, damping_minus=stick.x.damping_minus * factor))


def recorded(stick: StickProperties, groups: Sequence[str], seed: int, rate_hz: float = 10_000.0) -> Recording:
    """One recording of these flicks in turn, 12 bits."""
    random = np.random.default_rng(seed)
    count = round((LEAD_S + len(groups) * (0.02 + HOLD_S + FREE_S)) * rate_hz)
    fine = substeps(1.0 / rate_hz)
    times_s = np.arange((count - 1) * fine + 1) / (rate_hz * fine)
    levels = wiper_levels(stick, _positions(stick, groups, times_s, random))
    settings = RigSettings()
    nodes = [_node(axis, level, rate_hz * fine, settings.input_ohm)[::fine] for axis, level in zip(stick.axes(), levels, strict=True)]
    volts = np.stack(nodes, axis=1)
    noisy = converted(LAW, volts, settings.reference_v, settings.bits, LAW.noise_v * random.standard_normal(volts.shape))
    step = settings.reference_v / 2**settings.bits
    samples = coded((), noisy, settings.bits) * step
    return Recording(rate_hz, samples[:, 0].copy(), samples[:, 1].copy(), LAW.supply_v, step)


def _positions(stick: StickProperties, groups: Sequence[str], times_s: Floats, random: np.random.Generator) -> list[Floats]:
    """Counts of both axes from their neutral places."""
    paths, greases = (Path(), Path()), (Grease(random), Grease(random))
    out = [np.zeros(len(times_s)), np.zeros(len(times_s))]
    begin_s, shown = LEAD_S, 0
    for group in groups:
        index, sign = "xy".index(axis_of(group)), sign_of(group)
        axis, path = stick.axes()[index], paths[index]
        reach = axis.reach(sign)
        until_s = begin_s + reach / PUSH_COUNTS_S + HOLD_S + float(random.uniform(0.0, 0.001))
        path.follow([Pushed(begin_s, path.tail(begin_s), sign, begin_s, PUSH_COUNTS_S, until_s, reach)])
        path.follow(free_motion(until_s, sign * reach, 0.0, greases[index].dynamics(until_s, axis, sign)))
        begin_s = until_s + FREE_S
        end = int(np.searchsorted(times_s, begin_s))
        for row, one in zip(out, paths, strict=True):
            row[shown:end] = one.position(times_s[shown:end])
        shown = end
    for row, one in zip(out, paths, strict=True):
        row[shown:] = one.position(times_s[shown:])
    return out


def _node(axis: AxisProperties, level: Floats, rate_hz: float, input_ohm: float) -> Floats:
    open_v, ohm = source(Axis(axis.track_ohm, axis.series_ohm, axis.capacitance_f, input_ohm), level / TRACK_COUNTS, LAW.supply_v)
    return np.concatenate(
        [
            open_v[:1],
            node(Axis(axis.track_ohm, axis.series_ohm, axis.capacitance_f, input_ohm), open_v, ohm, 1.0 / rate_hz, float(open_v[0])),
        ]
    )
