"""Public classification tables as cases of a store: a class is a fault, a column is a symptom or a rail.

Columns with two values are symptoms that were looked for, those with more are rails with as many conditions; numbers
are cut into six equally frequent ranges. Where the tables come from stands in the first line of each file.
"""

from __future__ import annotations

import csv
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from kb.suggest import CaseFacts, FixTry, RailFact

DATA = Path(__file__).parent / "published" / "data"
RANGES = 6


@dataclass(frozen=True)
class RealSet:
    """`cases` with the class as the part class of their fault, `truth` (n,) as place in `classes`, and the columns
    as whole numbers for other learners (n, columns), 0 where missing. `conditions` are the outcomes of a rail."""

    name: str
    cases: list[CaseFacts]
    classes: list[str]
    truth: NDArray[np.int64]
    numbers: NDArray[np.int64]
    conditions: tuple[str, ...]


@cache
def real_set(name: str) -> RealSet:
    """One of soybean, house_votes_84, zoo, vehicle, dna, letter, vowel."""
    with (DATA / f"{name}.csv").open(encoding="utf-8", newline="") as lines:
        next(lines)  # where the table comes from
        rows = list(csv.DictReader(lines))
    target = {"soybean": "Class", "house_votes_84": "Class", "zoo": "type", "vehicle": "Class"}
    of_class = {**target, "vowel": "Class", "dna": "splice_site", "letter": "letter"}[name]
    labels = [row.pop(of_class) for row in rows]
    for row in rows:
        row.pop("animal", None)
        if name == "dna":
            bits = f"{int(row.pop('bits'), 16):0180b}"
            row.update({f"b{place:03}": bit for place, bit in enumerate(bits)})
        if name == "letter":
            digits = row.pop("values")
            row.update({f"v{place:02}": str(int(digit, 16) // 2) for place, digit in enumerate(digits)})
    columns = {column: _levels(column, [row[column] for row in rows], name) for column in rows[0]}
    return _as_cases(name, columns, labels)


def _levels(column: str, values: list[str], name: str) -> list[str]:
    """A column's values, numbers of many values as the range they lie in; empty where missing."""
    if name not in ("vehicle", "vowel") or (name == "vowel" and column == "V1"):
        return values
    numbers = np.array([float(value) for value in values])
    edges = np.quantile(numbers, np.linspace(0, 1, RANGES + 1)[1:-1])
    return [f"r{place}" for place in np.searchsorted(edges, numbers, side="right")]


def _as_cases(name: str, columns: dict[str, list[str]], labels: list[str]) -> RealSet:
    symptoms: list[dict[str, bool]] = [{} for _ in labels]
    rails: list[dict[str, str]] = [{} for _ in labels]
    numbers = []
    conditions: set[str] = set()
    for column, values in columns.items():
        kinds = sorted(set(values) - {""})
        numbers.append([kinds.index(value) + 1 if value else 0 for value in values])
        if len(kinds) > 2:
            conditions |= set(kinds)
        for place, value in enumerate(values):
            if value and len(kinds) <= 2:
                symptoms[place][column] = value == kinds[-1]
            elif value:
                rails[place][column] = value
    classes = sorted(set(labels))
    cases = [
        CaseFacts(
            uid=f"{name}-{place:05}",
            family="table",
            kind="table",
            verdict="repaired",
            closed=None,
            symptoms=tuple(symptoms[place].items()),
            rails=tuple(RailFact(role, "running", "none", value) for role, value in rails[place].items()),
            tries=(FixTry("other", label, "", "", "replace", "cured"),),
        )
        for place, label in enumerate(labels)
    ]
    truth = np.array([classes.index(label) for label in labels])
    return RealSet(name, cases, classes, truth, np.array(numbers).T, tuple(sorted(conditions)) or ("0", "1"))
