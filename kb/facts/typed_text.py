"""What every parser of typed text does first: fold look-alike characters, refuse what cannot be meant."""

from __future__ import annotations

import re
import unicodedata
from typing import NoReturn

from kb.errors import BadInput

MAX_CHARACTERS = 40

_DASHES = dict.fromkeys(map(ord, "\u2010\u2011\u2012\u2013\u2212"), "-")
_DEGREE_LOOKALIKES = {ord("\u00ba"): "\u00b0", ord("\u02da"): "\u00b0"}
_OUTER_SPACE = " \t\r\n\u00a0"
# Folding these would change the number: 10² must not become 102, nor ½ become 1 2.
_UNSAFE_FOLDS = ("<super>", "<sub>", "<fraction>", "<circle>")


def shown(text: str) -> str:
    """`text` as it may be quoted in a sentence: at most 40 characters, no control characters."""
    printable = "".join("\ufffd" if unicodedata.category(char).startswith("C") else char for char in text)
    return printable if len(printable) <= MAX_CHARACTERS else printable[: MAX_CHARACTERS - 1] + "…"


def refuse(text: str, field: str, why: str, remedy: str, *, error: type[BadInput] = BadInput) -> NoReturn:
    """Raise `error` with one sentence that names the field, quotes what was typed and says what is wrong."""
    raise error(f"{field}: “{shown(text)}” {why}.", field=field, remedy=remedy)


def clean(text: str, field: str, *, limit: int = MAX_CHARACTERS, remedy: str = "Write a value.") -> str:
    """Typed text with Unicode look-alikes folded (NFKC), outer space removed and dashes made `-`.

    Micro signs become U+03BC and ohm signs U+03A9. Raises BadInput for empty text, text of more than
    `limit` characters, control or invisible characters, and signs such as ² or ½ whose folding
    would change the number.
    """
    if len(text) > limit:
        refuse(text, field, f"is longer than {limit} characters", remedy)
    trimmed = text.strip(_OUTER_SPACE)
    if not trimmed:
        raise BadInput(f"{field}: nothing was written.", field=field, remedy=remedy)
    trimmed = trimmed.translate(_DEGREE_LOOKALIKES)
    for char in trimmed:
        if unicodedata.category(char).startswith("C"):
            refuse(text, field, "holds an invisible or control character", "Type it again by hand.")
        if unicodedata.decomposition(char).startswith(_UNSAFE_FOLDS):
            refuse(text, field, f"holds the sign {char}", "Write plain digits and letters.")
    folded = unicodedata.normalize("NFKC", trimmed).translate(_DASHES)
    return re.sub(r"\s+", " ", folded).strip()
