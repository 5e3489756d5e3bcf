"""`restpoint serve`: the station and its API, until stopped."""

from pathlib import Path
from typing import Annotated, Any

import typer

from api.cli.output import say

ConfigFile = Annotated[Path | None, typer.Option("--config", metavar="STATION.toml", help="Configuration file.")]
Host = Annotated[str | None, typer.Option(help="Address to serve on; any but this machine's own needs tokens.")]
Port = Annotated[int | None, typer.Option(help="Port to serve on.")]
Line = Annotated[str, typer.Option(metavar="URL", help="Show the stations of this line database; no rig is run, nothing is written.")]
Data = Annotated[Path | None, typer.Option(help="Folder of database and lock.")]


def flags_of(host: str | None, port: int | None, data: Path | None) -> dict[str, Any]:
    """Flags as configuration values; what was not given is left out."""
    web = {key: value for key, value in (("host", host), ("port", port)) if value is not None}
    station = {"data": data} if data is not None else {}
    return {key: values for key, values in (("web", web), ("station", station)) if values}


def serve(config: ConfigFile = None, host: Host = None, port: Port = None, data: Data = None, line: Line = "") -> None:
    """Run the station: rigs, database, pages and API. Ctrl-C or SIGTERM brings every finger to rest and ends it."""
    from api.config import load_config
    from api.line import build_line_service
    from api.logs import begin_logging
    from api.root import build_service
    from api.serving import Served, serve_until_stopped

    settings = load_config(config, flags_of(host, port, data))
    listener = begin_logging()
    try:
        service: Served = build_line_service(settings, line, config) if line else build_service(settings, config)
        serve_until_stopped(service, settings.web.host, settings.web.port, ready=lambda url: say(f"Restpoint serves at {url}"))
    finally:
        listener.stop()


def register(app: typer.Typer) -> None:
    app.command("serve")(serve)
