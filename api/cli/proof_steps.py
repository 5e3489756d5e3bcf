"""`restpoint proof`: how a rig stands, and the procedures that prove it. All of this asks a running station."""

from pathlib import Path
from typing import Annotated, Any

import typer

from api.cli.options import AsJson
from api.cli.output import emit_json, show
from api.cli.proof_follow import Follower, asks_person, ended, teller
from api.cli.proof_places import open_station
from api.cli.proof_plan import read_plan
from api.cli.proof_view import procedure_lines, state_lines
from api.cli.records import Document
from api.cli.rigs import HOME
from station.proof import Kind

FORMAT = "restpoint-procedure/1"

RigName = Annotated[str, typer.Argument(metavar="RIG", help="Name of the rig.")]
KindName = Annotated[Kind, typer.Argument(metavar="KIND", help="Which procedure.")]
PlanWords = Annotated[
    list[str] | None, typer.Argument(metavar="[KEY=VALUE ...]", help='Parts of the plan: trials=3 \'operators=["ann", "ben"]\'.')
]
PlanFile = Annotated[
    Path | None, typer.Option("--plan", metavar="PLAN.toml", help="The plan as a file; what it leaves out has its default.")
]
Number = Annotated[int, typer.Argument(min=1, metavar="NUMBER", help="Number of the procedure.")]
Operator = Annotated[str, typer.Option("--operator", help="Who does it.")]
Position = Annotated[int, typer.Option("--step", min=0, metavar="POSITION", help="This step instead of the next, also once more.")]
Cause = Annotated[str, typer.Option("--cause", help="Why.")]
Yes = Annotated[bool, typer.Option("--yes", help="Ask nothing: only where everything is in place, and nobody's hands are.")]
Server = Annotated[str, typer.Option("--server", metavar="URL", help="The running station.")]
TokenFile = Annotated[Path | None, typer.Option("--token-file", metavar="FILE", help="File with an access token; else RESTPOINT_TOKEN.")]


def state(rig: RigName, server: Server = HOME, token_file: TokenFile = None, as_json: AsJson = False) -> None:
    """Say how well a rig is proven: what blocks a run, what will be due, what it rests on."""
    with open_station(server, token_file) as station:
        one = station.state(rig)
    emit_json({"format": "restpoint-proof/1", **one}) if as_json else show("\n".join(state_lines(one)))


def begin(
    rig: RigName,
    kind: KindName,
    words: PlanWords = None,
    plan: PlanFile = None,
    operator: Operator = "",
    server: Server = HOME,
    token_file: TokenFile = None,
    as_json: AsJson = False,
) -> None:
    """Begin a procedure. Moves nothing; while it is open no run starts, and the rig's start button carries out its next step."""
    asked = read_plan(plan, words or [])
    with open_station(server, token_file) as station:
        _show(station.begin(rig, str(kind), asked, operator), as_json, follow=True)


def follow(
    number: Number, operator: Operator = "", yes: Yes = False, server: Server = HOME, token_file: TokenFile = None, as_json: AsJson = False
) -> int:
    """Be led through a procedure, step by step; may be left and taken up again at any time.

    Before every step: hands out, guard closed, emergency stop within reach. The finger can pinch. Answers 0 for an accepted outcome, 1 for
    one that is not, 3 when the procedure was left open or abandoned.
    """
    asks = asks_person(yes)
    with open_station(server, token_file) as station:
        view = Follower(station, operator, asks, teller(as_json)).follow(number)
    lines, code = ended(view)
    emit_json({"format": FORMAT, **view}) if as_json else show("\n".join(lines))
    return int(code)


def go_on(
    number: Number,
    position: Position = 0,
    operator: Operator = "",
    server: Server = HOME,
    token_file: TokenFile = None,
    as_json: AsJson = False,
) -> None:
    """Carry out one step and do not wait for its end. The finger can move: hands out, guard closed, emergency stop within reach."""
    with open_station(server, token_file) as station:
        _show(station.go_on(number, position, operator), as_json)


def abandon(
    number: Number, cause: Cause, operator: Operator = "", server: Server = HOME, token_file: TokenFile = None, as_json: AsJson = False
) -> None:
    """End a procedure without an outcome; what was in force before stays so."""
    with open_station(server, token_file) as station:
        _show(station.abandon(number, cause, operator), as_json)


def show_one(number: Number, server: Server = HOME, token_file: TokenFile = None, as_json: AsJson = False) -> None:
    """Show a procedure with its steps and what came of it."""
    with open_station(server, token_file) as station:
        _show(station.procedure(number), as_json)


def _show(view: Document, as_json: bool, follow: bool = False) -> None:
    if as_json:
        return emit_json({"format": FORMAT, **view})
    more = [f"Go on with: restpoint proof follow {view['number']}"] if follow else []
    return show("\n".join([*procedure_lines(view), *more]))


COMMANDS: dict[str, Any] = {
    "state": state,
    "begin": begin,
    "follow": follow,
    "go-on": go_on,
    "abandon": abandon,
    "show": show_one,
}
