"""The stick under its four fingers: who pushes whom, when the stick slips off, where it is. True time, no firmware, no electronics."""

import math
from typing import Final

import numpy as np

from rigs.emulated.events import EventLog
from rigs.emulated.laws import ServoLaw
from rigs.emulated.path import Path, Pushed, Retreating
from rigs.emulated.release import Grease, thrown
from rigs.emulated.servo import Finger, Move
from rigs.emulated.settings import FingerShape
from rigs.emulated.stick import Still, free_motion
from rigs.emulated.units import AxisProperties, StickProperties
from rigs.link.messages import Group
from station.quantities import AXES, GROUPS, axis_of, sign_of

PEAK_WINDOW_S: Final = 0.05  # the far-side peak comes within half a ring period of at least 40 Hz


class Mechanism:
    """One stick and four fingers. `stick` may be None: then fingers move in empty space."""

    def __init__(self, shape: FingerShape, law: ServoLaw, log: EventLog, random: np.random.Generator) -> None:
        self.law = law
        self.stick: StickProperties | None = None
        self.fingers = tuple(Finger(shape) for _ in GROUPS)
        self.paths = (Path(), Path())
        self.slips_s = math.inf  # when the stick will slip off the finger that is moving out
        self._log = log
        self._random = random
        self._grease = (Grease(random), Grease(random))
        self._pusher: Group | None = None
        self._lies_deg = 0.0
        self._jitter_deg = 0.0

    @property
    def held(self) -> bool:
        """Whether a finger is at the stick."""
        return self._pusher is not None

    def seat(self, time_s: float, stick: StickProperties | None) -> None:
        """Put a stick under the fingers, as a hand leaves it: anywhere within its static friction. None takes it away."""
        self.stick = stick
        self._pusher, self.slips_s = None, math.inf
        self._grease = (Grease(self._random), Grease(self._random))
        for path, axis in zip(self.paths, stick.axes() if stick else (None, None), strict=True):
            lies = float(self._random.uniform(-0.6, 0.6)) * max(axis.friction_counts, axis.stiction_counts) if axis else 0.0
            path.follow([Still(time_s, lies)])

    def order(self, time_s: float, group: Group, target_deg: float, speed_deg_s: float | None = None) -> Move:
        """Order a finger to an angle; the stick is taken along, slips off, or follows it back, as the geometry says."""
        finger = self.fingers[group]
        if finger.at_home(time_s):
            finger.unfold()
            self._lies_deg = float(self._random.uniform(-1.0, 1.0)) * self.law.clamp_play_deg if self.law.clamp_play_deg else 0.0
        tip_deg = finger.tip(time_s, self.law.backlash_deg)
        speed = self.law.slew_deg_s if speed_deg_s is None else speed_deg_s
        move = finger.order(time_s, target_deg, speed, self.law, self._random)
        self.slips_s = math.inf
        if self.stick is None or finger.folded or move.to_deg == move.from_deg:
            return move
        axis = self._axis(self.stick, group)
        if move.outward:
            self._take_along(group, move, axis, anew=speed_deg_s is None or self._pusher != group)
        elif self._pusher == group and tip_deg > self._touch_deg(finger):
            self._retreat(group, move, axis)
        return move

    def slip(self) -> None:
        """The tip has passed the release point: the stick is free, and what it will do is decided here."""
        time_s, self.slips_s = self.slips_s, math.inf
        if self.stick is None or self._pusher is None:
            return
        group, self._pusher = self._pusher, None
        self.fingers[group].folded = True
        index, sign, axis = AXES.index(axis_of(GROUPS[group])), sign_of(GROUPS[group]), self._axis(self.stick, group)
        counts, velocity = self.paths[index].state(time_s)
        dynamics = self._grease[index].dynamics(time_s, axis, sign)
        self.paths[index].follow(free_motion(time_s, counts, velocity, dynamics))
        if self.stick.kick:
            self._kick(time_s, self.stick, 1 - index, sign * self.stick.kick * axis.reach(sign))
        peak = max(0.0, self.paths[index].largest(time_s, time_s + PEAK_WINDOW_S, -sign))
        self._log.add(time_s, "released", group=GROUPS[group], held_counts=sign * counts, wiper_peak_counts=peak)

    def latch(self, time_s: float) -> None:
        """Torque off: a finger beyond its release point is latched there, clear of the stick; any other goes limp."""
        for group, finger in zip(Group, self.fingers, strict=True):
            if finger.folded:
                finger.stay(time_s)
            else:
                self._go_limp(time_s, group)

    def home(self, time_s: float) -> None:
        """Open the latches: every finger goes home by its spring, without torque."""
        for group, finger in zip(Group, self.fingers, strict=True):
            if not finger.at_home(time_s) or self._pusher == group:
                self._go_limp(time_s, group)

    def all_home(self, time_s: float) -> bool:
        return all(finger.at_home(time_s) for finger in self.fingers)

    # --- inside

    def _axis(self, stick: StickProperties, group: Group) -> AxisProperties:
        return stick.axes()[AXES.index(axis_of(GROUPS[group]))]

    def _touch_deg(self, finger: Finger) -> float:
        return finger.shape.touch_deg + self.law.wear_deg + self._lies_deg

    def _gain(self, axis: AxisProperties, group: Group) -> float:
        """Counts of the stick per degree of the finger."""
        shape = self.fingers[group].shape
        return axis.reach(sign_of(GROUPS[group])) / (shape.gate_deg - shape.touch_deg)

    def _take_along(self, group: Group, move: Move, axis: AxisProperties, *, anew: bool) -> None:
        """anew: the tip finds its place on the cap anew. Where the finger is jogged it keeps it from step to step."""
        finger, sign, half_play = self.fingers[group], sign_of(GROUPS[group]), self.law.backlash_deg / 2
        touch_deg = self._touch_deg(finger) + half_play
        if move.to_deg <= touch_deg:
            return
        speed = self._gain(axis, group) * move.speed_deg_s
        path = self.paths[AXES.index(axis_of(GROUPS[group]))]
        under = path.tail(move.begin_s)
        path.follow([Pushed(move.begin_s, under, sign, move.passes_s(touch_deg), speed, move.end_s, axis.reach(sign))])
        self._pusher = group
        if anew:
            self._jitter_deg = self.law.release_jitter_deg * float(self._random.standard_normal())
        release_deg = finger.shape.release_deg - self.law.wear_deg + self._lies_deg + half_play + self._jitter_deg
        if move.to_deg >= release_deg:
            self.slips_s = max(move.begin_s, move.passes_s(release_deg))

    def _retreat(self, group: Group, move: Move, axis: AxisProperties) -> None:
        """The motor takes up the play and comes back to where the stick stands, then the tip withdraws and the stick follows it."""
        path, gain = self.paths[AXES.index(axis_of(GROUPS[group]))], self._gain(axis, group)
        half_play = self.law.backlash_deg / 2
        counts, _ = path.state(move.begin_s)
        stands_deg = self._touch_deg(self.fingers[group]) + abs(counts) / gain
        begin_s = max(move.begin_s, move.passes_s(stands_deg - half_play))
        speed = gain * move.speed_deg_s
        sign, end_s = sign_of(GROUPS[group]), max(begin_s, move.end_s)
        path.follow([Retreating(begin_s, sign, abs(counts), speed, end_s, axis.friction_counts)])
        if move.to_deg + half_play <= self._touch_deg(self.fingers[group]):
            self._pusher = None

    def _kick(self, time_s: float, stick: StickProperties, other: int, counts: float) -> None:
        """The release throws the other axis: as fast as a swing of so many counts."""
        now, velocity = self.paths[other].state(time_s)
        dynamics = self._grease[other].dynamics(time_s, stick.axes()[other], 1)
        self.paths[other].follow(free_motion(time_s, now, velocity + counts * dynamics.natural_rad_s, dynamics))

    def _go_limp(self, time_s: float, group: Group) -> None:
        """Without torque the spring takes the finger home, and a held stick throws it aside. A jammed shaft does neither."""
        finger = self.fingers[group]
        finger.go_home(time_s, self.law)
        if self._pusher != group or not finger.folded or self.stick is None:
            return
        self._pusher, self.slips_s = None, math.inf
        index, sign = AXES.index(axis_of(GROUPS[group])), sign_of(GROUPS[group])
        counts, _ = self.paths[index].state(time_s)
        dynamics = self._grease[index].dynamics(time_s, self._axis(self.stick, group), sign)
        self.paths[index].follow(thrown(time_s, counts, dynamics))
        self._log.add(time_s, "released", group=GROUPS[group], held_counts=sign * counts, thrown=True)
