"""Arrays of one segment as a file beside it, so that a large index opens at once.

A snapshot may be missing or damaged at any time: it carries its own SHA-256 and is made again.
"""

from __future__ import annotations

import io
import json
import os
from hashlib import sha256
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from kb.search.segment import Facet, Floats, Ints

_FORMAT = 2
_PREFIX, _SUFFIX = "arrays_", ".npz"
_DIGEST_BYTES = 32


class Damaged(Exception):
    """The index on disk cannot be used; the message says why in a few words."""


class Arrays(NamedTuple):
    """What a segment keeps in memory; the fields are those of `Segment`."""

    terms: tuple[str, ...]
    starts: NDArray[np.int64]
    ids: Ints
    weights: Floats
    lengths: Floats
    order: NDArray[np.float64]
    facets: dict[str, Facet]
    proof: NDArray[np.uint8]
    listed: dict[str, tuple[str, ...]]


def read_snapshot(folder: Path, name: str) -> Arrays | None:
    """The arrays of segment `name`, or None when there is no snapshot that is whole."""
    try:
        content = (folder / f"{_PREFIX}{name}{_SUFFIX}").read_bytes()
        whole = memoryview(content)[_DIGEST_BYTES:]
        if sha256(whole).digest() != content[:_DIGEST_BYTES]:
            return None
        with np.load(io.BytesIO(whole), allow_pickle=False) as file:
            return _unpacked({key: file[key] for key in file.files})
    except (OSError, ValueError, KeyError, EOFError):
        return None


def write_snapshot(folder: Path, name: str, arrays: Arrays) -> None:
    """Keep `arrays` for segment `name`; does nothing when the disk refuses."""
    buffer = io.BytesIO()
    np.savez(buffer, **_packed(arrays))
    whole = buffer.getbuffer()
    path = folder / f"{_PREFIX}{name}{_SUFFIX}"
    draft = path.with_suffix(f".{os.getpid()}.tmp")
    try:
        with draft.open("wb") as file:
            file.write(sha256(whole).digest())
            file.write(whole)
        draft.replace(path)
    except OSError:
        draft.unlink(missing_ok=True)


def drop_snapshots(folder: Path, kept: set[str]) -> None:
    """Remove the snapshots of all segments but those in `kept`."""
    for path in folder.glob(f"{_PREFIX}*"):
        if path.name.removeprefix(_PREFIX).split(".")[0] not in kept:
            path.unlink(missing_ok=True)


def _packed(arrays: Arrays) -> dict[str, Any]:
    text = {
        "format": _FORMAT,
        "terms": arrays.terms,
        "facets": {name: facet.values for name, facet in arrays.facets.items()},
        "listed": arrays.listed,
    }
    packed: dict[str, Any] = {
        "text": np.frombuffer(json.dumps(text).encode(), np.uint8),
        "ends": arrays.starts[1:],
        "ids": arrays.ids,
        "weights": arrays.weights,
        "lengths": arrays.lengths,
        "order": arrays.order,
        "proof": arrays.proof,
    }
    for name, facet in arrays.facets.items():
        packed[f"starts_{name}"], packed[f"ids_{name}"] = facet.starts, facet.ids
    return packed


def _unpacked(packed: dict[str, Any]) -> Arrays | None:
    text = json.loads(packed["text"].tobytes())
    if text["format"] != _FORMAT:
        return None
    facets = {
        name: Facet(tuple(values), packed[f"starts_{name}"], packed[f"ids_{name}"])
        for name, values in text["facets"].items()
    }
    listed = {name: tuple(values) for name, values in text["listed"].items()}
    return Arrays(
        terms=tuple(text["terms"]),
        starts=np.concatenate((np.zeros(1, np.int64), packed["ends"])),
        ids=packed["ids"],
        weights=packed["weights"],
        lengths=packed["lengths"],
        facets=facets,
        order=packed["order"],
        proof=packed["proof"],
        listed=listed,
    )
