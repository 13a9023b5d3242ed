"""Which of the ways in which a sound was heard is meant on the page.

Only what was heard is chosen from, nothing is put in its place, and everything is read back before it counts.
"""

from __future__ import annotations

from collections.abc import Sequence

from kb.speech.dialogue import doubts
from kb.speech.language import Language
from kb.speech.meaning import Heard, meaning_of
from kb.speech.pages import Page
from kb.speech.recogniser import Recognised

# In the natural logarithm of the path's likelihood, as the recogniser counts it. Found on the development half.
_FIT_OF_A_DOUBT = 50.0
_DOUBTS_OF_NOTHING = 3


def likeliest(
    found: Sequence[Recognised], page: Page, language: Language
) -> tuple[Heard | None, tuple[str, ...]]:
    """The meaning and the words that fit the sound best, less what is doubtful about them on this page."""
    best: tuple[float, Heard | None, tuple[str, ...]] = (float("-inf"), None, ())
    for one in found:
        heard = meaning_of(one.words, page, language)
        against = _DOUBTS_OF_NOTHING if heard is None else doubts(page, heard)
        score = one.fit - _FIT_OF_A_DOUBT * against
        if one.words and score > best[0]:
            best = (score, heard, one.words)
    return best[1], best[2]
