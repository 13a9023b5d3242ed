"""What the rails of a board say together, once more than one was measured.

Common practice, no published source: one branch off while its neighbours stand points to that branch or its missing
load, all switched rails off together to what they share.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from kb.bench.rail_types import Assessment, RailSpec
from kb.bench.sequence_around import Results
from kb.bench.sequence_powered import output_section
from kb.bench.sequence_types import BenchSequence


@dataclass(frozen=True, slots=True)
class Across:
    """One paragraph on all rails, and the section suspected ("" where none is)."""

    sentence: str
    section: str = ""


def across_rails(sequence: BenchSequence, results: Results) -> Across | None:
    """What the latest running readings say together; None before two switched rails were measured."""
    latest = _latest(sequence, results)
    switched = [spec for spec in sequence.rails if not spec.always_on and not spec.never_loaded]
    read = [(spec, latest[spec.name]) for spec in switched if spec.name in latest]
    if not read or len(switched) > 1 > len(read) - 1:
        return None
    standby = _standby_words(sequence, results)
    off = [(spec, found) for spec, found in read if found.condition in ("pulsing", "absent", "low")]
    if not off:
        return Across(f"All switched rails that were measured stand{standby}.") if len(read) > 1 else None
    loaded = any(found.load != "none" for _, found in off)
    first = _load_first([spec for spec, _ in off])
    if len(off) == len(read) and len(read) > 1:
        return _all_off(off, standby, first, loaded=loaded)
    return _branch_off(off, read, standby, first, loaded=loaded)


def _latest(sequence: BenchSequence, results: Results) -> dict[str, Assessment]:
    found: dict[str, Assessment] = {}
    for step in sequence.steps:
        if step.kind != "rail" or step.quantity != "dc_v" or step.supply != "running":
            continue
        for result in results.get(step.key, ()):
            if result.assessment is not None and result.assessment.judgement != "unknown":
                found[str(step.rail)] = result.assessment
    return found


def _standby_words(sequence: BenchSequence, results: Results) -> str:
    for spec in sequence.rails:
        entered = [
            result.assessment
            for step in sequence.steps
            if spec.role == "standby" and step.rail == spec.name and step.quantity == "dc_v"
            for result in results.get(step.key, ())
            if result.assessment is not None
        ]
        if entered:
            last = entered[-1]
            if last.as_expected:
                return f", and {spec.name} is steady"
            return f", and {spec.name} is {'not proven' if last.judgement == 'unknown' else last.condition} itself"
    return ""


def _load_first(specs: Sequence[RailSpec]) -> tuple[str, ...]:
    """The rails in the order in which a load helps most: the most rated power first."""
    ranked = sorted(specs, key=lambda spec: -abs(spec.nominal_v) * (spec.rated_a or 0.0))
    return tuple(spec.name for spec in ranked)


def _names(names: Sequence[str]) -> str:
    return " and ".join((", ".join(names[:-1]), names[-1])) if len(names) > 1 else names[0]


def _all_off(
    off: Sequence[tuple[RailSpec, Assessment]], standby: str, first: tuple[str, ...], *, loaded: bool
) -> Across:
    names = _names([spec.name for spec, _ in off])
    every = "both" if len(off) == 2 else "all"
    if all(found.condition == "absent" for _, found in off):
        sentence = (
            f"{names} are {every} missing{standby}: what they share comes first, the enable line, the main converter, "
            "or a short on any one of them."
        )
        return Across(sentence, "main converter")
    how = f"{every} cycle" if all(found.condition == "pulsing" for _, found in off) else "are off together"
    if not loaded:
        sentence = (
            f"{names} {how}{standby}: that is the main converter's side, or they want their load. Load "
            f"{_names(first[:2])} first; if it stays, protection and feedback of the main converter, or a common short."
        )
        return Across(sentence)
    sentence = (
        f"{names} {how} under load{standby}: protection, feedback of the main converter, or a common short."
    )
    return Across(sentence, "main converter")


def _branch_off(
    off: Sequence[tuple[RailSpec, Assessment]],
    read: Sequence[tuple[RailSpec, Assessment]],
    standby: str,
    first: tuple[str, ...],
    *,
    loaded: bool,
) -> Across:
    wrong = {spec.name for spec, _ in off}
    right = [spec.name for spec, _ in read if spec.name not in wrong]
    conditions = {"pulsing": "comes and goes", "absent": "is missing", "low": "is low"}
    parts = _names([f"{spec.name} {conditions[found.condition]}" for spec, found in off])
    stand = f" while {_names(right)} stand{'s' if len(right) == 1 else ''}" if right else ""
    section = output_section(off[0][0])
    if not loaded and off[0][1].condition != "absent":
        sentence = (
            f"{parts}{stand}{standby}: that branch, or only its missing load. Load {_names(first[:2])} first."
        )
        return Across(sentence)
    return Across(f"{parts}{stand}{standby}: the converter runs, so it is that branch ({section}).", section)
