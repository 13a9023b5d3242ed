"""A line that says what was tried on a board: "C9, electrolytic capacitor, no change", or in plain words."""

from __future__ import annotations

from dataclasses import dataclass

from kb.errors import BadInput
from kb.facts.designators import is_designator, normalise_designator
from kb.facts.vocabulary import RESULTS, SECTIONS, values
from kb.model import Attempt, FamilyRecord
from kb.service.boards import vocabulary
from kb.service.diagnose import case_facts
from kb.service.shop.shop import Shop

__all__ = ["read_tried", "tried_line"]

_SECTIONS = {name.casefold(): name for name in values(SECTIONS)}
_RESULTS = {name.casefold(): name for name in values(RESULTS)}
_FAILED = "no change"
LONGEST_LINE = 200


def tried_line(part: str, part_class: str, section: str, result: str = _FAILED) -> str:
    """The line that `read_tried` reads as just this."""
    return ", ".join(word for word in (part, part_class, section, result) if word)


def read_tried(shop: Shop, line: str, family: FamilyRecord | None) -> list[Attempt]:
    """The fixes that a line names; where it does not say what came of them, nothing changed.

    Raises BadInput where it names neither a part nor a section.
    """
    if len(line) > LONGEST_LINE:
        raise BadInput(
            "The line is longer than 200 characters.", field="tried", remedy="Write a line for each fix."
        )
    listed = _listed(shop, line)
    if listed is not None:
        return [listed]
    found = [fact.value for fact in case_facts.read_words(shop, line, family).facts]
    tried = [one for one in found if isinstance(one, Attempt)]
    if not tried:
        raise BadInput(
            f"“{line}” names no part that was changed.",
            field="tried",
            remedy="Write the part and what came of it: changed C9, no change.",
        )
    return [
        one.model_copy(update={"result": _FAILED} if one.result == "not known yet" else {}) for one in tried
    ]


@dataclass(slots=True)
class _Parts:
    part: str = ""
    part_class: str = ""
    section: str = ""
    result: str = ""


def _listed(shop: Shop, line: str) -> Attempt | None:
    """The line as words of the lists divided by commas, None where it is not that."""
    classes = {
        word.casefold(): one.name
        for one in vocabulary.part_classes(shop)
        for word in (*one.synonyms, one.name)
    }
    tables: tuple[tuple[str, dict[str, str]], ...] = (
        ("result", _RESULTS),
        ("section", _SECTIONS),
        ("part_class", classes),
    )
    found = _Parts()
    for piece in (one.strip() for one in line.split(",")):
        name, value = next(
            ((name, table[piece.casefold()]) for name, table in tables if piece.casefold() in table), ("", "")
        )
        if not name and is_designator(piece):
            name, value = "part", normalise_designator(piece)
        if not name or getattr(found, name):
            return None
        setattr(found, name, value)
    if not (found.part_class or found.section):
        return None  # a part alone is looked up by the reader
    return Attempt.model_validate(
        {
            "part": found.part,
            "part_class": found.part_class or "other",
            "section": found.section or "other",
            "result": found.result or _FAILED,
        }
    )
