"""Which part of the cases a case belongs to when each part is judged by what was learned from the others."""

from __future__ import annotations

from zlib import crc32

FEW, FEW_FOLDS, FOLDS = 1_200, 10, 4  # of few cases little is left out


def fold_of(uid: str, folds: int) -> int:
    """The fold of a case, 0 to `folds` - 1: the same on every machine."""
    return crc32(uid.encode(errors="surrogatepass")) % folds


def how_many(cases: int) -> int:
    return FEW_FOLDS if cases <= FEW else FOLDS
