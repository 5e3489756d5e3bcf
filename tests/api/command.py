"""The command, run as a process of its own the way other people's scripts run it, or in this process where only its words matter."""

import contextlib
import io
import json
import os
import subprocess
import sys
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from api.cli.main import call

RESTPOINT = Path(sys.executable).with_name("restpoint")
DATA = Path(__file__).parents[1] / "data"
TIME_LIMIT_S = 60


def restpoint(*arguments: object, env: Mapping[str, str] | None = None, **options: Any) -> subprocess.CompletedProcess[str]:
    """Run `restpoint ARGUMENTS` to its end."""
    return spawn([str(RESTPOINT), *map(str, arguments)], env, **options)


def here(*arguments: object) -> subprocess.CompletedProcess[str]:
    """The same command line carried out in this process: no signals, no streams of its own, but a fraction of the time."""
    out, err = io.StringIO(), io.StringIO()
    with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
        code = call(list(map(str, arguments)))
    return subprocess.CompletedProcess(list(map(str, arguments)), code, out.getvalue(), err.getvalue())


def python(code: str, env: Mapping[str, str] | None = None, **options: Any) -> subprocess.CompletedProcess[str]:
    """Run a piece of Python to its end."""
    return spawn([sys.executable, "-c", code], env, **options)


def spawn(command: Sequence[str], env: Mapping[str, str] | None = None, **options: Any) -> subprocess.CompletedProcess[str]:
    settings: dict[str, Any] = {"capture_output": True, "text": True, "timeout": TIME_LIMIT_S, "check": False, **options}
    clean = {key: value for key, value in os.environ.items() if not key.startswith("RESTPOINT_")}
    return subprocess.run(command, env={**clean, **(env or {})}, **settings)


def answered(done: subprocess.CompletedProcess[str], code: int) -> dict[str, Any]:
    """The one JSON document on standard output, no NaN in it, after checking the exit code and that standard error is silent."""
    assert done.returncode == code, done.stderr
    assert done.stderr == ""
    document = json.loads(done.stdout, parse_constant=_no_constant)
    assert isinstance(document, dict)
    return document


def refused(done: subprocess.CompletedProcess[str], *words: str) -> None:
    """Exit code 2, nothing on standard output, one clear line on standard error."""
    assert done.returncode == 2, (done.stdout, done.stderr)
    assert done.stdout == ""
    assert done.stderr.startswith("restpoint: ")
    assert done.stderr.count("\n") == 1
    assert "Traceback" not in done.stderr
    assert "internal error" not in done.stderr
    for word in words:
        assert word in done.stderr


def _no_constant(name: str) -> float:
    raise AssertionError(f"{name} is no JSON")
