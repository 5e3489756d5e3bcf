"""What a person can do at the emulated bench, with the same limits a person has: no hand goes in past a closed guard."""

from collections.abc import Mapping
from typing import Any, Final

from rigs.emulated.rig import EmulatedRig
from station.errors import ConfigurationError, NotReady

PRESS_S: Final = 0.15  # a thumb on a button
PRESS_MAX_S: Final = 60.0


class Hands:
    """One person at one rig. Every deed happens at the rig's present instant."""

    def __init__(self, rig: EmulatedRig) -> None:
        self._rig = rig

    def clamp(self, serial: str | None = None) -> dict[str, Any]:
        """Take out what lies in the open clamp, put this unit in (None: the next of the bench), close the clamp.

        Returns what is printed on its label. Raises NotReady, NotFound.
        """
        plant = self._rig.plant
        if plant.chain.guard_closed:
            raise NotReady("the guard is closed; open it before a unit is changed")
        if plant.panel.clamp_closed:
            held = plant.unit.serial if plant.unit else "nothing"
            raise NotReady(f"the clamp is closed on {held}; the rig opens it (UNCLAMP), or open it by hand")
        unit = self._rig.bench.take(serial)
        plant.clamp(self._rig.now_s, unit)
        return unit.identity()

    def unclamp(self) -> None:
        """Pull the clamp open by hand, which nobody should do in a run."""
        if self._rig.plant.panel.clamp_closed:
            self._rig.plant.unclamp(self._rig.now_s)

    def open_guard(self) -> None:
        self._guard(closed=False)

    def close_guard(self) -> None:
        self._guard(closed=True)

    def press_start(self, duration_s: float = PRESS_S) -> None:
        """Press the start button for so long. Raises ConfigurationError."""
        if not 0.0 < duration_s <= PRESS_MAX_S:
            raise ConfigurationError("duration_s", duration_s, f"above 0, at most {PRESS_MAX_S:g} s")
        rig = self._rig
        rig.plant.press(rig.now_s, True)
        rig.at(rig.now_s + duration_s, lambda: rig.plant.press(rig.now_s, False))

    def press_stop(self) -> None:
        """Both channels of the emergency stop open."""
        self._rig.plant.contact(self._rig.now_s, stop=(False, False))

    def release_stop(self) -> None:
        self._rig.plant.contact(self._rig.now_s, stop=(True, True))

    def fit(self, serial: str, stick: str, axis: str, capacitance_f: float) -> dict[str, Any]:
        """Solder a part in, or take it out with 0.0. Returns the unit's label. Raises NotFound, NotReady, ConfigurationError."""
        unit = self._rig.bench.unit(serial)
        if unit is self._rig.plant.unit:
            raise NotReady(f"unit {serial} is in the clamp; take it out before soldering")
        if axis not in ("x", "y"):
            raise ConfigurationError("axis", axis, "x or y")
        unit.fit(stick, axis, capacitance_f)
        self._rig.log.add(self._rig.now_s, "fit", serial=serial, stick=stick, axis=axis, capacitance_f=capacitance_f)
        return unit.identity()

    def state(self) -> dict[str, Any]:
        """Everything to be seen, and some that only the emulation knows, JSON-ready."""
        rig, plant, firmware = self._rig, self._rig.plant, self._rig.firmware
        return {
            "time_s": rig.now_s,
            "rig_id": rig.settings.rig_id,
            "unit": plant.unit.identity() if plant.unit else None,
            "character": plant.unit.character if plant.unit else "",
            "clamp_closed": plant.panel.clamp_closed,
            "guard_closed": plant.chain.guard_closed,
            "stop_good": plant.chain.stop_good,
            "start_down": plant.panel.start_down,
            "energised": plant.torque,
            "held": plant.mechanism.held,
            "at_rest": plant.at_rest(rig.now_s),
            "state": firmware.state.name.lower(),
            "fault": firmware.fault.name if firmware.fault else "",
            "lamp": firmware.lamp.name.lower(),
            "run": firmware.stream.run if firmware.stream else 0,
            "boot": firmware.boot,
            "frozen": rig.frozen,
            "counts": dict(rig.log.counts),
        }

    def log(self, since_s: float = 0.0, kind: str | None = None) -> list[dict[str, Any]]:
        """Events of the rig's own log from an instant on, JSON-ready."""
        return [{"time_s": one.time_s, "kind": one.kind, **_plain(one.data)} for one in self._rig.log.since(since_s, kind)]

    def _guard(self, *, closed: bool) -> None:
        if self._rig.plant.chain.guard_closed != closed:
            self._rig.plant.contact(self._rig.now_s, guard=closed)


def _plain(data: Mapping[str, Any]) -> dict[str, Any]:
    return {key: value if isinstance(value, (str, bool, int, float, type(None))) else str(value) for key, value in data.items()}
