"""What a case says of its board, as evidence for a ranking."""

from __future__ import annotations

from kb.model import CaseRecord, EvidenceRecord, TriedFix


def evidence_of(record: CaseRecord) -> EvidenceRecord:
    """Symptoms, readings before the repair, what was tried, and the complaint."""
    return EvidenceRecord(
        family=record.family,
        symptoms=record.symptoms,
        readings=[one for one in record.readings if not one.after_repair],
        attempts=[
            TriedFix(part=one.part, part_class=one.part_class, section=one.section, result=one.result)
            for one in record.attempts
        ],
        text=record.complaint or None,
    )
