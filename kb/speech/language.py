"""The words that can be said, how they sound, and how they are joined to numbers. English is built in.

Pronunciations are written in the phones of the acoustic model (for English those of the CMU dictionary, ARPABET
without stress). Another language is a `words.toml` beside another acoustic model: see the README of this package.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from kb.errors import BadInput
from kb.facts.vocabulary import LOADS, QUANTITIES, RAIL_ROLES, SUPPLY_STATES, values

COMMANDS = ("yes", "no", "next", "back", "again", "undo", "read", "stop")
LISTENED = ("lowest", "highest", "load current", "pin", "red", "black", "answer", "open")
"""What else has words: the fields beside the value, the pins of a connector, a numbered answer, no reading."""
# Unit of `kb.facts.quantities.UNITS`, and how it is typed behind the digits.
SPOKEN_UNITS: dict[str, tuple[str, str]] = {
    "V": ("V", "V"), "mV": ("V", "mV"), "kV": ("V", "kV"),
    "A": ("A", "A"), "mA": ("A", "mA"), "µA": ("A", "µA"),
    "ohm": ("ohm", "Ω"), "kohm": ("ohm", "kΩ"), "Mohm": ("ohm", "MΩ"), "mohm": ("ohm", "mΩ"),
    "µF": ("F", "µF"), "nF": ("F", "nF"), "pF": ("F", "pF"),
    "Hz": ("Hz", "Hz"), "kHz": ("Hz", "kHz"),
    "degC": ("degC", "°C"),
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class Language:
    """The words of one language, each a phrase of words that `sounds` knows.

    `digits` holds phrases for 0 to 9, `small` words for whole numbers from 10 up ("twelve": 12), `tens` those that a
    digit may follow ("twenty": 20). `sounds` has the pronunciations of each word, `letters` how a letter of a name
    is said. `confused` are pairs of numbers that sound alike.
    """

    code: str
    digits: Mapping[str, int]
    small: Mapping[str, int]
    tens: Mapping[str, int]
    hundred: tuple[str, ...]
    thousand: tuple[str, ...]
    joined_by: tuple[str, ...]
    point: tuple[str, ...]
    minus: tuple[str, ...]
    plus: tuple[str, ...]
    commands: Mapping[str, str]
    listened: Mapping[str, str]
    units: Mapping[str, str]
    quantities: Mapping[str, str]
    states: Mapping[str, str]
    loads: Mapping[str, str]
    roles: Mapping[str, str]
    letters: Mapping[str, str]
    names: Mapping[str, str]
    sounds: Mapping[str, tuple[str, ...]]
    confused: tuple[tuple[int, int], ...] = ()
    by_digits_only: bool = False


_TENS = ("twenty", "thirty", "forty", "fifty", "sixty", "seventy", "eighty", "ninety")
_TEENS = ("thirteen", "fourteen", "fifteen", "sixteen", "seventeen", "eighteen", "nineteen")
_DIGITS = ("zero", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine")

# Written for this program in the phones of the CMU dictionary; how words sound is no one's property.
_SOUNDS = """
zero Z IH R OW | Z IY R OW
oh OW
one W AH N
two T UW
three TH R IY
four F AO R | F AO
five F AY V
six S IH K S
seven S EH V AH N
eight EY T
nine N AY N
ten T EH N
eleven IH L EH V AH N | IY L EH V AH N
twelve T W EH L V
thirteen TH ER T IY N
fourteen F AO R T IY N
fifteen F IH F T IY N
sixteen S IH K S T IY N
seventeen S EH V AH N T IY N
eighteen EY T IY N
nineteen N AY N T IY N
twenty T W EH N T IY | T W EH N IY
thirty TH ER D IY | TH ER T IY
forty F AO R T IY | F AO R D IY
fifty F IH F T IY
sixty S IH K S T IY
seventy S EH V AH N T IY | S EH V AH N D IY
eighty EY T IY | EY D IY
ninety N AY N T IY | N AY N D IY
hundred HH AH N D R AH D | HH AH N D R IH D
thousand TH AW Z AH N D
and AE N D | AH N D | AH N
point P OY N T
minus M AY N AH S
yes Y EH S
no N OW
next N EH K S T
back B AE K
again AH G EH N | AH G EY N
undo AH N D UW
read R IY D
aloud AH L AW D
stop S T AA P | S T AO P
listening L IH S AH N IH NG
lowest L OW AH S T | L OW IH S T
highest HH AY AH S T | HH AY IH S T
load L OW D
pin P IH N
red R EH D
black B L AE K
answer AE N S ER | AA N S ER
open OW P AH N
reading R IY D IH NG
over OW V ER
range R EY N JH
volts V OW L T S | V OW L T | V AO L T S
millivolts M IH L IH V OW L T S | M IH L AH V OW L T S | M IH L IH V OW L T
kilovolts K IH L AH V OW L T S | K IH L OW V OW L T S
amps AE M P S | AE M P
milliamps M IH L IY AE M P S | M IH L IY AE M P
microamps M AY K R OW AE M P S
ohms OW M Z | OW M
kilohms K IH L OW M Z | K IY L OW M Z | K IH L OW M
kay K EY
meg M EH G
megohms M EH G OW M Z | M EH G OW M
milliohms M IH L IY OW M Z
microfarads M AY K R OW F EH R AH D Z | M AY K R OW F AE R AE D Z
nanofarads N AE N OW F EH R AH D Z | N AE N OW F AE R AE D Z
picofarads P IY K OW F EH R AH D Z | P IY K OW F AE R AE D Z
hertz HH ER T S
kilohertz K IH L AH HH ER T S | K IH L OW HH ER T S
degrees D IH G R IY Z
celsius S EH L S IY AH S
ripple R IH P AH L
resistance R IH Z IH S T AH N S | R IY Z IH S T AH N S
diode D AY OW D
drop D R AA P | D R AO P
capacitance K AH P AE S IH T AH N S
current K ER AH N T | K AH R AH N T
frequency F R IY K W AH N S IY
temperature T EH M P R AH CH ER | T EH M P ER AH CH ER
standby S T AE N D B AY | S T AE N B AY
running R AH N IH NG
unplugged AH N P L AH G D
unloaded AH N L OW D IH D | AH N L OW D AH D
test T EH S T
in IH N
the DH AH | DH IY
set S EH T
logic L AA JH IH K | L AO JH IH K
intermediate IH N T ER M IY D IY AH T | IH N T ER M IY D IY IH T
backlight B AE K L AY T
audio AO D IY OW | AA D IY OW
bulk B AH L K
controller K AH N T R OW L ER
supply S AH P L AY
main M EY N
led L EH D
ay EY
bee B IY
see S IY
dee D IY
ee IY
eff EH F
gee JH IY
aitch EY CH
eye AY
jay JH EY
ell EH L
em EH M
en EH N
pee P IY
queue K Y UW
are AA R | AA
ess EH S
tee T IY
you Y UW
vee V IY
doubleyou D AH B AH L Y UW
ex EH K S
why W AY
zed Z EH D | Z IY
"""


def _sounds(text: str) -> dict[str, tuple[str, ...]]:
    found = {}
    for line in text.strip().splitlines():
        word, _, ways = line.partition(" ")
        found[word] = tuple(way.strip() for way in ways.split("|"))
    return found


ENGLISH = Language(
    code="en",
    digits={word: number for number, word in enumerate(_DIGITS)} | {"oh": 0},
    small={"ten": 10, "eleven": 11, "twelve": 12} | {word: 13 + at for at, word in enumerate(_TEENS)},
    tens={word: 20 + 10 * at for at, word in enumerate(_TENS)},
    hundred=("hundred",),
    thousand=("thousand",),
    joined_by=("and",),
    point=("point",),
    minus=("minus",),
    plus=(),
    commands={
        "yes": "yes", "no": "no", "next": "next", "back": "back", "again": "again",
        "undo": "undo", "read aloud": "read", "stop listening": "stop",
    },
    listened={
        "lowest": "lowest", "highest": "highest",
        "load current": "load current", "pin": "pin", "red": "red", "black": "black", "answer": "answer",
        "open": "open", "no reading": "open", "over range": "open",
    },
    units={
        "volts": "V", "millivolts": "mV", "kilovolts": "kV", "amps": "A", "milliamps": "mA", "microamps": "µA",
        "ohms": "ohm", "kilohms": "kohm", "kay": "kohm", "megohms": "Mohm", "meg": "Mohm", "milliohms": "mohm",
        "microfarads": "µF", "nanofarads": "nF", "picofarads": "pF", "hertz": "Hz", "kilohertz": "kHz",
        "degrees": "degC", "degrees celsius": "degC",
    },
    quantities={
        "ay see": "ac_v", "ripple": "ripple_v", "resistance": "ohm", "diode": "diode_v", "diode drop": "diode_v",
        "capacitance": "farad", "ee ess are": "esr_ohm", "current": "amp", "frequency": "hz",
        "temperature": "celsius",
    },
    states={"standby": "standby", "running": "running", "unplugged": "unpowered"},
    loads={"unloaded": "none", "test load": "test load", "in the set": "in the set"},
    roles={"standby": "standby", "logic": "logic", "intermediate": "intermediate", "backlight": "backlight",
           "audio": "audio", "bulk": "bulk", "controller supply": "controller supply"},
    letters=dict(zip(
        "abcdefghijklmnopqrstuvwxyz",
        ("ay", "bee", "see", "dee", "ee", "eff", "gee", "aitch", "eye", "jay", "kay", "ell", "em", "en", "oh", "pee",
         "queue", "are", "ess", "tee", "you", "vee", "doubleyou", "ex", "why", "zed"),
        strict=True,
    )),
    names={"sb": "standby", "stb": "standby", "stby": "standby", "standby": "standby", "bulk": "bulk", "led": "led",
           "audio": "audio", "main": "main", "logic": "logic", "backlight": "backlight", "test": "test"},
    sounds=_sounds(_SOUNDS),
    confused=tuple((13 + at, 30 + 10 * at) for at in range(7)),
)  # fmt: skip

_MAPS = ("commands", "listened", "units", "quantities", "states", "loads", "roles")
_MEANT: dict[str, tuple[str, ...]] = {
    "commands": COMMANDS,
    "listened": LISTENED,
    "units": tuple(SPOKEN_UNITS),
    "quantities": values(QUANTITIES),
    "states": values(SUPPLY_STATES),
    "loads": values(LOADS),
    "roles": values(RAIL_ROLES),
}


@dataclass(slots=True)
class _Reader:
    """Takes a file of words apart and says which entry is wrong."""

    given: Mapping[str, Any]
    used: set[str] = field(default_factory=set)

    def mapping(self, name: str, of: type) -> dict[str, Any]:
        self.used.add(name)
        found = self.given.get(name, {})
        if not isinstance(found, dict) or not all(isinstance(one, of) for one in found.values()):
            raise _wrong(f"“{name}” is not a table of words", f"Write [{name}] and a line a word.")
        return {" ".join(str(key).split()).lower(): value for key, value in found.items()}

    def phrases(self, name: str) -> tuple[str, ...]:
        self.used.add(name)
        found = self.given.get(name, [])
        if not isinstance(found, list) or not all(isinstance(one, str) for one in found):
            raise _wrong(f"“{name}” is not a list of words", f'Write {name} = ["…"].')
        return tuple(" ".join(one.split()).lower() for one in found)


def _wrong(why: str, remedy: str) -> BadInput:
    return BadInput(f"words.toml: {why}.", field="KB_SPEECH_MODEL", remedy=remedy)


def language_of(given: Mapping[str, Any]) -> Language:
    """The language that a `words.toml` describes. Raises BadInput naming the entry that is wrong.

    Numbers are said by digits, and by the words of `numbers`; a yes, a no, the decimal mark and all ten digits
    must be there.
    """
    reader = _Reader(given)
    digits = reader.mapping("digits", int)
    numbers = reader.mapping("numbers", int)
    if set(digits.values()) != set(range(10)):
        raise _wrong("“digits” does not name each digit from 0 to 9", "Write a word for each of the ten.")
    if not all(10 <= number <= 9999 for number in numbers.values()):
        raise _wrong("“numbers” holds one outside 10 to 9999", "Write whole numbers such as zwölf = 12.")
    maps = {name: reader.mapping(name, str) for name in _MAPS}
    for name, words in maps.items():
        for phrase, meant in words.items():
            if meant not in _MEANT[name]:
                raise _wrong(
                    f"“{phrase}” in “{name}” means “{meant}”, which is not in the list",
                    f"Choose one of: {', '.join(_MEANT[name])}.",
                )
    if not {"yes", "no"} <= set(maps["commands"].values()):
        raise _wrong("“commands” has no word for yes or none for no", "Write both.")
    sounds = {word: tuple(ways) for word, ways in reader.mapping("sounds", list).items()}
    point = reader.phrases("point")
    if not point:
        raise _wrong("“point” has no word for the decimal mark", 'Write point = ["…"].')
    code, confused = str(given.get("code", "")), given.get("confused", [])
    made = Language(
        code=code, digits=digits, small=numbers, tens={}, hundred=(), thousand=(), joined_by=(), point=point,
        minus=reader.phrases("minus"), plus=reader.phrases("plus"), letters=reader.mapping("letters", str),
        names=reader.mapping("names", str), sounds=sounds, by_digits_only=True,
        confused=tuple((int(pair[0]), int(pair[1])) for pair in confused if len(pair) == 2), **maps,
    )  # fmt: skip
    unknown = set(given) - reader.used - {"code", "confused"}
    if unknown:
        raise _wrong(
            f"“{sorted(unknown)[0]}” is no entry", "See the README of kb/speech for those there are."
        )
    silent = sorted(words_of(made) - set(sounds))
    if silent:
        raise _wrong(
            f"nothing says how “{silent[0]}” sounds", "Write each word under [sounds] with its phones."
        )
    return made


def words_of(language: Language) -> set[str]:
    """Every word that a phrase of the language is made of."""
    phrases = [
        *language.digits, *language.small, *language.tens, *language.hundred, *language.thousand, *language.joined_by,
        *language.point, *language.minus, *language.plus, *language.letters.values(), *language.names.values(),
        *(phrase for name in _MAPS for phrase in getattr(language, name)),
    ]  # fmt: skip
    return {word for phrase in phrases for word in phrase.split()}
