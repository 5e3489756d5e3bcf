"""Options that several commands share, and the small readers behind them."""

from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from station.errors import MarkingError, UsageError

if TYPE_CHECKING:
    from station.records import Fitted
    from station.specification import Specification

AsJson = Annotated[bool, typer.Option("--json", help="One JSON document on standard output, nothing else.")]
SpecFile = Annotated[Path, typer.Option("--spec", metavar="SPEC.toml", help="The specification to judge by.")]
FittedX = Annotated[str, typer.Option("--fitted-x", metavar="F", help="Capacitor now fitted on x: 0.33uF, 330n, 334 or 3.3e-7.")]
FittedY = Annotated[str, typer.Option("--fitted-y", metavar="F", help="Capacitor now fitted on y.")]
Columns = Annotated[str, typer.Option("--columns", metavar="t,x,y", help="Names of the time, x and y columns in the file.")]
SupplyV = Annotated[float | None, typer.Option("--supply-v", metavar="V", help="Supply of the unit as measured, in volts.")]

SUPPLY_V_MAX = 30.0  # the widest rail a specification may name


def read_text(path: Path, what: str) -> str:
    """Text of a UTF-8 file, with or without byte-order mark. Raises UsageError naming the file and what stands in the way."""
    try:
        if not path.is_file() and path.exists():
            raise UsageError(f"{what} {path}: is not a file; expected a text file")
        return path.read_text(encoding="utf-8-sig")
    except OSError as problem:
        raise UsageError(f"{what} {path}: {problem.strerror}; expected a file that can be read") from problem
    except ValueError as problem:  # bytes that are no UTF-8, or a NUL in the name
        raise UsageError(f"{what} {path}: {problem}; expected UTF-8 text") from problem


def read_specification(path: Path) -> "Specification":
    """Specification from a TOML file. Raises UsageError, SpecificationError."""
    from station.specification import parse_specification

    return parse_specification(read_text(path, "specification"))


def fitted(x: str, y: str) -> "Fitted":
    """What is fitted, from the texts of --fitted-x and --fitted-y, "" for no part. Raises UsageError naming the option."""
    from station.records import Fitted

    return Fitted(x_f=_capacitance_f("--fitted-x", x), y_f=_capacitance_f("--fitted-y", y))


def column_names(text: str) -> tuple[str, str, str]:
    """Names of time, x and y columns from "t,x,y". Raises UsageError."""
    names = tuple(name.strip() for name in text.split(","))
    if len(names) != 3 or not all(names) or len(set(names)) != 3:
        raise UsageError(f"--columns is {text!r}; expected three different names as in t_s,x_v,y_v")
    return names[0], names[1], names[2]


def checked_supply_v(supply_v: float | None) -> float | None:
    """The same value, or UsageError when no rail can have it."""
    if supply_v is not None and not 0.5 < supply_v <= SUPPLY_V_MAX:
        raise UsageError(f"--supply-v is {supply_v}; expected volts above 0.5 and at most {SUPPLY_V_MAX:g}")
    return supply_v


def instant(option: str, text: str) -> datetime | None:
    """A time as RFC 3339 has it, with its zone; None for "". Raises UsageError naming the option."""
    if not text:
        return None
    expected = "expected a time with its zone as in 2026-11-25T07:30:00Z"
    try:
        at = datetime.fromisoformat(text)
    except ValueError as problem:
        raise UsageError(f"{option} is {text!r}; {expected}") from problem
    if at.tzinfo is None:
        raise UsageError(f"{option} is {text!r}, without a zone; {expected}")
    return at


def _capacitance_f(option: str, text: str) -> float:
    from station.axis.markings import parse_capacitance

    try:
        return parse_capacitance(text or "none").capacitance_f
    except MarkingError as problem:
        raise UsageError(f"{option}: {problem}") from problem
