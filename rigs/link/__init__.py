"""The rig link as pure bytes: the table of messages, the codec, the frames. No port, no clock."""

from rigs.link.codec import Received, pack_samples, unpack_samples
from rigs.link.frames import FrameReader, encode

__all__ = ["FrameReader", "Received", "encode", "pack_samples", "unpack_samples"]
