"""Everything of the rig that is not firmware: unit in the clamp, fingers, torque, chain, panel, sampler. True time throughout."""

import math
from dataclasses import replace
from typing import Final

import numpy as np

from rigs.emulated.chain import SafetyChain
from rigs.emulated.clock import RigClock
from rigs.emulated.converter import true_reference_v
from rigs.emulated.events import EventLog
from rigs.emulated.laws import ClockLaw, ConverterLaw, ServoLaw, SignalLaw
from rigs.emulated.mechanism import Mechanism
from rigs.emulated.panel import Panel
from rigs.emulated.sampler import Sampler
from rigs.emulated.servo import Move
from rigs.emulated.settings import RigSettings
from rigs.emulated.units import EmulatedUnit
from rigs.link.messages import REFERENCE_SHARES, SOURCE_OHM, Group, Reference
from station.quantities import GROUPS

SUPPLY_DIVIDER: Final = 2.0  # the unit's supply is measured through a precision divider, since it may exceed the converter's reference


class Plant:
    """`next_event_s` and `fire` let what is already under way happen: the stick slipping off, the relay falling."""

    def __init__(self, settings: RigSettings, log: EventLog, seeds: np.random.SeedSequence) -> None:
        hand, sampler, relay, meter = (np.random.default_rng(one) for one in seeds.spawn(4))
        self.settings = settings
        self.log = log
        self.chain = SafetyChain(settings.timers.chain_s, relay)
        self.panel = Panel(self.chain)
        self.mechanism = Mechanism(settings.shape, ServoLaw(), log, hand)
        self.sampler = Sampler(settings, self.mechanism, sampler)
        self.clock = RigClock(ClockLaw(), settings.tick_hz)
        self.unit: EmulatedUnit | None = None
        self.stick_index = 0
        self.torque = False
        self._meter = meter

    @property
    def next_event_s(self) -> float:
        return min(self.mechanism.slips_s, self.chain.falls_s)

    def fire(self, time_s: float) -> None:
        """Let what is due at this instant happen."""
        if self.mechanism.slips_s <= time_s:
            self.mechanism.slip()
            self.sampler.forget(time_s)
        if self.chain.falls_s <= time_s:
            self.chain.fire()
            self.log.add(time_s, "chain", torque=self.torque)
            self.cut(time_s)

    # --- what the firmware can do

    def energise(self, time_s: float) -> None:
        """Torque on, if the chain lets it."""
        if self.torque or not self.chain.closed:
            return
        self.torque = True
        self.log.add(time_s, "energised")

    def let_go(self, time_s: float) -> None:
        """The servo's own stop. A servo that has run away does not hear it."""
        if self.mechanism.law.ill != "ignores-rest":
            self.cut(time_s)

    def cut(self, time_s: float) -> None:
        """Power off: no servo can ignore it."""
        if not self.torque:
            return
        self.torque = False
        self.mechanism.latch(time_s)
        self.sampler.forget(time_s)
        self.log.add(time_s, "de-energised")
        if not self.mechanism.held:
            self.log.add(time_s, "rest")

    def home(self, time_s: float) -> None:
        """Open the latches; springs bring the fingers home."""
        if self.torque:
            return
        self.mechanism.home(time_s)
        self.sampler.forget(time_s)

    def order(self, time_s: float, group: Group, target_deg: float, speed_deg_s: float | None = None) -> Move:
        """Order a finger to an angle; without torque nothing comes of it but the order."""
        if not self.torque:
            finger = self.mechanism.fingers[group]
            return Move(time_s, finger.angle(time_s), finger.angle(time_s), 1.0)
        move = self.mechanism.order(time_s, group, target_deg, speed_deg_s)
        self.sampler.forget(time_s)
        self.log.add(time_s, "ordered", group=GROUPS[group], to_deg=target_deg)
        return move

    def ordered_deg(self, group: Group) -> float:
        """Where the firmware believes a finger is: it has no other word of it than its own orders."""
        return self.mechanism.fingers[group].ordered_deg

    def at_rest(self, time_s: float) -> bool:
        """Finger home and de-energised, stick free."""
        return not self.torque and self.mechanism.all_home(time_s) and not self.mechanism.held

    def select(self, time_s: float, stick_index: int) -> None:
        """Turn to another stick of the unit."""
        if stick_index != self.stick_index:
            self.stick_index = stick_index
            self._seat(time_s)

    def read_level_uv(self, time_s: float, what: Reference) -> int:
        """A level as the converter means it, microvolts."""
        law, nominal_v = self.sampler.law, self.settings.reference_v
        reference_v = true_reference_v(law, nominal_v, time_s - self.sampler.law_since_s)
        divider = SUPPLY_DIVIDER if what is Reference.UNIT_SUPPLY else 1.0
        truth_v = self.supply_v(time_s) / divider if what is Reference.UNIT_SUPPLY else self._level_v(what)
        noise_v = law.noise_v / math.sqrt(self.settings.timing.readings) * float(self._meter.standard_normal())
        share = (truth_v * (1.0 + law.gain_error) + law.offset_v + noise_v) / reference_v
        share += 4.0 * law.bow_share * share * (1.0 - share)
        return round(min(max(share, 0.0), 1.0) * nominal_v * divider * 1e6)

    def _level_v(self, what: Reference) -> float:
        """A level of the precision reference, as it stands at the converter's input; true, whatever the converter's own reference is."""
        load = self.settings.input_ohm / (self.settings.input_ohm + SOURCE_OHM) if what is Reference.HALF_SOURCE else 1.0
        return self.settings.reference_v * REFERENCE_SHARES[what] * load

    # --- what a person at the bench can do

    def supply_v(self, time_s: float) -> float:
        """The unit's true supply; nothing without a unit."""
        law = self.sampler.law
        return law.supply_v - law.sag_v_s * max(0.0, time_s - self.sampler.law_since_s) if self.unit else 0.0

    def clamp(self, time_s: float, unit: EmulatedUnit) -> None:
        """Put a unit in and close the clamp."""
        self.unit, self.stick_index = unit, 0
        self._seat(time_s)
        self.panel.clamp_closed = True
        self.log.add(time_s, "clamp", serial=unit.serial)
        self.check_supply(time_s)

    def unclamp(self, time_s: float) -> None:
        """The clamp opens and the unit is out."""
        self.log.add(time_s, "unclamp", serial=self.unit.serial if self.unit else "")
        self.unit, self.panel.clamp_closed = None, False
        self._seat(time_s)
        self.check_supply(time_s)

    def contact(self, time_s: float, *, stop: tuple[bool, bool] | None = None, guard: bool | None = None) -> None:
        """Set the stop's two channels, or the guard; True is good or closed."""
        if stop is not None:
            self.chain.channels = list(stop)
            self.log.add(time_s, "stop", good=all(stop))
        if guard is not None:
            self.chain.guard_closed = guard
            self.log.add(time_s, "guard", closed=guard)
        if not self.chain.contacts_good:
            self.chain.opened(time_s, self.torque)
        self.panel.update(time_s)

    def press(self, time_s: float, down: bool) -> None:
        self.panel.start_down = down
        self.log.add(time_s, "start", down=down)
        self.panel.update(time_s)

    def check_supply(self, time_s: float) -> None:
        """Let the power-good bit follow the supply."""
        low, high = self.settings.supply_range_v
        self.panel.power_good = low <= self.supply_v(time_s) <= high
        self.panel.update(time_s)

    def refigure(self, time_s: float) -> None:
        """Hidden figures of the unit have changed."""
        if self.unit is not None and self.stick_index < len(self.unit.sticks):
            self.mechanism.stick = self.unit.stick_at(self.stick_index)
        self.sampler.forget(time_s)

    # --- laws

    def set_servo(self, law: ServoLaw) -> None:
        self.mechanism.law = law

    def set_converter(self, time_s: float, law: ConverterLaw) -> None:
        self.sampler.forget(time_s)
        self.sampler.law, self.sampler.law_since_s = law, time_s
        self.check_supply(time_s)

    def set_signals(self, time_s: float, signals: tuple[SignalLaw, ...]) -> None:
        self.sampler.forget(time_s)
        self.sampler.signals = signals

    def set_clock(self, time_s: float, law: ClockLaw) -> None:
        """Takes hold of the tick at once and of the sampler at its next stream."""
        self.clock.change(time_s, law)

    def heal(self, time_s: float) -> None:
        """All laws as they were when the rig was made."""
        settings = self.settings
        self.set_servo(ServoLaw())
        self.set_converter(time_s, ConverterLaw(noise_v=settings.noise_v, supply_v=settings.supply_v))
        self.set_signals(time_s, ())
        self.set_clock(time_s, replace(ClockLaw(), tick_offset=self.clock.law.tick_offset))

    def _seat(self, time_s: float) -> None:
        there = self.unit is not None and self.stick_index < len(self.unit.sticks)
        self.mechanism.seat(time_s, self.unit.stick_at(self.stick_index) if self.unit is not None and there else None)
        self.sampler.forget(time_s)
