"""`restpoint token new`: a fresh access token, shown once, and the lines for the tokens file."""

from typing import Annotated

import typer

from api.cli.options import AsJson
from api.cli.output import emit, emit_json, say
from station.errors import UsageError

Name = Annotated[str, typer.Argument(help="Person or machine: small letters, digits and dashes.")]
RoleName = Annotated[str, typer.Option("--role", help="view, operate, engineer or admin.")]


def new(name: Name, role: RoleName = "operate", as_json: AsJson = False) -> None:
    """Make a token. It is printed once and kept nowhere: hand it over now. The tokens file gets only its hash."""
    from api.http.access import Role, new_token

    if role.upper() not in Role.__members__:
        raise UsageError(f"role is {role!r}; expected one of {', '.join(Role.__members__).lower()}")
    token, hashed = new_token(name)
    entry = f'[[token]]\nname = "{name}"\nrole = "{role}"\nhash = "{hashed}"'
    if as_json:
        emit_json({"format": "restpoint-token/1", "token": token, "entry": entry})
        return
    say("The token, shown once:")
    emit(token)
    say("Append these lines to the tokens file of the station:")
    emit(entry)


def register(app: typer.Typer) -> None:
    group = typer.Typer(help="Access tokens.", no_args_is_help=True)
    group.command("new")(new)
    app.add_typer(group, name="token")
