"""May one part stand in for another? The trade's rules, each with its sentence.

Common practice, no published source, unless a rule says otherwise. What a rule needs to know and is not known
is never taken for granted: the answer is then "look", with what to look up. One broken rule is enough for "no".
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Literal

from kb.facts.designators import code_key
from kb.facts.quantities import format_quantity

Say = Literal["yes", "look", "no"]

# Values are the same within this share: 4.7 and 4.70, not 4.7 and 5.1.
_SAME = 0.005
_MOST_MORE = {"electrolytic": 1.5, "bulk": 1.5}
_MUCH_LOWER_ESR = 0.25

_GROUPS: dict[str, tuple[str, ...]] = {
    "electrolytic": ("electrolytic capacitor", "polymer capacitor"),
    "bulk": ("bulk capacitor",),
    "ceramic": ("ceramic capacitor",),
    "film": ("film capacitor",),
    "safety": ("safety capacitor",),
    "resistor": ("resistor", "start-up resistor", "current sense resistor"),
    "fusible": ("fusible resistor",),
    "fuse": ("fuse",),
    "cut-out": ("thermal cut-out",),
    "resettable": ("resettable fuse",),
    "rectifier": ("diode", "fast rectifier", "Schottky rectifier"),
    "bridge": ("bridge rectifier",),
    "zener": ("zener diode",),
    "suppressor": ("surge suppressor diode",),
    "varistor": ("varistor",),
    "inrush": ("inrush limiter",),
    "transistor": ("bipolar transistor",),
    "switch": ("MOSFET", "power factor MOSFET"),
    "IGBT": ("IGBT",),
    "optocoupler": ("optocoupler",),
    "relay": ("relay",),
    "coil": ("inductor", "line filter", "ferrite bead"),
}
_GROUP_OF = {name: group for group, names in _GROUPS.items() for name in names}
# Parts of these groups may stand in for one another as far as the rules below allow it.
_ALIKE = ({"electrolytic", "bulk"}, {"resistor", "fusible"}, {"film", "safety"})
_SPEEDS = ("standard", "fast", "ultrafast", "Schottky")
_CERAMICS = ("Y5V", "X5R", "X7R", "C0G")
# Where nothing is said of the speed of a rectifier, the least is taken of what is offered and the most of what
# is wanted.
_LEAST_SPEED = {"diode": "standard", "fast rectifier": "fast", "Schottky rectifier": "Schottky"}
_MOST_SPEED = {"diode": "", "fast rectifier": "ultrafast", "Schottky rectifier": "Schottky"}

RULES: dict[str, str] = {
    "kind of part": "A part is replaced by one of its own kind.",
    "type": "Integrated circuits are replaced by the same type number only.",
    "value": "The value is the same.",
    "capacitance": "The capacitance of a reservoir or filter capacitor is the same, or up to half as much more.",
    "voltage": "The voltage rating is the same or higher.",
    "current": "The current rating is the same or higher.",
    "power": "The power rating is the same or higher.",
    "temperature": "The temperature rating is the same or higher.",
    "ESR": "The series resistance of an output filter capacitor is not higher.",
    "tolerance": "The tolerance is the same or closer.",
    "safety class": "A safety capacitor is replaced only by one of the same letter, X or Y, and no lower class.",
    "leakage": "A Y capacitor is not larger: its value sets the current that flows to earth or to the output.",
    "fuse current": "A fuse is replaced by one of the same current, never of a higher one.",
    "fuse characteristic": "A slow fuse never replaces a quick one, nor a quick one a slow one.",
    "breaking capacity": "A fuse of high breaking capacity is never replaced by one of low breaking capacity.",
    "fusible": "A fusible resistor is never replaced by one that does not open, nor by one of another power rating.",
    "flameproof": "A flameproof resistor is never replaced by a plain one.",
    "inductance": "A wirewound resistor, being a coil, does not sense a switched current.",
    "speed": "A rectifier is at least as fast: an ultrafast or Schottky rectifier is never replaced by a standard one.",
    "forward drop": "A Schottky rectifier is not replaced by a junction diode: it drops twice as much and runs hot.",
    "dielectric": "A ceramic capacitor keeps its dielectric or gets a steadier one.",
    "trip temperature": "A thermal cut-out trips at the same temperature, never at a higher one.",
    "isolation": "An optocoupler isolates as much or more: people's safety rests on it.",
    "package": "It fits where it goes: package, pitch, height and order of the pins.",
}


@dataclass(frozen=True, slots=True)
class Ratings:
    """What tells whether a part may stand in for another. Values in SI units; None or "" is not known.

    `kind` is one of `kb.facts.vocabulary.PART_KINDS`, `value` in `unit`.
    """

    part_class: str
    kind: str = ""
    type_number: str = ""
    value: float | None = None
    unit: str = ""
    tolerance_pct: float | None = None
    max_v: float | None = None
    max_a: float | None = None
    max_w: float | None = None
    max_c: float | None = None
    esr_ohm: float | None = None
    package: str = ""


@dataclass(frozen=True, slots=True)
class Checked:
    """One rule applied: whether it holds ("yes"), is broken ("no") or cannot be told ("look"), and why."""

    rule: str
    say: Say
    sentence: str


@dataclass(frozen=True, slots=True)
class StandIn:
    """Whether a part may stand in for another, with every rule that was applied, broken ones first."""

    say: Say
    checked: tuple[Checked, ...]

    @property
    def why(self) -> str:
        """What decides: the broken rules, else what is to be looked up, else that it fits."""
        deciding = [one.sentence for one in self.checked if one.say == self.say and one.say != "yes"]
        return " ".join(deciding) or "Value and ratings are the same or better."


def may_stand_in(offered: Ratings, wanted: Ratings) -> StandIn:
    """Whether the part `offered` may go where `wanted` belongs."""
    checked = sorted(_checks(offered, wanted), key=lambda one: ("no", "look", "yes").index(one.say))
    return StandIn(checked[0].say if checked else "look", tuple(checked))


def _checks(offered: Ratings, wanted: Ratings) -> Iterator[Checked]:
    same_type = bool(code_key(wanted.type_number)) and code_key(offered.type_number) == code_key(
        wanted.type_number
    )
    group, other = _GROUP_OF.get(wanted.part_class, ""), _GROUP_OF.get(offered.part_class, "")
    if offered.part_class != wanted.part_class and not _alike(group, other):
        yield _no("kind of part", f"A {offered.part_class} does not replace a {wanted.part_class}.")
        return
    if not group:
        yield from _by_type(offered, wanted, same_type)
        return
    if _safety(wanted) or _safety(offered) or "safety" in (group, other):
        yield from _safety_checks(offered, wanted)
    elif group in ("electrolytic", "bulk"):
        yield from _electrolytic_checks(offered, wanted, group)
    elif group in ("resistor", "fusible"):
        yield from _resistor_checks(offered, wanted)
    elif group == "fuse":
        yield from _fuse_checks(offered, wanted)
    elif group == "rectifier":
        yield from _rectifier_checks(offered, wanted)
    else:
        yield from _other_checks(offered, wanted, group)
    yield from _package(offered, wanted)


def _alike(group: str, other: str) -> bool:
    return bool(group) and (group == other or any({group, other} <= alike for alike in _ALIKE))


def _no(rule: str, sentence: str) -> Checked:
    return Checked(rule, "no", sentence)


def _by_type(offered: Ratings, wanted: Ratings, same_type: bool) -> Iterator[Checked]:
    if same_type:
        yield Checked("type", "yes", f"The same type: {wanted.type_number}.")
    elif offered.type_number and wanted.type_number:
        yield _no(
            "type",
            f"{offered.type_number} is another type than {wanted.type_number}; "
            f"a {wanted.part_class} is replaced by the same type only.",
        )
    else:
        yield Checked(
            "type",
            "look",
            f"Compare the type numbers: a {wanted.part_class} is replaced by the same type only.",
        )
    yield from _package(offered, wanted)


def _safety(part: Ratings) -> str:
    return part.kind if len(part.kind) == 2 and part.kind[0] in "XY" and part.kind[1].isdigit() else ""


def _safety_checks(offered: Ratings, wanted: Ratings) -> Iterator[Checked]:
    have, need = _safety(offered), _safety(wanted)
    rule = "safety class"
    if not need and wanted.part_class != "safety capacitor":
        yield Checked(rule, "look", "Look at the old part: whether a safety class (X or Y) is printed on it.")
    elif not have:
        yield _no(
            rule,
            f"A safety capacitor{f' of class {need}' if need else ''} is never replaced by one without a class.",
        )
    elif not need:
        yield Checked(
            rule,
            "look",
            f"Look up the class of the old part: {have} replaces {have[0]} of the same or a lower class.",
        )
    elif have[0] != need[0]:
        yield _no(rule, f"{have} does not replace {need}: X and Y are made for different dangers.")
    elif have[1] > need[1]:
        yield _no(rule, f"{have} is a lower class than {need}.")
    else:
        yield Checked(rule, "yes", f"{have} replaces {need}.")
    if (
        need.startswith("Y")
        and offered.value is not None
        and wanted.value is not None
        and offered.value > wanted.value * (1 + _SAME)
    ):
        yield _no(
            "leakage",
            f"{_said(offered)} is more than {_said(wanted)}: more current gets through to what people touch.",
        )
    else:
        yield from _same_value(offered, wanted)
    yield from _at_least("voltage", "V", offered.max_v, wanted.max_v)
    yield from _at_least("temperature", "degC", offered.max_c, wanted.max_c, needed=False)


def _electrolytic_checks(offered: Ratings, wanted: Ratings, group: str) -> Iterator[Checked]:
    rule = "capacitance"
    if offered.value is None or wanted.value is None or offered.unit != wanted.unit:
        yield Checked(rule, "look", "Compare the capacitance: the same, or up to half as much more.")
    elif offered.value < wanted.value * (1 - _SAME):
        yield _no(rule, f"{_said(offered)} is less than {_said(wanted)}.")
    elif offered.value > wanted.value * _MOST_MORE[group] * (1 + _SAME):
        yield _no(
            rule,
            f"{_said(offered)} is over half as much again as {_said(wanted)}: its charging surge is too large.",
        )
    else:
        yield Checked(rule, "yes", f"{_said(offered)} for {_said(wanted)}.")
    yield from _at_least("voltage", "V", offered.max_v, wanted.max_v)
    yield from _at_least("temperature", "degC", offered.max_c, wanted.max_c)
    if group == "bulk":
        return
    if "polymer" in (offered.kind, wanted.kind) and offered.kind != wanted.kind:
        yield Checked(
            "ESR",
            "look",
            "One of the two is a polymer capacitor: a regulator may begin to swing. Look at the ripple afterwards.",
        )
    elif wanted.kind == "low ESR" and offered.kind == "general purpose":
        yield _no(
            "ESR",
            "A general purpose capacitor does not replace one of low series resistance in an output filter.",
        )
    elif offered.esr_ohm is not None and wanted.esr_ohm is not None:
        high, low = (
            offered.esr_ohm > wanted.esr_ohm * (1 + _SAME),
            offered.esr_ohm < wanted.esr_ohm * _MUCH_LOWER_ESR,
        )
        have, need = format_quantity(offered.esr_ohm, "ohm"), format_quantity(wanted.esr_ohm, "ohm")
        if high:
            yield _no("ESR", f"Its series resistance of {have} is higher than {need}.")
        elif low:
            yield Checked(
                "ESR",
                "look",
                f"Its series resistance of {have} is under a quarter of {need}: look at the ripple and the start.",
            )
        else:
            yield Checked("ESR", "yes", f"Its series resistance of {have} is not higher than {need}.")
    elif wanted.esr_ohm is not None and offered.esr_ohm is None:
        need = format_quantity(wanted.esr_ohm, "ohm")
        yield Checked("ESR", "look", f"Look up its series resistance at 100 kHz: not higher than {need}.")
    elif offered.kind == wanted.kind == "low ESR" or (
        offered.kind == "low ESR" and wanted.kind == "general purpose"
    ):
        yield Checked("ESR", "yes", "It is made for low series resistance.")
    else:
        yield Checked(
            "ESR",
            "look",
            "Compare the series resistance at 100 kHz where it filters an output: it must not be higher.",
        )


def _resistor_checks(offered: Ratings, wanted: Ratings) -> Iterator[Checked]:
    need = "fusible" if wanted.part_class == "fusible resistor" and not wanted.kind else wanted.kind
    have = "fusible" if offered.part_class == "fusible resistor" and not offered.kind else offered.kind
    yield from _same_value(offered, wanted)
    yield from _closer(offered, wanted)
    if need == "fusible":
        if have != "fusible":
            yield _no(
                "fusible",
                "A fusible resistor is never replaced by one that does not open under overload: the board may burn.",
            )
        elif offered.max_w is None or wanted.max_w is None:
            yield Checked(
                "fusible",
                "look",
                "Compare the power ratings: a fusible resistor has to open at the same overload.",
            )
        elif not _same(offered.max_w, wanted.max_w):
            yield _no(
                "fusible",
                f"{rating_said(offered.max_w, 'W')} in place of {rating_said(wanted.max_w, 'W')}: "
                "it opens at another overload.",
            )
        else:
            yield Checked("fusible", "yes", "It is fusible and of the same power rating.")
        return
    if have == "fusible":
        yield Checked(
            "fusible", "look", "It is a fusible resistor: it opens where the old one would have gone on."
        )
    if need == "flameproof":
        if have not in ("flameproof", "fusible"):
            yield (
                _no(
                    "flameproof",
                    "A flameproof resistor is never replaced by a plain one: its coating may burn.",
                )
                if have
                else Checked(
                    "flameproof",
                    "look",
                    "Look whether its coating is flameproof: a plain one must not take its place.",
                )
            )
        else:
            yield Checked("flameproof", "yes", "Its coating does not burn.")
    if have == "wirewound" and need != "wirewound" and wanted.part_class == "current sense resistor":
        yield _no("inductance", "A wirewound resistor is a coil as well and shows the current wrongly.")
    yield from _at_least("power", "W", offered.max_w, wanted.max_w)
    needed = wanted.part_class == "start-up resistor"
    yield from _at_least("voltage", "V", offered.max_v, wanted.max_v, needed=needed)


def _fuse_checks(offered: Ratings, wanted: Ratings) -> Iterator[Checked]:
    if offered.value is None or wanted.value is None or not offered.unit == wanted.unit == "A":
        yield Checked(
            "fuse current", "look", "Read the rated current on the cap of the old fuse: it must be the same."
        )
    elif offered.value > wanted.value * (1 + _SAME):
        yield _no(
            "fuse current",
            f"{_said(offered)} is more than {_said(wanted)}: a fuse of a higher rating is never put in.",
        )
    elif not _same(offered.value, wanted.value):
        yield _no("fuse current", f"{_said(offered)} is not {_said(wanted)}: it blows without a fault.")
    else:
        yield Checked("fuse current", "yes", f"{_said(offered)}, the same.")
    (have, have_breaks), (need, need_breaks) = (
        (part.kind + " ").split(" ")[:2] for part in (offered, wanted)
    )
    if not have or not need:
        yield Checked(
            "fuse characteristic", "look", "Read the letter on the cap, T or F: it must be the same."
        )
    elif have != need:
        yield _no("fuse characteristic", f"{have} does not replace {need}: a fuse keeps its characteristic.")
    else:
        yield Checked("fuse characteristic", "yes", f"{have}, the same.")
    if need_breaks == "H" and have_breaks == "L":
        yield _no(
            "breaking capacity",
            "A fuse of high breaking capacity is never replaced by one of low breaking capacity: it may burst.",
        )
    elif need_breaks == "H" and have_breaks != "H":
        yield Checked(
            "breaking capacity", "look", "Look whether its breaking capacity is high (H, filled with sand)."
        )
    elif not need_breaks and have_breaks != "H":
        yield Checked(
            "breaking capacity", "look", "Look at the breaking capacity of the old fuse: H must not become L."
        )
    yield from _at_least("voltage", "V", offered.max_v, wanted.max_v)


def _rectifier_checks(offered: Ratings, wanted: Ratings) -> Iterator[Checked]:
    have = offered.kind if offered.kind in _SPEEDS else _LEAST_SPEED.get(offered.part_class, "standard")
    need = wanted.kind if wanted.kind in _SPEEDS else _MOST_SPEED.get(wanted.part_class, "")
    if not need:
        yield Checked(
            "speed",
            "look" if have == "standard" else "yes",
            "Look whether the old one works at mains frequency: in a switching stage a standard rectifier burns."
            if have == "standard"
            else f"It is {have}, which is fast enough for any place of a plain diode.",
        )
    elif need == "Schottky" and have != "Schottky":
        yield _no(
            "forward drop",
            f"A {have} rectifier does not replace a Schottky rectifier: it drops twice as much and runs hot.",
        )
    elif offered.part_class == wanted.part_class and not (offered.kind and wanted.kind):
        yield Checked("speed", "look", "Compare the recovery times: it must be at least as fast.")
    elif _SPEEDS.index(have) < _SPEEDS.index(need):
        yield _no(
            "speed",
            f"A {have} rectifier never replaces {'an' if need[0] in 'aeiou' else 'a'} {need} one: "
            "it conducts backwards for too long and burns.",
        )
    elif have == "Schottky" and need != "Schottky":
        yield Checked(
            "speed",
            "look",
            "A Schottky rectifier is fast enough; look at its reverse voltage and at its leakage when hot.",
        )
    else:
        yield Checked("speed", "yes", f"It is {have}, which is fast enough.")
    yield from _at_least("voltage", "V", offered.max_v, wanted.max_v)
    yield from _at_least("current", "A", offered.max_a, wanted.max_a)


def _other_checks(offered: Ratings, wanted: Ratings, group: str) -> Iterator[Checked]:
    if group in (
        "ceramic",
        "film",
        "zener",
        "suppressor",
        "varistor",
        "inrush",
        "relay",
        "coil",
        "resettable",
    ):
        yield from _same_value(offered, wanted)
        yield from _closer(offered, wanted)
    if group == "ceramic":
        yield _dielectric(offered, wanted)
    if group == "cut-out":
        yield _trip(offered, wanted)
    volts = group in ("ceramic", "film", "bridge", "transistor", "switch", "IGBT", "resettable")
    amps = group in ("bridge", "inrush", "transistor", "switch", "IGBT", "relay", "coil", "cut-out")
    if volts:
        yield from _at_least("voltage", "V", offered.max_v, wanted.max_v)
    if amps:
        yield from _at_least("current", "A", offered.max_a, wanted.max_a)
    if group in ("zener", "suppressor"):
        yield from _at_least("power", "W", offered.max_w, wanted.max_w)
    if group in ("transistor", "switch", "IGBT", "optocoupler", "varistor", "relay", "coil", "bridge"):
        same = code_key(wanted.type_number) and code_key(offered.type_number) == code_key(wanted.type_number)
        rule = "isolation" if group == "optocoupler" else "type"
        if same:
            yield Checked("type", "yes", f"The same type: {wanted.type_number}.")
        else:
            yield Checked(rule, "look", _LOOK[group])


_LOOK = {
    "transistor": "Compare the data sheets: gain, speed and the order of the pins.",
    "switch": "Compare the data sheets: on-resistance, gate charge and the order of the pins.",
    "IGBT": "Compare the data sheets: speed, and whether a diode is built in.",
    "optocoupler": "Compare isolation voltage, pin distance and transfer ratio: the isolation must not be less.",
    "varistor": "Compare the energy, which goes by the diameter: it must not be less.",
    "relay": "Compare coil voltage, contacts and their rating for the load.",
    "coil": "Compare current, direct resistance and frequency.",
    "bridge": "Compare the surge current and the order of the pins.",
}


def _dielectric(offered: Ratings, wanted: Ratings) -> Checked:
    if offered.kind not in _CERAMICS or wanted.kind not in _CERAMICS:
        return Checked("dielectric", "look", "Compare the dielectrics: the same or a steadier one.")
    if _CERAMICS.index(offered.kind) < _CERAMICS.index(wanted.kind):
        return _no("dielectric", f"{offered.kind} is less steady than {wanted.kind}.")
    return Checked("dielectric", "yes", f"{offered.kind} for {wanted.kind}.")


def _trip(offered: Ratings, wanted: Ratings) -> Checked:
    if offered.max_c is None or wanted.max_c is None:
        return Checked(
            "trip temperature", "look", "Read the temperature on the old one: it must be the same."
        )
    if offered.max_c > wanted.max_c:
        return _no("trip temperature", f"It trips at {offered.max_c:g} °C, later than {wanted.max_c:g} °C.")
    if offered.max_c < wanted.max_c:
        return Checked(
            "trip temperature",
            "look",
            f"It trips at {offered.max_c:g} °C, before {wanted.max_c:g} °C: it may open without a fault.",
        )
    return Checked("trip temperature", "yes", f"It trips at {offered.max_c:g} °C, the same.")


def rating_said(value: float, unit: str) -> str:
    """A rating as it is printed on a part: 25 V and not 25.0 V."""
    shown = {"degC": "°C"}.get(unit, unit)
    plain = unit in ("V", "A", "W", "degC") and 1 <= value < 10_000
    return f"{value:g} {shown}" if plain else format_quantity(value, unit)


def _same(one: float, other: float) -> bool:
    return math.isclose(one, other, rel_tol=_SAME)


def _said(part: Ratings) -> str:
    return rating_said(part.value, part.unit) if part.value is not None and part.unit else "no value"


def _same_value(offered: Ratings, wanted: Ratings) -> Iterator[Checked]:
    if offered.value is None or wanted.value is None or offered.unit != wanted.unit:
        yield Checked("value", "look", "Compare the values: they must be the same.")
    elif _same(offered.value, wanted.value):
        yield Checked("value", "yes", f"{_said(offered)}, the same.")
    else:
        yield _no("value", f"{_said(offered)} is not {_said(wanted)}.")


def _closer(offered: Ratings, wanted: Ratings) -> Iterator[Checked]:
    have, need = offered.tolerance_pct, wanted.tolerance_pct
    if need is None:
        return
    if have is None:
        yield Checked("tolerance", "look", f"Look up its tolerance: ± {need:g} % or closer.")
    elif have > need * (1 + _SAME):
        yield _no("tolerance", f"± {have:g} % is wider than ± {need:g} %.")
    else:
        yield Checked("tolerance", "yes", f"± {have:g} % is as close or closer.")


def _at_least(
    rule: str, unit: str, have: float | None, need: float | None, *, needed: bool = True
) -> Iterator[Checked]:
    """One rating that must be the same or higher; where it is not `needed` and not known nothing is said."""
    word = {"degC": "temperature"}.get(unit, rule)
    if have is not None and need is not None:
        told = f"{rating_said(have, unit)} for {rating_said(need, unit)}"
        if have < need * (1 - _SAME):
            yield _no(rule, f"{told}: its {word} rating is too low.")
        else:
            yield Checked(rule, "yes", f"{told}.")
    elif needed or need is not None:
        yield Checked(rule, "look", f"Compare the {word} ratings: the same or higher.")


def _package(offered: Ratings, wanted: Ratings) -> Iterator[Checked]:
    if offered.package and wanted.package and offered.package.casefold() != wanted.package.casefold():
        yield Checked(
            "package", "look", f"{offered.package} in place of {wanted.package}: look whether it fits."
        )
