"""Numbers as spreadsheets hold them: which sign marks the decimals, said only where the number shows it."""

from __future__ import annotations

import re
import unicodedata
from typing import Literal

from kb.errors import BadInput
from kb.facts.typed_entries import parse_money
from kb.facts.typed_text import clean, refuse

Mark = Literal["point", "comma", "none", "doubtful", "bad"]

_SIGNS = {"point": ".", "comma": ","}
_BODY = re.compile(r"[+-]?[0-9][0-9.,' ]*|[+-]?[.,][0-9]+")
_SPACED = re.compile(r"[+-]?[0-9]{1,3}(?:[ '][0-9]{3})+(?:[.,][0-9]+)?")
_CURRENCY_WORD = re.compile(r"(?i:eur|euros?|usd|gbp|chf|sfr|fr\.?|dkk|sek|nok|kr\.?)")
_LEADING = re.compile(r"([+-]?[0-9][0-9.,']*|[+-]?[.,][0-9]+)(.*)", re.DOTALL)


def _ungrouped(text: str) -> str:
    """The digits without spaces and apostrophes between them, where these group by thousands."""
    return re.sub("[ ']", "", text) if _SPACED.fullmatch(text) else text


def decimal_mark(text: str) -> Mark:
    """Which sign marks the decimals of a plain number.

    "none" for a whole number without any sign, "doubtful" for `1.234` and `1,234`, which may be 1234 as
    well, "bad" for what is no number. `1.234,5` and `1.234.567` show that the comma marks the decimals.
    """
    body = _ungrouped(text.strip().replace("\u00a0", " ").replace("\u202f", " ").replace("’", "'"))
    if not _BODY.fullmatch(body) or " " in body or "'" in body:
        return "bad"
    digits = body.lstrip("+-")
    points, commas = digits.count("."), digits.count(",")
    if not points and not commas:
        return "none"
    if points and commas:
        mark: Mark = "comma" if digits.rindex(",") > digits.rindex(".") else "point"
        return mark if _grouped_rightly(digits, mark) else "bad"
    used: Mark = "point" if points else "comma"
    if points + commas > 1:
        other: Mark = "comma" if used == "point" else "point"
        return other if _grouped_rightly(digits, other) else "bad"
    whole, _, fraction = digits.partition(_SIGNS[used])
    if len(fraction) == 3 and 1 <= len(whole) <= 3 and whole.strip("0"):
        return "doubtful"
    return used if fraction else "bad"


def _grouped_rightly(digits: str, mark: Mark) -> bool:
    group = "." if mark == "comma" else ","
    found = rf"[0-9]{{1,3}}(?:\{group}[0-9]{{3}})+(?:\{_SIGNS[mark]}[0-9]+)?"
    return re.fullmatch(found, digits) is not None


def plain_number(text: str, mark: str, *, field: str) -> str:
    """The number with a point for its decimals and nothing between its thousands, such as "-1234.5".

    `mark` says which sign marks the decimals of the doubtful ones: "point", "comma" or "" where nobody
    said. Raises BadInput for what is no number, what is in doubt and what contradicts `mark`.
    """
    cleaned = clean(text, field, remedy="Write one number.").replace("’", "'")
    own = decimal_mark(cleaned)
    if own == "bad":
        refuse(text, field, "is not a number", "Write one plain number.")
    if own == "doubtful":
        if mark not in _SIGNS:
            refuse(text, field, "is ambiguous: does the sign mark decimals or thousands?", "Say which.")
        own = "point" if mark == "point" else "comma"
    elif mark in _SIGNS and own in _SIGNS and own != mark:
        why = f"marks its decimals by a {own}, the others by a {mark}"
        refuse(text, field, why, "Write it as the others.")
    body = _ungrouped(cleaned)
    if own in _SIGNS:
        body = body.replace("," if own == "point" else ".", "").replace(_SIGNS[own], ".")
    return body.removeprefix("+")


def without_currency(text: str) -> str:
    """An amount without the currency sign or word beside it, and without the dash of `12,-`."""
    bare = text.strip().replace("\u00a0", " ").replace("\u202f", " ")
    if found := re.fullmatch(r"(.*[0-9])[.,](?:-|–|—){1,2}(.*)", bare, re.DOTALL):
        bare = f"{found[1]}{found[2]}"
    for end in (0, -1):
        if bare and unicodedata.category(bare[end]) == "Sc":
            return (bare[1:] if end == 0 else bare[:-1]).strip()
    bare = re.sub(rf"^{_CURRENCY_WORD.pattern}(?=[ 0-9])", "", bare)
    return re.sub(rf"(?<=[ 0-9]){_CURRENCY_WORD.pattern}$", "", bare).strip()


def amount_cents(text: str, mark: str, *, field: str) -> int:
    """Hundredths of an amount of money, its doubtful sign settled by `mark`. Raises BadInput."""
    bare = without_currency(text)
    if not bare:
        refuse(text, field, "is not an amount of money", "Write an amount such as 12 or 1.20.")
    plain = plain_number(bare, mark, field=field)
    # A whole number computed by a spreadsheet may carry zeros that say nothing: 12.5000.
    whole, point, fraction = plain.partition(".")
    if point and len(fraction) > 2:
        plain = f"{whole}.{fraction[:2]}{fraction[2:].rstrip('0')}"
    return parse_money(plain, field=field)


def leading_number(text: str) -> tuple[str, str] | None:
    """(number, what follows it) of `2,200 µF`, None where the text begins with none."""
    found = _LEADING.fullmatch(text.strip().replace("\u00a0", " "))
    return (found[1], found[2]) if found else None


def with_plain_number(text: str, mark: str, *, field: str) -> str:
    """A quantity such as `1.234,5 V` with its number made plain, where it has a doubtful or grouped one.

    Texts such as `4V7`, whose sign is no point or comma, come back as they are. Raises BadInput.
    """
    split = leading_number(text)
    if split is None:
        return text
    number, rest = split
    if rest[:1].isalpha() and re.match(r"[A-Za-zµμΩ][0-9]", rest):
        return text
    if decimal_mark(number) == "bad":
        raise BadInput(
            f"{field}: “{text[:40]}” is not one plain number.", field=field, remedy="Write one number."
        )
    return plain_number(number, mark, field=field) + rest
