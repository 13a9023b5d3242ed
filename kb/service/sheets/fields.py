"""What a column of a sheet can be."""

from __future__ import annotations

from dataclasses import dataclass

LEFT_OUT, TO_NOTES = "", "notes_as"


@dataclass(frozen=True, slots=True)
class Field:
    """One thing a column can hold; `once` where only one column may hold it."""

    value: str
    label: str
    group: str
    once: bool = False


FIELDS: tuple[Field, ...] = (
    Field("family", "Board number (family)", "The board", True),
    Field("alias", "Other number of the board", "The board"),
    Field("revision", "Revision", "The board", True),
    Field("brand", "Brand of the device", "The board", True),
    Field("device", "Kind of device", "The board", True),
    Field("year_made", "Year the device was made", "The board", True),
    Field("serial", "Serial number", "The board", True),
    Field("uid", "Own case or job number", "The job", True),
    Field("received", "Day received", "The job", True),
    Field("closed", "Day closed", "The job", True),
    Field("customer", "Customer", "The job", True),
    Field("worker", "Who works on it", "The job", True),
    Field("waiting_for", "Waits for", "The job", True),
    Field("verdict", "Verdict: what came of it", "The job", True),
    Field("notes", "Notes", "The job"),
    Field("complaint", "Complaint", "What was wrong"),
    Field("symptoms", "Symptoms, several in a cell", "What was wrong"),
    Field("symptom", "One symptom: the heading names it, the cells say yes or no", "What was wrong"),
    Field("readings", "Readings such as 5VSB 4.7 V", "What was measured"),
    Field("rail", "Readings of one rail: the heading names it", "What was measured"),
    Field("work", "What was done, in free words: parts, readings, results", "What was tried"),
    Field("part", "Part", "What was tried"),
    Field("part_class", "Kind of part", "What was tried"),
    Field("section", "Section of the board", "What was tried"),
    Field("failure", "What was wrong with the part", "What was tried"),
    Field("action", "What was done", "What was tried"),
    Field("result", "Whether it helped", "What was tried"),
    Field("cost", "Cost", "What was tried"),
    Field("minutes", "Time spent", "What was tried"),
    Field("follow_up_date", "Day of the follow-up", "Afterwards"),
    Field("follow_up_state", "Whether it still works", "Afterwards"),
    Field("follow_up_note", "Note of the follow-up", "Afterwards"),
)
BY_VALUE = {field.value: field for field in FIELDS}

DEVICE = ("brand", "device", "year_made", "serial")
DAYS = ("received", "closed", "follow_up_date")
ATTEMPT = ("part", "part_class", "section", "failure", "action", "result", "cost", "minutes")
FOLLOW_UP = ("follow_up_date", "follow_up_state", "follow_up_note")
