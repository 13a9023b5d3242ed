"""A ledger as bytes: NumPy arrays in an uncompressed zip, and one JSON header. Nothing is unpickled."""

from __future__ import annotations

import io
import json
import zipfile
from array import array
from collections import Counter
from typing import Any

import numpy as np
from numpy.typing import NDArray

from kb.suggest.growable import Column, Names, Table
from kb.suggest.ledger import Ledger
from kb.suggest.rows import Rows
from kb.suggest.tally import Tally
from kb.suggest.uids import Uids

FORMAT = 5  # goes up when the meaning of anything in a snapshot changes
_KIND = "counts of board faults"
_NAMES = ("sections", "families", "kinds", "parts", "failures")

Arrays = dict[str, NDArray[Any]]


def to_bytes(ledger: Ledger) -> bytes:
    """A snapshot of a ledger with the number of the last change it has seen; read back by `from_bytes`."""
    ledger.settle()
    header, arrays = contents(ledger)
    if ledger.others is not None and len(ledger.others):
        arrays["others"] = np.frombuffer(to_bytes(ledger.others), dtype=np.uint8)
    return pack(header, arrays)


def from_bytes(data: bytes) -> Ledger:
    """A ledger from a snapshot. Raises ValueError when it is damaged or of another format."""
    header, arrays = unpack(data)
    try:
        ledger = Ledger(header["warranty_days"], conditions=header["conditions"], features=header["features"])
        others = arrays.pop("others", None)
        fill(ledger, header, arrays)
        if others is not None:
            ledger.others = from_bytes(others.tobytes())
            ledger.others.share_names(ledger)
    except (KeyError, IndexError, TypeError, AttributeError) as trouble:
        raise ValueError(f"the snapshot of the counts is damaged: {trouble!r}") from trouble
    return ledger


def pack(header: dict[str, Any], arrays: Arrays) -> bytes:
    """Header and arrays as one block of bytes."""
    text = json.dumps({"kind": _KIND, "format": FORMAT, **header}, ensure_ascii=False).encode()
    target = io.BytesIO()
    np.savez(target, allow_pickle=False, header=np.frombuffer(text, dtype=np.uint8), **arrays)
    return target.getvalue()


def unpack(data: bytes) -> tuple[dict[str, Any], Arrays]:
    """Header and arrays. Raises ValueError when the bytes are not a snapshot of this format."""
    try:
        with np.load(io.BytesIO(data), allow_pickle=False) as stored:
            arrays = {name: stored[name] for name in stored.files}
        header = json.loads(arrays.pop("header").tobytes())
    except (ValueError, KeyError, OSError, EOFError, zipfile.BadZipFile, AttributeError) as trouble:
        raise ValueError("this is not a snapshot of the counts, or it is damaged") from trouble
    if not isinstance(header, dict) or header.get("kind") != _KIND:
        raise ValueError("this is not a snapshot of the counts")
    if header.get("format") != FORMAT:
        raise ValueError(f"the snapshot has format {header.get('format')}, this version reads {FORMAT}")
    return header, arrays


def contents(ledger: Ledger) -> tuple[dict[str, Any], Arrays]:
    """What a snapshot of the ledger holds; the ledger must not have dead rows."""
    header: dict[str, Any] = {
        "seen": list(ledger.seen),
        "warranty_days": ledger.warranty_days,
        "conditions": list(ledger.lines.conditions),
        "features": [list(key) for key in ledger.lines.features.values],
        "faults": [list(fault) for fault in ledger.faults.values],
        "odd_uids": list(ledger.rows.uids.odd().items()),
        "known": ledger.known,
        "doubles": ledger.doubles,
    }
    header.update({name: getattr(ledger, name).values for name in _NAMES})
    arrays: Arrays = {f"row_{name}": column for name, column in ledger.rows.arrays().items()}
    arrays["uids"] = ledger.rows.uids.numbers()
    arrays["section_of"] = ledger.section_of.view
    arrays["cases_of_fault"] = ledger.cases_of_fault.view
    arrays["family_cases"] = ledger.family_cases.view
    for name in ("item_fault", "feature_fault", "kind_fault", "judged"):
        arrays[name] = getattr(ledger, name).view
    for name in ("cases_with_count", "single_in_family", "single_in_kind"):
        arrays[name] = _pairs(getattr(ledger, name))
    arrays["family_kinds"] = np.array(
        [
            (family, kind, cases)
            for family, of in enumerate(ledger.family_kinds)
            for kind, cases in of.items()
        ],
        dtype=np.int64,
    ).reshape(-1, 3)
    arrays.update(_tally_arrays("all", list(enumerate(ledger.tallies))))
    inside = [
        (family, fault, tally)
        for family, of in enumerate(ledger.family_tallies)
        for fault, tally in of.items()
    ]
    arrays.update(_tally_arrays("family", [(fault, tally) for _, fault, tally in inside]))
    arrays["family_of_tally"] = np.array([family for family, _, _ in inside], dtype=np.int64)
    return header, arrays


def fill(ledger: Ledger, header: dict[str, Any], arrays: Arrays) -> None:
    """Put a snapshot's contents into a new ledger made with the same features."""
    ledger.seen = (int(header["seen"][0]), str(header["seen"][1]))
    ledger.known = int(header["known"])
    ledger.doubles = int(header["doubles"])
    ledger.faults = Names((section, part_class) for section, part_class in header["faults"])
    for name in _NAMES:
        setattr(ledger, name, Names(header[name]))
    rows = {name.removeprefix("row_"): array for name, array in arrays.items() if name.startswith("row_")}
    odd = {int(row): str(uid) for row, uid in header["odd_uids"]}
    ledger.rows = Rows.from_arrays(rows, Uids.from_numbers(arrays["uids"], odd))
    ledger.section_of = Column(np.int64, arrays["section_of"])
    ledger.cases_of_fault = Column(np.int64, arrays["cases_of_fault"])
    ledger.family_cases = Column(np.int64, arrays["family_cases"])
    for name in ("item_fault", "feature_fault", "kind_fault", "judged"):
        setattr(ledger, name, Table(arrays[name].astype(np.int32)))
    for name in ("cases_with_count", "single_in_family", "single_in_kind"):
        setattr(ledger, name, Counter(dict(arrays[name].tolist())))
    ledger.family_kinds = [Counter() for _ in ledger.families.values]
    for family, kind, cases in arrays["family_kinds"].tolist():
        ledger.family_kinds[family][kind] = cases
    ledger.tallies = [tally for _, tally in _tallies("all", arrays)]
    ledger.family_tallies = [{} for _ in ledger.families.values]
    for family, (fault, tally) in zip(
        arrays["family_of_tally"].tolist(), _tallies("family", arrays), strict=True
    ):
        ledger.family_tallies[family][fault] = tally
    if not len(ledger.faults) == ledger.section_of.size == len(ledger.tallies):
        raise ValueError("the snapshot of the counts is damaged: its fault lists differ in length")


def _pairs(counts: Counter[int]) -> NDArray[Any]:
    return np.array(sorted(counts.items()), dtype=np.int64).reshape(-1, 2)


def _tally_arrays(prefix: str, tallies: list[tuple[int, Tally]]) -> Arrays:
    """Tallies one below the other; what has variable length lies in flat arrays with lengths beside."""
    numbers = [
        (
            fault,
            *(getattr(tally, name) for name in Tally.NUMBERS),
            len(tally.rows),
            len(tally.parts),
            len(tally.failures),
        )
        for fault, tally in tallies
    ]
    named = [[pair for _, tally in tallies for pair in names(tally).items()] for names in (_parts, _failures)]
    return {
        f"{prefix}_numbers": np.array(numbers, dtype=np.int64).reshape(-1, len(Tally.NUMBERS) + 4),
        f"{prefix}_rows": np.frombuffer(b"".join(tally.rows.tobytes() for _, tally in tallies), np.int64),
        f"{prefix}_parts": np.array(named[0], dtype=np.int64).reshape(-1, 2),
        f"{prefix}_failures": np.array(named[1], dtype=np.int64).reshape(-1, 2),
    }


def _parts(tally: Tally) -> dict[int, int]:
    return tally.parts


def _failures(tally: Tally) -> dict[int, int]:
    return tally.failures


def _tallies(prefix: str, arrays: Arrays) -> list[tuple[int, Tally]]:
    rows = array("q", arrays[f"{prefix}_rows"].astype(np.int64).tobytes())
    parts = arrays[f"{prefix}_parts"].tolist()
    failures = arrays[f"{prefix}_failures"].tolist()
    row_at = part_at = failure_at = 0
    found: list[tuple[int, Tally]] = []
    for fault, *numbers, row_count, part_count, failure_count in arrays[f"{prefix}_numbers"].tolist():
        tally = Tally()
        for name, number in zip(Tally.NUMBERS, numbers, strict=True):
            setattr(tally, name, number)
        tally.rows = rows[row_at : row_at + row_count]
        tally.parts = dict(parts[part_at : part_at + part_count])
        tally.failures = dict(failures[failure_at : failure_at + failure_count])
        row_at, part_at, failure_at = row_at + row_count, part_at + part_count, failure_at + failure_count
        found.append((fault, tally))
    return found
