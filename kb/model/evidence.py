"""What is known of a board on the bench when causes are asked for."""

from typing import Annotated, Literal, Self

from pydantic import Field, model_validator
from pydantic_core import PydanticCustomError

from kb.model.base import Record
from kb.model.fields import Complaint, Name, Result, Section, Words
from kb.model.records import NotedSymptom, Reading

Order = Literal["likely", "cheapest"]


class TriedFix(Record):
    """A fix that was tried on this very board; named by its part, or by part class and section as far as known."""

    part: Words = ""
    part_class: Words = ""
    section: Section | None = None
    result: Result

    @model_validator(mode="after")
    def _names_something(self) -> Self:
        if not (self.part or self.part_class or self.section):
            raise PydanticCustomError(
                "unnamed", "names neither a part nor a part class nor a section", {"field": "part"}
            )
        return self


class PartCheck(Record):
    """What a check of a part on the unplugged board came to, judged by what that part is on this board.

    It is named by its point or, for an output against its ground, by its rail. `written` is what the meter showed.
    """

    rail: Name | None = None
    point: Name | None = None
    found: Literal["in order", "shorted", "open"]
    written: Words = ""

    @model_validator(mode="after")
    def _says_where(self) -> Self:
        if (self.rail is None) == (self.point is None):
            raise PydanticCustomError("where", "needs either a rail or a test point", {"field": "point"})
        return self


class EvidenceRecord(Record):
    """Symptoms, readings, checks, the complaint of one board and what was tried; everything may be missing.

    `complete` says that nothing else is to be told of it, so that what was not named counts as not there; otherwise
    it counts the more, the more has been named.
    """

    family: Words | None = None
    kind: Words | None = None
    symptoms: Annotated[list[NotedSymptom], Field(max_length=200)] = []
    readings: Annotated[list[Reading], Field(max_length=500)] = []
    checks: Annotated[list[PartCheck], Field(max_length=60)] = []
    attempts: Annotated[list[TriedFix], Field(max_length=200)] = []
    text: Complaint | None = None
    order: Order = "likely"
    complete: bool = False
