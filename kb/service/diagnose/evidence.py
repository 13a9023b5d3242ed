"""What is known of a board, made ready for the statistics, and what of it could not be used."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace
from difflib import get_close_matches

from kb.errors import BadInput
from kb.facts.designators import normalise_designator
from kb.facts.rail_names import obvious_rail
from kb.facts.reading_lines import ReadingLine, parse_reading_line
from kb.model import EvidenceRecord, FamilyRecord, NotedSymptom, PartCheck, Reading, SymptomRecord, TriedFix
from kb.service.diagnose.case_texts import as_record, names_of, read_once
from kb.service.shop.shop import Shop
from kb.service.shop.translate import JudgedReading, judge, rail_facts
from kb.suggest import Evidence, Tried

# Quantities that only make sense on a dead board, so that the supply state need not be typed.
_DEAD_BOARD = frozenset({"ohm", "diode_v", "farad", "esr_ohm"})
_MOST_HELPED = 5
RailKey = tuple[str, str, str]


@dataclass(frozen=True, slots=True)
class Notice:
    """Something about the evidence that a person should know; `field` names where it was given."""

    text: str
    field: str | None = None
    remedy: str = ""


@dataclass(frozen=True, slots=True)
class Gathered:
    """`symptoms` as given, under their own names; `places` says where in the record each name stands.

    `understood` holds (name, present, words) read out of the complaint and not given otherwise.
    `heard` are the readings that the complaint states; those from before a repair are evidence as well.
    `rail_of_reading` has the rail key of every reading that is part of the ranking, by its place.
    """

    evidence: Evidence
    family: FamilyRecord | None
    known: tuple[SymptomRecord, ...]
    symptoms: tuple[tuple[str, bool], ...]
    places: dict[str, tuple[int, ...]]
    understood: tuple[tuple[str, bool, str], ...]
    unknown_terms: tuple[str, ...]
    readings: tuple[JudgedReading, ...]
    heard: tuple[JudgedReading, ...]
    rail_of_reading: dict[int, RailKey]
    notices: tuple[Notice, ...]
    checks: tuple[PartCheck, ...] = ()


def gather(shop: Shop, asked: EvidenceRecord, dropped: Collection[str] = ()) -> Gathered:
    """Reads the complaint, looks names up and judges the readings.

    `dropped` names symptoms, and holds the words of readings, that must not be read out of the complaint.
    Raises BadInput where the evidence contradicts itself.
    """
    with shop.known() as session:
        family = shop.kept.family(session, asked.family) if asked.family else None
        called = names_of(shop, session)
    notices: list[Notice] = []
    if asked.family and family is None:
        notices.append(
            Notice(
                f"No board family is known as {asked.family}: all boards are used instead.",
                "family",
                "Check the number, or leave it empty.",
            )
        )
    names = called.symptom_of
    symptoms, places, unlisted = _listed(asked.symptoms, names)
    notices += unlisted
    # With the same names as the page marks the words by, so that the text is read once.
    found = read_once(asked.text or "", called.known(family))
    said = tuple(
        (names[one.name.casefold()], one.present, one.words)
        for one in found.symptoms
        if one.name.casefold() in names
    )
    # What was picked by hand stands against what was read out of a sentence.
    settled = {*symptoms, *(names.get(name.casefold(), name) for name in dropped)}
    understood = tuple(one for one in said if one[0] not in settled)
    notices += [
        Notice(f"The complaint says otherwise of “{name}”: your own entry counts.")
        for name, present, _ in said
        if symptoms.get(name, present) != present
    ]
    readings = tuple(judge(family, reading, by_name=True) for reading in asked.readings)
    heard = [as_record(one) for one in found.readings if one.words not in dropped]
    facts = rail_facts(family, [*asked.readings, *heard], by_name=True)
    rail_of_reading, unused = _uses(readings, family)
    return Gathered(
        Evidence(
            family=family.code if family else None,
            kind=family.kind if family else asked.kind,
            symptoms=(*symptoms.items(), *((name, present) for name, present, _ in understood)),
            rails=facts,
            tried=tried_here(asked.attempts),
            complete=asked.complete,
        ),
        family,
        called.symptoms,
        tuple(symptoms.items()),
        places,
        understood,
        (*(asked.symptoms[_place(notice)].name for notice in unlisted), *(one.words for one in found.left)),
        readings,
        tuple(judge(family, reading, by_name=True) for reading in heard),
        rail_of_reading,
        (*notices, *unused),
        tuple(asked.checks),
    )


def tried_here(attempts: Sequence[TriedFix]) -> tuple[Tried, ...]:
    """What was tried on the board, as the statistics take it; each fix once, as it ended."""
    found = {
        (one.section or "", one.part_class.casefold(), normalise_designator(one.part)): Tried(
            one.section or "", one.part_class, one.part, one.result
        )
        for one in attempts
    }
    return tuple(found.values())


def _place(notice: Notice) -> int:
    return int((notice.field or "").rpartition(".")[2])


def _listed(
    given: Sequence[NotedSymptom], names: Mapping[str, str]
) -> tuple[dict[str, bool], dict[str, tuple[int, ...]], list[Notice]]:
    """(symptoms under their own names, where each was given, what is in no list)."""
    found: dict[str, bool] = {}
    places: dict[str, tuple[int, ...]] = {}
    unlisted: list[Notice] = []
    for number, entry in enumerate(given):
        name = names.get(entry.name.casefold())
        if name is None:
            # Looking for a near name takes its time, so a wrong list is not helped name by name.
            unlisted.append(_not_listed(number, entry.name, names if len(unlisted) < _MOST_HELPED else {}))
            continue
        if found.setdefault(name, entry.present) != entry.present:
            raise BadInput(
                f"The symptom “{name}” is given as present and as not present.",
                field=f"symptoms.{number}",
                remedy="Keep one of the two.",
            )
        places[name] = (*places.get(name, ()), number)
    return found, places, unlisted


def _not_listed(number: int, typed: str, names: Mapping[str, str]) -> Notice:
    near = dict.fromkeys(names[word] for word in get_close_matches(typed.casefold(), names, n=2, cutoff=0.6))
    meant = " or ".join(f"“{name}”" for name in near)
    return Notice(
        f"“{typed}” is not in the symptom list and was left aside.",
        f"symptoms.{number}",
        f"Perhaps you mean {meant}." if meant else "Choose one of the list, or add it under Data.",
    )


def _uses(
    readings: Sequence[JudgedReading], family: FamilyRecord | None
) -> tuple[dict[int, RailKey], list[Notice]]:
    """(rail key of each reading that bears on the ranking, by its place; what is left aside and why).

    Of several readings of one kind the first counts, as the board came in.
    """
    used: dict[int, RailKey] = {}
    first: dict[RailKey, tuple[str, str]] = {}
    notices: list[Notice] = []
    for number, judged in enumerate(readings):
        field = f"readings.{number}"
        if judged.reading.rail is not None and judged.rail is None:
            notices.append(_rail_unknown(judged.reading.rail, family, field))
        reading = judged.reading
        if judged.rail is None or judged.assessment is None or reading.quantity != "dc_v":
            continue
        if reading.after_repair:
            continue
        key = (judged.rail.role, reading.supply, reading.load)
        mine = (judged.rail.name, judged.assessment.condition)
        name, condition = first.setdefault(key, mine)
        if (name, condition) == mine:
            used[number] = key
        elif name == mine[0]:
            notices.append(
                Notice(f"Two readings of {name} in the same state disagree: the first one is used.", field)
            )
        else:
            notices.append(
                Notice(
                    f"{mine[0]} is not used for the ranking: {name} is a {key[0]} rail too and was read first.",
                    field,
                )
            )
    return used, notices


def _rail_unknown(name: str, family: FamilyRecord | None, field: str) -> Notice:
    if family is None:
        return Notice(
            f"The reading on {name} is not used for the ranking: no board family is chosen.",
            field,
            "Name the board family, so that the rail and its window are known.",
        )
    rails = ", ".join(rail.name for rail in family.rails)
    return Notice(
        f"The reading on {name} is not used for the ranking: family {family.code} has no such rail.",
        field,
        f"Its rails are {rails}." if rails else "Add its rails on the family's page.",
    )


def _by_use(family: FamilyRecord | None, line: str) -> ReadingLine | None:
    """A line that begins with a standby rail's use in place of its name ("standby 4.7"), None for any other."""
    word = (line.split() or [""])[0].rstrip(":=")
    meant = obvious_rail(word)
    if meant is None or meant.role != "standby":
        return None
    try:
        typed = parse_reading_line(line, [word])
    except BadInput:
        return None
    mine = [rail.name for rail in family.rails if rail.role == "standby"] if family else []
    rail = mine[0] if mine else typed.rail
    return replace(typed, rail=rail, supply=typed.supply or "standby")


def read_line(family: FamilyRecord | None, line: str) -> Reading:
    """One reading as a person types it ("5VSB 4.7 standby"). Raises BadInput."""
    names = [rail.name for rail in family.rails] if family else []
    try:
        typed = parse_reading_line(line, names)
    except BadInput:
        by_use = _by_use(family, line)
        if by_use is None:
            raise
        typed = by_use
    supply = typed.supply or ("unpowered" if typed.quantity in _DEAD_BOARD else None)
    if supply is None:
        raise BadInput(
            f'"{line.strip()}" does not say in which state the supply was.',
            field="reading",
            remedy="Add standby, running or unpowered.",
        )
    if typed.over_range:
        raise BadInput(
            f'"{line.strip()}" is beyond the meter\'s range, which is no value.',
            field="reading",
            remedy="Note it as a symptom such as an open part, or measure in a higher range.",
        )
    # Without a family no rail is known by name; what looks like one is still kept as a rail.
    is_rail = typed.rail is not None or typed.quantity in ("dc_v", "ripple_v")
    return Reading(
        rail=(typed.rail or typed.point) if is_rail else None,
        point=None if is_rail else typed.point,
        quantity=typed.quantity,
        supply=supply,
        load=typed.load or "none",
        value=None if typed.value is None else float(typed.value),
        min=None if typed.min is None else float(typed.min),
        max=None if typed.max is None else float(typed.max),
        written=typed.written,
    )
