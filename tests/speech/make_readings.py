"""Makes `readings.toml`: 200 spoken readings, what they say and how they sound. Run once; the file is what counts.

    PYTHONPATH=tests python -m speech.make_readings > tests/speech/readings.toml

Half of them is "held out": looked at once, after everything was tuned on the other half. The two halves were
divided here, by chance, before the recogniser had heard any of them.
"""

from __future__ import annotations

import random
import sys
from typing import Any

VOICES = ("en-us", "en-us+f3", "en-us+m7", "en-gb", "en-gb+f2", "en-gb-x-rp+m3", "en-gb-scotland", "en-029")
SPEEDS = (130, 150, 170, 190)
SNR_DB = ("none", "20", "10")

_ONES = (
    *(
        "zero",
        "one",
        "two",
        "three",
        "four",
        "five",
        "six",
        "seven",
        "eight",
        "nine",
        "ten",
        "eleven",
        "twelve",
    ),
    *("thirteen", "fourteen", "fifteen", "sixteen", "seventeen", "eighteen", "nineteen"),
)
_TENS = ["zero", "ten", "twenty", "thirty", "forty", "fifty", "sixty", "seventy", "eighty", "ninety"]
# Name, what it is called, nominal volts.
RAILS = (
    ("5VSB", ("five volt standby", "five volt S B", "standby"), 5.0),
    ("3V3", ("three point three volt", "three V three", "logic"), 3.3),
    ("12V", ("twelve volt", "twelve volts"), 12.0),
    ("24V", ("twenty four volt", "backlight"), 24.0),
    ("BULK", ("bulk",), 385.0),
    ("VCC", ("V C C", "controller supply"), 15.0),
)
POINTS = (
    ("TP1", ("T P one",)),
    ("TP4", ("T P four",)),
    ("C9", ("C nine",)),
    ("R17", ("R seventeen", "R one seven")),
)


def whole(number: int, chance: random.Random) -> str:
    """A whole number below 1000 in one of the ways it is said."""
    if number < 20:
        return _ONES[number]
    if number < 100:
        tens, ones = divmod(number, 10)
        return _TENS[tens] + (f" {_ONES[ones]}" if ones else "")
    hundreds, rest = divmod(number, 100)
    if not rest:
        return f"{_ONES[hundreds]} hundred"
    ways = [
        f"{_ONES[hundreds]} hundred and {whole(rest, chance)}",
        f"{_ONES[hundreds]} hundred {whole(rest, chance)}",
    ]
    if rest >= 10:
        ways.append(f"{_ONES[hundreds]} {whole(rest, chance)}")
    return chance.choice(ways)


def said(number: str, chance: random.Random) -> str:
    """A number as typed, in words."""
    sign, number = ("minus ", number[1:]) if number.startswith("-") else ("", number)
    before, _, after = number.partition(".")
    by_digit = len(before) < 4 and len(before) > 1 and chance.random() < 0.3
    head = " ".join(_ONES[int(one)] for one in before) if by_digit else whole(int(before), chance)
    if before == "0" and chance.random() < 0.4:
        head = "oh" if chance.random() < 0.5 else "zero"
    zero = "oh" if chance.random() < 0.3 else "zero"
    tail = " ".join(zero if one == "0" else _ONES[int(one)] for one in after)
    return sign + head + (f" point {tail}" if after else "")


def volts(nominal: float, chance: random.Random) -> str:
    """What a meter shows at a rail: near nominal, low, absent or high."""
    kind = chance.random()
    factor = (
        chance.uniform(0.93, 1.07)
        if kind < 0.6
        else chance.uniform(0.2, 0.9)
        if kind < 0.9
        else chance.uniform(0, 0.05)
    )
    value = nominal * factor
    return f"{value:.0f}" if value > 100 else f"{value:.{chance.choice((1, 2, 2))}f}"


def step_reading(chance: random.Random) -> dict[str, str]:
    """A value at a step of the bench test, which knows the place."""
    name, called, nominal = chance.choice(RAILS)
    kind = chance.choice(("dc_v", "dc_v", "dc_v", "ripple_v", "ohm", "diode_v"))
    entry = {"page": "step", "place": name, "quantity": kind, "pin": "0"}
    if kind == "dc_v":
        number, unit, words = volts(nominal, chance), "V", chance.choice(("volts", "volts", ""))
        if nominal >= 12 and chance.random() < 0.2:
            number = str(chance.choice((13, 14, 15, 16, 17, 18, 19, 30, 40, 50)))
    elif kind == "ripple_v":
        number, unit, words = str(chance.randint(8, 260)), "mV", "millivolts"
    elif kind == "ohm":
        number, unit, words = chance.choice(
            (
                (f"{chance.uniform(0.2, 99):.1f}", "kΩ", "kilohms"),
                (f"{chance.randint(1, 990)}", "Ω", "ohms"),
                (f"{chance.uniform(0.1, 9):.2f}", "MΩ", "megohms"),
            )
        )
    else:
        number, unit, words = (
            f"{chance.uniform(0.2, 0.8):.{chance.choice((2, 3))}f}",
            "V",
            chance.choice(("volts", "")),
        )
    place = f"{chance.choice(called)}, " if chance.random() < 0.3 else ""
    return entry | {
        "value": number,
        "unit": unit if words else "",
        "text": f"{place}{said(number, chance)} {words}".strip(),
    }


def line_reading(chance: random.Random) -> dict[str, str]:
    """A reading of a case, with its place, and mostly with state and load."""
    pause = chance.choice((", ", " "))
    state = chance.choice(("standby", "running", "running", ""))
    load = chance.choice(("", "", "test load", "in the set", "unloaded")) if state else ""
    load_value = {"unloaded": "none"}.get(load, load)
    if chance.random() < 0.75:
        name, called, nominal = chance.choice(RAILS)
        kind, word = chance.choice((("dc_v", ""), ("dc_v", ""), ("ripple_v", "ripple ")))
        if kind == "dc_v":
            number, unit, words = volts(nominal, chance), "V", chance.choice(("volts", ""))
        else:
            number, unit, words = str(chance.randint(8, 260)), "mV", "millivolts"
    else:
        name, called = chance.choice(POINTS)
        state = load = load_value = ""
        if name == "C9":
            kind, word = "esr_ohm", "E S R "
            number, unit, words = f"{chance.uniform(0.1, 9):.{chance.choice((1, 2))}f}", "Ω", "ohms"
        elif name == "R17":
            kind, word = "ohm", "resistance "
            number, unit, words = f"{chance.uniform(1, 99):.1f}", "kΩ", "kilohms"
        else:
            kind, word = "dc_v", ""
            number, unit, words = f"{chance.uniform(0.3, 20):.2f}", "V", "volts"
    parts = (f"{word}{said(number, chance)} {words}".strip(), state, load)
    text = chance.choice(called) + pause + pause.join(part for part in parts if part)
    return {"page": "lines", "place": name, "quantity": kind, "value": number, "unit": unit if words else "",
            "state": state, "load": load_value, "pin": "0", "text": text}  # fmt: skip


def pin_reading(chance: random.Random) -> dict[str, str]:
    """One side of a pin of a connector."""
    pin = chance.randint(1, 24)
    name, called = chance.choice((("CN2", "C N two"), ("CN1", "C N one"), ("", "")))
    side = chance.choice(("red", "black"))
    number, unit, words, kind = chance.choice(
        (
            (f"{chance.uniform(1, 90):.1f}", "kΩ", "kilohms", "ohm"),
            (f"{chance.randint(2, 900)}", "Ω", "ohms", "ohm"),
            (f"0.{chance.randint(280, 760)}", "V", "volts", "diode_v"),
        )
    )
    text = f"{called} pin {whole(pin, chance)}, {side} {said(number, chance)} {words}".strip()
    return {"page": "pins", "place": name, "quantity": kind, "value": number, "unit": unit, "pin": str(pin),
            "side": side, "text": text}  # fmt: skip


def two_hundred(chance: random.Random) -> list[dict[str, str]]:
    """Readings of all pages, mixed."""
    entries = [step_reading(chance) for _ in range(85)] + [line_reading(chance) for _ in range(85)]
    entries += [pin_reading(chance) for _ in range(30)]
    chance.shuffle(entries)
    return entries


def further(seed: int) -> list[dict[str, Any]]:
    """Two hundred more of the same kind with how they sound, which are in no file."""
    chance = random.Random(seed)
    entries = two_hundred(chance)
    return [
        {"side": "", "state": "", "load": ""}
        | entry
        | {"pin": int(entry["pin"]), "half": f"further {seed}"}
        | how_it_sounds(chance, at)
        for at, entry in enumerate(entries)
    ]


def how_it_sounds(chance: random.Random, at: int) -> dict[str, Any]:
    """Voice, speed, noise, clicks and silences of the reading with number `at`."""
    return {
        "voice": chance.choice(VOICES),
        "speed": chance.choice(SPEEDS),
        "snr_db": SNR_DB[at % 3],
        "clicks": chance.choice((0, 0, 0, 2, 5)),
        "before_s": round(chance.uniform(0.1, 1.2), 2),
        "after_s": round(chance.uniform(0.1, 0.9), 2),
        "seed": chance.randrange(10**6),
    }


def main() -> None:
    """Writes the file to standard output."""
    chance = random.Random(20261128)
    entries = two_hundred(chance)
    halves = ["development"] * 100 + ["held out"] * 100
    chance.shuffle(halves)
    print("# Written by make_readings.py. half: what the recogniser was tuned on, and what it was not.")
    for at, (entry, half) in enumerate(zip(entries, halves, strict=True)):
        sound = {"half": half} | how_it_sounds(chance, at)
        print("\n[[reading]]")
        for name, value in ({"side": "", "state": "", "load": ""} | entry | sound).items():
            print(
                f"{name} = {value}"
                if isinstance(value, int | float) or name == "pin"
                else f'{name} = "{value}"'
            )


if __name__ == "__main__":
    sys.stdout.reconfigure(encoding="utf-8")  # type: ignore[union-attr]
    main()
