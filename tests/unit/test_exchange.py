"""JSON Lines in and out: strict, repeatable, and all or nothing."""

from __future__ import annotations

import io
import json
from pathlib import Path
from typing import Any

import commands
import pytest
from databases import PLACES
from demo_town.generator import generate
from demo_town.generator import lines as demo_text
from factories import a_case, a_family, bring, case_json, demo_lines, demo_shop, encoded, exported, fresh_shop

from kb.errors import BadInput, BadLine
from kb.exchange import lines as exchange
from kb.model import LoadRecord, PartClassRecord, SymptomRecord
from kb.service import Shop
from kb.service.cases import cases
from kb.service.transfer import json_lines


@pytest.fixture
def shop() -> Any:
    made = fresh_shop()
    assert bring(made, a_family(aliases=["GL31-B"])).saved
    yield made
    made.close()


def dumped(**changed: Any) -> bytes:
    return json.dumps(case_json(**changed)).encode()


GOOD = dumped(uid="good")
READING = {"rail": "5VSB", "supply": "standby"}


@pytest.mark.parametrize(
    ("line", "field", "said"),
    [
        (b'{"record":"case"', None, "not valid JSON"),
        (b"not json", None, "not valid JSON"),
        (b"[1]", "record", "not a record"),
        (b"null", "record", "not a record"),
        (b"{}", "record", "kind of record"),
        (b'{"record":"cake"}', "record", "kind of record"),
        (b'{"record":["case"]}', "record", "kind of record"),
        (b'{"record":"case","family":"GL-31","family":"GL-31"}', None, "family is given twice"),
        (b'{"record":"case","\\ud800":1,"\\ud800":1}', None, "given twice"),
        (dumped(readings=[{**READING, "value": 1.5}]).replace(b"1.5", b"NaN"), None, "NaN"),
        (dumped(readings=[{**READING, "value": 1.5}]).replace(b"1.5", b"-Infinity"), None, "-Infinity"),
        (
            dumped(readings=[{**READING, "value": 1.5}]).replace(b"1.5", b"1e999"),
            "readings.0.value",
            "finite",
        ),
        (dumped(readings=[{**READING, "value": 1.5}]).replace(b"1.5", b"9" * 400), "readings.0.value", ""),
        (dumped(readings=[{**READING, "value": 1.5}]).replace(b"1.5", b"9" * 5000), None, "not valid JSON"),
        (b"[" * 100_000, None, "nested too deeply"),
        (dumped(family="nobody"), "family", 'no family "nobody"'),
        (dumped(symptoms=[{"name": "sings"}]), "symptoms.0.name", 'no symptom "sings"'),
        (
            dumped(attempts=[{"part_class": "flux capacitor", "section": "other"}]),
            "attempts.0.part_class",
            'no part class "flux capacitor"',
        ),
        (dumped(surprise=1), "surprise", "not a field of this record"),
        (dumped(complaint=7), "complaint", "not text"),
        (dumped(complaint="x" * 2001), "complaint", "longer than 2000"),
        (dumped(notes="\x07"), "notes", "control characters"),
        (dumped(received="2036-01-01", closed="2036-01-02"), "received", "in the future"),
        (dumped(closed="2026-03-01"), "closed", "before the day"),
        (dumped(verdict="fine"), "verdict", "not in the list"),
        (dumped(complaint="caf\u00e9").replace(b"\\u00e9", b"\xe9"), None, "not UTF-8"),
        (b"\xff\xfe{\x00", None, "not UTF-8"),
        (b'{"record":"family","code":"---"}', "code", "no letter or digit"),
        (
            b'{"record":"family","code":"WB-7","aliases":["gl 31 b"]}',
            "aliases",
            "already belongs to board family GL-31",
        ),
        (b'{"record":"load","name":"lamp","kind":"lamp"}', "points", "missing for a lamp"),
        (b'{"record":"family","code":"good"}{"record":"family","code":"two"}', None, "not valid JSON"),
        (b'"' + b"x" * 4_000_100 + b'"', None, "too long"),
    ],
    ids=lambda value: repr(value)[:60],
)
def test_a_bad_line_names_its_number_field_reason_and_remedy_and_nothing_is_kept(
    shop: Shop, line: bytes, field: str | None, said: str
) -> None:
    before, number = exported(shop), json_lines.newest_change(shop)
    report = bring(shop, GOOD, line, dumped(uid="also-good"))
    assert not report.saved
    (problem,) = report.problems
    assert problem.line == 2
    assert problem.field == field
    assert said in problem.message
    assert problem.message.endswith(".")
    assert problem.remedy
    assert (exported(shop), json_lines.newest_change(shop)) == (before, number)


def test_bad_lines_are_skipped_when_asked_and_the_good_ones_kept(shop: Shop) -> None:
    report = bring(shop, GOOD, b"{", dumped(uid="x"), dumped(family="nobody"), skip_bad=True)
    assert report.saved
    assert (report.added, report.refused) == (2, 2)
    assert [problem.line for problem in report.problems] == [2, 4]
    assert cases.exists(shop, "good")


def test_a_line_that_contradicts_an_earlier_one_of_the_same_record_is_refused(shop: Shop) -> None:
    report = bring(shop, GOOD, b"", dumped(uid="good", notes="or rather so"))
    (problem,) = report.problems
    assert (problem.line, problem.field) == (3, "uid")
    assert "earlier line" in problem.message
    assert not cases.exists(shop, "good")
    families = bring(shop, a_family("WB-7"), a_family("wb7", fuse="T2A"))
    assert (families.problems[0].line, families.problems[0].field) == (2, "code")


def test_the_same_line_twice_is_one_record(shop: Shop) -> None:
    report = bring(shop, GOOD, GOOD)
    assert report.saved
    assert (report.added, report.unchanged) == (1, 1)


def test_a_contradiction_with_the_store_is_an_update(shop: Shop) -> None:
    bring(shop, GOOD)
    report = bring(shop, dumped(uid="good", notes="newer"))
    assert (report.updated, report.refused) == (1, 0)
    assert cases.history(shop, "good")[0]["version"] == 1


def test_byte_order_mark_windows_line_ends_and_blank_lines_are_no_trouble(shop: Shop) -> None:
    lines = [b"\xef\xbb\xbf" + GOOD + b"\r\n", b"\r\n", b"   \n", b"\n", dumped(uid="last")]
    report = json_lines.bring_in(shop, lines)
    assert report.saved
    assert report.added == 2


def test_line_numbers_count_blank_lines_too(shop: Shop) -> None:
    assert bring(shop, b"", b"", b"{").problems[0].line == 3


def test_an_empty_file_is_no_error(shop: Shop) -> None:
    report = bring(shop)
    assert report.saved
    assert report.added == report.refused == 0


def test_create_missing_adds_what_a_case_names_and_says_so(shop: Shop) -> None:
    line = dumped(
        uid="new",
        family="WB-7",
        symptoms=[{"name": "sings"}],
        attempts=[{"part_class": "flux capacitor", "section": "other", "result": "cured"}],
    )
    report = bring(shop, line, line, create_missing=True)
    assert report.created == ["family WB-7", "symptom sings", "part class flux capacitor"]
    assert cases.stored(shop, "new").record.family == "WB-7"


def test_a_name_that_cannot_be_a_family_is_refused_at_its_line(shop: Shop) -> None:
    report = bring(shop, GOOD, dumped(family="---"), create_missing=True)
    (problem,) = report.problems
    assert (problem.line, problem.field) == (2, "family")
    assert problem.remedy


def test_what_a_refused_line_would_have_created_does_not_stay(shop: Shop) -> None:
    clash = [{"name": "relay ticking"}, {"name": "relay clicks repeatedly"}, {"name": "sings"}]
    report = bring(shop, dumped(family="WB-7", symptoms=clash), GOOD, create_missing=True, skip_bad=True)
    assert report.saved
    assert report.created == []
    assert "WB-7" not in exported(shop)
    assert "sings" not in exported(shop)


def test_a_family_or_word_later_in_the_file_is_too_late_and_one_before_is_in_time(shop: Shop) -> None:
    case, family = dumped(family="WB-7"), a_family("WB-7")
    assert bring(shop, case, family).problems[0].line == 1
    assert bring(
        shop, family, SymptomRecord(name="sings"), dumped(family="wb7", symptoms=[{"name": "SINGS"}])
    ).saved


def test_the_same_file_twice_changes_nothing() -> None:
    shop = demo_shop()
    before, number = exported(shop), json_lines.newest_change(shop)
    report = json_lines.bring_in(shop, demo_lines())
    assert (report.added, report.updated, report.refused) == (0, 0, 0)
    assert report.unchanged == len(demo_lines())
    assert (exported(shop), json_lines.newest_change(shop)) == (before, number)
    shop.close()


def test_the_demo_exported_and_imported_into_an_empty_store_exports_the_same_bytes() -> None:
    shop, other = demo_shop(), fresh_shop()
    text = exported(shop)
    assert text.count('"record":"case"') >= 400
    assert text.count('"record":"family"') >= 12
    report = json_lines.bring_in(other, text.encode().splitlines(keepends=True))
    assert report.saved
    assert exported(other) == text
    shop.close()
    other.close()


def test_lists_that_were_extended_travel_with_the_export(shop: Shop) -> None:
    bring(
        shop,
        SymptomRecord(name="sings", synonyms=["hums a shanty"], how="look", minutes=2.5),
        PartClassRecord(name="flux capacitor", synonyms=["fc"], letters=["FC"]),
        LoadRecord(name="lamp 21 W", kind="lamp", points=[[12.0, 1.75]], max_w=25, count=4),
        SymptomRecord(name="NO PICTURE", synonyms=["black"]),
    )
    other = fresh_shop()
    assert bring(other, *exported(shop).encode().splitlines()).saved
    assert exported(other) == exported(shop)
    assert '"name":"NO PICTURE"' in exported(other)
    other.close()


def test_uids_are_made_from_the_content_so_that_they_repeat() -> None:
    def uids(lines: list[bytes]) -> list[str]:
        found = []
        for _, record in exchange.read(lines):
            assert not isinstance(record, BadLine)
            found.append(str(record.model_dump()["uid"]))
        return found

    one, other = a_case(), a_case(notes="another")
    first = uids(encoded([one, one, other]))
    assert len(set(first)) == 3
    assert uids(encoded([other, one, one])) == [first[2], first[0], first[1]]


def test_an_import_tells_its_progress_in_bytes(shop: Shop) -> None:
    told: list[int] = []
    lines = encoded([a_case(f"case-{number}") for number in range(30)])
    json_lines.bring_in(shop, lines, progress=told.append)
    assert told == [len(line) for line in lines]


# What getrusage(2) tells of a process began with the size of the one that started it, which is that of the whole test
# run; VmHWM is the process's own (proc_pid_status(5)).
_MEASURE = """
import re, sys
from pathlib import Path
from factories import shop_in
from kb.service.transfer import json_lines
folder = Path(sys.argv[1])
shop = shop_in(folder / "data")
for name in ("few", "many"):
    told = []
    with (folder / name).open("rb") as lines:
        report = json_lines.bring_in(shop, lines, progress=told.append, refresh=False)
    assert report.saved and report.refused == 0, report.problems[:3]
    peak_kib = re.search(r"VmHWM:\\s+(\\d+)", Path("/proc/self/status").read_text())[1]
    print(report.added, sum(told), peak_kib)
shop.store.close()
"""


@pytest.mark.parametrize(
    ("few", "many", "most_kib"),
    [(300, 1_200, 20_000), pytest.param(2_000, 10_000, 32_000, marks=pytest.mark.long)],
)
def test_many_cases_take_hardly_more_memory_than_few(
    few: int, many: int, most_kib: int, tmp_path: Path
) -> None:
    for seed, (name, count) in enumerate((("few", few), ("many", many))):
        with (tmp_path / name).open("w", encoding="utf-8") as out:
            out.writelines(demo_text(generate(seed, cases=count)))
    process = commands.start_code(_MEASURE, [str(tmp_path)], PLACES.for_child(tmp_path / "data"))
    said, wrong = process.communicate()
    assert process.returncode == 0, wrong
    brought = [tuple(map(int, line.split())) for line in said.splitlines()]
    assert [cases >= count for (cases, _, _), count in zip(brought, (few, many), strict=True)] == [True] * 2
    assert [told for _, told, _ in brought] == [(tmp_path / name).stat().st_size for name in ("few", "many")]
    (_, _, small), (_, _, large) = brought
    # The page cache of the database alone may fill its 16 MB.
    assert large - small < most_kib, f"{small} KiB for {few:,} cases, {large} KiB for {many:,}"


def test_an_earlier_version_never_replaces_a_newer_edit_unless_it_is_to(shop: Shop) -> None:
    line = dumped(uid="edited", notes="as it came in")
    assert bring(shop, line).saved
    cases.save(
        shop,
        cases.stored(shop, "edited").record.model_copy(update={"notes": "seen again"}),
        expected_version=1,
    )
    report = bring(shop, line)
    assert report.saved
    assert (report.updated, report.unchanged, report.conflicting) == (0, 0, 1)
    assert report.conflicts == ["case edited: the file holds an earlier version"]
    assert cases.stored(shop, "edited").record.notes == "seen again"
    assert bring(shop, dumped(uid="edited", notes="news from elsewhere")).updated == 1
    assert bring(shop, line, overwrite=True).updated == 1
    assert cases.stored(shop, "edited").record.notes == "as it came in"
    assert bring(shop, line).unchanged == 1


def test_an_earlier_family_stays_what_it_became(shop: Shop) -> None:
    assert bring(shop, a_family("WB-9", notes="one")).saved
    assert bring(shop, a_family("WB-9", notes="two")).updated == 1
    report = bring(shop, a_family("WB-9", notes="one"))
    assert (report.updated, report.conflicts) == (0, ["family WB-9: the file holds an earlier version"])


def test_a_case_in_the_bin_stays_there_whatever_a_line_says(shop: Shop) -> None:
    assert bring(shop, dumped(uid="gone")).saved
    cases.put_in_bin(shop, "gone")
    report = bring(shop, dumped(uid="gone"), dumped(uid="new"))
    assert (report.added, report.updated, report.conflicts) == (1, 0, ["case gone: it is in the bin"])
    assert cases.stored(shop, "gone").binned_at is not None
    assert bring(shop, dumped(uid="gone"), overwrite=True).updated == 1
    assert cases.stored(shop, "gone").binned_at is None


def test_a_file_of_other_things_ends_at_a_hundred_problems_and_locks_nobody_out(
    shop: Shop, monkeypatch: pytest.MonkeyPatch
) -> None:
    read = 0

    class Counted(io.BytesIO):
        def __next__(self) -> bytes:
            nonlocal read
            read += 1
            return super().__next__()

    def locked(*_: object) -> Any:
        raise AssertionError("the lock was asked for")

    monkeypatch.setattr(type(shop.store), "write", locked)
    report = json_lines.bring_in(shop, Counted(b"x;y;z\n" * 100_000))
    assert (report.saved, report.refused, report.stopped, read) == (False, 100, True, 100)


def test_a_wrong_file_is_refused_soon_also_where_bad_lines_are_skipped(shop: Shop) -> None:
    report = json_lines.bring_in(shop, io.BytesIO(b"x;y;z\n" * 100_000), skip_bad=True)
    assert (report.saved, report.refused, report.stopped) == (False, 1_000, True)
    assert json_lines.bring_in(shop, io.BytesIO(b"x\n" * 900 + GOOD), skip_bad=True).refused == 900


def test_lines_that_the_store_refuses_end_an_import_at_a_hundred_too(shop: Shop) -> None:
    lines = [dumped(uid=f"c{number}", family="nobody knows") for number in range(300)]
    report = bring(shop, GOOD, *lines)
    assert (report.saved, report.refused, report.stopped) == (False, 100, True)
    assert bring(shop, GOOD, *lines, skip_bad=True).refused == 300


def test_an_import_whose_sender_has_gone_keeps_nothing(shop: Shop) -> None:
    def gone(_: int) -> None:
        raise BadInput("Whoever sent the file has gone.")

    with pytest.raises(BadInput):
        json_lines.bring_in(shop, [GOOD], progress=gone)
    assert exported(shop).count('"record":"case"') == 0
