"""What is asked about a sheet, what is guessed and what is clear: nothing doubtful goes through unasked."""

from __future__ import annotations

import io
import tempfile
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
import python_calamine
from factories import a_family, bring, shop_in
from hypothesis import given, settings
from hypothesis import strategies as st
from sheet_files import cases, read, table, workbook

from kb.exchange.sheet_workbook import rows as workbook_rows
from kb.service import Shop, sheets
from kb.service.sheets import Sheet, state
from kb.service.sheets.column_questions import Question


@pytest.fixture
def shop(tmp_path: Path) -> Iterator[Shop]:
    made = shop_in(tmp_path / "data")
    yield made
    made.close()


def asked(shop: Shop, sheet: Sheet) -> dict[str, Question]:
    return {question.key: question for question in sheets.ask(shop, sheet).questions}


@pytest.mark.parametrize(
    ("headings", "fields"),
    [
        ("Job;Board;Received;Closed;Complaint;Part;Result", "uid family received closed complaint part verdict"),
        ("Auftragsnr;Gerät;Eingang;Ausgang;Störung;Bauteil;Ergebnis", "uid family received closed complaint part verdict"),  # noqa: E501
        ("Bonnr;Print;Binnen;Uit;Klacht;Onderdeel;Uitslag", "uid family received closed complaint part verdict"),
        ("N° dossier;Carte;Entrée;Sortie;Panne;Pièce;Résultat", "uid family received closed complaint part verdict"),
        ("Orden;Placa;Entrada;Salida;Avería;Pieza;Resultado", "uid family received closed complaint part verdict"),
    ],
)  # fmt: skip
def test_headings_of_five_languages_are_known(shop: Shop, headings: str, fields: str) -> None:
    sheet = read(
        shop, table(headings, "1;HX-210;2021-04-03;2021-04-05;dead;C9;ok", "2;GL-31;2021-05-03;;dead;F1;")
    )
    assert [sheet.targets[key] for key in sheet.keys] == fields.split()


def test_columns_without_headings_are_known_by_what_stands_in_them(shop: Shop) -> None:
    sheet = read(shop, table("12.3.09;HX-210;C9;25,-", "13.3.09;GL-31;F1;30,-", "2.4.09;HX-210;R4;3,-"))
    assert sheet.heading_row == 0
    assert [sheet.targets[key] for key in sheet.keys] == ["received", "family", "part", "cost"]


def test_days_that_never_show_their_order_must_be_decided_and_are_refused_until_then(shop: Shop) -> None:
    sheet = read(shop, table("Board,Received", "HX-210,03/04/2021", "HX-210,05/06/2021"))
    question = asked(shop, sheet)["order|received"]
    assert (question.chosen, question.count) == ("", 2)
    assert question.examples == ("03/04/2021", "05/06/2021")
    assert cases(shop, sheet) == []
    assert [case.received.isoformat() for case in cases(shop, sheet, **{"order|received": "mdy"}) if case.received] == [
        "2021-03-04", "2021-05-06",
    ]  # fmt: skip


def test_a_column_that_shows_its_order_decides_itself_and_suggests_it_to_the_others(shop: Shop) -> None:
    sheet = read(shop, table("Board,Received,Closed", "HX-210,13/04/2021,03/05/2021", "HX-210,03/04/2021,"))
    questions = asked(shop, sheet)
    assert (questions["order|received"].chosen, questions["order|received"].sure) == ("dmy", True)
    assert (questions["order|closed"].chosen, questions["order|closed"].sure) == ("dmy", False)


def test_a_column_that_shows_both_orders_is_asked_and_refuses_what_does_not_fit(shop: Shop) -> None:
    sheet = read(shop, table("Board,Received", "A-1,13/04/2021", "A-1,04/13/2021", "A-1,03/04/2021"))
    question = asked(shop, sheet)["order|received"]
    assert question.chosen == ""
    assert "Some cells show one order" in question.hint
    assert len(cases(shop, sheet, **{"order|received": "dmy", "bad|received": "x"})) == 2


def test_years_of_two_digits_and_day_numbers_are_shown(shop: Shop) -> None:
    sheet = read(shop, table("Board;Received", "A-1;13.04.14", "A-1;14.04.99", "A-1;43199"))
    questions = asked(shop, sheet)
    assert not questions["years|received"].sure
    assert not questions["serial|received"].sure
    found = [case.received.isoformat() for case in cases(shop, sheet) if case.received]
    assert found == ["2014-04-13", "1999-04-14", "2018-04-09"]


def test_doubtful_amounts_must_be_decided(shop: Shop) -> None:
    sheet = read(shop, table("Board;Part;Cost", "A-1;C9;1.200", "A-1;C9;3.450"))
    assert asked(shop, sheet)["mark|cost"].chosen == ""
    assert cases(shop, sheet) == []
    found = cases(shop, sheet, **{"mark|cost": "comma"})
    assert [case.attempts[0].cost for case in found] == [1200, 3450]
    shown = read(shop, table("Board;Part;Cost", "A-1;C9;1.200", "A-1;C9;1.200,50"))
    assert asked(shop, shown)["mark|cost"].chosen == "comma"


def test_what_cannot_be_read_goes_where_the_person_says(shop: Shop) -> None:
    lines = table("Board;Received;Readings", "A-1;soon;5VSB low", "A-1;2021-04-03;5VSB 4.7 V standby")
    sheet = read(shop, lines)
    assert asked(shop, sheet)["bad|received"].examples == ("soon",)
    assert asked(shop, sheet)["bad|readings"].examples == ("5VSB low",)
    assert len(cases(shop, sheet)) == 1
    noted = cases(shop, sheet, **{"bad|received": "n", "bad|readings": "n", "supply|readings": "standby"})
    assert noted[0].notes == "Received: soon\nReadings: 5VSB low"
    left = cases(shop, sheet, **{"bad|received": "-", "bad|readings": "-"})
    assert left[0].notes == ""


def test_rails_are_read_in_the_unit_of_their_heading_and_by_the_familys_spelling(shop: Shop) -> None:
    assert bring(shop, a_family("GL-31")).saved
    sheet = read(
        shop, table("5V SB (mV, standby);24V ripple running (mV);Board", "4700;120;GL-31", "4,7 V;;GL-31")
    )
    first, second = cases(shop, sheet)
    assert [(one.rail, one.quantity, one.supply, one.value) for one in first.readings] == [
        ("5VSB", "dc_v", "standby", 4.7), ("24V", "ripple_v", "running", 0.12),
    ]  # fmt: skip
    assert (second.readings[0].value, second.readings[0].written) == (4.7, "4,7 V")


def test_a_column_for_each_symptom_and_a_list_of_symptoms(shop: Shop) -> None:
    sheet = read(
        shop, table("Board;Fuse blown?;Symptoms", "A-1;J;no picture, relay ticks", "A-1;N;wobbly foot")
    )
    questions = asked(shop, sheet)
    assert questions["word|symptoms|wobbly foot"].chosen == ""
    found = cases(shop, sheet, **{"word|symptoms|wobbly foot": "+"})
    assert [[(one.name, one.present) for one in case.symptoms] for case in found] == [
        [("fuse blown", True), ("no picture", True), ("relay clicks repeatedly", True)],
        [("fuse blown", False), ("wobbly foot", True)],
    ]
    assert state.load(shop, sheet.id).checked["new"]["symptom"] == ["wobbly foot"]  # type: ignore[index]


def test_rows_without_a_number_belong_to_the_row_above_where_that_is_chosen(shop: Shop) -> None:
    sheet = read(shop, table("Job;Board;Part", "1;A-1;C9", ";;C12", "2;A-2;F1"))
    assert len(cases(shop, sheet)) == 2
    found = cases(shop, sheet, **{"rows without number": "above"})
    assert [[one.part for one in case.attempts] for case in found] == [["C9", "C12"], ["F1"]]


def test_a_closing_day_without_a_verdict_is_asked_about(shop: Shop) -> None:
    sheet = read(shop, table("Board;Closed", "A-1;2021-04-03"))
    assert asked(shop, sheet)["closed without verdict"].chosen == ""
    assert cases(shop, sheet) == []
    assert cases(shop, sheet, **{"closed without verdict": "=repaired"})[0].verdict == "repaired"
    assert cases(shop, sheet, **{"closed without verdict": "n"})[0].notes == "closed 2021-04-03"


def test_equal_rows_are_two_boards_and_a_better_mapping_updates_the_same_ones(shop: Shop) -> None:
    lines = table("Board;Remark", "A-1;dead", "A-1;dead")
    first = cases(shop, read(shop, lines))
    assert len({case.uid for case in first}) == 2
    sheet = read(shop, lines)
    sheet.targets["remark"] = "complaint"
    again = cases(shop, sheet)
    assert [case.uid for case in again] == [case.uid for case in first]
    assert again[0].complaint == "dead"


def test_too_many_words_for_a_list_are_told_and_not_guessed_at(shop: Shop) -> None:
    sheet = read(shop, table("Board;Section", *(f"A-1;place {number}" for number in range(250))))
    assert "250 different words" in sheets.ask(shop, sheet).too_many[0]


@settings(max_examples=25, deadline=None)
@given(
    st.lists(
        st.lists(
            st.one_of(
                st.none(), st.booleans(), st.integers(-10**9, 10**9), st.dates(), st.text("aä€ \n=", max_size=8),
                st.floats(-1e6, 1e6).map(lambda value: round(value, 4)),
            ),
            min_size=1, max_size=5,
        ),
        min_size=1, max_size=6,
    )
)  # fmt: skip
def test_workbooks_are_read_as_another_reader_reads_them(cells: list[list[Any]]) -> None:
    # Reference reader: calamine, a workbook reader in another language with nothing in common with openpyxl.
    cells = [[value.replace("=", "x") if isinstance(value, str) else value for value in row] for row in cells]
    cells = [[None if getattr(value, "year", 2000) < 1901 else value for value in row] for row in cells]
    content = workbook([["head"], *cells, ["end"]])
    theirs = (
        python_calamine.CalamineWorkbook.from_filelike(io.BytesIO(content)).get_sheet_by_index(0).to_python()
    )

    def plain(value: Any) -> Any:
        if value is None or value == "":
            return ""
        if isinstance(value, bool):
            return "yes" if value else "no"
        if isinstance(value, int | float):
            return round(float(value), 4)
        return value.isoformat()[:10] if hasattr(value, "isoformat") else value.strip()

    def typed(text: str, like: Any) -> Any:
        number = isinstance(like, float)
        return round(float(text), 4) if number and text else text.strip()

    with tempfile.TemporaryDirectory() as folder:
        file = Path(folder) / "book"
        file.write_bytes(content)
        ours = list(workbook_rows(file, "Sheet"))
    for our_row, their_row in zip(ours, theirs, strict=True):
        expected = [plain(value) for value in their_row]
        padded = [*our_row, *[""] * (len(expected) - len(our_row))]
        assert [typed(text, like) for text, like in zip(padded, expected, strict=False)] == expected


def test_symptoms_in_complaints_are_noted_but_for_those_taken_out(shop: Shop) -> None:
    sheet = read(shop, table("Board;Complaint", "A-1;no picture and relay ticks"))
    found = sheets.read_texts(shop, sheet)
    assert dict(found.symptoms) == {"no picture": 1, "relay clicks repeatedly": 1}
    assert sheets.rows_read(shop, sheet)[0].text == "no picture and relay ticks"
    assert len(cases(shop, sheet)[0].symptoms) == 2
    sheets.choose_texts(shop, sheet, True, {"no picture"})
    assert [one.name for one in cases(shop, sheet)[0].symptoms] == ["relay clicks repeatedly"]
    sheets.choose_texts(shop, sheet, False, set())
    assert cases(shop, sheet)[0].symptoms == []
    assert cases(shop, sheet)[0].complaint == "no picture and relay ticks"


def test_rails_are_spelt_as_those_of_the_board_that_the_words_of_the_row_name(shop: Shop) -> None:
    assert bring(shop, a_family("GL-31")).saved
    sheet = read(shop, table("5V SB (mV, standby);notes", "4700;GL-31 ticks", "4700;ticks"))
    sheets.choose_columns(shop, sheet, sheet.targets, "ABX-7")
    first, second = cases(shop, sheet, **{"board in text": "looks"})
    assert [(one.family, one.readings[0].rail) for one in (first, second)] == [
        ("GL-31", "5VSB"),
        ("ABX-7", "5V SB"),
    ]
