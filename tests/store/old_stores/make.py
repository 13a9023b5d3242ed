"""Makes a store with the code of an earlier commit; README.md beside this says how it is run.

    python make.py RECORDS SQL JSONL

writes the store as an SQL dump and, as that code exports it, as JSON Lines. It uses only what the code of
the first commit had, and whatever later code has besides.
"""

from __future__ import annotations

import inspect
import json
import sqlite3
import sys
import tempfile
from contextlib import closing
from pathlib import Path
from typing import Any

from kb.exchange import lines
from kb.model import CaseRecord, FamilyRecord
from kb.store import Store
from kb.store.records import cases, changes, families, lists


def writing(store: Store) -> Any:
    """A transaction, under a name where the code knows names."""
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
        cases.set_binned(session, "old-3", binned=True)


def with_news(record: CaseRecord) -> CaseRecord:
    """An open case with what later schemas know of it."""
    news = {"worker": "bench 1", "waiting_for": "parts", "waiting_since": "2026-04-03"}
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


def export(store: Store) -> str:
    with store.reading() as session:
        found = [*lists.symptoms(session), *lists.part_classes(session), *lists.loads(session)]
        found += [family.record for family in families.by_ids(session, families.all_ids(session))]
        found += [case.record for batch in cases.in_order(session) for case in batch]
        return "".join(lines.write(record) for record in found)


def main() -> None:
    records, sql, jsonl = map(Path, sys.argv[1:])
    with tempfile.TemporaryDirectory() as folder:
        file = Path(folder) / "store.sqlite3"
        store = Store.at(file)
        fill(store, records)
        fill_bench(store)
        jsonl.write_text(export(store), encoding="utf-8")
        store.close()
        with closing(sqlite3.connect(file)) as connection:
            sql.write_text("\n".join(connection.iterdump()) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
