"""Benchmark of every page and API call at several sizes of the store.

    python tests/bench_pages.py [--postgresql] [--families N] [--keep FOLDER] [SIZE ...]

Sizes default to 500 20000 100000, each with up to 500 families, or with as many as `--families` says.
`--keep` is a folder in which the filled SQLite stores stay for the next run.

To each store come the same records in every state that a page shows differently (tests/web/lived_in.py).
Every route of the application is then asked in-process at all its addresses, and the slowest address of a
route stands for it. Each address is asked at all sizes in turn, so that what else the machine does falls on all
of them alike. The figure is the least processor time of some requests (with `--postgresql` that of the database
server besides), since other work can only add to it; ratios are to the smallest size, and to a style sheet that
is served in the same run.
"""

from __future__ import annotations

import argparse
import json
import shutil
import sys
import tempfile
import threading
import time
from collections.abc import Callable, Iterable, Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from datetime import date
from functools import partial
from itertools import zip_longest
from pathlib import Path
from typing import Any
from urllib.parse import quote

sys.path.append(str(Path(__file__).parent / "web"))

from databases import PLACES, Server
from demo_town.generator import generate, lines
from factories import TODAY, settings_in
from lived_in import LivedIn, live_in
from web_client import HOST

from kb.errors import StoreTrouble
from kb.service import Shop
from kb.service.diagnose import track_records
from kb.service.transfer import json_lines
from kb.web.guard.access import chosen, routes_of

SEED = 7
FIRST, MOST = 4, 15
ENOUGH_S = 0.15  # of measuring one address at one size
AT_HOME = {"Origin": HOST}
STATIC = "/static/css/sheet.css"
# What writes out the store goes on as long as the store is large.
EXPORTS = {"/api/export", "/data/take-out/file", "/data/backups/{name}", "/metrics"}


@dataclass(frozen=True, slots=True)
class Asked:
    """One request: the name of its route, and what is sent."""

    route: str
    method: str
    address: str
    options: dict[str, Any]
    signed_in: bool = False


@dataclass(frozen=True, slots=True)
class Known:
    """A family with many cases and one of its repaired cases, as JSON objects."""

    family: dict[str, Any]
    case: dict[str, Any]


def families_of(size: int, wanted: int | None) -> int:
    return wanted or min(500, 14 + size // 200)


def make(size: int, families: int, folder: Path) -> None:
    """Fills a store in an empty folder, search index and counts with it."""
    shop = Shop.open(settings_in(folder), today=lambda: TODAY)
    made = (line.encode() for line in lines(generate(SEED, size, families, date(2026, 10, 31))))
    assert json_lines.bring_in(shop, list(made)).saved
    shop.refresh(lambda done: None)
    shop.close()


@contextmanager
def filled(size: int, families: int, keep: Path | None) -> Iterator[Shop]:
    """A shop of that size which may be changed."""
    with tempfile.TemporaryDirectory() as temporary:
        data = Path(temporary) / "data"
        if keep is None or PLACES.server is not None:
            make(size, families, data)
        else:
            kept = keep / f"{size}-{families}"
            if not kept.exists():
                make(size, families, part := keep / f"{size}-{families}.part")
                part.rename(kept)
            shutil.copytree(kept, data)
        shop = Shop.open(settings_in(data), today=lambda: TODAY)
        shop.derived.warm()
        yield shop


def _wait_for_background(shop: Shop) -> None:
    """What is worked out in the background, once a change, is not what is measured: the track record, what parts of
    the ranking add, and their weights, chosen thoroughly."""
    while True:
        try:
            track_records.record(shop)
            break
        except StoreTrouble:
            time.sleep(1)
    while any(thread.name in ("weights", "adds") for thread in threading.enumerate()):
        time.sleep(1)
    track_records.adds(shop, wait_s=600)


def known_of(shop: Shop) -> Known:
    """The family with most cases among those that came first, and the middle one of its repaired cases."""
    records = (json.loads(line) for line in json_lines.export_lines(shop))
    families: dict[str, Any] = {}
    cases: dict[str, list[Any]] = {}
    for record in records:
        if record["record"] == "family":
            families[record["code"]] = record
        elif record["record"] == "case" and record.get("verdict") == "repaired" and record.get("readings"):
            cases.setdefault(record["family"], []).append(record)
    code = max(cases, key=lambda one: len(cases[one]))
    return Known(families[code], cases[code][len(cases[code]) // 2])


def of_many_cases(known: Known) -> list[str]:
    """Addresses about the family with many cases and about one of its cases."""
    code, uid = quote(known.family["code"]), known.case["uid"]
    words = quote(known.case["complaint"] or "stays dark")
    symptom = quote(known.case["symptoms"][0]["name"]) if known.case.get("symptoms") else "dead"
    section = quote(known.case["attempts"][0]["section"])
    paths = f"""
    / /cases /cases?offset=300 /cases?show=open /cases?show=waiting /families /families?q={code[:2]} /families/{code}
    /families/{code}/edit /families/{code}/history /api/families /api/families/{code} /api/families/{code}/fixes
    /cases/{uid} /cases/{uid}/edit /cases/{uid}/history /cases/{uid}/photos /cases/{uid}/report
    /cases/{uid}/label /cases/{uid}/label.svg /cases/new /cases/new?family={code} /cases/new?like={uid}
    /api/cases/{uid} /api/cases/{uid}/files /diagnose /diagnose?family={code}&text={words}
    /diagnose/ranking?family={code}&text={words}&price=200 /diagnose?text={words} /bench /bench/new?family={code}
    /bench/sheet?family={code} /loads /loads/plan?family={code} /search?q={words} /search?family={code}
    /search?q={symptom}&section={section} /api/search?q={words} /search /complete/family?q={code[:2]}
    /complete/symptom?q=re /complete/part?q=c /data /data/changes /data/changes?entity=family
    /data/changes?who=owner /data/merge /data/merge?entity=symptom&away=dead&into={symptom}
    /data/symptoms/history?name={symptom} /data/share /figures /figures.csv /track-record /api/track-record
    /api/health /data/bin /data/origins {STATIC}
    """
    return paths.split()


def sent_to_the_api(known: Known) -> list[tuple[str, str, Any]]:
    """(method, path, body) of calls that send something; the saves make cases of their own."""
    case, code = known.case, known.family["code"]
    evidence = {name: case[name] for name in ("family", "symptoms", "readings") if name in case}
    evidence["text"] = case["complaint"]
    readings = [
        {name: value for name, value in reading.items() if name != "after_repair"}
        for reading in case["readings"]
    ]
    new = {name: value for name, value in case.items() if name != "uid"}
    return [
        ("POST", "/api/suggestions", evidence),
        ("POST", "/api/next-measurements", evidence),
        ("POST", "/api/bench/assess", {"family": code, "readings": readings}),
        ("POST", "/api/bench/load-plan", {"family": code, "targets": [{"volts": 12.0, "amps": 1.0}]}),
        ("POST", "/api/bench/discharge", {"farads": 0.0001, "volts": 325.0}),
        ("POST", "/api/cases", new),
    ]


def asked_of(there: LivedIn, known: Known, *, every: bool = True) -> list[Asked]:
    """Every request, once; or those about many cases, and one of each other route."""
    routes = routes_of(there.bench.app)

    def route(method: str, address: str) -> str:
        found = chosen(routes, method, address.partition("?")[0])
        assert found is not None, f"{method} {address} leads nowhere"
        return found.path

    addresses = dict.fromkeys([*of_many_cases(known), *there.addresses])
    addresses |= dict.fromkeys(
        one.path for one in routes if "GET" in one.methods and "{" not in one.path and not one.is_files
    )
    found = [Asked(route("GET", one), "GET", one, {}) for one in addresses]
    found = [one for one in found if one.route not in EXPORTS]
    if not every:
        first = {one.route: one for one in reversed(found)}
        many = set(of_many_cases(known))
        found = [one for one in found if one.address in many or first[one.route] is one]
    found += [
        Asked(f"{method} {route(method, path)}", method, path, {"json": body})
        for method, path, body in sent_to_the_api(known)
    ]
    own = ("/account", "/people", "/")
    found += [
        Asked(f"{route('GET', one)} signed in", "GET", one, {}, True)
        for one in addresses
        if one in own or one.startswith("/people/")
    ]
    return found


def database_ns() -> int:
    """Nanoseconds of processor time that the processes of the database server have had."""
    if PLACES.server is None:
        return 0
    spent = 0
    for pid in PLACES.server._children():
        try:
            spent += int(Path(f"/proc/{pid}/schedstat").read_text().split()[0])
        except OSError:
            continue
    return spent


def processor_ms(work: Callable[[], object]) -> float:
    """Processor time that a request takes here and in the database server."""
    before, of_database = time.process_time_ns(), database_ns()
    work()
    return (time.process_time_ns() - before + database_ns() - of_database) / 1e6


@dataclass(frozen=True, slots=True)
class Place:
    """A store of one size with its application, and every request to it by its route."""

    there: LivedIn
    headers: dict[str, str]
    asked: dict[str, list[Asked]]

    def send(self, one: Asked) -> None:
        client, headers = (self.there.office, self.headers) if one.signed_in else (self.there.bench, AT_HOME)
        answer = client.call(one.method, one.address, headers=headers, **one.options)
        assert answer.status_code < 400 or answer.status_code in (404, 409, 422), (one.address, answer.text)


@contextmanager
def prepared(size: int, families: int, keep: Path | None) -> Iterator[Place]:
    """A store of that size after years of work, with nothing going on in its background."""
    with filled(size, families, keep) as shop:
        known = known_of(shop)
        there = live_in(shop, share=False)
        _wait_for_background(shop)
        asked: dict[str, list[Asked]] = {}
        for one in asked_of(there, known):
            asked.setdefault(one.route, []).append(one)
        print(f"{size:,} cases: {len(asked)} routes", flush=True)
        yield Place(there, there.office.signed_in("administer"), asked)
        there.close()


def least_ms(asked: list[tuple[Place, Asked]]) -> list[float]:
    """The least of some requests at each place, which are asked in turn; the first is not counted."""
    times: list[list[float]] = [[] for _ in asked]
    for place, one in asked:
        place.send(one)
    end = time.perf_counter() + ENOUGH_S * len(asked)
    while len(times[0]) < FIRST or (len(times[0]) < MOST and time.perf_counter() < end):
        for (place, one), so_far in zip(asked, times, strict=True):
            so_far.append(processor_ms(partial(place.send, one)))
    return [min(so_far) for so_far in times]


def measure(places: dict[int, Place]) -> dict[int, dict[str, tuple[float, str]]]:
    """By size (ms, address) of the slowest address of each route."""
    slowest: dict[int, dict[str, tuple[float, str]]] = {size: {} for size in places}
    for route in next(iter(places.values())).asked:
        for row in zip_longest(*(place.asked.get(route, []) for place in places.values())):
            there = [(size, one) for size, one in zip(places, row, strict=True) if one is not None]
            figures = least_ms([(places[size], one) for size, one in there])
            for (size, one), ms in zip(there, figures, strict=True):
                if ms > slowest[size].get(route, (0.0, ""))[0]:
                    slowest[size][route] = ms, one.address
    return slowest


def table(found: dict[int, dict[str, tuple[float, str]]]) -> Iterator[str]:
    """The routes, those that grow most first."""
    sizes = sorted(found)
    smallest, largest = found[sizes[0]], found[sizes[-1]]
    names = [f"{size:,}" for size in sizes]
    yield "| route | " + " | ".join(f"{name}, ms" for name in names) + " | growth | × static file |"
    yield "|---|" + "---|" * (len(sizes) + 2)
    static = largest["/static"][0]

    def growth(route: str) -> float:
        return largest[route][0] / smallest[route][0]

    for route in sorted(largest.keys() & smallest.keys(), key=growth, reverse=True):
        times = " | ".join(f"{found[size][route][0]:.1f}" for size in sizes)
        yield f"| {route} | {times} | {growth(route):.2f} | {largest[route][0] / static:.1f} |"


def verdicts(found: dict[int, dict[str, tuple[float, str]]]) -> Iterator[str]:
    sizes = sorted(found)
    smallest = found[sizes[0]]
    for size in sizes[1:]:
        most = 1.5 if size <= 100_000 else 2.0
        grown = [
            (found[size][route][0] / smallest[route][0], found[size][route][0], route, found[size][route][1])
            for route in found[size].keys() & smallest.keys()
            if found[size][route][0] / smallest[route][0] > most
        ]
        slow = [(ms, route) for route, (ms, _) in found[size].items() if ms > 60]
        yield f"{size:,}: {len(grown)} of {len(found[size])} routes grow by more than {most}, {len(slow)} over 60 ms"
        for ratio, ms, route, address in sorted(grown, reverse=True):
            yield f"    × {ratio:.2f}  {ms:.1f} ms  {route}  ({address[:110]})"
        for ms, route in sorted(slow, reverse=True):
            yield f"    {ms:.0f} ms  {route}"


def main(given: Iterable[str] | None = None) -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    parser.add_argument("sizes", metavar="SIZE", nargs="*", type=int, default=[500, 20_000, 100_000])
    parser.add_argument("--postgresql", action="store_true")
    parser.add_argument("--families", type=int)
    parser.add_argument("--keep", type=Path)
    parsed = parser.parse_args(None if given is None else list(given))
    if parsed.postgresql:
        PLACES.server = Server(autovacuum="on")
    try:
        with ExitStack() as stack:
            places = {
                size: stack.enter_context(prepared(size, families_of(size, parsed.families), parsed.keep))
                for size in parsed.sizes
            }
            found = measure(places)
    finally:
        if PLACES.server is not None:
            PLACES.server.stop()
    print("\n".join([*verdicts(found), "", *table(found)]))


if __name__ == "__main__":
    main()
