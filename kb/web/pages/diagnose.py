"""The diagnose screen: evidence on one side, the ranking on the other. Every state has its address."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from fastapi import APIRouter, Request
from starlette.responses import Response

from kb.errors import BadInput
from kb.facts import cautions
from kb.facts import vocabulary as words
from kb.service import Shop
from kb.service.boards import families, places
from kb.service.boards import vocabulary as lists
from kb.service.boards.places import Place, Places
from kb.service.diagnose import diagnosis, good_board_comparison, track_records
from kb.service.diagnose.diagnosis import Cause, Excluded, Explained, Lasted, Measurement
from kb.service.diagnose.tried_lines import tried_line
from kb.service.diagnose.worth import Verdict, worth_of
from kb.web.dependencies import ShopHere
from kb.web.guard.requests import MICROPHONE_HERE
from kb.web.pages.evidence_address import Asked, read_asked
from kb.web.rendering import render

__all__ = ["Asked", "read_asked", "router"]

router = APIRouter()
SPREAD = 5
MOST_CAUSES = 20
# Asked for all of them, a page still ends somewhere; what lies beyond is said as one share.
EVERY_CAUSE = 300
MOST_MEASUREMENTS = 4
MOST_IN_GENERAL = 3
_PARTS_SHOWN = 4


@dataclass(frozen=True, slots=True)
class CauseLine:
    """A cause with its number in the list and its place on the board's picture; `last_worth` marks the last that
    pays against a replacement."""

    number: int
    cause: Cause
    lasted: Lasted | None
    last_worth: bool
    place: Place | None = None


@dataclass(frozen=True, slots=True)
class NextLine:
    """A measurement with the addresses that note what it found; outcomes from the likeliest down.

    `settled` where no outcome would make another cause the likeliest. `place` is where it is measured.
    """

    measurement: Measurement
    outcomes: tuple[diagnosis.Outcome, ...]
    settled: bool
    found_url: str
    absent_url: str
    reading_url: str
    place: Place | None = None


@dataclass(frozen=True, slots=True)
class Shown:
    """The ranking as the page sets it: the leading causes spread, the rest one line each.

    `in_general` are the likeliest causes that no case of the shop's own backs, where others have some.
    """

    explained: Explained
    leading: tuple[CauseLine, ...]
    folded: tuple[CauseLine, ...]
    folded_probability: float
    beyond: int
    beyond_probability: float
    next: tuple[NextLine, ...]
    before: track_records.Bin | None
    in_general: tuple[Cause, ...]
    verdict: Verdict | None


def _shown(shop: Shop, asked: Asked, explained: Explained) -> Shown:
    ranking, stop = explained.suggestions.ranking, explained.suggestions.stop
    tries = stop.tries if stop else 0
    lasted = explained.lasted + (None,) * (len(ranking.causes) - len(explained.lasted))
    around = _around(shop, asked, ranking.causes[:SPREAD], explained.measurements)
    lines = tuple(
        CauseLine(
            number,
            cause,
            line,
            number == tries < len(ranking.causes),
            _cause_place(around, cause) if number <= SPREAD else None,
        )
        for number, (cause, line) in enumerate(zip(ranking.causes, lasted, strict=True), start=1)
    )
    most = EVERY_CAUSE if asked.every_cause else MOST_CAUSES
    folded = lines[SPREAD:most]
    likeliest = max(ranking.causes, key=lambda cause: cause.probability, default=None)
    return Shown(
        explained,
        lines[:SPREAD],
        folded,
        sum(line.cause.probability for line in folded),
        len(lines[most:]),
        sum(line.cause.probability for line in lines[most:]),
        tuple(
            replace(line, place=around.reading(_rail_of(asked, line.measurement)))
            for line in (_next(asked, one, likeliest) for one in explained.measurements)
        ),
        track_records.before(shop, likeliest.probability) if likeliest and ranking.cases_used else None,
        _in_general(ranking.causes) if ranking.cases_used else (),
        worth_of(
            shop,
            ranking,
            hourly_rate=asked.rate,
            replacement_price=asked.price,
            other=explained.other,
        ),
    )


def _around(shop: Shop, asked: Asked, causes: Sequence[Cause], measurements: Sequence[Measurement]) -> Places:
    """Where the parts of the leading causes and the rails to be measured lie on the board's pictures."""
    named = [part for cause in causes for part, _ in cause.parts[:_PARTS_SHOWN]]
    rails = [rail for one in measurements if (rail := _rail_of(asked, one))]
    return places.around(shop, asked.board, [*named, *rails])


def _cause_place(around: Places, cause: Cause) -> Place | None:
    found = (around.named(part) for part, _ in cause.parts[:_PARTS_SHOWN])
    return next((one for one in found if one), None)


def _rail_of(asked: Asked, one: Measurement) -> str | None:
    """The rail that a measurement is taken on, None where it is no reading or the family has none of that role."""
    name = one.candidate.name
    if isinstance(name, str) or asked.board is None:
        return None
    return next((rail.name for rail in asked.board.rails if rail.role == name[0]), None)


def _in_general(causes: tuple[Cause, ...]) -> tuple[Cause, ...]:
    unbacked = (cause for cause in causes if not cause.cases and not cause.others_cases)
    return tuple(sorted(unbacked, key=lambda cause: -cause.probability)[:MOST_IN_GENERAL])


def _next(asked: Asked, one: Measurement, likeliest: Cause | None) -> NextLine:
    outcomes = tuple(sorted(one.outcomes, key=lambda outcome: -outcome.probability))
    now = (likeliest.section, likeliest.part_class) if likeliest else None
    settled = bool(outcomes) and all(outcome.leading == now for outcome in outcomes)
    candidate = one.candidate
    if isinstance(candidate.name, str):
        name = candidate.name
        return NextLine(
            one, outcomes, settled, asked.url_with([(name, True)]), asked.url_with([(name, False)]), ""
        )
    role, supply, load = candidate.name
    rails = asked.board.rails if asked.board else []
    rail = next((rail.name for rail in rails if rail.role == role), "")
    more = (("rail", rail), ("supply", supply), ("load", load))
    return NextLine(
        one, outcomes, settled, "", "", asked.url("/diagnose", *more) + "#by-fields" if rail else ""
    )


def _excluded(found: tuple[Excluded, ...]) -> list[tuple[str, list[str]]]:
    """(reason as a sentence, the sections it speaks for), each reason once."""
    reasons: dict[str, list[str]] = {}
    for one in found:
        reasons.setdefault(one.why, []).append(one.section)
    return [(f"{why[:1].upper()}{why[1:]}.", sections) for why, sections in reasons.items()]


def _context(shop: Shop, asked: Asked) -> dict[str, object]:
    shown = None
    notices: list[diagnosis.Notice] = []
    try:
        explained = diagnosis.explain(
            shop,
            asked.record,
            dropped=asked.dropped_words,
            replacement_price=asked.price,
            hourly_rate=asked.rate,
            spread=SPREAD,
            most_measurements=MOST_MEASUREMENTS,
        )
        notices = [one for one in explained.suggestions.notices if not asked.note(one)]
        shown = _shown(shop, asked, explained)
    except BadInput as error:
        asked.refuse(error)
    judged = [one.reading for one in shown.explained.suggestions.readings] if shown else []
    powered = shown is not None and any(line.measurement.candidate.powered for line in shown.next)
    return {
        "nav": "diagnose",
        "asked": asked,
        "errors": asked.errors,
        "notices": notices,
        "shown": shown,
        "learned": good_board_comparison.learned(shop, asked.board, judged, asked.case),
        "pieces": asked.read.pieces(asked.left_out),
        "left_out": [fact for fact in asked.read.facts if fact.key in set(asked.not_read)],
        "tried_line": tried_line,
        "excluded": _excluded(shown.explained.suggestions.excluded) if shown else [],
        "cautions": cautions.cautions_for("primary") if powered else (),
        "trouble": shop.derived.trouble,
    }


@router.get("/diagnose")
def diagnose(request: Request, shop: ShopHere) -> Response:
    """Evidence and ranking on one page."""
    with shop.for_one_page() as here:
        asked = read_asked(here, request.query_params)
        noted = {name for name, _ in asked.rows}
        context = {
            **_context(here, asked),
            "quick": [name for name in diagnosis.often_noted(here, asked.board) if name not in noted],
            "bench_rate": here.settings.bench_rate_per_hour,
            "families": families.offered(here),
            "symptoms": lists.symptoms(here),
            "kinds": words.BOARD_KINDS,
            "supply_states": words.values(words.SUPPLY_STATES),
            "loads": words.values(words.LOADS),
        }
    return render("diagnose/page.html", context, scope=request.scope, headers=MICROPHONE_HERE)


@router.get("/diagnose/ranking")
def ranking(request: Request, shop: ShopHere) -> Response:
    """What was read from the complaint, and the ranking, for the page's own script."""
    with shop.for_one_page() as here:
        context = _context(here, read_asked(here, request.query_params))
    return render("diagnose/_live.html", context, scope=request.scope)
