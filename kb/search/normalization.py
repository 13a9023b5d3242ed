"""Plain words of the trade: folding, stems, and which spellings mean the same word.

Everything here is common practice, no published source, except the stemmer, which is Porter's
(M. F. Porter, "An algorithm for suffix stripping", Program 14, 1980) as shipped with Whoosh.
"""

from __future__ import annotations

import unicodedata
from collections.abc import Callable
from functools import lru_cache
from typing import TypeVar

from whoosh.lang.porter import stem as porter_stem

NOT = "not"
T = TypeVar("T")


def cached_if_short(read: Callable[[str], T], *, most: int, longest: int) -> Callable[[str], T]:
    """`read` with a cache of what it made of the last `most` texts of up to `longest` characters.

    `read` must not be a method of what holds the cache: both would hold each other, and what a server has
    set aside (`kb.web.server.settle_memory`) is freed only where nothing holds itself.
    """
    cached = lru_cache(maxsize=most)(read)
    return lambda text: cached(text) if len(text) <= longest else read(text)


def word_set(text: str) -> frozenset[str]:
    """The words of `text`."""
    return frozenset(text.split())


STOP_WORDS = word_set(
    "a am an and are as at be been being but by can could customer did do does doing for had has have he "
    "her his i if in is it its just me my of or our she so than that the their them then there these they "
    "this those to us very was we were which will with would you your"
)

# A contraction loses its apostrophe before it is looked up, so "won't" and "wont" are one entry.
NEGATIONS = word_set(
    "no not nor none never without aint arent cannot cant couldnt didnt doesnt dont hadnt hasnt havent isnt "
    "shouldnt wasnt werent wont wouldnt nicht kein keine"
)

_SAME_WORD: dict[str, str] = {
    variant: word
    for word, variants in {
        "capacitor": "cap caps elco elcos elko elkos condenser kondensator kondensatoren",
        "electrolytic": "lytic lytics electrolytics elyt",
        "mosfet": "fet fets",
        "optocoupler": "opto optos optoisolator optoisolators photocoupler photocouplers optocouplers",
        "transformer": "trafo trafos xformer",
        "potentiometer": "pot pots",
        "resistor": "res",
        "fuse": "fuze fuzes sicherung",
        "aluminium": "aluminum",
        "colour": "color colors",
        "discoloured": "discolored",
        "burn": "burnt burned",
        "blow": "blown blew",
        "break": "broke broken",
        "die": "dies died dying",
        "leak": "leaky leaked",
        "noise": "noisy noises",
        "swell": "swollen",
        "dry": "dried",
        "freeze": "froze frozen",
        "backlight": "backlite",
        "led": "leds",
        "relay": "relais",
        "disk": "disc discs disks",
        "ok": "okay",
    }.items()
    for variant in variants.split()
}

# Pairs of stems that people write as one word, as two, or with a hyphen.
COMPOUNDS: dict[tuple[str, str], str] = {
    tuple(pair.split()): joined  # type: ignore[misc]
    for pair, joined in {
        "stand by": "standby",
        "start up": "startup",
        "back light": "backlight",
        "over voltag": "overvoltage",
        "over current": "overcurrent",
        "over heat": "overheat",
        "over load": "overload",
        "under voltag": "undervoltage",
        "shut down": "shutdown",
        "optocoupl coupler": "optocoupler",
        "optocoupl isol": "optocoupler",
        "photo coupler": "optocoupler",
        "heat sink": "heatsink",
        "re cap": "recap",
        "boot loop": "bootloop",
        "on board": "onboard",
        "solder joint": "solderjoint",
        "short circuit": "short",
    }.items()
}

# Names of things that are neither a symptom nor one part class; (name, what else people call it).
TRADE_NAMES: tuple[tuple[str, tuple[str, ...]], ...] = (
    ("power supply", ("psu", "smps", "power supply unit", "power board", "switch mode supply", "netzteil")),
    ("standby supply", ("sb supply", "aux supply", "auxiliary supply", "standby converter")),
    ("power factor stage", ("pfc", "pfc stage", "power factor correction", "boost stage")),
    ("equivalent series resistance", ("esr", "series resistance")),
    ("over-voltage protection", ("ovp", "crowbar")),
    ("over-current protection", ("ocp", "overload protection", "current limit")),
    ("power-on signal", ("ps on", "pson", "power on line", "enable line")),
    ("heat sink", ("cooler", "cooling plate")),
    ("snubber", ("rcd clamp", "clamp network")),
    ("liquid-crystal display", ("lcd", "display panel", "lcd panel")),
    ("electromagnetic interference filter", ("emi filter", "line filter", "mains filter")),
)

# Short everyday words that must not be glued to a number that follows ("about 12", "pin 5").
NOT_CODE_PREFIX = word_set(
    "ac all and any but by dc did fan for from get got had has her him his hot how its led let line low "
    "main max min near new next not now off old on one only or our out over pass past per pin pins plus "
    "rail ran rev run saw set she so step test than the then ti time to too two up us use ver via was way "
    "week when who why year yes you day days hour just last load made most part some took well with about "
    "after at cap cold dead dual each even fuse have high hum in is it many more nom of be do go he if me "
    "my no we an as am"
)


def fold(text: str) -> str:
    """`text` in lower case without accents; ligatures, width forms, micro and ohm signs unified."""
    if text.isascii():
        return text.lower()
    plain = unicodedata.normalize("NFKC", text).replace("\u03a9", "ohm").replace("\u03c9", "ohm")
    plain = unicodedata.normalize("NFD", plain.replace("\u03bc", "u").casefold())
    return "".join(letter for letter in plain if not unicodedata.combining(letter))


@lru_cache(maxsize=8_192)
def word_term(folded: str) -> str:
    """The index term of one folded word: negations become one term, known variants one word, then a stem."""
    word = folded.replace("'", "").replace("\u2019", "").replace("`", "")
    if word in NEGATIONS:
        return NOT
    if folded.endswith(("'s", "\u2019s")):
        word = folded[:-2]
    word = _SAME_WORD.get(word, word)
    if len(word) < 4 or not word.isascii() or len(word) > 40:
        return word
    stemmed: str = porter_stem(word)
    # Whoosh's stemmer leaves out the step of Porter's paper that undoubles a consonant ("stopped", "stop").
    if word.endswith(("ed", "ing")) and len(stemmed) > 3 and stemmed[-1] == stemmed[-2]:
        stemmed = stemmed if stemmed[-1] in "aeioulsz" else stemmed[:-1]
    return _SAME_STEM.get(stemmed, stemmed)


_SAME_STEM: dict[str, str] = {
    "leaki": "leak",
    "bulgi": "bulg",
    "noisi": "nois",
    "dri": "dry",
    "volt": "voltag",
}
