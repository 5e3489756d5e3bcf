"""One direction of the link, frame by frame, with the faults that a cable, a driver or an ill will can add."""

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Final

from station.errors import ConfigurationError

KINDS: Final = ("drop", "delay", "dup", "corrupt", "truncate", "insert")


@dataclass(frozen=True, slots=True)
class FrameFault:
    """What happens to frames number k to k + frames - 1 of a lane, counted from the moment the fault was set.

    "delay": by delay_s. "corrupt": bit number `bit` of the frame is flipped (modulo its length). "truncate": only the first keep_bytes go
    out, the zero byte not among them. "insert": `raw` goes out before the frame. name: count only frames of this message ("" any).
    """

    kind: str
    k: int = 0
    frames: int = 1
    delay_s: float = 0.0
    bit: int = 0
    keep_bytes: int = 0
    raw: bytes = b""
    type_code: int | None = None

    def __post_init__(self) -> None:
        if self.kind not in KINDS:
            raise ConfigurationError("kind", self.kind, "one of " + ", ".join(KINDS))


class Lane:
    """Pass every frame through `carry`; it answers what really goes out, and how late each piece."""

    def __init__(self) -> None:
        self.passed = 0
        self._faults: list[tuple[FrameFault, int]] = []

    def add(self, fault: FrameFault) -> None:
        self._faults.append((fault, 0))

    def clear(self) -> None:
        self._faults.clear()

    def carry(self, frame: bytes) -> list[tuple[float, bytes]]:
        """Pieces with their delay in seconds, for one whole frame with its zero byte."""
        self.passed += 1
        pieces = [(0.0, frame)]
        if not self._faults:
            return pieces
        kept = []
        for fault, seen in self._faults:
            if fault.type_code is not None and not _is_of(frame, fault.type_code):
                kept.append((fault, seen))
                continue
            if fault.k <= seen:
                pieces = [out for piece in pieces for out in _suffer(fault, *piece)]
            if seen + 1 < fault.k + fault.frames:
                kept.append((fault, seen + 1))
        self._faults = kept
        return pieces


def split(data: bytes, held: bytearray) -> Iterable[bytes]:
    """Whole frames with their zero byte from bytes as they come; what is unfinished stays in `held`."""
    held += data
    while (end := held.find(0)) >= 0:
        yield bytes(held[: end + 1])
        del held[: end + 1]


def _is_of(frame: bytes, type_code: int) -> bool:
    """Whether a frame carries this message: no type byte is zero, so that COBS leaves it as the second byte."""
    return len(frame) > 1 and frame[1] == type_code


def _suffer(fault: FrameFault, delay_s: float, piece: bytes) -> list[tuple[float, bytes]]:
    if fault.kind == "drop":
        return []
    if fault.kind == "delay":
        return [(delay_s + fault.delay_s, piece)]
    if fault.kind == "dup":
        return [(delay_s, piece), (delay_s, piece)]
    if fault.kind == "truncate":
        return [(delay_s, piece[: min(fault.keep_bytes, len(piece) - 1)])]
    if fault.kind == "insert":
        return [(delay_s, fault.raw), (delay_s, piece)]
    flipped = bytearray(piece)
    place, bit = divmod(fault.bit % (8 * len(piece)), 8)
    flipped[place] ^= 1 << bit
    return [(delay_s, bytes(flipped))]
