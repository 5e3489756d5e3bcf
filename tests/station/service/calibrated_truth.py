"""What a calibration of an emulated rig should find, from the rig's own settings and laws."""

import math

from rigs.emulated.laws import ClockLaw, ConverterLaw, ServoLaw
from rigs.emulated.release import WARM_UP_FLICKS
from rigs.emulated.settings import RigSettings
from rigs.emulated.twin import SERIAL
from rigs.emulated.units import AxisProperties
from station.quantities import axis_of, sign_of
from tests.station.service.calibrated import Proven


def peak_share(axis: AxisProperties, sign: int, stiff: float = 1.0) -> float:
    """Far-side peak over reach of one half swing about a centre displaced by dry friction (closed form)."""
    damping, reach = axis.damping(sign) * stiff, axis.reach(sign)
    friction = axis.friction_counts
    return (math.exp(-math.pi * damping / math.sqrt(1 - damping**2)) * (reach - friction) - friction) / reach


def warm_up_share(axis: AxisProperties, sign: int) -> float:
    """Mean peak of the first two releases after a pause over a warmed-up one, less 1."""
    first = [peak_share(axis, sign, 1 + axis.warm_up * math.exp(-k / WARM_UP_FLICKS)) for k in range(2)]
    return sum(first) / 2 / peak_share(axis, sign) - 1


def direction_truth(proven: Proven, group: str) -> dict[str, float]:
    """Angles as ordered, so half of the play beyond those of the tip."""
    law, shape = proven.twin.rig.plant.mechanism.law, proven.twin.rig.settings.shape
    stick = proven.twin.rig.bench.unit(SERIAL).stick_at(0)
    axis, sign = stick.axes()["xy".index(axis_of(group))], sign_of(group)
    contact = shape.touch_deg + law.wear_deg + law.backlash_deg / 2
    full = contact + shape.gate_deg - shape.touch_deg
    release = shape.release_deg - law.wear_deg + law.backlash_deg / 2
    return {
        "contact_deg": contact,
        "full_deg": full,
        "release_deg": release,
        "stroke_deg": release - contact,
        "place_deg": (release + contact) / 2,
        "slope_share_deg": axis.reach(sign) / 256.0 / (full - contact) * _supply_read_right(proven.twin.rig.plant.sampler.law),
        "backlash_deg": law.backlash_deg,
        "latency_s": law.latency_s,
        "slew_deg_s": law.slew_deg_s,
        "latency_jitter_s": law.latency_jitter_s,
        "release_jitter_s": math.hypot(law.latency_jitter_s, law.release_jitter_deg / law.slew_deg_s),
    }


def _supply_read_right(law: ConverterLaw) -> float:
    """True supply over the one read through a divider by two, which doubles the converter's offset."""
    return law.supply_v * (1 + law.gain_error) / (law.supply_v * (1 + law.gain_error) + 2 * law.offset_v)


def rig_truth(proven: Proven) -> dict[str, float]:
    servo: ServoLaw = proven.twin.rig.plant.mechanism.law
    law: ConverterLaw = proven.twin.rig.plant.sampler.law
    clock: ClockLaw = proven.twin.rig.plant.clock.law
    settings: RigSettings = proven.twin.rig.settings
    stick = proven.twin.rig.bench.unit(SERIAL).stick_at(0)
    warm = [warm_up_share(axis, sign) for axis in stick.axes() for sign in (1, -1)]
    scale = 1.0 + law.reference_error
    step_v = settings.reference_v / 2**settings.bits
    fine = {"noise_x_v": math.hypot(law.noise_v, step_v / math.sqrt(12))} if step_v < law.noise_v else {}  # else it hangs on the level
    return {
        **fine,
        "release_sd_deg": servo.release_jitter_deg,
        "offset_v": law.offset_v / scale,
        "gain_error": (1 + law.gain_error) / scale - 1,
        "bow": law.bow_share,
        "load_s": 1 / settings.input_ohm,
        "input_ohm": settings.input_ohm,
        "supply_v": law.supply_v * (1 + law.gain_error) / scale + 2 * law.offset_v / scale,
        "clock_error": clock.error,
        "sample_clock_error": clock.sampler_error,
        "lag1": 0.0,
        "warm_up": sum(warm) / 4,
    }
