"""From what is known of a board to a ranked list of causes, why, and what to find out next."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass

from sqlmodel import Session

from kb.facts.first_checks import first_checks
from kb.facts.symptoms import DEAD_CHECKS
from kb.model import EvidenceRecord, FamilyRecord, SymptomRecord
from kb.service.diagnose import track_records
from kb.service.diagnose.evidence import Gathered, Notice, gather, read_line
from kb.service.diagnose.general import (
    BoardSays,
    Excluded,
    Finding,
    InOrder,
    board_says,
    parts_of_family,
    usual_rails,
)
from kb.service.shop.shop import Shop
from kb.service.shop.translate import JudgedReading
from kb.service.transfer import origins
from kb.store.records import case_lists
from kb.suggest import (
    Candidate,
    Cause,
    Evidence,
    Ledger,
    Measurement,
    Outcome,
    Ranking,
    Settings,
    StillWorking,
    StopPoint,
    WhatIf,
    next_measurements,
    rank,
    stop_point,
    what_if,
)
from kb.suggest.in_order import no_fault_found_share
from kb.suggest.ranking import reordered
from kb.suggest.worth import at_rate

__all__ = [
    "Cause",
    "Excluded",
    "Explained",
    "Finding",
    "InOrder",
    "Lasted",
    "Measurement",
    "Notice",
    "Outcome",
    "Ranking",
    "StopPoint",
    "Suggestions",
    "Switch",
    "explain",
    "measure_next",
    "often_noted",
    "read_line",
    "suggest",
]

YEAR_DAYS = 365
# A family's own boards say more about lasting than all boards, once there are some.
_ENOUGH_FOLLOWED = 5


@dataclass(frozen=True, slots=True)
class Suggestions:
    """A ranking with everything there is to say about the evidence behind it.

    `first_checks` are those that nothing known answers yet, `excluded` the sections that the readings speak
    for, `in_order` how likely nothing is wrong with the board, `findings` parts measured or seen to be bad;
    `stop` is there where a replacement price was given, `what_if` where it was asked for; `heard` are the readings
    that the complaint states.
    """

    ranking: Ranking
    family: FamilyRecord | None
    symptoms: tuple[tuple[str, bool], ...]
    understood: tuple[tuple[str, bool, str], ...]
    unknown_terms: tuple[str, ...]
    readings: tuple[JudgedReading, ...]
    notices: tuple[Notice, ...]
    first_checks: tuple[str, ...]
    stop: StopPoint | None
    excluded: tuple[Excluded, ...]
    in_order: InOrder
    findings: tuple[Finding, ...]
    what_if: tuple[WhatIf, ...] = ()
    heard: tuple[JudgedReading, ...] = ()


@dataclass(frozen=True, slots=True)
class Switch:
    """One line of evidence and what the ranking would be without it.

    It came from the symptoms or the readings at these places of the record, or, where both are empty,
    from the complaint. `moved` is the share of all probability that would go elsewhere, 0 to 1.
    """

    line: str
    symptom: str | None
    symptoms: tuple[int, ...]
    readings: tuple[int, ...]
    moved: float
    leading: tuple[str, str]
    leading_probability: float
    leading_changes: bool


@dataclass(frozen=True, slots=True)
class Lasted:
    """How long a fix lasted: on boards of the family, or on all boards where too few were followed."""

    after_a_year: StillWorking
    on_family: bool


@dataclass(frozen=True, slots=True)
class Explained:
    """What the diagnose screen shows.

    `used` has the places of the readings that bear on the ranking; `lasted` belongs to the causes in
    their order, as many as were asked for; `other` is the same list in the other order; `shops` names the
    shop that a case among the evidence comes from, by its uid, where that is another one.
    """

    suggestions: Suggestions
    used: frozenset[int]
    switches: tuple[Switch, ...]
    lasted: tuple[Lasted | None, ...]
    other: Ranking
    measurements: tuple[Measurement, ...]
    shops: Mapping[str, str]


def suggest(
    shop: Shop,
    asked: EvidenceRecord,
    *,
    limit: int | None = None,
    explained: int | None = None,
    replacement_price: float | None = None,
    hourly_rate: float | None = None,
    with_what_if: bool = False,
    dropped: Collection[str] = (),
) -> Suggestions:
    """Ranks the causes for a board, bench time at `hourly_rate` or else the shop's own.

    Of the `limit` causes the first `explained` carry their evidence and the uids of their cases. `dropped` names
    symptoms, and holds the words of readings, that must not be read out of the complaint. Raises BadInput where the
    evidence contradicts itself.
    """
    gathered = gather(shop, asked, dropped)
    with shop.derived.counts() as (ledger, weights):
        says = _says(gathered, ledger)
        ranking = rank(ledger, says.evidence, weights, order=asked.order, limit=limit, explained=explained)
        ranking = _at_rate(ranking, weights, hourly_rate)
        moves = what_if(ledger, says.evidence, weights) if with_what_if else ()
    return _suggestions(gathered, says, ranking, replacement_price, moves)


def in_order(shop: Shop, asked: EvidenceRecord, dropped: Collection[str] = ()) -> InOrder:
    """How likely nothing is wrong with a board, without ranking its causes; `dropped` as in `suggest`.

    Raises BadInput where the evidence contradicts itself.
    """
    gathered = gather(shop, asked, dropped)
    with shop.derived.counts() as (ledger, _):
        return _says(gathered, ledger).in_order


def explain(
    shop: Shop,
    asked: EvidenceRecord,
    *,
    dropped: Collection[str] = (),
    replacement_price: float | None = None,
    hourly_rate: float | None = None,
    spread: int = 5,
    most_measurements: int = 4,
) -> Explained:
    """The ranking with what moves it, and what to measure next.

    The first `spread` causes carry their evidence, the uids of their cases and how long their fixes lasted. `dropped`
    names symptoms that must not be read out of the complaint; bench time counts at `hourly_rate`, or else at the
    shop's own. Raises BadInput.
    """
    gathered = gather(shop, asked, dropped)
    with shop.derived.counts() as (ledger, weights):
        says = _says(gathered, ledger)
        candidates = _candidates_for(shop, gathered, says)
        ranking = rank(ledger, says.evidence, weights, order=asked.order, explained=spread)
        ranking = _at_rate(ranking, weights, hourly_rate)
        moves = what_if(ledger, says.evidence, weights)
        lasted = tuple(
            _lasted(shop, ledger, cause, says.evidence.family) for cause in ranking.causes[:spread]
        )
        measurements = next_measurements(ledger, says.evidence, weights, candidates, limit=most_measurements)
    theirs = [uid for cause in ranking.causes[:spread] for uid in cause.others_uids]
    return Explained(
        _suggestions(gathered, says, ranking, replacement_price),
        frozenset(gathered.rail_of_reading),
        tuple(_switch(gathered, move) for move in moves),
        lasted,
        reordered(ranking, "cheapest" if asked.order == "likely" else "likely"),
        measurements,
        origins.names_by_case(shop, theirs) if theirs else {},
    )


def measure_next(shop: Shop, asked: EvidenceRecord, *, limit: int = 5) -> tuple[Measurement, ...]:
    """The readings and checks that would tell most per minute. Raises BadInput."""
    gathered = gather(shop, asked)
    with shop.derived.counts() as (ledger, weights):
        says = _says(gathered, ledger)
        candidates = _candidates_for(shop, gathered, says)
        return next_measurements(ledger, says.evidence, weights, candidates, limit=limit)


def often_noted(shop: Shop, family: FamilyRecord | None, *, most: int = 10) -> list[str]:
    """Symptoms most often noted on a family's boards, or on all boards, the most frequent first."""
    number = family.code if family else None

    def read(session: Session) -> list[str]:
        return case_lists.frequent_symptoms(session, number, most)

    with shop.known() as session:
        return shop.kept.get(session, f"often noted {most} {number}", ("case", "family", "symptom"), read)


def _at_rate(ranking: Ranking, weights: Settings, hourly_rate: float | None) -> Ranking:
    return ranking if hourly_rate is None else at_rate(ranking, weights.bench_rate_per_hour, hourly_rate)


def _says(gathered: Gathered, ledger: Ledger) -> BoardSays:
    family = gathered.evidence.family
    return board_says(
        gathered.evidence,
        (*gathered.readings, *gathered.heard),
        gathered.family,
        parts_of_family(ledger, family),
        no_fault_found_share(ledger, family),
        gathered.checks,
    )


def _suggestions(
    gathered: Gathered,
    says: BoardSays,
    ranking: Ranking,
    replacement_price: float | None,
    moves: tuple[WhatIf, ...] = (),
) -> Suggestions:
    known = {*says.answered, *(name for name, _ in gathered.evidence.symptoms)}
    return Suggestions(
        ranking,
        gathered.family,
        gathered.symptoms,
        gathered.understood,
        gathered.unknown_terms,
        gathered.readings,
        (
            *gathered.notices,
            *(Notice(sentence) for sentence in says.sentences),
            *_basis_notice(ranking, gathered.family, gathered.evidence),
        ),
        first_checks(gathered.evidence.kind, known),
        None if replacement_price is None else stop_point(ranking, replacement_price),
        says.excluded,
        says.in_order,
        says.findings,
        moves,
        gathered.heard,
    )


def _basis_notice(ranking: Ranking, family: FamilyRecord | None, evidence: Evidence) -> tuple[Notice, ...]:
    if ranking.basis == "nothing":
        return (Notice("The store holds no repaired case yet: causes are ranked by general practice alone."),)
    notices = []
    if family is not None and ranking.basis != "family":
        wider = f"other boards of the kind {family.kind}" if ranking.basis == "kind" else "all boards"
        notices.append(Notice(f"No repaired case of family {family.code} yet: {wider} are used."))
    if ranking.ignored:
        notices.append(
            Notice(f"No repaired case says anything about: {', '.join(ranking.ignored)}. It changes nothing.")
        )
    return tuple(notices)


def _lasted(shop: Shop, ledger: Ledger, cause: Cause, family: str | None) -> Lasted | None:
    if family is not None:
        curve = track_records.lasting(shop, ledger, cause.section, cause.part_class, family)
        if curve.followed >= _ENOUGH_FOLLOWED:
            return Lasted(curve.still_working_after(YEAR_DAYS), True)
    everywhere = track_records.lasting(shop, ledger, cause.section, cause.part_class, None)
    return Lasted(everywhere.still_working_after(YEAR_DAYS), False) if everywhere.followed else None


def _switch(gathered: Gathered, move: WhatIf) -> Switch:
    names = {name for name, _ in gathered.evidence.symptoms} - {name for name, _ in move.without.symptoms}
    keys = {fact.key for fact in gathered.evidence.rails} - {fact.key for fact in move.without.rails}
    name = next(iter(names), None)
    return Switch(
        move.line,
        name,
        gathered.places.get(name, ()) if name is not None else (),
        tuple(place for place, key in gathered.rail_of_reading.items() if key in keys),
        move.moved,
        move.leading,
        move.leading_probability,
        move.leading_changes,
    )


def _candidates_for(shop: Shop, gathered: Gathered, says: BoardSays) -> list[Candidate]:
    # Whoever has measured with mains on has been past the checks that come before.
    energised = any(fact.supply != "unpowered" for fact in gathered.evidence.rails)
    minutes = {
        "standby": shop.settings.minutes_reading_standby,
        "running": shop.settings.minutes_reading_running,
    }
    known = [entry for entry in gathered.known if entry.name not in says.answered]
    found = _candidates(known, gathered.family, () if energised else DEAD_CHECKS, minutes)
    return found if gathered.family is not None and gathered.family.rails else found + usual_rails(minutes)


def _candidates(
    known: Sequence[SymptomRecord],
    family: FamilyRecord | None,
    dead_checks: Sequence[str],
    minutes: Mapping[str, float],
) -> list[Candidate]:
    found = [
        Candidate(
            entry.name,
            "symptom",
            entry.name,
            entry.how == "powered check",
            entry.minutes,
            entry.name in dead_checks,
        )
        for entry in known
        if entry.how != "told"
    ]
    # Rails of one role are one line of evidence, so the first of them stands for all.
    by_role = {rail.role: rail for rail in reversed(family.rails)} if family else {}
    for rail in family.rails if family else ():
        if by_role[rail.role] is not rail:
            continue
        states = [("standby", "none")] if rail.always_on else []
        states += [("running", "none"), ("running", "test load")]
        found += [
            Candidate(
                f"{rail.name} {supply}" + ("" if load == "none" else f", {load}"),
                "rail",
                (rail.role, supply, load),
                True,
                minutes[supply],
            )
            for supply, load in states
        ]
    return found
