"""What a text says."""

from typing import Annotated, Any

from fastapi import APIRouter
from pydantic import AfterValidator, BaseModel, Field

from kb.model.base import Record
from kb.model.fields import Words
from kb.service.diagnose import case_texts
from kb.service.diagnose.case_texts import Read, Span
from kb.web.dependencies import ShopHere

router = APIRouter()


def _without_nul(text: str) -> str:
    return text.replace("\x00", " ")


class ReadBody(Record):
    """A text of at most 10,000 characters, and the board family it is about."""

    text: Annotated[str, Field(max_length=case_texts.LONGEST_TEXT), AfterValidator(_without_nul)]
    family: Words | None = None


class MarkOut(BaseModel):
    """`words` are the characters `start` to before `end` of the text."""

    words: str
    start: int
    end: int


class ReadSymptomOut(MarkOut):
    name: str
    present: bool


class ReadReadingOut(MarkOut):
    """Volts, ohms, farads, amperes, hertz, degrees Celsius; supply and load are null where nothing says them."""

    rail: str | None
    point: str | None
    quantity: str
    supply: str | None
    load: str | None
    value: float | None
    min: float | None
    max: float | None
    after_repair: bool


class ReadAttemptOut(MarkOut):
    """`cause` is true for what failed first, false for what followed, null where that is not plain."""

    part: str | None
    part_class: str | None
    section: str | None
    failure: str | None
    action: str | None
    result: str | None
    cause: bool | None


class ReadWordOut(MarkOut):
    value: str


class ReadOut(BaseModel):
    """Everything that was read, and in `left` what could not be placed. `marks` say what said what.

    `proposed` are symptoms that were read in a way that is too often wrong, for a person to decide on. Their
    words are in `left`.

    `verdict_mark`, `minutes_mark` and `cost_mark` are the places of these three.
    """

    symptoms: list[ReadSymptomOut]
    proposed: list[ReadSymptomOut]
    readings: list[ReadReadingOut]
    attempts: list[ReadAttemptOut]
    verdict: str | None
    minutes: float | None
    cost: float | None
    dates: list[ReadWordOut]
    left: list[str]
    verdict_mark: MarkOut | None
    minutes_mark: MarkOut | None
    cost_mark: MarkOut | None
    left_marks: list[MarkOut]


def _mark(span: Span | None) -> dict[str, Any] | None:
    return None if span is None else {"words": span.words, "start": span.start, "end": span.end}


def _fields(span: Span, model: type[BaseModel]) -> dict[str, Any]:
    return {name: getattr(span, name) for name in model.model_fields}


def as_answer(found: Read) -> dict[str, Any]:
    """What was read, as the API returns it."""
    return {
        "symptoms": [_fields(one, ReadSymptomOut) for one in found.symptoms],
        "proposed": [_fields(one, ReadSymptomOut) for one in found.proposed],
        "readings": [_fields(one, ReadReadingOut) for one in found.readings],
        "attempts": [_fields(one, ReadAttemptOut) for one in found.attempts],
        "verdict": found.verdict.value if found.verdict else None,
        "minutes": found.minutes.value if found.minutes else None,
        "cost": found.cost.value if found.cost else None,
        "dates": [_fields(one, ReadWordOut) for one in found.dates],
        "left": [one.words for one in found.left],
        "verdict_mark": _mark(found.verdict),
        "minutes_mark": _mark(found.minutes),
        "cost_mark": _mark(found.cost),
        "left_marks": [_mark(one) for one in found.left],
    }


@router.post("/read", response_model=ReadOut)
def read_text(shop: ShopHere, asked: ReadBody) -> dict[str, Any]:
    """Symptoms, readings, fixes, verdict, time and money that a text states, in any of six languages.

    Nothing is kept. With a family its rails and what its parts were in earlier cases are known; without one
    usual names of supplies are.
    """
    return as_answer(case_texts.read_text(shop, asked.text, asked.family))
