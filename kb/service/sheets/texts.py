"""The words of all rows read: what they say, to look at a row at a time before anything is kept."""

from __future__ import annotations

import itertools
import json
from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Any

from kb import system
from kb.facts.sheet_words import folded, is_ditto, referred_to
from kb.service.sheets import outcomes, state, upload
from kb.service.sheets.known import Known
from kb.service.sheets.outcomes import FIXES
from kb.service.sheets.rows_to_cases import Builder
from kb.service.sheets.state import Sheet
from kb.service.sheets.survey import cleaned
from kb.service.sheets.text_facts import OUTCOME, READ, facts_of
from kb.service.shop.shop import Shop

ROWS = "texts.jsonl"
_MOST_PHRASES = 20_000
_SHOWN_PHRASES = 20
_LONGEST_PHRASE = 80
_LONGEST_SHOWN = 600


@dataclass(frozen=True, slots=True)
class RowRead:
    """One row: its number, its board, its words, and the facts in them as (kind, what)."""

    row: int
    board: str
    text: str
    facts: tuple[tuple[str, str], ...]


@dataclass(frozen=True, slots=True)
class Texts:
    """What the words of `rows` rows say, `with_any` of them something.

    `kinds` counts the facts of each kind, `symptoms` the rows of each symptom; `phrases` are the commonest
    words that nothing was read from, with the number of rows.
    """

    rows: int
    with_any: int
    kinds: tuple[tuple[str, int], ...]
    symptoms: tuple[tuple[str, int], ...]
    phrases: tuple[tuple[str, int], ...]


def read(shop: Shop, sheet: Sheet, known: Known, progress: Callable[[int], Any] | None = None) -> Texts:
    """Reads the words of every row and keeps beside the sheet what they say. One row is held at a time."""
    known = known.with_phrases(sheet.named)
    builder = Builder(sheet, known)
    words = _WordsOfRows(shop, sheet, builder)
    kinds: Counter[str] = Counter()
    symptoms: Counter[str] = Counter()
    phrases: Counter[str] = Counter()
    rows = with_any = 0
    place = state.folder(shop, sheet.id) / ROWS
    part = place.with_suffix(".part")
    with state.writing(), part.open("w", encoding="utf-8", newline="\n") as kept:
        for done, (number, cells) in enumerate(upload.rows(shop, sheet), start=1):
            if progress and done % 100 == 0:
                progress(100)
            texts, written = words.texts(number, cells)
            if not texts:
                continue
            rows += 1
            board = words.board(number, cells, texts)
            facts: list[tuple[str, str]] = []
            for _, found in facts_of(texts, known, board, tried=words.names_tries(cells)):
                facts += [(fact.kind, _what(fact)) for fact in found.facts]
                symptoms.update(fact.what for fact in found.facts if fact.kind == "symptom")
                phrases.update({folded(left) for left in found.left})
            kinds.update(kind for kind, _ in facts)
            with_any += bool(facts)
            if len(phrases) > 2 * _MOST_PHRASES:
                phrases = Counter(dict(phrases.most_common(_MOST_PHRASES)))
            line = [number, board, " · ".join(written)[:_LONGEST_SHOWN], facts]
            kept.write(json.dumps(line, ensure_ascii=False) + "\n")
    system.replace(part, place)
    common = [(phrase, count) for phrase, count in phrases.most_common(200) if _is_phrase(phrase)]
    found_texts = Texts(
        rows,
        with_any,
        tuple(kinds.most_common()),
        tuple(symptoms.most_common()),
        tuple(common[:_SHOWN_PHRASES]),
    )
    sheet.texts = {name: getattr(found_texts, name) for name in Texts.__slots__}
    state.save(shop, sheet)
    return found_texts


class _WordsOfRows:
    """The words of single rows: what is read of them, of which board."""

    def __init__(self, shop: Shop, sheet: Sheet, builder: Builder) -> None:
        self._sheet, self._builder = sheet, builder
        self._boards_above = upload.boards_above(shop, sheet)
        self._cells_above = upload.cells_above(shop, sheet)
        self._rails = outcomes.RailsOfRows(sheet)
        self._columns = sheet.columns_of(*READ)
        self._ends = [place for place, _, _ in sheet.columns_of("verdict")]
        self._tried = [place for place, _, to in sheet.columns_of(*FIXES) if to != "work"]
        self._boards = [place for place, _, _ in sheet.columns_of("family") or sheet.columns_of("alias")]

    def texts(self, number: int, cells: list[str]) -> tuple[list[tuple[str, str]], list[str]]:
        """(column, text) as they are read, what came of the row last, and the words as they are written."""
        found: list[tuple[str, str]] = []
        written: list[str] = []
        for at, _, to in self._columns:
            if at < len(cells) and (cell := cleaned(cells[at])):
                above = self._cells_above.get(at, {}).get(number)
                found.append((to, above or cell))
                written.append(f"{cell}: {above}" if above else cell)
        ended = [
            self._cells_above.get(at, {}).get(number) or cleaned(cells[at])
            for at in self._ends
            if at < len(cells)
        ]
        if ended := [cell for cell in ended if self._builder.is_outcome(cell)]:
            rails = self._rails.of(cells, [text for _, text in found])
            found += [(OUTCOME, outcomes.meant(cell, rails)) for cell in ended]
        return found, [*written, *ended]

    def board(self, number: int, cells: list[str], texts: list[tuple[str, str]]) -> str:
        """The board of a row: its own, that of the row above, or one that its words name."""
        named = (cleaned(cells[at]) for at in self._boards if at < len(cells))
        return (
            next((one for one in named if one and not is_ditto(one) and not referred_to(one)), "")
            or self._boards_above.get(number)
            or self._builder.board_in([text for to, text in texts if to != OUTCOME])
            or self._sheet.answers.get("family of all", "")
        )

    def names_tries(self, cells: list[str]) -> bool:
        """Whether columns of their own say what was tried."""
        return any(at < len(cells) and cleaned(cells[at]) for at in self._tried)


def _what(fact: Any) -> str:
    value = fact.value
    return f"not: {fact.what}" if getattr(value, "present", True) is False else str(fact.what)


def _is_phrase(phrase: str) -> bool:
    return 3 <= len(phrase) <= _LONGEST_PHRASE and any(char.isalpha() for char in phrase)


def kept(sheet: Sheet) -> Texts | None:
    """What `read` found last; None where columns or words were decided differently since."""
    if sheet.texts is None:
        return None
    data: dict[str, Any] = {
        name: tuple((one, count) for one, count in value) if isinstance(value, list | tuple) else value
        for name, value in sheet.texts.items()
    }
    return Texts(**data)


def rows_read(shop: Shop, sheet: Sheet, start: int, most: int) -> Iterator[RowRead]:
    """The rows from the `start`th on, as `read` kept them."""
    file = state.folder(shop, sheet.id) / ROWS
    if not file.exists():
        return
    with file.open(encoding="utf-8") as lines:
        for line in itertools.islice(lines, start, start + most):
            row, board, text, facts = json.loads(line)
            yield RowRead(row, board, text, tuple((kind, what) for kind, what in facts))
