"""What tells of a person by its form: addresses, numbers that reach or pay somebody, days of birth, plates.

Check digits follow ISO 13616 (account numbers, modulo 97 of ISO/IEC 7064) and ISO/IEC 7812 (cards, the formula of
Luhn); all else rests on how such things are usually written (common practice, no published source). The
expressions repeat a bounded number of times, so that each takes time in proportion to the text.
"""

from __future__ import annotations

import re
from bisect import bisect_right
from collections.abc import Iterator
from typing import NamedTuple

from kb.exchange.personal_words import is_known

_SPACE = r" \t\u00a0\u2007\u2009\u202f"
_HYPHEN = r"\-\u2010-\u2015\u2212"
_GAP = rf"[{_SPACE}{_HYPHEN}]"

_MAIL = re.compile(r"(?<![^\s@<>()\[\],;:])[^\s@<>()\[\],;:]+@[^\s@<>()\[\],;:]+")
_OPEN, _CLOSE = r"\s?[(\[{<]\s?", r"\s?[)\]}>]\s?"
_MAIL_HIDDEN = re.compile(
    rf"(?i)(?<![\w.+-])[\w.+-]{{1,64}}{_OPEN}(?:at|ät|arroba|chiocciola|arobase|apenstaartje|klammeraffe){_CLOSE}"
    rf"[\w-]{{1,63}}(?:(?:\.|{_OPEN}(?:dot|punkt|punto|point|punt){_CLOSE})[\w-]{{1,63}}){{0,4}}"
)
_MAIL_SPOKEN = re.compile(
    r"(?i)(?<![\w.+-])[\w.+-]{1,64} at [\w-]{1,63}(?: (?:dot|punkt|punto|point|punt) [\w-]{2,63}){1,3}"
)
_SITE = re.compile(r"(?i)(?<!\w)(?:https?://|www\.)[^\s<>()\[\],;]{1,300}")
# Endings that are no words of the six languages; those that are ("gut.es", "cable.de") need to be called a site.
_DOMAIN = re.compile(
    r"(?<![\w@.-])(?:[\w-]{1,63}\.){0,3}[^\W\d_][\w-]{2,62}\.(?:com|net|org|info|biz|eu|fr|nl|ch|uk|example)(?![\w-])"
)
_DOMAIN_CALLED = re.compile(
    r"(?i)\b(?:web|website|webseite|homepage|site|sito|sitio|página|pagina|internet)\b\W{1,3}((?:[\w-]{1,63}\.){1,4}[a-z]{2,12})\b"
)
_IBAN = re.compile(rf"(?i)(?<![^\W_])[A-Z]{{2}}\d\d(?:{_GAP}?[A-Z0-9]){{11,30}}")
_CARD = re.compile(rf"(?<![\d.,])\d(?:{_GAP}?\d){{12,18}}(?!\d)")
_DAY = re.compile(r"\b(?:\d{4}-\d\d-\d\d|\d{1,2}[./-]\d{1,2}[./-]\d{2,4})\b")
_PHONE = re.compile(rf"(?<![\w.,+])\+?\(?\d(?:[{_SPACE}{_HYPHEN}()/.]{{0,3}}\d){{6,40}}(?!\w)")
_UNIT = re.compile(
    r"\s?(?:[pnµumkMG]?(?:V|A|W|F|H|Hz|Ω|Ohm|ohm)(?:pp|ac|dc)?|°C|mm|cm|%|rpm|min|h|s|€|EUR|Euro|euro)(?!\w)"
)
_CALLED = re.compile(
    r"(?i)\b(?:tel|phone|call|ring|mobile|cell|fax|mob|telefon|handy|mobil|t[ée]l[ée]phone|portable|appeler|"
    r"tel[eé]fono|m[oó]vil|cellulare|telefoon|mobiel|gsm|bel)\b[^\d\n]{0,12}"
    rf"(\+?\d[\d{_SPACE}{_HYPHEN}()/.]{{3,24}}\d)(?!\w)"
)
_BORN = re.compile(
    r"(?i)\b(?:born|dob|d\.o\.b|date of birth|birthday|geb|geboren|geburtsdatum|geburtstag|n[ée]e?|naissance|"
    r"geboortedatum|nacid[oa]|nacimiento|nat[oa]|nascita)\b[\s.:(]{0,3}(?:(?:on|am|le|op|el|il)\s)?"
    r"(\d{1,4}[./ -]\d{1,2}[./ -]\d{2,4}|\d{1,2}(?:st|nd|rd|th|er|[.º°])?\s(?:de\s)?[^\W\d]{3,12}\.?,?\s"
    r"(?:del?\s)?\d{4}"
    r"|[^\W\d]{3,12}\s\d{1,2},?\s\d{4}|(?:19|20)\d\d)(?!\w)"
)
_PLATE_CUE = (
    r"number plate|plates?|reg|registration|van|car|lorry|truck|kennzeichen|kfz|transporter|lieferwagen|auto|wagen|bus|"
    r"plaque|immatricul[ée]e?|immatriculation|voiture|fourgon|camionnette|camion|kenteken|bestelbus|matr[ií]cula|coche|"
    r"furgoneta|furg[oó]n|cami[oó]n|targa|furgone|macchina"
)
_PLATE_CALLED = re.compile(
    rf"\b(?i:{_PLATE_CUE})\b(?:\W{{1,3}}(?i:with|mit|met|avec|con|no|nr|number|{_PLATE_CUE})\b){{0,3}}\W{{1,3}}"
    rf"([A-ZÄÖÜ0-9]{{1,4}}(?:[{_SPACE}{_HYPHEN}]?[A-ZÄÖÜ0-9]{{1,4}}){{1,3}})(?![\w-])"
)
_PLATE = re.compile(
    rf"(?<![\w-])(?:[A-Z]{{2}}[{_HYPHEN}]\d{{3}}[{_HYPHEN}][A-Z]{{2}}"
    rf"|[A-ZÄÖÜ]{{1,3}}[{_HYPHEN}][A-ZÄÖÜ]{{1,2}} \d{{1,4}}"
    r"|[A-Z]{2}\d\d [A-Z]{3})(?![\w-])"
)

_TITLE_WORD = r"[A-ZÀ-ÖØ-Þ][^\W\d_][\w'’-]{0,30}"
_NUMBER = r"\d{1,4}(?:\s?(?:bis|ter)|[a-zA-Z]|\s[a-dA-D])?(?!\w)"
_POST = r"(?:[A-Z]{1,2}-)?\d{4,5}(?:\s?[A-Z]{2})?"
_TOWN = rf"(?:,?\s{{1,3}}{_POST}\s{{1,3}}{_TITLE_WORD}(?:[ -]{_TITLE_WORD}){{0,2}})?"
_OF = (
    r"(?:(?:de|du|des|del|della|delle|dei|degli|di|da|la|le|les|los|las|el|lo)\s{1,3}|[dl]['’]|dell['’]){0,3}"
)
_STREETS = (
    r"street|st|road|rd|lane|ln|avenue|ave|quay|close|drive|way|court|square|terrace|row|wharf|crescent|place|walk|mews"
    r"|hill|grove|gardens|parade"
)
# Rings and pads of boards.
_NO_STREETS = "test|mess|löt|kontakt|dicht|spreng|sicherung|kupfer|thermal|wärme|koel|soldeer|kühl|ferrit"
_ADDRESSES = (
    re.compile(rf"(?i)\b\d{{1,4}}[a-z]?,?\s{{1,3}}(?:[^\W\d]{{1,30}}\.?\s{{1,3}}){{1,3}}(?:{_STREETS})\b\.?"),
    re.compile(
        rf"\b{_NUMBER},?\s{{1,3}}(?i:rue|avenue|av\.|boulevard|bd|quai|place|chemin|impasse|all[ée]e|route|cours|square|"
        rf"passage|sentier|ruelle)\s{{1,3}}{_OF}{_TITLE_WORD}(?:[\s-]{{1,2}}{_TITLE_WORD}){{0,3}}{_TOWN}"
    ),
    re.compile(
        rf"(?<!\w)(?:[A-ZÄÖÜ][^\W\d]{{1,30}}[ -]){{0,2}}(?:[^\W\d]{{0,40}}?(?i:stra(?:ß|ss)e|str\.|gasse|straat|gatan|"
        rf"vägen|veien)|(?!(?i:{_NO_STREETS}))[A-ZÄÖÜ][^\W\d]{{2,40}}?(?:weg|platz|allee|ufer|damm|kai|ring|steig|laan|"
        rf"chaussee|plein|kade|gracht|singel|dijk|pad|dreef|steeg|plantsoen|vej|gade))\s{{1,3}}{_NUMBER}{_TOWN}"
    ),
    re.compile(
        rf"(?i:\b(?:calle|avenida|avda\.?|av\.|plaza|pza\.?|paseo|camino|carretera|ronda|traves[ií]a|glorieta|callej[oó]n|via|"
        rf"viale|piazza|piazzale|corso|largo|vicolo|strada|lungomare|vico|borgo|rue|quai)|\bc/)\s{{0,3}}{_OF}{_TITLE_WORD}"
        rf"(?:\s{{1,2}}(?:de|del|di|della|la)?\s?{_TITLE_WORD}){{0,3}},?\s{{0,3}}(?:n[.º°o]{{0,2}}\s?)?{_NUMBER}"
        rf"(?:,?\s?\d{{1,2}}[ºª°](?:\s?[A-Z]\b)?)?{_TOWN}"
    ),
)
_AT_THE = re.compile(
    rf"\b(?:Am|An der|An den|Auf der|Auf dem|Zum|Zur|Im|In der|Beim|Unter den|Hinter der|Hinter dem|Vor dem)\s"
    rf"({_TITLE_WORD})\s{_NUMBER}{_TOWN}"
)
_POSTCODE = re.compile(r"\b[A-Z]{1,2}\d[A-Z\d]? \d[A-Z]{2}\b")
_TOWN_ALONE = re.compile(rf"(?<![\w-])(?:[A-Z]{{1,2}}-)?(?:\d{{5}}|\d{{4}} ?[A-Z]{{2}}) ({_TITLE_WORD})")


class Span(NamedTuple):
    """A piece of a text that tells of a person, and what it is."""

    start: int
    end: int
    kind: str


def spans(text: str) -> Iterator[Span]:
    """What tells of a person by its form, the surest first; pieces may overlap."""
    for pattern in (_MAIL, _MAIL_HIDDEN, _MAIL_SPOKEN):
        yield from _all(pattern, "e-mail", text)
    for pattern in (_SITE, _DOMAIN):
        yield from _all(pattern, "website", text)
    yield from _all(_DOMAIN_CALLED, "website", text, 1)
    for hit in _IBAN.finditer(text):
        if length := _account_length(hit[0]):
            yield Span(hit.start(), hit.start() + length, "account number")
    for hit in _CARD.finditer(text):
        if is_card(hit[0]):
            yield Span(*hit.span(), "account number")
    yield from _all(_BORN, "birth date", text, 1)
    for pattern in _ADDRESSES:
        for hit in pattern.finditer(text):
            yield Span(hit.start() + _known_before(hit[0]), hit.end(), "address")
    yield from _all(_POSTCODE, "address", text)
    for pattern in (_AT_THE, _TOWN_ALONE):
        for hit in pattern.finditer(text):
            if not is_known(hit[1]):
                yield Span(*hit.span(), "address")
    for hit in _PLATE_CALLED.finditer(text):
        signs = [one for one in hit[1] if one.isalnum()]
        if len(signs) >= 5 and any(map(str.isdigit, signs)) and any(map(str.isalpha, signs)):
            yield Span(*hit.span(1), "number plate")
    yield from _all(_PLATE, "number plate", text)
    yield from _phones(text)


def _known_before(found: str) -> int:
    """How much of what looks like an address is a word before it ("Abholung Ankergasse 12")."""
    words = found.split(" ")
    first = words[0]
    if len(words) > 2 and first[:1].isupper() and words[1][:1].isupper() and is_known(first):
        return len(first) + 1
    return 0


def _all(pattern: re.Pattern[str], kind: str, text: str, group: int = 0) -> Iterator[Span]:
    for hit in pattern.finditer(text):
        yield Span(*hit.span(group), kind)


def is_account(text: str) -> bool:
    """Whether the check digits of an account number fit: ISO 13616, by modulo 97 of ISO/IEC 7064."""
    signs = [one for one in text.upper() if one.isalnum()]
    if not 15 <= len(signs) <= 34 or not "".join(signs).isascii():
        return False
    return int("".join(str(int(one, 36)) for one in signs[4:] + signs[:4])) % 97 == 1


def _account_length(found: str) -> int:
    """How much of what looks like an account number is one; 0 where none is. What follows may look like more."""
    ends = [place + 1 for place, one in enumerate(found) if one.isalnum()]
    for end in reversed(ends):
        rest = found[end:]
        if (not rest or not rest[0].isalnum()) and is_account(found[:end]):
            return end
    return 0


def is_card(text: str) -> bool:
    """Whether the check digit of a card number fits: the formula of Luhn, ISO/IEC 7812-1 annex B."""
    digits = [int(one) for one in text if one.isdigit()][::-1]
    if not 13 <= len(digits) <= 19 or digits[-1] not in (2, 3, 4, 5, 6):
        return False
    return (sum(digits[::2]) + sum(sum(divmod(2 * one, 10)) for one in digits[1::2])) % 10 == 0


def _phones(text: str) -> Iterator[Span]:
    days = dict(hit.span() for hit in _DAY.finditer(text))
    begins = list(days)

    def is_day(start: int, end: int) -> bool:
        before = bisect_right(begins, start)
        return bool(before) and end <= days[begins[before - 1]]

    for hit in _CALLED.finditer(text):
        if not is_day(*hit.span(1)) and not _UNIT.match(text, hit.end()):
            yield Span(*hit.span(1), "phone")
    for hit in _PHONE.finditer(text):
        if not is_day(*hit.span()) and not _UNIT.match(text, hit.end()) and not _are_values(hit[0]):
            yield Span(*hit.span(), "phone")


_SINGLE = re.compile(r"(?<!\d)\d\.\d|\d\.\d(?!\d)")


def _are_values(found: str) -> bool:
    """Whether digits are no telephone number: longer than one is (15 digits, ITU-T E.164), as serial numbers are, or
    with points and spaces, as values are that were measured one after another ("5.02 12.1 3.3")."""
    plain = not found.startswith(("+", "0", "("))
    if plain and sum(map(str.isdigit, found)) > 15:
        return True
    return "." in found and plain and (bool(_SINGLE.search(found)) or any(one.isspace() for one in found))
