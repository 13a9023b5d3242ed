"""What is known of a board on the bench when causes are asked for."""

from typing import Annotated, Literal

from pydantic import Field

from kb.model.fields import Complaint, Words
from kb.model.records import NotedSymptom, Reading, Record

Order = Literal["likely", "cheapest"]


class EvidenceRecord(Record):
    """Symptoms, readings and the complaint of one board; everything may be missing."""

    family: Words | None = None
    kind: Words | None = None
    symptoms: Annotated[list[NotedSymptom], Field(max_length=200)] = []
    readings: Annotated[list[Reading], Field(max_length=500)] = []
    text: Complaint | None = None
    order: Order = "likely"
