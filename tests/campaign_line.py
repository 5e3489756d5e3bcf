"""Two stations and their line, with a real PostgreSQL that is ended at once again and again, and forwarders killed at random.

    python -m tests.campaign_line --minutes 10 --seed 7

Prints how much was written, how often what was killed, how long the line was away, how quickly it was refilled, and what differs at the
end: every record of the stations is compared with the line's by key and by digest, every trace byte by byte. Nothing may.
"""

import argparse
import sys
import tempfile
from pathlib import Path

from tests.db.line_campaign import campaign
from tests.own_postgres import WHY_NOT


def main(words: list[str]) -> int:
    parser = argparse.ArgumentParser(prog="campaign_line")
    parser.add_argument("--minutes", type=float, default=10.0)
    parser.add_argument("--seed", type=int, default=7)
    parser.add_argument("--pause", type=float, default=0.05, help="seconds between two runs of a station")
    parser.add_argument("--away", type=float, default=20.0, help="longest outage, seconds")
    asked = parser.parse_args(words)
    if WHY_NOT:
        print(WHY_NOT, file=sys.stderr)
        return 2
    with tempfile.TemporaryDirectory() as folder:
        found = campaign(Path(folder), 60.0 * asked.minutes, asked.seed, asked.pause, (0.5, asked.away))
    print(f"runs written: {', '.join(f'{count} at {name}' for name, count in found.runs.items())}")
    print(f"records on the line: {', '.join(f'{count} of kind {kind}' for kind, count in sorted(found.records.items()))}")
    print(f"server ended at once {found.plugs} times, away {found.away_s:.0f} s in all; forwarders killed {found.kills} times")
    rate = found.waited / found.refill_s if found.refill_s else 0.0
    print(f"waiting after the last outage: {found.waited}, sent in {found.refill_s:.1f} s ({rate:.0f} a second)")
    for one in found.differing:
        print(f"DIFFERS: {one}")
    print(f"differences: {len(found.differing)}")
    return 1 if found.differing else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
