"""Computations at hand: discharge, capacitor, dividers, and a meter's log; on a family's values where known."""

from __future__ import annotations

from dataclasses import dataclass

from kb.apart import Limits, Pool
from kb.bench.capacitor import CapacitorVerdict, judge_capacitor
from kb.bench.discharge import TARGET_V, Discharge, discharge
from kb.bench.divider import (
    Divider,
    Dropper,
    choose_divider,
    divider,
    dropper,
    in_parallel,
    shunt_reference_output,
)
from kb.bench.meter_log import LogPicture, LogSummary, summed_up, to_reading
from kb.bench.rails import Assessment, assess
from kb.errors import BadInput
from kb.facts.preferred import SERIES
from kb.model import FamilyRecord, Reading
from kb.service.bench import runs
from kb.service.boards import families
from kb.service.shop.shop import Shop
from kb.service.shop.translate import find_rail, spec_of

__all__ = [
    "SERIES",
    "TARGET_V",
    "CapacitorVerdict",
    "Discharge",
    "Divider",
    "Dropper",
    "LogRead",
    "choose_divider",
    "discharge",
    "divider",
    "dropper",
    "in_parallel",
    "judge_capacitor",
    "keep_log",
    "read_meter_log",
    "shunt_reference_output",
]


_LOGS = Pool(
    "This log",
    "Export a shorter stretch, as lines of time and volts.",
    Limits(cpu_s=30, wall_s=90),
)


@dataclass(frozen=True, slots=True)
class LogRead:
    """A meter's log in figures and as a picture, judged where a rail was named."""

    summary: LogSummary
    picture: LogPicture
    first_skipped: tuple[str, ...]
    reading: Reading | None
    assessment: Assessment | None

    @property
    def picture_ends(self) -> tuple[float, float]:
        """Volts at the bottom and top of the picture: from 0, or closer where a steady rail's drift would not show.

        A steady log is drawn over four times what it moved, and over at least a hundredth of its voltage, so that
        the meter's last digit does not look like a fault.
        """
        low, high = min(self.picture.low_v), max(self.picture.high_v)
        span = max(4.0 * (high - low), 0.01 * max(abs(low), abs(high)))
        middle = (low + high) / 2
        bottom, top = middle - span / 2, middle + span / 2
        return (min(low, 0.0), max(high, 0.0)) if bottom <= 0.0 <= top else (bottom, top)


def read_meter_log(
    text: str, family: FamilyRecord | None, rail: str, supply: str, load: str, *, after_repair: bool = False
) -> LogRead:
    """Reads a log of time and volts. Raises BadInput for a log without readings or an unknown rail."""
    found = find_rail(family, rail) if rail else None
    if rail and family is not None and found is None:
        names = ", ".join(one.name for one in family.rails) or "none is known"
        raise BadInput(
            f"Family {family.code} has no rail {rail}.",
            field="rail",
            remedy=f"Choose one of its rails: {names}.",
        )
    summary, picture, first_skipped = _LOGS.run(summed_up, text, found.nominal_v if found else None)
    reading, assessment = None, None
    if rail:
        name = found.name if found else rail
        measured = to_reading(summary, name, supply, load)
        if found is not None:
            assessment = assess(spec_of(found), measured)
        reading = Reading(
            rail=name,
            quantity="dc_v",
            supply=supply,
            load=load,
            value=None if measured.value is None else _rounded(measured.value),
            min=None if measured.min is None else _rounded(measured.min),
            max=None if measured.max is None else _rounded(measured.max),
            written=f"meter log, {summary.rows} rows over {summary.duration_s:.4g} s",
            after_repair=after_repair,
        )
    return LogRead(summary, picture, first_skipped, reading, assessment)


def _rounded(value: float) -> float:
    return float(f"{value:.6g}")


def keep_log(shop: Shop, case_uid: str, reading: Reading) -> None:
    """Adds what a log came to as a reading of a case. Raises NotFound, BadInput."""
    with shop.write() as session:
        runs.add_readings(session, case_uid, [reading])
    shop.refresh()


def family_of(shop: Shop, number: str) -> FamilyRecord | None:
    """The family a helper computes for, None where none was named. Raises NotFound for an unknown one."""
    return families.get(shop, number)[0] if number.strip() else None
