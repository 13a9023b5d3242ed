"""`PYTHONPATH=tests python -m demo_town > seed_data/demo.jsonl` writes the demo store."""

from __future__ import annotations

import argparse
import sys

from demo_town.generator import CASES, SEED, generate, lines


def main() -> int:
    """Write the demo to standard output as UTF-8 with plain newlines, whatever the machine's habits."""
    parser = argparse.ArgumentParser(
        prog="PYTHONPATH=tests python -m demo_town",
        description="Write the invented demo store as JSON Lines.",
    )
    parser.add_argument("--seed", type=int, default=SEED, help="same seed, same bytes (default %(default)s)")
    parser.add_argument("--cases", type=int, default=CASES, help="how many cases (default %(default)s)")
    parser.add_argument(
        "--families", type=int, default=None, help="how many families (default: the hand-written ones)"
    )
    chosen = parser.parse_args()
    for line in lines(generate(chosen.seed, chosen.cases, chosen.families)):
        sys.stdout.buffer.write(line.encode())
    return 0


if __name__ == "__main__":
    sys.exit(main())
