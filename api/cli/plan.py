"""`restpoint plan`: what a specification's decision does, and recorded peaks sent through it. Answers 0 whenever it could answer."""

from collections.abc import Mapping, Sequence
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Final

import typer

from api.cli.options import AsJson, SpecFile, read_specification
from api.cli.output import emit_json, figure, show, table

if TYPE_CHECKING:
    from station.judge.plan import Plan
    from station.judge.watch import Outcome
    from station.specification import Specification

PeaksFile = Annotated[Path | None, typer.Option("--peaks", metavar="PEAKS.csv", help="Each line one group's successive peaks in counts.")]
PlotFile = Annotated[Path | None, typer.Option("--plot", metavar="FILE.svg", help="Also draw the curves into this file.")]

FORMAT: Final = "restpoint-plan/1"
FLICK_S: Final = 0.35  # one flick with its settling, as planned for the rig
GROUPS_OF_UNIT: Final = 4
BAR: Final = 50


def plan(spec: SpecFile, peaks: PeaksFile = None, as_json: AsJson = False, plot: PlotFile = None) -> None:
    """Show the chance of acceptance and the mean flicks of a specification's decision, or decide recorded peaks.

    Without --peaks: the operating characteristic per group against the true share of flicks beyond the neutral zone, beside the fixed
    plans of equal risks. With --peaks: the verdict on every line, guard band 0.
    """
    from station.judge.plan import plan_for

    specification = read_specification(spec)
    ready = plan_for(specification.decision)
    head = {"format": FORMAT, "spec": specification.label, "mode": ready.mode}
    if plot is not None:
        from api.cli.plan_plot import write_plot

        write_plot(plot, ready, specification.label)
    if peaks is not None:
        _replay(head, ready, specification, peaks, as_json)
    else:
        document = {**head, **characteristic_document(ready)}
        if as_json:
            emit_json(document)
        else:
            _show(document, ready)


def register(app: typer.Typer) -> None:
    """Add the command to the command line."""
    app.command("plan")(plan)


def characteristic_document(ready: "Plan") -> dict[str, Any]:
    """Plan, promise, operating characteristic and the fixed plans of equal risks, JSON-ready."""
    from station.judge.fixed_plans import fixed_attributes, fixed_variables
    from station.judge.oc import operating_characteristic

    attributes, variables = fixed_attributes(ready.risks), fixed_variables(ready.risks)
    shares = shown_shares(ready)
    simulated = ready.count is None or ready.gate is not None
    return {
        "risks": asdict(ready.risks),
        "flicks_max": ready.flicks_max,
        "sd_floor_counts": ready.sd_floor_counts,
        "count": asdict(ready.count) if ready.count else None,
        "gate": asdict(ready.gate) if ready.gate else None,
        "statement": ready.statement,
        "limits": list(ready.limits),
        "shape": "normal, 1 count of spread, 20000 simulated groups a point" if simulated else "any",
        "flick_s": FLICK_S,
        "points": [{**asdict(point), "margin_sd": _margin(point.over_share)} for point in operating_characteristic(ready, shares)],
        "by_count_alone": [asdict(ready.count.characteristic(share)) for share in shares] if ready.count else None,
        "fixed_attributes": asdict(attributes) if attributes else None,
        "fixed_variables": asdict(variables) if variables else None,
    }


def shown_shares(ready: "Plan") -> list[float]:
    """True shares worth a line: margins of 10 to 4 sd below the good share, steps from good to bad, and clearly bad groups."""
    import numpy as np
    from scipy import special

    good, bad = ready.risks.share_good, ready.risks.share_bad
    better = [share for share in special.ndtr([-10.0, -8.0, -6.0, -5.0, -4.0]).tolist() if share < 0.5 * good]
    worse = [share for share in special.ndtr([-1.0, 0.0, 2.0]).tolist() if share > 1.5 * bad]
    between = np.geomspace(good, bad, 9).tolist()
    return [*better, good, *between[1:-1], bad, *worse]


def _replay(head: Mapping[str, Any], ready: "Plan", specification: "Specification", peaks: Path, as_json: bool) -> None:
    import numpy as np

    from api.cli.plan_peaks import read_peaks

    limit = specification.host.neutral_zone_counts
    outcomes = [ready.decide(np.array(row), limit) for row in read_peaks(peaks)]
    if as_json:
        names = ("verdict", "flicks_used", "accepted_by", "rejected_by", "exceedances", "still_wanted")
        emit_json({**head, "limit_counts": limit, "rows": [{name: getattr(one, name) for name in names} for one in outcomes]})
        return
    rows = [
        [str(number), str(one.verdict), str(one.flicks_used), str(one.exceedances), _by(one)]
        for number, one in enumerate(outcomes, start=1)
    ]
    show(
        f"Specification {specification.label}, mode {ready.mode}, limit {limit:g} counts, guard band 0",
        table("", ["row", "verdict", "flicks used", "exceedances", "by"], rows),
    )


def _by(outcome: "Outcome") -> str:
    return outcome.accepted_by or outcome.rejected_by or f"at most {outcome.still_wanted} more flicks decide"


def _show(document: Mapping[str, Any], ready: "Plan") -> None:
    parts: list[Any] = [f"Specification {document['spec']}, mode {document['mode']}", ready.statement, ""]
    parts.append(table(f"Per group (peaks: {document['shape']})", _HEADERS, _rows(document)))
    parts += ["Chance to be accepted against the true share of flicks beyond the neutral zone:", *_curve(document["points"]), ""]
    parts.append(table("Fixed plans of the same risks", ["plan", "flicks", "s per group", "s per unit", "accept when"], _fixed(document)))
    show(*parts)


_HEADERS = [
    "true share",
    "margin, sd",
    "accepted",
    "rejected",
    "undecided",
    "mean flicks",
    "s per group",
    f"s for {GROUPS_OF_UNIT} such groups",
]


def _rows(document: Mapping[str, Any]) -> list[list[str]]:
    return [
        [
            _share(point["over_share"]),
            figure(point["margin_sd"], 2),
            figure(point["accept"], 5),
            figure(point["reject"], 5),
            figure(point["undecided"], 5),
            figure(point["mean_flicks"], 1),
            figure(point["mean_flicks"] * FLICK_S, 1),
            figure(point["mean_flicks"] * FLICK_S * GROUPS_OF_UNIT, 1),
        ]
        for point in document["points"]
    ]


def _curve(points: Sequence[Mapping[str, Any]]) -> list[str]:
    return [
        f"{_share(point['over_share']):>10} |{'#' * round(BAR * point['accept']):<{BAR}}| {100 * point['accept']:6.2f} %"
        for point in points
    ]


def _fixed(document: Mapping[str, Any]) -> list[list[str]]:
    attributes, variables = document["fixed_attributes"], document["fixed_variables"]
    by_count = f"at most {attributes['accept_most']} beyond" if attributes else "-"
    by_spread = f"(limit - mean) / sd >= {variables['k_low']:.3f}, normal peaks only" if variables else "-"
    return [
        ["attributes", *_cost(attributes), by_count],
        ["variables, sd unknown", *_cost(variables), by_spread],
    ]


def _cost(fixed: Mapping[str, Any] | None) -> list[str]:
    if fixed is None:
        return ["none found", "-", "-"]
    seconds = fixed["flicks"] * FLICK_S
    return [str(fixed["flicks"]), f"{seconds:.1f}", f"{seconds * GROUPS_OF_UNIT:.1f}"]


def _margin(share: float) -> float:
    from scipy import special

    return float(special.ndtri(1.0 - share)) if share >= 0.5 else -float(special.ndtri(share))


def _share(share: float) -> str:
    return f"{100 * share:.3g} %"
