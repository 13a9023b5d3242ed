"""`kb export` as people use it: each format as its own reader sees it, and what does not go together refused."""

from __future__ import annotations

import csv
import hashlib
import io
import json
import zipfile
from pathlib import Path
from typing import Any

import pictures_made as made
import pytest
from factories import a_case, a_family, bring, shop_in
from test_cli import kb, one_line

from kb.service.cases import files

JPEG, PNG = made.jpeg(), made.png()


@pytest.fixture(scope="module")
def stocked(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, dict[str, str]]:
    """A data folder with two families and three cases, and the hashes of its two pictures; only read."""
    data = tmp_path_factory.mktemp("export") / "data"
    shop = shop_in(data)
    assert bring(
        shop,
        a_family(aliases=["GL31-B"]),
        a_family(code="HX-9"),
        a_case("one", complaint="Anna says the relay ticks", customer="Anna Quilverby"),
        a_case("two", family="HX-9", complaint="hums"),
        a_case("open", verdict=None, closed=None, attempts=[]),
    ).saved
    sent = {"one": ("relay.jpg", JPEG), "two": ("hum.png", PNG)}
    kept = {
        case: files.add(shop, case, [(name, io.BytesIO(content))]).kept[0].content.content
        for case, (name, content) in sent.items()
    }
    shop.close()
    return data, kept


def written(data: Path, *arguments: str, **more: str) -> bytes:
    done = kb(data, "export", *arguments, **more)
    assert (done.returncode, done.stderr) == (0, b"")
    return done.stdout


def uids(lines: bytes) -> list[str]:
    records = [json.loads(line) for line in lines.splitlines()]
    return [one["uid"] for one in records if one["record"] == "case"]


def rows(sheet: bytes) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(sheet.decode("utf-8-sig"), newline="")))


def validated(data: bytes, folder: Path) -> tuple[list[str], dict[str, list[dict[str, Any]]]]:
    """(names of the members, rows by table) of a package that the Frictionless library finds valid."""
    from frictionless import Package, system

    archive = zipfile.ZipFile(io.BytesIO(data))
    assert archive.testzip() is None
    archive.extractall(folder)
    with system.use_context(trusted=True):
        package = Package(str(folder / "datapackage.json"))
        assert package.validate().valid
        tables = {one.name: [row.to_dict() for row in one.read_rows()] for one in package.resources}
    return archive.namelist(), tables


def test_a_family_by_any_of_its_numbers_and_a_search_choose_the_cases(stocked: Any) -> None:
    data, _ = stocked
    assert uids(written(data, "--family", "gl31-b")) == ["one", "open"]
    assert uids(written(data, "--query", "hums")) == ["two"]
    assert uids(written(data, "--query", "hums", "--family", "GL-31")) == []


def test_sheets_have_a_row_for_each_case_or_each_fix(stocked: Any) -> None:
    data, _ = stocked
    assert [row["uid"] for row in rows(written(data, "--format", "csv"))] == ["one", "open", "two"]
    fixes = rows(written(data, "--format", "attempts", "--family", "HX-9"))
    assert [(row["case"], row["part"], row["cost"]) for row in fixes] == [("two", "C9", "1.2")]


def test_a_data_package_holds_photographs_when_asked(stocked: Any, tmp_path: Path) -> None:
    data, kept = stocked
    names, tables = validated(written(data, "--format", "package"), tmp_path / "without")
    assert len(tables["cases"]) == 3
    assert not [name for name in names if name.startswith("files/")]
    target = tmp_path / "with.zip"
    assert written(data, str(target), "--format", "package", "--with-photos") == b""
    names, tables = validated(target.read_bytes(), tmp_path / "with")
    members = {row["case"]: row["path"] for row in tables["files"]}
    assert set(members) == {"one", "two"}
    for case, path in members.items():
        assert hashlib.sha256((tmp_path / "with" / path).read_bytes()).hexdigest() == kept[case]
    assert sorted(members.values()) == sorted(name for name in names if name.startswith("files/"))
    one = written(data, "--format", "package", "--with-photos", "--family", "HX-9")
    _, tables = validated(one, tmp_path / "one")
    assert [row["case"] for row in tables["files"]] == ["two"]


def test_a_photograph_that_is_missing_is_told_and_the_rest_is_written(tmp_path: Path) -> None:
    data, target = tmp_path / "data", tmp_path / "all.zip"
    shop = shop_in(data)
    assert bring(shop, a_family(), a_case("one")).saved
    (kept,) = files.add(shop, "one", [("relay.jpg", io.BytesIO(JPEG))]).kept
    shop.files.path(kept.content.content).unlink()
    shop.close()
    done = kb(data, "export", str(target), "--format", "package", "--with-photos")
    assert done.returncode == 0
    assert done.stderr.decode() == (
        f"kb: Case one, file 1 “relay.jpg”: File {kept.content.content} is missing.\n"
    )
    names, tables = validated(target.read_bytes(), tmp_path / "read")
    assert "problems.txt" in names
    assert [row["uid"] for row in tables["cases"]] == ["one"]


def test_what_is_shared_is_told_before_it_is_written_and_names_nobody(stocked: Any, tmp_path: Path) -> None:
    data, _ = stocked
    target = tmp_path / "shared.jsonl"
    done = kb(data, "export", str(target), "--share", KB_SHOP_NAME="Harbour bench")
    assert done.returncode == 0
    told = done.stderr.decode()
    assert told.startswith("sharing 2 cases of 2 board families as Harbour bench; masked: 1 name.")
    records = [json.loads(line) for line in target.read_bytes().splitlines()]
    assert (records[0]["record"], records[0]["sharing"]) == ("origin", True)
    assert len([one for one in records if one["record"] == "case"]) == 2
    for private in (b"nna", b"Quilverby", b"customer", b"cost", b"relay.jpg", b"photo"):
        assert private not in target.read_bytes()
    one = kb(data, "export", "--share", "--family", "gl31-b", KB_SHOP_NAME="Harbour bench")
    assert "sharing 1 case of 1 board family as" in one.stderr.decode()
    assert len(uids(one.stdout)) == 1


def test_sharing_without_a_name_says_how_to_give_one(stocked: Any) -> None:
    assert "Set KB_SHOP_NAME" in one_line(kb(stocked[0], "export", "--share"))


@pytest.mark.parametrize(
    ("arguments", "told"),
    [
        (("--share", "--query", "hums"), "Leave --query and --format out."),
        (("--share", "--format", "csv"), "Leave --query and --format out."),
        (("--share", "--with-photos"), "Photographs are never shared with other shops."),
        (("--share", "--format", "package", "--with-photos"), "Leave --query and --format out."),
        (("--with-photos",), "Photographs go into the data package only"),
        (("--format", "csv", "--with-photos"), "Photographs go into the data package only"),
        (("--family", "nobody"), "nobody"),
        (("--share", "--family", "nobody"), "nobody"),
    ],
)
def test_what_does_not_go_together_is_refused_in_one_line_and_no_file_is_written(
    stocked: Any, tmp_path: Path, arguments: tuple[str, ...], told: str
) -> None:
    target = tmp_path / "out"
    line = one_line(kb(stocked[0], "export", str(target), *arguments, KB_SHOP_NAME="Harbour bench"))
    assert told in line
    assert list(tmp_path.iterdir()) == []


def test_an_unknown_format_shows_the_usage(stocked: Any) -> None:
    done = kb(stocked[0], "export", "--format", "pdf")
    assert (done.returncode, done.stdout) == (2, b"")
    assert b"attempts" in done.stderr
