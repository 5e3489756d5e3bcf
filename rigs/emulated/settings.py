"""What a rig is made of: figures that do not change while it runs. What may change, and be made ill, stands in rigs.emulated.laws."""

from dataclasses import dataclass, field
from typing import Final

from station.errors import ConfigurationError

TICK_HZ: Final = 1_000_000  # a microsecond timer, as small microcontrollers have; 100 ticks a sample at 10 kS/s
RATE_HZ: Final = (1_000, 24_000)  # the measuring code is promised from 4 kS/s; 4.8 k is the small rig, 10 k the usual one
BITS: Final = (8, 12)  # the link's IDENTITY allows no other


@dataclass(frozen=True, slots=True)
class FlickTiming:
    """The firmware's own schedule of a flick. Chosen on emulated data: with hold 60 ms and free 150 ms a flick takes 0.33 s."""

    push_s: float = 0.050  # from the order to push until the finger surely is at full deflection
    slip_s: float = 0.025  # from the order to let go until torque is taken away, the finger latched clear
    return_s: float = 0.045  # the latch opens and a spring brings the finger home, without torque
    unclamp_s: float = 0.100
    read_s: float = 0.010  # of a level: the mean of READINGS conversions
    readings: int = 64


@dataclass(frozen=True, slots=True)
class FingerShape:
    """Angles of one finger from home, degrees. Between touch and gate the stick goes from neutral to full deflection.

    The tip is hinged one way: it pushes the stick out, lets it slip off beyond release_deg, and folds on its way home.
    """

    touch_deg: float = 10.0
    gate_deg: float = 35.0
    hold_deg: float = 40.0  # ordered to hold: past the gate, the tip's own spring gives
    release_deg: float = 48.0
    clear_deg: float = 55.0


@dataclass(frozen=True, slots=True)
class Timers:
    """Of firmware and hardware, seconds; the link's own are in rigs.link.messages."""

    watchdog_s: float = 0.100  # hardware timer fed by the firmware's loop: a hung firmware is reset after so long
    chain_s: tuple[float, float] = (0.006, 0.014)  # relay of stop and guard, from contact to no torque; must stay below 20 ms
    discrepancy_s: float = 0.050  # two stop channels may differ for so long
    forsaken_s: float = 1.0  # without a heartbeat for so long the sample stream ends: nobody listens
    reboot_s: float = 0.030  # from reset to the first STATUS


@dataclass(frozen=True, slots=True)
class RigSettings:
    """A rig. supply_v: what it gives the unit, its true value. input_ohm: load of the sampler on the wiper.

    tx_limit_bytes: how much may wait to be sent before samples are lost (OVERRUN): half a second at 10 kS/s, where a real rig with 2 kB
    has a quarter of that at 4.8 kS/s.
    """

    rig_id: str = "rig-1"
    firmware: str = "emulated-1.0"
    sample_rate_hz: int = 10_000
    bits: int = 12
    reference_v: float = 3.3
    supply_v: float = 3.302
    supply_range_v: tuple[float, float] = (2.9, 3.6)
    noise_v: float = 0.0015
    input_ohm: float = 10e6
    sticks: int = 1
    tx_limit_bytes: int = 16_384
    first_boot: int = 1
    tick_hz: int = TICK_HZ
    timing: FlickTiming = field(default_factory=FlickTiming)
    shape: FingerShape = field(default_factory=FingerShape)
    timers: Timers = field(default_factory=Timers)

    def __post_init__(self) -> None:
        """Raises ConfigurationError for a rig that the link could not describe."""
        for key in ("rig_id", "firmware"):
            value = getattr(self, key)
            if not (1 <= len(value) <= 16 and value.isascii() and value.isprintable()):
                raise ConfigurationError(key, value, "1 to 16 printable ASCII characters")
        _within("sample_rate_hz", self.sample_rate_hz, *RATE_HZ)
        _within("bits", self.bits, *BITS)
        _within("reference_v", self.reference_v, 0.5, 30.0)
        _within("supply_v", self.supply_v, 0.0, 30.0)
        _within("sticks", self.sticks, 1, 8)


def _within(key: str, value: float, least: float, most: float) -> None:
    if not least <= value <= most:
        raise ConfigurationError(key, value, f"{least:g} to {most:g}")
