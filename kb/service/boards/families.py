"""Browsing by board family: its rails with what they really measure, and what fixed it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

from sqlmodel import Session

from kb.bench.rails import Gauge, RailReading, Typical, condition_of, gauge, typical
from kb.errors import BadInput, Taken
from kb.model import CaseRecord, Connector, FamilyRecord, Rail
from kb.search import Filters
from kb.service.boards import pictures, places
from kb.service.boards.pictures import PictureView
from kb.service.boards.places import Place
from kb.service.shop.cut_off import indexed_cases
from kb.service.shop.cut_off.retry import retry_when_cut_off
from kb.service.shop.cut_off.small_tables import is_copy
from kb.service.shop.shop import Shop
from kb.service.shop.translate import find_rail, spec_of
from kb.store.records import bins, case_lists, cases, families, totals
from kb.store.records.families import FamilyNames
from kb.suggest import Lasting, Record, StillWorking, fix_records, lasting_in_family

YEAR_DAYS = 365
_LATEST = 8
MOST_LISTED = 50
_MOST_OFFERED = 60
# What is usual shows in so many of a family's newest boards.
_MEASURED = 60
MOST_FIXES = 12
_CASES_OF_FIX = 20
_PARTS_OF_FIX = 3
_STATES = (("standby", "none"), ("running", "none"), ("running", "test load"), ("running", "in the set"))


@dataclass(frozen=True, slots=True)
class FamilyLine:
    """What a list of families shows."""

    code: str
    kind: str
    aliases: tuple[str, ...]
    cases: int


@dataclass(frozen=True, slots=True)
class UsualReading:
    """What good boards of a family measured on a rail in one state, drawn against its window."""

    supply: str
    load: str
    typical: Typical
    gauge: Gauge


@dataclass(frozen=True, slots=True)
class RailLine:
    """One rail of a family with its window and its usual readings; `trouble` where it cannot be judged."""

    rail: Rail
    gauge: Gauge | None
    usual: tuple[UsualReading, ...]
    trouble: str | None = None


@dataclass(frozen=True, slots=True)
class ConnectorLine:
    """A connector to draw, with what each known pin carries."""

    connector: Connector
    marks: tuple[tuple[int, str], ...]


@dataclass(frozen=True, slots=True)
class FixLine:
    """A fix as recorded on a family, how long it lasted, and its newest cases."""

    record: Record
    after_a_year: StillWorking | None
    case_uids: tuple[str, ...]
    curve: Lasting


@dataclass(frozen=True, slots=True)
class FamilyView:
    """A family's page: of `fixes_total` the leading fixes, without their cases.

    `from_memory` says that the store could not be read: then what good boards measured is left out, and the
    cases are as the search index holds them. `board` is the first picture of its board, on which `pinned` names lie;
    `places` shows where the parts of the fixes are, by their designators."""

    record: FamilyRecord
    version: int
    cases: int
    rails: tuple[RailLine, ...]
    connectors: tuple[ConnectorLine, ...]
    fixes: tuple[FixLine, ...]
    fixes_total: int
    latest: tuple[CaseRecord, ...]
    from_memory: bool = False
    board: PictureView | None = None
    pinned: int = 0
    places: Mapping[str, Place] = field(default_factory=dict)


@retry_when_cut_off
def listed(
    shop: Shop, start: str = "", *, limit: int = MOST_LISTED, offset: int = 0
) -> tuple[int, list[FamilyLine]]:
    """(how many, one page of them) of all families, or of those with a number or kind that contains `start`,
    in order of their code."""
    wanted = start.casefold().strip()
    with shop.known() as session:
        found = shop.kept.families(session)
        if wanted:
            found = [
                one for one in found if any(wanted in text.casefold() for text in (one.kind, *one.numbers))
            ]
        page = found[offset : offset + limit]
        counts = totals.by_family(session, "kept", [one.id for one in page])
        cut_off = is_copy(session)
    lines = [FamilyLine(one.code, one.kind, one.numbers[1:], counts.get(one.id, 0)) for one in page]
    return len(found), _counted_here(shop, lines) if cut_off else lines


def offered(shop: Shop, session: Session | None = None) -> list[FamilyNames]:
    """The families with most cases, which forms offer beside any number that is typed; in order of their code."""
    if session is None:
        with shop.known() as session:
            return offered(shop, session)

    def read(session: Session) -> list[FamilyNames]:
        every = shop.kept.families(session)
        if len(every) > _MOST_OFFERED:
            chosen = set(totals.largest(session, "kept", _MOST_OFFERED))
            every = [one for one in every if one.id in chosen] or every
        return every[:_MOST_OFFERED]

    return shop.kept.get(session, "families offered", ("case", "family"), read)


def _counted_here(shop: Shop, lines: list[FamilyLine]) -> list[FamilyLine]:
    """The lines with the numbers of cases that this process has counted: what is at hand holds no cases."""
    with shop.derived.ledger() as ledger:
        numbers = [ledger.families.find(line.code) for line in lines]
        counts = [sum(ledger.family_kinds[number].values()) if number >= 0 else 0 for number in numbers]
    return [replace(line, cases=cases) for line, cases in zip(lines, counts, strict=True)]


def find(shop: Shop, number: str) -> FamilyRecord | None:
    """The family known by a number, None where there is none."""
    with shop.known() as session:
        return shop.kept.family(session, number)


def get(shop: Shop, number: str) -> tuple[FamilyRecord, int]:
    """A family and its version. Raises NotFound."""
    with shop.known() as session:
        stored = families.get(session, number)
    return stored.record, stored.version


@retry_when_cut_off
def view(shop: Shop, number: str, *, most_fixes: int = MOST_FIXES) -> FamilyView:
    """Everything a family's page shows. Raises NotFound."""
    with shop.known() as session:
        stored, cut_off = families.get(session, number), is_copy(session)
        readings = case_lists.rail_readings(session, stored.id, _MEASURED)
        found = cases.load(session, ids := case_lists.latest_ids(session, _LATEST, family_id=stored.id))
        pictured = None if cut_off else pictures.first_of(session, stored.id)
    record, count = stored.record, stored.cases
    latest = tuple(found[case_id].record for case_id in ids)
    if cut_off:
        count, known = indexed_cases.some(shop, Filters(family=record.code), limit=_LATEST)
        latest = tuple(one.record for one in known)
    readings_of = _by_rail(record, readings)
    leading, total = leading_fixes(shop, record.code, most_fixes)
    found_places = {} if cut_off else _places(shop, record, leading)
    return FamilyView(
        record,
        stored.version,
        count,
        tuple(_rail_line(rail, readings_of.get(rail.name, ())) for rail in record.rails),
        _connector_lines(record),
        leading,
        total,
        latest,
        cut_off,
        pictured[0] if pictured else None,
        pictured[1] if pictured else 0,
        found_places,
    )


def _places(shop: Shop, record: FamilyRecord, fixes: Sequence[FixLine]) -> dict[str, Place]:
    """Where the parts of some fixes are, by the designator as the cases write it."""
    named = [part for fix in fixes for part, _ in fix.record.parts[:_PARTS_OF_FIX]]
    around = places.around(shop, record, named)
    return {part: found for part in named if (found := around.named(part))}


def fixes(shop: Shop, number: str, *, limit: int = MOST_FIXES) -> tuple[FixLine, ...]:
    """The fixes tried on a family, the one that cured most boards first. Raises NotFound."""
    with shop.known() as session:
        stored = families.get(session, number)
    lines, _ = leading_fixes(shop, stored.record.code, limit)
    names = [(line.record.section, line.record.part_class) for line in lines]
    with shop.known() as session:
        uids = case_lists.uids_with_fixes(session, stored.id, names, _CASES_OF_FIX)
    return tuple(replace(line, case_uids=uids[name]) for name, line in zip(names, lines, strict=True))


def leading_fixes(shop: Shop, code: str, limit: int) -> tuple[tuple[FixLine, ...], int]:
    """(the leading fixes without their cases, how many there are in all) of a family."""
    with shop.derived.ledger() as ledger:
        records = fix_records(ledger, code)
        leading = records[:limit]
        curves = lasting_in_family(ledger, code, [(one.section, one.part_class) for one in leading])
    lines = (
        FixLine(one, still_working(curve), (), curve) for one, curve in zip(leading, curves, strict=True)
    )
    return tuple(lines), len(records)


def still_working(curve: Lasting) -> StillWorking | None:
    """The share still working after a year, None where no board was followed."""
    return curve.still_working_after(YEAR_DAYS) if curve.followed else None


def _by_rail(family: FamilyRecord, rows: Sequence[Any]) -> dict[str, list[Any]]:
    """Steady direct voltages by the family's own name of their rail, each spelling looked up once."""
    rails = {name: find_rail(family, name) for name in {row.rail for row in rows}}
    found: dict[str, list[Any]] = {}
    for row in rows:
        rail = rails[row.rail]
        if rail is not None and row.quantity == "dc_v" and row.value is not None:
            found.setdefault(rail.name, []).append(row)
    return found


def _rail_line(rail: Rail, rows: Sequence[Any]) -> RailLine:
    try:
        spec = spec_of(rail)
        empty = gauge(spec)
    except BadInput as error:
        return RailLine(rail, None, (), error.message)
    usual = []
    for supply, load in _STATES:
        values = [
            row.value
            for row in rows
            if (row.supply, row.load) == (supply, load)
            and condition_of(spec, RailReading(rail.name, "dc_v", supply, load, row.value, row.min, row.max))
            == "in tolerance"
        ]
        if values:
            found = typical(values)
            drawn = gauge(
                spec, RailReading(rail.name, "dc_v", supply, load, found.median, found.low, found.high)
            )
            usual.append(UsualReading(supply, load, found, drawn))
    return RailLine(rail, empty, tuple(usual))


def _connector_lines(family: FamilyRecord) -> tuple[ConnectorLine, ...]:
    lines = []
    for connector in family.connectors:
        marks: list[tuple[int, str]] = []
        for rail in family.rails:
            if rail.connector == connector.name:
                marks += [(pin, rail.name) for pin in rail.pins]
                marks += [(pin, "ground") for pin in rail.ground_pins]
        if family.enable and family.enable.pin and family.enable.connector == connector.name:
            marks.append((family.enable.pin, "enable"))
        lines.append(ConnectorLine(connector, tuple(sorted(dict.fromkeys(marks)))))
    return tuple(lines)


def save(shop: Shop, record: FamilyRecord, *, expected_version: int | None = None) -> str:
    """Adds or changes a family: "added", "updated" or "unchanged". Raises Taken, Conflict, BadInput."""
    for number, rail in enumerate(record.rails):
        try:
            spec_of(rail)
        except BadInput as error:
            raise BadInput(
                error.message, field=f"rails.{number}.{error.field or 'name'}", remedy=error.remedy
            ) from error
    with shop.write() as session:
        outcome = families.save(session, record, expected_version=expected_version)
    shop.refresh()
    return outcome


def save_new(shop: Shop, record: FamilyRecord) -> str:
    """Adds a family that must not be there yet. Raises BadInput."""
    remedy = "Open that family and change it, or give the number on the other board."
    return _save_unknown(shop, record, BadInput, remedy)


def add_new(shop: Shop, record: FamilyRecord) -> str:
    """Adds a family that must not be there yet, for programs. Raises Taken."""
    return _save_unknown(shop, record, Taken, "Change that family instead.")


def _save_unknown(shop: Shop, record: FamilyRecord, error: type[BadInput | Taken], remedy: str) -> str:
    if find(shop, record.code) is not None:
        raise error(f"There is a family known as {record.code} already.", field="code", remedy=remedy)
    return save(shop, record)


def put_in_bin(shop: Shop, code: str, *, expected_version: int | None = None) -> None:
    """Puts a family in the bin. Raises NotFound, Conflict, and InUse while cases name it."""
    with shop.write() as session:
        bins.put(session, "family", code, expected_version=expected_version)
    shop.refresh()
