"""The table and its codec: every message there and back, and nothing beside the table accepted."""

import struct
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp

from rigs.link import FrameReader, encode, pack_samples, unpack_samples
from rigs.link.codec import Malformed, fields_bytes, pack, unpack
from rigs.link.messages import ENUMS, FIELDS_MAX_BYTES, FLAG, HOST_MESSAGES, MESSAGES, RIG_MESSAGES, Field, Inputs, Message

RANGES = {"B": (0, 255), "H": (0, 65535), "h": (-32768, 32767), "I": (0, 2**32 - 1), "i": (-(2**31), 2**31 - 1)}
BY_NAME = {message.name: message for message in MESSAGES}
PRINTABLE = "".join(chr(code) for code in range(0x20, 0x7F))


def values(one: Field) -> st.SearchStrategy[Any]:
    if one.code.endswith("s"):
        return st.text(PRINTABLE, max_size=int(one.code[:-1]))
    if one.unit == "Inputs":
        return st.integers(0, 31).map(Inputs)
    if one.unit in ENUMS:
        return st.sampled_from(list(ENUMS[one.unit]))
    return st.integers(0, 1) if one.unit == FLAG else st.integers(*RANGES[one.code])


@st.composite
def messages(draw: st.DrawFn) -> tuple[Message, dict[str, Any], bytes]:
    message = draw(st.sampled_from(MESSAGES))
    fields = {one.name: draw(values(one)) for one in message.fields}
    if message.lasting:
        fields["protocol"] = 1
    tail = draw(st.binary(min_size=1, max_size=message.tail_max).map(lambda one: one * message.tail_unit)) if message.tail else b""
    return message, fields, tail


def sample_fields(message: Message) -> dict[str, Any]:
    return {one.name: "" if one.code.endswith("s") else 1 if one.name == "protocol" else 0 for one in message.fields}


@settings(max_examples=400, deadline=None)
@given(messages())
def test_every_message_comes_back_as_it_went(sent: tuple[Message, dict[str, Any], bytes]) -> None:
    message, fields, tail = sent
    received = FrameReader(message.sender).feed(encode(message.name, tail=tail, **fields))
    assert [(one.name, one.fields, one.tail) for one in received] == [(message.name, fields, tail)]


@settings(max_examples=100, deadline=None)
@given(hnp.arrays(np.uint16, st.tuples(st.integers(1, 75), st.just(2)), elements=st.integers(0, 4095)))
def test_samples_come_back_as_they_went(codes: np.ndarray[Any, np.dtype[np.uint16]]) -> None:
    assert len(pack_samples(codes)) == 3 * len(codes)
    np.testing.assert_array_equal(unpack_samples(pack_samples(codes)), codes)


def test_samples_lie_as_the_table_says() -> None:
    """x in bits 0 to 11, y in bits 12 to 23 of a little-endian number, done here by arithmetic on whole numbers."""
    rng = np.random.default_rng(3)
    codes = rng.integers(0, 4096, (75, 2), dtype=np.uint16)
    expected = b"".join((int(x) | int(y) << 12).to_bytes(3, "little") for x, y in codes)
    assert pack_samples(codes) == expected


def test_a_code_of_thirteen_bits_is_refused() -> None:
    with pytest.raises(ValueError, match="4096"):
        pack_samples(np.array([[0, 4096]], dtype=np.uint16))


def test_the_table_is_consistent() -> None:
    assert len({message.code for message in MESSAGES}) == len({message.name for message in MESSAGES}) == len(MESSAGES)
    assert all(message.sender == "host" and message.code < 0x80 for message in HOST_MESSAGES)
    assert all(message.sender == "rig" and message.code >= 0x80 for message in RIG_MESSAGES)
    for message in MESSAGES:
        assert fields_bytes(message.name) + message.tail_unit * message.tail_max <= FIELDS_MAX_BYTES
        assert bool(message.tail) == bool(message.tail_unit)
        for one in message.fields:
            assert one.meaning
            assert one.unit in ("", "Hz", "uV", "ms", "ticks", "0.1 deg", "0.1 deg/s", FLAG) or one.unit in ENUMS


@pytest.mark.parametrize("message", MESSAGES, ids=lambda one: one.name)
def test_every_enumeration_refuses_what_it_does_not_know(message: Message) -> None:
    for one in message.fields:
        if one.unit not in ENUMS and one.unit != FLAG:
            continue
        fields = {**sample_fields(message), one.name: 200}
        with pytest.raises(ValueError, match=one.name):
            pack(message.name, fields, b"abc" if message.tail else b"")
        good = pack(message.name, sample_fields(message), b"abc" if message.tail else b"")
        offset = 1 + struct.calcsize("<" + "".join(field.code for field in message.fields[: message.fields.index(one)]))
        with pytest.raises(Malformed, match="value"):
            unpack(good[:offset] + b"\xc8" + good[offset + 1 :])


@pytest.mark.parametrize("message", MESSAGES, ids=lambda one: one.name)
def test_every_length_but_the_right_one_is_refused(message: Message) -> None:
    good = pack(message.name, sample_fields(message), b"")[: 1 + fields_bytes(message.name)] if not message.tail else None
    if good is None:
        good = pack(message.name, sample_fields(message), b"abc")
    for length in range(1, len(good)):
        with pytest.raises(Malformed, match="length"):
            unpack(good[:length])
    with pytest.raises(Malformed, match="length"):
        unpack(good + b"\0")


@pytest.mark.parametrize(
    ("fields", "match"),
    [
        ({}, "counter"),
        ({"counter": 1, "more": 2}, "more"),
        ({"counter": 65536}, "HEARTBEAT"),
        ({"counter": -1}, "HEARTBEAT"),
    ],
)
def test_fields_that_do_not_fit_are_refused_before_they_are_sent(fields: dict[str, int], match: str) -> None:
    with pytest.raises(ValueError, match=match):
        pack("HEARTBEAT", fields)


def test_tails_that_do_not_fit_are_refused_before_they_are_sent() -> None:
    for tail in (b"", b"ab", b"abc" * 76):
        with pytest.raises(ValueError, match="tail"):
            encode("SAMPLES", run=1, first=0, tick=0, stick=0, tail=tail)
    with pytest.raises(ValueError, match="tail"):
        encode("HEARTBEAT", counter=1, tail=b"abc")


def test_names_are_printable_ascii_of_the_field_s_length() -> None:
    identity = {**sample_fields(BY_NAME["IDENTITY"]), "rig_id": "MG-01", "firmware": "1.4.0"}
    payload = pack("IDENTITY", identity)
    assert unpack(payload).fields["rig_id"] == "MG-01"
    with pytest.raises(ValueError, match="16"):
        pack("IDENTITY", {**identity, "rig_id": "a name too long for it"})
    with pytest.raises(Malformed, match="rig_id"):
        unpack(payload.replace(b"MG-01", b"MG\n01"))
    with pytest.raises(Malformed, match="rig_id"):
        unpack(payload.replace(b"MG-01", b"MG\xb501"))


@pytest.mark.parametrize("name", ["HELLO", "IDENTITY"])
@pytest.mark.parametrize("more", [b"", b"x", b"x" * 100])
def test_another_version_can_be_named_whatever_follows(name: str, more: bytes) -> None:
    payload = bytes([BY_NAME[name].code, 2]) + (77).to_bytes(4, "little") + more
    assert unpack(payload).fields == {"protocol": 2, "nonce": 77}
