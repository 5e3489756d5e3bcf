"""The rig's own clock: a counter of ticks from its last start, driven by an oscillator that is a little off."""

from typing import Final

from rigs.emulated.laws import ClockLaw

TICK_WRAPS: Final = 2**32


class RigClock:
    """Ticks at an instant of true time. A change of the law bends the counter, it never makes it jump."""

    def __init__(self, law: ClockLaw, tick_hz: int) -> None:
        self.law = law
        self._tick_hz = tick_hz
        self._base_s = 0.0
        self._base_ticks = float(law.tick_offset)

    def tick(self, time_s: float) -> int:
        """The counter, wrapped to 32 bits."""
        return round(self._ticks(time_s)) % TICK_WRAPS

    def restart(self, time_s: float) -> None:
        """The rig starts: the counter begins anew."""
        self._base_s, self._base_ticks = time_s, float(self.law.tick_offset)

    def change(self, time_s: float, law: ClockLaw) -> None:
        """Another oscillator from now on; another tick_offset shifts the counter at once."""
        self._base_ticks = self._ticks(time_s) + law.tick_offset - self.law.tick_offset
        self._base_s, self.law = time_s, law

    def _ticks(self, time_s: float) -> float:
        return self._base_ticks + (time_s - self._base_s) * self._tick_hz * (1.0 + self.law.error)
