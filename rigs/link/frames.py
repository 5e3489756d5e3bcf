"""Frames: COBS(payload, CRC-16 high byte first) and a zero byte. Pure bytes; nothing here blocks, logs or knows the time.

COBS: Cheshire and Baker, Consistent Overhead Byte Stuffing, IEEE/ACM Transactions on Networking 7(2), 1999.
CRC-16: polynomial 0x1021, initial value 0xFFFF, not reflected, no final xor (check value 0x29B1 for "123456789"); appended high byte
first, so that the CRC over payload and CRC is 0.
"""

import binascii
from collections import Counter
from typing import Final

from cobs import cobs

from rigs.link.codec import Malformed, Received, pack, unpack
from rigs.link.messages import FIELDS_MAX_BYTES

CRC_INITIAL: Final = 0xFFFF
CRC_BYTES: Final = 2
PAYLOAD_MAX_BYTES: Final = 1 + FIELDS_MAX_BYTES
ENCODED_MAX_BYTES: Final = PAYLOAD_MAX_BYTES + CRC_BYTES + 1  # COBS adds one byte below 255
FRAME_MAX_BYTES: Final = ENCODED_MAX_BYTES + 1  # and the zero


def crc16(data: bytes) -> int:
    """CRC-16 of the link over data."""
    return binascii.crc_hqx(data, CRC_INITIAL)


def frame(payload: bytes) -> bytes:
    """The frame around a payload, with its zero byte."""
    sealed: bytes = cobs.encode(payload + crc16(payload).to_bytes(CRC_BYTES, "big"))
    return sealed + b"\0"


def encode(name: str, *, tail: bytes = b"", **fields: int | str) -> bytes:
    """One whole frame of the message `name`. Raises ValueError for a field or tail that the table does not allow."""
    return frame(pack(name, fields, tail))


class FrameReader:
    """Turns a stream of bytes into messages; keeps at most one unfinished frame.

    sender: "host" or "rig" when only that side's messages are wanted; None takes both. After noise the first frame that follows a zero
    byte is read again. Whatever is no message is counted in `bad` by its reason: "long", "cobs", "short", "crc", "unknown", "sender",
    "length", "value".
    """

    def __init__(self, sender: str | None = None) -> None:
        self.bad: Counter[str] = Counter()
        self.good_frames = 0
        self._sender = sender
        self._partial = bytearray()
        self._skipping = False

    @property
    def bad_frames(self) -> int:
        return self.bad.total()

    @property
    def held_bytes(self) -> int:
        """Bytes of the unfinished frame, never above ENCODED_MAX_BYTES."""
        return len(self._partial)

    def feed(self, data: bytes) -> list[Received]:
        """Messages completed by these bytes, in order."""
        received: list[Received] = []
        begin = 0
        while (end := data.find(0, begin)) >= 0:
            self._hold(data[begin:end])
            message = self._finish()
            if message is not None:
                received.append(message)
            begin = end + 1
        self._hold(data[begin:])
        return received

    def _hold(self, piece: bytes) -> None:
        """Add to the unfinished frame; one that grows too long is dropped up to its zero byte."""
        if self._skipping:
            return
        if len(self._partial) + len(piece) <= ENCODED_MAX_BYTES:
            self._partial += piece
            return
        self._partial.clear()
        self._skipping = True

    def _finish(self) -> Received | None:
        """A zero byte came: what the unfinished frame is. Nothing between two zero bytes is legal and no frame."""
        encoded, too_long = bytes(self._partial), self._skipping
        self._partial.clear()
        self._skipping = False
        if too_long:
            self.bad["long"] += 1
            return None
        if not encoded:
            return None
        return self._read(encoded)

    def _read(self, encoded: bytes) -> Received | None:
        try:
            sealed = cobs.decode(encoded)
        except cobs.DecodeError:
            self.bad["cobs"] += 1
            return None
        if len(sealed) <= CRC_BYTES or crc16(sealed) != 0:
            self.bad["short" if len(sealed) <= CRC_BYTES else "crc"] += 1
            return None
        try:
            message = unpack(sealed[:-CRC_BYTES], self._sender)
        except Malformed as problem:
            self.bad[problem.reason] += 1
            return None
        self.good_frames += 1
        return message
