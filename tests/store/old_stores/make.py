"""Makes a store with the code of an earlier commit; README.md beside this says how it is run.

    python make.py RECORDS SQL JSONL

writes the store as an SQL dump and, as that code exports it, as JSON Lines. It uses only what the code of
the first commit had, and whatever later code has besides.
"""

from __future__ import annotations

import hashlib
import inspect
import json
import sqlite3
import sys
import tempfile
from contextlib import closing
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Any

from sqlalchemy import JSON, insert, select

from kb.exchange import lines
from kb.model import CaseRecord, FamilyRecord
from kb.store import Store
from kb.store.records import cases, changes, families, lists
from kb.store.tables.core import Table

PHOTO = b"not really a photograph"
WORDS = {"level": "administer", "scope": "read", "event": "backup made"}


def writing(store: Store) -> Any:
    """A transaction, under a name where the code knows names."""
    if not hasattr(store, "writing"):
        return store.write("bench 1")
    return store.writing("bench 1") if inspect.signature(store.writing).parameters else store.writing()


def fill(store: Store, records: Path) -> None:
    with writing(store) as session:
        if hasattr(changes, "begin_batch"):
            changes.begin_batch(session, "import", "records.jsonl")
        with records.open("rb") as file:
            for _, record in lines.read(file):
                if isinstance(record, FamilyRecord):
                    families.save(session, record)
                elif isinstance(record, CaseRecord):
                    cases.Writer(session).write([with_news(record)])
                else:
                    lists.save(session, record)
        if hasattr(changes, "end_batch"):
            changes.end_batch(session, {"added": 9})
    with writing(store) as session:
        old = cases.get(session, "old-2").record
        cases.Writer(session).write([old.model_copy(update={"notes": "seen again"})], expected_version=1)
        family = families.get(session, "WB-7").record
        families.save(session, family.model_copy(update={"notes": "two of them"}))
        put_in_bin(session)


def put_in_bin(session: Any) -> None:
    try:
        from kb.store.records import bins
    except ImportError:
        cases.set_binned(session, "old-3", binned=True)
    else:
        bins.put(session, "case", "old-3")


def with_news(record: CaseRecord) -> CaseRecord:
    """An open case with what later schemas know of it."""
    news: dict[str, object] = {"worker": "bench 1", "waiting_for": "parts", "waiting_since": "2026-04-03"}
    news |= {"device": "ticket machine", "serial": "TM-0042", "year_made": 2019}
    news |= {
        "quote": {"date": "2026-04-03", "ceiling": 60.0, "covers": "the supply", "valid_until": "2026-05-03"}
    }
    known = {name: value for name, value in news.items() if name in CaseRecord.model_fields}
    if record.uid != "old-2" or not known:
        return record
    return CaseRecord.model_validate({**json.loads(lines.write(record)), **known})


def fill_bench(store: Store) -> None:
    """A test run with an entry, and a report, where the code knows them."""
    try:
        from kb.store.records import bench_runs
    except ImportError:
        return
    with writing(store) as session:
        values = {
            "label": "",
            "after_repair": False,
            "soak_s": 600.0,
            "loads": {"24V": {"amps": 1.0, "what": "lamp 21 W filament"}},
            "left_out": {"2": "no fuse"},
            "family": json.loads(lines.write(families.get(session, "GL-31").record)),
            "verdict": {},
        }
        uid = bench_runs.add(session, family="GL-31", case_uid="old-1", values=values)
        run = bench_runs.get(session, uid)
        bench_runs.note_cautions_read(session, run.id)
        bench_runs.enter(
            session, run.id, {"step": "fuse", "value": 0.3, "written": "0.3", "open": False, "done": False}
        )
        bench_runs.write_report(session, "old-1", {"asked": "Stays dark."}, issue=True)


def fill_files(store: Store) -> None:
    """A photograph of a case, where the code knows them; its bytes are those of PHOTO."""
    try:
        from kb.store.records import files
    except ImportError:
        return
    with writing(store) as session:
        content = files.Content(hashlib.sha256(PHOTO).hexdigest(), "image/jpeg", len(PHOTO), 40, 30)
        files.add(session, "old-1", content, "board.jpg", "as it came in")


def fill_pictures(store: Store) -> None:
    """A picture of a board with what is where on it, where the code knows them."""
    try:
        from kb.model import PictureRecord
        from kb.store.records import pictures
        from kb.store.records.files import Content
    except ImportError:
        return
    content = Content(hashlib.sha256(PHOTO).hexdigest(), "image/jpeg", len(PHOTO), 40, 30)
    given = {
        "uid": "old-picture",
        "family": "GL-31",
        "sha256": content.content,
        "width_px": 40,
        "height_px": 30,
        "pins": [
            {"kind": "part", "label": "C9", "x": 0.25, "y": 0.5},
            {"kind": "connector", "label": "CN2", "x": 0.1, "y": 0.9, "to_x": 0.4, "to_y": 0.9, "pins": 4},
            {"kind": "hot side", "outline": [[0.5, 0.0], [1.0, 0.0], [1.0, 1.0]]},
        ],
    }
    with writing(store) as session:
        pictures.save(session, PictureRecord.model_validate(given), content=content)


def fill_shelf(store: Store) -> None:
    """A part on the shelf and a tip of a family, where the code knows them."""
    try:
        from kb.model import ShelfPartRecord
    except ImportError:
        return
    part = {"name": "1000 uF 16 V", "part_class": "electrolytic capacitor", "value": 0.001, "unit": "F"}
    tip = {"place": "board", "text": "load it first", "who": "bench 1", "date": "2026-04-03"}
    with writing(store) as session:
        given = {**part, "max_v": 16.0, "count": 12, "least": 4, "place": "drawer 3", "price": 0.4}
        lists.save(session, ShelfPartRecord.model_validate(given))
        family = json.loads(lines.write(families.get(session, "WB-7").record))
        families.save(session, FamilyRecord.model_validate({**family, "tips": [tip]}))


def fill_rest(store: Store) -> None:
    """A row in every table that is still empty, by the definitions of that code: accounts and the like."""
    with writing(store) as session:
        for table in Table.metadata.sorted_tables:
            if session.execute(select(table).limit(1)).first() is None:
                session.execute(
                    insert(table), {column.name: value_for(session, column) for column in needed(table)}
                )


def needed(table: Any) -> list[Any]:
    """The columns that a row cannot do without."""
    return [
        column
        for column in table.columns
        if not column.nullable and column.server_default is None and column is not table.autoincrement_column
    ]


def value_for(session: Any, column: Any) -> Any:
    """Something that fits: the key of an owner that is there, or a word or number of its type."""
    for link in column.foreign_keys:
        return session.scalar(select(link.column).limit(1))
    if column.name in WORDS:
        return WORDS[column.name]
    if isinstance(column.type, JSON):
        return {}
    kind = getattr(column.type, "impl", column.type).python_type
    if kind in (datetime, date):
        return datetime(2026, 4, 3, 12, tzinfo=UTC) if kind is datetime else date(2026, 4, 3)
    return {"str": column.name, "int": 1, "float": 1.0, "bool": False}[kind.__name__]


def export(store: Store) -> str:
    with store.read() if hasattr(store, "read") else store.reading() as session:
        found = [*lists.symptoms(session), *lists.part_classes(session), *lists.loads(session)]
        if hasattr(lists, "shelf_parts"):
            found += list(lists.shelf_parts(session))
        found += [family.record for family in families.by_ids(session, families.all_ids(session))]
        try:
            from kb.store.records import pictures
        except ImportError:
            pass
        else:
            found += [picture.record for picture in pictures.every(session)]
        found += [case.record for batch in cases.in_order(session) for case in batch]
        return "".join(lines.write(record) for record in found)


def main() -> None:
    records, sql, jsonl = map(Path, sys.argv[1:])
    with tempfile.TemporaryDirectory() as folder:
        file = Path(folder) / "store.sqlite3"
        store = Store.at(file)
        fill(store, records)
        fill_bench(store)
        fill_files(store)
        fill_pictures(store)
        fill_shelf(store)
        fill_rest(store)
        jsonl.write_text(export(store), encoding="utf-8")
        store.close()
        with closing(sqlite3.connect(file)) as connection:
            sql.write_text("\n".join(connection.iterdump()) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
