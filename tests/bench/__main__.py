"""`python -m tests.bench [NAME ...]`: speed and memory of this machine, as ratios against a baseline in the same run. Prints Markdown.

Names: scoring, axis, deciding, csv, store, service, size; all when none is given. `--runs 10000,100000,1000000` says how large the
databases of `size` are, in ascending order. docs/figures.md holds figures and says how to repeat them.
"""

import argparse
import sys
from collections.abc import Callable

from tests.bench import computing, csv, service, size, store
from tests.bench.report import Line, table

PARTS: dict[str, Callable[[], list[Line]]] = {
    "scoring": computing.scoring,
    "axis": computing.axis,
    "deciding": computing.deciding,
    "csv": csv.measure,
    "store": store.measure,
    "service": service.measure,
    "size": size.measure,
}


def main(words: list[str]) -> int:
    parser = argparse.ArgumentParser(prog="python -m tests.bench")
    parser.add_argument("names", nargs="*", metavar="NAME", help=", ".join(PARTS))
    parser.add_argument("--runs", type=_sizes, default=size.MODERATE, help="sizes of databases, such as 10000,100000,1000000")
    asked = parser.parse_args(words)
    unknown = [name for name in asked.names if name not in PARTS]
    if unknown:
        print(f"bench: {unknown[0]!r} is no part; expected {', '.join(PARTS)}", file=sys.stderr)
        return 2
    lines: list[Line] = []
    for name in asked.names or PARTS:
        print(f"measuring {name} ...", file=sys.stderr, flush=True)
        lines += size.measure(asked.runs) if name == "size" else PARTS[name]()
    print(table(lines))
    return 0


def _sizes(text: str) -> tuple[int, ...]:
    return tuple(sorted(int(one) for one in text.split(",")))


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
