"""The judged queries: what each case is worth to each query, and how well a way of searching does.

    python tests/search/judging.py [--each]

prints nDCG@10 and MRR of this search and of plain BM25 (SQLite FTS5, porter unicode61, OR of the words) over
the same documents, for the queries that were tuned on and for those held out. `--each` adds every query.
The rule by which cases are judged stands in `judged/queries.json`.
"""

from __future__ import annotations

import json
import re
import sqlite3
import sys
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

sys.path.append(str(Path(__file__).parent.parent))

from ranking_measures import ndcg, reciprocal_rank

from kb import assets
from kb.model import CaseRecord, FamilyRecord
from kb.search import CaseDocument, SearchIndex
from kb.search.case_terms import ZONE_WEIGHTS
from kb.service.shop.translate import document_of

JUDGED = json.loads((Path(__file__).parent / "judged" / "queries.json").read_text("utf-8"))
DEPTH = 10
_GOOD = 2  # the first hit of at least this grade counts for MRR
_OF_ATTEMPT = {
    "parts": "part",
    "classes": "part_class",
    "failures": "failure",
    "actions": "action",
    "sections": "section",
}
Want = Mapping[str, Any]


@dataclass(frozen=True)
class Query:
    """One judged query; `wants` are spelled out."""

    text: str
    kind: str
    held_out: bool
    wants: tuple[Want, ...]


@dataclass(frozen=True)
class Figures:
    """Means over some queries."""

    ndcg: float
    mrr: float
    queries: int


def queries() -> tuple[Query, ...]:
    """All judged queries in the order of the file; every third is held out."""
    return tuple(
        Query(
            entry["text"],
            entry["kind"],
            number % 3 == 2,
            tuple(JUDGED["meanings"][want] if isinstance(want, str) else want for want in entry["wants"]),
        )
        for number, entry in enumerate(JUDGED["queries"])
    )


def demo_records() -> tuple[list[CaseRecord], dict[str, FamilyRecord]]:
    """Cases and families of the committed demo store."""
    cases, families = [], {}
    for line in (assets.folder("seed_data") / "demo.jsonl").read_text("utf-8").splitlines():
        data = json.loads(line)
        kind = data.pop("record")
        if kind == "case":
            cases.append(CaseRecord.model_validate(data))
        elif kind == "family":
            family = FamilyRecord.model_validate(data)
            families[family.code] = family
    return cases, families


def grade(case: CaseRecord, wants: Iterable[Want]) -> int:
    """What a case is worth to a query, 0 to 3, by the rule of the file."""
    held = [(_held(case, want), want.get("needed", False)) for want in wants]
    if any(needed and not value for value, needed in held):
        return 0
    mean = sum(value for value, _ in held) / len(held)
    return 3 if mean == 1 else 2 if mean >= 0.75 else 1 if mean >= 0.5 else 0


def _held(case: CaseRecord, want: Want) -> float:
    present = {entry.name for entry in case.symptoms if entry.present}
    tried = [attempt for attempt in case.attempts if _is_of(attempt, want)]
    if (
        not present.isdisjoint(want.get("symptoms", ()))
        or ("said" in want and re.search(want["said"], case.complaint, re.IGNORECASE))
        or ("written" in want and re.search(want["written"], case.notes, re.IGNORECASE))
        or case.family in want.get("families", ())
        or case.verdict in want.get("verdicts", ())
        or any(attempt.result == "cured" for attempt in tried)
    ):
        return 1.0
    return 0.5 if tried or ("near" in want and _held(case, want["near"])) else 0.0


def _is_of(attempt: Any, want: Want) -> bool:
    asked = [(field, want[name]) for name, field in _OF_ATTEMPT.items() if name in want]
    return bool(asked) and all(getattr(attempt, field) in values for field, values in asked)


def plain_bm25(documents: Iterable[CaseDocument]) -> Callable[[str], list[str]]:
    """The baseline: uids of the best cases by SQLite's own BM25."""
    store = sqlite3.connect(":memory:")
    columns = tuple(ZONE_WEIGHTS)
    names = ", ".join(columns)
    store.execute(
        f"CREATE VIRTUAL TABLE cases USING fts5(uid UNINDEXED, {names}, tokenize='porter unicode61')"
    )
    for document in documents:
        values = [getattr(document, name) for name in columns]
        row = (document.uid, *(value if isinstance(value, str) else ", ".join(value) for value in values))
        store.execute(f"INSERT INTO cases VALUES ({', '.join('?' * len(row))})", row)

    def search(text: str) -> list[str]:
        words = " OR ".join(f'"{word}"' for word in re.findall(r"[\w'-]+", text))
        sql = f"SELECT uid FROM cases WHERE cases MATCH ? ORDER BY bm25(cases), rowid LIMIT {DEPTH}"
        return [uid for (uid,) in store.execute(sql, (words,))]

    return search


def this_search(documents: Iterable[CaseDocument]) -> Callable[[str], list[str]]:
    """Our own search over the same cases."""
    index = SearchIndex.open(None)
    index.rebuild(documents, (1, "judged"))
    return lambda text: [hit.uid for hit in index.search(text, limit=DEPTH).hits]


class Judge:
    """Grades of every case for every query, and the measures of a way of searching."""

    def __init__(self) -> None:
        cases, families = demo_records()
        self.documents = [document_of(case, families[case.family]) for case in cases]
        self.queries = queries()
        self.grades = {
            query.text: {str(case.uid): grade(case, query.wants) for case in cases} for query in self.queries
        }

    def each(self, search: Callable[[str], list[str]]) -> dict[str, tuple[float, float]]:
        """(nDCG@10, reciprocal rank) of each query."""
        found = {}
        for query in self.queries:
            grades = self.grades[query.text]
            ranked = [grades[uid] for uid in search(query.text)]
            found[query.text] = ndcg(ranked, grades.values(), DEPTH), reciprocal_rank(ranked, _GOOD)
        return found

    def figures(self, each: Mapping[str, tuple[float, float]], *, held_out: bool, kind: str = "") -> Figures:
        """Means over one part of the queries."""
        part = [
            each[query.text]
            for query in self.queries
            if query.held_out is held_out and kind in ("", query.kind)
        ]
        count = len(part)
        return Figures(
            sum(value for value, _ in part) / count, sum(value for _, value in part) / count, count
        )


def main(arguments: list[str]) -> None:
    """Print the figures."""
    judge = Judge()
    ours, plain = judge.each(this_search(judge.documents)), judge.each(plain_bm25(judge.documents))
    if "--each" in arguments:
        for query in judge.queries:
            graded = [value for value in judge.grades[query.text].values() if value]
            print(
                f"{'held' if query.held_out else 'tune'} {ours[query.text][0]:.3f} {plain[query.text][0]:.3f} "
                f"{len(graded):4} {graded.count(3):4}  {query.kind:16} {query.text}"
            )
    print(f"{'':26} {'queries':>7}   nDCG@10: ours  FTS5  gain      MRR: ours  FTS5")
    kinds = dict.fromkeys(query.kind for query in judge.queries)
    for name, held_out in (("tuned on", False), ("held out", True)):
        for kind in ("", *kinds):
            a, b = (judge.figures(found, held_out=held_out, kind=kind) for found in (ours, plain))
            print(
                f"{name + (': ' + kind if kind else ''):26} {a.queries:7}            {a.ndcg:.3f} {b.ndcg:.3f} "
                f"{a.ndcg - b.ndcg:+.3f}          {a.mrr:.3f} {b.mrr:.3f}"
            )


if __name__ == "__main__":
    main(sys.argv[1:])
