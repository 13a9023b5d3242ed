"""A shop after years of work: every kind of record in every state that a page shows differently."""

from __future__ import annotations

import io
import threading
from dataclasses import dataclass, field
from datetime import date
from decimal import Decimal
from pathlib import Path
from typing import Any

import bench_people
import httpx
import pictures_made as made
import pyotp
import pytest
import tiers
from commands import STUCK_S
from factories import a_case, a_family, bring, case_json, demo_boards, demo_lines, shop_in
from other_shops import OTHERS, origin, their_case
from pretend_instrument import Pretend
from sheet_files import harbour_book
from signed_in import PASSWORD, Office
from web_client import Client, Page

from kb.instruments.logs import About
from kb.instruments.registry import checked
from kb.instruments.responses import Measured
from kb.model import (
    Attempt,
    Instead,
    Mark,
    PinValue,
    Quote,
    Revision,
    ShelfPartRecord,
    Tip,
    UsedAt,
    UsedIn,
)
from kb.model.people import LEVELS
from kb.service import Shop, sheets
from kb.service.accounts import people, second_factor, tokens
from kb.service.bench import loads, metering, reports, runs
from kb.service.bench.runs import NewRun, Typed
from kb.service.boards import notes, pictures
from kb.service.cases import cases, files
from kb.service.history import bin, undo_batch, versions
from kb.service.operate import backups
from kb.service.operate.certificates import LocalAuthority
from kb.service.parts import shelf
from kb.service.shop.jobs import Job
from kb.service.transfer import json_lines, origins, shared_pictures
from kb.store.engine.watch import Away
from kb.web.network import BesideThisMachine
from kb.web.reach import Reach

BENCH = "HB-9"
# Addresses that are known beforehand; those with a number of their own are noted as they come about.
BUSY = """
/waiting /waiting/key /sw.js
/account /people /people/audit /sign-in /help /help/running /metrics /figures /figures.csv /track-record /data/nothing
/search?q=relay /search?q=zzzyx /complete/anything?q=re /diagnose?family=HX-210&text=relay+ticks&price=200
/diagnose/ranking?family=HX-210 /diagnose?case=waits /cases/both
/cases?show=binned /cases?show=waiting /cases/new?family=HX-210 /cases/new?like=u1 /cases/pictured?saved=new
/cases/u1 /cases/u1/history /cases/v1 /cases/closed/report /cases/bench-3/report /cases/waits/report
/cases/closed/label.svg
/families?q=nothing-like-it /families/NEW-1 /families/NEW-1/edit /families/TW-1 /families/TW-1/history
/families/OLD-1/history /families/GO-1/history /families/HX-210/good-boards /families/NEW-1/good-boards
/diagnose?text=dead,+fuse+blown,+bridge+shorted&price=120
/shelf /shelf?q=low+esr /shelf?q=nothing-like-it /shelf?show=short /shelf?case=shelf-1 /shelf/new /shelf.csv
/shelf/part?name=at+hand /shelf/part?name=better&saved=accepted /shelf/part?name=short
/shelf/part/history?name=short /shelf/part/history?name=short&restore=1 /api/shelf /api/order-list
/order-list /order-list.csv /cases/quoted/quote?replacement=200 /families/SH-1 /families/SH-1/edit
/families/SH-1/notes /families/SH-1/notes?place=step&name=Fuse /families/NEW-1/notes /families/SH-1/good-boards
/diagnose?case=shelf-2&price=120 /diagnose?family=SH-1&text=dead
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
/api/cases/pictured/files /instruments /instruments?change=bench+meter /api/instruments
/connect /connect?changed=open /connect/board-fault-book.crt /app.webmanifest
"""
BARE = """
/connect /connect?changed=closed
/search?q=relay /cases?show=open /families /bench /loads /diagnose /figures /sign-in
/shelf /order-list /shelf?show=short /instruments
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
    """The demo store, in the quick tier with few of its cases, with all of that added to it, and somebody of
    every level."""
    shop = shop_in(folder)
    assert json_lines.bring_in(shop, demo_lines(1 if tiers.IS_LONG else 25)).saved
    return live_in(shop)


def live_in(shop: Shop, *, share: bool = True) -> LivedIn:
    """The same on top of a store that holds the demo's families already, of any size.

    To `share`, all its cases are looked through.
    """
    there = LivedIn(Office(shop=shop, bare=True), Client(shop), BUSY.split())
    for tell in (
        _cases,
        _shelf,
        _pictures,
        _boards,
        _instruments,
        _bench,
        _reports,
        _lists_and_changes,
        _others,
        _sheets,
        _share,
        _people,
        _network,
    ):
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
    for app in (there.office.app, there.bench.app):
        app.state.network = BesideThisMachine(shop, lambda _: None, 8766)  # nobody is let in
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
        a_case("tells", complaint="no sound, hums loudly"),
    ).saved
    cases.save(shop, cases.stored(shop, "closed").record.model_copy(update={"notes": "fan cleaned, dust"}))
    cases.put_in_bin(shop, "binned")
    there.addresses.append("/cases/new?like=tells")  # what its complaint says is read and not noted yet
    for uid in ("waits", "pictured", "closed", "binned"):
        tails = ("", "/edit", "/photos", "/label", "/history", "/history?restore=1")
        there.addresses += [f"/cases/{uid}{tail}" for tail in tails]
    # Saved by somebody else meanwhile: the page that asks which of the two shall stay.
    stale = {"family": "GL-31", "version": "1", "notes": "brushed", "save": "yes"}
    there.sent.append(("work", "/cases/closed", stale))
    log = {"text": "0;4.98\n1;4.97\n2;4.99", "rail": "5VSB", "supply": "running", "load": "none"}
    there.sent += [("read", "/helpers/log", log), ("read", "/helpers/log", {**log, "case": "waits"})]


def _shelf(there: LivedIn) -> None:
    """Parts with every answer to whether one may stand in, a fix that took one and one that may, quotes, notes."""
    shop = there.office.shop
    part = {
        "part_class": "electrolytic capacitor",
        "kind": "low ESR",
        "value": 0.001,
        "unit": "F",
        "max_c": 105.0,
    }
    esr = {**part, "esr_ohm": 0.03}
    instead = [Instead(part="at hand", rule="rated higher")]
    places = [UsedAt(family="SH-1", part=name) for name in ("C9", "C10")]
    fix = {"part_class": "electrolytic capacitor", "section": "standby output"}
    tried = [Attempt.model_validate({"part": name, **fix}) for name in ("C9", "C10")]
    tips = [
        {"place": "part", "name": "C9", "text": "Looks new and is dry.", "who": "the night shift"},
        {"place": "board", "text": "A screw hides under the label."},
        {"place": "rail", "name": "5VSB", "text": "Needs a load."},
    ]
    good = PinValue(connector="CN2", pin=3, ohm_red=4700.0, open=["diode_v_red"])
    bad = PinValue(connector="CN2", pin=3, ohm_red=12.0, diode_v_red=0.4)
    offered, late = date(2026, 10, 1), date(2026, 10, 5)
    still_open = Quote(date=offered, ceiling=80.0, covers="All of it.", valid_until=late)
    answered = Quote(date=date(2026, 3, 1), price=80.0, accepted=date(2026, 3, 2))
    parts = [
        {
            "name": "at hand",
            **esr,
            "max_v": 25.0,
            "count": 4,
            "place": "drawer 3",
            "price": 0.35,
            "used_at": places,
        },
        {"name": "better", **esr, "max_v": 35.0, "count": 2, "instead_of": instead},
        {"name": "as good", **esr, "max_v": 25.0, "count": 2},
        {"name": "unknown", **part, "max_v": 25.0, "count": 1},
        {"name": "too low", **esr, "max_v": 16.0, "count": 9},
        {"name": "short", "part_class": "fuse", "count": 1, "least": 5},
    ]
    assert bring(
        shop,
        a_family(
            "SH-1",
            tips=[Tip.model_validate(tip) for tip in tips],
            revisions=[Revision(name="B", differs="C9 is 1000 µF")],
            used_in=[UsedIn(brand="Norvik", device="FD-32")],
            pin_values=[good],
        ),
        *(ShelfPartRecord.model_validate(one) for one in parts),
        a_case("shelf-1", "SH-1", verdict=None, closed=None, attempts=tried, pin_values=[bad]),
        a_case("shelf-2", "SH-1", verdict=None, closed=None, attempts=[]),
        a_case("quoted", "SH-1", verdict=None, closed=None, quote=still_open),
        a_case("accepted", "SH-1", quote=answered),
    ).saved
    shelf.take(shop, "shelf-1", "at hand", attempt=shelf.named(tried[0]))
    record = shelf.find(shop, "short")[0]
    shelf.save(shop, record.model_copy(update={"place": "drawer 4"}))
    tails = ("", "/quote", "/beside", "/edit")
    there.addresses += [
        f"/cases/{uid}{tail}" for uid in ("shelf-1", "shelf-2", "quoted", "accepted") for tail in tails
    ]
    there.sent += [
        ("work", "/cases/shelf-1/take", {"part": "at hand", "section": "", "count": "2"}),
        ("work", "/cases/shelf-1/quote", {"version": "1", "price": "none"}),
        ("work", "/shelf/part/accept?name=at hand", {"of": "unknown"}),
        ("work", "/shelf", {"name": "", "count": "x"}),
        ("work", "/families/SH-1/tips", {"place": "part", "text": ""}),
        ("work", "/families/SH-1/pins", {"pins": "nonsense", "version": "1"}),
    ]


def _pictures(there: LivedIn) -> None:
    shop = there.office.shop
    sent = (("c9.jpg", made.jpeg()), ("rail.png", made.png()), ("plan.pdf", made.pdf()))
    kept = files.add(shop, "pictured", [(name, io.BytesIO(content)) for name, content in sent]).kept
    marked, removed, paper = (one.uid for one in kept)
    # One document is on the family, another one could be.
    notes.attach(shop, "GL-31", paper)
    files.add(shop, "waits", [("sheet.pdf", io.BytesIO(made.pdf()))])
    there.addresses.append("/families/GL-31/notes")
    there.sent.append(("work", "/families/GL-31/documents", {"file": "no such"}))
    files.mark(shop, "pictured", marked, Mark(kind="circle", x=0.5, y=0.5, size=0.1))
    files.put_in_bin(shop, "pictured", removed)
    there.addresses += [f"/cases/pictured/photos/{one}" for one in (marked, removed, paper)]
    there.addresses += [f"/cases/pictured/files/{marked}{tail}" for tail in ("", "/small")]
    there.addresses += [f"/api/cases/pictured/files/{marked}{tail}" for tail in ("", "/content")]


def _boards(there: LivedIn) -> None:
    """Pictures of boards: pinned, without anything on it, replaced, in the bin, and one whose bytes are missing."""
    shop = there.office.shop
    demo_boards(shop)
    pinned = pictures.of_family(shop, "HX-210").used[0].record
    path = f"/pictures/{pinned.uid}"
    there.addresses += [
        "/families/HX-210/pictures",
        "/families/HX-210/pictures?find=C9",
        "/families/GL-31/pictures",
    ]
    there.addresses += [
        "/families/HX-210/pictures?find=C999",
        f"{path}?at=C9",
        f"{path}?red=CN2+pin+4&black=C999",
    ]
    there.addresses += [
        f"{path}{tail}" for tail in ("", "/corners", "/pins", "/history", "/history?restore=1")
    ]
    there.addresses += [f"{path}/{tail}" for tail in ("content", "whole", "small", "piece/4/1/1")]
    there.addresses += ["/api/families/HX-210/pictures", f"/api{path}", f"/api{path}/content"]
    sent = [io.BytesIO(made.saved(made.marked(60 + more, 40), "JPEG")) for more in range(3)]
    bare, old, thrown = (pictures.add(shop, "NEW-1", "board.jpg", one).record for one in sent)
    pictures.save(shop, bare, expected_version=1, replaces=old.uid)
    bin.put(shop, "picture", thrown.uid)
    there.addresses += ["/families/NEW-1/pictures", f"/pictures/{old.uid}", f"/pictures/{bare.uid}/pins"]
    there.addresses += [f"/pictures/{bare.uid}/corners?replaces={old.uid}", f"/pictures/{thrown.uid}/history"]
    there.addresses.append(f"/pictures/{bare.uid}/join?old={old.uid}")
    elsewhere = {"record": "picture", "uid": "elsewhere", "family": "NEW-1", "sha256": "ab" * 32}
    assert bring(shop, {**elsewhere, "side": "solder side", "width_px": 80, "height_px": 60}).saved
    there.addresses.append("/pictures/elsewhere")
    there.sent.append(("work", path, {"version": "1", "side": "component side", "pins": "C9"}))
    there.sent.append(
        ("work", f"/pictures/{bare.uid}/join", {"old": old.uid, "points": "1 1", "onto": "2 2"})
    )
    # Cases of this family name parts that its picture does not show yet.
    begun = pictures.add(shop, "QK-118", "board.jpg", io.BytesIO(made.saved(made.marked(90, 60), "JPEG")))
    there.addresses.append(f"/pictures/{begun.record.uid}/pins")
    # A closed case with a photograph, of a family without a picture.
    assert bring(shop, a_family("PH-1"), a_case("shown", family="PH-1")).saved
    (photo,) = files.add(shop, "shown", [("c9.jpg", io.BytesIO(made.jpeg()))]).kept
    there.addresses += ["/cases/shown", f"/cases/shown/photos/{photo.uid}"]


def _instruments(there: LivedIn) -> None:
    """A meter of this machine that answers, one that another computer sends from, a log that ended."""
    desk = there.office.shop.instruments
    desk._open_link = Pretend().open
    desk.save(
        checked("bench meter", "TCPIP0::192.168.7.40::5025::SOCKET", "meter", "dc_v", "measure", "9600")
    )
    desk.save(checked("bench supply", "ASRL3::INSTR", "supply", "dc_v", "measure", "9600"))
    _send_volts(there, "first")
    log = desk.begin_log("quay meter", About("12V of GL-31", case="waits", family="GL-31", rail="5VSB"))
    _send_volts(there, "second")
    desk.end_log(log.id)
    there.addresses.append(f"/instruments/log/{log.id}")
    there.sent += [
        ("administer", "/instruments/find", {}),
        ("administer", "/instruments", {"name": "", "kind": "meter"}),
        ("work", "/instruments/look", {"name": "bench meter"}),
        ("work", "/instruments/look", {"name": "bench supply"}),
        ("work", "/instruments/log", {"instrument": "bench meter", "case": "waits", "rail": "none such"}),
    ]


def _send_volts(there: LivedIn, key: str) -> None:
    volts = [(float(number), "dc_v", Measured("value", Decimal("11.9"))) for number in range(3)]
    assert there.office.shop.instruments.receive("quay meter", "night shift", key, 3.0, volts)


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
    loaded = runs.view(shop, half).step(number["12V under test load"])
    log = shop.instruments.begin_log("quay meter", metering.about(runs.view(shop, half), loaded))
    _send_volts(there, "third")
    there.addresses.append(f"/instruments/log/{log.id}")
    there.sent.append(("work", f"{asked}/take", {"instrument": "bench meter"}))
    there.sent.append(("work", f"/bench/{half}/steps/{loaded.number}/log", {"instrument": "quay meter"}))
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


class LetIn(BesideThisMachine):
    """A network that is reached, without a socket."""

    def reach(self) -> Reach:
        made = LocalAuthority(self._shop.settings.tls_folder).provide(["bench"], ["192.168.7.20"])
        return Reach(
            ("https://192.168.7.20:8766", "https://bench:8766"),
            "http://192.168.7.20:8767/",
            made.authority,
            made.fingerprint,
            made.good_until,
            ("The clock of this machine is behind.",),
        )


def _network(there: LivedIn) -> None:
    """Other devices let in, and photographs that a phone has shared."""
    shop = there.office.shop
    for app in (there.office.app, there.bench.app):
        app.state.network = LetIn(shop, lambda _: None, 8766)
        app.state.network.trouble = "Port 8766 is taken."
    for owner in (there.office.ids["work"], there.office.ids["administer"], 0):
        sent = [("c9.jpg", io.BytesIO(made.jpeg())), ("note.txt", io.BytesIO(b"no picture"))]
        share = shared_pictures.take(shop, owner, sent)
        there.addresses += [f"/shared/{share.id}?left=1", f"/shared/{share.id}/0"]


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
            place = sheets.state.folder(office.shop, base.rpartition("/")[2]) / sheets.dry_run.CASES
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
    # Who reads or works is adding a second factor; who administers has one, and so has somebody at the door.
    for level in ("read", "work"):
        code = pyotp.TOTP(second_factor.begin(office.shop, office.visitor(level))).at(int(office.now))
        # Turned on it offers more on the account page, which is shown again with what could not be taken.
        there.sent.append((level, "/account/code/confirm", {"code": code}))
        there.sent.append((level, "/account/password", {"old": "x", "new": "y", "again": "z"}))
    night, _ = people.add(office.shop, people.COMMAND_LINE, "night watch", "read", PASSWORD)
    with office.shop.write() as session:
        for person_id in (night.id, office.ids["administer"]):
            people.records.change(session, person_id, totp_secret="A" * 32, totp_added_at=1)
    there.addresses += ["/account/code", "/account/code.svg", "/account/prove"]
    there.sent.append(("", "/sign-in", {"name": "night watch", "password": PASSWORD}))
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
