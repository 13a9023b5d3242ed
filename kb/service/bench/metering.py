"""What an instrument reads for a page: which instruments fit a step, and what a log at a step is of."""

from __future__ import annotations

import secrets

from kb.facts.cautions import METER_CAUTIONS, Caution
from kb.facts.vocabulary import QUANTITIES as _QUANTITIES
from kb.instruments import queries
from kb.instruments.desk import Listed
from kb.instruments.logs import About
from kb.service.bench.view import RunView, StepView
from kb.service.shop.shop import Shop

_MEASURED = frozenset(quantity for kind in queries.KINDS for quantity in queries.quantities(kind))
# What some instrument can be asked for, as (value, label) pairs.
QUANTITIES = tuple((word.value, word.meaning) for word in _QUANTITIES if word.value in _MEASURED)


def page_id() -> str:
    """A name for one opened page, by which an instrument knows who has it."""
    return secrets.token_hex(8)


def meters(shop: Shop, quantity: str | None = None) -> list[Listed]:
    """The instruments that can be asked for a quantity, or all; none for what no meter measures.

    Ripple is peak to peak: a meter's alternating volts are something else, and are not offered for it.
    """
    if quantity is not None and quantity not in _MEASURED:
        return []
    return [one for one in shop.instruments.listed() if quantity is None or one.measures(quantity)]


def at_step(shop: Shop, place: StepView) -> list[Listed]:
    """The instruments for a step of a bench test; none where nothing is measured."""
    return meters(shop, place.step.quantity) if place.step.kind in ("rail", "limit", "open") else []


def cautions_at(place: StepView) -> tuple[Caution, ...]:
    """What can hurt where an instrument is connected for a step, the most pressing first."""
    step = place.step
    if not step.powered:
        return tuple(one for one in METER_CAUTIONS if "unpowered" in one.when)
    when = {"energise", "load"} if step.load == "test load" else {"energise"}
    return tuple(one for one in METER_CAUTIONS if when & set(one.when))


def doing(view: RunView, place: StepView) -> str:
    """What a page does with an instrument at a step, for whoever else wants it."""
    return f"the bench test of {view.name}, {place.step.title}"[:120]


def in_use_by(doing: str, person: str) -> str:
    """What a page does with an instrument and who works at it, for whoever else wants it."""
    return ", ".join(part for part in (doing or "a reading for a program", person) if part)


def about(view: RunView, place: StepView) -> About:
    """What a log at a step is of."""
    step = place.step
    return About(
        title=f"{step.title}, {view.name}"[:160],
        run=view.run.uid,
        step=str(place.number),
        case=view.run.case_uid or "",
        family=view.family.code,
        rail=step.rail or "",
        supply=step.supply,
        load=step.load,
        after="yes" if view.run.after_repair else "",
    )
