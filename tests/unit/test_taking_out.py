"""What is taken out is what the store holds, as independent readers see it."""

from __future__ import annotations

import csv
import io
import json
import zipfile
from pathlib import Path
from typing import Any

import pytest
from factories import a_case, a_family, bring, case_json, demo_shop, exported, fresh_shop
from hypothesis import given, settings
from hypothesis import strategies as st
from tiers import examples

from kb.errors import BadInput
from kb.exchange import case_sheets as sheets
from kb.model import Attempt, CaseRecord, Reading
from kb.service import Shop
from kb.service.find.case_search import Filters
from kb.service.transfer import exports
from kb.service.transfer.exports import Choice

WHOLE = Choice()


def taken(shop: Shop, kind: str, choice: Choice = WHOLE) -> bytes:
    return b"".join(exports.stream(kind, exports.records(shop, choice), "A bench", "2026-11-25"))


def rows(data: bytes) -> list[dict[str, str]]:
    """As Python's csv module reads it, with the mark taken off by the codec that spreadsheets name."""
    return list(csv.DictReader(io.StringIO(data.decode("utf-8-sig"), newline="")))


@pytest.fixture
def shop() -> Any:
    made = fresh_shop()
    assert bring(made, a_family(aliases=["GL31-B"]), a_family(code="HX-9"), a_case("one")).saved
    yield made
    made.close()


# The exchange format


def test_a_search_result_is_read_into_an_empty_store_with_exactly_what_it_needs() -> None:
    shop, other = demo_shop(), fresh_shop()
    choice = Choice("relay", Filters(verdict="repaired"))
    lines = taken(shop, "jsonl", choice).splitlines()
    records = [json.loads(line) for line in lines]
    cases = [one for one in records if one["record"] == "case"]
    assert len(cases) == exports.count(shop, choice) > 10
    assert {one["verdict"] for one in cases} == {"repaired"}
    named = {
        "family": {one["family"] for one in cases},
        "symptom": {entry["name"] for one in cases for entry in one.get("symptoms", ())},
        "part_class": {entry["part_class"] for one in cases for entry in one.get("attempts", ())},
    }
    for kind, names in named.items():
        there = {one.get("code") or one.get("name") for one in records if one["record"] == kind}
        assert there == names, kind
    assert bring(other, *lines).saved
    assert [line for line in exported(other).splitlines() if '"record":"case"' in line] == [
        line.decode() for line in lines if b'"record":"case"' in line
    ]
    shop.close()
    other.close()


def test_a_family_is_taken_out_by_any_of_its_numbers(shop: Shop) -> None:
    assert bring(shop, a_case("two", family="HX-9")).saved
    choice = Choice(filters=Filters(family="GL31-B"))
    records = [json.loads(line) for line in taken(shop, "jsonl", choice).splitlines()]
    assert [one["uid"] for one in records if one["record"] == "case"] == ["one"]
    assert [one["code"] for one in records if one["record"] == "family"] == ["GL-31"]


def test_the_whole_store_is_the_export(shop: Shop) -> None:
    assert taken(shop, "jsonl").decode() == exported(shop)


# Spreadsheets: RFC 4180, and OWASP's page on CSV injection for what may begin a cell


@pytest.mark.parametrize("text", ["=1+1", "+cmd|' /C calc'!A0", "-2+3", "@SUM(A1)", "\tx", "\rx", "=", "-"])
def test_a_cell_that_could_be_a_formula_begins_with_an_apostrophe(text: str) -> None:
    assert sheets.cell(text) == "'" + text


@pytest.mark.parametrize(
    ("value", "expected"),
    [(-12.1, "-12.1"), ("-12.1", "-12.1"), ("+5", "+5"), (-3, "-3"), (None, ""), (2.0, "2"), ("a=b", "a=b")],
)
def test_numbers_stay_numbers(value: Any, expected: str) -> None:
    assert sheets.cell(value) == expected


@settings(max_examples=examples(200), deadline=None, derandomize=True, database=None)
@given(
    st.lists(
        st.text(st.characters(exclude_categories=("Cs",), exclude_characters="\0")), min_size=2, max_size=4
    )
)
def test_any_text_comes_back_from_the_csv_module_and_never_as_a_formula(texts: list[str]) -> None:
    data = "".join(sheets.lines(["a"] * len(texts), [texts])).encode()
    assert data.startswith(b"\xef\xbb\xbf")
    assert data.endswith(b"\r\n")
    (_, row) = csv.reader(io.StringIO(data.decode("utf-8-sig"), newline=""))
    for text, read in zip(texts, row, strict=True):
        assert read in (text, "'" + text)
        assert not read.startswith(("=", "@", "\t", "\r"))
        assert not read.startswith(("+", "-")) or float(read) is not None


def test_a_sheet_of_cases_holds_what_the_cases_hold(shop: Shop) -> None:
    awkward = a_case(
        "two",
        complaint='=HYPERLINK("x"), said; "dark"\nsecond line',
        customer="-Quay",
        readings=[Reading(rail="-12V", supply="running", value=-12.1)],
    )
    assert bring(shop, awkward).saved
    found = {row["uid"]: row for row in rows(taken(shop, "csv"))}
    assert list(found) == ["one", "two"]
    assert found["two"]["complaint"] == "'" + awkward.complaint
    assert found["two"]["customer"] == "'-Quay"
    assert found["two"]["readings"] == "'-12V -12.1V running"
    one, case = found["one"], a_case("one")
    assert one["family"] == "GL-31"
    assert one["closed"] == str(case.closed)
    assert one["symptoms"] == "relay clicks repeatedly"
    assert one["readings"] == "5VSB 4.2V standby"
    assert one["cured_by"] == "C9 electrolytic capacitor (high ESR)"
    assert (float(one["cost"]), int(one["minutes"])) == (1.2, 20)


def test_a_sheet_of_fixes_has_a_row_for_each(shop: Shop) -> None:
    tries = [
        Attempt(part="C9", part_class="electrolytic capacitor", section="standby output", result="no change"),
        Attempt(
            part="Q1", part_class="MOSFET", section="main converter", result="cured", cost=2.5, minutes=30
        ),
    ]
    assert bring(shop, a_case("two", attempts=tries)).saved
    found = [row for row in rows(taken(shop, "attempts")) if row["case"] == "two"]
    assert [(row["position"], row["part"], row["result"], row["cost"], row["minutes"]) for row in found] == [
        ("1", "C9", "no change", "", ""),
        ("2", "Q1", "cured", "2.5", "30"),
    ]


def test_an_unknown_format_is_refused(shop: Shop) -> None:
    with pytest.raises(BadInput) as refusal:
        exports.file_name(shop, "pdf", 1)
    assert "attempts" in (refusal.value.remedy or "")


# The data package, as the Frictionless project's own library reads and validates it


def unpacked(data: bytes, folder: Path) -> Path:
    with zipfile.ZipFile(io.BytesIO(data)) as archive:
        assert archive.testzip() is None
        archive.extractall(folder)
    return folder / "datapackage.json"


def read_package(shop: Shop, folder: Path, choice: Choice = WHOLE) -> dict[str, list[dict[str, Any]]]:
    from frictionless import Package, system

    descriptor = unpacked(taken(shop, "package", choice), folder)
    with system.use_context(trusted=True):
        package = Package(str(descriptor))
        report = package.validate()
        assert report.valid, report.flatten(["title", "message", "fieldName", "rowNumber"])[:5]
        return {
            resource.name: [row.to_dict() for row in resource.read_rows()] for resource in package.resources
        }


def test_a_data_package_is_valid_and_tells_the_same_values(tmp_path: Path) -> None:
    shop = demo_shop()
    assert bring(shop, {"record": "origin", "id": "ab" * 16, "name": "Quay bench", "date": "2026-03-02"},
                 case_json("u1", family="HX-210", origin="ab" * 16, customer=None)).saved  # fmt: skip
    tables = read_package(shop, tmp_path)
    records = list(exports.records(shop, WHOLE))
    cases = {str(one.uid): one for one in records if isinstance(one, CaseRecord)}
    assert len(tables["cases"]) == len(cases)
    for row in tables["cases"]:
        case = cases[row["uid"]]
        for name in ("family", "received", "closed", "verdict", "complaint", "customer", "notes", "origin"):
            assert row[name] == (getattr(case, name) or None), name
    facts = ("rail", "point", "supply", "after_repair")
    numbers = ("value", "min", "max")
    read: dict[str, list[Any]] = {}
    for row in sorted(tables["readings"], key=lambda row: (row["case"], row["position"])):
        values = [None if row[name] is None else float(row[name]) for name in numbers]
        read.setdefault(row["case"], []).append([*(row[name] for name in facts), *values])
    for uid, case in cases.items():
        stored = [[getattr(one, name) for name in (*facts, *numbers)] for one in case.readings]
        assert read.get(uid, []) == stored
    costs = sorted(float(row["cost"]) for row in tables["attempts"] if row["cost"] is not None)
    assert costs == sorted(
        one.cost for case in cases.values() for one in case.attempts if one.cost is not None
    )
    assert sum(len(one.symptoms) for one in cases.values()) == len(tables["symptoms_of_cases"])
    rail = next(row for row in tables["rails"] if row["always_on"])
    assert isinstance(rail["pins"], list)
    shop.close()


def test_a_package_of_a_search_result_is_whole_in_itself(tmp_path: Path) -> None:
    shop = demo_shop()
    tables = read_package(shop, tmp_path, Choice("relay", Filters(verdict="repaired")))
    assert 0 < len(tables["families"]) < 100
    assert {row["family"] for row in tables["cases"]} == {row["code"] for row in tables["families"]}
    shop.close()


def test_a_file_is_written_wholly_or_not_at_all(tmp_path: Path) -> None:
    target = tmp_path / "x.jsonl"
    target.write_bytes(b"before")

    def broken() -> Any:
        yield b"half"
        raise RuntimeError("disk gone")

    with pytest.raises(RuntimeError):
        exports.write_file(target, broken())
    assert target.read_bytes() == b"before"
    assert [one.name for one in tmp_path.iterdir()] == ["x.jsonl"]
