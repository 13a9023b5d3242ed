"""Suggestions, what to measure next, and how far to trust both."""

from typing import Annotated, Any

from fastapi import APIRouter
from pydantic import Field
from starlette.responses import JSONResponse, Response

from kb.model import EvidenceRecord
from kb.service import Shop
from kb.service.diagnose import diagnosis, track_records
from kb.service.diagnose.diagnosis import Cause, Ranking, StopPoint
from kb.service.diagnose.track_records import Compared, Scores
from kb.service.diagnose.worth import NINE_OF_TEN, worth_of
from kb.service.shop.translate import JudgedReading
from kb.web.api import shapes
from kb.web.dependencies import Limit, ShopHere

router = APIRouter()


class SuggestionsBody(EvidenceRecord):
    """Evidence; what a replacement board and an hour at the bench would cost; whether to tell what each line of
    evidence does, and whether a repair is worth it."""

    hourly_rate: Annotated[float | None, Field(ge=0, le=100_000, allow_inf_nan=False)] = None
    worth: bool = False
    replacement_price: Annotated[float | None, Field(ge=0, le=10_000_000, allow_inf_nan=False)] = None
    what_if: bool = False

    def evidence_only(self) -> EvidenceRecord:
        return EvidenceRecord.model_construct(
            **{name: getattr(self, name) for name in EvidenceRecord.model_fields}
        )


def _cause(cause: Cause) -> dict[str, Any]:
    return {
        "section": cause.section,
        "part_class": cause.part_class,
        "parts": [{"part": part, "cases": count} for part, count in cause.parts],
        "failures": cause.failures,
        "probability": cause.probability,
        "tried": cause.tried,
        "cured": cause.cured,
        "cure_rate": cause.cure_rate,
        "interval": cause.interval,
        "cost": cause.cost,
        "minutes": cause.minutes,
        "general_practice": cause.general_practice,
        "evidence": [{"label": line.label, "weight": line.weight} for line in cause.evidence],
        "cases": cause.case_uids,
        "others_cases": cause.others_cases,
        "others_tried": cause.others_tried,
        "others_cured": cause.others_cured,
        "others": cause.others_uids,
    }


def _understood(name: str, present: bool, words: str) -> dict[str, Any]:
    return {"name": name, "present": present, "words": words}


def _heard(judged: JudgedReading) -> dict[str, Any]:
    reading = judged.reading
    return {
        "rail": judged.rail.name if judged.rail else reading.rail,
        "point": reading.point,
        "quantity": reading.quantity,
        "supply": reading.supply,
        "load": reading.load,
        "value": reading.value,
        "min": reading.min,
        "max": reading.max,
        "after_repair": reading.after_repair,
        "words": reading.written,
    }


def _stop(stop: StopPoint | None, price: float | None) -> dict[str, Any] | None:
    if stop is None:
        return None
    return {
        "replacement_price": price,
        "tries": stop.tries,
        "expected_cost": stop.expected_cost,
        "chance_of_cure": stop.chance_of_cure,
    }


def _worth(shop: Shop, asked: SuggestionsBody, ranking: Ranking) -> dict[str, Any] | None:
    verdict = worth_of(
        shop, ranking, hourly_rate=asked.hourly_rate, replacement_price=asked.replacement_price
    )
    if verdict is None:
        return None
    found, cost = verdict.worth, verdict.worth.cost
    return {
        "advice": found.advice,
        "why": verdict.why,
        "basis": verdict.basis,
        "hourly_rate": found.hourly_rate,
        "replacement_price": found.replacement_price,
        "tries": found.tries,
        "chance_of_cure": cost.chance_of_cure,
        "mean": cost.mean,
        "nine_in_ten": cost.covers(NINE_OF_TEN),
        "mean_of_a_cure": cost.mean_of_a_cure,
        "given_up_cost": cost.given_up_cost,
        "with_replacement": found.with_replacement,
        "cured_for_less": found.cured_for_less,
        "curve": found.curve,
        "parts_unknown": found.parts_unknown,
        "minutes_unknown": found.minutes_unknown,
    }


@router.post("/suggestions", response_model=shapes.SuggestionsOut)
def suggestions(shop: ShopHere, asked: SuggestionsBody, limit: Limit = 20) -> Response:
    """Likely causes for a board, ranked by how likely each fix is to cure it, the first `limit` of them.

    With `replacement_price` the answer's `stop` says how many of the listed fixes to try before replacing
    the board costs less, and with `worth` its `worth` what a repair comes to and whether that pays, bench time
    counted at `hourly_rate` or else at the shop's own. With `what_if` it also says what the ranking would be
    without each line of evidence, the line that moves most first.
    """
    answer = diagnosis.suggest(
        shop,
        asked.evidence_only(),
        explained=limit,
        replacement_price=asked.replacement_price,
        hourly_rate=asked.hourly_rate,
        with_what_if=asked.what_if,
    )
    ranking = answer.ranking
    rest = sum(cause.probability for cause in ranking.causes[limit:])
    body = {
        "causes": [_cause(cause) for cause in ranking.causes[:limit]],
        "rest_probability": rest,
        "unseen_probability": ranking.unseen_probability + rest,
        "cases_used": ranking.cases_used,
        "others_used": ranking.others_used,
        "others_weight": ranking.others_weight,
        "basis": ranking.basis,
        "evidence_strength": ranking.evidence_strength,
        "expected_cost": ranking.expected_cost,
        "expected_minutes": ranking.expected_minutes,
        "understood": [_understood(*one) for one in answer.understood],
        "heard": [_heard(one) for one in answer.heard],
        "unknown_terms": answer.unknown_terms,
        "notices": [notice.text for notice in answer.notices],
        "first_checks": answer.first_checks,
        "in_order_probability": answer.in_order.probability,
        "in_order_settles": answer.in_order.settles,
        "excluded": [{"section": one.section, "why": one.why} for one in answer.excluded],
        "findings": [
            {
                "part": one.part,
                "part_class": one.part_class,
                "section": one.section,
                "what": one.what,
                "sentence": one.sentence,
            }
            for one in answer.findings
        ],
        "stop": _stop(answer.stop, asked.replacement_price),
        "worth": _worth(shop, asked, ranking) if asked.worth else None,
        "what_if": [
            {
                "line": one.line,
                "moved": one.moved,
                "leading": one.leading,
                "leading_probability": one.leading_probability,
                "leading_changes": one.leading_changes,
            }
            for one in answer.what_if
        ],
    }
    # Hundreds of causes are not checked once more on their way out; tests hold the shape.
    return JSONResponse(body)


@router.post("/next-measurements", response_model=shapes.MeasurementsOut)
def next_measurements(shop: ShopHere, asked: EvidenceRecord, limit: Limit = 10) -> Response:
    """What to measure or look at next, by what it would tell per minute."""
    body = {
        "measurements": [
            {
                "reading": one.candidate.label,
                "bits": one.bits,
                "minutes": one.candidate.minutes,
                "powered": one.candidate.powered,
                "why": one.why,
                "outcomes": [
                    {
                        "label": outcome.label,
                        "probability": outcome.probability,
                        "leading": outcome.leading,
                        "leading_probability": outcome.leading_probability,
                    }
                    for outcome in one.outcomes
                ],
            }
            for one in diagnosis.measure_next(shop, asked, limit=limit)
        ]
    }
    return JSONResponse(body)


def _scores(scores: Scores) -> dict[str, Any]:
    return {
        "cases": scores.cases,
        "first": scores.first,
        "first_share": scores.first_share,
        "first_three": scores.first_three,
        "first_three_share": scores.first_three_share,
        "log_loss": scores.log_loss,
        "brier": scores.brier,
        "calibration_error": scores.calibration_error,
        "bins": [
            {
                "low": one.low,
                "high": one.high,
                "cases": one.cases,
                "said": one.said,
                "came_true": one.came_true,
            }
            for one in scores.bins
            if one.cases
        ],
        "new_faults": scores.new_faults,
        "new_expected": scores.new_expected,
    }


def _compared(compared: Compared) -> dict[str, Any]:
    return {
        "name": compared.name,
        "ranking": _scores(compared.ranking),
        "baseline": _scores(compared.baseline),
    }


@router.get("/track-record", response_model=shapes.TrackRecordOut)
def track_record(shop: ShopHere) -> dict[str, Any]:
    """What the book would have said about its own cases, each looked at as if it were not recorded.

    Beside every figure stands the plain baseline: the most frequent fault of the family. `periods` are
    predicted by the cases closed before them. In a large store the first answer may take a while.
    """
    found = track_records.record(shop)
    return {
        "sentence": found.sentence,
        "cases": found.known,
        "scored": found.scored,
        "evidence_strength": found.strength,
        "others": found.others,
        "others_weight": found.others_weight,
        "others_sentence": found.others_sentence,
        "overall": _compared(found.record.overall),
        "families": [_compared(one) for one in found.record.families],
        "periods": [_compared(one) for one in found.record.periods],
    }
