"""Complaints read for symptoms: a sample to look at before anything is kept."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass

from kb.service.sheets.known import Known
from kb.service.sheets.state import Sheet
from kb.service.sheets.survey import Column

_SAMPLE = 20
_READ = 2_000


@dataclass(frozen=True, slots=True)
class Sample:
    """One complaint and the symptoms found in it, as (name, present)."""

    text: str
    symptoms: tuple[tuple[str, bool], ...]


@dataclass(frozen=True, slots=True)
class Texts:
    """The sample, and each symptom with the number of `rows` it was found in."""

    samples: tuple[Sample, ...]
    counts: tuple[tuple[str, int], ...]
    rows: int
    with_any: int
    whole: bool


def read(sheet: Sheet, columns: list[Column], known: Known) -> Texts:
    """What the complaints of a sheet say; at most the first 2,000 different ones are read."""
    texts: Counter[str] = Counter()
    whole = True
    for place, _, _ in sheet.columns_of("complaint"):
        texts.update(columns[place].texts)
        whole = whole and not columns[place].capped
    read_texts = list(texts.items())[:_READ]
    counts: Counter[str] = Counter()
    rows = with_any = 0
    samples: list[Sample] = []
    shown: Counter[str] = Counter()
    for text, number in read_texts:
        found = known.symptoms_in(text)
        rows += number
        with_any += number if found else 0
        counts.update({name: number for name, _ in found})
        # A sample of few kinds tells little: each symptom is shown at most three times.
        names = [name for name, _ in found] or [""]
        if len(samples) < _SAMPLE and any(shown[name] < 3 for name in names):
            shown.update(names)
            samples.append(Sample(text if len(text) <= 300 else text[:299] + "…", found))
    return Texts(
        tuple(samples), tuple(counts.most_common()), rows, with_any, whole and len(read_texts) == len(texts)
    )
