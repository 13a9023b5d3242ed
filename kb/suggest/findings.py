"""Direct findings: a part measured shorted, open, leaky or worn, and what that says of the cause.

A short from drain to source of the main switch is near certain evidence of the main switch or of what lies
across it, whatever the statistics say. Limits are common practice with no published source, but for junction
drops, which are from hand-held meters' manuals (0.4 to 0.9 V for a good silicon junction, up to 0.1 V for a
short).

In circuit a reading is that of everything in parallel. A resistance can only read too low, so an open part is
certain and a short is the part's or that of what lies across it; a capacitor's ESR can only read too low as
well, so a high one is certain and a low one proves nothing.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from kb.facts.designators import designator_letters, normalise_designator
from kb.facts.rail_names import obvious_rail
from kb.suggest.facts_of_case import Fault, PartFound

SHORT_OHM = 5.0
LEAKY_OHM = 100.0
SHORT_DROP_V, GOOD_DROP_V = 0.1, (0.35, 1.1)
FUSE_OPEN_OHM = 10.0  # a fuse is milliohms
FUSIBLE_OPEN_OHM = 1_000.0  # fusible resistors are made up to some hundred ohms; 10 to 47 is a whole one
LIMITER_OPEN_OHM = 1_000.0  # cold inrush limiters are 1 to 50 ohms
SENSE_OPEN_OHM = 10.0  # sense resistors are milliohms to 2 ohms
START_UP_OPEN_OHM = 4.7e6  # start-up resistors are 100 kohm to 2 Mohm
VARISTOR_SHORT_OHM = 1_000.0
RAIL_SHORT_OHM = 2.0
CONTACT_OHM = 0.5
HIGH_ESR_OHM, DOUBTFUL_ESR_OHM = 5.0, 2.0
BULK_ESR_OHM = 3.0
WEAK_BULK_FRACTION = 0.7

# A part that measures shorted or open is wrong whatever else was noted: only a slip of the probes, once in some
# thousand times, shows it on a good one. What lies across it is meant a tenth as often.
CERTAIN, ACROSS, LIKELY, DOUBTFUL = 4000.0, 40.0, 100.0, 5.0
# A step of the bench test says where the probes go and holds everything up until the part was measured once more:
# what it finds is wrong with this board, whatever was said of it before, and be it a second fault.
BY_CHECK = 100.0
RIPPLE, RIPPLE_FINE = 8.0, 0.3
OPEN_JUNCTION = 20.0  # no reading at all may be no contact as well
RAIL_CLEAR = 0.3  # what lies across a clear output is not shorted, as it mostly fails, but may be open
GOOD = 0.1  # a part that measures right is hardly the cause; in circuit that is not quite sure


@dataclass(frozen=True, slots=True)
class PointReading:
    """A reading at a part: `point` as a person names it, `value` in the quantity's SI unit.

    `quantity` is `ohm`, `diode_v`, `esr_ohm` or `farad` on the unplugged board, or `ripple_v`. `rail` says that
    the point is a supply, against ground, and `role` of which use; without a role its name may tell. Ripple is
    judged against `limit`, in volts. `found` is `in order`, `shorted` or `open` where a check has judged the part
    already, by what it is on this board; `written` is then what the meter showed.
    """

    point: str
    quantity: str
    value: float
    rail: bool = False
    role: str = ""
    limit: float | None = None
    found: str = ""
    written: str = ""


@dataclass(frozen=True, slots=True)
class Finding:
    """What a reading or a symptom says of one part.

    `what` is short, open, high ESR, leaky, worn, weak or in order. `section` is None where the part's place is
    not known. `supports` holds likelihood ratios of causes against all that are not named; a ratio below 1
    speaks against.
    """

    part: str
    part_class: str
    section: str | None
    what: str
    sentence: str
    supports: tuple[tuple[Fault, float], ...]


def findings(
    readings: Iterable[PointReading],
    symptoms: Iterable[tuple[str, bool]] = (),
    known_parts: Mapping[str, Fault] | None = None,
    bulk_farad: float | None = None,
) -> tuple[Finding, ...]:
    """Direct findings from readings at parts and from symptoms that name one, in their order.

    `known_parts` says what a designator is on this family (section, part class); `bulk_farad` is the bulk
    capacitor's own value. Readings that say nothing about a part give nothing.
    """
    known = {normalise_designator(part): fault for part, fault in (known_parts or {}).items()}
    found = [_from_reading(reading, known, bulk_farad) for reading in readings]
    found += [_FROM_SYMPTOM.get(name) if present else None for name, present in symptoms]
    return tuple(one for one in found if one is not None)


def log_ratio(found: Sequence[Finding], section: str, part_class: str) -> float:
    """Log likelihood ratio that all findings together give a cause, 0 where they say nothing.

    Several findings that support one cause count as the strongest of them: they are one short.
    """
    ratios = [dict(one.supports).get((section, part_class), 1.0) for one in found]
    return math.log(max([1.0, *ratios])) + math.log(min([1.0, *ratios]))


def as_evidence(found: Sequence[Finding]) -> tuple[PartFound, ...]:
    """The findings as one line of evidence each; what several say of one cause counts once, where it is strongest."""
    names = dict.fromkeys(fault for one in found for fault, _ in one.supports)
    first = {fault: log_ratio(found, *fault) for fault in names}
    lines = []
    for one in found:
        mine = tuple(
            (fault, value)
            for fault, ratio in one.supports
            if (value := first.pop(fault, 0.0)) != 0.0 and ratio != 1.0
        )
        if mine:
            lines.append(PartFound(one.sentence, mine))
    return tuple(lines)


def part_found_bad(found: Sequence[Finding]) -> bool:
    """Whether a part was found shorted, open or worn for certain, so that the board is not in order."""
    return any(one.what != "in order" and max(ratio for _, ratio in one.supports) >= LIKELY for one in found)


@dataclass(frozen=True, slots=True)
class _Part:
    name: str
    places: tuple[tuple[Fault, float], ...]  # what it may be, with a weight of 1 for the likeliest

    @property
    def part_class(self) -> str:
        return self.places[0][0][1]

    @property
    def section(self) -> str | None:
        sections = {fault[0] for fault, weight in self.places if weight == 1.0}
        return sections.pop() if len(sections) == 1 else None


_BULK, _MAIN, _STANDBY = "bulk and power factor stage", "main converter", "standby converter"
_RECTIFIER, _INPUT = "inrush and rectifier", "mains input"
_OUTPUTS = (
    "standby output",
    "logic output",
    "intermediate output",
    "backlight output",
    "audio output",
    "other",
)
OUTPUT_OF_ROLE = {
    "standby": "standby output",
    "logic": "logic output",
    "intermediate": "intermediate output",
    "backlight": "backlight output",
    "audio": "audio output",
    "other": "other",
}


def _all(part_class: str, sections: Iterable[str], weight: float = 1.0) -> tuple[tuple[Fault, float], ...]:
    return tuple(((section, part_class), weight) for section in sections)


_MAIN_SWITCH = (
    ((_MAIN, "MOSFET"), 1.0),
    ((_MAIN, "bipolar transistor"), 0.5),
    ((_MAIN, "IGBT"), 0.5),
    ((_MAIN, "integrated switcher"), 0.5),
)
_ANY_SWITCH = (
    ((_MAIN, "MOSFET"), 1.0),
    ((_BULK, "power factor MOSFET"), 0.5),
    ((_STANDBY, "MOSFET"), 0.7),
    (("backlight output", "MOSFET"), 0.5),
    ((_MAIN, "bipolar transistor"), 0.5),
    ((_MAIN, "IGBT"), 0.5),
    ((_STANDBY, "bipolar transistor"), 0.3),
    (("intermediate output", "MOSFET"), 0.3),
)
_BRIDGE = (((_RECTIFIER, "bridge rectifier"), 1.0), ((_RECTIFIER, "diode"), 0.6))
_OUTPUT_RECTIFIER = (*_all("Schottky rectifier", _OUTPUTS), *_all("fast rectifier", _OUTPUTS[2:4], 0.5))
_OPEN_RESISTORS = (
    ((_MAIN, "current sense resistor"), 1.0),
    ((_BULK, "current sense resistor"), 0.3),
    ((_STANDBY, "current sense resistor"), 0.3),
)
_START_UP = (((_STANDBY, "start-up resistor"), 1.0), ((_MAIN, "start-up resistor"), 1.0))

# Words that name a part, longest first when looked up.
_NAMED: dict[str, tuple[tuple[Fault, float], ...]] = {
    **dict.fromkeys(
        ("main switch", "switching transistor", "main mosfet", "main fet", "primary mosfet", "primary switch",
         "main transistor"),
        _MAIN_SWITCH,
    ),
    **dict.fromkeys(
        ("power factor switch", "power factor mosfet", "pfc switch", "pfc mosfet", "pfc fet", "boost switch"),
        (((_BULK, "power factor MOSFET"), 1.0),),
    ),
    **dict.fromkeys(
        ("power factor diode", "pfc diode", "boost diode"), (((_BULK, "fast rectifier"), 1.0),)
    ),
    **dict.fromkeys(
        ("standby switcher", "standby switch", "standby mosfet", "standby ic"),
        (((_STANDBY, "integrated switcher"), 1.0), ((_STANDBY, "MOSFET"), 1.0)),
    ),
    **dict.fromkeys(("backlight mosfet", "backlight switch"), ((("backlight output", "MOSFET"), 1.0),)),
    **dict.fromkeys(("mains rectifier", "bridge rectifier", "rectifier bridge", "bridge"), _BRIDGE),
    **dict.fromkeys(
        ("fusible resistor", "fuse resistor", "flameproof resistor"),
        (((_INPUT, "fusible resistor"), 1.0), ((_STANDBY, "fusible resistor"), 0.5),
         ((_MAIN, "fusible resistor"), 0.5)),
    ),
    "fuse": (((_INPUT, "fuse"), 1.0),),
    "mains fuse": (((_INPUT, "fuse"), 1.0),),
    **dict.fromkeys(("varistor", "mov"), (((_INPUT, "varistor"), 1.0),)),
    **dict.fromkeys(("inrush limiter", "thermistor", "ntc"), (((_RECTIFIER, "inrush limiter"), 1.0),)),
    **dict.fromkeys(("current sense resistor", "sense resistor", "source resistor", "shunt"), _OPEN_RESISTORS),
    **dict.fromkeys(("start-up resistor", "startup resistor", "kick-start resistor"), _START_UP),
    **dict.fromkeys(("bulk capacitor", "main capacitor", "reservoir capacitor"), (((_BULK, "bulk capacitor"), 1.0),)),
    **dict.fromkeys(("output rectifier", "rectifier of", "secondary diode", "schottky"), _OUTPUT_RECTIFIER),
    "relay": ((("enable and relay", "relay"), 1.0),),
    "x capacitor": (((_INPUT, "film capacitor"), 1.0),),
}  # fmt: skip
_BY_LETTERS: dict[str, tuple[tuple[Fault, float], ...]] = {
    **dict.fromkeys(("Q", "T", "TR", "FET", "V"), _ANY_SWITCH),
    **dict.fromkeys(("BD", "BR", "DB"), _BRIDGE),
    "D": (*_OUTPUT_RECTIFIER, *(((fault, weight * 0.7) for fault, weight in _BRIDGE))),
    **dict.fromkeys(("F", "FS", "FU"), (((_INPUT, "fuse"), 1.0),)),
    **dict.fromkeys(("RF", "FR"), _NAMED["fusible resistor"]),
    **dict.fromkeys(("NTC", "RT", "TH"), (((_RECTIFIER, "inrush limiter"), 1.0),)),
    **dict.fromkeys(("RV", "MOV", "VDR", "ZNR"), (((_INPUT, "varistor"), 1.0),)),
    **dict.fromkeys(("C", "CE", "EC"), _all("electrolytic capacitor", (*_OUTPUTS, _MAIN, _STANDBY))),
    **dict.fromkeys(("K", "RL", "RY", "RLY"), ((("enable and relay", "relay"), 1.0),)),
    **dict.fromkeys(("ZD", "DZ", "TVS"), _all("zener diode", ("protection", *_OUTPUTS[:2]))),
}  # fmt: skip
_SWITCHES = frozenset(("MOSFET", "power factor MOSFET", "bipolar transistor", "IGBT", "integrated switcher"))
_RECTIFIERS = frozenset(
    ("bridge rectifier", "diode", "Schottky rectifier", "fast rectifier", "zener diode", "surge suppressor diode")
)  # fmt: skip
_OPEN_ABOVE = {
    "fuse": FUSE_OPEN_OHM,
    "fusible resistor": FUSIBLE_OPEN_OHM,
    "inrush limiter": LIMITER_OPEN_OHM,
    "current sense resistor": SENSE_OPEN_OHM,
    "start-up resistor": START_UP_OPEN_OHM,
}
# What lies across a part and would read as shorted with it: parallel to the bulk, or to a rail.
_ACROSS: dict[Fault, tuple[Fault, ...]] = {
    (_MAIN, "MOSFET"): ((_BULK, "bulk capacitor"),),
    (_BULK, "power factor MOSFET"): ((_BULK, "fast rectifier"), (_BULK, "bulk capacitor")),
    (_RECTIFIER, "bridge rectifier"): ((_BULK, "power factor MOSFET"), (_RECTIFIER, "diode")),
}
_TERMINALS = re.compile(
    r"\b(gate|base|g|b)\b.{0,4}\b(source|emitter|s|e)\b|\b(?:drain|collector|d|c)\b.{0,4}\b(?:source|emitter|s|e)\b",
    re.IGNORECASE,
)


def _part_of(point: str, known: Mapping[str, Fault], role: str = "") -> _Part | None:
    text = " ".join(point.casefold().replace("_", " ").split())
    first = point.split()[0] if point.split() else ""
    designator = normalise_designator(first)
    if designator in known:
        return _Part(designator, ((known[designator], 1.0),))
    for words in sorted(_NAMED, key=len, reverse=True):
        if re.search(rf"\b{re.escape(words)}\b", text):
            return _Part(words, _narrowed(_NAMED[words], point, role))
    letters = designator_letters(first)
    places = _BY_LETTERS.get(letters or "")
    if places is None:
        return None
    return _Part(designator, _narrowed(places, point, role))


def _narrowed(
    places: tuple[tuple[Fault, float], ...], point: str, role: str
) -> tuple[tuple[Fault, float], ...]:
    """Only the output that the point names as well, such as "12V output rectifier", or that has this role."""
    sections = {
        OUTPUT_OF_ROLE[rail.role]
        for word in point.split()
        if (rail := obvious_rail(word)) is not None and rail.role in OUTPUT_OF_ROLE
    }
    if role in OUTPUT_OF_ROLE:
        sections = {OUTPUT_OF_ROLE[role]}
    elif "standby" in point.casefold():
        sections |= {"standby output", _STANDBY}
    kept = tuple((fault, weight) for fault, weight in places if fault[0] in sections)
    return kept or places


def _from_reading(
    reading: PointReading, known: Mapping[str, Fault], bulk_farad: float | None
) -> Finding | None:
    if not math.isfinite(reading.value) or reading.value < 0.0:
        return None
    if reading.rail:
        return _rail_to_ground(reading)
    part = _part_of(reading.point, known, reading.role)
    if part is None:
        return None
    judged = {"shorted": "short"}.get(reading.found, reading.found)
    what = judged or _judged(part, reading, bulk_farad)
    if what is None:
        return None
    return _finding(part, reading, what)


def _judged(part: _Part, reading: PointReading, bulk_farad: float | None) -> str | None:
    """What the reading says of the part, None where it says nothing."""
    value, quantity, part_class = reading.value, reading.quantity, part.part_class
    if quantity == "esr_ohm":
        limit = BULK_ESR_OHM if part_class == "bulk capacitor" else HIGH_ESR_OHM
        if value >= limit:
            return "high ESR"
        return "doubtful ESR" if value >= DOUBTFUL_ESR_OHM else None
    if quantity == "farad":
        if part_class != "bulk capacitor" or not bulk_farad:
            return None
        return "weak" if value < WEAK_BULK_FRACTION * bulk_farad else "in order"
    if part_class == "relay":
        is_contact = "contact" in reading.point.casefold()
        return ("worn" if value > CONTACT_OHM else "in order") if quantity == "ohm" and is_contact else None
    if part_class in _OPEN_ABOVE and quantity == "ohm":
        return "open" if value > _OPEN_ABOVE[part_class] else "in order"
    if part_class == "varistor" and quantity == "ohm":
        return "short" if value < VARISTOR_SHORT_OHM else "in order"
    if part_class in _SWITCHES | _RECTIFIERS:
        return _junction(reading, is_switch=part_class in _SWITCHES)
    return None


def _junction(reading: PointReading, *, is_switch: bool) -> str | None:
    value = reading.value
    if reading.quantity == "diode_v":
        if value <= SHORT_DROP_V:
            return "short"
        return "in order" if GOOD_DROP_V[0] <= value <= GOOD_DROP_V[1] else None
    if reading.quantity != "ohm":
        return None
    if value <= SHORT_OHM:
        return "short"
    terminals = _TERMINALS.search(reading.point)
    if value <= LEAKY_OHM and not (is_switch and terminals is not None and terminals[1]):
        return "leaky"
    # A gate-source resistor of some kilohms belongs there.
    return None


def _finding(part: _Part, reading: PointReading, what: str) -> Finding:
    named = f"{part.name} reads {_shown(reading)}"
    if what == "in order":
        # Whatever kind of part stands in this place, it is the one that was measured.
        supports = tuple((fault, GOOD) for fault, _ in part.places if fault[0] == part.section)
        # Where the place is not known, one good part says nothing of its like elsewhere; a check of the board's own
        # steps measured the one that there is.
        if part.section is None and reading.found:
            supports = tuple((fault, GOOD) for fault, weight in part.places if weight == 1.0)
        return Finding(part.name, part.part_class, part.section, what, f"{named}: in order", supports)
    strength = {
        "leaky": DOUBTFUL,
        "doubtful ESR": DOUBTFUL,
        "high ESR": LIKELY,
        "worn": LIKELY,
        "weak": LIKELY,
    }
    top = strength.get(what, CERTAIN) * (BY_CHECK if reading.found else 1.0)
    if what == "open" and part.part_class in _SWITCHES | _RECTIFIERS:
        top = OPEN_JUNCTION
    ratios = {fault: max(1.0, top * weight) for fault, weight in part.places}
    if what == "short":
        for fault, weight in part.places:
            for across in _ACROSS.get(fault, ()) if weight == 1.0 else ():
                ratios.setdefault(across, top / 10)
    if (_INPUT, "fuse") in ratios:
        # A blown fuse is the consequence of something else as often as the cause.
        ratios[_INPUT, "fuse"] = DOUBTFUL
    said = {
        "short": "shorted, or something across it is",
        "open": "open, or no contact" if top == OPEN_JUNCTION else "open",
        "leaky": "perhaps leaky: lift one leg and measure it alone",
    }
    return Finding(
        part.name,
        part.part_class,
        part.section,
        "high ESR" if what == "doubtful ESR" else what,
        f"{named}: {said.get(what, 'compare with a new part' if what == 'doubtful ESR' else what)}",
        tuple(ratios.items()),
    )


def _rail_to_ground(reading: PointReading) -> Finding | None:
    rail = obvious_rail(reading.point)
    section = OUTPUT_OF_ROLE.get(reading.role or (rail.role if rail else ""))
    if section is None:
        return None
    if reading.quantity == "ripple_v":
        return _ripple(reading, section)
    if reading.found == "in order":
        mostly_short = ("Schottky rectifier", "ceramic capacitor", "zener diode")
        return Finding(
            reading.point,
            mostly_short[0],
            section,
            "in order",
            f"{reading.point} reads {_shown(reading)} to ground: no short on this output",
            tuple(((section, part_class), RAIL_CLEAR) for part_class in mostly_short),
        )
    if reading.found and reading.found != "shorted":
        return None
    if not reading.found and reading.quantity not in ("ohm", "diode_v"):
        return None
    limit = RAIL_SHORT_OHM if reading.quantity == "ohm" else SHORT_DROP_V / 2
    if not reading.found and reading.value > limit:
        return None
    across = {
        "Schottky rectifier": LIKELY,
        "ceramic capacitor": LIKELY,
        "zener diode": LIKELY,
        "MOSFET": LIKELY,
        "linear regulator": ACROSS,
        "buck regulator": ACROSS,
        "polymer capacitor": ACROSS,
        "bipolar transistor": ACROSS,
        "fast rectifier": ACROSS,
        "film capacitor": ACROSS,
    }
    supports = [((section, part_class), ratio) for part_class, ratio in across.items()]
    supports += [
        (("protection", name), ACROSS)
        for name in ("zener diode", "surge suppressor diode", "triac or thyristor")
    ]
    if reading.found:
        supports = [(fault, ratio * BY_CHECK) for fault, ratio in supports]
    return Finding(
        reading.point,
        "Schottky rectifier",
        section,
        "short",
        f"{reading.point} reads {_shown(reading)} to ground: a short on this output",
        tuple(supports),
    )


def _ripple(reading: PointReading, section: str) -> Finding | None:
    """A rail's ripple shows its filter capacitors, and the bulk capacitor behind them."""
    if reading.limit is None or reading.limit <= 0.0:
        return None
    filters = ((section, "electrolytic capacitor"), (section, "polymer capacitor"))
    named = f"{reading.point} ripples by {reading.value:.3g} V"
    if reading.value <= reading.limit:
        return Finding(
            reading.point,
            filters[0][1],
            section,
            "in order",
            f"{named}, within its limit: its filter capacitors filter",
            tuple((fault, RIPPLE_FINE) for fault in filters),
        )
    supports = (*((fault, RIPPLE) for fault in filters), ((_BULK, "bulk capacitor"), RIPPLE / 4))
    return Finding(
        reading.point,
        filters[0][1],
        section,
        "high ripple",
        f"{named}, more than its limit of {reading.limit:.3g} V: its filter capacitors first",
        supports,
    )


def _shown(reading: PointReading) -> str:
    if reading.written:
        return reading.written
    unit = {"ohm": "Ω", "esr_ohm": "Ω", "diode_v": "V", "farad": "F"}.get(reading.quantity, "")
    return f"{reading.value:.3g} {unit}".strip()


def _symptom(name: str, what: str, places: tuple[tuple[Fault, float], ...], ratio: float) -> Finding:
    part = _Part(name, places)
    supports = tuple((fault, max(1.0, ratio * weight)) for fault, weight in places)
    return Finding(name, part.part_class, part.section, what, f"{name}: found on this board", supports)


# A symptom is evidence already; what is added makes it a finding at the part that it names.
_SEEN = 8.0
_FROM_SYMPTOM: dict[str, Finding] = {
    "main switch shorted": _symptom("main switch shorted", "short", _MAIN_SWITCH, _SEEN),
    "power factor switch shorted": _symptom(
        "power factor switch shorted", "short",
        (((_BULK, "power factor MOSFET"), 1.0), ((_BULK, "fast rectifier"), 0.5)), _SEEN,
    ),
    "mains rectifier shorted": _symptom("mains rectifier shorted", "short", _BRIDGE, _SEEN),
    "varistor burnt or cracked": _symptom(
        "varistor burnt or cracked", "short", (((_INPUT, "varistor"), 1.0),), _SEEN
    ),
    "inrush limiter open": _symptom(
        "inrush limiter open", "open", (((_RECTIFIER, "inrush limiter"), 1.0),), _SEEN
    ),
    "current sense resistor open": _symptom("current sense resistor open", "open", _OPEN_RESISTORS, 3.0),
    "start-up resistor open": _symptom("start-up resistor open", "open", _START_UP, _SEEN),
    "bulk capacitor low or open": _symptom(
        "bulk capacitor low or open", "weak", (((_BULK, "bulk capacitor"), 1.0),), _SEEN
    ),
    "output rectifier shorted": _symptom("output rectifier shorted", "short", _OUTPUT_RECTIFIER, _SEEN),
    "fuse blown": _symptom("fuse blown", "open", (((_INPUT, "fuse"), 1.0),), 1.0),
}  # fmt: skip
