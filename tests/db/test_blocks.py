"""Blocks: what comes out is what went in, and damage is never served."""

import hashlib
import json
import struct
import zlib
from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as some
from hypothesis.extra.numpy import arrays
from sqlalchemy import select, update

from db.blocks import Packed, digest, pack, pack_codes, pack_flicks, plain, sha256_hex, unpack, unpack_codes, unpack_flicks
from db.models import FlickBlock, StickResult, TraceBlock
from db.queries import Queries
from db.store import SqlStore
from station.errors import StoreError
from station.records import FlickTable
from tests.db.making import closing, opening, score

# FIPS 180-4, examples of SHA-256 published with the standard: one block, two blocks; the empty message from the same validation set.
FIPS_180 = {
    b"": "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855",
    b"abc": "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad",
    b"abcdbcdecdefdefgefghfghighijhijkijkljklmklmnlmnomnopnopq": "248d6a61d20638b8e5c026930c3e6039a33ce45964ff2167f6ecedd419db06c1",
}


@pytest.mark.parametrize(("message", "expected"), FIPS_180.items())
def test_sha256_by_the_standard(message: bytes, expected: str) -> None:
    assert sha256_hex(message) == expected


def test_the_digest_covers_description_and_bytes() -> None:
    assert digest(b"abc", {"b": 2, "a": [1]}) == hashlib.sha256(b'{"a":[1],"b":2}\nabc').hexdigest()
    assert len({digest(data, about) for data in (b"abc", b"abd") for about in ({}, {"a": 1}, {"a": 2})}) == 6


def test_blocks_are_plain_zlib() -> None:
    """RFC 1950: the stream of another writer is read, and ours begins with method 8 and a header that is a multiple of 31."""
    other = zlib.compress(b"rest", 9)
    assert unpack(Packed("zlib", other, digest(other, {"codec": "zlib"})), {}, "x") == b"rest"
    data = pack(b"rest", {}).data
    assert data[0] & 0x0F == 8
    assert (data[0] * 256 + data[1]) % 31 == 0


@given(arrays(np.uint16, some.tuples(some.integers(0, 60), some.just(2))))
def test_codes_come_back(codes: np.ndarray[Any, np.dtype[np.uint16]]) -> None:
    packed = pack_codes(codes, {"n": len(codes)})
    np.testing.assert_array_equal(unpack_codes(packed, "<u2", codes.shape, {"n": len(codes)}, "x"), codes)
    assert struct.unpack(f"<{codes.size}H", zlib.decompress(packed.data)) == tuple(codes.reshape(-1).tolist())


@given(some.integers(0, 20), some.integers(0, 5), some.integers(0, 2**32 - 1))
def test_flick_tables_come_back(flicks: int, width: int, seed: int) -> None:
    rng = np.random.default_rng(seed)
    columns = {f"column_{index}": rng.choice([rng.normal(), np.nan, np.inf, -0.0, 5e-324], flicks) for index in range(width)}
    table = FlickTable(rng.integers(0, 4, flicks).astype(np.int8), columns, ((),) * flicks)
    found = unpack_flicks(pack_flicks(table, {}), list(columns), table.flags, flicks, {}, "x")
    np.testing.assert_array_equal(found.group, table.group)
    for name, column in columns.items():
        assert found.columns[name].tobytes() == column.tobytes()


def test_every_flipped_bit_is_found() -> None:
    packed = pack_codes(np.arange(40, dtype=np.uint16).reshape(20, 2), {"n": 20})
    for place in range(8 * len(packed.data)):
        data = bytearray(packed.data)
        data[place // 8] ^= 1 << place % 8
        with pytest.raises(StoreError, match=r"run 7, stick main: the trace does not match its SHA-256: the record is damaged"):
            unpack(Packed("zlib", bytes(data), packed.sha256), {"n": 20}, "run 7, stick main: the trace")
    with pytest.raises(StoreError, match="does not match"):
        unpack(packed, {"n": 21}, "x")
    with pytest.raises(StoreError, match="does not match"):
        unpack(Packed("zlib", packed.data[:-1], packed.sha256), {"n": 20}, "x")


def test_another_codec_is_named() -> None:
    sealed = Packed("brotli", b"abc", digest(b"abc", {"codec": "brotli"}))
    with pytest.raises(StoreError, match="x is packed with 'brotli'; this program reads 'zlib'"):
        unpack(sealed, {}, "x")


def test_json_has_neither_nan_nor_numpy() -> None:
    value = {"a": np.float64("nan"), "b": [float("inf"), np.int8(3), True, None], 5: (np.arange(2), "word"), "d": {"e": np.float32(0.5)}}
    found = plain(value)
    assert found == {"a": None, "b": [None, 3, True, None], "5": [[0, 1], "word"], "d": {"e": 0.5}}
    assert json.loads(json.dumps(found, allow_nan=False)) == found


DAMAGE: dict[str, tuple[type, dict[str, Any], Callable[[Queries, int], object], str]] = {
    "trace bytes": (TraceBlock, {"data": None}, lambda queries, number: queries.recording(number), "the trace from sample 0"),
    "trace scale": (TraceBlock, {"scale_v": 0.5}, lambda queries, number: queries.recording(number), "the trace from sample 0"),
    "trace flicks": (TraceBlock, {"commanded": []}, lambda queries, number: queries.recording(number), "the trace from sample 0"),
    "trace length": (TraceBlock, {"shape": [2, 2]}, lambda queries, number: queries.recording(number), "the trace from sample 0"),
    "flick bytes": (FlickBlock, {"data": None}, lambda queries, number: queries.flicks(number), "the block of flicks"),
    "flick columns": (FlickBlock, {"columns": ["peak_counts"]}, lambda queries, number: queries.flicks(number), "the block of flicks"),
    "score bytes": (StickResult, {"detail": None}, lambda queries, number: queries.run(number), "the kept score"),
}


@pytest.mark.parametrize("name", DAMAGE)
def test_damage_in_the_database_is_told_and_not_shown(store: SqlStore, queries: Queries, name: str) -> None:
    table, change, ask, subject = DAMAGE[name]
    numbers = [store.open_run(opening()) for _ in range(2)]
    for number in numbers:
        store.close_run(number, closing(number))
    field = next(iter(change))

    def damage(session: Any, _again: bool) -> None:
        old = session.scalar(select(getattr(table, field)).where(table.run_number == numbers[0]))  # type: ignore[attr-defined]
        new = change[field] if change[field] is not None else bytes([*old[:-3], old[-3] ^ 1, *old[-2:]])
        session.execute(update(table).where(table.run_number == numbers[0]).values({field: new}))  # type: ignore[attr-defined]

    store.database.write(damage)
    with pytest.raises(StoreError, match=f"run {numbers[0]}, stick main: {subject} does not match its SHA-256"):
        ask(queries, numbers[0])
    ask(queries, numbers[1])
    assert [run.number for run in queries.runs().items] == numbers[::-1]


def test_a_score_is_the_same_from_the_same_seed() -> None:
    """What the tests above compare is not trivially empty."""
    assert len(score(1).flicks) == 8
    assert not np.array_equal(score(1).flicks.columns["peak_counts"], score(2).flicks.columns["peak_counts"])
