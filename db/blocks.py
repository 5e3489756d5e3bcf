"""Blocks: arrays and JSON packed for keeping, each with what it takes to read it again and a digest over both."""

import hashlib
import json
import math
import zlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from station.errors import StoreError
from station.records import FlickTable

CODEC = "zlib"
LEVEL = 1
"""zlib level. Level 6 makes a noisy 12-bit trace of 300 kB 4 % smaller and takes seven times as long (measured on emulated data)."""

TRACE_DTYPE = "<u2"


@dataclass(frozen=True, slots=True)
class Packed:
    """Bytes as stored, their codec, and the SHA-256 (hex) of their description and themselves."""

    codec: str
    data: bytes
    sha256: str


def pack(raw: bytes, about: Mapping[str, Any]) -> Packed:
    """Compress `raw`; the digest also covers `about`, what a reader needs beside it (JSON-ready)."""
    data = zlib.compress(raw, LEVEL)
    return Packed(CODEC, data, digest(data, {"codec": CODEC, **about}))


def unpack(packed: Packed, about: Mapping[str, Any], subject: str) -> bytes:
    """The raw bytes again. Raises StoreError naming `subject` when block or description are not what was stored."""
    if digest(packed.data, {"codec": packed.codec, **about}) != packed.sha256:
        raise StoreError(
            f"{subject} does not match its SHA-256: the record is damaged and is not shown; restore it from a backup", subject=subject
        )
    if packed.codec != CODEC:
        raise StoreError(f"{subject} is packed with {packed.codec!r}; this program reads {CODEC!r}", subject=subject)
    return zlib.decompress(packed.data)


def digest(data: bytes, about: Mapping[str, Any]) -> str:
    """SHA-256 of the sorted compact JSON of `about`, a line feed, and `data`."""
    line = json.dumps(about, sort_keys=True, separators=(",", ":"), allow_nan=False)
    return sha256_hex(line.encode() + b"\n" + data)


def sha256_hex(data: bytes) -> str:
    """SHA-256 by FIPS 180-4, hex."""
    return hashlib.sha256(data).hexdigest()


def pack_json(value: Any, about: Mapping[str, Any]) -> Packed:
    return pack(json.dumps(plain(value), separators=(",", ":"), allow_nan=False).encode(), about)


def unpack_json(packed: Packed, about: Mapping[str, Any], subject: str) -> Any:
    return json.loads(unpack(packed, about, subject))


def pack_codes(codes: NDArray[np.uint16], about: Mapping[str, Any]) -> Packed:
    """Sampler codes, shape (n, 2), sample by sample."""
    return pack(np.ascontiguousarray(codes, dtype=TRACE_DTYPE).tobytes(), about)


def unpack_codes(packed: Packed, dtype: str, shape: Sequence[int], about: Mapping[str, Any], subject: str) -> NDArray[Any]:
    """Codes of the given shape. Raises StoreError naming `subject`."""
    return np.frombuffer(unpack(packed, about, subject), dtype=dtype).reshape(tuple(shape))


def pack_flicks(table: FlickTable, about: Mapping[str, Any]) -> Packed:
    """All columns one after the other as little-endian float64, then the groups as int8."""
    columns = [np.ascontiguousarray(column, dtype="<f8").tobytes() for column in table.columns.values()]
    return pack(b"".join(columns) + table.group.astype(np.int8).tobytes(), about)


def unpack_flicks(
    packed: Packed, columns: Sequence[str], flags: Sequence[Sequence[str]], count: int, about: Mapping[str, Any], subject: str
) -> FlickTable:
    """The table again. Raises StoreError naming `subject`."""
    raw = unpack(packed, about, subject)
    split = 8 * count * len(columns)
    values = np.frombuffer(raw[:split], dtype="<f8").reshape(len(columns), count).astype(np.float64)
    return FlickTable(
        group=np.frombuffer(raw[split:], dtype=np.int8).copy(),
        columns=dict(zip(columns, values, strict=True)),
        flags=tuple(tuple(words) for words in flags),
    )


def plain(value: Any) -> Any:
    """The value as JSON knows it: numpy's numbers and arrays as Python's, NaN and infinities as null."""
    if isinstance(value, np.ndarray | np.generic):
        return plain(value.tolist())
    if isinstance(value, Mapping):
        return {str(key): plain(inner) for key, inner in value.items()}
    if isinstance(value, list | tuple):
        return [plain(inner) for inner in value]
    return None if isinstance(value, float) and not math.isfinite(value) else value
