"""A phone whose connection is cut in the midst of its work: nothing that was entered is lost, nothing is there twice.

The proxy between browser and server (`cutting_proxy.py`) drops a write before the server has it, after, or in the
midst of the answer; what is in the store afterwards is compared with what was entered.
"""

from __future__ import annotations

import json
import random
import re
import sqlite3
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path

import commands
import httpx
import pictures_made as made
import pytest
from cutting_proxy import CuttingProxy, Moment, cutting
from factories import demo_lines
from looks import comes, is_kept_here, is_right, told
from playwright.sync_api import Browser, BrowserContext, Dialog, Page, expect
from processes import bare_environment, served

# The first dead checks of a supply, by their number; before all the bulk capacitor is measured.
BULK, STEPS = "0.3", {2: "0.2", 3: "0.5", 4: "OL"}
MOMENTS: tuple[Moment, ...] = ("before", "after", "middle")
WORKER_IS_READY = """async () => {
  const registered = await navigator.serviceWorker.getRegistration();
  return Boolean(registered?.active && navigator.serviceWorker.controller);
}"""
PAGE_IS_KEPT = """async (path) => {
  const names = (await caches.keys()).filter((name) => name.startsWith("pages-pages-"));
  for (const name of names) if (await (await caches.open(name)).match(path)) return true;
  return false;
}"""
# What the device holds in clear, to look for words in it.
IN_CLEAR = """async () => {
  const asked = indexedDB.open("kb-kept");
  const base = await new Promise((done) => { asked.onsuccess = () => done(asked.result); });
  const found = {};
  for (const name of base.objectStoreNames) {
    const store = base.transaction(name).objectStore(name);
    const all = store.getAll();
    const rows = await new Promise((done) => { all.onsuccess = () => done(all.result); });
    const text = (row) => new TextDecoder("latin1").decode(row.bytes) + JSON.stringify({ ...row, bytes: 0, iv: 0 });
    found[name] = rows.map((row) => row?.bytes ? text(row) : String(row));
  }
  base.close();
  return found;
}"""

FULL_ONCE = """
  window.full = { left: 1, dropped: false };
  const put = IDBObjectStore.prototype.put;
  IDBObjectStore.prototype.put = function (...values) {
    if (this.name === "drafts" && full.left-- > 0) throw new DOMException("full", "QuotaExceededError");
    return put.apply(this, values);
  };
  const gone = CacheStorage.prototype.delete;
  CacheStorage.prototype.delete = function (name) {
    full.dropped ||= name.startsWith("pages-pages-");
    return gone.call(this, name);
  };
"""
DRAFT_IS_KEPT = "() => Object.keys(sessionStorage).some((name) => name.startsWith('drafts-under-'))"
EMPTIED = """async () => {
  const asked = indexedDB.open("kb-kept");
  const base = await new Promise((done) => { asked.onsuccess = () => done(asked.result); });
  const work = base.transaction(["drafts", "queue", "files"], "readwrite");
  for (const name of work.objectStoreNames) work.objectStore(name).clear();
  await new Promise((done) => { work.oncomplete = done; });
  base.close();
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
        answer = self.work.post(
            "/bench", data={"family": "HX-210", "soak": "30", "share": "50", "phase": "before"}
        )
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
            "SELECT e.step, e.written FROM bench_entry e JOIN bench_run r ON r.id = e.run_id"
            " WHERE r.uid = ? ORDER BY e.id",
            run,
        )


@pytest.fixture(scope="module")
def bench(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Bench]:
    folder = tmp_path_factory.mktemp("shop")
    lines = [
        line for line in demo_lines() if json.loads(line)["record"] in ("family", "symptom", "part_class")
    ]
    (folder / "boards.jsonl").write_bytes(b"".join(lines))
    environment = bare_environment(KB_DATA=str(folder))
    assert (
        commands.run(["import", str(folder / "boards.jsonl"), "--create-missing"], environment).returncode
        == 0
    )
    picture = folder / "board.jpg"
    picture.write_bytes(made.jpeg(made.marked(300, 200)))
    with (
        served(folder) as (url, _),
        cutting(url) as proxy,
        httpx.Client(base_url=url, timeout=commands.STUCK_S) as work,
    ):
        yield Bench(url, proxy, folder / "store.sqlite3", work, str(picture))


@pytest.fixture(scope="module")
def device(browser: Browser) -> Iterator[BrowserContext]:
    """One phone for all, as it is: what an earlier test left there must matter to none."""
    context = browser.new_context(
        viewport={"width": 390, "height": 844}, has_touch=True, service_workers="allow"
    )
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
    comes(page, "the service worker", WORKER_IS_READY)
    for path in ("/waiting", "/families", "/cases/new"):
        comes(page, f"the kept page {path}", PAGE_IS_KEPT, path)
    yield page
    bench.proxy.mend()
    page.goto(f"{bench.proxy.url}/help")
    told(page, EMPTIED)
    page.close()
    assert stumbled == []


def open_pages(phone: Page, bench: Bench, *paths: str) -> None:
    """Looks at pages, so that the phone keeps them."""
    for path in paths:
        phone.goto(bench.proxy.url + path)
        comes(phone, f"the kept page {path}", PAGE_IS_KEPT, path)


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
        self.cuts: list[Moment] = []
        self._next: list[Moment] = []

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
                # How often there is something to cut depends on the moment; every kind has its turn all the same.
                self._next = self._next or chance.sample(MOMENTS, len(MOMENTS))
                self.cuts.append(self._next.pop())
                bench.proxy.cut_at(self.cuts[-1])
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


@pytest.mark.parametrize("moments", [3, pytest.param(30, marks=pytest.mark.long)])
def test_a_cut_at_any_moment_loses_nothing_and_doubles_nothing(
    phone: Page, bench: Bench, moments: int
) -> None:
    work = Work(phone, bench, f"{moments} cuts of a phone")
    while len(work.cuts) < moments:
        work.piece(moments)
    assert set(work.cuts) == set(MOMENTS)
    print(
        f"{moments} cuts: " + ", ".join(f"{work.cuts.count(kind)} {kind}" for kind in sorted(set(work.cuts)))
    )


def test_a_draft_is_offered_taken_saved_and_gone(phone: Page, bench: Bench) -> None:
    case = bench.a_case(notes="as it came")
    phone.goto(f"{bench.proxy.url}/cases/{case}/edit")
    phone.get_by_label("Notes").fill("fan hums, cleaned")
    phone.get_by_role("button", name="Add a reading").click()
    phone.get_by_label("Reading", exact=True).last.fill("5VSB 4.7 standby")
    asked = leave(phone, lambda: phone.goto(f"{bench.proxy.url}/cases/{case}/edit"))
    assert asked == ["beforeunload"]

    offer = phone.get_by_role("region", name="What you wrote before")
    expect(offer).to_contain_text("You wrote this on")
    expect(phone.get_by_label("Notes")).to_have_value("as it came")
    offer.get_by_text("What differs").click()
    expect(offer).to_contain_text("On the server: as it came")
    expect(offer).to_contain_text("You wrote: fan hums, cleaned")
    is_right(phone)
    in_clear = json.dumps(told(phone, IN_CLEAR))
    assert "fan hums" not in in_clear
    assert case not in in_clear

    offer.get_by_role("button", name="Take it").click()
    expect(phone.get_by_label("Notes")).to_have_value("fan hums, cleaned")
    expect(phone.get_by_label("Reading", exact=True).last).to_have_value("5VSB 4.7 standby")
    asked = leave(phone, lambda: phone.get_by_role("button", name="Save the case").click())
    expect(phone).to_have_url(re.compile(f"/cases/{case}\\?saved=changed"))
    assert asked == []
    saved = bench.work.get(f"/api/cases/{case}").json()
    assert (saved["notes"], saved["readings"][0]["value"]) == ("fan hums, cleaned", 4.7)
    phone.goto(f"{bench.proxy.url}/cases/{case}/edit")
    expect(phone.get_by_label("Notes")).to_have_value("fan hums, cleaned")
    kept_here(phone, bench, drafts=0)


def leave(phone: Page, go: Callable[[], object]) -> list[str]:
    """Leaves a page, when what was typed there is kept, whatever it asks; returns what it asked."""
    asked: list[str] = []

    def note(dialog: Dialog) -> None:
        asked.append(dialog.type)
        dialog.accept()

    is_kept_here(phone)
    phone.on("dialog", note)
    go()
    phone.wait_for_load_state()
    phone.remove_listener("dialog", note)
    return asked


def kept_here(phone: Page, bench: Bench, *, drafts: int = 0, queue: int = 0) -> None:
    """Looks at the list of what the device keeps."""
    phone.goto(f"{bench.proxy.url}/waiting")
    expect(phone.locator("[data-list=drafts] > li")).to_have_count(drafts)
    expect(phone.locator("[data-list=queue] > li")).to_have_count(queue)


def test_a_draft_that_is_thrown_away_is_gone_and_the_form_is_as_the_server_has_it(
    phone: Page, bench: Bench
) -> None:
    case = bench.a_case(notes="as it came")
    address = f"{bench.proxy.url}/cases/{case}/edit"
    phone.goto(address)
    phone.get_by_label("Notes").fill("never mind")
    leave(phone, lambda: phone.goto(address))
    phone.get_by_role("button", name="Throw it away").click()
    expect(phone.get_by_text("Thrown away.")).to_be_visible()
    expect(phone.get_by_label("Notes")).to_have_value("as it came")
    kept_here(phone, bench, drafts=0)


def test_what_others_saved_meanwhile_is_shown_before_a_queued_change_goes_over_it(
    phone: Page, bench: Bench
) -> None:
    case = bench.a_case(notes="as it came")
    open_pages(phone, bench, f"/cases/{case}/edit")
    bench.proxy.cut()
    edit(phone, bench, case, "mine")
    expect(phone.get_by_role("alert")).to_contain_text(
        "The server is away. What you entered is kept on this device"
    )
    record = bench.work.get(f"/api/cases/{case}").json()
    theirs = {name: value for name, value in record.items() if name != "version"} | {"notes": "theirs"}
    assert bench.work.put(f"/api/cases/{case}", json=theirs, headers={"If-Match": "1"}).status_code == 200
    bench.proxy.mend()
    phone.goto(f"{bench.proxy.url}/waiting")
    line = phone.locator("[data-list=queue] > li")
    expect(line).to_contain_text("saved this while you were editing it")
    is_right(phone)
    line.get_by_role("button", name="Open as a form").click()
    offer = phone.get_by_role("region", name="What you wrote before")
    expect(offer).to_contain_text("It was changed on the server since.")
    expect(phone.get_by_label("Notes")).to_have_value("theirs")
    offer.get_by_role("button", name="Take it").click()
    phone.get_by_role("button", name="Save the case").click()
    expect(phone.get_by_role("heading", name="Two changes at once")).to_be_visible()
    phone.get_by_role("button", name="Save only mine").click()
    expect(phone).to_have_url(re.compile(f"/cases/{case}"))
    assert bench.work.get(f"/api/cases/{case}").json()["notes"] == "mine"
    kept_here(phone, bench)


def test_a_change_of_a_case_that_went_into_the_bin_says_so_and_is_not_lost(phone: Page, bench: Bench) -> None:
    case = bench.a_case(notes="as it came")
    open_pages(phone, bench, f"/cases/{case}/edit", f"/cases/{case}/photos")
    bench.proxy.cut()
    edit(phone, bench, case, "brushed")
    photograph(phone, bench, case)
    assert bench.work.post(f"/cases/{case}/bin").status_code == 303
    bench.proxy.mend()
    phone.goto(f"{bench.proxy.url}/waiting")
    line = phone.locator("[data-list=queue] > li")
    expect(line).to_have_count(1)  # the photograph is at the case, which can be taken out of the bin
    expect(line).to_contain_text("not taken by the server")
    line.get_by_role("button", name="Open as a form").click()
    expect(phone.get_by_text("This case lies in the bin. Saving takes it out.")).to_be_visible()
    phone.get_by_role("button", name="Throw it away").click()
    expect(phone.get_by_text("Thrown away.")).to_be_visible()
    assert bench.files_of(case) == 1
    kept_here(phone, bench)


def test_a_new_case_waits_with_its_photographs_and_what_the_server_refuses_is_opened_as_a_form(
    phone: Page, bench: Bench
) -> None:
    bench.proxy.cut()
    phone.goto(f"{bench.proxy.url}/cases/new")
    expect(phone.get_by_text("the server is away.")).to_be_visible()
    phone.get_by_label("Board family").fill("ZQ-77")
    phone.get_by_label("Complaint").fill("buzzes, refused at first")
    phone.get_by_role("button", name="Save the case").click()
    phone.get_by_role("link", name="Add photographs to it").click()
    phone.get_by_label("Add photographs to it").set_input_files(bench.picture)
    lines = phone.locator("[data-list=queue] > li")
    expect(lines).to_have_count(2)
    expect(lines.nth(1)).to_contain_text("as soon as the server has that")
    is_right(phone)
    back_with = phone.locator("[data-list=queue] > li .field__error")
    bench.proxy.mend()
    phone.get_by_role("button", name="Send now").click()
    expect(back_with).to_contain_text("ZQ-77")
    assert bench.cases_of("buzzes, refused at first") == 0
    lines.first.get_by_role("button", name="Open as a form").click()
    phone.get_by_role("button", name="Take it").click()
    phone.get_by_label("Board family").fill("HX-210")
    phone.get_by_role("button", name="Save the case").click()
    expect(phone).to_have_url(re.compile("saved=new"))
    back(phone, bench)
    expect(phone.get_by_text("Sent lately")).to_be_visible()
    found = bench.ask("SELECT uid FROM board_case WHERE complaint = ?", "buzzes, refused at first")
    assert [bench.files_of(str(uid)) for (uid,) in found] == [1]


def test_pages_seen_lately_open_with_a_word_on_their_age_and_others_say_that_they_are_not_kept(
    phone: Page, bench: Bench
) -> None:
    case = bench.a_case()
    open_pages(phone, bench, f"/cases/{case}")
    bench.proxy.cut()
    for path in (f"/cases/{case}?saved=changed", "/families"):
        phone.goto(bench.proxy.url + path)
        expect(phone.locator("#kept-bar")).to_contain_text("the server is away.")
        is_right(phone)
    phone.goto(f"{bench.proxy.url}/families/LBD-52")
    expect(phone.get_by_role("heading", name="The server is away")).to_be_visible()
    is_right(phone)
    phone.goto(f"{bench.proxy.url}/data/backups")
    expect(phone.get_by_role("heading", name="The server is away")).to_be_visible()


def test_the_diagnosis_says_when_its_ranking_is_not_current(phone: Page, bench: Bench) -> None:
    phone.goto(f"{bench.proxy.url}/diagnose?family=HX-210")
    old = phone.get_by_text("this ranking is not current")
    expect(old).to_be_hidden()
    bench.proxy.cut()
    phone.get_by_label("Complaint").fill("stays dark, relay ticks")
    expect(old).to_be_visible()
    bench.proxy.mend()
    phone.evaluate("dispatchEvent(new Event('online'))")
    expect(old).to_be_hidden()


def test_two_pages_of_one_phone_share_the_queue_and_send_each_thing_once(
    phone: Page, device: BrowserContext, bench: Bench
) -> None:
    other = device.new_page()
    other.goto(f"{bench.proxy.url}/families")
    bench.proxy.cut()
    new_case(phone, bench, "hums, two pages")
    expect(other.locator("#kept")).to_contain_text("1 thing waits on this device")
    bench.proxy.mend()
    for page in (phone, other):
        page.evaluate("dispatchEvent(new Event('online'))")
    expect(other.locator("#kept")).to_be_hidden()
    expect(phone.locator("#kept")).to_be_hidden()
    assert bench.cases_of("hums, two pages") == 1
    other.close()


def test_a_full_phone_says_so_and_the_form_works_as_ever(browser: Browser, bench: Bench) -> None:
    context = browser.new_context(viewport={"width": 390, "height": 844})
    page = context.new_page()
    tools = context.new_cdp_session(page)
    tools.send("Storage.overrideQuotaForOrigin", {"origin": bench.proxy.url, "quotaSize": 1})
    case = bench.a_case()
    page.goto(f"{bench.proxy.url}/cases/{case}/edit")
    page.get_by_label("Notes").fill("no room")
    expect(page.get_by_role("status").filter(has_text="This device is full")).to_be_visible()
    is_right(page)
    bench.proxy.cut()
    page.get_by_role("button", name="Save the case").click()
    expect(page.get_by_role("alert")).to_contain_text("The server is away, and this device is full.")
    bench.proxy.mend()
    page.get_by_role("button", name="Save the case").click()
    expect(page).to_have_url(re.compile("saved=changed"))
    assert bench.work.get(f"/api/cases/{case}").json()["notes"] == "no room"
    context.close()


def test_kept_pages_make_room_for_what_was_written(phone: Page, bench: Bench) -> None:
    case = bench.a_case()
    open_pages(phone, bench, f"/cases/{case}/edit")
    phone.add_init_script(FULL_ONCE)
    phone.goto(f"{bench.proxy.url}/cases/{case}/edit")
    phone.get_by_label("Notes").fill("needs room")
    comes(phone, "the draft", DRAFT_IS_KEPT)
    assert phone.evaluate("full.dropped")
    leave(phone, lambda: phone.goto(f"{bench.proxy.url}/waiting"))
    expect(phone.locator("[data-list=drafts] > li")).to_have_count(1)


def test_without_a_certificate_drafts_stay_with_the_tab_and_nothing_is_queued(
    browser: Browser, bench: Bench
) -> None:
    context = browser.new_context()
    page = context.new_page()
    page.add_init_script("Object.defineProperty(window, 'isSecureContext', { value: false })")
    bench.proxy.mend()
    case = bench.a_case()
    address = f"{bench.proxy.url}/cases/{case}/edit"
    page.goto(address)
    page.get_by_label("Notes").fill("plain")
    leave(page, lambda: page.goto(address))
    page.get_by_role("button", name="Take it").click()
    bench.proxy.cut()
    page.get_by_role("button", name="Save the case").click()
    expect(page.get_by_role("alert")).to_contain_text(
        "The server is away, so nothing was saved. What you wrote is kept"
    )
    expect(page.get_by_label("Notes")).to_have_value("plain")
    bench.proxy.mend()
    page.get_by_role("button", name="Save the case").click()
    expect(page).to_have_url(re.compile("saved=changed"))
    page.goto(f"{bench.proxy.url}/waiting")
    expect(page.get_by_text("This page came without a certificate")).to_be_visible()
    assert page.evaluate("Object.values(sessionStorage).filter((one) => one.includes('plain')).length") == 0
    context.close()
