"""Reports as JSON: the words as they are, times RFC 3339 UTC, null where a number is not known, keys in their order."""

import json
import math
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import fields, is_dataclass
from datetime import date, datetime
from typing import Any, Final

from api.reports.printed import rfc3339
from station.yields import FailedUnit, YieldReport

YIELD_FORMAT: Final = "restpoint-yield/1"
FAILED_FORMAT: Final = "restpoint-failed/1"
CHUNK_BYTES: Final = 1 << 16


def yield_json(report: YieldReport) -> bytes:
    """The whole report as one document."""
    return dumped({"format": YIELD_FORMAT, **plain(report)}).encode() + b"\n"


def failed_lines(rows: Iterable[FailedUnit]) -> Iterator[bytes]:
    """One document a line, in pieces; a list that was cut off goes on after its last whole line."""
    yield from _joined(dumped(plain(row)) + "\n" for row in rows)


def failed_json(rows: Iterable[FailedUnit], about: Mapping[str, Any]) -> Iterator[bytes]:
    """One document in pieces: what was asked (`about`, JSON-ready), the units, then their number and the last one's run."""
    yield from _joined(_failed_parts(rows, about))


def _failed_parts(rows: Iterable[FailedUnit], about: Mapping[str, Any]) -> Iterator[str]:
    yield dumped({"format": FAILED_FORMAT, **about})[:-1] + ', "units": ['
    count, last = 0, None
    for count, row in enumerate(rows, 1):
        yield (",\n" if count > 1 else "\n") + dumped(plain(row))
        last = row.run
    yield f'\n], "count": {count}, "last_run": {dumped(last)}}}\n'


def plain(value: Any) -> Any:
    """Dataclasses as mappings, times and days as text, what is not finite as null; everything else as it is."""
    if is_dataclass(value) and not isinstance(value, type):
        return {one.name: plain(getattr(value, one.name)) for one in fields(value)}
    if isinstance(value, Mapping):
        return {str(key): plain(inner) for key, inner in value.items()}
    if isinstance(value, (list, tuple)):
        return [plain(inner) for inner in value]
    if isinstance(value, datetime):
        return rfc3339(value)
    if isinstance(value, date):
        return value.isoformat()
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    return value


def dumped(value: Any) -> str:
    """JSON text, plain ASCII."""
    return json.dumps(value, allow_nan=False)


def _joined(parts: Iterable[str]) -> Iterator[bytes]:
    kept: list[str] = []
    size = 0
    for part in parts:
        kept.append(part)
        size += len(part)
        if size >= CHUNK_BYTES:
            yield "".join(kept).encode()
            kept, size = [], 0
    yield "".join(kept).encode()
