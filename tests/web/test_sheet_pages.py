"""A spreadsheet on its way in: every step a page that works without a script and loses nothing."""

from __future__ import annotations

import csv
import io
import json
import os
import re
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import httpx
import pytest
from commands import STUCK_S
from factories import a_case, a_family, bring, exported, shop_in
from sheet_files import harbour_book, workbook
from web_client import Client, Page

from kb.service import sheets
from kb.service.sheets.decisions import NOTES, form_name, word_key
from kb.store.records import changes

BOOK = "book.csv"


@pytest.fixture
def desk(tmp_path: Path) -> Iterator[Client]:
    made = Client(shop_in(tmp_path / "data"))
    yield made
    made.close()


def send(desk: Client, content: bytes, name: str = BOOK) -> str:
    """Sends a file; the address of its sheet."""
    answer = desk.post("/data/sheet", files={"file": (name, content)})
    assert answer.status_code == 303, answer.text
    return through(desk, answer).removesuffix("/columns")


def through(desk: Client, answer: httpx.Response) -> str:
    """Where a step leads, its work waited for."""
    place = answer.headers["location"]
    if place.startswith("/jobs/"):
        job = desk.shop.jobs.get(place.rpartition("/")[2])
        assert job.wait(STUCK_S)
        assert job.state == "done", (job.trouble, job.remedy)
        place = job.answer_at
    return str(place)


def form(desk: Client, base: str, step: str, **changed: str) -> dict[str, Any]:
    """The form of a step as a browser would send it."""
    return Page(desk.get(f"{base}/{step}").text).form(f"{base}/{step}") | changed


def select_of(page: str, label: str, examples: str = "") -> str:
    """Name of the select that is labelled so."""
    found = re.findall(rf'<label class="field__label" for="f-(q\w+)">{re.escape(label)}</label>\s*(?:<span class="field__hint"[^>]*>([^<]*))?', page)  # noqa: E501  # fmt: skip
    names = [name for name, hint in found if examples in hint]
    assert len(names) == 1, (label, found)
    return str(names[0])


def decide_all(desk: Client, base: str) -> str:
    """Columns as guessed, the three open words of the harbour book decided; the next address."""
    assert (
        desk.post(f"{base}/columns", data=form(desk, base, "columns")).headers["location"] == f"{base}/values"
    )
    shown = desk.get(f"{base}/values").text
    sent = form(desk, base, "values")
    sent[select_of(shown, "Measured with the supply")] = "standby"
    return through(desk, desk.post(f"{base}/values", data=sent))


def check(desk: Client, base: str) -> str:
    """On to the check with all symptoms; the page."""
    decide_all(desk, base)
    sent = {"read_texts": "yes", "symptom": ["no picture", "relay clicks repeatedly", "fuse blown", "dead"]}
    assert through(desk, desk.post(f"{base}/texts", data=sent)) == f"{base}/check"
    return desk.get(f"{base}/check").text


def cases_of(desk: Client) -> dict[str, dict[str, Any]]:
    """The cases of the store as they are taken out, by the word before the colon in their complaint."""
    lines = [json.loads(line) for line in exported(desk.shop).splitlines()]
    return {line["complaint"].partition(":")[0]: line for line in lines if line["record"] == "case"}


def figures(page: str) -> dict[str, int]:
    return {name: int(number) for name, number in re.findall(r"<dt>([^<]+)</dt><dd>(\d+)</dd>", page)}


def test_a_messy_book_comes_in_step_by_step_without_a_script(desk: Client) -> None:
    assert "/data/sheet" in desk.get("/data").text
    base = send(desk, harbour_book())
    columns = Page(desk.get(f"{base}/columns").text)
    assert "Fähre Möwe" in columns.words
    guessed = columns.form(f"{base}/columns")
    assert [guessed[f"to.{place}"] for place in range(11)] == [
        "uid", "received", "closed", "family", "customer", "complaint", "rail", "part", "verdict", "cost", "minutes",
    ]  # fmt: skip
    page = check(desk, base)
    assert figures(page) == {"New cases": 4, "Changed cases": 0, "As they are": 0, "Refused": 1}
    assert "No board number stands in this row." in page
    assert "HX-210, GL-31" in page
    assert exported(desk.shop).count('"record":"case"') == 0

    refused = desk.post(f"{base}/run", data={"mapping_name": ""})
    assert refused.status_code == 422
    assert "nothing is brought in" in refused.text
    done = through(desk, desk.post(f"{base}/run", data={"keep_good": "yes", "mapping_name": "Job book"}))
    assert done == f"{base}/result"
    assert "Brought in" in desk.get(done).text
    lines = [line for line in exported(desk.shop).splitlines() if '"record":"case"' in line]
    assert len(lines) == 4
    first = next(line for line in lines if '"received":"2014-04-03"' in line)
    for part in ('"family":"HX-210"', '"closed":"2014-04-05"', '"verdict":"repaired"', '"customer":"Fähre Möwe"',
                 '"complaint":"no picture,\\nrelay ticks"', '{"name":"relay clicks repeatedly"}', '"value":4.2',
                 '"part":"C9","part_class":"electrolytic capacitor"', '"result":"cured"', '"cost":1.2', '"minutes":30',
                 '"supply":"standby"', "Auftragsnr: 17"):  # fmt: skip
        assert part in first, part
    scrapped = next(line for line in lines if "brummt" in line)
    assert '"cost":1234.5' in scrapped
    assert '"minutes":120' in scrapped
    assert "received" not in scrapped


def test_the_same_file_again_is_read_by_itself_and_changes_nothing(desk: Client) -> None:
    base = send(desk, harbour_book())
    check(desk, base)
    through(desk, desk.post(f"{base}/run", data={"keep_good": "yes", "mapping_name": "Job book"}))
    before = exported(desk.shop)
    assert "Job book" in desk.get("/data/sheet").text
    again = send(desk, harbour_book(), "renamed.txt")
    assert "Job book" in desk.get(f"{again}/columns").text
    desk.post(f"{again}/columns", data=form(desk, again, "columns"))
    assert "Only you know" not in desk.get(f"{again}/values").text
    desk.post(f"{again}/values", data=form(desk, again, "values"))
    through(desk, desk.post(f"{again}/texts", data={"read_texts": "yes"}))
    assert figures(desk.get(f"{again}/check").text)["As they are"] == 4
    through(desk, desk.post(f"{again}/run", data={"keep_good": "yes"}))
    assert exported(desk.shop) == before


def test_an_import_is_undone_and_can_come_in_again(desk: Client) -> None:
    base = send(desk, harbour_book())
    check(desk, base)
    through(desk, desk.post(f"{base}/run", data={"keep_good": "yes"}))
    full = exported(desk.shop)
    assert f"{base}/undo" in desk.get(f"{base}/result").text
    asked = desk.get(f"{base}/undo").text
    assert figures(asked)["Into the bin"] == 6  # four cases and their two boards
    assert through(desk, desk.post(f"{base}/undo")) == f"{base}/result"
    assert "This import was undone" in desk.get(f"{base}/result").text
    assert '"record":"case"' not in exported(desk.shop)
    assert '"record":"family"' not in exported(desk.shop)
    again = desk.post(f"{base}/undo")
    assert desk.shop.jobs.get(again.headers["location"].rpartition("/")[2]).state == "failed"
    through(desk, desk.post(f"{base}/check"))
    through(desk, desk.post(f"{base}/run", data={"keep_good": "yes"}))
    assert exported(desk.shop) == full


def test_refused_rows_come_back_in_the_sheets_own_layout_and_are_mended_with_the_same_mapping(
    desk: Client,
) -> None:
    base = send(desk, harbour_book().replace(b"Hafenamt;dead", b"=Hafenamt;dead"))
    check(desk, base)
    through(desk, desk.post(f"{base}/run", data={"keep_good": "yes", "mapping_name": "Job book"}))
    sent = desk.get(f"{base}/refused.csv")
    assert "attachment" in sent.headers["content-disposition"]
    rows = list(csv.reader(io.StringIO(sent.content.decode("utf-8-sig")), delimiter=";"))
    assert rows[0][:2] == ["Auftragsnr", "Eingang"]
    assert rows[0][-1] == "Why it was refused"
    assert rows[1][4] == "'=Hafenamt"
    assert rows[1][-1] == "No board number stands in this row."
    assert len(rows) == 2

    mended = sent.content.replace(b";;'=Hafenamt", b";GL-31;'=Hafenamt")
    again = send(desk, mended, "refused.csv")
    assert "Job book" in desk.get(f"{again}/columns").text
    desk.post(f"{again}/columns", data=form(desk, again, "columns"))
    desk.post(f"{again}/values", data=form(desk, again, "values"))
    through(desk, desk.post(f"{again}/texts", data={"read_texts": "yes"}))
    page = desk.get(f"{again}/check").text
    assert figures(page) == {"New cases": 1, "Changed cases": 0, "As they are": 0, "Refused": 0}
    through(desk, desk.post(f"{again}/run", data={}))
    assert '"customer":"=Hafenamt"' in exported(desk.shop)


def test_what_is_not_decided_is_asked_again_and_nothing_chosen_is_lost(desk: Client) -> None:
    base = send(desk, harbour_book())
    desk.post(f"{base}/columns", data=form(desk, base, "columns"))
    shown = desk.get(f"{base}/values").text
    scrap = form_name(word_key("verdict", "Schrott"))
    # The standby rail's state is most likely meant; a person may take that back.
    sent = form(desk, base, "values") | {scrap: "=not economical"}
    sent[select_of(shown, "Measured with the supply")] = ""
    answer = desk.post(f"{base}/values", data=sent)
    assert answer.status_code == 422
    assert "is not decided yet" in answer.text
    assert f'href="#f-{select_of(shown, "Measured with the supply")}"' in answer.text
    assert Page(answer.text).form(f"{base}/values")[scrap] == "=not economical"


def test_two_columns_cannot_both_be_the_board_and_one_must_be(desk: Client) -> None:
    base = send(desk, harbour_book())
    twice = desk.post(f"{base}/columns", data=form(desk, base, "columns") | {"to.4": "family"})
    assert twice.status_code == 422
    assert "Two columns" in twice.text
    assert Page(twice.text).form(f"{base}/columns")["to.4"] == "family"
    none = desk.post(f"{base}/columns", data=form(desk, base, "columns") | {"to.3": "", "to.4": ""})
    assert none.status_code == 422
    assert "which board" in none.text
    given = form(desk, base, "columns") | {"to.3": "", "to.4": "", "family_of_all": "HX-210"}
    assert desk.post(f"{base}/columns", data=given).status_code == 303


def test_encoding_separator_and_headings_can_be_changed(desk: Client) -> None:
    base = send(desk, "Board;Note\nHX-210;Größe\n".encode("cp1252"))
    way = {"encoding": "windows-1252", "separator": ",", "heading_row": "1"}
    assert through(desk, desk.post(f"{base}/reading", data=way)) == f"{base}/columns"
    assert "Board;Note" in desk.get(f"{base}/columns").text
    through(desk, desk.post(f"{base}/reading", data=way | {"separator": ";", "heading_row": "1"}))
    assert "Größe" in desk.get(f"{base}/columns").text
    bad = desk.post(f"{base}/reading", data=way | {"encoding": "utf-16-le"})
    assert bad.status_code in (303, 422)
    wrong = desk.post(f"{base}/reading", data=way | {"encoding": "rot13"})
    assert wrong.status_code == 422
    assert "not in the list" in wrong.text


def test_rows_of_one_job_become_one_case_and_contradictions_are_refused(desk: Client) -> None:
    base = send(
        desk,
        workbook(
            [
                ["Job", "Board", "Result", "Part", "Notes"],
                [1, "HX-210", "ok", "C9", "cleaned"],
                [2, "GL-31", "ok", "F1", ""],
                [1, "HX-210", "ok", "C12", "cleaned"],
                [3, "HX-210", "ok", "C9", ""],
                [3, "GL-31", "ok", "C9", ""],
            ]
        ),
        "jobs.csv",
    )
    desk.post(f"{base}/columns", data=form(desk, base, "columns"))
    through(desk, desk.post(f"{base}/values", data=form(desk, base, "values")))
    through(desk, desk.post(f"{base}/texts", data=form(desk, base, "texts")))
    page = desk.get(f"{base}/check").text
    assert figures(page) == {"New cases": 2, "Changed cases": 0, "As they are": 0, "Refused": 1}
    assert "different things under Board" in page
    through(desk, desk.post(f"{base}/run", data={"keep_good": "yes"}))
    joined = next(line for line in exported(desk.shop).splitlines() if "Job: 1" in line)
    assert joined.count('"part":') == 2
    assert joined.count("cleaned") == 1


def test_a_case_number_that_is_another_board_in_the_book_is_refused(desk: Client) -> None:
    for board, new, refused in (("HX-210", 1, 0), ("GL-31", 0, 1)):
        base = send(desk, f"Job,Board,Complaint\n7,{board},dead\n".encode())
        desk.post(f"{base}/columns", data=form(desk, base, "columns"))
        desk.post(f"{base}/values", data=form(desk, base, "values"))
        through(desk, desk.post(f"{base}/texts", data={"read_texts": "yes"}))
        found = figures(desk.get(f"{base}/check").text)
        assert (found["New cases"], found["Refused"]) == (new, refused)
        desk.post(f"{base}/run", data={})


def test_another_number_is_added_to_a_known_board_without_losing_its_rails(desk: Client) -> None:
    assert bring(desk.shop, a_family("GL-31"), a_family("HX-210"), a_case("one")).saved
    base = send(desk, b"Board,Other number,Complaint\nGL-31,31-B,dead\nGL-31,HX 210,dead\nKQ-7,KQ-7A,dead\n")
    desk.post(f"{base}/columns", data=form(desk, base, "columns"))
    desk.post(f"{base}/values", data=form(desk, base, "values"))
    through(desk, desk.post(f"{base}/texts", data={"read_texts": "yes"}))
    page = desk.get(f"{base}/check").text
    assert "already belongs to board HX-210" in page
    through(desk, desk.post(f"{base}/run", data={"keep_good": "yes"}))
    families = [line for line in exported(desk.shop).splitlines() if '"record":"family"' in line]
    known = next(line for line in families if '"code":"GL-31"' in line)
    assert '"aliases":["31-B"]' in known
    assert '"name":"5VSB"' in known
    assert any('"code":"KQ-7"' in line and "KQ-7A" in line for line in families)


@pytest.mark.parametrize(
    ("content", "why"),
    [(b"", "empty"), (b"%PDF-1.7", "a PDF"), (b"PK\x03\x04xx", "damaged"), (b"x," * 900_000, "columns")],
)
def test_a_wrong_file_is_refused_with_its_reason_and_leaves_nothing(
    desk: Client, content: bytes, why: str
) -> None:
    answer = desk.post("/data/sheet", files={"file": ("../../evil.csv", content)})
    assert answer.status_code == 422
    assert why in answer.text
    assert list((desk.shop.settings.data / "incoming").iterdir()) == []
    assert desk.post("/data/sheet", data={}).status_code == 422


def test_names_from_the_sheet_and_the_file_are_text_on_the_page(desk: Client) -> None:
    base = send(desk, b"Board,<b>x</b>\nHX-210,<script>alert(1)</script>\n", "<img src=x>.csv")
    shown = desk.get(f"{base}/columns").text
    assert "<script>alert" not in shown
    assert "<b>x</b>" not in shown
    assert "<img" not in shown


def test_an_unknown_or_hostile_sheet_is_not_there(desk: Client) -> None:
    send(desk, harbour_book())
    for name in ("0" * 16, "..", "%2e%2e", "state.json"):
        for step in ("columns", "values", "texts", "check", "result", "refused.csv"):
            assert desk.get(f"/data/sheet/{name}/{step}").status_code in (404, 422), (name, step)


def test_sheets_are_thrown_away_by_hand_and_after_a_day(desk: Client) -> None:
    base = send(desk, harbour_book(), "mine.csv")
    assert "mine.csv" in desk.get("/data/sheet").text
    desk.post(f"{base}/remove")
    assert "mine.csv" not in desk.get("/data/sheet").text
    base = send(desk, harbour_book())
    folder = desk.shop.settings.data / "incoming" / base.rpartition("/")[2]
    assert folder.stat().st_mode & 0o077 == 0
    long_ago = time.time() - 2 * 86_400
    for one in (folder, *folder.iterdir()):
        os.utime(one, (long_ago, long_ago))
    sheets.clean(desk.shop)
    assert not folder.exists()


def test_a_stopped_import_leaves_nothing_behind(desk: Client) -> None:
    base = send(desk, b"Board,Complaint\n" + b"".join(b"HX-%d,dead %d\n" % (n % 90, n) for n in range(3000)))
    desk.post(f"{base}/columns", data=form(desk, base, "columns"))
    desk.post(f"{base}/values", data=form(desk, base, "values"))
    through(desk, desk.post(f"{base}/texts", data={"read_texts": "yes"}))
    sheet = sheets.load(desk.shop, base.rpartition("/")[2])
    before = exported(desk.shop)
    job = sheets.start_run(desk.shop, sheet, keep_good=False)
    while not job.done and not job.over:
        pass
    desk.shop.jobs.stop(job.id)
    assert job.wait(STUCK_S)
    assert job.state == "stopped"
    assert exported(desk.shop) == before
    assert sheets.load(desk.shop, sheet.id).done is None


def test_an_import_that_is_stopped_at_its_last_step_keeps_nothing_and_says_so(
    desk: Client, monkeypatch: pytest.MonkeyPatch
) -> None:
    base = send(desk, b"Board,Complaint\nHX-1,dead\n")
    desk.post(f"{base}/columns", data=form(desk, base, "columns"))
    desk.post(f"{base}/values", data=form(desk, base, "values"))
    through(desk, desk.post(f"{base}/texts", data={"read_texts": "yes"}))
    sheet = sheets.load(desk.shop, base.rpartition("/")[2])
    before, end_batch = exported(desk.shop), changes.end_batch

    def stopped_then(*given: Any) -> Any:
        for job in desk.shop.jobs.all():
            desk.shop.jobs.stop(job.id)
        return end_batch(*given)

    monkeypatch.setattr(changes, "end_batch", stopped_then)
    job = sheets.start_run(desk.shop, sheet, keep_good=False)
    assert job.wait(STUCK_S)
    assert job.state == "stopped"
    assert exported(desk.shop) == before


def test_a_data_folder_that_cannot_be_written_is_said_as_such(desk: Client) -> None:
    desk.shop.settings.data.mkdir(parents=True, exist_ok=True)
    (desk.shop.settings.data / "incoming").write_text("in the way")
    answer = desk.post("/data/sheet", files={"file": (BOOK, harbour_book())})
    assert answer.status_code == 503
    assert "KB_DATA" in answer.text


def test_a_sheet_is_brought_in_once_however_often_the_button_is_pressed(desk: Client) -> None:
    base = send(desk, harbour_book())
    check(desk, base)
    through(desk, desk.post(f"{base}/run", data={"keep_good": "yes"}))
    batch = sheets.load(desk.shop, base.rpartition("/")[2]).done
    again = desk.post(f"{base}/run", data={"keep_good": "yes"})
    assert again.status_code == 422
    assert "brought in already" in again.text
    assert sheets.load(desk.shop, base.rpartition("/")[2]).done == batch


def test_what_the_words_say_is_shown_row_by_row_and_a_phrase_is_named_for_all(desk: Client) -> None:
    content = (
        "Board;Complaint;What I did\nA-1;no picture;C9 replaced, all fine\nB-2;wibbles sideways;F1 new\n"
    )
    base = send(desk, content.encode())
    desk.post(f"{base}/columns", data=form(desk, base, "columns"))
    assert through(desk, desk.post(f"{base}/values", data=form(desk, base, "values"))) == f"{base}/texts"
    shown = Page(desk.get(f"{base}/texts").text)
    assert "wibbles sideways" in shown.words
    assert "C9 electrolytic capacitor" in shown.words
    sent = form(desk, base, "texts")
    place = next(name for name in sent if name.startswith("named."))
    phrases = re.findall(r'name="phrase" value="([^"]*)"', desk.get(f"{base}/texts").text)
    sent |= {f"named.{phrases.index('wibbles sideways')}": "dead", "row": ["2"]}
    assert place
    assert through(desk, desk.post(f"{base}/texts", data=sent)) == f"{base}/texts"
    again = desk.get(f"{base}/texts").text
    assert "“wibbles sideways” is dead" in Page(again).words
    assert Page(again).form(f"{base}/texts")["row"] == "2"  # the mark that was taken away stays away
    assert through(
        desk, desk.post(f"{base}/texts", data=sent | {"symptom": ["dead", "no picture"]})
    ).startswith(base)
    wrong = desk.post(f"{base}/texts", data=sent | {place: "no such symptom"})
    assert wrong.status_code == 422
    assert "is no symptom of the list" in wrong.text


def test_the_outcome_column_is_shown_word_by_word_and_row_by_row_and_both_can_be_taken_away(
    desk: Client,
) -> None:
    content = (
        "Board;Fault;What I did;Ergebnis\nA-1;one: brummt;C9 ersetzt;Brumm weg\n"
        "A-1;two: tot;F1 ersetzt;keine Änderung\nB-2;three: tot;Q1 ersetzt;läuft\nB-2;four: tot;Q1 ersetzt;seltsam\n"
    )
    base = send(desk, content.encode())
    desk.post(f"{base}/columns", data=form(desk, base, "columns"))
    asked = desk.get(f"{base}/values").text
    for word, read in (
        ("Brumm weg", "read: cured"),
        ("keine Änderung", "read: no change"),
        ("läuft", "read: cured"),
    ):
        assert word in asked
        assert read in asked
    sent = form(desk, base, "values")
    assert sent[form_name(word_key("verdict", "seltsam"))] == ""
    sent |= {
        form_name(word_key("verdict", "seltsam")): NOTES,
        form_name(word_key("verdict", "läuft")): "=declined",
    }
    assert through(desk, desk.post(f"{base}/values", data=sent)) == f"{base}/texts"
    shown = Page(desk.get(f"{base}/texts").text).words
    assert "Brumm weg" in shown
    assert "result cured" in shown
    assert "result no change" in shown
    sent = form(desk, base, "texts")
    sent |= {"shown": ["2", "3", "4", "5"], "row": ["2", "4", "5"]}
    through(desk, desk.post(f"{base}/texts", data=sent))
    through(desk, desk.post(f"{base}/run", data={"mapping_name": ""}))
    first, second, third, fourth = (cases_of(desk)[word] for word in ("one", "two", "three", "four"))
    assert (first["verdict"], first["attempts"][0]["result"]) == ("repaired", "cured")
    assert first["notes"].splitlines() == ["What I did: C9 ersetzt", "Ergebnis: Brumm weg"]
    assert "attempts" not in second  # the row whose mark was taken away
    assert "Ergebnis: keine Änderung" in second["notes"]
    assert third["verdict"] == "declined"
    assert "Ergebnis: seltsam" in fourth["notes"]


def test_which_row_holds_the_headings_is_asked_where_something_stands_above(desk: Client) -> None:
    base = send(desk, b"BENCH BOOK;;\nJob;;Work\nno.;board;what I did\n1;A-1;C9 new, ok\n2;B-2;F1 new\n")
    page = desk.get(f"{base}/columns").text
    assert "Which row is the headings?" in page
    assert through(desk, desk.post(f"{base}/reading", data={"heading_row": "2"})) == f"{base}/columns"
    assert "Column 2" in desk.get(f"{base}/columns").text
    plain = send(desk, b"no.;board;what I did\n1;A-1;C9 new, ok\n2;B-2;F1 new\n")
    assert "Which row is the headings?" not in desk.get(f"{plain}/columns").text
