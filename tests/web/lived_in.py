"""A shop after years of work: every kind of record in every state that a page shows differently."""

from __future__ import annotations

import io
import threading
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import bench_people
import httpx
import pictures_made as made
import pytest
from commands import STUCK_S
from factories import a_case, a_family, bring, case_json, demo_lines, shop_in
from other_shops import OTHERS, origin, their_case
from sheet_files import harbour_book
from signed_in import Office
from web_client import Client, Page

from kb.model import Attempt, Mark
from kb.model.people import LEVELS
from kb.service import Shop, sheets
from kb.service.accounts import people, tokens
from kb.service.bench import loads, reports, runs
from kb.service.bench.runs import NewRun, Typed
from kb.service.cases import cases, files
from kb.service.history import bin, undo_batch, versions
from kb.service.operate import backups
from kb.service.shop.jobs import Job
from kb.service.transfer import json_lines, origins
from kb.store.engine.watching import Away

BENCH = "HB-9"
# Addresses that are known beforehand; those with a number of their own are noted as they come about.
BUSY = """
/account /people /people/audit /sign-in /help /help/running /metrics /figures /figures.csv /track-record /data/nothing
/search?q=relay /search?q=zzzyx /complete/anything?q=re /diagnose?family=HX-210&text=relay+ticks&price=200
/diagnose/ranking?family=HX-210 /diagnose?case=waits /cases/both
/cases?show=binned /cases?show=waiting /cases/new?family=HX-210 /cases/new?like=u1 /cases/pictured?saved=new
/cases/u1 /cases/u1/history /cases/v1 /cases/closed/report /cases/bench-3/report /cases/waits/report
/cases/closed/label.svg
/families?q=nothing-like-it /families/NEW-1 /families/NEW-1/edit /families/TW-1 /families/TW-1/history
/families/OLD-1/history /families/GO-1/history /families/HX-210/good-boards /families/NEW-1/good-boards
/diagnose?text=dead,+fuse+blown,+bridge+shorted&price=120
/kit /kit?family=HX-210&years=10 /kit?kind=power+supply /kit.csv?family=HX-210 /api/kit?family=HX-210
/cases/closed/beside /cases/u1/beside /api/families/HX-210/good-boards /api/cases/closed/beside
/bench/new?family=HB-9 /bench/new?case=bench-1 /bench/sheet?family=HB-9 /loads/plan?family=HX-210
/helpers/discharge?family=HX-210 /helpers/capacitor /helpers/divider /helpers/log
/data/sheet /data/origins /data/backups /data/share /data/take-out /data/take-out?q=relay
/data/take-out/file?format=jsonl&q=zzz /data/merge?entity=family&away=TW-1&into=TW-2
/data/changes?entity=case /data/bin /data/bin/delete?entity=case&name=binned
/data/bin/delete?entity=family&name=OLD-1
/data/symptoms /data/symptoms?name=dead /data/symptoms/history?name=dead
/data/part-classes /data/part-classes?name=relay /data/part-classes/history?name=relay
/api/docs /api/openapi.json /api/schema/case.json /api/health /api/export?format=jsonl /api/track-record
/api/search?q=relay /api/families /api/families/GL-31 /api/families/GL-31/fixes /api/cases/closed
/api/cases/pictured/files
"""
BARE = """
/search?q=relay /cases?show=open /families /bench /loads /diagnose /figures /sign-in
/data/share /data/backups /data/bin /data/changes /data/origins
"""
# What a server goes on answering while it is cut off from its database.
CUT_OFF = """
/cases?show=open /cases/closed /cases/waits /families?q=nothing-like-it /families/NEW-1 /families/HX-210
/search?q=relay /diagnose?family=HX-210 /bench /data
"""


@dataclass
class LivedIn:
    """A shop, as people who sign in reach it and as a bench without sign-in does.

    `addresses` show its states; `sent` are forms whose answer is a page of its own: (the least level that
    may send it, "" for nobody's, address, fields).
    """

    office: Office
    bench: Client
    addresses: list[str]
    sent: list[tuple[str, str, dict[str, Any]]] = field(default_factory=list)
    jobs_end: threading.Event = field(default_factory=threading.Event)

    def cut_off(self, patch: pytest.MonkeyPatch) -> None:
        """Takes the database away, with what a server keeps at hand of a shared one."""
        store = self.office.shop.store
        with patch.context() as shared:
            shared.setattr(store, "is_shared", True)
            self.office.shop.at_hand.refresh()
        self.addresses = CUT_OFF.split()
        patch.setattr(type(store), "away", property(lambda one: Away() if one is store else None))

    def close(self) -> None:
        self.jobs_end.set()
        self.bench.close()
        self.office.close()


def lived_in(folder: Path) -> LivedIn:
    """The demo store with all of that added to it, and somebody of every level."""
    shop = shop_in(folder)
    assert json_lines.bring_in(shop, demo_lines()).saved
    return live_in(shop)


def live_in(shop: Shop, *, share: bool = True) -> LivedIn:
    """The same on top of a store that holds the demo's families already, of any size.

    To `share`, all its cases are looked through.
    """
    there = LivedIn(Office(shop=shop, bare=True), Client(shop), BUSY.split())
    for tell in (_cases, _pictures, _bench, _reports, _lists_and_changes, _others, _sheets, _share, _people):
        if share or tell is not _share:
            tell(there)
    backups.make(shop)
    there.addresses += [f"/data/backups/{one.name}" for one in backups.listing(shop).backups]
    _jobs(there)
    return there


def bare_shop(folder: Path) -> LivedIn:
    """A shop on its first day, with nothing but its people."""
    shop = shop_in(folder)
    there = LivedIn(Office(shop=shop, bare=True), Client(shop), BARE.split())
    # Who is not signed in any more gets back what was typed.
    there.sent.append(("", "/cases", {"family": "GL-31"}))
    return there


def _open(uid: str, **changed: Any) -> dict[str, Any]:
    return case_json(uid, verdict=None, closed=None, attempts=None, **changed)


def _cured(part: str, part_class: str, section: str) -> Attempt:
    return Attempt.model_validate(
        {"part": part, "part_class": part_class, "section": section, "result": "cured"}
    )


def _cases(there: LivedIn) -> None:
    shop = there.office.shop
    assert bring(
        shop,
        a_family(),
        a_family("NEW-1", rails=[]),
        _open("waits", waiting_for="T3.15A fuse", waiting_since="2026-10-02", worker="bench 1"),
        _open("pictured", follow_ups=[{"date": "2026-04-01", "state": "still working"}]),
        a_case("closed", notes="fan cleaned"),
        a_case(
            "both", attempts=[_cured("F1", "fuse", "mains input"), _cured("Q1", "MOSFET", "main converter")]
        ),
        a_case("binned"),
    ).saved
    cases.save(shop, cases.stored(shop, "closed").record.model_copy(update={"notes": "fan cleaned, dust"}))
    cases.put_in_bin(shop, "binned")
    for uid in ("waits", "pictured", "closed", "binned"):
        tails = ("", "/edit", "/photos", "/label", "/history", "/history?restore=1")
        there.addresses += [f"/cases/{uid}{tail}" for tail in tails]
    # Saved by somebody else meanwhile: the page that asks which of the two shall stay.
    stale = {"family": "GL-31", "version": "1", "notes": "brushed", "save": "yes"}
    there.sent.append(("work", "/cases/closed", stale))
    log = {"text": "0;4.98\n1;4.97\n2;4.99", "rail": "5VSB", "supply": "running", "load": "none"}
    there.sent += [("read", "/helpers/log", log), ("read", "/helpers/log", {**log, "case": "waits"})]


def _pictures(there: LivedIn) -> None:
    shop = there.office.shop
    sent = (("c9.jpg", made.jpeg()), ("rail.png", made.png()), ("plan.pdf", made.pdf()))
    kept = files.add(shop, "pictured", [(name, io.BytesIO(content)) for name, content in sent]).kept
    marked, removed, paper = (one.uid for one in kept)
    files.mark(shop, "pictured", marked, Mark(kind="circle", x=0.5, y=0.5, size=0.1))
    files.put_in_bin(shop, "pictured", removed)
    there.addresses += [f"/cases/pictured/photos/{one}" for one in (marked, removed, paper)]
    there.addresses += [f"/cases/pictured/files/{marked}{tail}" for tail in ("", "/small")]
    there.addresses += [f"/api/cases/pictured/files/{marked}{tail}" for tail in ("", "/content")]


def _run(shop: Shop, case: str | None, odd: dict[str, dict[str, str]] | None = None, **more: Any) -> str:
    """A test walked to its end, or to the first step that is wrong and stops it."""
    until = more.pop("until", None)
    uid = runs.start(shop, NewRun(family=BENCH, case_uid=case, **more))
    runs.acknowledge(shop, uid)
    values = bench_people.GOOD | (odd or {})
    while (number := runs.view(shop, uid).next_number) is not None:
        title = runs.view(shop, uid).step(number).step.title
        if title == until:
            break
        runs.enter(shop, uid, number, Typed(**values[title]), sure=True)
        if title in (odd or {}):
            break
    return uid


def _bench(there: LivedIn) -> None:
    shop = there.office.shop
    # A board whose steps are all known.
    assert bring(shop, bench_people.FAMILY.model_copy(update={"code": BENCH})).saved
    assert bring(shop, *(_open(uid, family=BENCH) for uid in ("bench-1", "bench-2", "bench-3"))).saved
    not_begun = runs.start(shop, NewRun(family=BENCH))
    blocked = _run(shop, "bench-1", {"Fuse T3.15A": {"answer": "OL"}})
    failed = _run(shop, "bench-2", {"5VSB in standby": {"value": "3.1"}})
    passed = _run(shop, "bench-3", after_repair=True)
    ended = _run(shop, None, label="left")
    runs.finish(shop, ended)
    begun = _run(shop, None, until="5VSB in standby")
    half = _run(shop, None, until="12V under test load")
    number = {place.step.title: place.number for place in runs.view(shop, half).steps}
    runs.leave_out(shop, half, number["12V ripple"], "no scope at hand")
    for uid in (not_begun, blocked, failed, passed, ended, begun, half):
        there.addresses += [f"/bench/{uid}", f"/bench/{uid}/sheet", f"/bench/{uid}/steps/1"]
    titles = ("Fuse T3.15A", "5VSB to ground", "12V ripple", "12V under test load", "Soak, 30 min")
    there.addresses += [
        f"/bench/{half}/steps/{number[title]}{again}" for title in titles for again in ("", "?again=1")
    ]
    there.addresses.append(f"/bench/{begun}/steps/{number['Enable through a resistor']}")
    there.addresses.append(f"/bench/{ended}/steps/{number['Soak, 30 min']}")
    there.addresses += [f"/loads/plan?run={half}", f"/loads/plan?run={half}&share=50"]
    there.addresses += [f"/bench/{half}/loads", f"/bench/{blocked}/steps/{number['Fuse T3.15A']}"]
    there.addresses.append(f"/bench/{half}/steps/{number['First energising, current limited']}?again=1")
    # A capacitor that is still charged, and a board of which nobody knows whether it is isolated.
    charged = _run(shop, None, {"Bulk capacitor discharged": {"value": "38"}})
    there.addresses += [f"/bench/{charged}/steps/{one}" for one in (1, number["5VSB in standby"])]
    # A rail of which its highest volts alone say nothing.
    unknown_yet = _run(shop, None, {"12V under test load": {"high": "12.1"}})
    there.addresses.append(f"/bench/{unknown_yet}/steps/{number['12V under test load']}")
    unknown = bench_people.FAMILY.model_copy(update={"code": "HB-10", "isolated": None})
    assert bring(shop, unknown).saved
    refused = runs.start(shop, NewRun(family="HB-10"))
    unread = runs.start(shop, NewRun(family="HB-10"))
    there.addresses += [f"/bench/{refused}", f"/bench/{unread}", "/bench/new?family=HB-10"]
    runs.acknowledge(shop, refused)
    there.addresses.append(f"/bench/{refused}/steps/{number['First energising, current limited']}")
    # A value that is hardly meant is asked about.
    asked = f"/bench/{begun}/steps/{number['5VSB in standby']}"
    there.sent.append(("work", asked, {"value": "5020", "seen": "0"}))
    step = {"run": half, "step": str(number["12V under test load"])}
    there.addresses.append(f"/helpers/log?run={half}&step={step['step']}")
    there.sent.append(("read", "/helpers/log", {**step, "text": "0;11.9\n1;12.0\n2;11.8"}))


def _reports(there: LivedIn) -> None:
    shop = there.office.shop
    words = {name: "In order." for name, _ in reports.PARAGRAPHS}
    there.addresses.append(f"/reports/{reports.keep(shop, 'closed', words, issue=True)}")
    reports.keep(shop, "closed", words, issue=False)
    tested = reports.keep(shop, "bench-3", words, issue=True)
    there.addresses += [f"/reports/{tested}", f"/reports/{tested}/readings"]


def _lists_and_changes(there: LivedIn) -> None:
    shop = there.office.shop
    twins = [a_family("TW-1", fuse="T2A"), a_family("TW-2", fuse="T4A"), a_family("OLD-1")]
    assert bring(shop, *twins, a_case("t1", family="TW-1")).saved
    bin.put(shop, "family", "OLD-1")
    assert bring(shop, a_family("GO-1")).saved
    brought, before = versions.what_changed(shop, limit=1, offset=0).batches[:2]
    undo_batch.undo_batch(shop, brought.id)
    there.addresses.append(f"/data/changes/{before.id}")
    load = loads.shelf(shop)[0].record.name
    there.addresses += [f"/loads?name={load}", f"/loads/history?name={load}"]


def _others(there: LivedIn) -> None:
    shop = there.office.shop
    assert bring(shop, origin(), their_case("u1"), their_case("u2")).saved
    assert bring(shop, origin(OTHERS, "Slipway bench"), their_case("v1", origin=OTHERS)).saved
    origins.withdraw(shop, OTHERS)


def _sheets(there: LivedIn) -> None:
    office = there.office
    for name in ("undone.csv", "in.csv", "refused.csv", "checked.csv", "begun.csv"):
        # One of them is longer than a page of its texts.
        rows = range(100, 160) if name == "checked.csv" else ()
        more = "".join(
            f"{row};17.04.14;18.04.14;HX-210;Hafenamt;dead, job {row};5;;i.O.;;10\r\n" for row in rows
        )
        book = harbour_book() + more.encode() + name.encode()
        sent = _do(office, "/data/sheet", files={"file": (name, book)})
        base = _through(office, sent).removesuffix("/columns")
        steps = ("columns", "values", "texts", "check", "undo", "result", "refused.csv")
        there.addresses += [f"{base}/{step}" for step in steps]
        there.addresses += [f"{base}/texts?start=50"] if rows else []
        if name == "begun.csv":
            continue
        for step in ("columns", "values"):
            form = Page(_see(office, f"{base}/{step}").text).form(f"{base}/{step}")
            if step == "values":
                form |= {key: "standby" for key, value in form.items() if value == "" and key.startswith("q")}
            _through(office, _do(office, f"{base}/{step}", data=form))
        _through(office, _do(office, f"{base}/texts", data={"read_texts": "yes"}))
        _through(office, _do(office, f"{base}/check"))
        if name == "refused.csv":
            # As if the book had changed since the check, so that a row no longer fits into it.
            place = sheets.state.folder(office.shop, base.rpartition("/")[2]) / sheets.checking.CASES
            place.write_bytes(place.read_bytes() + b"{}\n")
        if name != "checked.csv":
            run = {"keep_good": "yes", "mapping_name": "Job book"}
            _through(office, _do(office, f"{base}/run", data=run))
        if name == "undone.csv":
            _through(office, _do(office, f"{base}/undo"))
    there.sent.append(("work", "/data/import", {}))


def _share(there: LivedIn) -> None:
    office = there.office
    form = Page(_see(office, "/data/share").text).form("/data/share") | {"name": "Harbour bench"}
    for left in ({}, {"leave": "closed"}):
        form = Page(_do(office, "/data/share", data=form | left).text).form("/data/share")
        # Another page of the texts rests on what was looked through here.
        there.sent += [("administer", "/data/share", form | {"offset": offset}) for offset in ("0", "30")]
    there.addresses.append(f"/data/share/seen/{form['seen']}")


def _people(there: LivedIn) -> None:
    office = there.office
    for level in LEVELS:
        assert tokens.make(office.shop, office.visitor(level), "a counter", "read", "30")
    _, secret = people.add(office.shop, people.COMMAND_LINE, "apprentice", "read")
    there.addresses.append(f"/set-up/{secret}")
    there.addresses.append("/open/none")
    there.addresses += [f"/people/{office.ids['work']}", f"/people/{office.ids['administer']}"]
    there.sent.append(("administer", "/people", {"name": "bench 7", "level": "read"}))


def _jobs(there: LivedIn) -> None:
    """One of every state; the last two go on until the shop is closed."""
    jobs = there.office.shop.jobs

    def broken(job: Job) -> None:
        raise OSError("the stick was pulled out")

    over = [
        jobs.start("test", "Rebuild the shelf", lambda job: None),
        jobs.start("test", "Read the sheet", lambda job: None, answer_at="/data/sheet"),
        jobs.start("test", "Copy to the stick", broken),
    ]
    assert all(job.wait(STUCK_S) for job in over)
    begun = threading.Event()

    def waits(job: Job) -> None:
        begun.set()
        there.jobs_end.wait(STUCK_S)

    going = jobs.start("test", "Bring in a long list", waits, unit="rows", total=5000)
    last = jobs.start("test", "Undo a long list", lambda job: None)
    assert begun.wait(STUCK_S)
    there.addresses += [f"/jobs/{job.id}" for job in (*over, going, last)]
    there.addresses.append(f"/jobs/{going.id}/state")


def _see(office: Office, path: str) -> httpx.Response:
    return office.as_("administer", "GET", path)


def _do(office: Office, path: str, **sent: Any) -> httpx.Response:
    return office.as_("administer", "POST", path, **sent)


def _through(office: Office, answer: httpx.Response) -> str:
    """Where a step leads, its work waited for."""
    assert answer.status_code == 303, Page(answer.text).words
    place = str(answer.headers["location"])
    if not place.startswith("/jobs/"):
        return place
    job = office.shop.jobs.get(place.rpartition("/")[2])
    assert job.wait(STUCK_S)
    assert job.state == "done", (job.trouble, job.remedy)
    return job.answer_at
