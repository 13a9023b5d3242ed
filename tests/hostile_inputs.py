"""Two hundred hostile inputs under 1 MB, one after another, and what everybody else waits for meanwhile.

    PYTHONPATH=tests:. python tests/hostile_inputs.py [--inputs N] [--at-once N]

starts a server with the demo records, sends it the inputs, and all the while asks `/`, a search and `/api/health`
one by one, as somebody at another machine would. It prints the 50th and 99th percentile and the longest of each,
beside the same without hostile inputs, and each input that took longer than five seconds to answer.
"""

from __future__ import annotations

import argparse
import io
import itertools
import json
import random
import sys
import tempfile
import threading
import time
import zipfile
import zlib
from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import httpx
import pictures_made
from processes import served
from sheet_files import repacked, workbook

ASKED = ("/", "/search?q=relay+ticks+no+picture", "/api/health")
MOST_BYTES = 1_000_000
SLOW_S = 5.0


@dataclass
class Hostile:
    """One input: what it is called, where it goes, and the options of the request."""

    name: str
    path: str
    options: dict[str, Any] = field(default_factory=dict)
    method: str = "POST"


def _logs() -> Iterator[Hostile]:
    bodies = {
        "clock and spaces": "1:11" + " " * 14_000 + "x",
        "spaces": " " * 900_000,
        "spaces in a cell": "0.5;" + " " * 400_000 + ";x\n" * 3,
        "digits": "1" * 900_000,
        "no rows": "x;y\n" * 200_000,
        "dates": ("1" * 200 + "\n") * 4_000,
        "one column": "1\n" * 300_000,
        "columns": ";".join(["1"] * 300_000),
        "quotes": '"' * 900_000,
        "clock rows": "1:00:00;5\n" * 90_000 + "1:00:00 ;x\n",
        "units": "5 mV\n" * 150_000,
        "unit and spaces": ("5 mV" + " " * 5_000 + "x\n") * 150,
    }
    for name, body in bodies.items():
        yield Hostile(
            f"log: {name}", "/helpers/log", {"files": {"file": ("log.csv", body.encode(), "text/csv")}}
        )
        yield Hostile(f"log typed: {name}", "/helpers/log", {"data": {"text": body[:300_000]}})


def _scans(count: int) -> bytes:
    """A progressive JPEG that says one of its scans again and again."""
    picture = pictures_made.marked(3_000, 2_000)
    whole = pictures_made.saved(picture, "JPEG", progressive=True, quality=20)
    last = whole.rfind(b"\xff\xda")
    scan = whole[last:-2]
    return (whole[:last] + scan * min(count, (MOST_BYTES - last) // max(len(scan), 1)) + b"\xff\xd9")[
        :MOST_BYTES
    ]


def _pictures() -> Iterator[Hostile]:
    made: dict[str, Callable[[], bytes]] = {
        "a large claim": lambda: pictures_made.claimed_png(7_000, 4_000),
        "text that swells": pictures_made.text_bomb_png,
        "many scans": lambda: _scans(4_000),
        "large and empty": lambda: pictures_made.png(pictures_made.marked(5_400, 5_400)),
        "large JPEG": lambda: pictures_made.saved(pictures_made.marked(7_000, 7_000), "JPEG", quality=1),
        "large WebP": lambda: pictures_made.webp(pictures_made.marked(5_000, 5_000)),
        "cut off": lambda: pictures_made.jpeg(pictures_made.marked(3_000, 2_000))[:-2_000],
        "bytes behind": lambda: pictures_made.jpeg() + b"\x00" * 500_000,
        "PDF of spaces": lambda: pictures_made.pdf(b" " * 500_000),
    }
    for name, make in made.items():
        content = make()[:MOST_BYTES]
        for path in ("/cases/{uid}/photos", "/api/cases/{uid}/files"):
            files = {"file": ("board.jpg", content, "image/jpeg")}
            yield Hostile(f"picture: {name}", path, {"files": files})
    many = [("file", (f"{number}.jpg", pictures_made.jpeg(), "image/jpeg")) for number in range(40)]
    yield Hostile("forty pictures at once", "/cases/{uid}/photos", {"files": many})


def _packed(inner: bytes) -> bytes:
    """A workbook whose one sheet is `inner`, packed tightly."""
    return repacked(workbook([["Board", "Fault"], ["HX-210", "dead"]]), {"xl/worksheets/sheet1.xml": inner})


def _sheets() -> Iterator[Hostile]:
    rows = b"".join(b'<row r="%d"><c r="A%d"><v>1</v></c></row>' % (n, n) for n in range(1, 9_000))
    inner = {
        "formulas that never end": b"<worksheet><sheetData>" + b"<f " * 5_000_000,
        "spaces after formulas": b"</f>" + b" " * 15_000_000,
        "merged cells that never end": b"<worksheet>" + b"<mergeCell " * 1_500_000,
        "a deep sheet": b"<a>" * 300_000,
        "long cell": b'<worksheet><sheetData><row r="1"><c t="inlineStr"><is><t>' + b"x" * 15_000_000,
        "many rows": b"<worksheet><sheetData>" + rows + b"</sheetData></worksheet>",
        "many attributes": b"<worksheet " + b"".join(b'a%d="" ' % n for n in range(200_000)) + b"/>",
    }
    for name, body in inner.items():
        yield Hostile(f"workbook: {name}", "/data/sheet", {"files": {"file": ("book.xlsx", _packed(body))}})
    texts = {
        "quote never closed": '"' + "a," * 450_000,
        "one line": "a;" * 450_000,
        "empty rows": "\n" * 900_000,
        "brackets": "(" * 30_000 + ",x\n1,2\n",
        "wide": ",".join(str(n) for n in range(499)) + "\n" + (",".join(["("] * 499) + "\n") * 300,
        "currency": "Price\n" + "€ 1.000,-\n" * 80_000,
        "days": "Day,Fault\n" + "01.02.03,dead\n" * 60_000,
        "words": "Fault\n" + ("relay ticks, C9 replaced, 5V " * 30 + "\n") * 900,
        "zeros": b"\x00".decode() * 100_000,
    }
    for name, text in texts.items():
        yield Hostile(
            f"sheet: {name}", "/data/sheet", {"files": {"file": ("book.csv", text.encode()[:MOST_BYTES])}}
        )
    bomb = io.BytesIO()
    with zipfile.ZipFile(bomb, "w", zipfile.ZIP_DEFLATED) as packed:
        packed.writestr("[Content_Types].xml", "<x/>")
        packed.writestr("xl/workbook.xml", b" " * 200_000_000)
    yield Hostile(
        "workbook: bomb", "/data/sheet", {"files": {"file": ("book.xlsx", bomb.getvalue()[:MOST_BYTES])}}
    )


def _bodies() -> Iterator[Hostile]:
    unknown = {f"f{number}": 1 for number in range(60_000)}
    case = {"record": "case", "uid": "h-1", "family": "HX-210", "complaint": "dead"}
    for path, body in {
        "/api/cases": {**case, **unknown},
        "/api/suggestions": unknown,
        "/api/read": unknown,
        "/api/families": {"record": "family", "code": "Q-1", **unknown},
        "/api/bench/assess": unknown,
    }.items():
        yield Hostile(f"unknown fields at {path}", path, {"json": body})
    yield Hostile(
        "deep JSON",
        "/api/cases",
        {"content": b"[" * 900_000, "headers": {"content-type": "application/json"}},
    )
    yield Hostile(
        "long number",
        "/api/cases",
        {"content": b"1" * 900_000, "headers": {"content-type": "application/json"}},
    )
    readings = [{"rail": "5V", "quantity": "dc_v", "x": n} for n in range(15_000)]
    yield Hostile("many readings", "/api/suggestions", {"json": {"readings": readings}})
    yield Hostile("many attempts", "/api/cases", {"json": {**case, "attempts": [{"z": 1}] * 60_000}})
    targets = [{"volts": 5.0 + n, "amps": 3.0 + 0.37 * n} for n in range(24)]
    for kind in ("lamp", "resistor", "electronic"):
        loads = [
            {"record": "load", "name": f"l{n}", "kind": kind, "max_w": 300.0, "count": 20}
            | ({"ohm": 4.0 + n / 10} if kind == "resistor" else {})
            | ({"points": [[12.0, 0.5 + n / 100]]} if kind == "lamp" else {})
            | ({"max_a": 5.0 + n / 100, "max_v": 150.0} if kind == "electronic" else {})
            for n in range(200)
        ]
        yield Hostile(
            f"load plan: {kind}", "/api/bench/load-plan", {"json": {"targets": targets, "loads": loads}}
        )
    lines = {
        "unknown fields": (json.dumps({**case, **unknown}) + "\n").encode(),
        "bad lines": b"{}\n" * 300_000,
        "no JSON": b"x\n" * 450_000,
        "long line": b'{"record":"case","complaint":"' + b"x" * 900_000,
        "masses of cases": b"".join(
            json.dumps({**case, "uid": f"m-{n}", "family": f"F{n}"}).encode() + b"\n" for n in range(8_000)
        ),
        "deep": b"[" * 400_000 + b"\n",
    }
    for name, content in lines.items():
        for path in ("/api/import?create_missing=false", "/api/import?skip_bad=true"):
            yield Hostile(f"import: {name}", path, {"content": content[:MOST_BYTES]})


_TEXTS = {
    "one word": "a" * 19_000,
    "mail": "a." * 9_000,
    "digits": "1 " * 9_000,
    "days": "2026-01-01 " * 1_700,
    "articles": "in the " * 2_500 + "2026-03",
    "quotes": '"' * 19_000,
    "minus": '-"' * 9_000,
    "marks": "v" + "\u0300" * 9_000,
    "hyphens": "-" * 19_000,
    "equals": "5VSB = " * 2_700,
    "replaced": "C9 replaced, R4 replaced, " * 700,
    "readings": "5VSB 4.7 V, 12V 11.9 V " * 800,
    "spaces": " " * 19_000,
    "brackets": "(" * 19_000,
    "numbers": "1-2-3-4-" * 2_300,
    "letters": "\u0130\u0131\u017f\u00df" * 4_000,
    "wrong letters": "rlay tcks n pictre " * 1_000,
    "symptoms": "fuse blown no picture relay clicks " * 540,
}


def _texts() -> Iterator[Hostile]:
    for name, text in _TEXTS.items():
        yield Hostile(f"read: {name}", "/api/read", {"json": {"text": text[:19_000]}})
        yield Hostile(f"suggestions: {name}", "/api/suggestions", {"json": {"text": text[:19_000]}})
        yield Hostile(f"search: {name}", "/search", {"params": {"q": text[:9_000]}}, "GET")
        yield Hostile(f"diagnose: {name}", "/diagnose", {"params": {"text": text[:9_000]}}, "GET")
        yield Hostile(f"API search: {name}", "/api/search", {"params": {"q": text[:9_000]}}, "GET")
        form = {"family": "HX-210", "complaint": text[:900], "notes": text, "verdict": ""}
        yield Hostile(f"case: {name}", "/cases", {"data": form})


def _forms() -> Iterator[Hostile]:
    many = {f"readings.{number}.text": "5VSB 4.7 V" for number in range(9_000)}
    yield Hostile("form of many rows", "/cases", {"data": {"family": "HX-210", "complaint": "dead", **many}})
    for path in ("/cases", "/families", "/loads", "/data/import", "/cases/read"):
        fields = {f"f{number}": "x" for number in range(19_000)}
        yield Hostile(f"form of many fields at {path}", path, {"data": fields})
        yield Hostile(
            f"form of one long field at {path}",
            path,
            {"data": {"text": "x" * 900_000, "notes": "y " * 9_000}},
        )
    noise = random.Random(16).randbytes(900_000)
    for path in ("/helpers/log", "/data/sheet", "/cases/{uid}/photos", "/data/import"):
        yield Hostile(f"noise at {path}", path, {"files": {"file": ("x", noise)}})
        packed = zlib.compress(b"\x00" * 100_000_000)
        yield Hostile(f"packed zeros at {path}", path, {"files": {"file": ("x.gz", packed[:MOST_BYTES])}})
    for name, text in {
        "a": "a " * 499,
        "ab": "a b b " * 166,
        "stairs": " ".join(map(str, range(250))),
    }.items():
        for turn in (text, text[::-1], "z " + text):
            yield Hostile(f"history of {name}", "/api/cases/h-2", {"json": turn[:999]}, "HISTORY")


def hostile(most: int | None = None) -> list[Hostile]:
    """The inputs in the same order every time, of every kind some first."""
    # Made one by one: all of them take a minute to make.
    turns = itertools.zip_longest(_logs(), _pictures(), _sheets(), _bodies(), _texts(), _forms())
    mixed = list(itertools.islice((one for turn in turns for one in turn if one is not None), most))
    met: Counter[str] = Counter()
    for one in mixed:
        met[one.name] += 1
        if met[one.name] > 1:
            one.name = f"{one.name} ({met[one.name]})"
    return mixed


def size_of(one: Hostile) -> int:
    """Bytes of the body that an input sends."""
    if one.method == "HISTORY":
        return len(one.options["json"])
    return len(httpx.Request(one.method, "http://127.0.0.1" + one.path, **one.options).read())


def _send(client: httpx.Client, uid: str, one: Hostile) -> str:
    """What came of an input: its status, or that the connection ended."""
    if one.method == "HISTORY":
        return _rewritten(client, uid, one.options["json"])
    try:
        answer = client.request(one.method, one.path.replace("{uid}", uid), **one.options)
    except httpx.HTTPError as error:
        return type(error).__name__
    if answer.is_server_error and answer.status_code != 503:
        return f"{answer.status_code} {answer.text[:200]}"
    return str(answer.status_code)


def _rewritten(client: httpx.Client, uid: str, text: str) -> str:
    """A case with another text, and then its page of differences, which everybody sees."""
    read = client.get(f"/api/cases/{uid}")
    record = {name: part for name, part in read.json().items() if name != "version"}
    headers = {"If-Match": read.headers["etag"]}
    client.put(f"/api/cases/{uid}", json={**record, "complaint": text.strip()}, headers=headers)
    return str(client.get(f"/cases/{uid}/history").status_code)


class Asker(threading.Thread):
    """Somebody who asks the same pages all the time; the seconds of each answer, by address."""

    def __init__(self, url: str) -> None:
        super().__init__()
        self.seconds: dict[str, list[float]] = {path: [] for path in ASKED}
        self.refused: list[str] = []
        self._url, self._over = url, threading.Event()

    def run(self) -> None:
        with httpx.Client(base_url=self._url, timeout=120) as client:
            while not self._over.wait(0.02):
                for path in ASKED:
                    began = time.perf_counter()
                    answer = client.get(path)
                    self.seconds[path].append(time.perf_counter() - began)
                    if answer.status_code != 200:
                        self.refused.append(f"{path}: {answer.status_code}")

    def stop(self) -> None:
        self._over.set()
        self.join()


def percentile(values: list[float], share: float) -> float:
    """The value that `share` of the values do not exceed."""
    ordered = sorted(values)
    return ordered[min(len(ordered) - 1, int(share * len(ordered)))]


@dataclass
class Outcome:
    """What was measured: seconds by address without and with hostile inputs, and what became of these."""

    quiet: dict[str, list[float]]
    attacked: dict[str, list[float]]
    refused: list[str]
    statuses: list[tuple[Hostile, str, float]]


def measured(url: str, inputs: list[Hostile], at_once: int, quiet_s: float, *, told: bool = False) -> Outcome:
    """Asks for a while in quiet, then while the inputs are sent, `at_once` at a time."""
    with httpx.Client(base_url=url, timeout=300) as client:
        uid = client.get("/api/search", params={"q": "relay", "limit": 1}).json()["hits"][0]["case"]
        for path in ASKED:
            client.get(path)
    calm = Asker(url)
    calm.start()
    time.sleep(quiet_s)
    calm.stop()
    asker = Asker(url)
    asker.start()
    statuses: list[tuple[Hostile, str, float]] = []
    waiting, turn = iter(inputs), threading.Lock()

    def work() -> None:
        with httpx.Client(base_url=url, timeout=300) as client:
            while True:
                with turn:
                    one = next(waiting, None)
                if one is None:
                    return
                began = time.perf_counter()
                status = _send(client, uid, one)
                statuses.append((one, status, time.perf_counter() - began))
                if told:
                    print(f"{statuses[-1][2]:6.1f} s {status:.40} {one.name}", file=sys.stderr, flush=True)

    workers = [threading.Thread(target=work) for _ in range(at_once)]
    for worker in workers:
        worker.start()
    for worker in workers:
        worker.join()
    asker.stop()
    return Outcome(calm.seconds, asker.seconds, calm.refused + asker.refused, statuses)


def main() -> None:
    """Measures and prints the table for FIGURES.md."""
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--inputs", type=int)
    options.add_argument("--at-once", type=int, default=1)
    options.add_argument("--quiet", type=float, default=10.0, help="seconds of asking before")
    chosen = options.parse_args()
    inputs = hostile(chosen.inputs)
    with tempfile.TemporaryDirectory() as folder, served(Path(folder), "--demo") as (url, _):
        found = measured(url, inputs, chosen.at_once, chosen.quiet, told=True)
    print(f"{len(inputs)} inputs, {chosen.at_once} at once\n")
    print("| asked | quiet p50, ms | quiet p99 | attacked p50 | attacked p99 | longest | asked, times |")
    print("|---|---|---|---|---|---|---|")
    for path in ASKED:
        quiet, attacked = found.quiet[path], found.attacked[path]
        figures = [percentile(quiet, 0.5), percentile(quiet, 0.99)]
        figures += [percentile(attacked, 0.5), percentile(attacked, 0.99), max(attacked)]
        shown = " | ".join(f"{1000 * one:.0f}" for one in figures)
        print(f"| {path.partition('?')[0]} | {shown} | {len(attacked):,} |")
    for one, status, seconds in sorted(found.statuses, key=lambda entry: -entry[2]):
        if seconds > SLOW_S or (status[0] == "5" and status != "503") or not status[0].isdigit():
            print(f"{seconds:6.1f} s {status:>4} {one.name}")
    print("not answered with 200:", found.refused[:5] or "none")


if __name__ == "__main__":
    main()
