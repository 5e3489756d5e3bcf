"""What was kept flick by flick and sample by sample, checked against its digest before anyone sees it."""

from collections.abc import Mapping, Sequence
from itertools import pairwise
from typing import Any

import numpy as np
from sqlalchemy import Connection, select

from db.blocks import Packed, unpack_codes, unpack_flicks
from db.models import FlickBlock, Run, TraceBlock
from db.writing import flick_about, trace_about
from station.errors import NotFound
from station.records import CommandedFlick, FlickTable, Recording

Block = Mapping[str, Any]


def flicks(connection: Connection, number: int, stick: str) -> FlickTable:
    """Raises NotFound, StoreError naming the run."""
    query = select(FlickBlock.__table__).where(FlickBlock.run_number == number, FlickBlock.stick == stick)
    row = connection.execute(query).mappings().one_or_none()
    if row is None:
        raise NotFound(_missing(connection, number, f"no flicks of stick {stick!r}"))
    packed = Packed(row["codec"], row["data"], row["sha256"])
    about = flick_about(number, stick, {key: row[key] for key in ("flicks", "columns", "flags")})
    return unpack_flicks(packed, row["columns"], row["flags"], row["flicks"], about, f"run {number}, stick {stick}: the block of flicks")


def rows(connection: Connection, number: int, stick: str) -> Sequence[Block]:
    """The stored blocks of a trace in the order of their samples. Raises NotFound when none were kept."""
    query = select(TraceBlock.__table__).where(TraceBlock.run_number == number, TraceBlock.stick == stick)
    found = connection.execute(query.order_by(TraceBlock.first_sample)).mappings().all()
    if not found:
        raise NotFound(_missing(connection, number, f"no trace of stick {stick!r} kept"))
    return [dict(row) for row in found]


def recording(blocks: Sequence[Block], number: int, stick: str) -> Recording:
    """The blocks joined to one recording in volts; holes between them are named in `distrust`. Raises StoreError naming the run."""
    codes = np.concatenate([_codes(block, number, stick) for block in blocks])
    first = blocks[0]
    begin = int(first["first_sample"])
    commanded = sorted({(int(at), str(group)) for block in blocks for group, at in block["commanded"]})
    return Recording(
        rate_hz=first["rate_hz"],
        x_v=codes[:, 0] * first["scale_v"],
        y_v=codes[:, 1] * first["scale_v"],
        supply_v=first["supply_v"],
        quantum_v=first["scale_v"],
        t_first_s=begin / first["rate_hz"],
        commanded=tuple(CommandedFlick(group, at - begin) for at, group in commanded),
        distrust=_holes(blocks),
    )


def _codes(block: Block, number: int, stick: str) -> Any:
    subject = f"run {number}, stick {stick}: the trace from sample {block['first_sample']}"
    packed = Packed(block["codec"], block["data"], block["sha256"])
    return unpack_codes(packed, block["dtype"], block["shape"], trace_about(number, stick, block), subject)


def _holes(blocks: Sequence[Block]) -> tuple[str, ...]:
    """One sentence for each hole or overlap between parts, and for a change of what a code means."""
    found: list[str] = []
    for one, other in pairwise(blocks):
        end, begin = one["first_sample"] + one["samples"], other["first_sample"]
        if end != begin:
            what = "are missing" if begin > end else "are there twice"
            found.append(f"samples {min(end, begin)} to {max(end, begin) - 1} {what}")
        if (one["rate_hz"], one["scale_v"], one["supply_v"]) != (other["rate_hz"], other["scale_v"], other["supply_v"]):
            found.append(f"rate, scale or supply changed at sample {begin}")
    return tuple(found)


def _missing(connection: Connection, number: int, what: str) -> str:
    exists = connection.execute(select(Run.number).where(Run.number == number)).one_or_none() is not None
    return f"run {number} has {what}" if exists else f"run {number} does not exist"
