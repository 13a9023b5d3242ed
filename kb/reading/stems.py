"""Words folded and their endings taken off, so that "klickt" and "klicken" meet.

A word list says its language, a text does not: each word of a text is looked up under its stem in every
language. Endings are the usual ones of each language; common practice, no published source.
"""

from __future__ import annotations

import unicodedata
from functools import lru_cache

_ENDINGS: dict[str, tuple[str, ...]] = {
    "en": ("ings", "ing", "ies", "ied", "ed", "es", "s", "e", "y"),
    "de": ("nden", "nder", "ndes", "nde", "enden", "ende",
           "ten", "tet", "ern", "est", "en", "em", "er", "es", "te", "et", "st", "e", "n", "t", "s"),
    "fr": ("aient", "ees", "ent", "ait", "ant", "er", "ee", "es", "ez", "e", "s", "x"),
    "nl": ("ende", "nde", "den", "ten", "tjes", "tje", "en", "de", "te", "es", "er", "e", "t", "d", "s", "n"),
    "es": ("iendo", "ando", "aron", "ieron", "adas", "ados", "idas", "idos", "ada", "ado", "ida", "ido",
           "aba", "an", "en", "ar", "er", "ir", "as", "os", "es", "a", "o", "e"),
    "it": ("ando", "endo", "iscono", "isce", "ate", "ati", "ata", "ato", "ite", "iti", "ita", "ito", "ute", "uti",
           "uta", "uto", "ano", "ono", "are", "ere", "ire", "a", "o", "e", "i"),
}  # fmt: skip
_SHORTEST = 4  # letters that stay; shorter words have to stand as they are written


@lru_cache(maxsize=16_384)
def fold(word: str) -> str:
    """`word` in small letters without accents; ß is ss, and signs for ohm and micro are plain letters."""
    lowered = word.lower()
    if lowered.isascii():
        return lowered
    plain = unicodedata.normalize("NFKD", lowered.replace("ß", "ss").replace("œ", "oe").replace("æ", "ae"))
    return "".join(letter for letter in plain if not unicodedata.combining(letter))


def without_umlaut_letters(folded: str) -> str:
    """ "laeuft" as "läuft" folds: "lauft"."""
    return folded.replace("ae", "a").replace("oe", "o").replace("ue", "u")


@lru_cache(maxsize=65_536)
def stem(folded: str, language: str) -> str:
    """`folded` without its ending in `language`; words of four letters or less stay whole."""
    if len(folded) <= _SHORTEST:
        return folded
    for ending in _ENDINGS[language]:
        if folded.endswith(ending) and len(folded) - len(ending) >= _SHORTEST - 1:
            cut = folded[: -len(ending)]
            if len(cut) < _SHORTEST and len(ending) > 1 and language != "en":
                continue
            return cut[:-1] if cut[-1] == cut[-2] and cut[-1] not in "aeiou" and len(cut) > 4 else cut
    return folded
