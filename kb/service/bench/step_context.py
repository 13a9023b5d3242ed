"""What stands beside a step: what is known of the board so far, the way to discharge, and a running clock."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime

from kb.bench.discharge import Discharge, discharge, seconds_until
from kb.bench.limits import METER_V, TOUCH_V, WET_TOUCH_V
from kb.bench.sequence_judge import BULK_STEP
from kb.service.bench.view import RunView, StepView

_MOST_KNOWN = 12


@dataclass(frozen=True, slots=True)
class ChargeAtStep:
    """How the measured charge is taken away: the course down to what the meter wants, and to what hands bear.

    `assumed` says that the capacitance is not known and 100 µF was taken.
    """

    course: Discharge
    volts: float
    to_touch_s: float
    touch_v: float
    assumed: bool


@dataclass(frozen=True, slots=True)
class ClockAtStep:
    """A step's clock: planned seconds, and when it was started (None: not yet) with the seconds gone by."""

    planned_s: float
    started_at: datetime | None
    gone_s: float

    @property
    def typed(self) -> str:
        """The time gone by as a person would type it."""
        if self.gone_s < 120:
            return f"{self.gone_s:.0f} s"
        return f"{self.gone_s / 60:.1f} min"


def charge_at(view: RunView, place: StepView) -> ChargeAtStep | None:
    """The way to discharge what was measured at the bulk step, None elsewhere and where nothing is to be done."""
    if place.step.key != BULK_STEP or place.outcome != "wrong":
        return None
    volts = max(abs(number) for number in place.results[-1].entry.numbers)
    farads = (view.family.bulk_uf or 100.0) * 1e-6
    course = discharge(farads, volts, None, METER_V)
    touch_v = WET_TOUCH_V if view.sequence.wet else TOUCH_V
    to_touch = seconds_until(farads, volts, course.ohms, touch_v)
    return ChargeAtStep(course, volts, to_touch, touch_v, view.family.bulk_uf is None)


def clock_of(view: RunView, place: StepView) -> ClockAtStep | None:
    """The clock of a step that lasts, None for any other."""
    if place.step.hold_s is None:
        return None
    started = view.run.setup.get("clocks", {}).get(place.step.key)
    if started is None:
        return ClockAtStep(place.step.hold_s, None, 0.0)
    at = datetime.fromisoformat(started)
    at = at if at.tzinfo else at.replace(tzinfo=UTC)
    return ClockAtStep(place.step.hold_s, at, max(0.0, (datetime.now(UTC) - at).total_seconds()))


def known_so_far(view: RunView, place: StepView) -> tuple[StepView, ...]:
    """The steps of this run that were entered, the newest last, without the one that is open."""
    entered = [one for one in view.steps if one.results and one.number != place.number]
    return tuple(entered[-_MOST_KNOWN:])
