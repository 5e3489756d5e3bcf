"""Frames against published check values, and against every damage a line can do to them.

Sources: tests/data/framing.json names them case by case (CRC parameter catalogue; Cheshire and Baker for COBS).
"""

import json
import time
import tracemalloc
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from cobs import cobs
from hypothesis import given, settings
from hypothesis import strategies as st

from rigs.link import FrameReader, Received, encode, pack_samples
from rigs.link.codec import pack
from rigs.link.frames import CRC_INITIAL, ENCODED_MAX_BYTES, FRAME_MAX_BYTES, crc16, frame
from rigs.link.messages import BLOCK_MAX_SAMPLES, FaultCode, Refusal

CASES: dict[str, dict[str, Any]] = {
    case["name"]: case for case in json.loads((Path(__file__).parents[1] / "data" / "framing.json").read_text())["entries"]
}
COBS_CASES = sorted(name for name in CASES if name.startswith("cobs_"))


def dialogue() -> list[bytes]:
    """Frames of one short dialogue, both directions, with samples."""
    rng = np.random.default_rng(41)
    blocks = [
        encode("SAMPLES", run=41, first=75 * k, tick=7500 * k, stick=0, tail=pack_samples(rng.integers(0, 4096, (75, 2), dtype=np.uint16)))
        for k in range(3)
    ]
    return [
        encode("HELLO", protocol=1, nonce=0x01020304),
        encode("HEARTBEAT", counter=1),
        encode("SAMPLE", command=1, run=41, stick=0, on=1),
        encode("ACK", command=1, refusal=Refusal.ACCEPTED),
        blocks[0],
        encode("FLICK", command=2, run=41, stick=0, group=2, hold_ms=100, free_ms=200),
        blocks[1],
        encode("FAULT", fault=FaultCode.GUARD, tick=12_345_678, detail=0),
        blocks[2],
        encode("DONE", command=2, outcome=0, begin=1_000_000, end=1_400_000, first_sample=10, last_sample=4010, value=0),
    ]


def read(data: bytes) -> list[Received]:
    return FrameReader().feed(data)


def test_crc_has_the_published_check_value() -> None:
    case = CASES["check_CRC_16_IBM_3740_CCITT_FALSE"]
    assert crc16(case["inputs"]["ascii"].encode()) == int(case["expected"]["check"], 16)
    hqx = CASES["python_crc_hqx"]
    assert int(hqx["expected"]["value"][hqx["inputs"]["init"].index(CRC_INITIAL)], 16) == crc16(b"123456789")


def test_crc_over_message_and_crc_is_zero() -> None:
    case = CASES["crc_residue_zero"]
    message = bytes.fromhex(case["inputs"]["message_hex"])
    assert crc16(message) == int(case["expected"]["crc"], 16)
    assert crc16(message + crc16(message).to_bytes(2, "big")) == 0
    low_first = crc16(message + crc16(message).to_bytes(2, "little"))
    assert low_first == int(case["expected"]["crc_if_appended_low_byte_first"], 16)


@pytest.mark.parametrize("name", COBS_CASES)
def test_cobs_library_gives_the_published_encodings(name: str) -> None:
    data = bytes.fromhex(CASES[name]["inputs"]["data_hex"])
    encoded = bytes.fromhex(CASES[name]["expected"]["encoded_hex_without_delimiter"])
    assert cobs.encode(data) == encoded
    assert cobs.decode(encoded) == data


def test_a_frame_is_cobs_of_payload_and_crc_and_a_zero() -> None:
    payload = pack("HEARTBEAT", {"counter": 258})
    assert payload == bytes([0x02, 0x02, 0x01])
    assert frame(payload) == cobs.encode(payload + crc16(payload).to_bytes(2, "big")) + b"\0"


def test_the_longest_frame_fits_the_buffer() -> None:
    tail = pack_samples(np.full((BLOCK_MAX_SAMPLES, 2), 0xFFF, dtype=np.uint16))
    longest = encode("SAMPLES", run=2**32 - 1, first=2**32 - 1, tick=2**32 - 1, stick=255, tail=tail)
    assert len(longest) <= FRAME_MAX_BYTES
    assert read(longest)[0].tail == tail


def test_the_dialogue_is_read_whole_however_it_is_cut() -> None:
    data = b"".join(dialogue())
    whole = read(data)
    assert [message.name for message in whole] == [
        "HELLO",
        "HEARTBEAT",
        "SAMPLE",
        "ACK",
        "SAMPLES",
        "FLICK",
        "SAMPLES",
        "FAULT",
        "SAMPLES",
        "DONE",
    ]
    for size in (1, 2, 3, 7, 64, 245, 1000):
        reader = FrameReader()
        pieces = [reader.feed(data[begin : begin + size]) for begin in range(0, len(data), size)]
        assert [message for piece in pieces for message in piece] == whole


def test_every_single_bit_flip_is_noticed() -> None:
    data = b"".join(dialogue())
    whole = read(data)
    for position in range(8 * len(data)):
        damaged = bytearray(data)
        damaged[position // 8] ^= 1 << (position % 8)
        reader = FrameReader()
        received = reader.feed(bytes(damaged))
        assert is_part(received, whole), f"bit {position} gave a message that was never sent"
        assert len(whole) - 2 <= len(received) < len(whole), f"bit {position}"
        assert reader.bad_frames or reader.held_bytes, f"bit {position} was not counted"


def is_part(received: list[Received], whole: list[Received]) -> bool:
    """Whether `received` is `whole` with some left out, in order and unchanged."""
    left = iter(whole)
    return all(any(message == original for original in left) for message in received)


def test_a_frame_cut_at_any_byte_is_never_joined_to_the_next() -> None:
    frames = dialogue()
    whole = read(b"".join(frames))
    for index, one in enumerate(frames):
        for cut in range(1, len(one)):
            data = b"".join(frames[:index]) + one[:cut] + b"".join(frames[index + 1 :])
            received = read(data)
            assert is_part(received, whole)
            assert len(received) >= len(whole) - 2  # the cut one, and the one it ran into


@pytest.mark.parametrize("seed", range(5))
def test_after_a_megabyte_of_noise_the_second_frame_is_read(seed: int) -> None:
    noise = np.random.default_rng(seed).integers(0, 256, 1 << 20, dtype=np.uint8).tobytes()
    reader = FrameReader()
    held = 0
    for begin in range(0, len(noise), 4096):
        assert reader.feed(noise[begin : begin + 4096]) == []
        held = max(held, reader.held_bytes)
    assert held <= ENCODED_MAX_BYTES
    received = [reader.feed(encode("HEARTBEAT", counter=k)) for k in range(3)]
    assert [len(messages) for messages in received[1:]] == [1, 1]
    assert reader.bad_frames > 1000


def test_noise_without_a_zero_keeps_memory_bounded() -> None:
    reader = FrameReader()
    chunk = b"\xff" * 4096
    reader.feed(chunk)
    tracemalloc.start()
    for _ in range(1000):
        reader.feed(chunk)
    _, peak = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    assert peak < 50_000
    assert reader.held_bytes <= ENCODED_MAX_BYTES
    assert reader.feed(b"\0" + encode("HEARTBEAT", counter=7))[0].fields == {"counter": 7}
    assert reader.bad == {"long": 1}


def test_zeros_alone_mean_nothing() -> None:
    reader = FrameReader()
    assert reader.feed(b"\0" * 100 + encode("HEARTBEAT", counter=1) + b"\0\0") != []
    assert reader.bad_frames == 0


@pytest.mark.parametrize(
    ("data", "reason"),
    [
        (b"\x05\x01\0", "cobs"),
        (cobs.encode(b"\x02") + b"\0", "short"),
        (cobs.encode(b"\x02\x01\x00\xab\xcd") + b"\0", "crc"),
        (frame(b"\x7f\x01"), "unknown"),
        (frame(b"\x02\x01"), "length"),
        (frame(b"\x02\x01\x00\x00"), "length"),
        (frame(pack("SAMPLES", {"run": 1, "first": 0, "tick": 0, "stick": 0}, b"abc")[:-3]), "length"),
        (frame(pack("SAMPLES", {"run": 1, "first": 0, "tick": 0, "stick": 0}, b"abc")[:-1]), "length"),
        (frame(b"\x15\x01\x00\x09"), "value"),
        (frame(b"\x10\x01\x00\x01\x00\x00\x00\x00\x02"), "value"),
        (b"\x01" * 300 + b"\0", "long"),
    ],
)
def test_what_is_no_message_is_counted_by_its_reason(data: bytes, reason: str) -> None:
    reader = FrameReader()
    assert reader.feed(data) == []
    assert reader.bad == {reason: 1}
    assert len(reader.feed(encode("HEARTBEAT", counter=1))) == 1


def test_messages_of_the_other_side_are_not_taken() -> None:
    reader = FrameReader("rig")
    assert reader.feed(encode("HELLO", protocol=1, nonce=1)) == []
    assert reader.bad == {"sender": 1}


@settings(max_examples=200, deadline=None)
@given(st.lists(st.binary(max_size=60), max_size=20))
def test_no_bytes_whatever_raise_or_give_a_message(chunks: list[bytes]) -> None:
    reader = FrameReader()
    for chunk in chunks:
        for message in reader.feed(chunk):
            assert isinstance(message, Received)
        assert reader.held_bytes <= ENCODED_MAX_BYTES


def test_the_reader_keeps_up_with_a_hundred_rigs() -> None:
    """2 x 10 kS/s are 33 kB/s; the reader alone does hundreds of times that, so a slow machine still passes at a hundred."""
    data = b"".join(dialogue()) * 400
    reader = FrameReader()
    begin = time.perf_counter()
    for at in range(0, len(data), 4096):
        reader.feed(data[at : at + 4096])
    rate = len(data) / (time.perf_counter() - begin)
    print(f"reader: {rate / 1e6:.1f} MB/s")
    assert rate > 3.3e6
