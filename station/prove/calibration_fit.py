"""The map from ordered angle to deflection of one direction, fitted to slow sweeps: rest, straight rise, gate.

Angles are ordered angles from home on the way out, the play of the gear taken up. Contact is where the straight rise meets the level of
rest; full deflection is where it meets the level at the gate. Deflections are shares of the unit's supply, the held side positive.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from station.errors import UsageError
from station.prove.calibration_figures import Measured
from station.records import Floats

KINK_DEG: Final = 0.3  # points so near to a kink are left out: the tip rolls over the cap there (chosen)
ROUNDS: Final = 30
RISING: Final = (0.15, 0.85)  # shares of the highest level that are surely on the rise, to begin with
RISING_LEAST: Final = 8  # points; three figures are drawn from them
GATE_LEAST: Final = 3
FLAT: Final = 0.02  # spread of the levels at the gate, of full deflection; the rise covers that in half a degree


@dataclass(frozen=True, slots=True)
class Sweep:
    """One push by small steps. angle_deg, deflection: shape (n,), outward. back: angle and deflection after one step back at half way."""

    angle_deg: Floats
    deflection: Floats
    release_deg: float
    back: tuple[float, float] | None = None


@dataclass(frozen=True, slots=True)
class MapFit:
    """contacts_deg, releases_deg, backlashes_deg: of each sweep. full: deflection at the gate. u of contact and full from the fit alone.

    residual_sd: of one settled reading about the straight parts, share of supply: noise and unevenness of the track.
    """

    slope: Measured
    contact_deg: Measured
    full_deg: Measured
    full: float
    residual_sd: float
    contacts_deg: Floats
    releases_deg: Floats
    backlashes_deg: Floats

    def model(self, angle_deg: Floats, contact_deg: float) -> Floats:
        """Deflection by the fitted map, of a sweep that began to push at this contact."""
        return np.clip(self.slope.value * (angle_deg - contact_deg), 0.0, self.full)


@dataclass(frozen=True, slots=True)
class _Points:
    angle: Floats
    deflection: Floats
    sweep: NDArray[np.intp]
    count: int


@dataclass(frozen=True, slots=True)
class _Rise:
    """deflection = slope * angle - begin[sweep]."""

    slope: float
    begin: Floats
    points: int
    mean_angle: float
    mean_deflection: float
    spread: float  # sum of squares of the angles about their sweep's mean
    residual_sd: float


def fit_map(sweeps: Sequence[Sweep], u_rest: float = 0.0) -> MapFit:
    """The map of one direction. u_rest: standard uncertainty of the level of rest, share of supply.

    Raises UsageError where there is no rise or no gate to be found.
    """
    points = _gather(sweeps)
    rise, top = _parts(points)
    u_level = math.hypot(u_rest, rise.residual_sd)  # the track's unevenness at the one place where the stick lies is not averaged out
    contact = _meets(rise, 0.0, u_level)
    full = _meets(rise, top, rise.residual_sd)
    contacts = rise.begin / rise.slope
    backlashes = [contacts[k] + one.back[1] / rise.slope - one.back[0] for k, one in enumerate(sweeps) if one.back is not None]
    return MapFit(
        slope=Measured(rise.slope, rise.residual_sd / math.sqrt(rise.spread)),
        contact_deg=contact,
        full_deg=full,
        full=top,
        residual_sd=rise.residual_sd,
        contacts_deg=contacts,
        releases_deg=np.array([one.release_deg for one in sweeps]),
        backlashes_deg=np.array(backlashes, dtype=np.float64),
    )


def residuals(fit: MapFit, sweeps: Sequence[Sweep]) -> list[Floats]:
    """Measured minus fitted deflection at every point, share of supply, by sweep."""
    return [one.deflection - fit.model(one.angle_deg, contact) for one, contact in zip(sweeps, fit.contacts_deg, strict=True)]


def _gather(sweeps: Sequence[Sweep]) -> _Points:
    angle = np.concatenate([one.angle_deg for one in sweeps])
    deflection = np.concatenate([one.deflection for one in sweeps])
    number = np.concatenate([np.full(len(one.angle_deg), k) for k, one in enumerate(sweeps)])
    return _Points(angle, deflection, number, len(sweeps))


def _parts(points: _Points) -> tuple[_Rise, float]:
    """The rise and the level at the gate. Which points belong to which is found by turns: fit, see where the kinks lie, sort anew."""
    highest = float(np.quantile(points.deflection, 0.95))
    rising = (points.deflection > RISING[0] * highest) & (points.deflection < RISING[1] * highest)
    top, at_gate = highest, np.zeros(len(rising), dtype=bool)
    for _ in range(ROUNDS):
        rise = _regress(points, rising)
        contact = (rise.begin / rise.slope)[points.sweep]
        full = contact + top / rise.slope
        now = (points.angle > contact + KINK_DEG) & (points.angle < full - KINK_DEG)
        at_gate = points.angle > full + KINK_DEG
        if np.count_nonzero(at_gate) < GATE_LEAST:
            raise UsageError("the stick does not come to full deflection before the finger lets go; expected a gate that stops it")
        top = float(points.deflection[at_gate].mean())
        if np.array_equal(now, rising):
            break
        rising = now
    if np.ptp(points.deflection[at_gate]) > FLAT * top + 8 * rise.residual_sd:
        raise UsageError("the stick still moves where it should stand at its gate; expected one level at full deflection")
    return rise, top


def _regress(points: _Points, rising: NDArray[np.bool_]) -> _Rise:
    """One slope, and a begin for each sweep, by least squares."""
    counts = np.bincount(points.sweep[rising], minlength=points.count)
    if counts.sum() < max(RISING_LEAST, points.count + 2) or counts.min() < 2:
        raise UsageError(f"only {counts.sum()} readings lie on the rise from contact to full deflection; expected at least {RISING_LEAST}")
    angle, deflection, sweep = points.angle[rising], points.deflection[rising], points.sweep[rising]
    mean_angle = np.bincount(sweep, angle) / counts
    mean_deflection = np.bincount(sweep, deflection) / counts
    off_angle, off_deflection = angle - mean_angle[sweep], deflection - mean_deflection[sweep]
    spread = float(off_angle @ off_angle)
    slope = float(off_angle @ off_deflection) / spread
    if slope <= 0.0:
        raise UsageError("the stick does not follow the finger outward; expected a deflection that rises with the angle")
    rest = off_deflection - slope * off_angle
    freedom = len(angle) - points.count - 1
    sd = math.sqrt(float(rest @ rest) / freedom)
    return _Rise(slope, slope * mean_angle - mean_deflection, len(angle), float(angle.mean()), float(deflection.mean()), spread, sd)


def _meets(rise: _Rise, level: float, u_level: float) -> Measured:
    """The angle at which the rise meets a level, on average over the sweeps; u by propagation (JCGM 100, 5.1.2)."""
    mean_begin = float(np.mean(rise.begin))
    angle = (mean_begin + level) / rise.slope
    u_mean = rise.residual_sd / math.sqrt(rise.points)
    u_slope = rise.residual_sd / math.sqrt(rise.spread)
    lever = angle - rise.mean_angle
    return Measured(angle, math.sqrt(u_mean**2 + (lever * u_slope) ** 2 + u_level**2) / rise.slope)
