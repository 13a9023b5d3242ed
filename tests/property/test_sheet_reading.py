"""Tables come back as they were written, and no bytes whatever make a reader fail otherwise than by saying so.

References: RFC 4180 (its examples), Python's csv module and codecs as writers, openpyxl as the writer of
workbooks, the WHATWG Encoding Standard for the open bytes of Windows-1252 (from memory).
"""

from __future__ import annotations

import csv
import io
import random
import tempfile
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from sheet_files import harbour_book, workbook
from tiers import examples

from kb.errors import BadInput
from kb.exchange import sheet_text, sheets
from kb.exchange.sheets import Look

TEXT_1252 = "".join(bytes([code]).decode("cp1252") for code in range(32, 256) if code not in (0x7F, 0x81, 0x8D, 0x8F, 0x90, 0x9D))  # noqa: E501  # fmt: skip
SEPARATORS = st.sampled_from(list(sheets.SEPARATORS))


def tables(alphabet: str | None = None) -> st.SearchStrategy[list[list[str]]]:
    letters = (
        st.sampled_from(alphabet + "\n")
        if alphabet
        else st.characters(exclude_categories=("Cs",), exclude_characters="\x00\r\ufeff")
    )
    cell = st.text(letters, max_size=12)
    return st.lists(st.lists(cell, min_size=1, max_size=5), min_size=1, max_size=8)


def rows_of(content: bytes, how: Look) -> list[list[str]]:
    with tempfile.TemporaryDirectory() as folder:
        file = Path(folder) / "table"
        file.write_bytes(content)
        return list(sheet_text.rows(file, how.encoding, how.separator))


def copied(content: bytes, how: Look | None = None) -> list[tuple[int, list[str]]]:
    with tempfile.TemporaryDirectory() as folder:
        file, plain = Path(folder) / "table", Path(folder) / "plain"
        file.write_bytes(content)
        sheets.copied(file, how or sheets.look(file), plain)
        return list(sheets.plain_rows(plain))


def refusal(content: bytes) -> BadInput | None:
    """Why a file is refused, None where it is a table; any other error is the test's failure."""
    try:
        copied(content)
    except BadInput as error:
        return error
    return None


def written(table: list[list[str]], separator: str) -> str:
    out = io.StringIO()
    csv.writer(out, delimiter=separator).writerows(table)
    return out.getvalue()


@settings(max_examples=examples(60), deadline=None)
@given(tables(), SEPARATORS, st.sampled_from(["utf-8", "utf-8-sig", "utf-16-le", "utf-16-be"]))
def test_any_table_in_any_unicode_reads_back(table: list[list[str]], separator: str, codec: str) -> None:
    text = written(table, separator)
    if text.lower().startswith("sep="):
        return
    assert rows_of(text.encode(codec), Look("text", codec.removesuffix("-sig"), separator)) == table


@settings(max_examples=examples(60), deadline=None)
@given(tables(TEXT_1252), SEPARATORS)
def test_any_table_in_windows_1252_reads_back(table: list[list[str]], separator: str) -> None:
    text = written(table, separator)
    if text.lower().startswith("sep="):
        return
    assert rows_of(text.encode("cp1252"), Look("text", "windows-1252", separator)) == table


def test_the_examples_of_rfc_4180_are_read_as_it_says() -> None:
    # RFC 4180, section 2, rules 1 to 7.
    cases = {
        b"aaa,bbb,ccc\r\nzzz,yyy,xxx\r\n": [["aaa", "bbb", "ccc"], ["zzz", "yyy", "xxx"]],
        b"aaa,bbb,ccc\r\nzzz,yyy,xxx": [["aaa", "bbb", "ccc"], ["zzz", "yyy", "xxx"]],
        b'"aaa","bbb","ccc"\r\nzzz,yyy,xxx': [["aaa", "bbb", "ccc"], ["zzz", "yyy", "xxx"]],
        b'"aaa","b\r\nbb","ccc"\r\nzzz,yyy,xxx': [["aaa", "b\r\nbb", "ccc"], ["zzz", "yyy", "xxx"]],
        b'"aaa","b""bb","ccc"': [["aaa", 'b"bb', "ccc"]],
    }
    for content, table in cases.items():
        assert rows_of(content, Look("text", "utf-8", ",")) == table


@pytest.mark.parametrize("codec", ["utf-8", "utf-8-sig", "cp1252", "utf-16", "utf-16-le", "utf-16-be"])
@pytest.mark.parametrize("separator", [",", ";", "\t"])
def test_encoding_and_separator_are_found(tmp_path: Path, codec: str, separator: str) -> None:
    table = [["Board", "Größe", "Note"], ["HX-210", "4,7", "hält"], ["GL-31", "12", 'a "b"; c, d']] * 3
    file = tmp_path / "book.xlsx"  # the suffix decides nothing
    file.write_bytes(written(table, separator).encode(codec))
    how = sheets.look(file)
    assert (how.kind, how.separator) == ("text", separator)
    assert how.encoding.removeprefix("windows-") == codec.removesuffix("-sig").removeprefix("cp").replace(
        "utf-16", "utf-16-le"
    ).replace("utf-16-le-le", "utf-16-le").replace("utf-16-le-be", "utf-16-be")
    assert [row for _, row in copied(file.read_bytes(), how)] == table


def test_the_five_open_bytes_of_windows_1252_are_the_control_characters_of_that_number() -> None:
    assert rows_of(b"a\x81\x8d\x8f\x90\x9d", Look("text", "windows-1252", ",")) == [["a\x81\x8d\x8f\x90\x9d"]]


def test_a_line_that_names_the_separator_is_obeyed_and_is_no_row(tmp_path: Path) -> None:
    file = tmp_path / "t"
    file.write_bytes(b"sep=;\r\na;b,c\r\n1;2,5\r\n")
    how = sheets.look(file)
    assert how.separator == ";"
    assert [row for _, row in copied(file.read_bytes(), how)] == [["a", "b,c"], ["1", "2,5"]]


@settings(max_examples=examples(150), suppress_health_check=[HealthCheck.too_slow], deadline=None)
@given(st.binary(max_size=400))
def test_random_bytes_are_a_table_or_refused_in_a_sentence(content: bytes) -> None:
    problem = refusal(content)
    assert problem is None or (problem.message.endswith(".") and problem.remedy)


def test_changed_workbooks_and_texts_are_a_table_or_refused_in_a_sentence() -> None:
    dice = random.Random(4180)
    book = workbook([["Board", "In"], ["HX-210", 4.7], ["GL-31", None]])
    refused = 0
    for round_number in range(250):
        content = bytearray(book if round_number % 2 else harbour_book())
        for _ in range(dice.randint(1, 12)):
            place = dice.randrange(len(content))
            match dice.randrange(3):
                case 0:
                    content[place] = dice.randrange(256)
                case 1:
                    del content[place : place + dice.randint(1, 40)]
                case _:
                    content[place:place] = bytes(dice.randrange(256) for _ in range(dice.randint(1, 20)))
        problem = refusal(bytes(content))
        refused += problem is not None
        assert problem is None or problem.remedy
    assert refused > 50
