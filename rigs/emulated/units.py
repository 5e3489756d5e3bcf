"""Units of the emulated bench: what their makers printed on them, and the properties nobody can see.

Stick levels are counts of the product's own 8-bit host, so that a count is 1/256 of the track whatever the supply.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field, fields, replace
from typing import Any, Final

from station.errors import ConfigurationError

TRACK_COUNTS: Final = 256.0  # the demo product's host reads 8 bits


@dataclass(frozen=True, slots=True)
class AxisProperties:
    """Hidden truth of one axis. Spreads are standard deviations from flick to flick.

    damping_plus, damping_minus: damping ratio after a release from that side; damping_spread adds to them. ring_hz: damped frequency.
    friction_counts, stiction_counts: kinetic and static dry friction over stiffness. rough_counts: rms unevenness of the track.
    dropout_hz: lifts of the wiper a second while the stick moves. dead: the wiper makes no contact with the moving arm.
    """

    rest_counts: float = 128.0
    reach_plus_counts: float = 77.0
    reach_minus_counts: float = 77.0
    ring_hz: float = 65.0
    damping_plus: float = 0.47
    damping_minus: float = 0.47
    damping_spread: float = 0.008
    ring_spread: float = 0.01
    friction_counts: float = 0.10
    stiction_counts: float = 0.15
    friction_spread: float = 0.15
    warm_up: float = 0.02
    track_ohm: float = 10_000.0
    series_ohm: float = 0.0
    capacitance_f: float = 0.0
    wiper_noise_counts: float = 0.0
    dropout_hz: float = 0.0
    rough_counts: float = 0.05
    dead: bool = False

    def reach(self, sign: int) -> float:
        return self.reach_plus_counts if sign > 0 else self.reach_minus_counts

    def damping(self, sign: int) -> float:
        return self.damping_plus if sign > 0 else self.damping_minus


@dataclass(frozen=True, slots=True)
class StickProperties:
    """Hidden truth of one stick. coupling_*: share of the other axis' deflection that shows on this one.

    kick: speed the other axis gets at a release, as a share of reach times its own angular frequency.
    """

    x: AxisProperties = field(default_factory=AxisProperties)
    y: AxisProperties = field(default_factory=AxisProperties)
    coupling_x: float = 0.0
    coupling_y: float = 0.0
    kick: float = 0.0
    swapped: bool = False
    reversed_x: bool = False
    reversed_y: bool = False

    def axes(self) -> tuple[AxisProperties, AxisProperties]:
        return self.x, self.y


@dataclass(slots=True)
class EmulatedUnit:
    """One unit of the bench. character: the word its properties were drawn by. sticks by name, in the rig's order."""

    serial: str
    product: str
    lot: str
    character: str
    sticks: dict[str, StickProperties]

    def identity(self) -> dict[str, Any]:
        """What its label says, JSON-ready."""
        return {"serial": self.serial, "product": self.product, "lot": self.lot, "sticks": list(self.sticks)}

    def stick_at(self, index: int) -> StickProperties:
        return list(self.sticks.values())[index]

    def fit(self, stick: str, axis: str, capacitance_f: float) -> None:
        """Let this capacitance truly act between axis signal and ground; 0.0 takes the part out. Raises ConfigurationError."""
        if not 0.0 <= capacitance_f < 1e-3:
            raise ConfigurationError("capacitance_f", capacitance_f, "0 to 0.001 F")
        self.change(stick, axis, {"capacitance_f": capacitance_f})

    def change(self, stick: str, axis: str, figures: Mapping[str, Any]) -> None:
        """Change hidden figures of an axis ("x", "y") or, with axis "", of the stick. Raises ConfigurationError naming what is wrong."""
        if stick not in self.sticks:
            raise ConfigurationError("stick", stick, "one of " + ", ".join(self.sticks))
        now = self.sticks[stick]
        if axis not in ("", "x", "y"):
            raise ConfigurationError("axis", axis, "x, y or nothing for the whole stick")
        if not axis:
            self.sticks[stick] = _with(now, figures)
        elif axis == "x":
            self.sticks[stick] = replace(now, x=_with(now.x, figures))
        else:
            self.sticks[stick] = replace(now, y=_with(now.y, figures))


def _with(properties: Any, figures: Mapping[str, Any]) -> Any:
    """The same frozen properties with named figures changed; numbers and flags only."""
    known = {one.name: getattr(properties, one.name) for one in fields(properties)}
    values: dict[str, Any] = {}
    for name, value in figures.items():
        kind = type(known.get(name))
        if kind not in (float, bool):
            raise ConfigurationError(
                name, value, "one of " + ", ".join(key for key, old in known.items() if isinstance(old, (float, bool)))
            )
        if isinstance(value, bool) is not (kind is bool) or not isinstance(value, (int, float)):
            raise ConfigurationError(name, value, f"a {kind.__name__}")
        values[name] = kind(value)
    return replace(properties, **values)


def axis_from(figures: Mapping[str, Any]) -> AxisProperties:
    """Axis properties from named figures; what is not named keeps its default. Raises ConfigurationError."""
    made: AxisProperties = _with(AxisProperties(), figures)
    return made
