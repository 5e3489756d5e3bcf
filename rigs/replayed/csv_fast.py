"""Read the samples with a parser built for it, batch by batch so that memory stays bounded. Clean files only; it explains nothing."""

from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from rigs.replayed.csv_columns import Columns, ThreeColumns
from rigs.replayed.csv_header import Header

if TYPE_CHECKING:
    import polars


def read_fast(path: Path, header: Header, row_bytes: float, progress: Callable[[float], None]) -> ThreeColumns | None:
    """Times, x and y, each shape (n,), or None when anything in the file is not a plain finite number in its place."""
    from polars.exceptions import PolarsError

    columns = Columns(header, row_bytes)
    try:
        for batch in _lazy(path, header).collect_batches(maintain_order=True):
            values = [batch.to_series(index).to_numpy() for index in range(len(header.wanted))]
            if not all(np.isfinite(column).all() for column in values):  # an empty cell is not a number here
                return None
            for view, column in zip(columns.more(len(batch)), values, strict=True):
                view[:] = column
            progress(header.share(columns.rows, row_bytes))
    except PolarsError:
        return None  # the plain reader finds the same fault again and says where it is
    return columns.done()


def _lazy(path: Path, header: Header) -> "polars.LazyFrame":
    import polars as pl

    wanted = [f"c{place}" for place in header.wanted]
    schema = {f"c{place}": pl.Float64 if place in header.wanted else pl.String for place in range(len(header.names))}
    frame = pl.scan_csv(path, has_header=False, skip_lines=header.lines, schema=schema, raise_if_empty=False, glob=False)
    return frame.select(wanted)
