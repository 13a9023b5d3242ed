"""Records and throw-away shops for tests.

Every store a test works on is made by `fresh_shop` or `shop_in` below. Neither ever opens a store that
exists already, so no test can reach a technician's records whatever the environment says.
"""

from __future__ import annotations

import atexit
import itertools
import json
import shutil
import tempfile
from collections.abc import Callable, Iterable
from contextlib import nullcontext
from datetime import date
from functools import cache
from pathlib import Path
from typing import Any

from commands import STUCK_S
from databases import PLACES
from memory_stores import fill_file, filled, filled_at_once

from kb import assets
from kb.config import Settings
from kb.exchange import lines as exchange
from kb.model import Attempt, CaseRecord, FamilyRecord, NotedSymptom, Rail, Reading, as_dict
from kb.service import Shop
from kb.service.boards import pictures
from kb.service.transfer import json_lines
from kb.service.transfer.json_lines import ImportReport

# One fixed day for all tests: the day after the last one of the demo store.
TODAY = date(2026, 11, 1)
_NUMBERS = itertools.count(1)


def settings_in(folder: Path, **changed: Any) -> Settings:
    """Settings that name every place themselves, so that nothing is taken from the environment.

    The same folder has the same database, on whichever kind the tests run.
    """
    return _settings(folder, PLACES.of(folder), **changed)


def _settings(folder: Path, address: str, **changed: Any) -> Settings:
    return Settings(
        **{
            "data": folder,
            "database_url": address,
            "files": "",
            "shop_name": "",
            "warranty_days": 365,
            **changed,
        }
    )


@cache
def _scratch() -> Path:
    """A folder for what a shop in memory puts aside meanwhile; gone with the process."""
    folder = Path(tempfile.mkdtemp(prefix="kb-scratch-"))
    atexit.register(shutil.rmtree, folder, ignore_errors=True)
    return folder


def fresh_shop(*, content: bytes | None = None, **changed: Any) -> Shop:
    """A shop that leaves nothing behind."""
    settings = _settings(_scratch() / f"shop-{next(_NUMBERS)}", "", **changed)
    address = PLACES.in_memory()
    with filled_at_once(content) if address == "sqlite://" else nullcontext():
        return _patient(Shop.in_memory(settings, today=lambda: TODAY, address=address))


def filled_shop(name: str, fill: Callable[[Shop], None]) -> Shop:
    """A fresh shop as `fill` leaves it. In SQLite only the first of a name is filled; the others are its copies."""
    if PLACES.server is None:
        return filled(name, lambda content: fresh_shop(content=content), fill)
    shop = fresh_shop()
    fill(shop)
    return shop


def _patient(shop: Shop) -> Shop:
    """Lets its pages wait for their work to end, however busy the machine is."""
    shop.jobs.patience_s = STUCK_S
    return shop


def shop_in(folder: Path) -> Shop:
    """A shop on disk in a folder that holds no store yet. Raises RuntimeError where there is one."""
    is_known = PLACES.holds(folder)
    settings = settings_in(folder)
    if settings.store_file.exists() or is_known:
        raise RuntimeError(f"{settings.store_file} was not made by this test and is left alone.")
    if not settings.store_url:
        fill_file(settings.store_file)
    return _patient(Shop.open(settings, today=lambda: TODAY))


def a_family(code: str = "GL-31", **changed: Any) -> FamilyRecord:
    """A family with a standby and a switched rail."""
    return FamilyRecord(
        **{
            "code": code,
            "kind": "power supply",
            "rails": [
                Rail(name="5VSB", role="standby", nominal_v=5.0, tolerance_pct=5.0, always_on=True),
                Rail(name="24V", role="backlight", nominal_v=24.0, tolerance_pct=8.0),
            ],
            **changed,
        }
    )


def a_case(uid: str | None = None, family: str = "GL-31", **changed: Any) -> CaseRecord:
    """A repaired case with one symptom, one reading and one attempt that cured it."""
    return CaseRecord(
        **{
            "uid": uid,
            "family": family,
            "received": date(2026, 3, 2),
            "closed": date(2026, 3, 5),
            "verdict": "repaired",
            "complaint": "stays dark, relay ticks twice",
            "symptoms": [NotedSymptom(name="relay clicks repeatedly")],
            "readings": [Reading(rail="5VSB", supply="standby", value=4.2)],
            "attempts": [
                Attempt(
                    part="C9",
                    part_class="electrolytic capacitor",
                    section="standby output",
                    failure="high ESR",
                    result="cured",
                    cost=1.2,
                    minutes=20,
                )
            ],
            **changed,
        }
    )


def case_json(uid: Any = None, **changed: Any) -> dict[str, Any]:
    """The same case as a JSON object of the exchange format; None takes a field away."""
    data = {**as_dict(a_case()), "uid": uid, **changed}
    return {name: value for name, value in data.items() if value is not None}


def encoded(records: Iterable[Any]) -> list[bytes]:
    """Lines of an import file: records, objects or raw bytes."""
    found = []
    for record in records:
        if isinstance(record, bytes):
            found.append(record + b"\n")
        elif isinstance(record, dict):
            found.append(json.dumps(record, ensure_ascii=False).encode() + b"\n")
        else:
            found.append(exchange.write(record).encode())
    return found


def bring(shop: Shop, *records: Any, **options: Any) -> ImportReport:
    """Imports records, objects or raw lines."""
    return json_lines.bring_in(shop, encoded(records), **options)


def exported(shop: Shop) -> str:
    """The whole store as `kb export` writes it."""
    return "".join(json_lines.export_lines(shop))


def demo_lines(every: int = 1) -> list[bytes]:
    """The lines of the demo store; of its cases one in `every`."""
    lines = (assets.folder("seed_data") / "demo.jsonl").read_bytes().splitlines(keepends=True)
    numbers = itertools.count()
    return [line for line in lines if b'"record":"case"' not in line or next(numbers) % every == 0]


def demo_board_lines() -> list[bytes]:
    """The records of the pictures of the demo's boards."""
    return (assets.folder("seed_data") / "boards" / "boards.jsonl").read_bytes().splitlines(keepends=True)


def demo_boards(shop: Shop) -> None:
    """Gives a shop that holds the demo the pictures of its boards."""
    pictures.lay_in(shop, sorted((assets.folder("seed_data") / "boards").glob("*.webp")))
    assert json_lines.bring_in(shop, demo_board_lines()).saved


def _bring_demo(shop: Shop) -> None:
    assert json_lines.bring_in(shop, demo_lines()).saved


def demo_shop() -> Shop:
    """A shop in memory holding the demo."""
    return filled_shop("demo", _bring_demo)
