"""The place at which a budget is made: levels, circuit and converter that the sensitivities are taken at."""

import math
from dataclasses import dataclass

from station.axis.model import source_resistance_ohm
from station.errors import UsageError


@dataclass(frozen=True, slots=True)
class OperatingPoint:
    """supply_v: the unit's rail. reference_v: full scale of the rig's converter. Levels in counts of the host. fitted_f: 0.0 for no part.

    return_s: 90 % to 10 % time of the release. input_ohm: resistance of the sampler's input. supply_divider: the supply is read through it
    by the same converter as the wiper, unless same_converter is false.
    """

    bits: int
    supply_v: float
    reference_v: float
    rest_counts: float
    reach_counts: float
    peak_counts: float
    return_s: float
    rate_hz: float
    track_ohm: float
    series_ohm: float
    input_ohm: float
    fitted_f: float = 0.0
    supply_divider: float = 2.0
    same_converter: bool = True

    def __post_init__(self) -> None:
        """Raises UsageError naming the first figure that cannot be."""
        for name in self.__dataclass_fields__:
            value = getattr(self, name)
            may_be_nought = name in ("series_ohm", "fitted_f", "same_converter")
            if not math.isfinite(value) or value < 0.0 or (value == 0.0 and not may_be_nought):
                raise UsageError(f"{name} is {value}; expected {'0 or more' if may_be_nought else 'more than 0'}")
        if not self.peak_counts < min(self.rest_counts, self.reach_counts):
            raise UsageError(
                f"peak_counts is {self.peak_counts}; expected less than rest ({self.rest_counts}) and reach ({self.reach_counts})"
            )


def source_ohm(point: OperatingPoint, share: float) -> float:
    """Resistance behind the wiper at a share of the track."""
    return float(source_resistance_ohm(share, point.track_ohm, point.series_ohm))
