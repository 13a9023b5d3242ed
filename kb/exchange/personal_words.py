"""Words by which names are told from other words: titles, what stands before a name, and words that are no names.

Common practice, no published source; the everyday and trade words are those of `kb.facts`.
"""

from __future__ import annotations

import re
import unicodedata
from functools import cache

from kb.facts.parts import PART_CLASSES
from kb.facts.symptoms import SYMPTOMS
from kb.facts.vocabulary import SECTIONS
from kb.facts.word_lists import LANGUAGES, common_words, concepts, devices, word_list

WORD = re.compile(r"[^\W_]+")


def _words(text: str) -> frozenset[str]:
    return frozenset(text.split())


# What a name follows in any spelling.
TITLES = _words(
    """
    mr mrs ms mx herr herrn hr frau fräulein frl fam familie mme mlle mmes monsieur madame mademoiselle
    famille sra srta señor señora señorita senor senora doña dña familia sig signor signore signora
    signorina famiglia dhr mevr mevrouw mw meneer juffrouw
    """
)
# These mean something else as well: what follows has to begin with a capital and be no word that is known.
LIKELY_TITLES = _words(
    """
    miss dr prof sir fr sr don dott ing avv cav arch geom heer
    """
)
WITH_A_DOT = _words(
    """
    m d
    """
)
ENDINGS = _words(
    """
    ra na ssa re
    """
)
"""What a title is continued with behind a dot (Sig.ra, Dott.ssa)."""
BEFORE_NAMES = _words(
    """
    customer owner client cliente clienta kunde kundin klant besitzer besitzerin propriétaire dueño
    eigenaar contact kontakt attn ansprechpartner bel name namen nom nombre nome naam
    """
)
PARTICLES = _words(
    """
    van von der den de het ten ter zu zum zur vom du des la le les di da del della dei dal of y e el los
    las
    """
)
_LEGAL = _words(
    """
    ltd limited gmbh ag kg ohg ug mbh eg ev sarl sas sa srl spa snc bv nv vof inc llc plc co company
    firma fa ferry ferries harbour harbor port marina hotel hostal hostel pension trattoria ristorante
    restaurant restaurante café cafe bar bistro bäckerei bakkerij boulangerie panadería panificio
    metzgerei garage taller officina werkstatt atelier hafen haven puerto porto verein club boutique
    school schule école scuola escuela church kirche and sons daughters söhne fils figli hijos zonen
    """
)
_OURS = _words(
    """
    the and for with from not desk front shop office service repair board boards display machine ticket
    supply power unit main set customer private bench line works workshop
    """
)


@cache
def trade_words() -> frozenset[str]:
    """Words that boards, their parts and faults are described with, in six languages."""
    lists = [(entry.name, *entry.synonyms) for entry in SYMPTOMS]
    lists += [(entry.name, *entry.synonyms) for entry in PART_CLASSES]
    texts = [text for entry in lists for text in entry] + [word.value for word in SECTIONS]
    for language in LANGUAGES:
        for table in word_list(language).values():
            texts += [entry for phrases in table.values() for entry in phrases]
    texts += [
        phrase
        for by_language in concepts().values()
        for phrases in by_language.values()
        for phrase in phrases
    ]
    texts += [word for words in devices().values() for word in words]
    return _OURS | {word for text in texts for word in WORD.findall(text.casefold())}


@cache
def everyday_words(language: str = "") -> frozenset[str]:
    """Everyday words of one language, or of all six, and what firms call themselves."""
    chosen = (language,) if language else LANGUAGES
    words = frozenset(
        word.casefold() for one in chosen for text in common_words(one) for word in WORD.findall(text)
    )
    return words if language else words | _LEGAL


def is_known(word: str) -> bool:
    """Whether a word is one of the trade or of every day, and so no sign of a name."""
    plain = word.casefold()
    return plain in trade_words() or plain in everyday_words()


_LETTERS = str.maketrans({"ß": "ss", "ø": "o", "æ": "a", "œ": "o", "ł": "l", "đ": "d", "ð": "d", "þ": "th"})
_WRITTEN_OUT = re.compile(r"([aou])e|aa")


@cache
def _of_letter(letter: str) -> str:
    return "".join(one for one in unicodedata.normalize("NFKD", letter) if not unicodedata.combining(one))


def folded(word: str) -> str:
    """One form for all spellings of a name: without accents, and ü, ue and u the same (Müller, Mueller)."""
    plain = word.casefold().translate(_LETTERS)
    if not plain.isascii():
        plain = "".join(map(_of_letter, plain))
    return _WRITTEN_OUT.sub(lambda hit: hit[1] or "a", plain)
