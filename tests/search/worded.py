"""Worded queries of strangers over the demo store: what each case is worth, and how well they are answered.

    python tests/search/worded.py [--each]

prints nDCG@10 by language: tuned on, held out, developed with and unseen. The rule stands in
`tests/reading/judged/README.md`.
"""

from __future__ import annotations

import sys
import tomllib
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path

sys.path.append(str(Path(__file__).parent.parent))

from judging import DEPTH, JUDGED, Want, demo_records, grade
from ranking_measures import ndcg

from kb.model import CaseRecord
from kb.reading import Known
from kb.search import CaseDocument, SearchIndex
from kb.service.find.query_meaning import meaning
from kb.service.shop.translate import document_of

FILE = Path(__file__).parent.parent / "reading" / "judged" / "queries.toml"
EVENTS = FILE.with_name("events_queries.toml")
UNSEEN = FILE.with_name("unseen_queries.toml")
LANGUAGES = ("en", "de", "fr", "nl", "es", "it")


@dataclass(frozen=True)
class Worded:
    """One query; `wants` are spelled out, `lowered` the part classes that are not meant."""

    text: str
    language: str
    held_out: bool
    wants: tuple[Want, ...]
    lowered: frozenset[str]


def queries(file: Path = FILE) -> tuple[Worded, ...]:
    """All of them in the order of the file."""
    return tuple(
        Worded(
            entry["text"],
            entry["language"],
            entry["held_out"],
            tuple(JUDGED["meanings"][want] if isinstance(want, str) else want for want in entry["wants"]),
            frozenset(entry.get("lowered", {}).get("classes", ())),
        )
        for entry in tomllib.loads(file.read_text("utf-8"))["query"]
    )


def worth(case: CaseRecord, query: Worded) -> int:
    """0 to 3; 0 where the only part that cured is of a class that is not meant."""
    cured = {attempt.part_class for attempt in case.attempts if attempt.result == "cured"}
    return 0 if cured and cured <= query.lowered else grade(case, query.wants)


def documents() -> tuple[list[CaseRecord], list[CaseDocument]]:
    """Cases of the demo store, as records and as the search has them."""
    cases, families = demo_records()
    return cases, [document_of(case, families[case.family]) for case in cases]


def as_read(found: list[CaseDocument]) -> Callable[[str], list[str]]:
    """The search with what the reader makes of each query, as the service asks it."""
    index = SearchIndex.open(None)
    index.rebuild(found, (1, "worded"))
    return lambda text: [
        hit.uid for hit in index.search(text, limit=DEPTH, meant=meaning(text, Known(), index.analysis)).hits
    ]


def each(cases: list[CaseRecord], search: Callable[[str], list[str]], file: Path = FILE) -> dict[str, float]:
    """nDCG@10 of each query."""
    found = {}
    for query in queries(file):
        grades = {str(case.uid): worth(case, query) for case in cases}
        found[query.text] = ndcg([grades[uid] for uid in search(query.text)], grades.values(), DEPTH)
    return found


def mean(found: Mapping[str, float], *, held_out: bool, language: str = "", file: Path = FILE) -> float:
    """Mean over a part of the queries."""
    part = [
        found[query.text]
        for query in queries(file)
        if query.held_out is held_out and language in ("", query.language)
    ]
    return sum(part) / len(part)


def main(arguments: list[str]) -> None:
    """Print the figures."""
    cases, found = documents()
    figures = each(cases, as_read(found))
    if "--each" in arguments:
        for query in queries():
            if not query.held_out or "--held-out" in arguments:
                print(f"{figures[query.text]:.3f} {query.language} {query.text}")
    events, unseen = (each(cases, as_read(found), file) for file in (EVENTS, UNSEEN))
    for name, of, held_out, file in (
        ("tuned on", figures, False, FILE),
        ("held out", figures, True, FILE),
        ("developed with", events, False, EVENTS),
        ("unseen", unseen, True, UNSEEN),
    ):
        whole = mean(of, held_out=held_out, file=file)
        parts = {one: mean(of, held_out=held_out, language=one, file=file) for one in LANGUAGES}
        print(name, f"{whole:.3f}", " ".join(f"{one} {value:.3f}" for one, value in parts.items()))


if __name__ == "__main__":
    main(sys.argv[1:])
