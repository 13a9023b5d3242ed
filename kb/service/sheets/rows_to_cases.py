"""Rows of a sheet to cases, by what was decided. Nothing is guessed here: what was not decided is refused."""

from __future__ import annotations

import hashlib
import uuid
from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from typing import Any

from pydantic import ValidationError

from kb.errors import BadInput
from kb.exchange.sheets import REASON_HEADING
from kb.facts.designators import code_key
from kb.facts.sheet_words import folded, is_ditto, names_two_boards, referred_to
from kb.model import CaseRecord, explain
from kb.service.sheets import decisions, outcomes
from kb.service.sheets.cells import LeftOut, Reader
from kb.service.sheets.fields import ATTEMPT, DAYS, DEVICE, FOLLOW_UP, TO_NOTES
from kb.service.sheets.known import Known
from kb.service.sheets.state import Sheet
from kb.service.sheets.survey import cleaned
from kb.service.sheets.text_facts import OUTCOME, READ, RESULT, board_named, facts_of, take_facts

_NAMESPACE = uuid.UUID("8f0b5d0e-53d1-4b43-9a53-52f1f0a1c7e4")
Row = tuple[int, list[str]]
Rows = Callable[[], Iterable[Row]]
NumberOf = Callable[[list[str]], str]
_SCALARS = (
    "family",
    "revision",
    *DEVICE,
    "received",
    "closed",
    "customer",
    "worker",
    "waiting_for",
    "verdict",
)
_JOINED = ("complaint", "notes")
_LONGEST_COMPLAINT, _LONGEST_WORDS = 2_000, 200
_CACHED = 10_000


class Refused(Exception):
    """Why rows cannot become a case; `row` is the number of the row it was found in."""

    def __init__(self, why: str, row: int) -> None:
        super().__init__(why)
        self.why = why
        self.row = row


@dataclass(slots=True)
class Parts:
    """What the rows of one case say, gathered."""

    scalars: dict[str, Any] = field(default_factory=dict)
    texts: dict[str, list[str]] = field(default_factory=lambda: {name: [] for name in _JOINED})
    aside: list[str] = field(default_factory=list)
    aliases: list[str] = field(default_factory=list)
    symptoms: dict[str, bool] = field(default_factory=dict)
    readings: list[dict[str, Any]] = field(default_factory=list)
    attempts: list[dict[str, Any]] = field(default_factory=list)
    follow_ups: list[dict[str, Any]] = field(default_factory=list)
    read: list[tuple[str, str]] = field(default_factory=list)
    amounts: dict[str, tuple[str, Any]] = field(default_factory=dict)

    def add(self, entries: list[dict[str, Any]], new: list[dict[str, Any]]) -> None:
        """Adds what is not there yet: rows of one case often repeat what they share."""
        entries.extend(entry for entry in new if entry not in entries)


class Builder:
    """Makes cases of rows. The answer "family of all" is used where neither a column nor the words say which board."""

    def __init__(self, sheet: Sheet, known: Known) -> None:
        self._sheet, self._known = sheet, known
        self._reader = Reader(sheet, known)
        keys = sheet.keys
        self._reason = [place for place, head in enumerate(sheet.headings) if head == REASON_HEADING]
        self._columns = [
            (place, key, sheet.targets[key], sheet.headings[place])
            for place, key in enumerate(keys)
            if sheet.targets.get(key)
        ]
        # The board first: its rails say how readings are spelled.
        self._columns.sort(key=lambda column: column[2] != "family")
        self._attempt_columns = _by_turn(self._columns, ATTEMPT)
        self._follow_columns = _by_turn(self._columns, FOLLOW_UP)
        self._numbered = next(((place, head) for place, _, to, head in self._columns if to == "uid"), None)
        self._read_texts = sheet.read_texts and sheet.maps(*READ)
        self._not_symptoms = set(sheet.not_symptoms)
        self._reads_outcomes = sheet.read_texts and sheet.maps("verdict")
        self._not_rows = set(sheet.not_rows)
        self._is_read: dict[str, bool] = {}
        self._rails = outcomes.RailsOfRows(sheet)
        self.boards_above: dict[int, str] = {}
        self.cells_above: dict[int, dict[int, str]] = {}
        """For each column of complaints and outcomes the rows whose cell refers to the one above, with its words."""

    @property
    def left_out(self) -> dict[str, LeftOut]:
        """Cells that somebody chose to leave out, by heading."""
        return self._reader.left_out

    def number_of(self, row: Sequence[str]) -> str:
        """The row's own case number, "" where it has none."""
        if self._numbered is None or self._numbered[0] >= len(row):
            return ""
        return cleaned(row[self._numbered[0]])

    def case(self, rows: Sequence[Row], turn: int = 1) -> tuple[CaseRecord, list[str]]:
        """(case, other numbers of its board) of the rows that belong to it. Raises Refused.

        `turn` tells rows apart that are equal to the last letter: they are two boards.
        """
        parts = Parts()
        for number, row in rows:
            cells = [cleaned(cell) for cell in row]
            cells += [""] * (len(self._sheet.headings) - len(cells))
            try:
                self._row(parts, cells, number)
                if above := self.boards_above.get(number):
                    parts.scalars.setdefault("family", above)
            except BadInput as error:
                raise Refused(f"{error.message} {error.remedy or ''}".strip(), number) from error
        data = self._finished(parts, rows)
        data["uid"] = self._uid(rows, turn)
        try:
            return CaseRecord.model_validate(data), parts.aliases
        except ValidationError as error:
            problem = explain(error)
            raise Refused(f"{problem.message} {problem.remedy or ''}".strip(), rows[0][0]) from error

    def _uid(self, rows: Sequence[Row], turn: int) -> str:
        """The same whenever the same rows are brought in, whatever was decided about their columns."""
        number = self.number_of(rows[0][1])
        if number and self._numbered:
            return str(uuid.uuid5(_NAMESPACE, f"number\x1f{folded(self._numbered[1])}\x1f{number}"))
        cells = [
            cleaned(cell)
            for _, row in rows
            for place, cell in enumerate(row)
            if cell.strip() and place not in self._reason
        ]
        return str(uuid.uuid5(_NAMESPACE, "\x1f".join(["row", str(turn), *cells])))

    def is_outcome(self, text: str) -> bool:
        """Whether a cell of the outcome column is read for what came of the row."""
        if text not in self._is_read:
            if len(self._is_read) >= _CACHED:
                self._is_read.clear()
            self._is_read[text] = outcomes.is_read(self._sheet, text)
        return self._is_read[text]

    def _row(self, parts: Parts, cells: list[str], number: int) -> None:
        read = self._reader
        outcome = ""
        for place, key, to, head in self._columns:
            text = cells[place]
            if (
                not text
                or to in ATTEMPT
                or to in FOLLOW_UP
                or (to in ("family", "alias") and (is_ditto(text) or referred_to(text)))
            ):
                continue
            if to == "family" and self._known.family(text) is None and names_two_boards(text):
                raise Refused(
                    f"{head}: “{text}” names more than one board. Give each a row of its own.", number
                )
            if to == "complaint" and (above := self.cells_above.get(place, {}).get(number)):
                told, text = above, f"{text}: {above}"
            else:
                told = text
            if to == "verdict":
                text = self.cells_above.get(place, {}).get(number, text)
            if self._read_texts and to in READ and (to, told) not in parts.read:
                parts.read.append((to, told))
            if to == "verdict" and self.is_outcome(text):
                outcome = text
                parts.aside.append(f"{head}: {text}")
            elif to in _SCALARS:
                value = read.scalar(to, key, head, _fitting(to, head, text, parts.aside), parts.aside)
                if value is not None and parts.scalars.setdefault(to, value) != value:
                    raise Refused(f"The rows of one case say different things under {head}.", number)
            elif to in _JOINED:
                if text not in parts.texts[to]:
                    parts.texts[to].append(text)
            elif to == "alias":
                parts.aliases.append(" ".join(text.split()))
            elif to in ("uid", "work", TO_NOTES):
                parts.aside.append(f"{head}: {text}")
            elif to in ("symptoms", "symptom"):
                parts.symptoms |= read.symptoms(to, key, head, text, parts.aside)
            else:
                family = self._family_of(parts, cells, number)
                parts.add(parts.readings, read.readings(to, key, head, text, family, parts.aside))
        if outcome and self._reads_outcomes and number not in self._not_rows:
            outcome = outcomes.meant(outcome, self._rails.of(cells, [text for _, text in parts.read]))
            parts.read.append((OUTCOME, outcome))
        else:
            outcome = ""
        self._tried(parts, cells, outcome)
        self._followed(parts, cells)

    def _family_of(self, parts: Parts, cells: Sequence[str], number: int) -> str:
        """The board of a row that is not read to its end: what its column or its words name, else that of all."""
        if not (named := str(parts.scalars.get("family") or "")):
            named = next((cells[at] for at, _, to, _ in self._columns if to == "family" and cells[at]), "")
            named = "" if is_ditto(named) or referred_to(named) else named
        words = [cells[at] for at, _, to, _ in self._columns if to in READ and cells[at]]
        above = self.boards_above.get(number, "")
        return named or above or self.board_in(words) or self._family(parts)

    def _family(self, parts: Parts) -> str:
        return str(parts.scalars.get("family") or self._sheet.answers.get("family of all", ""))

    def _tried(self, parts: Parts, cells: list[str], outcome: str) -> None:
        new: list[dict[str, Any]] = []
        for columns in self._attempt_columns:
            given = {to: (key, head, cells[place]) for place, key, to, head in columns if cells[place]}
            if not given:
                continue
            if self._read_texts and not any(
                to in given for to in ("part", "part_class", "failure", "action")
            ):
                self._for_read_attempts(parts, given)
                continue
            attempt = self._reader.attempt(given, parts.aside)
            new += [attempt] if attempt else []
        if result := outcomes.outcome_of(outcome).result:
            for attempt in new:
                attempt.setdefault("result", result)
        parts.add(parts.attempts, new)

    def _for_read_attempts(self, parts: Parts, given: dict[str, tuple[str, str, str]]) -> None:
        """Keeps what cells say of tries that the words of the row name."""
        for to, value in self._reader.of_tries(given, parts.aside).items():
            parts.amounts.setdefault(to, (f"{given[to][1]}: {given[to][2]}", value))

    def _followed(self, parts: Parts, cells: list[str]) -> None:
        new = []
        for columns in self._follow_columns:
            given = {to: (key, head, cells[place]) for place, key, to, head in columns if cells[place]}
            if given:
                follow_up = self._reader.follow_up(given, parts.aside)
                new += [follow_up] if follow_up else []
        parts.add(parts.follow_ups, new)

    def _finished(self, parts: Parts, rows: Sequence[Row]) -> dict[str, Any]:
        row, scalars = rows[0][0], parts.scalars
        family = str(parts.scalars.get("family") or "")
        if not family and parts.aliases:
            family = parts.aliases.pop(0)
        if not family:
            family = self.board_in([text for to, text in parts.read if to != OUTCOME])
        if not family:
            family = self._family(parts)
        if not family:
            raise Refused("No board number stands in this row.", row)
        known = self._known.family(family)
        data: dict[str, Any] = {**scalars, "family": known.code if known else family}
        if (self._read_texts or self._reads_outcomes) and not self._not_rows.intersection(n for n, _ in rows):
            self._take_words(data, parts, family)
        self._place_amounts(parts)
        self._judge(data, parts, row)
        complaint = "\n".join(parts.texts["complaint"])
        if len(complaint) > _LONGEST_COMPLAINT:
            complaint, rest = _cut(complaint, _LONGEST_COMPLAINT)
            parts.aside.insert(0, f"The complaint goes on: {rest}")
        data["complaint"] = complaint
        data["notes"] = "\n".join([*parts.texts["notes"], *dict.fromkeys(parts.aside)])
        data["symptoms"] = [{"name": name, "present": present} for name, present in parts.symptoms.items()]
        data["readings"], data["attempts"] = parts.readings, parts.attempts
        data["follow_ups"] = parts.follow_ups
        own = code_key(data["family"])
        parts.aliases[:] = [one for one in dict.fromkeys(parts.aliases) if code_key(one) != own]
        return data

    def board_in(self, texts: Sequence[str]) -> str:
        """The board that the words of a row name, where it was chosen to look there."""
        answer = self._sheet.answers.get("board in text", decisions.REFUSE)
        if answer == decisions.REFUSE:
            return ""
        return board_named(texts, self._known, by_look=answer == "looks")

    def _take_words(self, data: dict[str, Any], parts: Parts, family: str) -> None:
        single: dict[str, Any] = {}
        read = facts_of(parts.read, self._known, family, tried=bool(parts.attempts))
        facts = [fact for _, one in read for fact in one.facts if fact.kind != RESULT]
        left_out = self._not_symptoms
        kept = [
            fact
            for fact in facts
            if fact.kind != "symptom" or getattr(fact.value, "name", "") not in left_out
        ]
        take_facts(kept, parts.symptoms, parts.readings, parts.attempts, single)
        if "verdict" in single and "verdict" not in data:
            data["verdict"] = single["verdict"]
        for kind in ("minutes", "cost"):
            if kind in single:
                parts.amounts.setdefault(kind, (f"{kind}: {single[kind]:g}", single[kind]))

    def _place_amounts(self, parts: Parts) -> None:
        """Minutes and cost of the row belong to its first try; a result holds for all that say none."""
        for to, (written, value) in parts.amounts.items():
            if not parts.attempts:
                parts.aside.append(written)
            elif to in ("minutes", "cost"):
                if all(to not in attempt for attempt in parts.attempts):
                    parts.attempts[0][to] = int(value) if to == "minutes" else value
            elif to == "result":
                for attempt in parts.attempts:
                    attempt.setdefault("result", value)
            elif to == "section":
                for attempt in parts.attempts:
                    if attempt.get("section", "other") == "other":
                        attempt["section"] = value

    def _judge(self, data: dict[str, Any], parts: Parts, row: int) -> None:
        """Sets what follows from the verdict: whether a try counts as cured, and when a case is closed."""
        if data.get("verdict") == decisions.OPEN:
            del data["verdict"]
        answer = self._sheet.answers.get("repaired where cured", "")
        if answer.startswith("=") and any(one.get("result") == "cured" for one in parts.attempts):
            data.setdefault("verdict", answer[1:])
        if data.get("closed") and not data.get("verdict"):
            answer = self._sheet.answers.get("closed without verdict", "")
            if answer == decisions.NOTES:
                parts.aside.append(f"closed {data.pop('closed')}")
            elif answer.startswith("="):
                data["verdict"] = answer[1:]
            else:
                raise Refused("There is a closing day but no verdict.", row)
        if not data.get("verdict"):
            answer = self._sheet.answers.get("no verdict", "")
            if answer.startswith("="):
                data["verdict"] = answer[1:]
            elif answer == decisions.REFUSE:
                raise Refused("No verdict stands in this row.", row)
        cured = self._sheet.answers.get("cured where repaired", "").removeprefix("=")
        for attempt in parts.attempts:
            if "result" not in attempt:
                attempt["result"] = cured if cured and data.get("verdict") == "repaired" else "not known yet"


def _cut(text: str, most: int) -> tuple[str, str]:
    """The text up to a space before its `most`th character, and the rest."""
    at = text.rfind(" ", most // 2, most - 1)
    at = at if at > 0 else most - 1
    return f"{text[:at].rstrip()}…", text[at:].strip()


def _fitting(to: str, head: str, text: str, aside: list[str]) -> str:
    """A cell as long as its field; what is longer goes on in the notes."""
    if len(text) <= _LONGEST_WORDS or to in ("family", "verdict", *DAYS):
        return text
    kept, rest = _cut(text, _LONGEST_WORDS)
    aside.append(f"{head} goes on: {rest}")
    return kept


def _by_turn(
    columns: list[tuple[int, str, str, str]], wanted: Sequence[str]
) -> list[list[tuple[int, str, str, str]]]:
    """Columns of one thing that may stand several times: all first ones, all second ones, and so on.

    Words that stand once for all (a result, a section) hold for each; amounts belong to the first.
    """
    of = {to: [column for column in columns if column[2] == to] for to in wanted}
    most = max((len(found) for found in of.values()), default=0)
    turns = []
    for turn in range(most):
        mine = [found[turn] for found in of.values() if turn < len(found)]
        if turn:
            shared = [
                found[0]
                for to, found in of.items()
                if len(found) == 1 and to in ("part_class", "section", "action", "result", "follow_up_state")
            ]
            mine += shared
        turns.append(mine)
    return turns


def grouped(
    rows: Rows, number_of: NumberOf, names_board: Callable[[list[str]], bool], *, to_above: bool
) -> Iterator[tuple[list[Row], int]]:
    """(rows of one case, which of several equal rows it is) of all rows, which are read twice.

    Rows with one case number are one case wherever they stand; a row without any is a case of its own, or
    belongs to the row above where `to_above` and it names no board either. Only rows whose case is not
    complete yet are held.
    """
    left = Counter(key for key, _ in _keyed(rows(), number_of, names_board, to_above))
    waiting: dict[str, list[Row]] = {}
    seen: Counter[bytes] = Counter()
    for key, row in _keyed(rows(), number_of, names_board, to_above):
        left[key] -= 1
        waiting.setdefault(key, []).append(row)
        if left[key]:
            continue
        del left[key]
        group = waiting.pop(key)
        if number_of(group[0][1]):
            yield group, 1
            continue
        digest = hashlib.blake2b(
            "\x1f".join(cell.strip() for _, cells in group for cell in cells if cell.strip()).encode(),
            digest_size=12,
        ).digest()
        seen[digest] += 1
        yield group, seen[digest]


def _keyed(
    rows: Iterable[Row], number_of: NumberOf, names_board: Callable[[list[str]], bool], to_above: bool
) -> Iterator[tuple[str, Row]]:
    last = ""
    for number, cells in rows:
        own = number_of(cells)
        if own:
            last = f"n{own}"
        elif not (to_above and last and not names_board(cells)):
            last = f"r{number}"
        yield last, (number, cells)
