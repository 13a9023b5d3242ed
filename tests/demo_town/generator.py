"""The demo store: a harbour-town bench over ten years, as records of the exchange format.

Families come first, then dummy loads and the parts shelf, then cases in the order in which the boards came in.
Nothing is kept but the boards that will come back, so that stores of any size are made in bounded memory. The same
seed gives the same bytes, on every machine and version of Python.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from datetime import date, timedelta
from heapq import heappop, heappush
from typing import TypeVar

from demo_town.complaints import complaint
from demo_town.dice import Dice, Weighted
from demo_town.family import Family
from demo_town.invented import families_with_weak_points
from demo_town.measure import Bench, Record
from demo_town.plan import FamilyPlan, FaultPlan, family_plan
from demo_town.shelf import NOTES, SHELF, Quotes
from demo_town.world import FAMILIES, LOADS

START = date(2016, 11, 1)
LAST_DAY = date(2026, 10, 31)
SEED = 1893
CASES = 460

_CAME_BACK_OTHER, _FOLLOWED = 0.03, 0.52
_IN_ORDER = Weighted((True, False), (0.13, 0.87))
_NO_FAULT_NOTES = (
    "Ran four hours under test load, all rails in order. Fault not seen.",
    "Nothing found. Suspect the cable in the set, told them to look there.",
    "All rails good unloaded and loaded, ten cold starts. Given back without charge.",
    "No fault. Plug of the set was not pushed home.",
    "Shaken, heated, cooled: works.",
)
_HUNTS_NOTE = "Dislikes running with nothing connected, that is all. With a lamp on {rail} steady as a rock."
_SCRAP_NOTES = (
    "More hours than the board is worth. Took the relay and the coil for spares.",
    "Part not to be had for months, a used board was cheaper.",
    "Customer did not want to pay for the whole set of parts.",
)
_SCRAP_NOTES_OF = {
    "corroded": "Tracks eaten away under the coating, gave up.",
    "shorted": "Burnt through the board, coal conducts. Not repaired.",
}
_WAITS = "Waiting for parts."
_OPEN_NOTES = (
    _WAITS,
    "Customer to bring the set as well.",
    "Asked whether it is worth it to them.",
    "",
)
_PLAIN_NOTES = (
    "Tested two hours under lamp load.",
    "Cleaned while it was open.",
    "Twenty cold starts, good.",
    "Screws were wrong, replaced.",
    "Photo in the folder.",
    "Second board of this type this month.",
    "Housing seal renewed.",
)  # fmt: skip
# A board that shows no sign of life cannot do these; the fault kinds name "dead" before them.
_NOT_WHEN_DEAD = frozenset(
    ("starts only after several tries", "starts only when warm", "starts then shuts down", "restarts by itself",
     "intermittent", "standby light blinks", "relay clicks repeatedly", "standby light on but will not start",
     "error code shown",
     "display dim or fading", "fails when warm", "backlight flickers")
)  # fmt: skip
_FOLLOW_NOTES = ("phone call", "asked on board", "seen running at the gate", "they are content", "")


T = TypeVar("T")


class _Return:
    """A board that will come back: when, which, and why."""

    __slots__ = ("fault", "history", "plan", "received_before", "revision")

    def __init__(
        self, plan: FamilyPlan, fault: FaultPlan | None, history: str, received: date, revision: str
    ) -> None:
        self.plan, self.fault, self.history = plan, fault, history
        self.received_before, self.revision = received, revision


def _family_record(family: Family) -> Record:
    rails = []
    for rail in family.rails:
        entry: Record = {"name": rail.name, "role": rail.role, "nominal_v": rail.nominal_v,
                         "tolerance_pct": rail.tolerance_pct, "rated_a": rail.rated_a, "ripple_mv": rail.ripple_mv,
                         "always_on": rail.always_on, "connector": rail.connector, "pins": list(rail.pins),
                         "ground_pins": list(rail.ground_pins)}  # fmt: skip
        rails.append(
            _without_empty(_with_floats(entry, "nominal_v", "tolerance_pct", "rated_a", "ripple_mv"))
        )
    enable: Record = {}
    if family.enable:
        enable = {
            name: getattr(family.enable, name)
            for name in ("connector", "pin", "from_rail", "active", "resistor_ohm")
        }
        enable = _with_floats(enable, "resistor_ohm")
    connectors = [{"name": name, "pins": pins, "rows": rows} for name, pins, rows in family.connectors]
    record: Record = {
        "record": "family", "code": family.code, "kind": family.kind, "aliases": list(family.aliases),
        "mains_v": family.mains_v, "bulk_v": family.bulk_v, "bulk_uf": family.bulk_uf, "fuse": family.fuse,
        "isolated": family.isolated, "switch": family.switch,
        "rails": rails, "connectors": connectors, "enable": enable, **NOTES.get(family.code, {}), "notes": family.notes,
    }  # fmt: skip
    said = _without_empty({**_with_floats(record, "mains_v", "bulk_v", "bulk_uf"), "isolated": "said"})
    if family.isolated is None:
        del said["isolated"]
    else:
        said["isolated"] = family.isolated
    return said


def _without_empty(record: Record) -> Record:
    """Leave out what is null, empty or false: readers take those as the default."""
    return {name: value for name, value in record.items() if value or (value == 0 and value is not False)}


def _with_floats(record: Record, *names: str) -> Record:
    """Measures as JSON numbers with a decimal point, which is how the product writes them."""
    return {name: float(str(value)) if name in names and value else value for name, value in record.items()}


def _workday(day: date) -> date:
    """The day itself, or the Friday before or Monday after it: the bench is closed at weekends."""
    return day + timedelta(days=(0, 0, 0, 0, 0, -1, 1)[day.weekday()])


class _Shop:
    """The bench: draws boards, tells their cases, remembers who will be back."""

    def __init__(self, plans: list[FamilyPlan], dice: Dice, today: date) -> None:
        self.plans = Weighted(plans, [plan.family.share for plan in plans])
        self.dice = dice
        self.today = today
        self.returns: list[tuple[date, int, _Return]] = []
        self.count = 0
        self.steps: dict[str, float] = {}

    def _evenly(self, name: str, weighted: Weighted[T]) -> T:
        """Draw by weight in golden-ratio steps with some jitter.

        Small stores then come close to the weights, where plain chance would hide a family's weak point
        (Weyl's equidistribution; the golden ratio as the step is common practice, from memory). Things drawn
        together need names of their own per family, or their steps run side by side and are no longer
        independent.
        """
        step = self.steps.get(name, self.dice.unit()) + 0.6180339887498949
        self.steps[name] = step - int(step)
        place = step + 0.015 * self.dice.bell() + 1
        return weighted.at(place - int(place))

    def next_case(self, day: date) -> Record:
        """The next board that comes in on or before this day."""
        self.count += 1
        if self.returns and self.returns[0][0] <= day:
            due, _, back = heappop(self.returns)
            return self._case(back.plan, due, back)
        return self._case(self._evenly("", self.plans), day, None)

    def _fault(self, plan: FamilyPlan, day: date, back: _Return | None) -> FaultPlan | None:
        dice = self.dice
        if back and back.history == "same" and back.fault and dice.chance(0.7):
            return back.fault
        if dice.chance(0.06) if back else self._evenly(f"no fault, {plan.family.code}", _IN_ORDER):
            return None
        fault = self._evenly(plan.family.code, plan.faults)
        # Storms come in autumn and winter: a second draw moves surge damage there.
        if fault.point.kind.season == "storm" and 4 <= day.month <= 8 and dice.chance(0.6):
            fault = dice.draw(plan.faults)
        return fault

    def _case(self, plan: FamilyPlan, received: date, back: _Return | None) -> Record:
        dice, family = self.dice, plan.family
        fault = self._fault(plan, received, back)
        present, symptoms = self._symptoms(plan, fault)
        history = back.history if back else ""
        verdict, attempts = self._work(plan, fault)
        closed: date | None = _workday(
            received + timedelta(days=int(28 * dice.unit() * dice.unit() * dice.unit()) + dice.whole(0, 4))
        )
        waits = (self.today - received).days < 75 and dice.chance(0.6)
        if closed is None or closed > self.today or waits:
            closed, verdict = None, ""
            attempts = self._unfinished(attempts)
        revision = back.revision if back else self._revision(family, received)
        record: Record = {
            "record": "case", "uid": dice.uid(), "family": family.code, "revision": revision,
            "received": received.isoformat(), "closed": closed.isoformat() if closed else "", "verdict": verdict,
            "complaint": complaint(dice, family.things, present, history, plan.says),
            "customer": dice.pick(family.customers),
            "worker": "", "waiting_for": "", "waiting_since": "", "symptoms": symptoms,
            "readings": Bench(plan, fault, dice, dice.chance(0.3)).readings(), "attempts": attempts,
            "follow_ups": self._follow_ups(plan, fault, received, closed, verdict, revision),
            "notes": self._notes(plan, fault, verdict, back, attempts),
        }  # fmt: skip
        if closed is None:
            record |= self._in_hand(record, fault, received)
        return _without_empty(record)

    def _in_hand(self, record: Record, fault: FaultPlan | None, received: date) -> Record:
        """On which of two benches an open board lies, and what it waits for where its notes say that it waits."""
        hands: Record = {"worker": f"bench {int(str(record['uid'])[0], 16) % 2 + 1}"}
        if _WAITS in str(record["notes"]) and fault:
            since = min(_workday(received + timedelta(days=2)), self.today)
            hands["waiting_for"] = f"{fault.point.value or ''} {fault.point.kind.part_class}".strip()
            hands["waiting_since"] = since.isoformat()
        return hands

    def _revision(self, family: Family, received: date) -> str:
        """Later revisions turn up more often in later years."""
        age = (received - START).days / 3652
        place = int((self.dice.unit() * 0.65 + 0.35 * age) * len(family.revisions))
        return family.revisions[min(place, len(family.revisions) - 1)]

    def _symptoms(self, plan: FamilyPlan, fault: FaultPlan | None) -> tuple[list[str], list[Record]]:
        """Names present, and the entries; a board in order shows what once was complained of."""
        dice = self.dice
        if fault is None:
            names = ["intermittent"] if dice.chance(0.5) else []
            names.append(plan.family.unsteady if dice.chance(0.5) else plan.family.missing)
            if plan.family.hunts and dice.chance(0.4):
                names.append("hiccup")
            names = list(dict.fromkeys(names))
            entries: list[Record] = [{"name": name} for name in names]
            if dice.chance(0.4):
                entries.append({"name": "fuse blown", "present": False})
            return names, entries
        care = dice.between(0.72, 1.0)
        present: list[str] = []
        entries = []
        for name, likely, denied in fault.symptoms:
            draw = dice.unit()
            if name in _NOT_WHEN_DEAD and "dead" in present:
                continue
            if draw < likely * care:
                present.append(name)
                entries.append({"name": name})
            elif draw > 1 - denied * care:
                entries.append({"name": name, "present": False})
        if not present:
            name = fault.symptoms[0][0]
            present, entries = (
                [name],
                [{"name": name}, *(entry for entry in entries if entry["name"] != name)],
            )
        return present, entries

    def _attempt(self, fault: FaultPlan, result: str, share: float = 1.0) -> Record:
        dice, kind = self.dice, fault.point.kind
        cost = round(dice.between(*kind.cost) * share, 2)
        minutes = int(dice.whole(*kind.minutes) * (0.6 + 0.4 * share))
        return _without_empty(
            {"part": fault.point.part, "part_class": kind.part_class, "section": fault.section, "failure": kind.failure,
             "action": kind.action, "result": result, "cost": cost, "minutes": minutes}
        )  # fmt: skip

    def _wrong_guess(self, fault: FaultPlan) -> Record:
        """A part that was good, so no failure is noted."""
        draw = self.dice.unit()
        result = "no change" if draw < 0.8 else "improved" if draw < 0.95 else "worse"
        attempt = self._attempt(fault, result, 0.9)
        attempt.pop("failure", None)
        return attempt

    def _work(self, plan: FamilyPlan, fault: FaultPlan | None) -> tuple[str, list[Record]]:
        dice = self.dice
        if fault is None:
            return "no fault found", []
        attempts = [self._wrong_guess(guess) for guess, chance in fault.guesses if dice.chance(1.5 * chance)]
        if dice.chance(0.09):
            other = dice.pick(plan.all_faults)
            alike = other.point.kind.down == fault.point.kind.down or not fault.point.kind.down
            if alike and other is not fault and len(attempts) < 2:
                attempts.append(self._wrong_guess(other))
        if dice.chance(fault.point.kind.scrap / 100):
            if dice.chance(0.4):
                attempts.append(self._attempt(fault, "no change" if dice.chance(0.8) else "improved"))
            return ("not economical" if dice.chance(0.7) else "not repairable"), attempts
        attempts.append(self._attempt(fault, "cured"))
        return "repaired", attempts

    def _unfinished(self, attempts: list[Record]) -> list[Record]:
        """What is on the sheet of a board still on the bench."""
        done = attempts[: self.dice.whole(0, len(attempts))]
        if done and done[-1]["result"] == "cured":
            done[-1] = {**done[-1], "result": "not known yet"}
        return done

    def _follow_ups(
        self,
        plan: FamilyPlan,
        fault: FaultPlan | None,
        received: date,
        closed: date | None,
        verdict: str,
        revision: str,
    ) -> list[Record]:
        dice = self.dice
        if closed is None or verdict not in ("repaired", "no fault found"):
            return []
        draw = dice.unit()
        same = fault.point.kind.returns / 100 if fault else 0.1
        if draw < same + _CAME_BACK_OTHER:
            history = "same" if draw < same else "another"
            day = _workday(
                closed
                + timedelta(days=4 + int((420 if history == "same" else 900) * dice.unit() * dice.unit()))
            )
            if day > self.today:
                return []
            back = _Return(plan, fault, history, received, revision)
            heappush(self.returns, (day, self.count, back))
            return [
                {
                    "date": day.isoformat(),
                    "state": f"came back with {'the same' if history == 'same' else 'another'} fault",
                }
            ]
        if draw > 1 - _FOLLOWED:
            return self._good_news(closed)
        return []

    def _good_news(self, closed: date) -> list[Record]:
        dice = self.dice
        found = []
        day = closed
        for _ in range(1 + int(dice.unit() * 1.5)):
            day = _workday(day + timedelta(days=dice.whole(40, 420)))
            if day > self.today:
                break
            found.append(
                _without_empty(
                    {"date": day.isoformat(), "state": "still working", "note": dice.pick(_FOLLOW_NOTES)}
                )
            )
        return found

    def _notes(
        self,
        plan: FamilyPlan,
        fault: FaultPlan | None,
        verdict: str,
        back: _Return | None,
        attempts: list[Record],
    ) -> str:
        dice = self.dice
        pieces = []
        if back:
            pieces.append(f"Was here before, received {back.received_before.isoformat()}.")
        if verdict == "":
            proving = bool(attempts) and attempts[-1]["result"] == "not known yet"
            pieces.append("Put together, on soak." if proving else dice.pick(_OPEN_NOTES))
        elif verdict == "no fault found":
            rails = plan.family.hunts
            hunting = rails and dice.chance(0.4)
            pieces.append(_HUNTS_NOTE.format(rail=rails[0]) if hunting else dice.pick(_NO_FAULT_NOTES))
        elif verdict != "repaired":
            special = _SCRAP_NOTES_OF.get(fault.point.kind.failure) if fault and dice.chance(0.5) else None
            pieces.append(special or dice.pick(_SCRAP_NOTES))
        elif fault and dice.chance(0.5):
            point = fault.point
            note = dice.pick(point.kind.notes)
            pieces.append(note.format(part=point.part, value=point.value or "no value"))
        if verdict and dice.chance(0.16):
            pieces.append(dice.pick(_PLAIN_NOTES))
        return " ".join(piece for piece in pieces if piece)


def generate(
    seed: int = SEED, cases: int = CASES, families: int | None = None, today: date = LAST_DAY
) -> Iterator[Record]:
    """Records of the exchange format: families, loads, the parts shelf, then `cases` cases from START to `today`.

    `families` beyond the hand-written ones (None: just those) are variations on them. Cases are evenly
    spread but for a shop that slowly gets busier, and come in the order of their receipt, save that a
    board that came back keeps its own day.
    """
    dice = Dice(seed)
    plans = []
    for family, points in families_with_weak_points(len(FAMILIES) if families is None else families, dice):
        offsets = {rail.name: 0.16 * dice.bell() for rail in family.rails}
        plans.append(family_plan(family, points, offsets))
        yield _family_record(family)
    for load in LOADS:
        yield {"record": "load", **load}
    yield from SHELF
    quotes = Quotes()
    shop = _Shop(plans, dice, today)
    span = (today - START).days
    for number in range(cases):
        past = (number + dice.unit()) / cases
        day = _workday(START + timedelta(days=int(span * (1.2 - 0.2 * past) * past)))
        yield quotes.on(shop.next_case(min(day, today)))


def lines(records: Iterator[Record]) -> Iterator[str]:
    """The records as JSON Lines, each ending in a newline."""
    encode = json.JSONEncoder(ensure_ascii=False, separators=(",", ":")).encode
    for record in records:
        yield encode(record) + "\n"
