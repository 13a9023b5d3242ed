"""Readings judged against the rails of a family."""

from __future__ import annotations

from collections.abc import Sequence

from kb.bench.rails import RailVerdict, rail_verdict
from kb.errors import BadInput
from kb.model import Reading
from kb.service.boards import families
from kb.service.shop.shop import Shop
from kb.service.shop.translate import JudgedReading, judge

NOT_JUDGED = "This is kept as measured; there is no window to judge it by."


def assess_board(
    shop: Shop, number: str, readings: Sequence[Reading]
) -> tuple[tuple[JudgedReading, ...], tuple[RailVerdict, ...]]:
    """Each reading judged, and what all readings of each rail say together.

    Raises NotFound for an unknown family and BadInput for a reading on a rail it does not have.
    """
    family, _ = families.get(shop, number)
    judged = []
    for index, reading in enumerate(readings):
        one = judge(family, reading)
        if reading.rail is not None and one.rail is None:
            names = ", ".join(rail.name for rail in family.rails) or "none is known"
            raise BadInput(
                f"Family {family.code} has no rail {reading.rail}.",
                field=f"readings.{index}.rail",
                remedy=f"Use one of its rails ({names}) or give it as a test point.",
            )
        judged.append(one)
    verdicts = tuple(
        rail_verdict(found)
        for rail in family.rails
        if (found := [one.assessment for one in judged if one.rail is rail and one.assessment])
    )
    return tuple(judged), verdicts
