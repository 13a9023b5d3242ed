"""The readings a technician takes before the fix: rails in each state, and checks on parts."""

from __future__ import annotations

from demo_town.dice import Dice
from demo_town.family import Rail
from demo_town.fault_kind import Check, Rule
from demo_town.plan import FamilyPlan, FaultPlan
from demo_town.readings import shown, volts_shown, written

Record = dict[str, object]
_METERS = (2000, 4000, 6000, 6000)
# What a check shows on a part in order; `%` quantities are fractions of the part's value.
_GOOD = {"esr_ohm": (0.03, 0.28), "farad%": (0.9, 1.08), "ohm%": (0.985, 1.015), "diode_v": (0.44, 0.61)}
_PART_QUANTITIES = frozenset(("esr_ohm", "farad%", "ohm%", "diode_v", "farad", "ohm"))


class Bench:
    """One board on the bench with its fault (or none), and the meter in hand."""

    def __init__(self, plan: FamilyPlan, fault: FaultPlan | None, dice: Dice, writes_units: bool) -> None:
        self.plan = plan
        self.fault = fault
        self.dice = dice
        self.counts = dice.pick(_METERS)
        self.writes_units = writes_units
        self.down = fault.point.kind.down if fault else ""
        self.severity = dice.unit()
        self.decided: dict[int, bool] = {}

    def readings(self) -> list[Record]:
        """Between none and about eight readings, unpowered ones first."""
        dice = self.dice
        care = dice.unit()
        if care < 0.05:
            return []
        found = self._part_checks()
        keen = 0.33 if care < 0.5 else 0.6
        if self.down == "mains":
            keen *= 0.22
        for rail in self.plan.family.rails:
            found.extend(self._rail(rail, keen))
        found.extend(self._ripple())
        return found[:9]

    def _finish(
        self,
        where: str,
        name: str,
        quantity: str,
        supply: str,
        load: str,
        value: float,
        limits: tuple[float, float] | None = None,
    ) -> Record:
        record: Record = {where: name, "quantity": quantity, "supply": supply, "load": load, "value": value}
        if limits:
            record["min"], record["max"] = limits
        if self.writes_units and self.dice.chance(0.6):
            record["written"] = written(quantity, value, self.dice)
        return record

    def _rail(self, rail: Rail, keen: float) -> list[Record]:
        dice = self.dice
        found: list[Record] = []
        inner = rail not in self.plan.outputs or not rail.connector
        if inner:
            keen *= 0.55
        if self.plan.has_standby and dice.chance(
            keen if rail.always_on or rail.role == "bulk" else keen * 0.25
        ):
            found.append(self._volts(rail, "standby", "none" if inner or dice.chance(0.7) else "in the set"))
        if self.down in ("mains", "standby") and self.plan.has_standby:
            return found
        if dice.chance(keen):
            found.append(
                self._volts(rail, "running", "in the set" if not inner and dice.chance(0.3) else "none")
            )
        if not inner and self.down == "" and dice.chance(keen * 0.5):
            found.append(self._volts(rail, "running", "test load"))
        return found

    def _rule(self, rail: Rail, supply: str, load: str) -> Rule | None:
        if self.fault is None:
            return None
        for rule in self.fault.rules[rail.name]:
            if rule.supply not in (None, supply) or rule.load not in (None, load):
                continue
            if rule.chance >= 1.0 or self._decided(rule):
                return rule
        return None

    def _decided(self, rule: Rule) -> bool:
        """Whether this board behaves so: drawn once, so that its readings agree with one another."""
        if id(rule) not in self.decided:
            self.decided[id(rule)] = self.dice.chance(rule.chance)
        return self.decided[id(rule)]

    def _severe(self, low: float, high: float) -> float:
        """A place in the range that is much the same for all readings of one board."""
        place = min(1.0, max(0.0, self.severity + 0.1 * self.dice.bell()))
        return low + (high - low) * place

    def _is_off(self, rail: Rail, supply: str) -> bool:
        """Whether the rail is simply not there, by the fault or because the board is not enabled."""
        if self.plan.family.mains_v is None and rail.name.endswith("IN"):
            return False
        if self.down == "mains":
            return True
        if rail.role == "bulk":
            return False
        if self.down == "standby" or (
            self.down == "main" and (not rail.always_on or not self.plan.has_standby)
        ):
            return rail.role != "controller supply" or self.down == "standby"
        return supply == "standby" and not rail.always_on

    def _volts(self, rail: Rail, supply: str, load: str) -> Record:
        dice = self.dice
        nominal = rail.nominal_v
        rule = self._rule(rail, supply, load)
        if rule is not None and rail.standby_v is None and supply == "standby" and not rail.always_on:
            rule = None
        how = rule.how if rule else "absent" if self._is_off(rail, supply) else "ok"
        if rule is not None and how == "pulsing":
            return self._pulsing(rail, supply, load, rule.low, rule.high)
        if (
            rule is None
            and how == "ok"
            and load == "none"
            and supply == "running"
            and rail.name in self.plan.family.hunts
        ):
            return self._pulsing(rail, supply, load, 0.62, 1.06)
        if how == "absent":
            value = nominal * 0.012 * dice.unit() if dice.chance(0.6) else 0.0
        elif rule is not None and how in ("low", "high"):
            value = nominal * self._severe(rule.low, rule.high)
        else:
            value = self._healthy(rail, supply, load)
        return self._finish("rail", rail.name, "dc_v", supply, load, volts_shown(value, self.counts))

    def _healthy(self, rail: Rail, supply: str, load: str) -> float:
        dice = self.dice
        if rail.role == "bulk":
            unboosted = supply == "standby" or not self._boosts(rail)
            centre = (rail.standby_v or rail.nominal_v) if unboosted else rail.nominal_v
            return centre * (1 + 0.012 * dice.bell()) if unboosted else centre * (1 + 0.004 * dice.bell())
        tight = min(rail.tolerance_pct or 5.0, 5.0) / 100
        lift = {"none": 0.22, "test load": -0.05, "in the set": -0.12}[load] * tight
        return rail.nominal_v * (1 + self.plan.offsets[rail.name] * tight + lift + 0.09 * tight * dice.bell())

    def _boosts(self, rail: Rail) -> bool:
        return rail.standby_v is not None and rail.standby_v != rail.nominal_v

    def _pulsing(self, rail: Rail, supply: str, load: str, low: float, high: float) -> Record:
        dice = self.dice
        least = rail.nominal_v * max(0.0, low * dice.between(0.85, 1.1))
        most = rail.nominal_v * max(high * dice.between(0.92, 1.03), low + 0.08)
        values = sorted(volts_shown(value, self.counts) for value in (least, most, dice.between(least, most)))
        return self._finish("rail", rail.name, "dc_v", supply, load, values[1], (values[0], values[2]))

    def _ripple(self) -> list[Record]:
        dice = self.dice
        if self.down or not dice.chance(0.1):
            return []
        rails = [rail for rail in self.plan.outputs if rail.ripple_mv]
        if not rails:
            return []
        rail = dice.pick(rails)
        if self.fault and rail.name == self.fault.point.rail:
            return []
        value = (rail.ripple_mv or 0.0) / 1000 * dice.between(0.15, 0.6)
        value = round(value, 3)
        return [
            self._finish(
                "rail", rail.name, "ripple_v", "running", dice.pick(("test load", "in the set")), value
            )
        ]

    def _part_checks(self) -> list[Record]:
        dice = self.dice
        found = []
        if self.fault:
            for check in self.fault.checks:
                if dice.chance(check.chance):
                    found.extend(self._check(self.fault, check, check.low, check.high))
        if dice.chance(0.16):
            other = dice.pick(self.plan.all_faults)
            if other is not self.fault:
                for check in other.checks[:1]:
                    if check.quantity in _GOOD:
                        found.extend(self._check(other, check, *_GOOD[check.quantity]))
        return found

    def _check(self, fault: FaultPlan, check: Check, low: float, high: float) -> list[Record]:
        quantity = check.quantity.rstrip("%")
        value = self._spread(low, high)
        if check.quantity.endswith("%"):
            if fault.value is None:
                return []
            value *= fault.value
        value = shown(value, self.counts)
        if quantity in ("ripple_v", "celsius", "diode_v", "dc_v", "ac_v"):
            value = round(value, {"ripple_v": 2, "celsius": 0}.get(quantity, 3)) + 0.0
        if quantity == "ohm" or quantity == "esr_ohm":
            value = round(value, 2) + 0.0
        powered = quantity not in ("esr_ohm", "farad", "ohm", "diode_v")
        supply, load = (
            ("running", "in the set" if self.dice.chance(0.5) else "test load")
            if powered
            else ("unpowered", "none")
        )
        if check.point == "$":
            return [self._finish("rail", fault.point.rail, quantity, supply, load, value)]
        point = (check.point or "{part}").replace("{part}", fault.point.part)
        return [self._finish("point", point, quantity, supply, load, value)]

    def _spread(self, low: float, high: float) -> float:
        """Between two numbers; over wide ranges small values are as likely as large ones."""
        dice = self.dice
        if low > 0 and high / low > 20:
            return low + (high - low) * dice.unit() * dice.unit() * dice.unit()
        return dice.between(low, high)
