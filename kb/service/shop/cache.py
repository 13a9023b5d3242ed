"""What was read of the store and stays true until records of some kinds change: lists that many pages need."""

from __future__ import annotations

import threading
from collections.abc import Callable, Collection
from typing import Any, TypeVar

from sqlmodel import Session

from kb.facts.designators import code_key
from kb.model import FamilyRecord, PartClassRecord, SymptomRecord
from kb.service.shop.cut_off.small_tables import is_copy
from kb.store.records import changes, families, lists
from kb.store.records.families import FamilyNames

Value = TypeVar("Value")

# Some values are of one family each, with up to a thousand boards in it.
MOST_KEPT = 200


class Kept:
    """Values by their name, each with the newest change that it has seen of the kinds it depends on. Where nothing
    at all has changed since, these are not asked for.

    A value is shared between threads and must not be changed. Everything may be called from any thread:
    two that find a value out of date both read it. Of very many names the ones read last stay.
    """

    def __init__(self) -> None:
        # By name: the newest change of all when it was last compared, those of its kinds, and the value.
        self._values: dict[str, tuple[object, object, Any]] = {}
        self._notes: dict[str, dict[Any, Any]] = {}
        self._writing = threading.Lock()

    def get(
        self, session: Session, name: str, entities: Collection[str], read: Callable[[Session], Value]
    ) -> Value:
        """The value as the session's moment of the store has it; `read` is called where it has changed.

        `entities` are kinds of record as the change feed calls them, none for all.
        """
        if is_copy(session):
            return read(session)  # which has no change feed, and does not last
        of_all = changes.latest(session)
        checked, seen, value = self._values.get(name, (None, None, None))
        if checked != of_all:
            newest = changes.newest(session, entities)
            if seen != newest:
                value = read(session)
            with self._writing:
                self._values.pop(name, None)
                self._values[name] = (of_all, newest, value)
                if len(self._values) > MOST_KEPT:
                    del self._values[next(iter(self._values))]
        found: Value = value
        return found

    def notes(self, name: str) -> dict[Any, Any]:
        """What somebody noted under keys that say all that it depends on; to be written into and cleared out by
        whoever asks, from any thread."""
        return self._notes.setdefault(name, {})

    def symptoms(self, session: Session) -> list[SymptomRecord]:
        """The symptom list in alphabetical order."""
        return self.get(session, "symptoms", ("symptom",), lists.symptoms)

    def part_classes(self, session: Session) -> list[PartClassRecord]:
        """The part classes in alphabetical order."""
        return self.get(session, "part classes", ("part_class",), lists.part_classes)

    def families(self, session: Session) -> list[FamilyNames]:
        """What all families are known by, in order of their code."""
        return self.get(session, "families", ("family",), families.names)

    def family(self, session: Session, number: str) -> FamilyRecord | None:
        """The family known by a number, None where there is none."""

        def read(session: Session) -> FamilyRecord | None:
            found = families.find(session, number)
            return families.by_ids(session, [found[0]])[0].record if found else None

        return self.get(session, f"family {code_key(number)}", ("family",), read)
