"""The whole API asked at random for as long as wished.

    python -m tests.fuzz_api --seconds 1200 --seed 1

Prints how many requests were answered how, and every kind of trouble with a request that shows it. There may be none.
"""

import argparse
import sys
import tempfile
from pathlib import Path

from tests.fuzzing import fuzz


def main(words: list[str]) -> int:
    parser = argparse.ArgumentParser(prog="fuzz_api")
    parser.add_argument("--seconds", type=float, default=1200.0)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--examples", type=int, default=25, help="requests of one kind before the next kind's turn")
    parser.add_argument("--paths", nargs="*", default=[], help="only addresses that begin so")
    asked = parser.parse_args(words)
    with tempfile.TemporaryDirectory() as folder:
        found = fuzz(Path(folder), asked.seconds, asked.seed, asked.examples, asked.paths)
    statuses = ", ".join(f"{count} with {status}" for status, count in sorted(found.statuses.items()))
    print(f"{found.operations} kinds of request, {found.asked} requests: {statuses}")
    for kind, example in found.troubles.items():
        print(f"TROUBLE: {kind}\n    {example}")
    print(f"kinds of trouble: {len(found.troubles)}")
    return 1 if found.troubles else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
