"""`restpoint rig-emulator`: an emulated rig at the end of a pty or a TCP address, with units to clamp and a channel to control it."""

import time
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from api.cli.options import AsJson, read_text
from api.cli.output import Exit, emit, emit_json
from station.errors import UsageError

if TYPE_CHECKING:
    from rigs.emulated.bench import Bench
    from rigs.emulated.ports import Port
    from rigs.emulated.process import RigProcess

PortLink = Annotated[Path | None, typer.Option("--port", metavar="PATH", help="Name under which the rig's pty is found.")]
Tcp = Annotated[str, typer.Option("--tcp", metavar="HOST:PORT", help="Serve the link on this address instead; port 0 takes a free one.")]
ControlAt = Annotated[
    str, typer.Option("--control", metavar="HOST:PORT|PATH", help="Where the control channel listens; not for a network.")
]
RigId = Annotated[str, typer.Option("--rig-id", metavar="NAME", help="Name that the rig tells at the handshake.")]
Seed = Annotated[int, typer.Option("--seed", min=0, help="Same seed and same bytes at the same instants, same rig.")]
Rate = Annotated[int, typer.Option("--rate", metavar="HZ", help="Samples per second and axis.")]
Bits = Annotated[int, typer.Option("--bits", help="Of the converter, 8 to 12.")]
BenchFile = Annotated[str, typer.Option("--bench", metavar="BENCH.toml|demo", help="Units on the bench.")]
PaceText = Annotated[str, typer.Option("--pace", metavar="real|fast|N", help="fast: up to twice real, by the host's heartbeats.")]
Auto = Annotated[bool, typer.Option("--auto", help="An emulated person clamps units, closes the guard, presses start.")]
Sticks = Annotated[str, typer.Option("--sticks", metavar="NAME,...", help="Sticks of a demo unit, in order.")]


def rig_emulator(
    port: PortLink = None,
    tcp: Tcp = "",
    control: ControlAt = "",
    rig_id: RigId = "rig-1",
    seed: Seed = 1,
    rate: Rate = 10_000,
    bits: Bits = 12,
    bench: BenchFile = "demo",
    pace: PaceText = "real",
    auto: Auto = False,
    sticks: Sticks = "main",
    as_json: AsJson = False,
) -> None:
    """An emulated rig: firmware, finger, stick, circuit and converter, speaking the rig link. Runs until it is stopped.

    The first line says where to find it. Nothing moves and nothing can pinch; a station says plainly that its rig is emulated.
    """
    from rigs.emulated.operator import AutoOperator, parse_address
    from rigs.emulated.pace import pace_of
    from rigs.emulated.process import RigProcess
    from rigs.emulated.rig import EmulatedRig
    from rigs.emulated.settings import RigSettings

    names = tuple(name.strip() for name in sticks.split(",") if name.strip())
    settings = RigSettings(rig_id=rig_id, sample_rate_hz=rate, bits=bits, sticks=len(names))
    rig = EmulatedRig(seed, _bench(bench, seed, names), settings)
    address = parse_address(control) if control else None
    process = RigProcess(rig, _port(port, tcp), pace_of(pace, time.monotonic, rig), address)
    try:
        _tell(process, rig_id, as_json)
        if auto:
            AutoOperator(rig).begin()
        while True:
            process.turn()
    except KeyboardInterrupt as stopped:
        raise typer.Exit(Exit.INTERRUPTED) from stopped
    finally:
        process.close()


def register(app: typer.Typer) -> None:
    app.command("rig-emulator")(rig_emulator)


def _bench(text: str, seed: int, sticks: tuple[str, ...]) -> "Bench":
    from rigs.emulated.bench import demo_bench, first_serial, read_bench

    return demo_bench(seed, sticks, first_serial(seed)) if text == "demo" else read_bench(read_text(Path(text), "bench"), seed)


def _port(link: Path | None, tcp: str) -> "Port":
    from rigs.emulated.operator import parse_address
    from rigs.emulated.ports import PtyPort, TcpPort

    if (link is None) == (not tcp):
        raise UsageError("expected one of --port PATH and --tcp HOST:PORT")
    if link is not None:
        return PtyPort(link)
    address = parse_address(tcp, "tcp")
    if isinstance(address, str):
        raise UsageError(f"--tcp is {tcp!r}; expected HOST:PORT")
    return TcpPort(*address)


def _tell(process: "RigProcess", rig_id: str, as_json: bool) -> None:
    ready = {"format": "restpoint-rig-emulator/1", "rig_id": rig_id, "port": process.port_name, "control": process.control_address}
    if as_json:
        emit_json(ready)
    else:
        control = f", control at {process.control_address}" if process.control_address else ""
        emit(f"emulated rig {rig_id} at {process.port_name}{control}")
