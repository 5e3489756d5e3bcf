"""False passes of the scorer on faulty recordings.

    python -m tests.campaign_scoring --n 100000 --seed 1

draws a defect of the library and a specimen of it, scores it, and counts the verdicts. A fault may turn a pass into `fail`, `undecided` or
`invalid`; nothing may turn it into `pass`. With no pass among n, the 95 % bound of the share of false passes is 1 - 0.05**(1/n), about 3/n
(exact binomial bound for zero events).
"""

import argparse
from collections import Counter
from dataclasses import dataclass, field

import numpy as np

from station.judge.score import score_recording
from tests.campaign_accuracy import demo_specification
from tests.defects import LIBRARY


@dataclass
class Tally:
    n: int = 0
    verdicts: Counter[str] = field(default_factory=Counter)
    passed: list[tuple[str, int]] = field(default_factory=list)  # defect, seed: makes the recording again
    other: Counter[str] = field(default_factory=Counter)  # defects with another verdict than the library expects

    @property
    def bound(self) -> float:
        """Upper 95 % limit of the share of false passes, if there was none."""
        return float(1 - 0.05 ** (1 / self.n))

    def report(self) -> str:
        lines = [
            f"faulty recordings {self.n}, false passes {len(self.passed)}, 95 % bound {self.bound:.2e} (for none), {dict(self.verdicts)}"
        ]
        lines += [f"  passed: {name}, seed {seed}" for name, seed in self.passed]
        lines += [f"  {count} x {name}" for name, count in self.other.most_common()]
        return "\n".join(lines)


def campaign(n: int, seed: int) -> Tally:
    """Score n faulty recordings; specimen k is made of default_rng([seed, k])."""
    spec = demo_specification()
    tally = Tally()
    for k in range(n):
        rng = np.random.default_rng([seed, k])
        defect = LIBRARY[int(rng.integers(len(LIBRARY)))]
        score = score_recording(defect.make(rng), spec, defect.fitted)
        tally.n += 1
        tally.verdicts[str(score.verdict)] += 1
        if score.verdict == "pass":
            tally.passed.append((defect.name, k))
        elif score.verdict != defect.verdict or not set(defect.reasons) <= set(score.reasons):
            tally.other[f"{defect.name}: {score.verdict} {', '.join(score.reasons)} {score.figures.get('explanation', '')}"] += 1
    return tally


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--n", type=int, default=2000)
    parser.add_argument("--seed", type=int, default=1)
    asked = parser.parse_args()
    print(campaign(asked.n, asked.seed).report())


if __name__ == "__main__":
    main()
