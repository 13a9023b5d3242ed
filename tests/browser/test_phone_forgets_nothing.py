"""A phone whose connection is cut in the midst of its work: nothing that was entered is lost, nothing is there twice.

The proxy between browser and server (`cutting_proxy.py`) drops a write before the server has it, after, or in the
midst of the answer; what is in the store afterwards is compared with what was entered.
"""

from __future__ import annotations

import json
import random
import sqlite3
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path

import commands
import httpx
import pictures_made as made
import pytest
from cutting_proxy import CuttingProxy, cutting
from factories import demo_lines
from looks import is_right
from playwright.sync_api import Browser, BrowserContext, Dialog, Page, expect
from processes import bare_environment, served

# The first dead checks of a supply, by their number; before all the bulk capacitor is measured.
BULK, STEPS = "0.3", {2: "0.2", 3: "0.5", 4: "OL"}
WORKER_IS_READY = """async () => {
  await navigator.serviceWorker.ready;
  if (!navigator.serviceWorker.controller)
    await new Promise((done) => navigator.serviceWorker.addEventListener("controllerchange", done, { once: true }));
}"""
PAGE_IS_KEPT = """async (path) => {
  for (;;) {
    const names = (await caches.keys()).filter((name) => name.startsWith("pages-pages-"));
    for (const name of names) if (await (await caches.open(name)).match(path)) return;
    await new Promise((done) => setTimeout(done, 20));
  }
}"""
# What the device holds in clear, to look for words in it.
IN_CLEAR = """async () => {
  const base = await new Promise((done) => { const asked = indexedDB.open("kb-kept"); asked.onsuccess = () => done(asked.result); });
  const found = {};
  for (const name of base.objectStoreNames) {
    const store = base.transaction(name).objectStore(name);
    const rows = await new Promise((done) => { const asked = store.getAll(); asked.onsuccess = () => done(asked.result); });
    found[name] = rows.map((row) => row?.bytes ? new TextDecoder("latin1").decode(row.bytes) + Object.keys(row) : String(row));
  }
  base.close();
  return found;
}"""


@dataclass
class Bench:
    """A server with the demo's board families, the way to it, and what its store holds."""

    url: str
    proxy: CuttingProxy
    store: Path
    work: httpx.Client
    picture: str
    numbers: Iterator[int] = field(default_factory=lambda: iter(range(1, 1000)))

    def a_case(self, **values: object) -> str:
        uid = f"case-{next(self.numbers)}"
        record = {"record": "case", "uid": uid, "family": "HX-210", "complaint": "dark", **values}
        assert self.work.post("/api/cases", json=record).status_code == 201
        return uid

    def a_test(self) -> str:
        """The uid of a bench test whose cautions were read and whose bulk capacitor is discharged."""
        answer = self.work.post("/bench", data={"family": "HX-210", "soak": "30", "share": "50", "phase": "before"})
        assert answer.status_code == 303, answer.text
        uid = answer.headers["location"].rpartition("/")[2]
        self.work.post(f"/bench/{uid}/cautions")
        assert self.work.post(f"/bench/{uid}/steps/1", data={"value": BULK, "seen": "0"}).status_code == 303
        return uid

    def ask(self, query: str, *values: object) -> list[tuple[object, ...]]:
        """Rows of the store itself."""
        with sqlite3.connect(f"file:{self.store}?mode=ro", uri=True) as base:
            return base.execute(query, values).fetchall()

    def cases_of(self, complaint: str) -> int:
        return len(self.ask("SELECT uid FROM board_case WHERE complaint = ?", complaint))

    def files_of(self, uid: str) -> int:
        return len(self.work.get(f"/api/cases/{uid}/files").json()["files"])

    def entries_of(self, run: str) -> list[tuple[object, ...]]:
        return self.ask(
            "SELECT e.step, e.written FROM bench_entry e JOIN bench_run r ON r.id = e.run_id WHERE r.uid = ? ORDER BY e.id", run
        )


@pytest.fixture(scope="module")
def bench(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Bench]:
    folder = tmp_path_factory.mktemp("shop")
    lines = [line for line in demo_lines() if json.loads(line)["record"] in ("family", "symptom", "part_class")]
    (folder / "boards.jsonl").write_bytes(b"".join(lines))
    environment = bare_environment(KB_DATA=str(folder))
    assert commands.run(["import", str(folder / "boards.jsonl"), "--create-missing"], environment).returncode == 0
    picture = folder / "board.jpg"
    picture.write_bytes(made.jpeg(made.marked(300, 200)))
    with served(folder) as (url, _), cutting(url) as proxy, httpx.Client(base_url=url, timeout=60) as work:
        yield Bench(url, proxy, folder / "store.sqlite3", work, str(picture))


@pytest.fixture(scope="module")
def device(browser: Browser) -> Iterator[BrowserContext]:
    """One phone for all, as it is: what an earlier test left there must matter to none."""
    context = browser.new_context(viewport={"width": 390, "height": 844}, has_touch=True, service_workers="allow")
    yield context
    context.close()


@pytest.fixture
def phone(device: BrowserContext, bench: Bench) -> Iterator[Page]:
    """A page of the phone with its service worker at work; whatever a script stumbles over fails the test."""
    bench.proxy.mend()
    page = device.new_page()
    stumbled: list[str] = []
    page.on("pageerror", lambda error: stumbled.append(str(error)))
    page.goto(f"{bench.proxy.url}/waiting")
    page.evaluate(WORKER_IS_READY)
    for path in ("/waiting", "/families", "/cases/new"):
        page.evaluate(PAGE_IS_KEPT, path)
    yield page
    bench.proxy.mend()
    page.close()
    assert stumbled == []


def open_pages(phone: Page, bench: Bench, *paths: str) -> None:
    """Looks at pages, so that the phone keeps them."""
    for path in paths:
        phone.goto(bench.proxy.url + path)
        phone.evaluate(PAGE_IS_KEPT, path)


def back(phone: Page, bench: Bench) -> None:
    """Brings the server back and waits until nothing is left to be sent."""
    bench.proxy.mend()
    phone.goto(f"{bench.proxy.url}/waiting")
    expect(phone.get_by_text("Nothing waits: the server has everything")).to_be_visible()


def new_case(phone: Page, bench: Bench, complaint: str) -> None:
    phone.goto(f"{bench.proxy.url}/cases/new")
    phone.get_by_label("Board family").fill("HX-210")
    phone.get_by_label("Complaint").fill(complaint)
    phone.get_by_role("button", name="Save the case").click()


def enter(phone: Page, bench: Bench, run: str, step: int) -> None:
    phone.goto(f"{bench.proxy.url}/bench/{run}/steps/{step}")
    if STEPS[step] == "OL":
        phone.get_by_role("button", name="OL, no reading").click()
    else:
        phone.get_by_label("What the meter shows").fill(STEPS[step])
        phone.get_by_role("button", name="Enter", exact=True).click()


def photograph(phone: Page, bench: Bench, case: str) -> None:
    phone.goto(f"{bench.proxy.url}/cases/{case}/photos")
    phone.get_by_label("Take a photograph").set_input_files(bench.picture)
    expect(phone.locator(".sending > li")).to_contain_text("kept")


def edit(phone: Page, bench: Bench, case: str, notes: str) -> None:
    phone.goto(f"{bench.proxy.url}/cases/{case}/edit")
    phone.get_by_label("Notes").fill(notes)
    phone.get_by_role("button", name="Save the case").click()


class Work:
    """Pieces of a phone's work, cut at moments that a seed chooses; `cuts` has their kinds."""

    def __init__(self, phone: Page, bench: Bench, seed: str) -> None:
        self.phone, self.bench = phone, bench
        self.chance = random.Random(seed)
        self.cuts: list[str] = []

    def piece(self, most_cuts: int) -> None:
        """A new case, a photograph, a changed case and three steps of a bench test, compared with the store."""
        bench, phone, chance = self.bench, self.phone, self.chance
        case, run, marker = bench.a_case(), bench.a_test(), f"ticks, piece {next(bench.numbers)}"
        steps = [f"/bench/{run}/steps/{step}" for step in STEPS]
        open_pages(phone, bench, f"/cases/{case}/photos", f"/cases/{case}/edit", *steps)
        rest: list[Callable[[], None]] = [
            lambda: new_case(phone, bench, marker),
            lambda: photograph(phone, bench, case),
            lambda: edit(phone, bench, case, marker),
        ]
        todo = [partial(enter, phone, bench, run, step) for step in STEPS]
        for one in chance.sample(rest, 3):
            todo.insert(chance.randrange(len(todo) + 1), one)  # type: ignore[arg-type]
        for one in todo:
            if not bench.proxy.is_cut and len(self.cuts) < most_cuts and chance.random() < 0.8:
                self.cuts.append(chance.choice(("before", "after", "middle")))
                bench.proxy.cut_at(self.cuts[-1])  # type: ignore[arg-type]
            one()
            if bench.proxy.is_cut and chance.random() < 0.6:
                bench.proxy.mend()
        back(phone, bench)
        assert bench.cases_of(marker) == 1
        assert bench.files_of(case) == 1
        kept = bench.work.get(f"/api/cases/{case}").json()
        assert (kept["notes"], kept["version"]) == (marker, 2)
        entries = bench.entries_of(run)
        assert [written for _, written in entries] == [BULK, *STEPS.values()]
        assert len({step for step, _ in entries}) == 1 + len(STEPS)


@pytest.mark.parametrize("moments", [5, pytest.param(30, marks=pytest.mark.long)])
def test_a_cut_at_any_moment_loses_nothing_and_doubles_nothing(phone: Page, bench: Bench, moments: int) -> None:
    work = Work(phone, bench, f"{moments} cuts of a phone")
    while len(work.cuts) < moments:
        work.piece(moments)
    assert set(work.cuts) == {"before", "after", "middle"}
    print(f"{moments} cuts: " + ", ".join(f"{work.cuts.count(kind)} {kind}" for kind in sorted(set(work.cuts))))
