"""The command `restpoint`: one table of commands, one place where errors become exit codes.

A command's module is imported only when that command is asked for, so that scoring a file never loads the web service.
"""

import importlib
import io
import os
import signal
import sys
import traceback
from collections.abc import Sequence
from types import FrameType
from typing import Annotated, Any, Final, NoReturn

import typer
from typer.core import TyperGroup

from api.cli.output import Exit, emit, say
from station.errors import RestpointError

PROGRAM: Final = "restpoint"
TRACEBACK_SWITCH: Final = "RESTPOINT_TRACEBACK"

COMMANDS: Final = (
    ("score", "api.cli.score", "Score a recording: measure every flick and give the verdict."),
    ("plan", "api.cli.plan", "Show what a specification's decision does, or decide recorded peaks."),
    ("advise", "api.cli.advise", "Say which capacitor to fit, before anyone solders."),
    ("gauge", "api.cli.gauge", "Evaluate a gauge study of the measuring chain."),
    ("units", "api.cli.units", "List units, or show one with its history."),
    ("rework", "api.cli.rework", "Work list of failed units: advice, what was fitted, what retests taught."),
    ("runs", "api.cli.runs", "List runs, or show one with what it rests on."),
    ("yield", "api.cli.yields", "Yield with intervals, causes ranked, capability, rework."),
    ("export", "api.cli.export", "Write yield, failed units, one unit or a trace into a file."),
    ("rigs", "api.cli.rigs", "Show the rigs of a running station, scan, start, halt, reset."),
    ("proof", "api.cli.proof", "Prove the rig: calibrate, measure a reference, study the gauge, watch charts."),
    ("config", "api.cli.config", "Check the station's configuration."),
    ("token", "api.cli.token", "Make an access token, or revoke one."),
    ("audit", "api.cli.audit", "Show who did what; verify that no record was touched."),
    ("db", "api.cli.db", "Upgrade, check or copy the database."),
    ("serve", "api.cli.serve", "Run the station and its API until stopped."),
    ("rig-emulator", "api.cli.rig_emulator", "Run one emulated rig at the end of a pty or a TCP address."),
    ("demo", "api.cli.demo", "Run the station on emulated rigs with a shift of emulated units."),
)
"""Name, module with `register(app)`, and the line on the help page, in the order of that page."""


class _Commands(TyperGroup):
    """Imports the command that is called; the others stay a name and a line of help."""

    def resolve_command(self, ctx: Any, args: list[str]) -> Any:
        for name, module, _ in COMMANDS:
            if args and args[0] == name:
                self.commands[name] = _load(name, module)
        return super().resolve_command(ctx, args)


def _load(name: str, module: str) -> Any:
    alone = typer.Typer()
    importlib.import_module(module).register(alone)
    return typer.main.get_group(alone).commands[name]


def _show_version(wanted: bool) -> None:
    if wanted:
        from importlib.metadata import version

        emit(f"{PROGRAM} {version(PROGRAM)}")
        raise typer.Exit


def _top(
    _version: Annotated[bool, typer.Option("--version", callback=_show_version, is_eager=True, help="Print the version and end.")] = False,
) -> None:
    """End-of-line test of controllers with analog thumbsticks: flick, measure, decide, record.

    Exit codes: 0 pass or done, 1 fail, 2 wrong usage or something refused, 3 undecided or invalid, 130 and 143 ended by a signal.
    """


def _stand_in() -> None:
    """Never called: `resolve_command` puts the real command in its place first."""
    raise NotImplementedError


def build() -> typer.Typer:
    """The command line as a typer app, its commands not yet imported."""
    app = typer.Typer(cls=_Commands, pretty_exceptions_enable=False, context_settings={"help_option_names": ["-h", "--help"]})
    app.callback()(_top)
    for name, _, summary in COMMANDS:
        app.command(name, help=summary)(_stand_in)
    return app


def call(arguments: Sequence[str]) -> int:
    """Carry out one command line and return its exit code. Whatever is refused is one line on standard error."""
    try:
        code = build()(args=list(arguments), prog_name=PROGRAM, standalone_mode=False)
    except typer.TyperException as problem:
        context = getattr(problem, "ctx", None)
        message = problem.format_message().rstrip(".") or "no command given"
        say(f"{PROGRAM}: {message}. See {context.command_path if context else PROGRAM} --help.")
        return Exit.REFUSED
    except typer.Abort:
        say(f"{PROGRAM}: input ended before an answer was given")
        return Exit.REFUSED
    except RestpointError as problem:
        say(f"{PROGRAM}: {problem}")
        return Exit.REFUSED
    return int(code or Exit.DONE)


class _Ending:
    """Takes the signals that end the program, and remembers them: libraries may turn the exception of one into an error of theirs."""

    def __init__(self) -> None:
        self.signal = 0
        for number in (signal.SIGINT, signal.SIGTERM):
            signal.signal(number, self._end)

    @property
    def code(self) -> int:
        """Exit code of a program ended by the signal, 0 if there was none."""
        return 128 + self.signal if self.signal else 0

    def _end(self, number: int, _frame: FrameType | None) -> NoReturn:
        self.signal = number
        raise KeyboardInterrupt if number == signal.SIGINT else SystemExit(self.code)


def run() -> NoReturn:
    """Entry point of the installed command: `call` with this process's arguments, signals and streams."""
    ending = _Ending()
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(errors="backslashreplace")
    try:
        sys.exit(call(sys.argv[1:]))
    except SystemExit as ended:
        if isinstance(ended.__context__, BrokenPipeError):  # the help page's reader went away
            sys.exit(Exit.DONE)
        raise
    except KeyboardInterrupt:  # outside of any command
        sys.exit(Exit.INTERRUPTED)
    except Exception as problem:  # a fault of ours must not end with the code that says "fail"
        if not ending.signal:
            _report(problem)
        raise SystemExit(ending.code or Exit.REFUSED) from problem


def _report(problem: Exception) -> None:
    if os.environ.get(TRACEBACK_SWITCH):
        traceback.print_exception(problem)
    say(f"{PROGRAM}: internal error, {type(problem).__name__}: {problem}; {TRACEBACK_SWITCH}=1 shows where")
