"""Notes of a family: tips shown where they matter, revisions and what differs on them, and the sets it is used in."""

from __future__ import annotations

import re
from collections.abc import Callable

from kb.errors import BadInput
from kb.facts.designators import designator_key, rail_key
from kb.model import FamilyRecord, Tip, as_dict
from kb.service.boards import families
from kb.service.shop.shop import Shop
from kb.store.records import case_lists, files
from kb.store.records import families as stored_families
from kb.store.records.files import StoredCaseFile

__all__ = [
    "add_tip",
    "attach",
    "change",
    "detach",
    "documents_at_hand",
    "remove_tip",
    "revisions_of",
    "sets_of",
    "tips_at",
    "tips_of_step",
]

_CASES_WITH_DOCUMENTS = 200


def _plain(name: str) -> str:
    return " ".join(name.casefold().split())


_FOLD: dict[str, Callable[[str], str]] = {
    "board": lambda name: "",
    "rail": rail_key,
    "part": designator_key,
    "point": designator_key,
    "step": _plain,
}


def tips_at(family: FamilyRecord | None, place: str, *names: str | None) -> list[Tip]:
    """The tips of a family at a rail, part, test point or step of any of these names, or about the whole board."""
    if family is None or not family.tips:
        return []
    fold = _FOLD[place]
    wanted = {""} if place == "board" else {fold(name) for name in names if name}
    return [tip for tip in family.tips if tip.place == place and fold(tip.name) in wanted]


def tips_of_step(family: FamilyRecord | None, title: str, rail: str | None, point: str | None) -> list[Tip]:
    """The tips that matter at a step of the bench test: its own, those of its rail, and those of its point or part."""
    return [
        *tips_at(family, "step", title),
        *tips_at(family, "rail", rail),
        *tips_at(family, "point", point),
        *tips_at(family, "part", point),
    ]


def change(
    shop: Shop,
    code: str,
    update: Callable[[FamilyRecord], dict[str, object]],
    *,
    expected_version: int | None,
) -> str:
    """Saves a family with some of its lists changed: what `update` returns, by the names of the fields.

    Raises NotFound, Conflict where somebody else was faster, and ValidationError for what no family can hold.
    """
    record, version = families.get(shop, code)
    changed = FamilyRecord.model_validate({**as_dict(record), **update(record)})
    return families.save(shop, changed, expected_version=expected_version or version)


def add_tip(shop: Shop, code: str, tip: Tip) -> None:
    """Adds a tip, signed by whoever is signed in and dated today. Raises as `change`."""
    signed = tip.model_copy(update={"who": shop.person[:200] or tip.who, "date": shop.today()})
    change(
        shop,
        code,
        lambda record: {"tips": [as_dict(one) for one in (*record.tips, signed)]},
        expected_version=None,
    )


def remove_tip(shop: Shop, code: str, text: str, place: str, name: str) -> None:
    """Takes a tip off; the history keeps it. Raises BadInput where it is there no longer."""
    record, version = families.get(shop, code)
    left = [tip for tip in record.tips if (tip.text, tip.place, tip.name) != (text, place, name)]
    if len(left) == len(record.tips):
        raise BadInput("This tip is there no longer.", field="tip", remedy="Look at the notes again.")
    change(shop, code, lambda _: {"tips": [as_dict(one) for one in left]}, expected_version=version)


def revisions_of(text: str) -> list[dict[str, str]]:
    """Revisions as typed, one a line: "B: C9 is 1000 µF". Raises BadInput for a line without a name."""
    found = []
    for line in text.splitlines():
        name, _, differs = line.partition(":")
        if not line.strip():
            continue
        if not name.strip():
            raise BadInput(
                f"“{line.strip()[:40]}” does not say which revision.",
                field="revisions",
                remedy="Write the revision first, such as B: C9 is 1000 µF.",
            )
        found.append({"name": name.strip(), "differs": differs.strip()})
    return found


def sets_of(text: str) -> list[dict[str, str]]:
    """Sets as typed, one a line, the maker before a semicolon where it is known: "Norvik; FD-32"."""
    found = []
    for line in text.splitlines():
        brand, semicolon, device = line.partition(";")
        if not semicolon:
            brand, device = "", line
        if not line.strip():
            continue
        if not device.strip():
            raise BadInput(
                f"“{line.strip()[:40]}” does not name a set.",
                field="used_in",
                remedy="Write maker; set, or the set alone.",
            )
        found.append({"brand": brand.strip(), "device": re.sub(r"\s+", " ", device).strip()})
    return found


def documents_at_hand(shop: Shop, code: str) -> list[StoredCaseFile]:
    """Documents of the family's newest cases that do not belong to the family yet. Raises NotFound."""
    with shop.read() as session:
        stored = stored_families.get(session, code)
        ids = case_lists.latest_ids(session, _CASES_WITH_DOCUMENTS, family_id=stored.id)
        taken = {one.file for one in stored.record.documents}
        return [one for one in files.documents_of(session, ids, 100) if one.uid not in taken]


def attach(shop: Shop, code: str, file: str) -> None:
    """Puts a document of one of its cases on the family. Raises BadInput where there is no such document."""
    chosen = next((one for one in documents_at_hand(shop, code) if one.uid == file), None)
    if chosen is None:
        raise BadInput(
            "No case of this family has such a document.",
            field="file",
            remedy="Send it to one of its cases first, under Photographs and files.",
        )
    entry = {
        "case": chosen.case_uid,
        "file": chosen.uid,
        "name": (chosen.caption or chosen.original_name)[:200],
    }
    change(
        shop,
        code,
        lambda record: {"documents": [*(as_dict(one) for one in record.documents), entry]},
        expected_version=None,
    )


def detach(shop: Shop, code: str, file: str) -> None:
    """Takes a document off the family; its case keeps it."""
    change(
        shop,
        code,
        lambda record: {"documents": [as_dict(one) for one in record.documents if one.file != file]},
        expected_version=None,
    )
