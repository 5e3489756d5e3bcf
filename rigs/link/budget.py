"""What the link costs a rig: bytes a second and bytes of memory, by arithmetic from the table."""

from dataclasses import dataclass
from typing import Final

from rigs.link.codec import fields_bytes
from rigs.link.frames import CRC_BYTES
from rigs.link.messages import HEARTBEAT_PERIOD_S, RIG_MESSAGES, STATUS_PERIOD_S

BUFFER_BYTES: Final = 256  # one frame of 245 bytes, rounded up
SAMPLE_BYTES: Final = 3
BITS_8N1: Final = 10  # start bit, eight data bits, stop bit


def frame_bytes(name: str, samples: int = 0) -> int:
    """Length of a whole frame: type, fields, samples, CRC, one byte of COBS, the zero."""
    return 1 + fields_bytes(name) + SAMPLE_BYTES * samples + CRC_BYTES + 2


@dataclass(frozen=True, slots=True)
class Load:
    """A rig that samples two axes at rate_hz in blocks of so many samples, over a line of so many bytes a second."""

    rate_hz: int
    block_samples: int
    line_bytes_s: int

    @property
    def blocks_s(self) -> float:
        return self.rate_hz / self.block_samples

    @property
    def samples_bytes_s(self) -> float:
        return self.blocks_s * frame_bytes("SAMPLES", self.block_samples)

    @property
    def status_bytes_s(self) -> float:
        return frame_bytes("STATUS") / STATUS_PERIOD_S

    @property
    def used_share(self) -> float:
        """Of the line from the rig to the host."""
        return (self.samples_bytes_s + self.status_bytes_s) / self.line_bytes_s

    @property
    def block_s(self) -> float:
        """Time to gather one block."""
        return self.block_samples / self.rate_hz

    @property
    def send_s(self) -> float:
        """Time to send one block, with a STATUS and a DONE before it."""
        waiting = frame_bytes("SAMPLES", self.block_samples) + frame_bytes("STATUS") + frame_bytes("DONE")
        return waiting / self.line_bytes_s


SMALL: Final = Load(4_800, 50, 500_000 // BITS_8N1)
LARGE: Final = Load(10_000, 75, 1_000_000)  # of USB full speed's 12 Mbit/s about 1 MB/s is payload (from memory)


def host_bytes_s() -> float:
    """Towards the rig while nothing is commanded."""
    return frame_bytes("HEARTBEAT") / HEARTBEAT_PERIOD_S


def small_memory() -> dict[str, int]:
    """RAM of a small rig, bytes by purpose: one receive buffer, two blocks taken in turns, one short frame going out."""
    short_frame = max(frame_bytes(message.name) for message in RIG_MESSAGES if not message.tail)
    block = frame_bytes("SAMPLES", SMALL.block_samples)
    return {
        "receive buffer": BUFFER_BYTES,
        "two sample blocks, one filling while one is sent, encoded in place": 2 * block,
        "one short frame (the longest is IDENTITY)": short_frame,
        "last command and its answer, for repeats": fields_bytes("DONE") + fields_bytes("ACK"),
        "states, counters, timers, table of the finger's motion": 192,
        "stack": 512,
    }
