"""The parts shelf: what there is, what may stand in for what, and what a repair takes from it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from sqlmodel import Session

from kb.errors import BadInput, NotFound, OthersCase
from kb.exchange.sheets import table_text
from kb.facts.designators import code_key, designator_key, is_designator
from kb.facts.quantities import format_quantity
from kb.facts.stand_ins import Ratings, Say, StandIn, may_stand_in, rating_said
from kb.model import Attempt, CaseRecord, FamilyRecord, ShelfPartRecord, UsedAt, as_dict
from kb.service.boards.families import leading_fixes
from kb.service.shop.shop import Shop
from kb.store.records import bins, cases, families, lists
from kb.store.records.cases import Writer
from kb.store.tables.core import PartClass

__all__ = [
    "MOST_LISTED",
    "CaseShelf",
    "Offer",
    "Shelf",
    "ShelfLine",
    "StandInLine",
    "accept",
    "as_csv",
    "by_words",
    "fits",
    "for_case",
    "known",
    "listed",
    "named",
    "put_back",
    "ratings_said",
    "remove",
    "save",
    "stand_ins",
    "take",
    "take_within",
    "takes_part",
]

MOST_LISTED = 100
_MOST_OFFERED = 4
_USUAL_FIXES = 6
_TAKES_PART = ("replace", "recap section")
_PLAIN = tuple(
    name for name in ShelfPartRecord.model_fields if name not in ("record", "used_at", "instead_of", "notes")
)
_HEADER = (*_PLAIN, "fits", "may stand in for", "notes")


@dataclass(frozen=True, slots=True)
class ShelfLine:
    """One part with its ratings in words; `short` where there are fewer than its least count."""

    record: ShelfPartRecord
    said: str
    short: bool


@dataclass(frozen=True, slots=True)
class StandInLine:
    """Another part of the shelf that may stand in, or not; `accepted` is the shop's own reason where it has said so."""

    line: ShelfLine
    found: StandIn
    accepted: str = ""


@dataclass(frozen=True, slots=True)
class Offer:
    """A part of the shelf for one place of a board. `why` says on what that rests; `say` "yes" where it belongs
    there or the shop has accepted it, "look" where it has to be compared first."""

    line: ShelfLine
    say: Say
    why: str


@dataclass(frozen=True, slots=True)
class CaseShelf:
    """What the shelf has for a case: offers for each of its fixes, in their order, and for the fixes that
    usually cure such a board, each as the fix it would be. Empty for another shop's case."""

    offers: tuple[tuple[Offer, ...], ...] = ()
    usual: tuple[tuple[Attempt, Offer], ...] = ()
    parts: int = 0


@dataclass(frozen=True, slots=True)
class Shelf:
    """All parts of the shelf in order of their names, by folded name, type number, class and place on a board."""

    lines: tuple[ShelfLine, ...]
    by_name: Mapping[str, ShelfLine]
    by_type: Mapping[str, ShelfLine]
    by_class: Mapping[str, tuple[ShelfLine, ...]]
    by_place: Mapping[tuple[str, str], tuple[ShelfLine, ...]]

    def at(self, family: FamilyRecord, part: str) -> tuple[ShelfLine, ...]:
        """The parts that are noted for a place of a board, by any of the family's numbers."""
        keys = dict.fromkeys(code_key(number) for number in (family.code, *family.aliases))
        place = designator_key(part)
        return tuple(line for key in keys for line in self.by_place.get((key, place), ()))


def known(shop: Shop, session: Session) -> Shelf:
    """The shelf, read again when a part of it has changed."""
    return shop.kept.get(session, "shelf", ("shelf_part",), _read)


def _read(session: Session) -> Shelf:
    lines = tuple(_line(record) for record in lists.shelf_parts(session))
    by_class: dict[str, list[ShelfLine]] = {}
    by_place: dict[tuple[str, str], list[ShelfLine]] = {}
    for line in lines:
        by_class.setdefault(line.record.part_class, []).append(line)
        for place in line.record.used_at:
            by_place.setdefault((code_key(place.family), designator_key(place.part)), []).append(line)
    return Shelf(
        lines,
        {line.record.name.casefold(): line for line in lines},
        {code_key(line.record.type_number): line for line in lines if line.record.type_number},
        {name: tuple(found) for name, found in by_class.items()},
        {place: tuple(found) for place, found in by_place.items()},
    )


def _line(record: ShelfPartRecord) -> ShelfLine:
    return ShelfLine(record, ratings_said(record), record.least is not None and record.count < record.least)


def ratings_said(record: ShelfPartRecord) -> str:
    """Value and ratings in one line: "1000 µF ± 20 %, 25 V, 105 °C, ESR 30 mΩ, radial 5 mm"."""
    said = []
    if record.value is not None and record.unit:
        tolerance = f" ± {record.tolerance_pct:g} %" if record.tolerance_pct is not None else ""
        said.append(rating_said(record.value, record.unit) + tolerance)
    for name, unit in (("max_v", "V"), ("max_a", "A"), ("max_w", "W"), ("max_c", "degC")):
        value = getattr(record, name)
        if value is not None:
            said.append(rating_said(value, unit))
    if record.esr_ohm is not None:
        said.append("ESR " + format_quantity(record.esr_ohm, "ohm"))
    return ", ".join(part for part in (record.type_number, record.kind, *said, record.package) if part)


def ratings_of(record: ShelfPartRecord) -> Ratings:
    """What decides whether a part may stand in for another."""
    names = Ratings.__dataclass_fields__
    return Ratings(**{name: getattr(record, name) for name in names})


def listed(
    shop: Shop, typed: str = "", *, only_short: bool = False, limit: int = MOST_LISTED, offset: int = 0
) -> tuple[int, int, list[ShelfLine]]:
    """(how many are shown in all, how many are short, one page of them) of the parts that hold every word typed."""
    with shop.read() as session:
        shelf = known(shop, session)
    words = typed.casefold().replace(",", " ").split()
    found = [
        line
        for line in shelf.lines
        if (line.short or not only_short) and all(word in _words(line) for word in words)
    ]
    return len(found), sum(line.short for line in shelf.lines), found[offset : offset + limit]


def _words(line: ShelfLine) -> str:
    record = line.record
    places = " ".join(f"{one.family} {one.part}" for one in record.used_at)
    said = line.said.replace("\N{NO-BREAK SPACE}", " ")
    return (
        f"{record.name} {record.part_class} {said} {said.replace(' ', '')} {record.place} {places}".casefold()
    )


def by_words(shelf: Shelf, text: str) -> ShelfLine | None:
    """The one part that holds every word of a text, None where none or several do."""
    wanted = set(text.casefold().replace(",", " ").split())
    found = [
        line
        for line in shelf.lines
        if wanted <= set(_words(line).replace(",", " ").replace(":", " ").split())
    ]
    return found[0] if wanted and len(found) == 1 else None


def find(shop: Shop, name: str) -> tuple[ShelfPartRecord, int]:
    """A part and its version. Raises NotFound."""
    with shop.read() as session:
        return lists.shelf_part(session, name)


def save(shop: Shop, record: ShelfPartRecord, *, expected_version: int | None = None) -> str:
    """Adds or changes a part under the list's own name of its class: "added", "updated" or "unchanged".

    Raises BadInput for a class or board family that is not known, Conflict where somebody else was faster.
    """
    with shop.write() as session:
        record = _checked(session, record)
        outcome = lists.save(session, record, expected_version=expected_version)
    shop.refresh()
    return outcome


def _checked(session: Session, record: ShelfPartRecord) -> ShelfPartRecord:
    part_class = lists.Names(session, PartClass).find(record.part_class)
    if part_class is None:
        raise BadInput(
            f"There is no part class “{record.part_class}”.",
            field="part_class",
            remedy="Choose one of the list; a new one is added under Data, part classes.",
        )
    places = []
    for one in record.used_at:
        family = families.find(session, one.family)
        if family is None:
            raise BadInput(
                f"There is no board family {one.family}.",
                field="used_at",
                remedy="Check the number, or add the family first.",
            )
        places.append(one.model_copy(update={"family": family[1]}))
    return record.model_copy(update={"part_class": part_class[1], "used_at": places})


def remove(shop: Shop, name: str) -> None:
    """Puts a part in the bin, from which it can be taken back. Raises NotFound."""
    with shop.write() as session:
        bins.put(session, "shelf_part", name)
    shop.refresh()


def stand_ins(shelf: Shelf, wanted: ShelfPartRecord) -> tuple[StandInLine, ...]:
    """The other parts of the shelf that may stand in for one, those that may first; of others only the same class."""
    rank = {"yes": 0, "look": 1, "no": 2}
    found = []
    for line in shelf.lines:
        if line.record.name.casefold() == wanted.name.casefold():
            continue
        accepted = _accepted(line.record, wanted)
        judged = may_stand_in(ratings_of(line.record), ratings_of(wanted))
        if accepted or judged.say != "no" or line.record.part_class == wanted.part_class:
            found.append(StandInLine(line, judged, accepted))
    return tuple(
        sorted(
            found, key=lambda one: (not one.accepted, rank[one.found.say], one.line.record.name.casefold())
        )
    )


def _accepted(offered: ShelfPartRecord, wanted: ShelfPartRecord) -> str:
    names = {code_key(wanted.name), code_key(wanted.type_number)} - {""}
    return next((one.rule for one in offered.instead_of if code_key(one.part) in names), "")


def accept(shop: Shop, name: str, *, instead_of: str, rule: str = "") -> None:
    """Notes that the shop takes a part in place of another, with the rule that allows it.

    Raises BadInput where a rule forbids it, and where nothing decides it and no reason is given.
    """
    with shop.write() as session:
        record, version = lists.shelf_part(session, name)
        wanted = known(shop, session).by_name.get(instead_of.strip().casefold())
        reason = rule.strip()
        if wanted is not None:
            judged = may_stand_in(ratings_of(record), ratings_of(wanted.record))
            if judged.say == "no":
                raise BadInput(
                    f"{record.name} never takes the place of {wanted.record.name}. {judged.why}",
                    field="instead_of",
                    remedy="Order the right part.",
                )
            reason = reason or (judged.why if judged.say == "yes" else "")
        if not reason:
            raise BadInput(
                "Nothing on record decides that.",
                field="rule",
                remedy="Say why it may take its place: what was compared, and with what result.",
            )
        others = [one for one in record.instead_of if one.part.casefold() != instead_of.strip().casefold()]
        entry = {"part": instead_of, "rule": reason}
        changed = as_dict(record) | {"instead_of": [*(as_dict(one) for one in others), entry]}
        lists.save(session, ShelfPartRecord.model_validate(changed), expected_version=version)
    shop.refresh()


def fits(shelf: Shelf, family: FamilyRecord, attempt: Attempt) -> tuple[Offer, ...]:
    """What the shelf has for the place of one fix, at most a few: what belongs there, else what may stand in."""
    belongs = shelf.at(family, attempt.part) if attempt.part else ()
    offers = [Offer(line, "yes", f"noted for {attempt.part} of {family.code}") for line in belongs]
    if any(line.record.count for line in belongs):
        return tuple(offers[:_MOST_OFFERED])
    for wanted in belongs:
        for other in stand_ins(shelf, wanted.record):
            if not other.line.record.count or (other.found.say == "no" and not other.accepted):
                continue
            why = other.accepted or other.found.why
            say: Say = "yes" if other.accepted else other.found.say
            offers.append(Offer(other.line, say, f"in place of {wanted.record.name}: {why}"))
    if not belongs:
        same = shelf.by_class.get(attempt.part_class, ())
        compare = "compare value and ratings with the old part"
        offers += [Offer(line, "look", compare) for line in same if line.record.count]
    return tuple(offers[:_MOST_OFFERED])


def for_case(shop: Shop, record: CaseRecord, family: FamilyRecord) -> CaseShelf:
    """What the shelf has for a case of the shop's own; for a board that is done only for the fixes it had."""
    if record.origin:
        return CaseShelf()
    with shop.read() as session:
        shelf = known(shop, session)
    if not shelf.lines:
        return CaseShelf()
    offers = tuple(
        fits(shelf, family, one) if takes_part(one) and not one.shelf_part else () for one in record.attempts
    )
    usual = _usual(shop, shelf, record, family) if record.verdict is None else ()
    return CaseShelf(offers, usual, len(shelf.lines))


def _usual(
    shop: Shop, shelf: Shelf, record: CaseRecord, family: FamilyRecord
) -> tuple[tuple[Attempt, Offer], ...]:
    tried = {designator_key(one.part) for one in record.attempts if one.part}
    found: list[tuple[Attempt, Offer]] = []
    for fix in leading_fixes(shop, family.code, _USUAL_FIXES)[0]:
        for part, _ in fix.record.parts:
            line = next((one for one in shelf.at(family, part) if one.record.count), None)
            if line is None or designator_key(part) in tried or len(found) >= _MOST_OFFERED:
                continue
            tried.add(designator_key(part))
            proto = Attempt(part=part, part_class=fix.record.part_class, section=fix.record.section)
            found.append((proto, Offer(line, "yes", f"noted for {part} of {family.code}")))
    return tuple(found)


def of_family(shop: Shop, family: FamilyRecord) -> list[tuple[str, ShelfLine]]:
    """The parts at hand that are noted for places of a board, with the place, in order of the places."""
    with shop.read() as session:
        shelf = known(shop, session)
    keys = {code_key(number) for number in (family.code, *family.aliases)}
    found = [
        (place.part, line)
        for line in shelf.lines
        if line.record.count
        for place in line.record.used_at
        if code_key(place.family) in keys
    ]
    return sorted(found, key=lambda one: (one[0], one[1].record.name))


def takes_part(attempt: Attempt) -> bool:
    """Whether a fix takes a part at all: what is soldered again or cleaned takes none."""
    return attempt.action.strip().casefold() in _TAKES_PART


def named(attempt: Attempt) -> str:
    """What tells a fix from the others of its case on a form."""
    return "|".join((attempt.part, attempt.part_class, attempt.section))


def take(
    shop: Shop,
    uid: str,
    name: str,
    *,
    attempt: str = "",
    new: Attempt | None = None,
    count: int = 1,
    expected_version: int | None = None,
) -> CaseRecord:
    """Takes parts from the shelf for a case, for a fix that it has (by `named`) or for a `new` one.

    One transaction, which no other can come between: of two people who take the last one at the same time one is
    refused. Raises NotFound, OthersCase, Conflict, and BadInput where too few are left or the case has no such fix.
    """
    with shop.write() as session:
        stored = cases.get(session, uid)
        if stored.record.origin:
            raise OthersCase(uid)
        attempts = list(stored.record.attempts)
        place = _attempt_place(attempts, attempt) if new is None else len(attempts)
        if new is not None:
            attempts.append(new)
        attempts[place] = take_within(shop, session, name, attempts[place], stored.record.family, count)
        record = _written(session, stored.record, attempts, expected_version)
    shop.refresh()
    return record


def take_within(
    shop: Shop, session: Session, name: str, attempt: Attempt, family: str, count: int = 1
) -> Attempt:
    """Counts parts off within a transaction that writes the case, and returns the fix that took them.

    Raises NotFound, and BadInput where too few are left.
    """
    part, version = lists.shelf_part(session, name)
    if not 1 <= count <= 1_000:
        raise BadInput(f"{count} cannot be taken.", field="count", remedy="Take one or more.")
    if part.count < count:
        left = f"Only {part.count} of {part.name} are" if part.count > 1 else f"Only 1 of {part.name} is"
        raise BadInput(
            f"{left if part.count else f'None of {part.name} is'} left on the shelf.",
            field="part",
            remedy="Look whether somebody took it a moment ago, or order it.",
        )
    places = _used_at(known(shop, session), part, family, attempt.part)
    left_over = part.model_copy(update={"count": part.count - count, "used_at": places})
    lists.save(session, left_over, expected_version=version)
    cost = attempt.cost
    if cost is None and part.price is not None:
        cost = round(part.price * count, 2)
    return attempt.model_copy(
        update={"shelf_part": part.name, "shelf_count": count if count > 1 else None, "cost": cost}
    )


def _attempt_place(attempts: Sequence[Attempt], wanted: str, *, taken: bool = False) -> int:
    for place, one in enumerate(attempts):
        if named(one) == wanted and bool(one.shelf_part) == taken:
            return place
    raise BadInput(
        "The case has no such fix any more.",
        field="attempt",
        remedy="Look at the case again: it was changed meanwhile.",
    )


def _written(
    session: Session, record: CaseRecord, attempts: list[Attempt], expected_version: int | None
) -> CaseRecord:
    changed = CaseRecord.model_validate(as_dict(record) | {"attempts": [as_dict(one) for one in attempts]})
    Writer(session).write([changed], expected_version=expected_version)
    return changed


def _used_at(shelf: Shelf, part: ShelfPartRecord, family: str, designator: str) -> list[UsedAt]:
    """The places a part belongs to, with this one where no part of the shelf is noted for it yet."""
    place = (code_key(family), designator_key(designator))
    if not is_designator(designator) or shelf.by_place.get(place) or len(part.used_at) >= 200:
        return list(part.used_at)
    return [*part.used_at, UsedAt(family=family, part=designator[:80])]


def put_back(shop: Shop, uid: str, attempt: str) -> CaseRecord:
    """Puts what a fix took back on the shelf, with its cost where that was the part's price.

    Raises NotFound, OthersCase, and BadInput where the fix took nothing.
    """
    with shop.write() as session:
        stored = cases.get(session, uid)
        if stored.record.origin:
            raise OthersCase(uid)
        attempts = list(stored.record.attempts)
        place = _attempt_place(attempts, attempt, taken=True)
        one = attempts[place]
        count, update = one.shelf_count or 1, {"shelf_part": "", "shelf_count": None}
        try:
            part, version = lists.shelf_part(session, one.shelf_part)
        except NotFound as error:
            raise BadInput(
                f"{one.shelf_part} is no part of the shelf any more.",
                field="attempt",
                remedy="Take it out of the bin first, or edit the case.",
            ) from error
        if part.price is not None and one.cost == round(part.price * count, 2):
            update["cost"] = None
        attempts[place] = one.model_copy(update=update)
        record = _written(session, stored.record, attempts, None)
        lists.save(session, part.model_copy(update={"count": part.count + count}), expected_version=version)
    shop.refresh()
    return record


def as_csv(shop: Shop) -> str:
    """The shelf for a spreadsheet: a row a part, values in SI base units, formulas made harmless."""
    with shop.read() as session:
        lines = known(shop, session).lines
    return table_text(_HEADER, (_row(line.record) for line in lines))


def _row(record: ShelfPartRecord) -> tuple[object, ...]:
    plain = [getattr(record, name) for name in _PLAIN]
    places = "; ".join(f"{one.family} {one.part}" for one in record.used_at)
    instead = "; ".join(f"{one.part} ({one.rule})" for one in record.instead_of)
    return (*plain, places, instead, record.notes)
