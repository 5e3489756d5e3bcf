"""One finger: a servo that follows orders late, at a limited speed, with play and jitter; without torque a spring brings it home."""

from dataclasses import dataclass
from typing import Final

import numpy as np

from rigs.emulated.laws import ServoLaw
from rigs.emulated.settings import FingerShape
from rigs.link.messages import ANGLE_MAX_DECIDEG

ANGLE_MAX_DEG: Final = ANGLE_MAX_DECIDEG / 10
HOME_DEG: Final = 0.05  # nearer than this is home


@dataclass(frozen=True, slots=True)
class Move:
    """The motor turns at equal speed from one angle to another."""

    begin_s: float
    from_deg: float
    to_deg: float
    speed_deg_s: float

    @property
    def end_s(self) -> float:
        return self.begin_s + abs(self.to_deg - self.from_deg) / self.speed_deg_s

    @property
    def outward(self) -> bool:
        return self.to_deg >= self.from_deg

    def angle(self, time_s: float) -> float:
        if time_s <= self.begin_s:
            return self.from_deg
        if time_s >= self.end_s:
            return self.to_deg
        way = self.speed_deg_s * (time_s - self.begin_s)
        return self.from_deg + (way if self.outward else -way)

    def passes_s(self, angle_deg: float) -> float:
        """When the motor is at this angle, on the line of the move, also outside its ends."""
        way = angle_deg - self.from_deg
        return self.begin_s + (way if self.outward else -way) / self.speed_deg_s


class Finger:
    """One of the four fingers round a stick. `folded`: the tip is beyond the release point or on its way home and touches nothing."""

    def __init__(self, shape: FingerShape) -> None:
        self.shape = shape
        self.folded = False
        self.move = Move(0.0, 0.0, 0.0, 1.0)
        self.ordered_deg = 0.0  # as the firmware ordered it, whatever the servo makes of it
        self._tip_deg = 0.0  # the tip when the present move began; it lags the motor by the play

    def angle(self, time_s: float) -> float:
        """Angle of the motor, degrees from home."""
        return self.move.angle(time_s)

    def tip(self, time_s: float, backlash_deg: float) -> float:
        """Angle of the tip: the play of the gear lets it stay behind the motor by up to half of the backlash either way."""
        motor = self.move.angle(time_s)
        return min(max(self._tip_deg, motor - backlash_deg / 2), motor + backlash_deg / 2)

    def order(self, time_s: float, target_deg: float, speed_deg_s: float, law: ServoLaw, random: np.random.Generator) -> Move:
        """Begin to go to an angle. The rig clamps angles as well as refusing them."""
        self.ordered_deg = min(max(target_deg, -ANGLE_MAX_DEG), ANGLE_MAX_DEG)
        target = self.ordered_deg * law.stroke
        now_deg = self.angle(time_s)
        if law.ill == "jammed" or (law.ill == "holds" and target > self.shape.hold_deg):
            target = now_deg
        late_s = max(0.0, law.latency_s + law.latency_jitter_s * random.standard_normal())
        self._begin(time_s, Move(time_s + late_s, now_deg, target, min(speed_deg_s, law.slew_deg_s)), law)
        return self.move

    def go_home(self, time_s: float, law: ServoLaw) -> Move:
        """Without torque the spring brings it home and the tip folds over the stick, unless the shaft is jammed."""
        now_deg, self.ordered_deg = self.angle(time_s), 0.0
        self.folded = True
        self._begin(time_s, Move(time_s, now_deg, now_deg if law.ill in ("jammed", "holds") else 0.0, law.home_deg_s), law)
        if law.ill in ("jammed", "holds"):
            self.folded = False
        return self.move

    def stay(self, time_s: float) -> None:
        """Stop where it is: the latch at the end of its way holds it without torque."""
        angle = self.angle(time_s)
        self.move = Move(time_s, angle, angle, 1.0)

    def at_home(self, time_s: float) -> bool:
        return abs(self.angle(time_s)) < HOME_DEG

    def unfold(self) -> None:
        """Home again: the tip stands as before the push."""
        self.folded = False
        self._tip_deg = 0.0

    def _begin(self, time_s: float, move: Move, law: ServoLaw) -> None:
        self._tip_deg = self.tip(time_s, law.backlash_deg)
        self.move = move
