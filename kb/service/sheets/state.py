"""A sheet on its way in: the uploaded file, its plain rows and what was decided so far, in a folder.

The folder lies in the data folder, is readable by its owner alone, and goes after a day. Nothing of it is
part of the store.
"""

from __future__ import annotations

import contextlib
import json
import re
import secrets
import shutil
import time
from collections.abc import Iterator, Sequence
from dataclasses import asdict, dataclass, field, fields
from pathlib import Path
from typing import Any, BinaryIO

from kb import system
from kb.errors import BadInput, NotFound, StoreTrouble
from kb.exchange.sheets import REASON_HEADING, Look
from kb.facts.sheet_words import folded
from kb.service.shop.shop import Shop

KEPT_SECONDS = 86_400
_ID = re.compile(r"[0-9a-f]{16}")


@dataclass(slots=True)
class Sheet:
    """Everything decided about one sheet. Columns are known by their key, so that a saved mapping fits
    a file whose columns stand in another order."""

    id: str
    name: str
    look: dict[str, Any] = field(default_factory=dict)
    heading_row: int = 0
    headings: list[str] = field(default_factory=list)
    rows: int = 0
    notes: list[str] = field(default_factory=list)
    targets: dict[str, str] = field(default_factory=dict)
    guessed: dict[str, str] = field(default_factory=dict)
    answers: dict[str, str] = field(default_factory=dict)
    read_texts: bool = True
    not_symptoms: list[str] = field(default_factory=list)
    not_rows: list[int] = field(default_factory=list)
    named: dict[str, str] = field(default_factory=dict)
    texts: dict[str, Any] | None = None
    rows_above: int = 0
    sums: list[int] = field(default_factory=list)
    sum_cells: list[list[str]] = field(default_factory=list)
    sums_not_counted: list[int] = field(default_factory=list)
    mapping: str = ""
    checked: dict[str, Any] | None = None
    done: dict[str, Any] | None = None

    @property
    def keys(self) -> list[str]:
        """One key for each column: its heading, numbered where several are headed the same."""
        return column_keys(self.headings)

    @property
    def how(self) -> Look:
        made = dict(self.look)
        made["sheets"] = tuple(made.get("sheets", ()))
        return Look(**made)

    @property
    def ours(self) -> bool:
        """Whether this is a file of refused rows that this program wrote."""
        return REASON_HEADING in self.headings

    def columns_of(self, *targets: str) -> list[tuple[int, str, str]]:
        """(place, key, target) of the columns that hold one of `targets`, in their order."""
        return [
            (place, key, self.targets[key])
            for place, key in enumerate(self.keys)
            if self.targets.get(key, "") in targets
        ]

    def heading(self, key: str) -> str:
        """The heading of a column as it was written."""
        return self.headings[self.keys.index(key)]

    def maps(self, *targets: str) -> bool:
        return any(target in targets for target in self.targets.values())


def column_keys(headings: Sequence[str]) -> list[str]:
    """Keys by which columns are found again in another file of the same layout."""
    seen: dict[str, int] = {}
    found = []
    for heading in headings:
        key = folded(heading) or "column"
        seen[key] = seen.get(key, 0) + 1
        found.append(key if seen[key] == 1 else f"{key} #{seen[key]}")
    return found


def _incoming(shop: Shop) -> Path:
    return shop.settings.data / "incoming"


def folder(shop: Shop, sheet_id: str) -> Path:
    """The folder of a sheet. Raises NotFound."""
    place = _incoming(shop) / sheet_id
    if not _ID.fullmatch(sheet_id) or not (place / "state.json").exists():
        raise NotFound(
            "This sheet is no longer here: files are kept for a day.", remedy="Choose the file again."
        )
    return place


def source(shop: Shop, sheet_id: str) -> Path:
    """The file as it was sent."""
    return folder(shop, sheet_id) / "source"


def plain(shop: Shop, sheet_id: str) -> Path:
    """Its rows as `exchange.sheets.copied` writes them."""
    return folder(shop, sheet_id) / "rows.csv"


def take(shop: Shop, name: str, stream: BinaryIO) -> Sheet:
    """Keeps a file that was sent and makes a sheet of it. Raises BadInput, StoreTrouble."""
    clean(shop)
    sheet = Sheet(secrets.token_hex(8), _shown(name))
    place = _incoming(shop) / sheet.id
    limit = shop.settings.max_upload_mb * 1_000_000
    with writing():
        place.mkdir(parents=True, mode=0o700)
    try:
        size = 0
        with writing(), (place / "source").open("wb") as file:
            while piece := stream.read(1 << 20):
                size += len(piece)
                if size > limit:
                    raise BadInput(
                        f"The file is larger than {shop.settings.max_upload_mb} MB.",
                        field="file",
                        remedy="Split it.",
                    )
                file.write(piece)
        _write(place, sheet)
    except BaseException:
        shutil.rmtree(place, ignore_errors=True)
        raise
    return sheet


@contextlib.contextmanager
def writing() -> Iterator[None]:
    """For work that writes beside a sheet: a full or read-only disk is said as such. Raises StoreTrouble."""
    try:
        yield
    except OSError as error:
        raise StoreTrouble(
            f"The data folder cannot be written: {error.strerror}.",
            remedy="Make room on the disk, or set KB_DATA to a folder that you may write to.",
        ) from error


def _shown(name: str) -> str:
    """A file's own name without folders and invisible characters, for people to read."""
    bare = re.split(r"[/\\]", name)[-1]
    return "".join(char for char in bare if char.isprintable())[:120] or "sheet"


def load(shop: Shop, sheet_id: str) -> Sheet:
    """The state of a sheet. Raises NotFound."""
    place = folder(shop, sheet_id)
    known = {entry.name for entry in fields(Sheet)}
    data = json.loads((place / "state.json").read_text(encoding="utf-8"))
    return Sheet(**{name: value for name, value in data.items() if name in known})


def save(shop: Shop, sheet: Sheet) -> None:
    """Keeps the state of a sheet. Raises NotFound."""
    _write(folder(shop, sheet.id), sheet)


def _write(place: Path, sheet: Sheet) -> None:
    with writing():
        _replace(place / "state.json", json.dumps(asdict(sheet), ensure_ascii=False))


def _replace(file: Path, text: str) -> None:
    part = file.with_name(f"{file.stem}.{secrets.token_hex(4)}.part")
    part.write_text(text, encoding="utf-8", newline="\n")
    system.replace(part, file)


def forget(shop: Shop, sheet_id: str) -> None:
    """Throws a sheet away."""
    shutil.rmtree(folder(shop, sheet_id), ignore_errors=True)


def clean(shop: Shop) -> None:
    """Throws away sheets that nobody touched for a day."""
    place = _incoming(shop)
    if not place.is_dir():
        return
    oldest = time.time() - KEPT_SECONDS
    for entry in place.iterdir():
        try:
            if max(one.stat().st_mtime for one in (entry, *entry.iterdir())) < oldest:
                shutil.rmtree(entry, ignore_errors=True)
        except OSError:
            continue


def under_way(shop: Shop) -> list[Sheet]:
    """Sheets that were begun and not brought in yet, the newest first."""
    place = _incoming(shop)
    if not place.is_dir():
        return []
    states = sorted(
        place.glob("*/state.json"), key=lambda file: (file.stat().st_mtime, file.parent.name), reverse=True
    )
    found = []
    for file in states[:20]:
        # Another page may throw it away at this moment.
        with contextlib.suppress(NotFound, FileNotFoundError):
            found.append(load(shop, file.parent.name))
    return [sheet for sheet in found if sheet.done is None and sheet.headings]
