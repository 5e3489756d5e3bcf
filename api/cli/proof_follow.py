"""Leading a person through a procedure: shows a step, waits for the word to carry it out, waits for its end, shows the next."""

import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Any, Final, Protocol

import typer

from api.cli.output import Exit, say, show
from api.cli.proof_view import outcome_lines, step_lines
from api.cli.records import Document
from station.errors import NotReady, UsageError

LOOK_S: Final = 0.4  # between two looks at a step that is carried out; chosen: soon enough for a person, light for the service
BEGIN_S: Final = 2.0  # until a step that was asked for is seen to begin: many turns of a rig's worker
LEAVE: Final = "q"

Tell = Callable[[Any], None]


class Procedures(Protocol):
    """A running station. Raises NotFound, UsageError, StationError."""

    def procedure(self, number: int) -> Document: ...

    def go_on(self, number: int, position: int, operator: str) -> Document: ...


class Follower:
    """Follows one procedure to its end. asks: whether Enter is waited for before each step. tell: where words for people go."""

    def __init__(self, station: Procedures, operator: str, asks: bool, tell: Tell) -> None:
        self._station = station
        self._operator = operator
        self._asks = asks
        self._tell = tell

    def follow(self, number: int) -> Document:
        """The procedure when it has ended, or as the person left it. Raises NotReady when a step fails and nobody is asked."""
        view = self._settled(number)
        if view["standing"] == "open":
            self._tell("\n".join(["Before every step:", *(f"  - {caution}" for caution in view["cautions"])]))
        while view["standing"] == "open":
            following = self._one(view)
            if following is None:
                return view
            view = following
        return view

    def _one(self, view: Document) -> Document | None:
        """The procedure after one step more; None when the person leaves."""
        number, position = view["number"], view["next"]
        self._tell("\n".join(step_lines(view)))
        if self._asks and not self._told_to_go_on(position):
            return None
        now = self._station.procedure(number)
        if (now["next"], now["busy"], now["standing"]) == (position, False, "open"):  # else the start button was quicker
            with _leaving(view["rig"]):
                self._station.go_on(number, position or 0, self._operator)
                self._begun(now)
                after = self._settled(number)
        else:
            after = self._settled(number)
        problem = after["problem"] or ("the rig has not begun it" if after == now else "")
        if problem:
            if not self._asks:
                raise NotReady(f"procedure {number}, step {position or 'last'}: {problem}")
            self._tell(f"Not done: {problem}")
        return after

    def _told_to_go_on(self, position: int | None) -> bool:
        what = f"Enter carries out step {position}" if position else "Enter concludes it"
        answer = typer.prompt(f"{what}; {LEAVE} Enter leaves it open", default="", show_default=False, err=True)
        return str(answer).strip().lower() != LEAVE

    def _begun(self, before: Document) -> None:
        """Wait until something is seen of what was asked for; a step that fails as it failed before shows nothing new."""
        until_s = time.monotonic() + BEGIN_S
        while self._station.procedure(before["number"]) == before and time.monotonic() < until_s:
            time.sleep(LOOK_S)

    def _settled(self, number: int) -> Document:
        """The procedure once nothing goes on any more."""
        with progress_line() as progress:
            while (view := self._station.procedure(number))["busy"]:
                progress(view["progress"])
                time.sleep(LOOK_S)
        return view


@contextmanager
def _leaving(rig: str) -> Iterator[None]:
    """Whoever ends the command while a step is carried out is told how the step is ended."""
    try:
        yield
    except (KeyboardInterrupt, SystemExit):
        say(f"the step goes on without you; to end it: the emergency stop, or restpoint rigs halt {rig}")
        raise


@contextmanager
def progress_line() -> Iterator[Callable[[str], None]]:
    """Gives the function that shows one line, on a terminal only."""
    if not sys.stderr.isatty():
        yield lambda sentence: None
        return
    from rich.console import Console
    from rich.text import Text

    with Console(stderr=True).status(Text("...")) as status:
        yield lambda sentence: status.update(Text(sentence or "..."))


def asks_person(yes: bool) -> bool:
    """Whether each step waits for Enter. Raises UsageError when it should and nobody is there to press it."""
    if yes:
        return False
    if not sys.stdin.isatty():
        raise UsageError("there is no terminal to ask on; expected one, or --yes when everything is in place")
    return True


def teller(as_json: bool) -> Tell:
    """Words for people: to standard output, or out of the way of the one document there."""
    return _to_error if as_json else show


def _to_error(words: Any) -> None:
    for line in str(words).splitlines():
        say(line)


def ended(view: Document) -> tuple[list[Any], Exit]:
    """What came of a procedure in words, and the exit code: 1 for an outcome that was not accepted, 3 for none."""
    lines = outcome_lines(view)
    if view["standing"] == "done":
        return lines, Exit.DONE if view["outcome"].get("accepted", True) else Exit.FAIL
    return lines, Exit.UNSURE
