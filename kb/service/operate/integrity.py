"""Proves a store, mends what is derived from it and says what cannot be mended."""

from __future__ import annotations

from dataclasses import dataclass, field

from kb.service.cases import files
from kb.service.operate import backups
from kb.service.shop.shop import Shop
from kb.store.records import consistency, stored_checksums, totals

_RESTORE = "Restore the latest sound backup with kb restore."


@dataclass(frozen=True, slots=True)
class Fault:
    """What is wrong, a sentence, and what to do about it, another."""

    what: str
    remedy: str


@dataclass(slots=True)
class Checked:
    """What a check found wrong, what it mended, and what it proved."""

    faults: list[Fault] = field(default_factory=list)
    mended: list[str] = field(default_factory=list)
    proved: list[str] = field(default_factory=list)


def check(shop: Shop, *, backups_too: bool = False) -> Checked:
    """Goes through the database, the change feed, all records and their history, the
    derived copies, and the photographs and files.

    Copies that do not agree with the store are made again. With `backups_too` every backup in the folder
    is read through as well.
    """
    found = Checked()
    for wrong in shop.store.faults():
        found.faults.append(Fault(wrong, _RESTORE))
    if not found.faults:
        found.proved.append("database")
        _records(shop, found)
        _totals(shop, found)
        found.mended += shop.derived.prove()
        if (lost := shop.derived.lost()) is not None:
            remedy = f"{_RESTORE} If you know of it, remove {shop.settings.lost_file}."
            found.faults.append(Fault(lost, remedy))
        if shop.derived.failure:
            found.faults.append(Fault(shop.derived.failure, "Delete the folder of the search index."))
        found.proved.append("search index and counts")
        _files(shop, found)
    if backups_too:
        _backups(shop, found)
    return found


def _records(shop: Shop, found: Checked) -> None:
    with shop.read() as session:
        parts = (
            consistency.feed_faults,
            consistency.record_faults,
            consistency.history_faults,
            stored_checksums.faults,
        )
        wrong = [sentence for part in parts for sentence in part(session)]
        counts = consistency.counted(session)
    found.faults += [Fault(sentence, _RESTORE) for sentence in wrong]
    found.proved += [f"{number:,} {what}" for what, number in counts.items()]
    found.proved.append("checksums of all records")


def _totals(shop: Shop, found: Checked) -> None:
    with shop.read() as session:
        wrong = totals.faults(session)
    if wrong:
        with shop.write() as session:
            totals.make_again(session)
    found.mended += wrong
    found.proved.append("numbers of cases and changes")


def _files(shop: Shop, found: Checked) -> None:
    """Every photograph and file against its hash; what nothing refers to any more is cleared away."""
    number, wrong = files.faults(shop)
    remedy = "Restore a backup that holds it, or add the file to its case again."
    found.faults += [Fault(sentence, remedy) for sentence in wrong]
    swept = files.sweep(shop)
    if swept:
        found.mended.append(f"files that nothing refers to were removed, {len(swept)} of them")
    found.proved.append(f"photographs and files, {number:,} of them")


def _backups(shop: Shop, found: Checked) -> None:
    every = backups.prove_all(shop)
    for backup in every:
        if backup.state == "damaged":
            found.faults.append(
                Fault(
                    f"The backup {backup.name} is damaged: {backup.trouble}",
                    "Remove it and make another with kb backup.",
                )
            )
    found.proved.append(f"{len(every)} backup{'' if len(every) == 1 else 's'}")
