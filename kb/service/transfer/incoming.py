"""What another shop shares, as an import reads it: whose it is, what it is called here, what stays ours.

A shared file fills gaps and changes nothing that is there: families are matched by any number they are
known by, symptoms and part classes by name or synonym, and where both shops describe a family differently
ours stays and the difference is reported. A case belongs to the shop that recorded it; the same case from
two files is one case, in the version of that shop's newest export.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date
from typing import Any

from sqlmodel import Session

from kb.errors import BadInput
from kb.facts.designators import code_key, rail_key
from kb.model import (
    CaseRecord,
    FamilyRecord,
    LineRecord,
    NotedSymptom,
    OriginRecord,
    PartClassRecord,
    PictureRecord,
    Rail,
    SymptomRecord,
)
from kb.store.records import families, origins, pictures
from kb.store.records.kinds import KINDS
from kb.store.records.lists import Names

_MOST_DIFFERENCES = 200
_RAIL_FACTS = (
    ("role", "role"),
    ("nominal_v", "nominal volts"),
    ("tolerance_pct", "tolerance"),
    ("rated_a", "rated current"),
    ("ripple_mv", "ripple limit"),
    ("always_on", "always on"),
)


def public_id(identity: str) -> str:
    """The id by which other shops know this store's cases: derived from its identity and not telling it."""
    return hashlib.blake2b(identity.encode(), digest_size=16, person=b"kb origin").hexdigest()


@dataclass(slots=True)
class Incoming:
    """The shops that one import names.

    `ours` counts cases of this shop that came back and were left alone, `kept` those of others of which the
    store has a newer version, or has it in the bin.
    """

    session: Session
    own_id: str
    sharing: OriginRecord | None = None
    ours: int = 0
    kept: int = 0
    differences: list[str] = field(default_factory=list)
    _met: dict[str, date] = field(default_factory=dict)
    _before: dict[str, date] = field(default_factory=dict)
    _withdrawn: set[str] = field(default_factory=set)
    _families: dict[str, str] = field(default_factory=dict)
    _words: dict[tuple[str, str], str] = field(default_factory=dict)

    def __post_init__(self) -> None:
        known = origins.listed(self.session)
        self._before = {one.id: one.exported for one in known}
        self._withdrawn = {one.id for one in known if one.withdrawn_at}

    @property
    def matters(self) -> bool:
        """Whether any case of another shop is in the store or may be in the file."""
        return bool(self._before or self._met)

    def meet(self, record: OriginRecord, *, first: bool) -> None:
        """Takes a shop's line. Raises BadInput for a withdrawn shop and for a line in the wrong place."""
        if record.id in self._withdrawn:
            raise BadInput(
                f"The cases of {record.name} were withdrawn here.",
                field="id",
                remedy="Allow the shop again on the page of other shops, then bring the file in.",
            )
        if record.sharing:
            if not first:
                raise BadInput(
                    "A shop's own line comes later than the first of the file.",
                    field="sharing",
                    remedy="Bring files of several shops in one by one.",
                )
            self.sharing = record
        self._met[record.id] = record.date
        if record.id != self.own_id:
            origins.save(self.session, record)

    def belongs(self, record: CaseRecord) -> CaseRecord:
        """The case under its shop's id. Raises BadInput where the file does not say which shop that is."""
        if self.sharing is not None:
            if record.origin not in ("", self.sharing.id):
                raise BadInput(
                    "The case is from another shop than the file.",
                    field="origin",
                    remedy=f"Leave it out; the file is what {self.sharing.name} shares.",
                )
            record = self._renamed(record.model_copy(update={"origin": self.sharing.id}))
        if record.origin and record.origin not in self._met and record.origin not in self._before:
            raise BadInput(
                "The case is from a shop that no line of the file names.",
                field="origin",
                remedy="Put the line of the shop before its cases.",
            )
        if record.origin in self._withdrawn:
            raise BadInput(
                "The case is from a shop that was withdrawn here.",
                field="origin",
                remedy="Allow the shop again on the page of other shops, then bring the file in.",
            )
        return record

    def is_ours(self, record: CaseRecord) -> bool:
        """Whether this shop shared the case itself; then it is counted and needs no further look."""
        if record.origin != self.own_id:
            return False
        self.ours += 1
        return True

    def stays(self, record: CaseRecord, known: Mapping[str, tuple[str, bool]]) -> bool:
        """Whether the store's own version of a case stays as it is. `known` is what `origins.known` tells.

        Raises BadInput for a case that a line claims as this shop's own although another's is here.
        """
        origin, binned = known.get(str(record.uid), (None, False))
        if record.origin and origin == "":
            self.ours += 1
            return True
        if origin is None or origin == record.origin == "":
            return False
        if not record.origin:
            raise BadInput(
                f"Case {record.uid} is held as another shop's.",
                field="uid",
                remedy="Give it a uid of its own, or leave it out.",
            )
        older = self._met.get(origin, date.min) < self._before.get(origin, date.min)
        stays = origin != record.origin or binned or older
        self.kept += stays
        return stays

    def known(self, uids: Sequence[str]) -> dict[str, tuple[str, bool]]:
        """Whose the cases of these uids are in the store."""
        return origins.known(self.session, uids) if self.matters else {}

    # -- families and lists of what is shared -----------------------------------------------------------

    def gap(self, theirs: LineRecord) -> LineRecord | None:
        """The family or list entry that the store lacks, None where it has one; loads are a bench's own."""
        gaps: dict[str, Callable[[Any], LineRecord | None]] = {
            "family": self._family,
            "symptom": self._word,
            "part_class": self._word,
        }
        return gaps[theirs.record](theirs) if theirs.record in gaps else None

    def _family(self, theirs: FamilyRecord) -> FamilyRecord | None:
        """The family to add, None where the store knows it by one of its numbers."""
        found = {
            code_key(number): hit
            for number in (theirs.code, *theirs.aliases)
            if (hit := families.find(self.session, number))
        }
        if not found:
            return theirs
        family_id, code = found.get(code_key(theirs.code), next(iter(found.values())))
        self._families[code_key(theirs.code)] = code
        ours = families.by_ids(self.session, [family_id])[0].record
        others = {hit[1] for hit in found.values()} - {code}
        self._note(ours, theirs, sorted(others))
        return None

    def picture(self, theirs: PictureRecord) -> PictureRecord | None:
        """The picture to add, None where the store has one of that side of the board, or this very one."""
        code = self._families.get(code_key(theirs.family), theirs.family)
        found = families.find(self.session, code)
        if found is None:
            return theirs.model_copy(update={"family": code})
        ours = pictures.of_family(self.session, found[0], also_replaced=True)
        if any(one.record.side == theirs.side or one.record.uid == theirs.uid for one in ours):
            return None
        return theirs.model_copy(update={"family": code, "replaced_by": None})

    def _note(self, ours: FamilyRecord, theirs: FamilyRecord, others: list[str]) -> None:
        said = list(_family_differences(ours, theirs))
        if others:
            said.append(f"its numbers there also name your family {', '.join(others)}")
        if said and len(self.differences) < _MOST_DIFFERENCES:
            name = ours.code if ours.code == theirs.code else f"{ours.code} (there {theirs.code})"
            self.differences.append(f"{name}: " + "; ".join(said) + ".")

    def _word(self, theirs: SymptomRecord | PartClassRecord) -> SymptomRecord | PartClassRecord | None:
        """The entry to add, None where the list has it under its name or one of its other names."""
        names = Names(self.session, KINDS[theirs.record].model)
        for name in (theirs.name, *theirs.synonyms):
            if found := names.find(name):
                self._words[theirs.record, theirs.name.casefold()] = found[1]
                return None
        free = [name for name in theirs.synonyms if names.find(name) is None]
        return theirs.model_copy(update={"synonyms": free})

    def _renamed(self, record: CaseRecord) -> CaseRecord:
        def word(kind: str, name: str) -> str:
            return self._words.get((kind, name.casefold()), name)

        symptoms: dict[str, NotedSymptom] = {}
        for entry in record.symptoms:
            name = word("symptom", entry.name)
            # Two of their symptoms may be one of ours: what was seen counts over what was not.
            if name not in symptoms or (entry.present and not symptoms[name].present):
                symptoms[name] = entry.model_copy(update={"name": name})
        return record.model_copy(
            update={
                "family": self._families.get(code_key(record.family), record.family),
                "symptoms": list(symptoms.values()),
                "attempts": [
                    entry.model_copy(update={"part_class": word("part_class", entry.part_class)})
                    for entry in record.attempts
                ],
            }
        )


def _family_differences(ours: FamilyRecord, theirs: FamilyRecord) -> list[str]:
    """What two shops say differently of a family; what only one of them says is no contradiction."""
    said = []
    rails = {rail_key(rail.name): rail for rail in ours.rails}
    for rail in theirs.rails:
        mine = rails.get(rail_key(rail.name))
        if mine is None:
            if rails:
                said.append(f"rail {rail.name} is not among yours")
            continue
        said += _rail_differences(mine, rail)
    for name, words in (("mains_v", "mains"), ("bulk_v", "bulk volts"), ("bulk_uf", "bulk capacitance")):
        here, there = getattr(ours, name), getattr(theirs, name)
        if here is not None and there is not None and here != there:
            said.append(f"{words} {here:g} here, {there:g} there")
    if ours.fuse and theirs.fuse and ours.fuse != theirs.fuse:
        said.append(f"fuse {ours.fuse} here, {theirs.fuse} there")
    return said


def _rail_differences(ours: Rail, theirs: Rail) -> list[str]:
    said = []
    for name, words in _RAIL_FACTS:
        here, there = getattr(ours, name), getattr(theirs, name)
        if here is None or there is None or here == there:
            continue
        shown = [f"{one:g}" if isinstance(one, float) else str(one) for one in (here, there)]
        said.append(f"rail {ours.name}, {words} {shown[0]} here, {shown[1]} there")
    return said
