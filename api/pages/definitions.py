"""What every number and word on a page means, each under an anchor that the pages link to."""

from dataclasses import dataclass
from typing import Final

from fastapi import APIRouter, Request, Response

from api.pages.render import page
from api.pages.words import REASONS, VERDICTS
from station.measure.catalogue import CATALOGUE

router = APIRouter()


@dataclass(frozen=True, slots=True)
class Definition:
    """name: anchor and name in the API. limit: key under [limits] of the specification, or empty."""

    name: str
    unit: str
    text: str
    limit: str = ""


RUN_FIGURES: Final = (
    Definition(
        "count", "V", "Step of the host's converter: supply_v / 2**bits. All levels of a stick are given in counts, as real numbers."
    ),
    Definition("supply_v", "V", "The unit's own supply rail, measured by the rig in every run."),
    Definition("rest_counts", "counts", "Level of the untouched stick, measured before the run's first flick.", "rest_error_counts"),
    Definition("noise_counts", "counts", "Noise at rest, root mean square.", "noise_counts"),
    Definition(
        "neutral_zone_counts",
        "counts",
        "Half width of the band around the run's measured rest that the host ignores; beyond means strictly further.",
    ),
    Definition("misread_probability_upper", "1", "One-sided 95 % bound of the mean misread probability of a group."),
    Definition(
        "uncertainty",
        "",
        "Standard uncertainty u by the GUM (JCGM 100); pages show the expanded one, U = 2 u. "
        "A limit is broken when exceeded by more than U, in doubt within U of it.",
    ),
    Definition("flicks_used", "1", "Flicks of a group that its decision used; later ones are reported and not used."),
    Definition(
        "over_share", "1", "Long-run share of a group's flicks whose peak lies beyond the neutral zone: what the decision is about."
    ),
)


def definitions() -> tuple[Definition, ...]:
    """Figures of flicks and groups from the catalogue of metrics, then those of runs."""
    return tuple(Definition(one.name, one.unit, one.definition, one.limit) for one in CATALOGUE) + RUN_FIGURES


@router.get("/definitions")
def definitions_page(request: Request) -> Response:
    """All definitions, reasons and verdicts."""
    verdicts = [(word, text) for word, text in VERDICTS.items() if word]
    return page(request, "definitions.html", definitions=definitions(), reasons=sorted(REASONS.items()), verdicts=verdicts)
