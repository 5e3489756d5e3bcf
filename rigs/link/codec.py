"""Messages to bytes and back, driven by the table in rigs.link.messages. Pure; no frame, no checksum (rigs.link.frames)."""

import struct
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from rigs.link.messages import CODE_MAX, ENUMS, FLAG, MESSAGES, PROTOCOL_VERSION, Field, Message


class Malformed(ValueError):
    """Bytes with a good checksum that are no message of the table. reason: "unknown", "length", "value" or "sender"."""

    def __init__(self, reason: str, detail: str) -> None:
        super().__init__(f"{reason}: {detail}")
        self.reason = reason


@dataclass(frozen=True, slots=True)
class Received:
    """One message off the wire. fields: by name; int, str, or a member of the field's enumeration. tail: the variable bytes."""

    name: str
    fields: dict[str, Any]
    tail: bytes = b""


@dataclass(frozen=True, slots=True)
class _Layout:
    message: Message
    body: struct.Struct = field(init=False)
    lasting: struct.Struct = field(init=False)

    def __post_init__(self) -> None:
        codes = [one.code for one in self.message.fields]
        object.__setattr__(self, "body", struct.Struct("<" + "".join(codes)))
        object.__setattr__(self, "lasting", struct.Struct("<" + "".join(codes[: self.message.lasting])))


_BY_NAME: Final = {message.name: _Layout(message) for message in MESSAGES}
_BY_CODE: Final = {message.code: _BY_NAME[message.name] for message in MESSAGES}
_VALUES: Final[dict[str, range | frozenset[int]]] = {
    name: range(2 * max(kind)) if name == "Inputs" else frozenset(int(member) for member in kind) for name, kind in ENUMS.items()
}


def fields_bytes(name: str) -> int:
    """Length in bytes of a message's fixed fields, without type byte and tail."""
    return _BY_NAME[name].body.size


def pack(name: str, fields: Mapping[str, int | str], tail: bytes = b"") -> bytes:
    """Type byte, fields and tail of one message.

    Raises ValueError when a field is missing, unknown or out of its range, or the tail has a length the table does not allow.
    """
    layout = _BY_NAME[name]
    wanted = [one.name for one in layout.message.fields]
    if sorted(fields) != sorted(wanted):
        raise ValueError(f"{name} takes {', '.join(wanted)}; got {', '.join(fields)}")
    values = [_to_wire(one, fields[one.name]) for one in layout.message.fields]
    if not _tail_fits(layout.message, len(tail)):
        raise ValueError(f"{name}: a tail of {len(tail)} bytes is not allowed")
    try:
        body = layout.body.pack(*values)
    except struct.error as problem:
        raise ValueError(f"{name}: {problem} in {dict(fields)}") from problem
    return bytes((layout.message.code,)) + body + tail


def unpack(payload: bytes, sender: str | None = None) -> Received:
    """The message in a frame's payload. sender: "host" or "rig" when only that side may have sent it.

    Raises Malformed for anything that is not exactly a message of the table.
    """
    layout = _BY_CODE.get(payload[0]) if payload else None
    if layout is None:
        raise Malformed("unknown", f"no message begins with {payload[:1].hex() or 'nothing'}")
    if sender is not None and layout.message.sender != sender:
        raise Malformed("sender", f"{layout.message.name} is not sent by the {sender}")
    rest = payload[1:]
    if _is_of_other_version(layout, rest):
        return _named(layout.message, layout.lasting.unpack_from(rest))
    size = layout.body.size
    if len(rest) < size or not _tail_fits(layout.message, len(rest) - size):
        raise Malformed("length", f"{layout.message.name} with {len(rest)} bytes")
    return _named(layout.message, layout.body.unpack_from(rest), rest[size:])


def _is_of_other_version(layout: _Layout, rest: bytes) -> bool:
    """Whether this is a HELLO or IDENTITY of another protocol version, of which only the lasting fields can be read."""
    return layout.message.lasting > 0 and len(rest) >= layout.lasting.size and rest[0] != PROTOCOL_VERSION


def _named(message: Message, values: tuple[Any, ...], tail: bytes = b"") -> Received:
    pairs = zip(message.fields, values, strict=False)  # of another version only the first few are there
    return Received(message.name, {one.name: _from_wire(one, value) for one, value in pairs}, tail)


def _tail_fits(message: Message, length: int) -> bool:
    if not message.tail_unit:
        return length == 0
    pieces, left_over = divmod(length, message.tail_unit)
    return left_over == 0 and 1 <= pieces <= message.tail_max


def _to_wire(one: Field, value: int | str) -> int | bytes:
    if one.code.endswith("s"):
        text = str(value).encode("ascii")
        if len(text) > int(one.code[:-1]):
            raise ValueError(f"{one.name} is {value!r}; expected at most {one.code[:-1]} ASCII characters")
        return text
    return int(_checked(one, int(value)))


def _from_wire(one: Field, value: Any) -> Any:
    try:
        if not one.code.endswith("s"):
            return _checked(one, value)
        text = value.rstrip(b"\0").decode("ascii")
    except ValueError as problem:
        raise Malformed("value", f"{one.name}: {problem}") from problem
    if not text.isprintable():
        raise Malformed("value", f"{one.name} is {text!r}; expected printable ASCII")
    return text


def _checked(one: Field, value: int) -> int:
    """The value, as a member of its enumeration where it has one. Raises ValueError when it is outside."""
    kind = ENUMS.get(one.unit)
    if kind is not None:
        if value not in _VALUES[one.unit]:
            raise ValueError(f"{one.name} is {value}; expected one of {one.unit}")
        return kind(value)
    if one.unit == FLAG and value not in (0, 1):
        raise ValueError(f"{one.name} is {value}; expected {FLAG}")
    return value


def pack_samples(codes: NDArray[np.uint16]) -> bytes:
    """Tail of a SAMPLES message. codes: shape (n, 2), x and y, 0 to 4095. Raises ValueError when a code needs more than 12 bits."""
    if codes.size and int(codes.max()) > CODE_MAX:
        raise ValueError(f"a code is {int(codes.max())}; expected at most {CODE_MAX}")
    x, y = codes[:, 0].astype(np.uint16), codes[:, 1].astype(np.uint16)
    packed = np.empty((len(codes), 3), dtype=np.uint8)
    packed[:, 0] = x & 0xFF
    packed[:, 1] = (x >> 8) | ((y & 0xF) << 4)
    packed[:, 2] = y >> 4
    return packed.tobytes()


def unpack_samples(tail: bytes) -> NDArray[np.uint16]:
    """Codes in the tail of a SAMPLES message: shape (n, 2), x and y, uint16."""
    packed = np.frombuffer(tail, dtype=np.uint8).reshape(-1, 3).astype(np.uint16)
    codes = np.empty((len(packed), 2), dtype=np.uint16)
    codes[:, 0] = packed[:, 0] | ((packed[:, 1] & 0xF) << 8)
    codes[:, 1] = (packed[:, 1] >> 4) | (packed[:, 2] << 4)
    return codes
