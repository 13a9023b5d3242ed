"""Kills a server while several people write through it, again and again, and looks at what is left.

    python tests/store/kill_server.py [--rounds 200] [--writers 4] [--seed 7] [FOLDER]

Each round starts `kb serve` on the same store, lets several clients add and change cases over HTTP, and
ends the server with `kill -9` after a random time, at times while it is still starting. What was
acknowledged must be in the store whole, what was not must be there whole or not at all, and `kb check` must
find nothing wrong with the store; at the end it must find the derived copies right as well.
"""

from __future__ import annotations

import argparse
import itertools
import random
import sqlite3
import sys
import tempfile
import threading
import time
from collections.abc import Iterator
from contextlib import closing
from dataclasses import dataclass, field
from pathlib import Path

import httpx

sys.path.append(str(Path(__file__).parent.parent))

import commands
from bench_spine import environment_of
from factories import TODAY, a_family, bring, case_json, settings_in

from kb.service import Shop
from kb.service.operate import integrity

# Past so many cases of its own a client mostly changes them, so that rounds stay quick.
OWN_CASES = 40
# What a case says in each table it is kept in, by uid; a case that lacks a part has fewer rows.
HELD = """
SELECT board_case.uid, board_case.notes, case_reading.written, case_attempt.part, case_follow_up.note
FROM board_case
LEFT JOIN case_reading ON case_reading.case_id = board_case.id
LEFT JOIN case_attempt ON case_attempt.case_id = board_case.id
LEFT JOIN case_follow_up ON case_follow_up.case_id = board_case.id
"""


@dataclass
class Told:
    """What the server acknowledged: uid to the number that its last acknowledged version carries, and the
    numbers that may stand there besides because their answer never came."""

    kept: dict[str, int] = field(default_factory=dict)
    asked: dict[str, set[int]] = field(default_factory=dict)
    acknowledged: int = 0
    refused: list[str] = field(default_factory=list)
    lock: threading.Lock = field(default_factory=threading.Lock)
    # Set once as many are acknowledged as a round waits for.
    enough_at: int = 0
    enough: threading.Event = field(default_factory=threading.Event)


@dataclass(frozen=True)
class Round:
    """What one round left behind: writes that were acknowledged, and what is wrong, which is nothing."""

    acknowledged: int
    wrong: tuple[str, ...]
    mended: tuple[str, ...]
    in_store: int


def case_of(uid: str, number: int) -> dict[str, object]:
    """A case that carries its number in every table it is kept in."""
    return case_json(
        uid,
        notes=f"number {number}",
        readings=[{"rail": "5VSB", "supply": "standby", "value": 4.0, "written": f"{number}"}],
        attempts=[
            {
                "part": f"C{number}",
                "part_class": "electrolytic capacitor",
                "section": "standby output",
                "result": "cured",
            }
        ],
        follow_ups=[{"date": "2026-06-01", "state": "still working", "note": f"{number}"}],
    )


def prepare(folder: Path) -> None:
    """A store with one family in `folder`."""
    shop = Shop.open(settings_in(folder), today=lambda: TODAY)
    assert bring(shop, a_family()).saved
    shop.close()


def write_until_it_dies(url: str, told: Told, numbers: Iterator[int], rng: random.Random, mine: str) -> None:
    """One client: adds cases and changes its own ones, until nobody answers any more."""
    own: list[str] = [uid for uid in told.kept if uid.startswith(mine)]
    with httpx.Client(base_url=url, timeout=commands.STUCK_S) as client:
        while True:
            number = next(numbers)
            changes = bool(own) and rng.random() < (0.5 if len(own) < OWN_CASES else 0.97)
            uid = rng.choice(own) if changes else f"{mine}{number}"
            with told.lock:
                told.asked.setdefault(uid, set()).add(number)
            try:
                if changes:
                    version = client.get(f"api/cases/{uid}").headers["etag"]
                    path = f"api/cases/{uid}"
                    answer = client.put(path, json=case_of(uid, number), headers={"If-Match": version})
                else:
                    answer = client.post("api/cases", json=case_of(uid, number))
            except (httpx.TransportError, KeyError):
                return
            if answer.status_code not in (200, 201):
                told.refused.append(f"{answer.status_code} {answer.text[:200]}")
                return
            with told.lock:
                told.kept[uid] = number
                told.asked[uid] = set()
                told.acknowledged += 1
                if told.acknowledged >= told.enough_at:
                    told.enough.set()
            if not changes:
                own.append(uid)


def kill_once(folder: Path, told: Told, numbers: Iterator[int], rng: random.Random, writers: int) -> Round:
    """One round: serve, write, kill, look."""
    before = told.acknowledged
    told.enough_at = before + (rng.randrange(1, 30) if rng.random() < 0.85 else 0)
    told.enough.clear()
    environment = {**environment_of(folder), "KB_BACKUP_DAILY": "no"}
    process = commands.start(["serve", "--no-browser", "--port", "0"], environment)
    threads: list[threading.Thread] = []
    if rng.random() < 0.1:
        time.sleep(rng.uniform(0.0, 1.0))  # while it opens the store and the copies catch up
    else:
        url = process.stdout.readline().split()[-1]
        threads = [
            threading.Thread(
                target=write_until_it_dies,
                args=(url, told, numbers, random.Random(rng.random()), f"w{number}-"),
            )
            for number in range(writers)
        ]
        for thread in threads:
            thread.start()
        if told.enough_at > before:
            assert told.enough.wait(commands.STUCK_S), told.refused
        time.sleep(rng.uniform(0.0, 0.1))
    process.kill()
    for thread in threads:
        thread.join()
    process.close()
    wrong, mended = look(folder, told)
    return Round(told.acknowledged - before, (*told.refused, *wrong), tuple(mended), len(told.kept))


def look(folder: Path, told: Told) -> tuple[list[str], list[str]]:
    """(what is wrong, what was mended) after a kill: `kb check`, and every case against what was told."""
    shop = Shop.open(settings_in(folder), today=lambda: TODAY)
    checked = integrity.check(shop)
    shop.close()
    wrong = [fault.what for fault in checked.faults]
    with closing(sqlite3.connect(folder / "store.sqlite3")) as connection:
        rows = connection.execute(HELD).fetchall()
    found: dict[str, set[str]] = {}
    for uid, *parts in rows:
        texts = {str(part).removeprefix("number ").removeprefix("C") for part in parts}
        found.setdefault(uid, set()).update(texts)
    if len(rows) != len(found):
        wrong.append(f"{len(rows)} rows for {len(found)} cases")
    wrong += [f"{uid} was acknowledged and is not there" for uid in told.kept.keys() - found.keys()]
    for uid, texts in found.items():
        allowed = told.asked.get(uid, set()) | ({told.kept[uid]} if uid in told.kept else set())
        if len(texts) != 1:
            wrong.append(f"{uid} is half there: {sorted(texts)}")
            continue
        (number,) = (int(text) for text in texts)
        if number not in allowed:
            wrong.append(f"{uid} holds {number}; it may hold {sorted(allowed)}")
        # An answer that never came counts as given from here on.
        told.kept[uid], told.asked[uid] = number, set()
    told.asked = {uid: asked for uid, asked in told.asked.items() if uid in found}
    return wrong, checked.mended


def rounds_of(folder: Path, rounds: int, writers: int, seed: int) -> Iterator[Round]:
    """Makes a store and kills its server so often."""
    prepare(folder)
    rng, told, numbers = random.Random(seed), Told(), itertools.count(1)
    for _ in range(rounds):
        yield kill_once(folder, told, numbers, rng, writers)


def main() -> int:
    """Prints a line for each round that is not as it should be, and the sum."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    parser.add_argument("folder", nargs="?", type=Path)
    parser.add_argument("--rounds", type=int, default=200)
    parser.add_argument("--writers", type=int, default=4)
    parser.add_argument("--seed", type=int, default=7)
    parsed = parser.parse_args()
    written = wrong = mended = quiet = 0
    last = None
    with tempfile.TemporaryDirectory() as spare:
        folder = parsed.folder or Path(spare)
        for number, one in enumerate(rounds_of(folder, parsed.rounds, parsed.writers, parsed.seed), start=1):
            written += one.acknowledged
            quiet += not one.acknowledged
            wrong += bool(one.wrong)
            mended += bool(one.mended)
            if one.wrong or one.mended:
                print(number, one.wrong[:5], one.mended, flush=True)
            last = one
    print(
        f"{parsed.rounds} kills, {quiet} of them before or without a write, {written} acknowledged writes, "
        f"{last.in_store if last else 0} cases, {wrong} rounds wrong, {mended} with a derived copy mended"
    )
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main())
