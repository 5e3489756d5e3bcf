"""What can be made to go wrong with an emulated rig: its laws, its frames, its firmware, its cable, its inputs."""

from collections.abc import Mapping, Sequence
from typing import Any, Final, Protocol

import numpy as np

from rigs.emulated.lane import FrameFault
from rigs.emulated.laws import IdentityLaw, SignalLaw, changed
from rigs.emulated.rig import EmulatedRig
from rigs.link.messages import MESSAGES, FaultCode, Inputs
from station.errors import ConfigurationError, NotReady

NOISE_MAX_BYTES: Final = 2_000_000
CODES: Final = {message.name: message.code for message in MESSAGES}


class Cable(Protocol):
    """The rig's end of the link: what carries the bytes can be pulled, or stop draining."""

    def unplug(self) -> None: ...

    def replug(self) -> None: ...

    def stop_reading(self) -> None: ...

    def resume_reading(self) -> None: ...


class Ills:
    """All injection. Names and values that cannot be raise ConfigurationError; nothing is changed then."""

    def __init__(self, rig: EmulatedRig, cable: Cable | None = None) -> None:
        self._rig = rig
        self._cable = cable

    # --- laws

    def servo(self, **figures: Any) -> None:
        """Change figures of rigs.emulated.laws.ServoLaw."""
        self._rig.plant.set_servo(changed(self._rig.plant.mechanism.law, figures))
        self._note("servo", figures)

    def converter(self, **figures: Any) -> None:
        """Change figures of ConverterLaw."""
        self._rig.plant.set_converter(self._rig.now_s, changed(self._rig.plant.sampler.law, figures))
        self._note("converter", figures)

    def clock(self, **figures: Any) -> None:
        """Change figures of ClockLaw."""
        self._rig.plant.set_clock(self._rig.now_s, changed(self._rig.plant.clock.law, figures))
        self._note("clock", figures)

    def identity(self, **figures: Any) -> None:
        """Let the rig claim to be another (IdentityLaw), from the next handshake on."""
        self._rig.identity = changed(self._rig.identity, figures)
        self._rig.firmware.identity = self._rig.identity
        self._note("identity", figures)

    def signal(self, ill: str, **figures: Any) -> None:
        """Add a SignalLaw to those in force."""
        law = changed(SignalLaw(ill), figures)
        self._rig.plant.set_signals(self._rig.now_s, (*self._rig.plant.sampler.signals, law))
        self._note("signal", {"ill": ill, **figures})

    def unit(self, serial: str, stick: str = "main", axis: str = "", **figures: Any) -> None:
        """Change hidden figures of a unit (rigs.emulated.units), also of the one in the clamp. Raises NotFound as well."""
        self._rig.bench.unit(serial).change(stick, axis, figures)
        self._rig.plant.refigure(self._rig.now_s)
        self._note("unit", {"serial": serial, "stick": stick, "axis": axis, **figures})

    def heal(self) -> None:
        """All laws, frames, inputs and the identity as they were; units stay as they are."""
        rig = self._rig
        rig.plant.heal(rig.now_s)
        rig.to_host.clear()
        rig.from_host.clear()
        rig.identity = rig.firmware.identity = IdentityLaw()
        rig.plant.panel.forced.clear()
        rig.plant.panel.update(rig.now_s)
        self._note("heal", {})

    # --- frames

    def frame(self, kind: str, lane: str = "to-host", name: str = "", raw_hex: str = "", **figures: Any) -> None:
        """Add a FrameFault: kind, k, frames, delay_s, bit, keep_bytes; name: of one kind of message only; raw_hex: bytes of "insert"."""
        if name and name not in CODES:
            raise ConfigurationError("name", name, "one of " + ", ".join(CODES))
        fault = changed(FrameFault(kind, raw=_bytes(raw_hex), type_code=CODES.get(name)), figures)
        self._lane(lane).add(fault)
        self._note("frame", {"kind": kind, "lane": lane, "name": name, **figures})

    def say(self, raw_hex: str = "", noise_bytes: int = 0, seed: int = 0) -> None:
        """Put raw bytes, then so many random ones, on the line to the host."""
        if not 0 <= noise_bytes <= NOISE_MAX_BYTES:
            raise ConfigurationError("noise_bytes", noise_bytes, f"0 to {NOISE_MAX_BYTES}")
        self._rig.say(_bytes(raw_hex) + np.random.default_rng(seed).bytes(noise_bytes))
        self._note("say", {"raw_hex": raw_hex[:40], "noise_bytes": noise_bytes})

    # --- firmware, inputs, cable

    def freeze(self, watchdog: bool = True) -> None:
        self._rig.freeze(watchdog=watchdog)

    def thaw(self) -> None:
        self._rig.thaw()

    def reboot(self) -> None:
        self._rig.reboot(FaultCode.NONE)

    def channels(self, first: bool, second: bool) -> None:
        """Set the two channels of the emergency stop apart; True is good."""
        self._rig.plant.contact(self._rig.now_s, stop=(bool(first), bool(second)))

    def input(self, bit: str, on: bool | None = None) -> None:
        """Let an input bit read so whatever is true; None: the truth again. bit: a name of rigs.link.messages.Inputs."""
        if bit not in Inputs.__members__:
            raise ConfigurationError("bit", bit, "one of " + ", ".join(Inputs.__members__))
        panel = self._rig.plant.panel
        panel.forced.pop(Inputs[bit], None)
        if on is not None:
            panel.forced[Inputs[bit]] = bool(on)
        panel.update(self._rig.now_s)
        self._note("input", {"bit": bit, "on": on})

    def unplug(self) -> None:
        self._note("unplug", {})
        self._need_cable().unplug()

    def replug(self) -> None:
        self._note("replug", {})
        self._need_cable().replug()

    def stop_reading(self) -> None:
        self._note("stop-reading", {})
        self._need_cable().stop_reading()

    def resume_reading(self) -> None:
        self._note("resume-reading", {})
        self._need_cable().resume_reading()

    # --- inside

    def _lane(self, lane: str) -> Any:
        lanes = {"to-host": self._rig.to_host, "from-host": self._rig.from_host}
        if lane not in lanes:
            raise ConfigurationError("lane", lane, "to-host or from-host")
        return lanes[lane]

    def _need_cable(self) -> Cable:
        if self._cable is None:
            raise NotReady("this rig has no cable that could be pulled")
        return self._cable

    def _note(self, what: str, figures: Mapping[str, Any]) -> None:
        self._rig.log.add(self._rig.now_s, "inject", what=what, **{f"_{key}": value for key, value in figures.items()})


def _bytes(text: str) -> bytes:
    try:
        return bytes.fromhex(text)
    except ValueError as problem:
        raise ConfigurationError("raw_hex", text, "pairs of hexadecimal digits") from problem


VERBS: Final[Sequence[str]] = (
    "servo",
    "converter",
    "clock",
    "identity",
    "signal",
    "unit",
    "heal",
    "frame",
    "say",
    "freeze",
    "thaw",
    "reboot",
    "channels",
    "input",
    "unplug",
    "replug",
    "stop_reading",
    "resume_reading",
)
"""What a control channel may ask of Ills."""
