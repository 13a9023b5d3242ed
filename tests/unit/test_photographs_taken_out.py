"""Photographs in a data package, as the Frictionless library, Python's zipfile and hashlib see them."""

from __future__ import annotations

import hashlib
import io
import json
import tracemalloc
import zipfile
from collections.abc import Iterator
from datetime import date
from pathlib import Path
from typing import Any

import pictures_made as made
import pytest
from factories import a_case, a_family, bring, fresh_shop

from kb.errors import BadInput
from kb.exchange.zip_stream import ZipStream
from kb.model import Mark
from kb.service import Shop
from kb.service.cases import cases, files
from kb.service.find.case_search import Filters
from kb.service.transfer import exports, shares
from kb.service.transfer.exports import Choice

WHOLE = Choice()
JPEG, PNG, PDF = made.jpeg(), made.png(), made.pdf()
CIRCLE = Mark(kind="circle", x=0.5, y=0.25, size=0.1)


def sent(shop: Shop, case: str, name: str, content: bytes, caption: str = "") -> files.StoredCaseFile:
    (kept,) = files.add(shop, case, [(name, io.BytesIO(content))], caption=caption).kept
    return kept


@pytest.fixture
def shop() -> Iterator[Shop]:
    """Two families; case "one" has a marked picture, a removed one and a document, "two" the same picture."""
    shop = fresh_shop()
    assert bring(shop, a_family(), a_family(code="HX-9"), a_case("one"), a_case("two", family="HX-9")).saved
    gone = sent(shop, "one", "gone.png", PNG)
    picture = sent(shop, "one", "C9 bulged.jpg", JPEG, "the standby corner")
    files.mark(shop, "one", picture.uid, CIRCLE)
    sent(shop, "one", "=sheet.pdf", PDF)
    sent(shop, "two", "again.jpg", JPEG)
    files.put_in_bin(shop, "one", gone.uid)
    yield shop
    shop.close()


def taken(shop: Shop, choice: Choice = WHOLE, told: Any = lambda sentence: None) -> zipfile.ZipFile:
    data = b"".join(exports.taken(shop, "package", choice, with_photos=True, told=told))
    archive = zipfile.ZipFile(io.BytesIO(data))
    assert archive.testzip() is None
    return archive


def tables(archive: zipfile.ZipFile, folder: Path) -> dict[str, list[dict[str, Any]]]:
    """The rows of a package that the Frictionless library finds valid."""
    from frictionless import Package, system

    archive.extractall(folder)
    with system.use_context(trusted=True):
        package = Package(str(folder / "datapackage.json"))
        report = package.validate()
        assert report.valid, report.flatten(["title", "message", "fieldName", "rowNumber"])[:5]
        return {
            resource.name: [row.to_dict() for row in resource.read_rows()] for resource in package.resources
        }


def photographs(archive: zipfile.ZipFile) -> list[str]:
    return [name for name in archive.namelist() if name.startswith("files/")]


def test_every_file_that_is_not_in_the_bin_is_a_member_named_by_the_hash_of_its_bytes(
    shop: Shop, tmp_path: Path
) -> None:
    archive = taken(shop)
    found = tables(archive, tmp_path)
    members = photographs(archive)
    assert len(members) == 2
    for name in members:
        digest = hashlib.sha256((tmp_path / name).read_bytes()).hexdigest()
        assert name in (f"files/{digest}.jpg", f"files/{digest}.pdf")
    assert sorted(row["path"] for row in found["files"]) == sorted([*members, *members[:1]])
    assert [(row["sha256"], row["bytes"]) for row in found["contents"]] == [
        (name[6:70], (tmp_path / name).stat().st_size) for name in members
    ]
    assert {row["trouble"] for row in found["contents"]} == {None}
    assert "problems.txt" not in archive.namelist()


def test_names_captions_types_and_marks_go_along_in_the_order_of_the_case(shop: Shop, tmp_path: Path) -> None:
    one, two, three = tables(taken(shop), tmp_path)["files"]
    assert (one["case"], one["position"], one["name"]) == ("one", 1, "C9 bulged.jpg")
    assert (one["caption"], one["type"]) == ("the standby corner", "image/jpeg")
    assert one["marks"] == [{"kind": "circle", "x": 0.5, "y": 0.25, "size": 0.1}]
    assert (two["case"], two["position"], two["name"], two["marks"]) == ("one", 2, "=sheet.pdf", [])
    assert two["type"] == "application/pdf"
    assert (three["case"], three["position"], three["sha256"]) == ("two", 1, one["sha256"])


def test_pictures_are_not_packed_a_second_time(shop: Shop) -> None:
    archive = taken(shop)
    kinds = {archive.getinfo(name).compress_type for name in photographs(archive)}
    assert kinds == {zipfile.ZIP_STORED}
    assert archive.getinfo("data/cases.csv").compress_type == zipfile.ZIP_DEFLATED


def test_only_files_of_the_chosen_cases_go_along(shop: Shop, tmp_path: Path) -> None:
    found = tables(taken(shop, Choice(filters=Filters(family="HX-9"))), tmp_path)
    assert [row["case"] for row in found["files"]] == ["two"]
    assert len(found["contents"]) == 1
    cases.put_in_bin(shop, "two")
    assert [row["case"] for row in tables(taken(shop), tmp_path / "2")["files"]] == ["one", "one"]


def test_a_missing_and_a_damaged_file_are_named_and_the_rest_is_written(shop: Shop, tmp_path: Path) -> None:
    kept = {one.original_name: one.content.content for one in files.of_case(shop, "one").kept}
    shop.files.path(kept["C9 bulged.jpg"]).unlink()
    shop.files.path(kept["=sheet.pdf"]).write_bytes(PDF[:-1])
    sent(shop, "two", "sound.png", made.png(made.marked(80, 80)))
    told: list[str] = []
    archive = taken(shop, told=told.append)
    found = tables(archive, tmp_path)
    jpeg, pdf = kept["C9 bulged.jpg"], kept["=sheet.pdf"]
    assert told == [
        f"Case one, file 1 “C9 bulged.jpg”: File {jpeg} is missing.",
        f"Case one, file 2 “=sheet.pdf”: File {pdf} is damaged: its bytes are not those it is named by.",
        f"Case two, file 1 “again.jpg”: File {jpeg} is missing.",
    ]
    lines = archive.read("problems.txt").decode().splitlines()
    assert lines[:3] == told
    assert "kb check" in lines[3]
    (sound,) = photographs(archive)
    paths = [row["path"] for row in found["files"]]
    assert paths == [None, None, None, sound]
    troubles = {row["sha256"]: row["trouble"] for row in found["contents"]}
    assert "missing" in troubles[jpeg]
    assert "damaged" in troubles[pdf]
    assert len(found["cases"]) == 2


def test_without_being_asked_for_no_photograph_goes_along(shop: Shop) -> None:
    data = b"".join(exports.taken(shop, "package", WHOLE))
    names = zipfile.ZipFile(io.BytesIO(data)).namelist()
    assert not [name for name in names if "files" in name or "contents" in name]


@pytest.mark.parametrize("kind", ["jsonl", "csv", "attempts"])
def test_other_formats_refuse_photographs_before_a_byte_is_written(shop: Shop, kind: str) -> None:
    with pytest.raises(BadInput) as refusal:
        exports.taken(shop, kind, WHOLE, with_photos=True)
    assert refusal.value.field == "with_photos"
    assert "data package" in (refusal.value.remedy or "")


def test_nothing_of_a_photograph_is_in_the_exchange_format_or_in_what_is_shared(shop: Shop) -> None:
    shared = exports.chunks("jsonl", shares.records(shop, shares.Choice(name="Harbour bench")))
    for data in (b"".join(shared), b"".join(exports.taken(shop, "jsonl", WHOLE))):
        assert {json.loads(line)["record"] for line in data.splitlines()} >= {"case", "family"}
        for word in (b"C9 bulged", b"standby corner", b"sheet.pdf", b"files/"):
            assert word not in data


def test_the_same_records_give_the_same_bytes(shop: Shop) -> None:
    first, second = (b"".join(exports.taken(shop, "package", WHOLE, with_photos=True)) for _ in "12")
    assert first == second


def test_a_member_of_any_size_is_handed_on_a_piece_at_a_time(tmp_path: Path) -> None:
    """64 MB through the archive while no more than a few are held; read back by zipfile."""
    size = 64 << 20
    large = tmp_path / "large"
    with large.open("wb") as file:
        file.truncate(size)
    archive = ZipStream(date(2026, 11, 25))
    target = tmp_path / "made.zip"
    tracemalloc.start()
    with target.open("wb") as out, large.open("rb") as source:
        for piece in archive.member("files/large.jpg", source, size, packed=False):
            out.write(piece)
        out.write(archive.end())
    _, most = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    assert most < 8 << 20
    with zipfile.ZipFile(target) as read:
        assert read.testzip() is None
        assert read.getinfo("files/large.jpg").file_size == size
        assert read.getinfo("files/large.jpg").date_time[:3] == (2026, 11, 25)
