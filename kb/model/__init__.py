"""The records as outside tools see them: what a store keeps and the exchange format carries."""

from kb.model.evidence import EvidenceRecord, PartCheck, TriedFix
from kb.model.marks import FileWords, Mark
from kb.model.pictures import PictureRecord, Pin
from kb.model.problems import Problem, by_field, explain, printable, problems
from kb.model.records import (
    Attempt,
    CaseRecord,
    Connector,
    Enable,
    FamilyRecord,
    FollowUp,
    LoadRecord,
    NotedSymptom,
    OriginRecord,
    PartClassRecord,
    Rail,
    Reading,
    Record,
    SymptomRecord,
    as_dict,
    label_of,
)

RECORD_TYPES: dict[str, type[Record]] = {
    "origin": OriginRecord,
    "symptom": SymptomRecord,
    "part_class": PartClassRecord,
    "load": LoadRecord,
    "family": FamilyRecord,
    "picture": PictureRecord,
    "case": CaseRecord,
}

__all__ = [
    "RECORD_TYPES",
    "Attempt",
    "CaseRecord",
    "Connector",
    "Enable",
    "EvidenceRecord",
    "FamilyRecord",
    "FileWords",
    "FollowUp",
    "LoadRecord",
    "Mark",
    "NotedSymptom",
    "OriginRecord",
    "PartCheck",
    "PartClassRecord",
    "PictureRecord",
    "Pin",
    "Problem",
    "Rail",
    "Reading",
    "Record",
    "SymptomRecord",
    "TriedFix",
    "as_dict",
    "by_field",
    "explain",
    "label_of",
    "printable",
    "problems",
]
