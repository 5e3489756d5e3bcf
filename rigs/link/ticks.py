"""Rig ticks and edge counters wrap; here, and nowhere else, they are made to count on."""


class Unwrapper:
    """Makes a counter of so many bits count on without wrapping.

    A value is taken as the one nearest to the largest seen so far, so an older one (the begin of a command after a newer status) is
    understood as well. Between two calls the counter may move by less than half of its range: 36 minutes of a 32-bit clock at 1 MHz.
    """

    def __init__(self, bits: int) -> None:
        self._half = 1 << (bits - 1)
        self._mask = (1 << bits) - 1
        self._newest: int | None = None

    def unwrap(self, raw: int) -> int:
        """The value that counts on; the first one is taken as it is."""
        if self._newest is None:
            self._newest = raw
            return raw
        ahead = ((raw - self._newest + self._half) & self._mask) - self._half
        value = self._newest + ahead
        self._newest = max(self._newest, value)
        return value
