"""The kit of a board family or of a kind of board: which parts to have at hand for most of its repairs."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from datetime import date

from sqlmodel import Session

from kb.errors import BadInput
from kb.exchange.sheets import table_text
from kb.facts.designators import normalise_designator
from kb.service.shop.shop import Shop
from kb.store.records import families, used_parts
from kb.suggest.kit import SHARE, KitPart, kit

__all__ = ["MOST_SHOWN", "SHARE", "YEARS", "KitLine", "KitView", "as_csv", "kinds", "of"]

YEARS = (1, 3, 5, 10)
MOST_REPAIRS = 5_000
MOST_SHOWN = 100  # on a page; the spreadsheet has all
# A new board is no part, and what is cleaned or soldered again takes none.
_TAKES_PART = ("replace", "recap section")
_HEADER = (
    "board family",
    "part",
    "part class",
    "section",
    "in the kit",
    "needed in repairs",
    "adds repairs",
    "covered so far",
    "of repairs",
)
_Key = tuple[str, str, str, str]  # family, designator, part class and section where no designator is known


@dataclass(frozen=True, slots=True)
class KitLine:
    """One part of the list: `part` its designator, "" where none was noted; `in_kit` before the share is reached.

    `needed` in so many repairs; `adds` those covered with it and not before, `covered` all with the parts so far.
    """

    family: str
    part: str
    part_class: str
    section: str
    needed: int
    adds: int
    covered: int
    in_kit: bool


@dataclass(frozen=True, slots=True)
class KitView:
    """`repairs` of the shop's own since `first` took a part, `without_part` more took none or none was noted.

    `cut` where there were more repairs than were looked at, which are the newest.
    """

    title: str
    first: date
    lines: tuple[KitLine, ...]
    size: int
    repairs: int
    covered: int
    without_part: int
    smallest: bool
    cut: bool


def kinds(shop: Shop) -> list[str]:
    """The kinds of board that families have, by name."""

    def read(session: Session) -> list[str]:
        return sorted({one.kind for one in shop.kept.families(session) if one.kind})

    with shop.read() as session:
        return shop.kept.get(session, "kinds of board", ("family",), read)


def of(shop: Shop, *, family: str = "", kind: str = "", years: int = 3) -> KitView:
    """The kit of one family, or of all families of a kind, from the repairs of so many years.

    Raises NotFound for an unknown family, BadInput where neither or both are named or no board is of that kind.
    """
    if bool(family) == bool(kind):
        raise BadInput(
            "A kit is for one board family or for one kind of board.",
            field="family",
            remedy="Name a family, or choose a kind, and leave the other empty.",
        )
    today = shop.today()
    # From the first of the month, so that what was worked out lasts.
    first = date(today.year - years, today.month, 1)
    with shop.read() as session:
        every = shop.kept.families(session)
        if family:
            code = families.get(session, family).record.code
            chosen, title = [one for one in every if one.code == code], code
        else:
            chosen, title = [one for one in every if one.kind == kind], kind
        if not chosen:
            raise BadInput(
                f"No board family is of the kind “{kind}”.", field="kind", remedy="Choose one of the list."
            )
        codes = {one.id: one.code for one in chosen}
        name = f"kit of {'family' if family else 'kind'} {title} since {first}"
        return shop.kept.get(
            session,
            name,
            ("case", "family", "part_class"),
            lambda session: _read(session, title, codes, first),
        )


def as_csv(view: KitView) -> str:
    """The list for a spreadsheet: a row a part, formulas made harmless."""
    return table_text(_HEADER, (_row(line, view.repairs) for line in view.lines))


def _row(line: KitLine, repairs: int) -> tuple[object, ...]:
    words = (line.family, line.part, line.part_class, line.section)
    in_kit = "yes" if line.in_kit else "no"
    return (*words, in_kit, line.needed, line.adds, line.covered, repairs)


def _read(session: Session, title: str, codes: dict[int, str], first: date) -> KitView:
    rows = used_parts.repaired_since(session, list(codes), first, MOST_REPAIRS + 1)
    cut, rows = len(rows) > MOST_REPAIRS, rows[:MOST_REPAIRS]
    family_of = {row.id: codes[row.family_id] for row in rows}
    taken: dict[int, set[_Key]] = {}
    classes: dict[_Key, Counter[tuple[str, str]]] = {}
    for row in used_parts.of_cases(session, list(family_of)):
        if not _takes_part(row.action):
            continue
        part = normalise_designator(row.part)
        key = (family_of[row.case_id], part, *(("", "") if part else (row.part_class, row.section)))
        taken.setdefault(row.case_id, set()).add(key)
        classes.setdefault(key, Counter())[row.part_class, row.section] += 1
    found = kit(Counter(frozenset(parts) for parts in taken.values()))
    return KitView(
        title,
        first,
        tuple(_line(one, classes, number < found.size) for number, one in enumerate(found.parts)),
        found.size,
        found.repairs,
        found.covered,
        len(rows) - len(taken),
        found.smallest,
        cut,
    )


def _takes_part(action: str) -> bool:
    return action.strip().casefold() in _TAKES_PART


def _line(one: KitPart[_Key], classes: dict[_Key, Counter[tuple[str, str]]], in_kit: bool) -> KitLine:
    family, part, _, _ = one.part
    part_class, section = min(classes[one.part], key=lambda name: (-classes[one.part][name], name))
    return KitLine(family, part, part_class, section, one.needed, one.adds, one.covered, in_kit)
