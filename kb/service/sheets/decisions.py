"""The names under which decisions about a sheet are kept, and what can be decided of a word.

A decision is a short text: `=name` for an entry of our lists, `!name` for a symptom that is not present,
and the signs below.
"""

from __future__ import annotations

import hashlib

from kb.facts.sheet_words import folded

ADD, LEAVE, NOTES, REFUSE, OPEN, READ = "+", "-", "n", "x", "open", "read"


def word_key(kind: str, word: str) -> str:
    """The decision about one of their words."""
    return f"word|{kind}|{folded(word) or word}"


def column_key(what: str, key: str) -> str:
    """A decision about a whole column, such as the order of day and month."""
    return f"{what}|{key}"


def form_name(key: str) -> str:
    """The same as a short name fit for a form and an address."""
    return "q" + hashlib.blake2b(key.encode(), digest_size=7).hexdigest()
