"""A calibration from the results of its steps: figures with uncertainty, each against its range, the ills they show, the document. Pure.

The results are those of station.service.proving.calibrating, by the names of its steps.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from datetime import datetime, timedelta
from typing import Any, Final

import numpy as np

from station.errors import UsageError
from station.proof import Calibration, Procedure
from station.prove.calibration_figures import Measured
from station.prove.calibration_fit import MapFit, Sweep, fit_map, residuals
from station.prove.calibration_flicks import Series, lag1, servo_figures, warm_up
from station.prove.calibration_limits import CalibrationLimits
from station.prove.calibration_rules import DIRECTION, WHOLE
from station.prove.calibration_sampler import clock_error, gain_of, largest_change, sample_clock_error, sampler_figures
from station.prove.calibration_signal import sd_of
from station.quantities import AXES, GROUPS, axis_of, sign_of
from station.records import Floats

WIPER_OHM: Final = 2500.0  # of a 10 kilohm track at its middle, where it is largest: R a (1 - a)
FORMAT: Final = "restpoint-calibration/1"
Figures = Mapping[str, Any]


@dataclass(frozen=True, slots=True)
class _Direction:
    """Sweeps and flicks of one direction, and the map fitted to the sweeps."""

    sweeps: tuple[Sweep, ...]
    fit: MapFit
    series: Series
    u_rest: float


@dataclass(frozen=True, slots=True)
class _Scatter:
    """From push to push, pooled over the directions, degrees: of the contact, and of the release against the contact."""

    contact_deg: float
    release_deg: float
    freedom: int


def calibration_from(procedure: Procedure, limits: CalibrationLimits, at: datetime) -> Calibration:
    """What came of a calibration whose steps are all done; number 0. Raises UsageError where the results cannot be evaluated."""
    results = {one.name: one.figures for one in procedure.results}
    directions = _directions(results)
    scatter = _scatter(directions)
    whole = _whole_figures(results, directions, scatter, limits)
    load = WIPER_OHM * max(whole["load_s"].value, whole["load_s"].u)
    found = {group: _direction_figures(one, scatter, load) for group, one in directions.items()}
    document, problems = _judged(found, whole, limits)
    opening = procedure.opening
    return Calibration(
        number=0,
        procedure=procedure.number,
        station=opening.station,
        rig=opening.rig,
        rig_id=opening.rig_id,
        emulated=opening.emulated,
        firmware=opening.firmware,
        problems=problems,
        document={
            **document,
            "residuals": {group: _residual_plot(one) for group, one in directions.items()},
            "maps": {group: _map_plot(one, found[group]) for group, one in directions.items()},
            "plan": dict(opening.plan),
            "limits": asdict(limits),
            "steps": [{"name": one.name, "by": one.by, "at": one.at.isoformat()} for one in procedure.results],
        },
        made_by=opening.by,
        made_at=at,
        valid_until=at + timedelta(days=limits.valid_days),
        flicks_max=limits.valid_flicks,
    )


def sweeps_from(figures: Figures, group: str, rest: float) -> tuple[Sweep, ...]:
    """Sweeps of a step's result. rest: level of rest, share of the supply."""
    sign = sign_of(group)

    def sweep(one: Figures) -> Sweep:
        back = (one["back"]["angle_deg"], sign * (one["back"]["level"] - rest)) if one["back"] else None
        return Sweep(np.array(one["angle_deg"]), sign * (np.array(one["level"]) - rest), one["release_deg"], back)

    return tuple(sweep(one) for one in figures["sweeps"])


def ills_of(calibration: Calibration) -> tuple[str, ...]:
    """Names of the ills it found, each once: "worn finger", "slow servo", "loose clamp", ..."""
    return tuple(dict.fromkeys(one["name"] for one in calibration.document["ills"]))


def _of(results: Mapping[str, Figures], name: str) -> Figures:
    if name not in results:
        raise UsageError(f"calibration: step {name!r} has no result; expected every step to be done")
    return results[name]


def _directions(results: Mapping[str, Figures]) -> dict[str, _Direction]:
    rests = {axis: [one["rest"] for sign in "+-" for one in _of(results, f"sweep {axis}{sign}")["sweeps"]] for axis in AXES}
    made = {}
    for group in GROUPS:
        levels = np.array(rests[axis_of(group)])
        u_rest = sd_of(levels) / math.sqrt(len(levels))  # the stick lies elsewhere within its friction each time
        rest = float(levels.mean())
        sweeps = sweeps_from(_of(results, f"sweep {group}"), group, rest)
        try:
            fit = fit_map(sweeps, u_rest)
        except UsageError as problem:
            raise UsageError(f"calibration: sweep {group}: {problem}") from problem
        made[group] = _Direction(sweeps, fit, Series.of(_of(results, f"flicks {group}"), sign_of(group), rest), u_rest)
    return made


def _scatter(directions: Mapping[str, _Direction]) -> _Scatter:
    fits = [one.fit for one in directions.values()]
    freedom = sum(len(fit.contacts_deg) - 1 for fit in fits)
    contact = sum(_squares(fit.contacts_deg) for fit in fits)
    release = sum(_squares(fit.releases_deg - fit.contacts_deg) for fit in fits)
    return _Scatter(math.sqrt(contact / freedom), math.sqrt(release / freedom), freedom)


def _squares(values: Floats) -> float:
    off = values - values.mean()
    return float(off @ off)


def _direction_figures(one: _Direction, scatter: _Scatter, load: float) -> dict[str, Measured]:
    """load: share by which the sampler's input pulls the level in the middle of a track down; how much elsewhere hangs on the track."""
    fit, root = one.fit, math.sqrt(len(one.sweeps))
    contact, release = fit.contact_deg, float(fit.releases_deg.mean())
    u_contact, u_release = scatter.contact_deg / root, scatter.release_deg / root
    contact_deg = Measured(contact.value, math.hypot(contact.u, u_contact))
    backlash = fit.backlashes_deg
    u_backlash = math.hypot(sd_of(backlash), fit.residual_sd / fit.slope.value) / math.sqrt(max(1, len(backlash)))
    return {
        "contact_deg": contact_deg,
        "full_deg": Measured(fit.full_deg.value, math.hypot(fit.full_deg.u, u_contact)),
        "release_deg": Measured(release, math.hypot(u_release, u_contact)),
        "slope_share_deg": Measured(fit.slope.value, math.hypot(fit.slope.u, load * fit.slope.value)),
        "stroke_deg": Measured(release - contact.value, math.hypot(u_release, contact.u)),
        "place_deg": Measured((release + contact.value) / 2, math.sqrt((u_release / 2) ** 2 + u_contact**2 + contact.u**2)),
        "residual": Measured(fit.residual_sd / fit.full, fit.residual_sd / fit.full / math.sqrt(2.0 * len(one.sweeps[0].angle_deg))),
        "backlash_deg": Measured(float(np.mean(backlash)) if len(backlash) else math.nan, u_backlash),
        **servo_figures(one.series, fit, contact_deg, scatter.contact_deg, one.u_rest),
    }


def _whole_figures(
    results: Mapping[str, Figures], directions: Mapping[str, _Direction], scatter: _Scatter, limits: CalibrationLimits
) -> dict[str, Measured]:
    sampler, clock = _of(results, "sampler"), _of(results, "clock")
    moving = [results[f"{what} {group}"] for what in ("sweep", "flicks") for group in GROUPS]
    supplies = [_readings(one["supply_v"]) for one in (sampler, *moving)]
    gains = [gain_of(one["levels"], sampler["reference_v"]) for one in (sampler, *moving)]
    relative = 1.0 / math.sqrt(2.0 * scatter.freedom)
    peaks = [one.series.peak for one in directions.values()]
    samples = clock["samples"]
    return {
        "contact_sd_deg": Measured(scatter.contact_deg, scatter.contact_deg * relative),
        "release_sd_deg": Measured(scatter.release_deg, scatter.release_deg * relative),
        **sampler_figures(sampler["levels"], sampler["reference_v"], limits.reference_tolerance),
        "gain_change": largest_change(gains),
        "supply_v": _readings([value for one in (sampler, *moving) for value in one["supply_v"]]),
        "supply_change": largest_change(supplies),
        **{f"noise_{axis}_v": _readings([one["noise_v"][k] for one in moving]) for k, axis in enumerate(AXES)},
        "clock_error": clock_error(clock["pairs"], samples["tick_s"]),
        "sample_clock_error": sample_clock_error(samples["count"], samples["rate_hz"], samples["tick_span_s"], samples["tick_s"]),
        "lag1": lag1(peaks),
        "warm_up": warm_up(peaks),
    }


def _readings(values: Sequence[float]) -> Measured:
    return Measured(float(np.mean(values)), sd_of(np.array(values)) / math.sqrt(len(values)))


def _judged(
    found: Mapping[str, Mapping[str, Measured]], whole: Mapping[str, Measured], limits: CalibrationLimits
) -> tuple[dict[str, Any], tuple[str, ...]]:
    """The document's figures and ills, and the problems in the order of the rules."""
    cases = [(rule, group, rule.figure_of(found[group][rule.figure], limits)) for rule in DIRECTION for group in found]
    cases += [(rule, "", rule.figure_of(whole[rule.figure], limits)) for rule in WHOLE]
    document: dict[str, Any] = {"format": FORMAT, "directions": {group: {} for group in found}, "rig": {}, "ills": []}
    for rule, place, figure in cases:
        kept = document["directions"][place] if place else document["rig"]
        kept[rule.figure] = {"label": rule.label, **figure.document()}
    out = [(rule, place, figure) for rule, place, figure in cases if not figure.within]
    names = {rule.ill_of(figure) for rule, _, figure in out if figure.told}
    problems = []
    for rule, place, figure in out:
        cause = next((name for name in rule.behind if name in names), "")
        problems.append(rule.sentence(figure, place, cause))
        if figure.told and not cause:
            document["ills"].append({"name": rule.ill_of(figure), "place": place, "figure": rule.figure})
    return document, tuple(problems)


def _residual_plot(one: _Direction) -> dict[str, Any]:
    """residual: measured minus fitted deflection, share of full deflection."""
    rest = residuals(one.fit, one.sweeps)
    return {
        "angle_deg": [round(float(angle), 3) for sweep in one.sweeps for angle in sweep.angle_deg],
        "residual": [round(float(value) / one.fit.full, 6) for values in rest for value in values],
        "sweep": [k + 1 for k, sweep in enumerate(one.sweeps) for _ in sweep.angle_deg],
    }


def _map_plot(one: _Direction, figures: Mapping[str, Measured]) -> dict[str, Any]:
    """Corners of the fitted map and the points it rests on; deflection as a share of full deflection."""
    corners = [0.0, *(figures[name].value for name in ("contact_deg", "full_deg", "release_deg"))]
    return {
        "corner_deg": corners,
        "corner": [0.0, 0.0, 1.0, 1.0],
        "deflection": [round(float(value) / one.fit.full, 6) for sweep in one.sweeps for value in sweep.deflection],
        "full_share": one.fit.full,
    }
