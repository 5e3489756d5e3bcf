"""What may change while a rig runs: the laws of servo, converter, clock and signal. Every ill a rig can have is a figure here.

All are plain frozen data; `changed` makes a new one from named figures and refuses names and types that are not there.
"""

from collections.abc import Mapping
from dataclasses import dataclass, fields, replace
from typing import TYPE_CHECKING, Any, Final, TypeVar

from station.errors import ConfigurationError

if TYPE_CHECKING:
    from _typeshed import DataclassInstance

SERVO_ILLS: Final = ("", "jammed", "holds", "ignores-rest")
SIGNAL_ILLS: Final = ("stuck", "toggling", "clipped", "negated", "swapped", "open", "hum", "spikes", "noisy", "offset", "replayed")


@dataclass(frozen=True, slots=True)
class ServoLaw:
    """How the fingers follow orders. stroke: share of the ordered angle that is reached.

    ill: "jammed" the shaft does not move, "holds" it never lets go, "ignores-rest" its driver stays on whatever the firmware says.
    wear_deg: worn off the tip, so that it touches later and lets go earlier. clamp_play_deg: a loose clamp lets the unit lie so much nearer
    or further, anew at every push.
    """

    latency_s: float = 0.006
    latency_jitter_s: float = 0.0002
    slew_deg_s: float = 1200.0
    home_deg_s: float = 1500.0
    backlash_deg: float = 0.3
    release_jitter_deg: float = 0.1
    stroke: float = 1.0
    wear_deg: float = 0.0
    clamp_play_deg: float = 0.0
    ill: str = ""

    def __post_init__(self) -> None:
        _among("ill", self.ill, SERVO_ILLS)


@dataclass(frozen=True, slots=True)
class ConverterLaw:
    """The sampler's own errors. reference_error, gain_error: as shares. reference_drift_s: share a second; sag_v_s: volts the supply falls
    a second; both from the moment the law began.

    lost_at, lost: from sample lost_at of a stream on, so many conversions are missing; repaid_at: from there on as many are doubled, so
    that totals agree again (0: never).
    """

    noise_v: float = 0.0015
    offset_v: float = 0.0
    gain_error: float = 0.0
    reference_error: float = 0.0
    reference_drift_s: float = 0.0
    bow_share: float = 0.0
    supply_v: float = 3.302
    sag_v_s: float = 0.0
    lost_at: int = 0
    lost: int = 0
    repaid_at: int = 0


@dataclass(frozen=True, slots=True)
class ClockLaw:
    """error: of the rig's oscillator against true time, as a share; sampler_error: of the sampler against the rig's own clock.

    tick_offset: added to the tick counter, to begin near its wrap.
    """

    error: float = 2e-5
    sampler_error: float = 0.0
    tick_offset: int = 0


@dataclass(frozen=True, slots=True)
class SignalLaw:
    """One ill of the signal on its way to the converter. axis: "x", "y" or "" for both.

    level: "stuck", "toggling", "open" the share of full scale; "clipped" the share of full scale kept; "hum" and "offset" volts;
    "spikes" volts at rate_hz a second; "noisy" rms volts. "replayed": the stream of the former run comes again.
    """

    ill: str
    axis: str = ""
    level: float = 0.5
    rate_hz: float = 50.0

    def __post_init__(self) -> None:
        _among("ill", self.ill, SIGNAL_ILLS)
        _among("axis", self.axis, ("", "x", "y"))

    def touches(self, axis: int) -> bool:
        return self.axis in ("", "xy"[axis])


@dataclass(frozen=True, slots=True)
class IdentityLaw:
    """What the rig claims to be where it does not tell the truth; empty or 0: the truth."""

    rig_id: str = ""
    firmware: str = ""
    protocol: int = 0


Law = TypeVar("Law", bound="DataclassInstance")


def changed(law: Law, figures: Mapping[str, Any]) -> Law:
    """The law with these figures changed. Raises ConfigurationError for a name it does not have or a value of another kind."""
    kinds = {one.name: type(getattr(law, one.name)) for one in fields(law)}
    values = {}
    for name, value in figures.items():
        if name not in kinds:
            raise ConfigurationError(name, value, "one of " + ", ".join(kinds))
        number = isinstance(value, (int, float)) and not isinstance(value, bool)
        if number and kinds[name] in (int, float):
            values[name] = kinds[name](value)
        elif isinstance(value, kinds[name]):
            values[name] = value
        else:
            raise ConfigurationError(name, value, f"a {kinds[name].__name__}")
    return replace(law, **values)


def _among(key: str, value: str, allowed: tuple[str, ...]) -> None:
    if value not in allowed:
        raise ConfigurationError(key, value, "one of " + ", ".join(repr(one) for one in allowed))
