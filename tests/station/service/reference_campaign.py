"""Long figures of reference checks on emulated rigs: `python -m tests.station.service.reference_campaign RIGS CHECKS`.

Healthy rigs: values found once on each, then so many checks: how many are false alarms. Then each ill at growing size, on two rigs with
six checks each: in how many checks it shows, and which cause is named first.
"""

import sys
from collections import Counter
from pathlib import Path

from station.proof import Kind, ReferenceCheck
from station.service.proving.measured_causes import likely_causes
from station.service.proving.reference_course import ReferenceCheckCourse, ReferenceValuesCourse
from station.specification import Specification, parse_specification
from tests.conftest import DATA
from tests.station.service.proving_bench import ProvingRig, proving_rig, unit

SERIAL = "DN2-R0001"
RIGS, CHECKS = 2, 6
SIZES: list[tuple[str, str, tuple[float, ...]]] = [
    ("converter", "reference_error", (0.003, 0.004, 0.006)),
    ("converter", "noise_v", (0.002, 0.003)),
    ("servo", "wear_deg", (0.2, 0.3, 0.4, 0.6)),
    ("servo", "clamp_play_deg", (0.25, 0.5, 0.75, 1.0)),
    ("servo", "slew_deg_s", (1180.0, 1150.0, 1100.0)),
    ("servo", "latency_s", (0.0063, 0.0065, 0.007)),
    ("servo", "release_jitter_deg", (0.2, 0.3, 0.5, 0.9)),
]


def known_rig(specification: Specification, seed: int) -> ProvingRig:
    """A healthy rig with a reference unit whose values have just been found."""
    rig = proving_rig(specification, [unit(SERIAL)], seed)
    rig.carry_through(ReferenceValuesCourse(), Kind.REFERENCE_VALUES, {"serial": SERIAL, "product": specification.name})
    return rig


def checked(rig: ProvingRig) -> ReferenceCheck:
    outcome = rig.carry_through(ReferenceCheckCourse(rig.units_of), Kind.REFERENCE_CHECK, {})
    if not isinstance(outcome, ReferenceCheck):
        raise TypeError(f"a check gave {type(outcome).__name__}")
    return outcome


def healthy(specification: Specification, rigs: int, checks: int) -> str:
    found: Counter[str] = Counter()
    alarms = 0
    for seed in range(rigs):
        rig = known_rig(specification, seed)
        for check in (checked(rig) for _ in range(checks)):
            alarms += not check.within
            found.update({one.figure for one in check.deviations if not one.within})
    return f"{alarms} false alarms in {rigs * checks} healthy checks {dict(found)}"


def ill(specification: Specification, what: str, figure: str, size: float) -> str:
    found = 0
    names: Counter[str] = Counter()
    for seed in range(RIGS):
        rig = known_rig(specification, 1000 + seed)
        getattr(rig.ills, what)(**{figure: size})
        for check in (checked(rig) for _ in range(CHECKS)):
            found += not check.within
            names.update(cause.split(":")[0] for cause in likely_causes(check)[:1])
    return f"{size:g}: {found} of {RIGS * CHECKS} {dict(names)}"


def campaign(data: Path, rigs: int, checks: int) -> None:
    specification = parse_specification((data / "dunlin-2-A.toml").read_text())
    print(healthy(specification, rigs, checks))
    for what, figure, sizes in SIZES:
        print(f"{figure}: " + "; ".join(ill(specification, what, figure, size) for size in sizes))


if __name__ == "__main__":
    campaign(DATA, *(int(one) for one in (sys.argv[1:] or ("14", "20"))))
