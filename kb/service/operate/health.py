"""Whether the store and its derived copies are in step."""

from __future__ import annotations

from dataclasses import dataclass

from kb.errors import StoreAway
from kb.service.shop.shop import Shop
from kb.store.records import cases, changes, files

# The newest ones tell whether a folder is the right one; kb check looks at all.
_LOOKED_AT = 20


@dataclass(frozen=True, slots=True)
class Health:
    """Change numbers of the store and its copies; `ok` when none is behind.

    `index_rebuilt` is why the search index was made again since the start, `index_trouble` why its files
    lag behind what this process finds, `backup_trouble` why the last daily backup could not be made and
    what to do about it; none of these makes an answer wrong. `files_trouble` says that photographs which
    the records name are not on this machine.
    """

    ok: bool
    cases: int
    store: int
    index: int
    counts: int
    trouble: str | None
    index_rebuilt: str | None
    index_trouble: str | None
    backup_trouble: str | None
    files_trouble: str | None


def health(shop: Shop) -> Health:
    """Lets the copies catch up first, so that behind means cannot.

    Cut off from a shared database it tells what this process last knew, and that it is not well.
    """
    try:
        with shop.read() as session:
            newest = changes.latest(session)[0]
        # What is written while this is asked may be behind; what was there before must not be.
        shop.refresh()
        seen = shop.derived.seen()
        with shop.read() as session:
            count = cases.count(session)
            contents = files.newest_contents(session, _LOOKED_AT)
        ok = shop.derived.failure is None and all(number >= newest for number in seen.values())
    except StoreAway:
        seen = shop.derived.seen()
        ok, newest, count = False, max(seen.values()), shop.derived.sizes()["index"]
        contents = []
    derived = shop.derived
    return Health(
        ok,
        count,
        newest,
        seen["index"],
        seen["counts"],
        shop.store.read_only.message if shop.store.read_only else derived.trouble,
        derived.index_rebuilt_because,
        derived.index_trouble,
        f"{shop.upkeep.trouble} {shop.upkeep.remedy}".strip() or None,
        _files_trouble(shop, contents),
    )


def _files_trouble(shop: Shop, contents: list[str]) -> str | None:
    missing = sum(not shop.files.has(content) for content in contents)
    if not missing:
        return None
    where = f"Of the newest {len(contents)} photographs and files {missing} are not in {shop.files.folder}."
    if shop.store.is_shared:
        return (
            f"{where} Machines that share a database need one folder of them all: set KB_FILES to a folder that "
            "each of them reaches, and copy into it what lies in the data folder of each."
        )
    return f"{where} Copy them there from a backup; kb check says which are missing."
