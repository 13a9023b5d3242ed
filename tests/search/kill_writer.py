"""Kills a process that saves cases, again and again, and looks at what is left.

    python tests/search/kill_writer.py [--writes 1000] [--seed 7] [FOLDER]

Each round opens the store in a process of its own, saves cases through the service, and ends it with
`kill -9` after a random time, at times before its first save. Then the store must hold every case that was
acknowledged, and the search index must find exactly the cases of the store, having caught up or having been
built again.
"""

from __future__ import annotations

import argparse
import random
import sys
import tempfile
import time
from dataclasses import dataclass
from pathlib import Path

sys.path.append(str(Path(__file__).parent.parent))

import commands
from databases import PLACES
from factories import TODAY, a_family, bring, settings_in

from kb.service import Shop
from kb.service.operate import health
from kb.store.records import cases

_WRITER = """
import sys
from pathlib import Path
from factories import TODAY, a_case, settings_in
from kb.service import Shop
from kb.service.cases import cases
shop = Shop.open(settings_in(Path(sys.argv[1])), today=lambda: TODAY)
number = 0
while True:
    number += 1
    uid = f"r{sys.argv[2]}-{number}"
    cases.save(shop, a_case(uid, complaint=f"zorbles at {uid}"))
    print(uid, flush=True)
"""


@dataclass(frozen=True)
class Round:
    """What one round left behind."""

    acknowledged: tuple[str, ...]
    lost: tuple[str, ...]
    in_store: int
    found: int
    healthy: bool
    rebuilt_because: str | None
    recovery_s: float


def prepare(folder: Path) -> None:
    """A store with one family in `folder`."""
    shop = Shop.open(settings_in(folder), today=lambda: TODAY)
    assert bring(shop, a_family()).saved
    shop.close()


def kill_once(folder: Path, number: int, rng: random.Random) -> Round:
    """One round: write, kill, look."""
    process = commands.start_code(_WRITER, [str(folder), str(number)], PLACES.for_child(folder))
    first = []
    if number % 5 == 4:
        time.sleep(rng.uniform(0.0, 0.5))  # while it opens the store
    else:
        # Told of some saves, it is somewhere in the next.
        first = [process.stdout.readline() for _ in range(rng.randrange(1, 12))]
        time.sleep(rng.uniform(0.0, 0.03))
    process.kill()
    # The last line may have been cut short; what was not told in full was not acknowledged.
    told = [
        line for line in (*first, *process.stdout.read().splitlines(keepends=True)) if line.endswith("\n")
    ]
    process.close()
    start = time.perf_counter()
    shop = Shop.open(settings_in(folder), today=lambda: TODAY)
    state = health.health(shop)
    spent = time.perf_counter() - start
    uids = [line.strip() for line in told]
    with shop.read() as session:
        lost = tuple(uid for uid in uids if not cases.has(session, uid))
    index = shop.derived.index
    missing = tuple(uid for uid in uids[-3:] if not index.search(f'"zorbles at {uid}"', limit=1).total)
    found = index.search("zorbles", limit=0).total
    why = shop.derived.index_rebuilt_because
    shop.close()
    return Round(tuple(uids), lost + missing, state.cases, found, state.ok, why, spent)


def main() -> int:
    """Print a line for each round and the sum."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    parser.add_argument("folder", nargs="?", type=Path)
    parser.add_argument("--writes", type=int, default=1_000)
    parser.add_argument("--seed", type=int, default=7)
    parsed = parser.parse_args()
    rng = random.Random(parsed.seed)
    with tempfile.TemporaryDirectory() as spare:
        folder = parsed.folder or Path(spare)
        prepare(folder)
        written = number = wrong = rebuilt = 0
        slowest = 0.0
        while written < parsed.writes:
            one = kill_once(folder, number, rng)
            number += 1
            written += len(one.acknowledged)
            wrong += bool(one.lost) or one.found != one.in_store or not one.healthy
            rebuilt += one.rebuilt_because is not None
            slowest = max(slowest, one.recovery_s)
            if one.lost or one.found != one.in_store or not one.healthy or one.rebuilt_because:
                print(number, one, flush=True)
        print(
            f"{number} kills, {written} acknowledged writes, {wrong} rounds wrong, {rebuilt} indexes rebuilt, "
            f"slowest recovery {slowest * 1e3:.0f} ms"
        )
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main())
