"""`restpoint token`: a fresh access token, shown once, with the lines for the tokens file; and taking one out of that file."""

import os
import re
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Annotated

import typer

from api.cli.options import AsJson, instant, read_text
from api.cli.output import emit, emit_json, say
from station.errors import UsageError

Name = Annotated[str, typer.Argument(help="Person or machine: small letters, digits and dashes.")]
RoleName = Annotated[str, typer.Option("--role", help="view, operate, engineer or admin.")]
Expires = Annotated[str, typer.Option("--expires", metavar="TIME", help="End of validity as in 2027-06-30T00:00:00Z; left out: no end.")]
Days = Annotated[int, typer.Option("--days", min=0, max=3650, help="End of validity in so many days; 0: see --expires.")]
TokensFile = Annotated[Path, typer.Option("--file", metavar="TOKENS.toml", help="The tokens file of the station.")]


def new(name: Name, role: RoleName = "operate", expires: Expires = "", days: Days = 0, as_json: AsJson = False) -> None:
    """Make a token. It is printed once and kept nowhere: hand it over now. The tokens file gets only its hash."""
    from api.http.access import Role, new_token

    if role.upper() not in Role.__members__:
        raise UsageError(f"role is {role!r}; expected one of {', '.join(Role.__members__).lower()}")
    if expires and days:
        raise UsageError("--expires and --days say the same; expected one of them")
    end = datetime.now(UTC) + timedelta(days=days) if days else instant("--expires", expires)
    token, hashed = new_token(name)
    entry = f'[[token]]\nname = "{name}"\nrole = "{role}"\nhash = "{hashed}"'
    if end is not None:
        entry += f"\nexpires_at = {end.astimezone(UTC).isoformat(timespec='seconds').replace('+00:00', 'Z')}"
    if as_json:
        emit_json({"format": "restpoint-token/1", "token": token, "entry": entry})
        return
    say("The token, shown once:")
    emit(token)
    say("Append these lines to the tokens file of the station:")
    emit(entry)


def revoke(name: Name, file: TokensFile) -> None:
    """Take a token out of the tokens file. A running station refuses it from its next request on, and every sign-in made from it."""
    from api.http.access import read_tokens

    names = [token.name for token in read_tokens(file)]
    if name not in names:
        raise UsageError(f"{file} has no token {name!r}; expected one of its names")
    parts = re.split(r"(?m)^(?=\s*\[\[token\]\])", read_text(file, "tokens file"))
    kept = [part for part in parts if not re.search(rf'(?m)^\s*name\s*=\s*["\']{re.escape(name)}["\']', part)]
    fresh = file.with_name(f"{file.name}.{os.getpid()}.new")
    try:
        fresh.write_text("".join(kept), encoding="utf-8")
        fresh.chmod(file.stat().st_mode & 0o777)
        if [token.name for token in read_tokens(fresh)] != [one for one in names if one != name]:
            raise UsageError(f"{file} is not written in a way this command understands; expected [[token]] tables: remove {name} by hand")
        fresh.replace(file)
    finally:
        fresh.unlink(missing_ok=True)
    emit(f"done: {name} is refused from now on")


def register(app: typer.Typer) -> None:
    group = typer.Typer(help="Access tokens.", no_args_is_help=True)
    group.command("new")(new)
    group.command("revoke")(revoke)
    app.add_typer(group, name="token")
