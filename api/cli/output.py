"""What a command says: data to standard output, messages to standard error, and an exit code that a script can trust.

Exit codes: 0 pass or done, 1 fail, 2 wrong usage or something refused, 3 undecided or invalid, 130 and 143 ended by a signal.
"""

import json
import math
import os
import sys
from collections.abc import Mapping, Sequence
from enum import IntEnum
from typing import IO, TYPE_CHECKING, Any

from station.errors import UsageError

if TYPE_CHECKING:
    from rich.console import RenderableType

PIPE_WIDTH = 200  # columns when nobody's terminal sets the width: wide enough that no table of ours is folded


class Exit(IntEnum):
    DONE = 0
    FAIL = 1
    REFUSED = 2
    UNSURE = 3
    INTERRUPTED = 130  # 128 + SIGINT
    TERMINATED = 143  # 128 + SIGTERM


EXIT_BY_VERDICT: Mapping[str, Exit] = {"pass": Exit.DONE, "fail": Exit.FAIL, "undecided": Exit.UNSURE, "invalid": Exit.UNSURE}


def emit(text: str) -> None:
    """Write text and a line end to standard output. A reader that went away is no error; a full disk is a UsageError."""
    try:
        sys.stdout.write(text + "\n")
        sys.stdout.flush()
    except BrokenPipeError:
        _forget(sys.stdout)
    except OSError as problem:
        _forget(sys.stdout)
        raise UsageError(f"standard output: {problem.strerror}; expected a place that takes the answer") from problem


def emit_json(document: Mapping[str, Any]) -> None:
    """One JSON document: plain ASCII, full precision, null where a number is not known (JSON has no NaN or infinity)."""
    emit(json.dumps(plain(document), allow_nan=False))


def say(line: str) -> None:
    """One line to standard error."""
    try:
        sys.stderr.write(" ".join(line.split()) + "\n")
        sys.stderr.flush()
    except BrokenPipeError:
        _forget(sys.stderr)


def show(*parts: "RenderableType") -> None:
    """Tables and text for people, on standard output; NO_COLOR is respected, a pipe gets neither colour nor folding."""
    from rich.console import Console

    on_terminal = sys.stdout.isatty()
    console = Console(markup=False, highlight=False, emoji=False, soft_wrap=False, width=None if on_terminal else PIPE_WIDTH)
    with console.capture() as caught:
        for part in parts:
            console.print(part)
    emit("\n".join(line.rstrip() for line in caught.get().splitlines()))


def table(title: str, headers: Sequence[str], rows: Sequence[Sequence[str]], left: int = 1) -> "RenderableType":
    """A table with the first `left` columns set left and the rest, figures, set right."""
    from rich import box
    from rich.table import Table
    from rich.text import Text

    made = Table(title=title or None, title_justify="left", title_style="bold", box=box.ASCII2 if _ascii_only() else box.SIMPLE_HEAD)
    for index, header in enumerate(headers):
        made.add_column(Text(header), justify="left" if index < left else "right")
    for row in rows:
        made.add_row(*(Text(cell) for cell in row))
    return made


def figure(value: Any, digits: int, scale: float = 1.0) -> str:
    """A number to so many decimals; a dash where it is not known."""
    return "-" if value is None or not math.isfinite(value) else f"{value * scale:.{digits}f}"


def plain(value: Any) -> Any:
    """The same value in JSON's own types: numpy scalars and arrays unpacked, tuples as lists, numbers that are not finite as null."""
    if isinstance(value, Mapping):
        return {str(key): plain(inner) for key, inner in value.items()}
    if isinstance(value, (list, tuple)):
        return [plain(inner) for inner in value]
    if hasattr(value, "tolist"):
        return plain(value.tolist())
    if isinstance(value, float):
        return float(value) if math.isfinite(value) else None
    return value


def _ascii_only() -> bool:
    return not (sys.stdout.encoding or "ascii").lower().startswith("utf")


def _forget(stream: IO[str]) -> None:
    """Point the stream to nowhere, so that the interpreter's last flush does not fail again."""
    nowhere = os.open(os.devnull, os.O_WRONLY)
    os.dup2(nowhere, stream.fileno())
    os.close(nowhere)
