"""Read the samples with a parser built for it, batch by batch so that memory stays bounded. Clean files only; it explains nothing."""

from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Final

import numpy as np

from rigs.replayed.csv_header import Header
from station.records import Floats

if TYPE_CHECKING:
    import polars

HEADROOM: Final = 1.02  # rows more than the file's length and the length of its first rows say


def read_fast(path: Path, header: Header, row_bytes: float, progress: Callable[[float], None]) -> tuple[Floats, Floats, Floats] | None:
    """Times, x and y, each shape (n,), or None when anything in the file is not a plain finite number in its place."""
    from polars.exceptions import PolarsError

    rows = 0
    columns = [np.empty(int(HEADROOM * (header.file_bytes - header.size_bytes) / row_bytes) + 1) for _ in header.wanted]
    try:
        for batch in _lazy(path, header).collect_batches(maintain_order=True):
            for index, column in enumerate(columns):
                values = batch.to_series(index).to_numpy()
                if not np.isfinite(values).all():  # an empty cell is not a number here
                    return None
                if rows + len(values) > len(column):
                    column.resize(2 * (rows + len(values)), refcheck=False)
                column[rows : rows + len(values)] = values
            rows += len(batch)
            progress(header.share(rows, row_bytes))
    except PolarsError:
        return None  # the plain reader finds the same fault again and says where it is
    for column in columns:
        column.resize(rows, refcheck=False)
    time_s, x_v, y_v = columns
    return time_s, x_v, y_v


def _lazy(path: Path, header: Header) -> "polars.LazyFrame":
    import polars as pl

    wanted = [f"c{place}" for place in header.wanted]
    schema = {f"c{place}": pl.Float64 if place in header.wanted else pl.String for place in range(len(header.names))}
    frame = pl.scan_csv(path, has_header=False, skip_lines=header.lines, schema=schema, raise_if_empty=False, glob=False)
    return frame.select(wanted)
