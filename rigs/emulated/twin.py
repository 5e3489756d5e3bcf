"""An emulated rig in virtual time with a good unit clamped and the real driver linked to it: ready for a procedure, hours in seconds."""

from dataclasses import dataclass
from datetime import datetime
from typing import Any, Final

import numpy as np

from rigs.driver.dialogue import RigDriver
from rigs.emulated.bench import DEMO_LOTS, DEMO_PRODUCT, Bench
from rigs.emulated.characters import CHARACTERS
from rigs.emulated.hands import Hands
from rigs.emulated.ills import Ills
from rigs.emulated.rig import EmulatedRig
from rigs.emulated.settings import RigSettings
from rigs.emulated.units import EmulatedUnit
from rigs.emulated.virtual import BEGIN_UTC, LoopbackTransport, VirtualClock
from station.records import RigIdentity

SERIAL: Final = "DN2-TWIN"
LOOK_S: Final = 0.02


@dataclass(slots=True)
class Twin:
    """The unit in the clamp is SERIAL."""

    rig: EmulatedRig
    hands: Hands
    ills: Ills
    clock: VirtualClock
    driver: RigDriver
    identity: RigIdentity


def twin(name: str, seed: int, settings: RigSettings | None = None, begin_utc: datetime = BEGIN_UTC, **figures: Any) -> Twin:
    """The rig that this seed and these settings make, linked under `name`.

    figures: of rigs.emulated.units.AxisProperties, to overrule on both axes what the character "good" draws. Raises ConfigurationError.
    """
    rig, clock = EmulatedRig(seed, Bench([good_unit(seed, **figures)], seed), settings), VirtualClock(begin_utc)
    cable = LoopbackTransport(rig, clock)
    driver, hands = RigDriver(name, cable, clock), Hands(rig)
    identity = driver.connect()
    hands.clamp()
    hands.close_guard()
    driver.poll(LOOK_S)
    return Twin(rig, hands, Ills(rig, cable), clock, driver, identity)


def good_unit(seed: int, **figures: Any) -> EmulatedUnit:
    """A unit of the character "good", the same for the same seed."""
    stick = CHARACTERS["good"](np.random.default_rng([seed, len(SERIAL)]))
    unit = EmulatedUnit(SERIAL, DEMO_PRODUCT, DEMO_LOTS[0], "good", {"main": stick})
    for axis in "xy":
        unit.change("main", axis, figures)
    return unit
