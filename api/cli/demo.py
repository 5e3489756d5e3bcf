"""`restpoint demo`: the whole station on emulated rigs, with a shift of emulated units of Mossgate Works."""

from contextlib import ExitStack
from datetime import UTC, datetime
from pathlib import Path
from typing import Annotated

import typer

from api.cli.output import say
from api.cli.serve import Data, Host, Port, flags_of

DEMO_SPECIFICATIONS = Path(__file__).parents[2] / "rigs" / "profiles" / "specifications"

Rigs = Annotated[int, typer.Option(min=1, max=8, help="How many emulated rigs.")]
Units = Annotated[int, typer.Option(min=0, help="Units a rig tests in the shift; then the station only serves.")]
Seed = Annotated[int, typer.Option(help="The same seed brings the same units.")]


def demo(host: Host = None, port: Port = None, data: Data = None, rigs: Rigs = 2, units: Units = 12, seed: Seed = 2607) -> None:
    """Run the station on emulated rigs: units are clamped, started, flicked and judged; pages show it live. Ctrl-C ends."""
    from api.config import load_config
    from api.demo import Operator, rig_flags, start_rig
    from api.demo_calibration import calibrate_emulated
    from api.logs import begin_logging
    from api.root import build_service
    from api.serving import serve_until_stopped

    flags = flags_of(host, port, data or Path("var/demo"))
    folder = flags["station"]["data"].absolute()
    flags["station"] |= {"name": "mossgate-2", "specifications": DEMO_SPECIFICATIONS}
    flags["rigs"] = [rig_flags(number, folder) for number in range(1, rigs + 1)]
    settings = load_config(None, flags)
    with ExitStack() as last:
        last.callback(begin_logging("WARNING").stop)
        service = build_service(settings)
        last.callback(service.end)
        known = len(service.queries.runs(limit=500).items)  # of earlier shifts: a new shift brings new units
        emulated = []
        for number, flag in enumerate(flags["rigs"], 1):
            grain = seed + number + rigs * known
            now = datetime.now(UTC)
            calibrate_emulated(service.book, settings.station.name, flag["name"], flag["rig_id"], grain, now)
            emulated.append(start_rig(number, folder, grain))
            last.callback(emulated[-1].end)

        def begin_shift(url: str) -> None:
            say(f"Restpoint serves at {url} with {rigs} EMULATED rigs: no metal moves. Ctrl-C ends.")
            for rig in emulated:
                operator = Operator(rig, url, units, say)
                last.callback(operator.stop)
                operator.start()

        serve_until_stopped(service, settings.web.host, settings.web.port, ready=begin_shift)


def register(app: typer.Typer) -> None:
    app.command("demo")(demo)
