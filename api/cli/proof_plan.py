"""What a procedure is asked to do: a TOML file, or words as key=value on the command line."""

import json
import tomllib
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from api.cli.options import read_text
from station.errors import UsageError


def read_plan(file: Path | None, words: Sequence[str]) -> dict[str, Any]:
    """The plan from a file, or from words; nothing for neither. Raises UsageError for both, and for what is no plan."""
    if file is not None and words:
        raise UsageError(f"--plan {file} is given beside {words[0]!r}; expected a file or words")
    return _of_words(words) if file is None else _of_file(file)


def _of_file(file: Path) -> dict[str, Any]:
    try:
        plan = tomllib.loads(read_text(file, "plan"))
    except tomllib.TOMLDecodeError as problem:
        raise UsageError(f"plan {file}: {problem}; expected TOML") from problem
    for key, value in plan.items():
        if not _is_json(value):
            raise UsageError(f"plan {file}: {key} is {value!r}; expected texts, numbers, lists or tables")
    return plan


def _of_words(words: Sequence[str]) -> dict[str, Any]:
    plan: dict[str, Any] = {}
    for word in words:
        key, sign, text = word.partition("=")
        if not sign or not key.isidentifier():
            raise UsageError(f"{word!r} is no part of a plan; expected key=value, as in trials=3")
        if key in plan:
            raise UsageError(f"{key} is given twice; expected each key once")
        plan[key] = _value(text)
    return plan


def _value(text: str) -> Any:
    """A value as TOML has it, such as 3, 0.5, true or ["ann", "ben"]; whatever is none is taken as it stands."""
    try:
        read = tomllib.loads(f"value = {text}")
    except tomllib.TOMLDecodeError:
        return text
    return read["value"] if len(read) == 1 and _is_json(read["value"]) else text


def _is_json(value: Any) -> bool:
    try:
        json.dumps(value, allow_nan=False)
    except (TypeError, ValueError):
        return False
    return True
