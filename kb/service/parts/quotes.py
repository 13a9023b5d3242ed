"""The quote for a repair: what is proposed, what was offered, what the customer said, and what it came to."""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import date, timedelta

from kb.errors import BadInput
from kb.model import CaseRecord, Quote, as_dict
from kb.service.cases import cases
from kb.service.cases.cases import CaseView, StoredCase
from kb.service.diagnose import diagnosis
from kb.service.diagnose.worth import Verdict, worth_of
from kb.service.parts.case_evidence import evidence_of
from kb.service.shop.shop import Shop

__all__ = ["COVERS", "Desk", "actual_of", "answer", "desk", "issue", "take_back"]

VALID_DAYS = 30
COVERS = (
    "Finding the fault, the parts that it needs, the work, and a test of the board under load. "
    "If it turns out that the board cannot be repaired for this amount, we ask you before we go on."
)
COVERS_FIXED = (
    "Finding the fault, the parts that it needs, the work, and a test of the board under load. "
    "If the board cannot be repaired, you pay nothing for the repair."
)
_STEP = 5.0


@dataclass(frozen=True, slots=True)
class Desk:
    """A case with its quote, or with what is proposed for one.

    `verdict` is what the ranking says a repair comes to, None where it lists nothing or the board is done; `proposed`
    is a quote to begin with. `spent` is what parts and bench time have come to so far.
    """

    case: CaseView
    quote: Quote | None
    proposed: Quote
    verdict: Verdict | None
    spent: float
    expired: bool


def desk(shop: Shop, uid: str, *, replacement_price: float | None = None) -> Desk:
    """The quote of a case of the shop's own. Raises NotFound, OthersCase."""
    view = cases.own(shop, uid)
    record, today = view.record, shop.today()
    verdict = _verdict(shop, record, replacement_price) if record.verdict is None else None
    quote = record.quote
    open_still = quote is not None and not quote.accepted and not quote.declined
    return Desk(
        view,
        quote,
        _proposed(shop, record, verdict),
        verdict,
        actual_of(shop, record),
        bool(open_still and quote and quote.valid_until and quote.valid_until < today),
    )


def _verdict(shop: Shop, record: CaseRecord, replacement_price: float | None) -> Verdict | None:
    try:
        ranking = diagnosis.suggest(shop, evidence_of(record), explained=0).ranking
    except BadInput:
        return None  # what the case says contradicts itself, which its own page tells
    return worth_of(shop, ranking, replacement_price=replacement_price, price_field="below")


def _proposed(shop: Shop, record: CaseRecord, verdict: Verdict | None) -> Quote:
    today = shop.today()
    days = shop.settings.warranty_days
    amount = 0.0
    if verdict is not None:
        amount = math.ceil(verdict.worth.cost.covers(0.9) / _STEP) * _STEP
    months = round(days / 30.4)
    return Quote(
        date=today,
        ceiling=min(amount, 10_000_000.0),
        covers=COVERS,
        warranty=f"{months} months on what was repaired" if months > 1 else "",
        valid_until=today + timedelta(days=VALID_DAYS),
    )


def actual_of(shop: Shop, record: CaseRecord) -> float:
    """What parts and bench time of a case come to, bench time at the shop's own rate."""
    parts = sum(one.cost or 0.0 for one in record.attempts)
    hours = sum(one.minutes or 0 for one in record.attempts) / 60.0
    return round(parts + hours * shop.settings.bench_rate_per_hour, 2)


def issue(shop: Shop, uid: str, quote: Quote, *, expected_version: int) -> StoredCase:
    """Keeps a quote on its case; one that was answered before is replaced and stays in the history.

    Raises what `cases.save` raises, which refuses days to come.
    """
    return _write(shop, uid, quote, expected_version)


def answer(shop: Shop, uid: str, *, accepted: bool, day: date | None, expected_version: int) -> StoredCase:
    """Notes what the customer said, today where no day is given. Raises BadInput where nothing was offered."""
    quote = cases.own(shop, uid).record.quote
    if quote is None:
        raise BadInput("Nothing was offered yet.", field="price", remedy="Write the quote first.")
    day = day or shop.today()
    answered = quote.model_copy(
        update={"accepted": day if accepted else None, "declined": None if accepted else day}
    )
    quote = Quote.model_validate(as_dict(answered))
    return _write(shop, uid, quote, expected_version)


def take_back(shop: Shop, uid: str, *, expected_version: int) -> StoredCase:
    """Takes the quote off the case; the history keeps it."""
    return _write(shop, uid, None, expected_version)


def _write(shop: Shop, uid: str, quote: Quote | None, expected_version: int) -> StoredCase:
    record = cases.own(shop, uid).record
    changed = record.model_copy(update={"quote": quote})
    return cases.save(shop, CaseRecord.model_validate(as_dict(changed)), expected_version=expected_version)
