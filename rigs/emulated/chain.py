"""The hardware chain of emergency stop and guard: it takes the torque away within 20 ms and knows nothing of the firmware.

Two channels of the stop and the guard's switch hold a relay. Whatever opens it, however briefly, the relay falls after its own delay and,
if there was torque, stays down until the firmware arms it again (RESET); the stop always needs that. A guard opened over a finger at
rest, as between two units, needs no reset.
"""

import math

import numpy as np


class SafetyChain:
    """next_event_s is when the relay falls; `fire` lets it fall."""

    def __init__(self, delay_s: tuple[float, float], random: np.random.Generator) -> None:
        self.channels = [True, True]
        self.guard_closed = False
        self.latched = False
        self.falls_s = math.inf
        self._delay_s = delay_s
        self._random = random

    @property
    def stop_good(self) -> bool:
        return all(self.channels)

    @property
    def discrepant(self) -> bool:
        """The two stop channels disagree."""
        return self.channels[0] != self.channels[1]

    @property
    def contacts_good(self) -> bool:
        return self.stop_good and self.guard_closed

    @property
    def closed(self) -> bool:
        """Whether torque can reach the finger."""
        return self.contacts_good and not self.latched

    def opened(self, time_s: float, torque: bool) -> None:
        """A contact has opened. With torque on, the relay falls after its delay and stays down; the stop latches it at once."""
        if torque or not self.stop_good:
            self.latched = True
        if torque:
            self.falls_s = min(self.falls_s, time_s + float(self._random.uniform(*self._delay_s)))

    def fire(self) -> None:
        self.falls_s = math.inf

    def arm(self) -> bool:
        """The firmware's RESET: pull the relay up again. False while a contact of the stop is open."""
        if not self.stop_good:
            return False
        self.latched = False
        return True
