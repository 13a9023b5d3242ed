"""Uids in arrays answer as a list and a dictionary of strings would."""

from __future__ import annotations

import random
import uuid
from datetime import date

import numpy as np
import pytest
from suggest_builders import CAP, case, counts_of, ledger_of

from kb.suggest.snapshot import from_bytes, to_bytes
from kb.suggest.uids import Uids

UUID = "0f0e0d0c-0b0a-0908-0706-050403020100"
# Alike but for letters: only the first is in the usual form of a UUID, the others are texts of their own.
NEAR = (
    UUID,
    UUID.upper(),
    UUID.replace("-", ""),
    f"{{{UUID}}}",
    UUID[:-1] + "g",
    "",
    "ä",
    "\ud800",
    UUID + "0",
)


def _some(count: int, seed: int = 7) -> list[str]:
    rng = random.Random(seed)
    made = [str(uuid.UUID(int=rng.getrandbits(128))) for _ in range(count)]
    # Many with the same first 64 bits, some of them no UUID.
    return [
        text if at % 5 else f"{UUID[:19]}{text[19:]}" if at % 2 else text[:9] for at, text in enumerate(made)
    ]


def test_texts_come_back_exactly_and_near_ones_are_told_apart() -> None:
    uids = Uids()
    for row, text in enumerate(NEAR):
        assert uids.append(text, np.ones(row, np.int8)) == row
    alive = np.ones(len(NEAR), np.int8)
    for kept in (uids, uids.kept(np.arange(len(NEAR))), Uids.from_numbers(uids.numbers(), uids.odd())):
        assert [kept[row] for row in range(len(kept))] == list(NEAR)
        assert [kept.find(text, alive) for text in NEAR] == list(range(len(NEAR)))
        assert kept.find("0" + UUID[1:-1] + "1", alive) is None


def test_adding_and_withdrawing_in_any_order_leaves_what_a_dictionary_would_hold() -> None:
    rng, texts = random.Random(3), _some(3_000)
    uids, alive, row_of = Uids(), np.zeros(60_000, np.int8), dict[str, int]()
    for _ in range(30_000):
        text = rng.choice(texts)
        assert uids.find(text, alive[: len(uids)]) == row_of.get(text)
        if text in row_of:
            alive[row_of.pop(text)] = 0
            continue
        row = uids.append(text, alive[: len(uids)])
        alive[row], row_of[text] = 1, row
    for text in texts:
        assert uids.find(text, alive[: len(uids)]) == row_of.get(text)


def test_rows_sort_as_their_texts_do_with_and_without_texts_that_are_no_uuid() -> None:
    for texts in (_some(500), [text for text in _some(900) if len(text) == 36]):
        uids = Uids()
        for row, text in enumerate(texts):
            uids.append(text, np.ones(row, np.int8))
        ordered = uids.ordered(np.arange(len(texts)))
        assert [uids[row] for row in ordered.tolist()] == sorted(texts)


def test_a_snapshot_keeps_every_kind_of_uid() -> None:
    texts = [text for text in NEAR if text and text.isprintable()] + _some(50)
    ledger = ledger_of(*(case(text, CAP, closed=date(2024, 1, 1)) for text in texts))
    again = from_bytes(to_bytes(ledger))
    assert sorted(again.uids()) == sorted(texts)
    assert counts_of(again) == counts_of(ledger)
    for text in texts:
        assert again.withdraw(text)
        assert text not in again
    assert len(again) == 0
    assert counts_of(from_bytes(to_bytes(again))) == counts_of(again)


def test_finding_halves_the_rows_however_much_the_uids_have_in_common(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    alike = [str(uuid.UUID(int=number)) for number in range(20_000)]
    number_of, looked_at = Uids._number, list[int]()
    for texts in (alike, alike[::-1], _some(20_000)):
        uids, alive = Uids(), np.ones(len(texts), np.int8)
        for row, text in enumerate(texts):
            uids.append(text, alive[:row])
        looked_at.clear()
        with monkeypatch.context() as patched:
            patched.setattr(
                Uids, "_number", lambda self, row: (looked_at.append(row), number_of(self, row))[1]
            )
            assert [uids.find(text, alive) for text in texts[:100]] == list(range(100))
        # Fifteen halvings of 20,000 rows, and one look at what was found.
        assert 100 <= len(looked_at) <= 100 * 16
