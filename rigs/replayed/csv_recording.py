"""Recordings from any oscilloscope or logger: CSV with a time column in seconds and the levels of both axes in volts."""

from collections.abc import Callable
from pathlib import Path
from typing import Final

from rigs.replayed.clock import examine_clock
from rigs.replayed.csv_columns import ThreeColumns
from rigs.replayed.csv_even import read_even
from rigs.replayed.csv_fast import read_fast
from rigs.replayed.csv_header import Header, read_header
from rigs.replayed.csv_plain import read_plainly
from rigs.replayed.csv_print import read_print
from rigs.replayed.sampler_step import sampler_step_v
from station.errors import RecordingUnreadable
from station.records import Recording

COLUMNS: Final = ("t_s", "x_v", "y_v")


def _unwatched(_share: float) -> None:
    """Nobody asked how far the reading is."""


def read_recording(
    path: Path,
    columns: tuple[str, str, str] = COLUMNS,
    supply_v: float | None = None,
    progress: Callable[[float], None] = _unwatched,
) -> Recording:
    """Read a recording: RFC 4180, UTF-8, comment lines (#) before the header, further columns ignored.

    columns: names of time (s), x and y (V). supply_v: the unit's rail as measured. progress: told the share read, 0 to 1.
    A clock that cannot be trusted is told in Recording.distrust. Raises RecordingUnreadable naming line, column, value and what was
    expected when the file is not a table of finite numbers with at least two samples.
    """
    header = read_header(path, columns)
    printed = read_print(path, header)
    time_s, x_v, y_v = _columns(path, header, printed.row_bytes, progress)
    if len(time_s) < 2:
        raise RecordingUnreadable(f"{path}: holds {len(time_s)} samples; expected at least two below the header")
    clock = examine_clock(time_s, printed.step_s)
    return Recording(
        rate_hz=clock.rate_hz,
        x_v=x_v,
        y_v=y_v,
        supply_v=supply_v,
        quantum_v=_common_step_v(sampler_step_v(x_v), sampler_step_v(y_v)),
        t_first_s=float(time_s[0]),
        distrust=clock.distrust,
    )


def _columns(path: Path, header: Header, row_bytes: float, progress: Callable[[float], None]) -> ThreeColumns:
    """By the fastest reader that takes the file: evenly printed rows, clean rows of any print, at last row by row."""
    return (
        read_even(path, header, row_bytes, progress)
        or read_fast(path, header, row_bytes, progress)
        or read_plainly(path, header, row_bytes, progress)
    )


def _common_step_v(x_v: float, y_v: float) -> float:
    """One converter samples both axes: the finer step, or the one that is known."""
    known = [step_v for step_v in (x_v, y_v) if step_v > 0.0]
    return min(known, default=0.0)
