"""Writing what arrives into a file: whole or not at all, or, for lists, as far as it came, so that it can go on."""

import os
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path
from typing import IO, Final

from api.cli.progress import progress_bar
from api.cli.yields_places import Download, Wanted, Yields
from api.reports.failed import ResumePoint, resume_point, resume_point_of_lines
from station.errors import StationError, UsageError

SUFFIXES: Final = {"u16le": "raw", "bin": "raw", "ndjson": "jsonl"}
POINTS: Final[dict[str, Callable[[IO[bytes]], ResumePoint]]] = {"csv": resume_point, "jsonl": resume_point_of_lines}
"""Forms of a list that can go on, and how the place is found."""


@dataclass(frozen=True, slots=True)
class Writing:
    """What has been written. rows: of a list, None where there is none."""

    size: int
    rows: int | None


def suffix_form(output: Path, form: str, offered: Sequence[str]) -> str:
    """The form that is asked for, or that the file's name says. Raises UsageError naming what there is."""
    suffix = output.suffix.removeprefix(".").lower()
    chosen = form or SUFFIXES.get(suffix, suffix)
    if chosen not in offered:
        how = f"--format is {form!r}" if form else f"--output is {str(output)!r} and no --format is given"
        raise UsageError(f"{how}; expected one of: {', '.join(offered)}")
    return chosen


def write_whole(yields: Yields, wanted: Wanted, output: Path) -> Writing:
    """A file that is there whole or as it was before. Raises UsageError for a place that cannot be written."""
    with yields.file(wanted) as download:
        return _replace(output, download, wanted.what.value)


def write_list(yields: Yields, wanted: Wanted, output: Path, resume: bool) -> Writing:
    """A list of rows. One that can go on is written as it comes, and what a station gives only in part is asked for part by part."""
    if wanted.form not in POINTS:
        if resume:
            raise UsageError(f"--resume is given for {wanted.form}; expected csv or jsonl, which can go on")
        with yields.file(wanted) as download:
            return _replace(output, download, "failed units")
    point, whole = _point(output, wanted.form) if resume else ResumePoint(0, 0), -1
    with progress_bar("failed units") as tell:
        while True:
            left = _part(yields, wanted, output, point, tell)
            whole = max(whole, left)
            following = _point(output, wanted.form)
            if not left or following.size == point.size:
                return Writing(output.stat().st_size, whole)
            point = following


def _part(yields: Yields, wanted: Wanted, output: Path, point: ResumePoint, tell: Callable[[float], None]) -> int:
    """Ask for what comes after a place and write it there; how many rows that was to be. Nothing is touched before something comes."""
    question = {**wanted.question, **({"after": str(point.run)} if point.run else {})}
    begun = False
    try:
        with yields.file(replace(wanted, question=question)) as download, _opened(output, "r+b" if point.size else "wb") as file:
            begun = True
            file.seek(point.size)
            file.truncate()
            _pour(download, file, tell)
            return download.rows or 0
    except StationError as problem:
        raise _unfinished(problem, output) if begun else problem from problem


def _pour(download: Download, file: IO[bytes], tell: Callable[[float], None]) -> None:
    """Write the pieces as they come; how far that is goes by line ends."""
    lines, rows = 0, download.rows or 0
    for piece in download.pieces:
        _put(file, piece)
        lines += piece.count(b"\n")
        if rows:
            tell(min(1.0, lines / rows))


def _unfinished(problem: StationError, output: Path) -> StationError:
    """The same trouble, with what can be done about it."""
    return StationError(f"{problem.message}; {output} is not complete, --resume goes on with it")


def _point(output: Path, form: str) -> ResumePoint:
    if not output.exists():
        return ResumePoint(0, 0)
    with _opened(output, "rb") as file:
        try:
            return POINTS[form](file)
        except (ValueError, KeyError) as problem:
            raise UsageError(f"--output {output}: is no list of failed units as {form}; expected one that was cut off") from problem


def _replace(output: Path, download: Download, what: str) -> Writing:
    part = output.with_name(f"{output.name}.part")
    try:
        with _opened(part, "wb") as file, progress_bar(what) as tell:
            size = 0
            for piece in download.pieces:
                _put(file, piece)
                size += len(piece)
            tell(1.0)
        os.replace(part, output)
    except OSError as problem:
        raise _cannot(output, problem) from problem
    finally:
        part.unlink(missing_ok=True)
    return Writing(size, download.rows)


@contextmanager
def _opened(path: Path, mode: str) -> Iterator[IO[bytes]]:
    try:
        file = path.open(mode)
    except OSError as problem:
        raise _cannot(path, problem) from problem
    with file:
        yield file


def _put(file: IO[bytes], piece: bytes) -> None:
    try:
        file.write(piece)
    except OSError as problem:
        raise _cannot(Path(file.name), problem) from problem


def _cannot(path: Path, problem: OSError) -> UsageError:
    return UsageError(f"--output {path}: {problem.strerror}; expected a file that can be written")
