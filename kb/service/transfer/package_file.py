"""A data package as one zip file, with the photographs of its cases where they are asked for.

The tables are written into a folder of their own first. Photographs are handed on as they are read, one
megabyte at a time, and proved by their hash before: what is missing or damaged is told and left out.
"""

from __future__ import annotations

import io
import json
import tempfile
from collections.abc import Callable, Generator, Iterable, Iterator
from datetime import date
from pathlib import Path

from kb.exchange import package
from kb.exchange.package import PackageWriter
from kb.exchange.zip_stream import ZipStream
from kb.model import LineRecord, as_dict
from kb.service.shop.sent_files import SUFFIX
from kb.service.shop.shop import Shop
from kb.store.records import files
from kb.store.records.files import Content, StoredCaseFile

_BATCH = 400
PROBLEMS = "problems.txt"
_REMEDY = "What is named here is not in the package. Run kb check, and restore it from a backup."


class Photographs:
    """The photographs and files of cases and the pictures of boards, to go into a package.

    `told` hears a sentence for each that cannot.
    """

    def __init__(self, shop: Shop, told: Callable[[str], None] = lambda sentence: None) -> None:
        self._shop = shop
        self._told = told
        self.problems: list[str] = []

    def members(
        self, archive: ZipStream, writer: PackageWriter, uids: list[str], boards: list[str]
    ) -> Iterator[bytes]:
        """Adds what lies at these cases, and is not in the bin, and these pictures of boards (by their hash) to the
        archive and the tables."""
        troubles: dict[str, str] = {}
        yield from self._boards(archive, writer, boards, troubles)
        for start in range(0, len(uids), _BATCH):
            with self._shop.read() as session:
                found = files.of_cases(session, uids[start : start + _BATCH])
            case, position = "", 0
            for file in found:
                position = position + 1 if file.case_uid == case else 1
                case = file.case_uid
                content = file.content
                yield from self._once(archive, writer, content, troubles)
                trouble = troubles[content.content]
                if trouble:
                    self._note(file, position, trouble)
                writer.add_entry("files", _files_row(file, position, "" if trouble else _path(content)))

    def _once(
        self, archive: ZipStream, writer: PackageWriter, content: Content, troubles: dict[str, str]
    ) -> Iterator[bytes]:
        """Adds content that is not there yet, and notes what is wrong with it in `troubles`."""
        if content.content in troubles:
            return
        troubles[content.content] = self._shop.files.verify(content.content) or ""
        if not troubles[content.content]:
            yield from self._copied(archive, content)
        writer.add_entry("contents", _contents_row(content, troubles[content.content]))

    def _boards(
        self, archive: ZipStream, writer: PackageWriter, hashes: list[str], troubles: dict[str, str]
    ) -> Iterator[bytes]:
        for start in range(0, len(hashes), _BATCH):
            with self._shop.read() as session:
                found = files.contents_of(session, hashes[start : start + _BATCH])
            for content in found:
                yield from self._once(archive, writer, content, troubles)
                if trouble := troubles[content.content]:
                    self._tell(f"Picture of a board {content.content[:8]}: {trouble}")

    def _tell(self, sentence: str) -> None:
        self.problems.append(sentence)
        self._told(sentence)

    def _copied(self, archive: ZipStream, content: Content) -> Iterator[bytes]:
        # Pictures are packed in themselves already; packing them again takes time and saves nothing.
        with self._shop.files.open(content.content) as source:
            yield from archive.member(_path(content), source, content.size_bytes, packed=False)

    def _note(self, file: StoredCaseFile, position: int, trouble: str) -> None:
        name = f" “{file.original_name}”" if file.original_name else ""
        self._tell(f"Case {file.case_uid}, file {position}{name}: {trouble}")


def _path(content: Content) -> str:
    return f"files/{content.content}.{SUFFIX[content.media_type]}"


def _contents_row(content: Content, trouble: str) -> tuple[object, ...]:
    return (content.content, content.size_bytes, content.width_px, content.height_px, trouble)


def _files_row(file: StoredCaseFile, position: int, path: str) -> tuple[object, ...]:
    return (
        file.case_uid,
        position,
        file.original_name,
        file.caption,
        file.content.media_type,
        file.content.content,
        path,
        [as_dict(mark) for mark in file.marks],
    )


def stream(
    given: Iterable[LineRecord], title: str, made: str, photographs: Photographs | None
) -> Generator[bytes]:
    """The bytes of a package of the records. `made` is a day."""
    archive = ZipStream(date.fromisoformat(made))
    with tempfile.TemporaryDirectory(prefix="kb-package-") as name:
        folder = Path(name)
        with PackageWriter(folder, with_files=photographs is not None) as writer:
            with_bytes: dict[str, list[str]] = {"case": [], "picture": []}
            for record in given:
                writer.add(record)
                if record.bytes_found_by:
                    with_bytes[record.record].append(getattr(record, record.bytes_found_by))
            if photographs is not None:
                yield from photographs.members(archive, writer, with_bytes["case"], with_bytes["picture"])
        sizes = {table: (folder / f"{table}.csv").stat().st_size for table in writer.tables}
        told = package.descriptor("board-faults", title, made, sizes)
        yield from _text(archive, "datapackage.json", json.dumps(told, ensure_ascii=False, indent=2))
        for table, size in sizes.items():
            with (folder / f"{table}.csv").open("rb") as source:
                yield from archive.member(f"data/{table}.csv", source, size, packed=True)
    if photographs is not None and photographs.problems:
        yield from _text(archive, PROBLEMS, "\n".join([*photographs.problems, _REMEDY, ""]))
    yield archive.end()


def _text(archive: ZipStream, name: str, text: str) -> Iterator[bytes]:
    data = text.encode()
    yield from archive.member(name, io.BytesIO(data), len(data), packed=True)
