"""How well texts are read: precision and recall for each kind of fact and each language.

`python tests/reading/judge.py` reads the notes of `tests/reading/judged`, which were written and labelled
by people who did not see the reader. `notes_*.toml` and, once they had been measured, `fresh_*.toml` were tuned on;
`events_*.toml` and `voices_*.toml` were written by those who work on the reader, and labelled before it was changed
for them, every third of the `voices_*` and of `bench_en.toml` held out;
`unseen_*.toml` came last and are held out: of these only figures are printed, never texts. `--show en` lists the
misses among those tuned on, `--tuned-on` leaves the others out.

A symptom named under `also_symptoms` is neither asked for nor wrong. A reading is right where rail or point,
quantity and value (or minimum and maximum) are; supply, load and "after the repair" are counted apart.
"""

from __future__ import annotations

import argparse
import tomllib
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from kb.facts.designators import normalise_designator, rail_key
from kb.facts.rail_names import obvious_rail
from kb.reading import Known, KnownRail, Read, ReadAttempt, ReadReading, read

NOTES = Path(__file__).parent / "judged"
PARTS = {
    "tuned on": ("notes", "fresh"),
    "developed with": ("events",),
    "voices": ("voices",),
    "voices held out": ("voices",),
    "bench": ("bench",),
    "bench held out": ("bench",),
    "harbour": ("harbour",),
    "jetty": ("jetty",),
    "unseen": ("unseen",),
    "strangers": ("strangers",),
    "visitors": ("visitors",),
    "callers": ("callers",),
}
LANGUAGES = ("en", "de", "fr", "nl", "es", "it")
STANDARD = Known(
    rails=(
        KnownRail("5VSB", "standby", 5.0, True),
        KnownRail("12V", "intermediate", 12.0),
        KnownRail("24V", "backlight", 24.0),
        KnownRail("3V3", "logic", 3.3),
        KnownRail("BULK", "bulk", 325.0),
        KnownRail("VCC", "controller supply", 15.0),
    )
)
# Names that came into the list after the notes were labelled, by the names that they were labelled with.
LATER_NAMES = {"more than one output missing": "all outputs missing"}
NOT_JUDGED = frozenset(("relay clicks once", "does not boot", "freezes", "one channel silent"))


@dataclass
class Score:
    """Right, wrong and missed of one kind of fact."""

    right: int = 0
    wrong: int = 0
    missed: int = 0

    @property
    def precision(self) -> float:
        return self.right / (self.right + self.wrong) if self.right + self.wrong else 1.0

    @property
    def recall(self) -> float:
        return self.right / (self.right + self.missed) if self.right + self.missed else 1.0


@dataclass
class Tally:
    """The scores of a set of notes, and sentences that say what was missed."""

    scores: dict[str, Score] = field(default_factory=dict)
    misses: list[str] = field(default_factory=list)

    def add(self, kind: str, right: int = 0, wrong: int = 0, missed: int = 0) -> None:
        score = self.scores.setdefault(kind, Score())
        score.right += right
        score.wrong += wrong
        score.missed += missed


def notes(language: str, part: str) -> Iterator[tuple[dict[str, Any], bool]]:
    """The labelled notes of one language, of one of `PARTS`, each with whether all names could be labelled."""
    for written in PARTS[part]:
        file = NOTES / f"{written}_{language}.toml"
        if file.exists():
            for note in tomllib.loads(file.read_text("utf-8")).get("note", []):
                if written in ("voices", "bench") and note.get("held_out", False) != part.endswith(
                    "held out"
                ):
                    continue
                yield note, written != "notes"


def judge(note: dict[str, Any], tally: Tally, later_names: bool = False) -> Read:
    """Reads one note and counts what is right and wrong in it.

    `later_names`: it was labelled when the list had all its names.
    """
    found = read(note["text"], STANDARD if note.get("family") else Known())
    before = len(tally.misses)
    kinds = note.get("judged", ("symptoms", "readings", "attempts", "single"))
    if "symptoms" in kinds:
        _symptoms(note, found, tally, later_names)
    if "readings" in kinds:
        _readings(note, found, tally)
    if "attempts" in kinds:
        _attempts(note, found, tally)
    if "single" in kinds:
        _single(note, found, tally)
    if len(tally.misses) > before:
        tally.misses.insert(before, f"— {note['text']}")
    return found


def _symptoms(note: dict[str, Any], found: Read, tally: Tally, later_names: bool) -> None:
    def signed(name: str, present: bool) -> str:
        return ("" if present else "!") + (name if later_names else LATER_NAMES.get(name, name))

    wanted = set(note.get("symptoms", []))
    allowed = wanted | set(note.get("also_symptoms", []))
    got = {
        signed(one.name, one.present) for one in found.symptoms if later_names or one.name not in NOT_JUDGED
    }
    missed, wrong = wanted - got, got - allowed
    tally.add("symptoms", len(wanted & got), len(wrong), len(missed))
    tally.misses += [f"   symptom missed: {name}" for name in sorted(missed)]
    tally.misses += [f"   symptom wrong: {name}" for name in sorted(wrong)]


def same_place(wanted: dict[str, Any], got: ReadReading) -> bool:
    """Whether both name the same supply or the same point."""
    if rail := wanted.get("rail"):
        name = got.rail
        if name is None:
            return False
        if rail_key(rail) == rail_key(name):
            return True
        one, other = obvious_rail(rail), obvious_rail(name)
        return one is not None and other is not None and one.role == other.role
    point = str(wanted.get("point", "")).split(" ")[0]
    return got.point is not None and normalise_designator(point) == normalise_designator(got.point)


def _number(wanted: float | None, got: float | None) -> bool:
    if wanted is None or got is None:
        return wanted is None and got is None
    return abs(wanted - got) <= 1e-6 + 1e-4 * abs(wanted)


def _numbers(wanted: dict[str, Any], got: ReadReading) -> bool:
    if "min" in wanted and "max" not in wanted and "value" not in wanted and got.min is None:
        return _number(wanted["min"], got.value)
    return all(_number(wanted.get(name), getattr(got, name)) for name in ("value", "min", "max"))


def _readings(note: dict[str, Any], found: Read, tally: Tally) -> None:
    left = list(found.readings)
    for wanted in note.get("readings", []):
        match = next(
            (
                got
                for got in left
                if same_place(wanted, got)
                and wanted.get("quantity", "dc_v") == got.quantity
                and _numbers(wanted, got)
            ),
            None,
        )
        if match is None:
            tally.add("readings", missed=1)
            tally.misses.append(f"   reading missed: {wanted}")
            continue
        left.remove(match)
        tally.add("readings", right=1)
        for name in ("supply", "load"):
            if name in wanted:
                ok = getattr(match, name) == wanted[name]
                tally.add(f"reading's {name}", int(ok), int(not ok), int(not ok))
        after = bool(wanted.get("after_repair"))
        ok = after == match.after_repair
        tally.add("after repair", int(ok), int(not ok), int(not ok))
        if after != match.after_repair:
            tally.misses.append(f"   after repair should be {after}: {match.words}")
    tally.add("readings", wrong=len(left))
    tally.misses += [
        f"   reading wrong: {got.rail or got.point} {got.quantity} {got.value} {got.min} {got.max} “{got.words}”"
        for got in left
    ]


def _alike(wanted: dict[str, Any], got: ReadAttempt) -> int:
    if wanted.get("part"):
        first = str(wanted["part"]).split(" ")[0]
        return 10 if got.part == normalise_designator(first) else 0
    if not wanted.get("part_class") and not got.part and not got.part_class:
        return 5 if wanted.get("action") == got.action else 0
    if got.part and wanted.get("part_class") != got.part_class:
        return 0
    return 5 if wanted.get("part_class") and wanted.get("part_class") == got.part_class else 0


def _attempts(note: dict[str, Any], found: Read, tally: Tally) -> None:
    left = list(found.attempts)
    for wanted in note.get("attempts", []):
        best = max(left, key=lambda got: _alike(wanted, got), default=None)
        if best is None or not _alike(wanted, best):
            tally.add("attempts", missed=1)
            tally.misses.append(f"   attempt missed: {wanted}")
            for name in ("part_class", "section", "result"):
                if wanted.get(name) not in (None, "not known yet"):
                    tally.add(name, missed=1)
            continue
        left.remove(best)
        tally.add("attempts", right=1)
        for name in ("part_class", "section", "failure", "action", "result", "cause"):
            if name not in wanted:
                if name == "result" and best.result == "cured":
                    tally.add("result", wrong=1)
                    tally.misses.append(f"   {best.part or best.part_class}: no result is said, read cured")
                continue
            got = getattr(best, name)
            if wanted[name] == "not known yet" and got is None:
                got = "not known yet"
            ok = got == wanted[name]
            tally.add(name, int(ok), int(not ok and got is not None), int(not ok))
            if not ok:
                tally.misses.append(
                    f"   {best.part or best.part_class}: {name} is {wanted[name]}, read {got}"
                )
    tally.add("attempts", wrong=len(left))
    tally.misses += [
        f"   attempt wrong: {got.part} {got.part_class} {got.failure} {got.action} “{got.words}”"
        for got in left
    ]


def _single(note: dict[str, Any], found: Read, tally: Tally) -> None:
    for name, got in (
        ("verdict", found.verdict.value if found.verdict else None),
        ("minutes", found.minutes.value if found.minutes else None),
        ("cost", found.cost.value if found.cost else None),
    ):
        wanted = note.get(name)
        if wanted is None and name == "verdict" and got == "repaired":
            continue  # a cured fix says as much
        ok = (wanted == got) if isinstance(wanted, str) or wanted is None else _number(wanted, got)  # type: ignore[arg-type]
        if wanted is not None or got is not None:
            tally.add(name, int(ok), int(not ok and got is not None), int(not ok and wanted is not None))
            if not ok:
                tally.misses.append(f"   {name} is {wanted}, read {got}")


def tally_of(language: str, part: str) -> Tally:
    """The scores of one language's notes."""
    tally = Tally()
    for note, later_names in notes(language, part):
        judge(note, tally, later_names)
    return tally


def table(part: str, languages: tuple[str, ...] = LANGUAGES) -> str:
    """Precision / recall of every kind of fact, a line each, a column for each language."""
    tallies = {language: tally_of(language, part) for language in languages}
    kinds = list(Counter(kind for tally in tallies.values() for kind in tally.scores))
    lines = ["| kind of fact | " + " | ".join(languages) + " | all |", "|---" * (len(languages) + 2) + "|"]
    for kind in kinds:
        cells = []
        total = Score()
        for tally in tallies.values():
            score = tally.scores.get(kind, Score())
            total = Score(total.right + score.right, total.wrong + score.wrong, total.missed + score.missed)
            cells.append(_cell(score))
        lines.append(f"| {kind} | " + " | ".join([*cells, _cell(total)]) + " |")
    return "\n".join(lines)


def _cell(score: Score) -> str:
    asked = score.right + score.missed
    return f"{score.precision:.2f} / {score.recall:.2f} ({asked})" if asked or score.wrong else "–"


def main() -> None:
    arguments = argparse.ArgumentParser(description="Judge the reader on labelled notes.")
    arguments.add_argument(
        "--show", choices=LANGUAGES, help="list what was missed in this language among the notes tuned on"
    )
    arguments.add_argument("--tuned-on", action="store_true", help="only the notes tuned on")
    asked = arguments.parse_args()
    if asked.show:
        for part in ("tuned on", "developed with", "voices", "bench"):
            print("\n".join(tally_of(asked.show, part).misses))
        return
    for part in PARTS:
        if asked.tuned_on and (part.endswith("held out") or part == "unseen"):
            continue
        print(part.capitalize())
        print(table(part))


if __name__ == "__main__":
    main()
