"""A person at the bench for tests: walks a sequence over HTTP and types what a board's meter would show."""

from __future__ import annotations

import re
from datetime import date
from pathlib import Path

import httpx
from memory_stores import filled, filled_at_once

from kb.config import Settings
from kb.model import CaseRecord, Connector, Enable, FamilyRecord, LoadRecord, NotedSymptom, Rail
from kb.service import Shop
from kb.service.bench import loads, runs
from kb.service.boards import families
from kb.service.cases import cases
from kb.web.app import create_app

TODAY = date(2026, 11, 25)
FAMILY = FamilyRecord(
    code="HX-210",
    kind="power supply",
    mains_v=230.0,
    bulk_v=385.0,
    bulk_uf=120.0,
    fuse="T3.15A",
    isolated=True,
    switch="MOSFET",
    rails=[
        Rail(
            name="5VSB",
            role="standby",
            nominal_v=5.0,
            tolerance_pct=5.0,
            rated_a=1.0,
            ripple_mv=50.0,
            always_on=True,
            connector="CN2",
            pins=[4, 5],
            ground_pins=[1, 2],
        ),
        Rail(
            name="12V",
            role="intermediate",
            nominal_v=12.0,
            tolerance_pct=5.0,
            rated_a=3.0,
            ripple_mv=120.0,
            connector="CN2",
            pins=[6, 7],
            ground_pins=[8, 9],
        ),
        Rail(name="BULK", role="bulk", nominal_v=385.0, always_on=True),
    ],
    connectors=[Connector(name="CN2", pins=10, rows=2)],
    enable=Enable(connector="CN2", pin=3, from_rail="5VSB", active="high", resistor_ohm=1000.0),
)
LAMP = LoadRecord(name="lamp 21 W", kind="lamp", points=[[6.0, 1.2], [12.0, 1.75]], max_w=25.0, count=4)
RESISTOR = LoadRecord(name="10 ohm 50 W", kind="resistor", ohm=10.0, max_w=50.0, count=4)

# What a good board shows, by the title of the step.
GOOD: dict[str, dict[str, str]] = {
    "Bulk capacitor discharged": {"value": "0.3"},
    "Fuse T3.15A": {"value": "0.2"},
    "Mains rectifier, forward": {"low": "0.48", "high": "0.52"},
    "Mains rectifier, reverse": {"answer": "OL"},
    "Main switch, forward": {"value": "0.5"},
    "Main switch, reverse": {"answer": "OL"},
    "5VSB to ground": {"value": "450"},
    "12V to ground": {"value": "1k2"},
    "First energising, current limited": {"answer": "dark"},
    "5VSB in standby": {"value": "5.05"},
    "Enable through a resistor": {"answer": "yes"},
    "12V unloaded": {"value": "12.1", "low": "12.0", "high": "12.2"},
    "5VSB under test load": {"value": "5.0", "load": "0.5"},
    "12V under test load": {"value": "11.9", "load": "1.5"},
    "5VSB ripple": {"value": "20 mV"},
    "12V ripple": {"value": "60 mV"},
    "5 cold starts": {"value": "11.9"},
    "Soak, 30 min": {"value": "11.9", "low": "11.8", "high": "12.0", "held": "30 min"},
    "12V ripple, warm": {"value": "62 mV"},
}


def new_shop(folder: Path) -> Shop:
    """A shop with one family, two kinds of load and a fixed day."""
    settings = Settings(data=folder, shop_name="Harbour bench")

    def opened(content: bytes | None) -> Shop:
        with filled_at_once(content):
            return Shop.in_memory(settings, today=lambda: TODAY)

    return filled("a bench", opened, _lay_out)


def _lay_out(shop: Shop) -> None:
    families.save(shop, FAMILY)
    for record in (LAMP, RESISTOR):
        loads.save(shop, record)


def add_case(shop: Shop, uid: str = "case-1") -> str:
    """A board that came in with a complaint and one symptom."""
    record = CaseRecord(
        uid=uid,
        family="HX-210",
        received=date(2026, 11, 20),
        complaint="stays dark, relay ticks twice",
        symptoms=[NotedSymptom(name="relay clicks repeatedly")],
    )
    cases.save(shop, record)
    return uid


def client(shop: Shop) -> httpx.AsyncClient:
    """A browser of a kind, on this machine."""
    return httpx.AsyncClient(transport=httpx.ASGITransport(app=create_app(shop)), base_url="http://127.0.0.1")


async def begin(person: httpx.AsyncClient, **fields: str) -> str:
    """Sets a test up and reads the cautions; answers the run's uid."""
    sent = {"family": "HX-210", "phase": "before", "soak": "30", **fields}
    answer = await person.post("/bench", data=sent)
    assert answer.status_code == 303, answer.text
    uid = answer.headers["location"].removeprefix("/bench/")
    answer = await person.post(f"/bench/{uid}/cautions")
    assert answer.status_code == 303
    return uid


def number_of(shop: Shop, uid: str, title: str) -> int:
    """The number of a step by its title."""
    return next(one.number for one in runs.view(shop, uid).steps if one.step.title == title)


async def measure(
    person: httpx.AsyncClient, shop: Shop, uid: str, title: str, **fields: str
) -> httpx.Response:
    """Types something at a step."""
    place = runs.view(shop, uid).step(number_of(shop, uid, title))
    return await person.post(
        f"/bench/{uid}/steps/{place.number}", data={"seen": str(len(place.entries)), **fields}
    )


async def walk(
    person: httpx.AsyncClient,
    shop: Shop,
    uid: str,
    until: str | None = None,
    **odd: dict[str, str],
) -> None:
    """Goes on step after step with a good board's values (`odd` by step title with `_` for blanks instead)."""
    other = {re.sub("_", " ", title): fields for title, fields in odd.items()}
    for _ in range(60):
        view = runs.view(shop, uid)
        if view.next_number is None:
            return
        title = view.step(view.next_number).step.title
        if title == until:
            return
        answer = await measure(person, shop, uid, title, **other.get(title, GOOD[title]))
        assert answer.status_code == 303, (title, answer.text)
    raise AssertionError("the sequence has no end")
