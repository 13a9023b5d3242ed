"""What to order: what open cases wait for, what has run low, and what the boards on the bench are likely to need."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field

from sqlmodel import Session

from kb.errors import BadInput
from kb.exchange.sheets import table_text
from kb.facts.designators import code_key, designator_key, is_designator
from kb.facts.quantities import UNITS, is_quantity
from kb.model import CaseRecord, FamilyRecord
from kb.service.diagnose import diagnosis
from kb.service.parts.case_evidence import evidence_of
from kb.service.parts.shelf import Shelf, ShelfLine, by_words, known
from kb.service.shop.shop import Shop
from kb.store.records import case_lists, cases, changes, families
from kb.suggest.orders import SHARE, chances_of_parts, enough

__all__ = ["SHARE", "OrderLine", "OrderList", "Wanted", "as_csv", "view"]

MOST_BOARDS = 25
_MOST_WAITING = 200
_LEADING = 12
_LEAST_CHANCE = 0.05
_NO_PART = ("solder joint", "circuit board")  # what is soldered or patched takes no part
_HEADER = (
    "part",
    "part class",
    "value and ratings",
    "order",
    "on the shelf",
    "least count",
    "cases wait for",
    "likely needed",
    "price",
    "together",
)
_COUNTED = re.compile(r"([1-9][0-9]?)(?: ?[x×] ?| pcs\.? | )(?=\D)(.+)")
_BETWEEN = re.compile(r"[;,] | and | ?\+ ?")


@dataclass(frozen=True, slots=True)
class Wanted:
    """A case that waits for a part, or a board that needs it with this chance; `count` parts of it."""

    uid: str
    family: str
    chance: float = 1.0
    count: int = 1
    part: str = ""

    @property
    def short(self) -> str:
        return self.uid[:8]


@dataclass(frozen=True, slots=True)
class OrderLine:
    """One part: `order` of them, `likely` so many needed on average by the boards in `boards`.

    `line` is the part of the shelf, None where the shelf has none; `waiting` the cases that wait for it.
    """

    name: str
    line: ShelfLine | None
    waiting: tuple[Wanted, ...]
    boards: tuple[Wanted, ...]
    order: int

    @property
    def likely(self) -> float:
        return sum(one.chance for one in self.boards)

    @property
    def waited_for(self) -> int:
        return sum(one.count for one in self.waiting)

    @property
    def cost(self) -> float | None:
        price = self.line.record.price if self.line else None
        return None if price is None else round(price * self.order, 2)


@dataclass(frozen=True, slots=True)
class OrderList:
    """Parts to order, those that cases wait for first, and `enough`, those that are needed and at hand.

    `boards` were looked at, the newest on the bench; `cut` where there are more. `cost` of what has a price;
    `unpriced` lines have none.
    """

    lines: tuple[OrderLine, ...]
    enough: tuple[OrderLine, ...]
    boards: int
    waiting: int
    cut: bool

    @property
    def cost(self) -> float:
        return round(sum(line.cost or 0.0 for line in self.lines), 2)

    @property
    def unpriced(self) -> int:
        return sum(line.cost is None for line in self.lines)


@dataclass(slots=True)
class _Part:
    name: str
    line: ShelfLine | None
    waiting: list[Wanted] = field(default_factory=list)
    boards: list[Wanted] = field(default_factory=list)


# What a board needs: (part of the board, part class, section) with its chance.
_Needs = Mapping[tuple[str, str, str], float]


def view(shop: Shop) -> OrderList:
    """The order list of this moment, worked out again on another day or when what it rests on has changed."""
    kept = shop.kept.notes("order list")
    with shop.read() as session:
        seen = changes.newest(session, ("case", "family", "shelf_part", "part_class", "symptom"))
        if kept.get("of") == (seen, shop.today()):
            found: OrderList = kept["list"]
            return found
        shelf = known(shop, session)
        waiting = _loaded(session, case_lists.page(session, "waiting", limit=_MOST_WAITING, offset=0)[1])
        total, ids = case_lists.page(session, "open", limit=MOST_BOARDS, offset=0)
        boards = _loaded(session, ids)
        codes = {one.record.family for one in (*waiting, *boards)}
        numbers = [one.id for one in shop.kept.families(session) if one.code in codes]
        known_families = {one.record.code: one.record for one in families.by_ids(session, numbers)}
        lists_seen = changes.newest(session, ("family", "part_class", "symptom"))
    # Ranking opens sessions of its own.
    needs = _needs(shop, boards, lists_seen)
    parts: dict[str, _Part] = {}
    for case in waiting:
        for text, count in _items(case.record.waiting_for):
            _add_waiting(parts, shelf, known_families[case.record.family], case.record, text, count)
    for case in boards:
        record = case.record
        for name, chance in needs[str(record.uid)].items():
            _add_likely(parts, shelf, known_families[record.family], record, name, chance)
    for line in shelf.lines:
        if line.short:
            _part_of(parts, line.record.name, line)
    made = _list_of(parts, len(boards), len(waiting), total > len(boards))
    kept |= {"list": made, "of": (seen, shop.today())}
    return made


def _loaded(session: Session, ids: list[int]) -> list[cases.StoredCase]:
    found = cases.load(session, ids)
    return [found[case_id] for case_id in ids]


def _needs(shop: Shop, boards: list[cases.StoredCase], seen: object) -> dict[str, _Needs]:
    """What each board needs. A board whose case did not change is not ranked again on the same day."""
    kept = shop.kept.notes("needs of boards")
    keys = {str(case.record.uid): (case.record.uid, case.version, seen, shop.today()) for case in boards}
    found: dict[str, _Needs] = {}
    for case in boards:
        key = keys[str(case.record.uid)]
        if key not in kept:
            kept[key] = _needs_of(shop, case.record)
        found[str(case.record.uid)] = kept[key]
    if len(kept) > 4 * MOST_BOARDS:
        current = set(keys.values())
        for gone in [one for one in list(kept) if one not in current]:
            kept.pop(gone, None)
    return found


def _needs_of(shop: Shop, record: CaseRecord) -> _Needs:
    try:
        causes = diagnosis.suggest(shop, evidence_of(record), limit=_LEADING).ranking.causes
    except BadInput:
        return {}  # what the case says contradicts itself, which its own page tells
    tried = {designator_key(one.part) for one in record.attempts if one.part}
    named: dict[tuple[str, str, str], float] = {}
    for cause in causes:
        if cause.part_class in _NO_PART:
            continue
        parts = dict(cause.parts) or {"": 1}
        for part, chance in chances_of_parts([(min(1.0, cause.probability), parts)]).items():
            if part and designator_key(part) in tried:
                continue
            key = (part, cause.part_class, "" if part else cause.section)
            named[key] = named.get(key, 0.0) + chance
    return {name: min(1.0, chance) for name, chance in named.items() if chance >= _LEAST_CHANCE}


def _items(text: str) -> Iterator[tuple[str, int]]:
    """What a case waits for, one part after another: "T3.15A fuse, 2 capacitors"."""
    for item in _BETWEEN.split(" ".join(text.split())):
        words = item.strip(" .,;")
        if not words:
            continue
        found = _COUNTED.fullmatch(words)
        if found and not _is_value(words):
            yield found[2].strip(), int(found[1])
        else:
            yield words, 1


def _is_value(words: str) -> bool:
    """Whether a number at the beginning belongs to a value: 22 µF 50 V and not 2 capacitors."""
    first, _, rest = words.partition(" ")
    text = f"{first} {rest.split(' ')[0]}" if first.isdigit() else first
    return any(is_quantity(text, unit) for unit in UNITS)


def _part_of(parts: dict[str, _Part], name: str, line: ShelfLine | None) -> _Part:
    return parts.setdefault(name.casefold(), _Part(name, line))


def _add_waiting(
    parts: dict[str, _Part], shelf: Shelf, family: FamilyRecord, record: CaseRecord, text: str, count: int
) -> None:
    line = (
        shelf.by_name.get(text.casefold())
        or shelf.by_type.get(code_key(text))
        or _by_designator(shelf, family, text)
        or by_words(shelf, text)
    )
    part = _part_of(parts, line.record.name if line else text, line)
    part.waiting.append(Wanted(str(record.uid), record.family, count=count))


def _by_designator(shelf: Shelf, family: FamilyRecord, text: str) -> ShelfLine | None:
    for word in text.split():
        if is_designator(word) and (lines := shelf.at(family, word)):
            return lines[0]
    return None


def _add_likely(
    parts: dict[str, _Part],
    shelf: Shelf,
    family: FamilyRecord,
    record: CaseRecord,
    name: tuple[str, str, str],
    chance: float,
) -> None:
    designator, part_class, section = name
    lines = shelf.at(family, designator) if designator else ()
    where = f"{designator} {part_class}" if designator else f"{part_class}, {section}"
    part = _part_of(
        parts, lines[0].record.name if lines else f"{family.code} {where}", lines[0] if lines else None
    )
    part.boards.append(Wanted(str(record.uid), record.family, chance, part=designator))


def _list_of(parts: dict[str, _Part], boards: int, waiting: int, cut: bool) -> OrderList:
    lines, plenty = [], []
    for part in parts.values():
        count = part.line.record.count if part.line else 0
        least = (part.line.record.least or 0) if part.line else 0
        # A board that waits for the part is not counted again among those that may need it.
        waits = {one.uid for one in part.waiting}
        others = tuple(one for one in part.boards if one.uid not in waits)
        wanted = sum(one.count for one in part.waiting) + enough([one.chance for one in others])
        order = max(0, max(wanted, least) - count)
        ranked = tuple(sorted(others, key=lambda one: (-one.chance, one.uid)))
        line = OrderLine(part.name, part.line, tuple(part.waiting), ranked, order)
        if order:
            lines.append(line)
        elif part.line is not None and wanted:
            plenty.append(line)

    def rank(line: OrderLine) -> tuple[float, float, str]:
        return -line.waited_for, -line.likely, line.name.casefold()

    return OrderList(tuple(sorted(lines, key=rank)), tuple(sorted(plenty, key=rank)), boards, waiting, cut)


def as_csv(found: OrderList) -> str:
    """The list for a spreadsheet: a row a part, formulas made harmless."""
    return table_text(_HEADER, map(_row, found.lines))


def _row(line: OrderLine) -> tuple[object, ...]:
    record = line.line.record if line.line else None
    return (
        line.name,
        record.part_class if record else "",
        line.line.said if line.line else "",
        line.order,
        record.count if record else "",
        record.least if record else "",
        line.waited_for,
        round(line.likely, 2),
        record.price if record else "",
        line.cost,
    )
