"""A figure of a calibration: value, standard uncertainty, and the range it must lie in. JSON-ready."""

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Final

K: Final = 2.0  # coverage factor of expanded uncertainty (JCGM 100, 6.3)
U_OF_RANGE: Final = 0.5  # expanded uncertainty, of half the width of the range; wider, a figure within says too little (chosen)
U_OF_SHOWN: Final = 1.25  # the same for a figure that tests an assumption: 24 flicks of each direction are then enough (chosen)
U_OF_LEAST: Final = 0.05  # the same where there is a lower limit alone, of that limit (chosen)


@dataclass(frozen=True, slots=True)
class Measured:
    """A value and its standard uncertainty, both in the figure's unit; NaN where it could not be told."""

    value: float
    u: float = 0.0


@dataclass(frozen=True, slots=True)
class Figure:
    """shown: the figure tests an assumption on few flicks, and is out only when it is shown to be, by more than its U.

    Any other is in when the value is within, and its expanded uncertainty small beside the range (simple acceptance with a bounded
    uncertainty, JCGM 106:2012, 8.2).
    """

    measured: Measured
    unit: str
    least: float | None = None
    most: float | None = None
    shown: bool = False

    @property
    def limited(self) -> bool:
        return self.least is not None or self.most is not None

    @property
    def told(self) -> bool:
        """Whether it was measured, and well enough to be called within; what lies outside needs no small uncertainty to be so."""
        return math.isfinite(self.measured.value) and (K * self.measured.u <= self._u_most() or not self._inside())

    @property
    def within(self) -> bool:
        """Without a range always; with one never where the figure was not told."""
        if not self.limited:
            return True
        return self.told and self._inside()

    def document(self) -> dict[str, Any]:
        value, u = self.measured.value, self.measured.u
        return {
            "value": value if math.isfinite(value) else None,
            "u": u if math.isfinite(u) else None,
            "unit": self.unit,
            "least": self.least,
            "most": self.most,
            "within": self.within if self.limited else None,
        }

    def _inside(self) -> bool:
        room = K * self.measured.u if self.shown else 0.0
        least = -math.inf if self.least is None else self.least - room
        most = math.inf if self.most is None else self.most + room
        return least <= self.measured.value <= most

    def _u_most(self) -> float:
        if not self.limited:
            return math.inf
        if self.most is None:
            return U_OF_LEAST * abs(self.least or 0.0)
        half = (self.most - self.least) / 2 if self.least is not None else self.most
        return half * (U_OF_SHOWN if self.shown else U_OF_RANGE)


def value_of(document: Mapping[str, Any]) -> Measured:
    """The figure of a document again."""
    value, u = document["value"], document["u"]
    return Measured(math.nan if value is None else value, math.nan if u is None else u)
