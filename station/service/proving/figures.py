"""Wear and uncertainty budget of a rig, made from what the book holds."""

import math
from collections.abc import Mapping
from datetime import datetime
from typing import Any, Final

from station.ports.desk import RigView
from station.ports.proof import ProofBook
from station.proof import Calibration, Study
from station.prove.budget_point import OperatingPoint
from station.prove.budget_sources import BudgetInputs, budget_document, with_study
from station.prove.calibration_figures import value_of
from station.prove.wear import HealthLimit, wear
from station.quantities import AXES
from station.specification import Specification

WEAR_RUNS: Final = 2000  # newest runs that a trend is made of: a fortnight of two shifts

HEALTH_LIMITS: Final[Mapping[str, HealthLimit]] = {
    "push_latency_s": HealthLimit(high=0.025),  # with the push itself the finger must be at full deflection 50 ms after the order
    "push_jitter_s": HealthLimit(high=0.0008),  # twice what a calibration accepts of the servo, the unit's place being in it
    "push_s": HealthLimit(high=0.025),  # a servo of half the slew that a calibration accepts
    "release_jitter_s": HealthLimit(high=0.001),  # twice what a calibration accepts, the units' own friction being in it
    "noise_x_counts": HealthLimit(high=1.5),  # the demo product's own limit on noise: beyond it the rig would fail good units
    "noise_y_counts": HealthLimit(high=1.5),
}
"""Chosen on emulated data (decision record 3). A figure without a limit has its trend told, and no forecast."""

NOISE_GAIN: Final = 0.3  # of a sample's noise that a peak keeps: the peak's estimator fits 10 to 20 samples (from its measured spread)
FLICKS: Final = 10  # of a group in a usual run: the stated figure is their mean
LAG_SD_S: Final = 2e-5  # scatter of the added lag from flick to flick on emulated sticks


def wear_of(book: ProofBook, view: RigView, now: datetime) -> dict[str, Any]:
    """Trend, forecast and likely cause of every figure of health of a rig. Raises StoreError."""
    return wear(book.health(view.rig_id, view.emulated, WEAR_RUNS), HEALTH_LIMITS, now)


def budget_of(calibration: Calibration, study: Study | None, specification: Specification) -> dict[str, Any]:
    """Budget of a peak at the neutral zone's edge, where it matters, and of the lag that the middle part of the stock adds."""
    figures, plan = calibration.document["rig"], calibration.document["plan"]
    gain, offset, bow, load = (value_of(figures[name]) for name in ("gain_error", "offset_v", "bow", "load_s"))
    limits = calibration.document["limits"]
    supply = value_of(figures["supply_v"])
    host, stick, stock = specification.host, specification.stick, specification.stock
    point = OperatingPoint(
        bits=host.bits,
        supply_v=supply.value,
        reference_v=plan["reference_v"],
        rest_counts=stick.rest_counts,
        reach_counts=stick.reach_counts,
        peak_counts=host.neutral_zone_counts,
        return_s=specification.limits.return_s / 2,
        rate_hz=plan["sample_rate_hz"],
        track_ohm=stick.track_ohm,
        series_ohm=stick.series_ohm,
        input_ohm=1.0 / max(load.value + 2.0 * load.u, 1e-12),
        fitted_f=stock.values_f[len(stock.values_f) // 2],
    )
    count_v = supply.value / 2.0**host.bits
    noise_counts = max(value_of(figures[f"noise_{axis}_v"]).value for axis in AXES) / count_v
    made = BudgetInputs(
        point=point,
        supply_u_v=supply.u,
        gain_u_share=math.hypot(gain.value, gain.u),
        offset_u_v=math.hypot(offset.value, offset.u),
        bow_half_width_share=math.sqrt(3.0) * math.hypot(bow.value, bow.u),
        reference_half_width_share=float(limits["reference_tolerance"]),
        clock_half_width_share=float(limits["sample_clock_most"]),
        quantum_v=plan["reference_v"] / 2.0 ** plan["bits"],
        noise_counts=noise_counts,
        noise_gain=NOISE_GAIN,
        release_sd_counts=_release_sd_counts(calibration, stick.reach_counts),
        flicks=FLICKS,
        track_half_width_share=stick.track_tolerance,
        part_half_width_share=stock.tolerance,
        lag_sd_s=LAG_SD_S,
    )
    return budget_document(with_study(made, study.document) if study else made)


def _release_sd_counts(calibration: Calibration, reach_counts: float) -> float:
    """How much a peak differs from flick to flick, by the calibration's own flicks, worst direction."""
    flicks = calibration.document["plan"]["flicks"]
    return reach_counts * math.sqrt(flicks) * max(value_of(one["peak"]).u for one in calibration.document["directions"].values())
