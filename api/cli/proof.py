"""`restpoint proof`: proving the rig. Procedures are led through a running station; what they left is also read from a database."""

import typer

from api.cli import proof_charts, proof_kept, proof_steps


def register(app: typer.Typer) -> None:
    group = typer.Typer(help="Prove the rig: procedures, calibrations, reference units, studies, control charts.", no_args_is_help=True)
    for part in (proof_steps, proof_kept, proof_charts):
        for name, command in part.COMMANDS.items():
            group.command(name)(command)
    app.add_typer(group, name="proof")
