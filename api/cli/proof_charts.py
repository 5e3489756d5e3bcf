"""`restpoint proof`: control charts of rigs and products, wear, and the uncertainty budget."""

from typing import Annotated, Any

import typer

from api.cli.options import AsJson
from api.cli.output import emit, emit_json, show
from api.cli.proof_places import open_proofs, open_station
from api.cli.proof_steps import Operator, RigName, TokenFile
from api.cli.proof_steps import Server as Station
from api.cli.proof_view_charts import budget_lines, chart_lines, charts_table, wear_lines
from api.cli.records import ConfigFile, DatabaseUrl, Document, Place, Server
from api.cli.rigs import HOME

POINTS = 25  # a screenful

Which = Annotated[str, typer.Argument(metavar="[RIG]", help="Charts of this rig; left out: those of products, at all rigs.")]
Key = Annotated[str, typer.Argument(metavar="KEY", help="The chart, as `proof charts` names it.")]
Points = Annotated[int, typer.Option("--points", min=1, max=2000, help="How many points, counted from the newest.")]
First = Annotated[str, typer.Option("--first", metavar="POINT", help="Point that the baseline begins with.")]
Last = Annotated[str, typer.Option("--last", metavar="POINT", help="Point that it ends with.")]
Rules = Annotated[list[str] | None, typer.Option("--rule", metavar="RULE", help="A run rule to look for; may be repeated.")]
Point = Annotated[str, typer.Option("--point", metavar="POINT", help="The point that is meant.")]
Cause = Annotated[str, typer.Option("--cause", help="What was found.")]
Action = Annotated[str, typer.Option("--action", help="What was done.")]
Product = Annotated[str, typer.Option("--product", help="Whose limits the budget is held against.")]


def charts(
    rig: Which = "",
    server: Server = "",
    token_file: TokenFile = None,
    database: DatabaseUrl = "",
    config: ConfigFile = None,
    as_json: AsJson = False,
) -> None:
    """List the charts that have a point."""
    with open_proofs(Place(server, token_file, database, config)) as proofs:
        found = proofs.charts(rig)
    if as_json:
        return emit_json({"format": "restpoint-charts/1", "charts": found})
    return show(charts_table(found) if found else "No charts.")


def chart(
    key: Key,
    points: Points = POINTS,
    server: Server = "",
    token_file: TokenFile = None,
    database: DatabaseUrl = "",
    config: ConfigFile = None,
    as_json: AsJson = False,
) -> None:
    """Show one chart: its newest points against their limits, the rules that fired, what was noted."""
    with open_proofs(Place(server, token_file, database, config)) as proofs:
        one = proofs.chart(key, points)
    _show(one, as_json)


def freeze(
    key: Key,
    first: First,
    last: Last,
    rules: Rules = None,
    operator: Operator = "",
    server: Server = "",
    token_file: TokenFile = None,
    database: DatabaseUrl = "",
    config: ConfigFile = None,
    as_json: AsJson = False,
) -> None:
    """Freeze a chart's limits from a stretch of its points; from then on its run rules are looked for."""
    with open_proofs(Place(server, token_file, database, config)) as proofs:
        one = proofs.freeze(key, first, last, rules or [], operator)
    if as_json:
        return _show(one, as_json)
    return emit(f"done: limits of {one['title']} are frozen from {first} to {last}; looked for: {', '.join(_chosen(one))}")


def note(
    key: Key,
    point: Point,
    cause: Cause,
    action: Action = "",
    operator: Operator = "",
    server: Server = "",
    token_file: TokenFile = None,
    database: DatabaseUrl = "",
    config: ConfigFile = None,
    as_json: AsJson = False,
) -> None:
    """Note what was found and done about a point; its signal then leaves the banner."""
    with open_proofs(Place(server, token_file, database, config)) as proofs:
        one = proofs.note(key, point, cause, action, operator)
    return _show(one, as_json) if as_json else emit(f"done: noted at {point} of {one['title']}")


def wear(rig: RigName, server: Station = HOME, token_file: TokenFile = None, as_json: AsJson = False) -> None:
    """Show where every figure of a rig's health is going, and when it will meet its limit."""
    with open_station(server, token_file) as station:
        one = station.wear(rig)
    emit_json({"format": "restpoint-wear/1", **one}) if as_json else show(*wear_lines(one))


def budget(rig: RigName, product: Product, server: Station = HOME, token_file: TokenFile = None, as_json: AsJson = False) -> None:
    """Show the uncertainty budget of peak and added lag at a rig, for a product."""
    with open_station(server, token_file) as station:
        one = station.budget(rig, product)
    emit_json({"format": "restpoint-budget/1", **one}) if as_json else show(*budget_lines(one))


def _show(one: Document, as_json: bool) -> None:
    return emit_json({"format": "restpoint-chart/1", **one}) if as_json else show(*chart_lines(one))


def _chosen(one: Document) -> list[str]:
    return [rule["name"] for rule in one["rules"] if rule["chosen"]]


COMMANDS: dict[str, Any] = {"charts": charts, "chart": chart, "freeze": freeze, "note": note, "wear": wear, "budget": budget}
