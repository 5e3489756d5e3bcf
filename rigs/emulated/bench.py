"""The bench: units with serial numbers that lie ready, drawn from seed and serial, or written in a file."""

import tomllib
import zlib
from collections.abc import Mapping, Sequence
from typing import Any, Final

import numpy as np

from rigs.emulated.characters import CHARACTERS, DEMO_ORDER, DEMO_SHARES
from rigs.emulated.units import EmulatedUnit, StickProperties, axis_from
from station.errors import ConfigurationError, NotFound, UsageError

DEMO_PRODUCT: Final = "dunlin-2"
DEMO_LOTS: Final = ("ML-2607", "ML-2611", "ML-2614")
DEMO_SERIAL: Final = "DN2-{:05d}"
DEMO_FIRST: Final = 4101
SERIES: Final = 1000  # serials of one rig's bench, when several rigs of a station have one each
SERIES_COUNT: Final = 95
LOT_SIZE: Final = 20


class Bench:
    """Units in the order they lie. The demo bench never ends: what comes after the last listed one is drawn when asked for."""

    def __init__(
        self, units: Sequence[EmulatedUnit], seed: int, *, endless: bool = False, sticks: Sequence[str] = ("main",), first: int = DEMO_FIRST
    ) -> None:
        """endless: when the listed units are used up, go on with demo units of this seed, these sticks and serials from `first` on."""
        self._units = {one.serial: one for one in units}
        self._queue = [one.serial for one in units]
        self._seed = seed
        self._endless = endless
        self._sticks = tuple(sticks)
        self._first = first

    def __len__(self) -> int:
        return len(self._units)

    def serials(self) -> list[str]:
        """Serials of all units that exist so far."""
        return list(self._units)

    def unit(self, serial: str) -> EmulatedUnit:
        """Raises NotFound."""
        if serial not in self._units:
            known = ", ".join(list(self._units)[:5])
            raise NotFound(f"no unit {serial!r} lies on the bench; it has {known}, ...", serial=serial)
        return self._units[serial]

    def take(self, serial: str | None = None) -> EmulatedUnit:
        """This unit, or the next in the row. Raises NotFound when there is none."""
        if serial is not None:
            if serial in self._queue:
                self._queue.remove(serial)
            return self.unit(serial)
        if not self._queue and self._endless:
            self._add(demo_unit(self._seed, len(self._units), self._sticks, self._first))
        if not self._queue:
            raise NotFound("the bench is empty: every unit has been clamped")
        return self._units[self._queue.pop(0)]

    def _add(self, unit: EmulatedUnit) -> None:
        self._units[unit.serial] = unit
        self._queue.append(unit.serial)


def demo_bench(seed: int, sticks: Sequence[str] = ("main",), first: int = DEMO_FIRST) -> Bench:
    """Mossgate Works' Dunlin 2: a row that shows each kind early, then units as production makes them."""
    units = [demo_unit(seed, number, sticks, first) for number in range(len(DEMO_ORDER))]
    return Bench(units, seed, endless=True, sticks=sticks, first=first)


def first_serial(seed: int) -> int:
    """Where the serials of a rig's own demo bench begin, so that two rigs with neighbouring seeds never have the same unit."""
    return DEMO_FIRST + SERIES * (seed % SERIES_COUNT)


def demo_unit(seed: int, number: int, sticks: Sequence[str], first: int = DEMO_FIRST) -> EmulatedUnit:
    """Unit number `number` of the demo row, the same for the same seed."""
    random = np.random.default_rng([seed, number])
    names = list(DEMO_SHARES)
    drawn = str(random.choice(names, p=np.array(list(DEMO_SHARES.values()))))
    character = DEMO_ORDER[number] if number < len(DEMO_ORDER) else drawn
    lot = DEMO_LOTS[number // LOT_SIZE % len(DEMO_LOTS)]
    made = {stick: CHARACTERS[character if index == 0 else "good"](random) for index, stick in enumerate(sticks)}
    return EmulatedUnit(DEMO_SERIAL.format(first + number), DEMO_PRODUCT, lot, character, made)


def read_bench(text: str, seed: int) -> Bench:
    """A bench from TOML. Raises UsageError, ConfigurationError naming the key.

    `sticks = ["main"]` at the top; then `[[unit]]` with serial, product, lot, character, and optional tables x, y and stick of hidden
    figures (rigs.emulated.units) that overrule what the character drew on the first stick.
    """
    try:
        document = tomllib.loads(text)
    except tomllib.TOMLDecodeError as problem:
        raise UsageError(f"bench: {problem}; expected TOML") from problem
    unknown = set(document) - {"sticks", "unit"}
    if unknown:
        raise ConfigurationError(min(unknown), document[min(unknown)], "one of sticks, unit")
    sticks = document.get("sticks", ["main"])
    units = [_unit(entry, seed, sticks) for entry in document.get("unit", [])]
    if not units:
        raise ConfigurationError("unit", None, "at least one [[unit]]")
    if len({one.serial for one in units}) != len(units):
        raise ConfigurationError("unit.serial", [one.serial for one in units], "every serial once")
    return Bench(units, seed, sticks=sticks)


def _unit(entry: Mapping[str, Any], seed: int, sticks: Sequence[str]) -> EmulatedUnit:
    allowed = {"serial", "product", "lot", "character", "x", "y", "stick"}
    unknown = set(entry) - allowed
    if unknown:
        raise ConfigurationError("unit." + min(unknown), entry[min(unknown)], "one of " + ", ".join(sorted(allowed)))
    serial, character = entry.get("serial"), entry.get("character", "good")
    if not isinstance(serial, str) or not serial:
        raise ConfigurationError("unit.serial", serial, "a serial number")
    if character not in CHARACTERS:
        raise ConfigurationError("unit.character", character, "one of " + ", ".join(CHARACTERS))
    random = np.random.default_rng([seed, zlib.crc32(serial.encode())])
    made = {stick: CHARACTERS[character if index == 0 else "good"](random) for index, stick in enumerate(sticks)}
    unit = EmulatedUnit(serial, str(entry.get("product", DEMO_PRODUCT)), str(entry.get("lot", DEMO_LOTS[0])), character, made)
    for axis in ("x", "y", "stick"):
        unit.change(sticks[0], "" if axis == "stick" else axis, entry.get(axis, {}))
    return unit


def plain_unit(serial: str, x: Mapping[str, Any] | None = None, y: Mapping[str, Any] | None = None) -> EmulatedUnit:
    """One unit with exactly these figures and defaults elsewhere, for tests and calibration references."""
    stick = StickProperties(axis_from(x or {}), axis_from(y or {}))
    return EmulatedUnit(serial, DEMO_PRODUCT, DEMO_LOTS[0], "plain", {"main": stick})
