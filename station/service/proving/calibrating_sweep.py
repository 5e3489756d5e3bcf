"""The slow step of a calibration: one direction swept by small jogs out to the release, several times, once back at half way."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, Final

import numpy as np

from station.errors import NotReady, UsageError
from station.ports import Done, Jog
from station.prove.calibration import sweeps_from
from station.prove.calibration_fit import fit_map
from station.prove.calibration_signal import leaves_s
from station.quantities import AXES, axis_of, sign_of
from station.records import Floats
from station.service.proving.calibrating_sampler import levels_again
from station.service.proving.calibrating_stream import Stream, streaming
from station.service.proving.course import ProofBench

STEP_DEG: Final = 1.0  # sweeps are shifted against each other by a share of it, so that together they are finer
SPEED_DEG_S: Final = 60.0  # the rig's limit for a jog; a step is then over in 17 ms
HOME_STEP_DEG: Final = 5.0  # the rig's limit for a jog's step
OUT_MOST_DEG: Final = 57.0  # further the stick must have been let go; the rig's own end is at 60
BACK_DEG: Final = 3.0  # at half way: more than any play a gear may have
REST_S: Final = 0.1  # quiet samples before each sweep
SETTLE_S: Final = 0.008  # after a step; the stick has come to rest at its new place (a dozen ring periods of the finger, chosen)
READ_S: Final = 0.020  # samples whose mean is a reading: one period of 50 Hz mains
MOVED: Final = 0.03  # of the supply: so far a stick must be deflected to count as held; a tenth of a usual reach
SAY_DEG: Final = 10  # progress is told this often: every half second
DECIDEG: Final = 10.0  # the rig takes angles in tenths of a degree


@dataclass(slots=True)
class _Sweep:
    """One sweep as it grows. Levels are shares of the supply, as they come; sign makes the held side positive."""

    rest: float
    noise: list[float]
    sign: int
    turn_at: float  # deflection at which to go back once, infinity where that is not known yet
    angle_deg: list[float] = field(default_factory=list)
    level: list[float] = field(default_factory=list)
    back: dict[str, float] | None = None
    release_deg: float = float("nan")

    def deflection(self, level: float) -> float:
        return self.sign * (level - self.rest)

    @property
    def highest(self) -> float:
        return max((self.deflection(level) for level in self.level), default=0.0)


class Sweeper:
    """Sweeps one direction of one stick."""

    def __init__(self, bench: ProofBench, group: str, stick: int) -> None:
        self._bench = bench
        self._group = group
        self._stick = stick
        self._axis = AXES.index(axis_of(group))

    def perform(self, count: int) -> Mapping[str, Any]:
        """So many sweeps. Raises NotReady, with what to do, where they cannot be trusted; RigError."""
        again = levels_again(self._bench)
        supply_v = float(np.mean(again["supply_v"]))
        sweeps: list[_Sweep] = []
        with streaming(self._bench, self._stick, supply_v) as stream:
            begin_s = self._bench.clock.monotonic_s()
            for number in range(count):
                half = sweeps[0].highest / 2 if sweeps else float("inf")
                sweeps.append(self._sweep(stream, f"sweep {number + 1} of {count}", number / count * STEP_DEG, half))
            duration_s = self._bench.clock.monotonic_s() - begin_s
        figures = {
            **again,
            "sweeps": [
                {
                    "rest": round(one.rest, 8),
                    "angle_deg": one.angle_deg,
                    "level": [round(level, 8) for level in one.level],
                    "back": one.back,
                    "release_deg": round(one.release_deg, 6),
                }
                for one in sweeps
            ],
            "noise_v": [float(np.mean([one.noise[axis] for one in sweeps])) * supply_v for axis in range(len(AXES))],
            "duration_s": round(duration_s, 2),
        }
        self._require_map(figures, sweeps)
        return figures

    def _sweep(self, stream: Stream, name: str, shift_deg: float, turn_at: float) -> _Sweep:
        sweep = self._rest(stream, turn_at)
        angle_deg = _rounded(shift_deg) or STEP_DEG
        while angle_deg <= OUT_MOST_DEG:
            if int(angle_deg) % SAY_DEG == 0:
                self._bench.say(f"{self._group}: {name}, {angle_deg:.0f} deg")
            done = self._jog(angle_deg)
            level = self._read(stream, done)
            held = sweep.highest
            if held > MOVED and sweep.deflection(level) < held / 2:
                sweep.release_deg = self._release(stream, sweep, done, angle_deg)
                self._home(angle_deg)
                return sweep
            sweep.angle_deg.append(angle_deg)
            sweep.level.append(level)
            if sweep.back is None and sweep.deflection(level) >= sweep.turn_at:
                back_deg = _rounded(angle_deg - BACK_DEG)
                sweep.back = {"angle_deg": back_deg, "level": self._read(stream, self._jog(back_deg))}
            angle_deg = _rounded(angle_deg + STEP_DEG)
        raise NotReady(self._why_not_released(sweep))

    def _rest(self, stream: Stream, turn_at: float) -> _Sweep:
        first = len(stream)
        status = stream.wait_for(first + round(REST_S * stream.rate_hz))
        if status.energised:
            raise NotReady("The finger keeps its torque at home: press the emergency stop and have the servo checked.")
        quiet = stream.levels(first, len(stream))
        rest, noise = quiet.mean(axis=0), quiet.std(axis=0, ddof=1)
        return _Sweep(float(rest[self._axis]), [float(value) for value in noise], sign_of(self._group), turn_at)

    def _jog(self, angle_deg: float) -> Done:
        return self._bench.rig.carry_out(Jog(self._group, angle_deg, SPEED_DEG_S, self._stick))

    def _read(self, stream: Stream, done: Done) -> float:
        """Level of the own axis once the stick has settled after a step. Raises NotReady when the finger was brought to rest meanwhile."""
        first = done.last_sample + 1 + round(SETTLE_S * stream.rate_hz)
        end = first + round(READ_S * stream.rate_hz)
        status = stream.wait_for(end - 1)
        if not status.energised:
            cause = f" by fault {status.fault}" if status.fault else ""
            raise NotReady(f"The finger was brought to rest{cause} in the middle of the sweep of {self._group}: do this step again.")
        return float(stream.levels(first, end)[:, self._axis].mean())

    def _release(self, stream: Stream, sweep: _Sweep, done: Done, angle_deg: float) -> float:
        """Ordered angle at which the stick slipped off: where the finger was at that instant, on its way at equal speed to angle_deg."""
        levels = stream.levels(done.first_sample, len(stream))[:, self._axis]
        times_s = stream.times_s(done.first_sample, len(stream))
        deflection: Floats = sweep.sign * (levels - sweep.rest)
        try:
            released_s = leaves_s(deflection, times_s, float(np.median(deflection[: max(1, _held(deflection, sweep.highest))])))
        except UsageError as problem:
            raise NotReady(f"Release of {self._group} not seen: {problem}; check the finger, then do this step again.") from problem
        return angle_deg - SPEED_DEG_S * (done.end_s - released_s)

    def _home(self, angle_deg: float) -> None:
        """Back by jogs: an order to rest would swallow a halt that somebody asks for just then."""
        while angle_deg > 0.0:
            angle_deg = max(0.0, _rounded(angle_deg - HOME_STEP_DEG))
            self._jog(angle_deg)

    def _why_not_released(self, sweep: _Sweep) -> str:
        if sweep.highest > MOVED:
            return (
                f"The stick was not let go up to {OUT_MOST_DEG:.0f} deg of {self._group}: check that finger for a jam, its screw and its "
                "stroke, then do this step again."
            )
        lowest = min(sweep.deflection(level) for level in sweep.level)
        if lowest < -MOVED:
            return f"The stick went the other way when pushed to {self._group}: clamp a good unit, the right way round."
        return (
            f"The stick did not move though the finger was ordered out to {OUT_MOST_DEG:.0f} deg of {self._group}: see that a good unit is "
            "clamped and that the finger is not jammed, then do this step again."
        )

    def _require_map(self, figures: Mapping[str, Any], sweeps: list[_Sweep]) -> None:
        try:
            fit_map(sweeps_from(figures, self._group, float(np.mean([one.rest for one in sweeps]))))
        except UsageError as problem:
            raise NotReady(
                f"Sweep of {self._group} cannot be used: {problem}. A worn finger lets go too early: check its tip, then do the step again."
            ) from problem


def _held(deflection: Floats, highest: float) -> int:
    """Samples at the beginning in which the stick is surely still held."""
    gone = np.flatnonzero(deflection < 0.97 * highest)
    return int(gone[0]) if len(gone) else len(deflection)


def _rounded(angle_deg: float) -> float:
    return round(angle_deg * DECIDEG) / DECIDEG
