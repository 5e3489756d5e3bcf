"""The guard band a run is decided with: from the newest accepted gauge study, else the specification's own."""

from station.proof import Study
from station.prove.guard import guard_band
from station.specification import Specification


def guard_band_of(study: Study | None, specification: Specification) -> tuple[float, str]:
    """Counts, and a sentence where they are from. Raises NotReady when the rig is too uncertain for this product."""
    own = specification.decision.guard_band_counts
    if study is None:
        return own, f"Guard band {own:g} counts, the specification's own: no gauge study of this product is accepted."
    counts, sentence = guard_band(study.peak_u_counts, specification)
    return counts, f"{sentence} The uncertainty is from study {study.number}."
