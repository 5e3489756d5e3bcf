"""The frame of the command: table of commands, exit codes, streams, signals."""

import importlib
import os
import signal
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
import typer

from api.cli.main import COMMANDS, call
from api.cli.output import EXIT_BY_VERDICT, plain
from station.records import Verdict
from tests.api.command import DATA, here, python, refused, restpoint

CLASSIC = DATA / "gauge-classic.csv"

WITH_COMMAND = """
import sys, types, time
from api.cli import main
def work():
    {body}
module = types.ModuleType("made")
module.register = lambda app: app.command("made")(work)
sys.modules["made"] = module
main.COMMANDS = (("made", "made", "Made for a test."),)
sys.argv = ["restpoint", "made"]
main.run()
"""


def test_the_help_page_names_every_command_and_loads_none_of_them() -> None:
    done = python(
        "import sys\nfrom api.cli.main import call\ncode = call(['--help'])\n"
        "heavy = ('numpy', 'scipy', 'polars', 'pydantic', 'sqlalchemy', 'fastapi', 'uvicorn', 'bokeh', 'httpx', 'serial')\n"
        "print('loaded:', [name for name in heavy if name in sys.modules], code)"
    )
    assert "loaded: [] 0" in done.stdout
    for name, _, _ in COMMANDS:
        assert f" {name} " in done.stdout
    assert "Exit codes" in done.stdout


@pytest.mark.parametrize("name", [name for name, _, _ in COMMANDS])
def test_every_line_of_the_table_registers_its_command_which_has_help(name: str, capsys: pytest.CaptureFixture[str]) -> None:
    module = next(module for one, module, _ in COMMANDS if one == name)
    alone = typer.Typer()
    importlib.import_module(module).register(alone)
    assert list(typer.main.get_group(alone).commands) == [name]
    assert call([name, "--help"]) == 0
    assert "Usage: restpoint" in capsys.readouterr().out


@pytest.mark.parametrize("arguments", [["score"], ["gauge", str(CLASSIC), "--json"]])
def test_files_are_scored_without_service_database_or_plots(arguments: list[str]) -> None:
    done = python(
        f"import sys\nfrom api.cli.main import call\ncall({arguments!r})\n"
        "print('loaded:', [name for name in ('sqlalchemy', 'fastapi', 'uvicorn', 'bokeh', 'httpx', 'serial') if name in sys.modules])"
    )
    assert "loaded: []" in done.stdout


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        ([], "Missing command"),
        (["scor"], "Did you mean 'score'"),
        (["--bogus"], "No such option"),
        (["gauge"], "Missing argument 'STUDY.csv'"),
        (["gauge", CLASSIC, "--method", "guess"], "--method"),
        (["gauge", CLASSIC, "--tolerance", "wide"], "--tolerance"),
        (["gauge", CLASSIC, "more"], "more"),
        (["gauge", CLASSIC, "--tolerance"], "--tolerance"),
    ],
)
def test_wrong_usage_is_one_line_and_exit_2(arguments: list[object], words: str) -> None:
    refused(here(*arguments), words, "--help")


def test_wrong_usage_of_the_installed_command() -> None:
    refused(restpoint("gauge", CLASSIC, "--method", "guess"), "--method")


@pytest.mark.parametrize(("name", "code"), [("SIGINT", 130), ("SIGTERM", 143)])
def test_signals_end_with_their_code_and_without_a_trace(name: str, code: int) -> None:
    body = "print('up', flush=True); time.sleep(30)"
    with subprocess.Popen(
        [sys.executable, "-c", WITH_COMMAND.format(body=body)], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
    ) as process:
        assert process.stdout is not None
        assert process.stderr is not None
        assert process.stdout.readline() == "up\n"
        process.send_signal(getattr(signal, name))
        assert process.wait(timeout=10) == code
        assert process.stderr.read() == ""


def test_a_signal_that_a_library_turned_into_its_own_error_still_ends_with_its_code() -> None:
    """Extension modules interrupted while they load raise ImportError in place of what the signal raised."""
    stop = "import os, signal; os.kill(os.getpid(), signal.SIGINT); time.sleep(5)"
    body = f"try:\n        {stop}\n    except BaseException: raise ImportError('initialization failed')"
    done = python(WITH_COMMAND.format(body=body))
    assert (done.returncode, done.stderr) == (130, "")


def test_a_fault_of_ours_is_no_verdict() -> None:
    done = python(WITH_COMMAND.format(body="raise KeyError('lost')"))
    assert done.returncode == 2
    assert done.stderr == "restpoint: internal error, KeyError: 'lost'; RESTPOINT_TRACEBACK=1 shows where\n"
    shown = python(WITH_COMMAND.format(body="raise KeyError('lost')"), {"RESTPOINT_TRACEBACK": "1"})
    assert shown.returncode == 2
    assert "in work" in shown.stderr


def test_input_that_ends_before_an_answer_is_refused() -> None:
    done = python(WITH_COMMAND.format(body="import typer; typer.prompt('name')"), stdin=subprocess.DEVNULL)
    assert done.returncode == 2
    assert done.stderr.strip() == "restpoint: input ended before an answer was given"


def test_a_reader_that_went_away_changes_nothing() -> None:
    for arguments in ([CLASSIC, "--json"], [CLASSIC], ["--help"]):
        reading, writing = os.pipe()
        os.close(reading)
        done = restpoint("gauge", *arguments, capture_output=False, stdout=writing, stderr=subprocess.PIPE)
        os.close(writing)
        assert (done.returncode, done.stderr) == (0, "")


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="no /dev/full on this system")
def test_an_answer_that_cannot_be_written_is_no_success() -> None:
    with Path("/dev/full").open("w") as full:
        done = restpoint("gauge", CLASSIC, "--json", capture_output=False, stdout=full, stderr=subprocess.PIPE)
    assert done.returncode == 2
    assert "standard output: No space left" in done.stderr


@pytest.mark.parametrize("encoding", ["utf-8", "ascii"])
def test_tables_stay_plain_text_in_a_pipe(encoding: str) -> None:
    done = restpoint("gauge", CLASSIC, env={"PYTHONIOENCODING": encoding, "COLUMNS": "40"})
    assert done.returncode == 0
    assert "\x1b" not in done.stdout
    assert done.stdout.isascii() is (encoding == "ascii")
    assert "repeatability, pooled" in done.stdout  # not folded


def test_version_and_completion() -> None:
    assert restpoint("--version").stdout.startswith("restpoint 0.")
    done = restpoint(env={"_RESTPOINT_COMPLETE": "complete_bash", "COMP_WORDS": "restpoint ga", "COMP_CWORD": "1"})
    assert done.stdout.split() == ["gauge"]
    done = restpoint(env={"_RESTPOINT_COMPLETE": "complete_bash", "COMP_WORDS": "restpoint gauge --tol", "COMP_CWORD": "2"})
    assert done.stdout.split() == ["--tolerance"]


def test_every_verdict_has_its_exit_code() -> None:
    assert {verdict.value: int(EXIT_BY_VERDICT[verdict]) for verdict in Verdict} == {"pass": 0, "fail": 1, "undecided": 3, "invalid": 3}


def test_plain_values_hold_nothing_json_cannot() -> None:
    found = plain({"a": np.float64("nan"), 1: (np.int8(3), [float("inf")]), "v": np.array([1.5, np.nan]), "n": None, "w": Verdict.PASS})
    assert found == {"a": None, "1": [3, [None]], "v": [1.5, None], "n": None, "w": "pass"}
    assert type(found["1"][0]) is int
