"""`python -m tests.bench [NAME ...]`: speed and memory of this machine, as ratios against a baseline in the same run. Prints Markdown.

Names: scoring, axis, deciding, csv, store, service; all when none is given. docs/bench.md holds figures and says how to repeat them.
"""

import sys
from collections.abc import Callable

from tests.bench import computing, csv, service, store
from tests.bench.report import Line, table

PARTS: dict[str, Callable[[], list[Line]]] = {
    "scoring": computing.scoring,
    "axis": computing.axis,
    "deciding": computing.deciding,
    "csv": csv.measure,
    "store": store.measure,
    "service": service.measure,
}


def main(names: list[str]) -> int:
    unknown = [name for name in names if name not in PARTS]
    if unknown:
        print(f"bench: {unknown[0]!r} is no part; expected {', '.join(PARTS)}", file=sys.stderr)
        return 2
    lines: list[Line] = []
    for name in names or PARTS:
        print(f"measuring {name} ...", file=sys.stderr, flush=True)
        lines += PARTS[name]()
    print(table(lines))
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
