"""What the outcome column of a sheet says of the fixes beside it.

The words and what they mean are common practice of workshops, no published source.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from factories import shop_in
from sheet_files import cases, read, table

from kb.service import Shop, sheets
from kb.service.sheets import Sheet, outcomes
from kb.service.sheets.outcomes import RailOfRow, meant, outcome_of


@pytest.fixture
def shop(tmp_path: Path) -> Iterator[Shop]:
    made = shop_in(tmp_path / "data")
    yield made
    made.close()


def words_asked(shop: Shop, sheet: Sheet) -> list[str]:
    """The words of the outcome column that nothing reads and nothing lists."""
    return [one.title for one in sheets.ask(shop, sheet).open if one.key.startswith("word|verdict|")]


@pytest.mark.parametrize(
    ("words", "result"),
    [
        ("läuft", "cured"), ("Brumm weg", "cured"), ("5,08 V", "cured"), ("2h Test gut", "cured"), ("works", "cured"),
        ("24.2, fixed", "cured"), ("hum gone", "cured"), ("still works", "cured"), ("läuft noch", "cured"),
        ("FI bleibt drin", "cured"), ("tick stopped", "cured"), ("plus de bruit", "cured"), ("weer beeld", "cured"),
        ("alle toetsen goed", "cured"), ("no more clicks", "cured"), ("12.1 / 24.0", "cured"), ("E4 gone", "cured"),
        ("leiser", "improved"), ("quieter", "improved"), ("stiller", "improved"), ("hum less", "improved"),
        ("besser, aber noch Flackern", "improved"), ("Bild da, kein Ton", "improved"), ("nearly gone", "improved"),
        ("5VSB ok, 12V 0", "improved"), ("moins de bruit", "improved"),
        ("keine Änderung", "no change"), ("unverändert", "no change"), ("noch tot", "no change"),
        ("still faint", "no change"), ("tripped again", "no change"), ("back after 2 days", "no change"),
        ("kam nach 2 Tagen zurück", "no change"), ("geen verschil", "no change"), ("tikt nog", "no change"),
        ("still some hum", "no change"), ("still a bit noisy", "no change"), ("nur noch leises Brummen", "improved"),
        ("12V 9.4", "no change"), ("24 V weg", "no change"), ("toujours en panne", "no change"),
    ],
)  # fmt: skip
def test_a_few_words_say_what_came_of_a_fix(words: str, result: str) -> None:
    assert outcome_of(words).result == result


@pytest.mark.parametrize(
    ("words", "verdict"),
    [
        ("nichts gefunden", "no fault found"), ("NFF", "no fault found"), ("lohnt nicht", "not economical"),
        ("te duur", "not economical"), ("not worth it", "not economical"), ("Totalschaden", "not repairable"),
        ("Kunde will nicht", "declined"), ("owner passed", "declined"), ("returned unrepaired", "declined"),
        ("24.2, fixed", "repaired"), ("opgelost, 5,1 V", "repaired"),
    ],
)  # fmt: skip
def test_words_that_end_a_job_are_its_verdict_and_no_cure_unless_they_say_so(
    words: str, verdict: str
) -> None:
    found = outcome_of(words)
    assert found.verdict == verdict
    assert found.result == ("cured" if verdict == "repaired" else "")


@pytest.mark.parametrize(
    "words",
    ["seltsam", "Teil bestellt", "waits for U3", "ging zurück", "returned", "quote sent", "OK?", "Test läuft",
     "12", "12.03.", "230 V", "1.2 V", "on the shelf", "Regal 2", "2x", "", "x" * 5_000],
)  # fmt: skip
def test_what_says_nothing_of_a_fix_is_not_read(words: str) -> None:
    found = outcome_of(words)
    assert (found.result, found.verdict) == ("", "")


STANDBY, TWELVE = RailOfRow("5VSB", 5.0, 3.2), RailOfRow("12V", 12.0, 12.0)


@pytest.mark.parametrize(
    ("words", "read_as"),
    [
        ("5,06 V", "5VSB 5,06 V"),
        ("5.07 standby, works", "5.07 standby, works"),  # names its supply
        ("5.1 and 12.6", "5VSB 5.1 V and 12V 12.6 V"),
        ("12.0", ""),  # as the row has it
        ("3.2", ""),
        ("9,4 V", ""),  # of no supply of the row, one of which is off
        ("12 V ok", "12 V ok"),  # the name of a supply
        ("läuft", "läuft"),
    ],
)
def test_a_value_alone_is_of_the_supply_that_the_row_names_and_its_volts_fit(
    words: str, read_as: str
) -> None:
    assert meant(words, (STANDBY, TWELVE)) == read_as


def test_what_was_mended_and_came_back_is_no_verdict() -> None:
    found = outcome_of("fixed, but back after 2 days")
    assert (found.result, found.verdict) == ("no change", "")


def test_a_value_that_fits_two_supplies_of_a_row_is_of_none() -> None:
    assert meant("5.06 V", (STANDBY, RailOfRow("5V", 5.0))) == "5.06 V"


def test_only_what_nothing_can_read_is_asked_and_each_once(shop: Shop) -> None:
    rows = ("A-1;hums;C9 replaced;quieter", "A-1;dead;F1 replaced;works", "A-1;dead;Q1 replaced;odd",
            "A-1;dead;Q1 replaced;odd", "A-1;dead;R2 replaced;scrap")  # fmt: skip
    sheet = read(shop, table("Board;Complaint;What I did;Outcome", *rows))
    assert words_asked(shop, sheet) == ["odd"]
    found = cases(shop, sheet, **{"word|verdict|odd": "n"})
    assert [one.attempts[0].result for one in found] == [
        "improved", "cured", "not known yet", "not known yet", "not known yet",
    ]  # fmt: skip
    # What is listed as a verdict stays one; what is better is not mended.
    assert [one.verdict for one in found] == [None, "repaired", None, None, "not repairable"]
    assert "Outcome: quieter" in found[0].notes
    assert "Outcome: odd" in found[2].notes


def test_columns_of_their_own_get_what_the_outcome_says(shop: Shop) -> None:
    rows = ("HX-210;C9;läuft;ok", "HX-210;F1;keine Änderung;", "HX-210;C12;Brumm weg;wartet")
    sheet = read(shop, table("Gerät;Bauteil;Ergebnis;Bemerkung", *rows))
    assert words_asked(shop, sheet) == []
    found = cases(shop, sheet)
    assert [(one.attempts[0].result, one.verdict) for one in found] == [
        ("cured", "repaired"), ("no change", None), ("cured", "repaired"),
    ]  # fmt: skip


def test_an_outcome_as_above_is_that_of_the_row_above_and_same_changed_nothing(shop: Shop) -> None:
    rows = (
        "HX-210;C9;läuft",
        "HX-210;C9;wie oben",
        "HX-210;C9;repariert",
        "HX-210;C9;dto.",
        "HX-210;C9;same",
    )
    sheet = read(shop, table("Gerät;Bauteil;Ergebnis", *rows))
    assert words_asked(shop, sheet) == []
    found = cases(shop, sheet)
    assert [one.verdict for one in found] == ["repaired", "repaired", "repaired", "repaired", None]
    assert [one.attempts[0].result for one in found][:2] == ["cured", "cured"]
    assert found[4].attempts[0].result == "no change"


def test_of_two_fixes_the_one_that_says_it_keeps_its_own_result(shop: Shop) -> None:
    rows = ("A-1;hums;C9 replaced: no change. C12 replaced;hum gone",
            "A-1;hums;C9 replaced, all fine;back after 3 days",
            "A-1;dead;F1 blown, bridge shorted;runs well")  # fmt: skip
    sheet = read(shop, table("Board;Complaint;What I did;Outcome", *rows))
    first, second, third = cases(shop, sheet)
    assert [(one.part, one.result) for one in first.attempts] == [("C9", "no change"), ("C12", "cured")]
    assert [one.result for one in second.attempts] == ["improved"]
    # What was found bad and is mended was replaced.
    assert [(one.action, one.result) for one in third.attempts] == [
        ("replace", "cured"),
        ("replace", "cured"),
    ]


def test_a_part_found_bad_in_one_cell_and_worked_on_in_the_next_is_one_fix(shop: Shop) -> None:
    rows = (
        "HX-210;tot;Q4 gate offen;Q4 getauscht;läuft",
        "HX-210;Knall;Q1 explodiert, R9 offen;Q1 R9 U1 neu;geht",
    )
    sheet = read(shop, table("Platine;Fehler;Befund;getan;Ergebnis", *rows))
    assert [sheet.targets[key] for key in ("befund", "getan", "ergebnis")] == ["work", "work", "verdict"]
    first, second = cases(shop, sheet)
    assert [(one.part, one.failure, one.action, one.result) for one in first.attempts] == [
        ("Q4", "open", "replace", "cured"),
    ]
    assert [(one.part, one.action) for one in second.attempts] == [
        ("Q1", "replace"), ("R9", "replace"), ("U1", "replace"),
    ]  # fmt: skip


def test_an_outcome_that_tells_of_a_fix_is_read_as_what_was_done(shop: Shop) -> None:
    sheet = read(
        shop, table("Board;Complaint;What I did;Outcome", "A-1;dead;F1 replaced;Q1 replaced as well, runs")
    )
    sheet.targets["outcome"] = "verdict"
    (case,) = cases(shop, sheet)
    assert [(one.part, one.result) for one in case.attempts] == [("F1", "cured"), ("Q1", "cured")]


def test_a_value_becomes_a_reading_after_the_repair(shop: Shop) -> None:
    rows = ("A-1;relay clicks;3,9;C9 replaced;5,08 V", "A-1;no 12 V;5,0;D6 replaced;12,1 V",
            "A-1;relay clicks;5,1;C9 replaced;5,1 V")  # fmt: skip
    sheet = read(shop, table("Board;Complaint;5VSB (V);What I did;Outcome", *rows))
    first, second, third = cases(shop, sheet)
    after = [(one.rail, one.value) for one in first.readings if one.after_repair]
    assert after == [("5VSB", 5.08)]
    assert first.attempts[0].result == "cured"
    assert second.attempts[0].result == "cured"
    # A value that the row has already says nothing of the fix.
    assert [one.value for one in third.readings] == [5.1]
    assert third.attempts[0].result == "not known yet"


def test_without_a_fix_in_the_row_only_words_of_a_verdict_give_one(shop: Shop) -> None:
    rows = (
        "A-1;dead;F1 replaced;works",
        "A-1;hums;;runs well",
        "A-1;hums;;fixed, 5.1 V",
        "A-1;smells;;nothing found",
    )
    sheet = read(shop, table("Board;Complaint;What I did;Outcome", *rows))
    assert [one.verdict for one in cases(shop, sheet)] == ["repaired", None, "repaired", "no fault found"]


def test_a_sheet_without_fixes_asks_what_good_words_mean_with_a_guess(shop: Shop) -> None:
    sheet = read(
        shop, table("Board;Complaint;Outcome", "A-1;hums;seems to run well", "A-1;dead;no difference")
    )
    asked = {
        one.title: one.chosen for one in sheets.ask(shop, sheet).questions if one.key.startswith("word|")
    }
    assert asked == {"seems to run well": "=repaired", "no difference": ""}


@pytest.mark.parametrize(("outcome", "title"), [("läuft", "Where nothing says"), ("ok", "No column says")])
def test_no_sheet_whose_outcomes_are_read_is_said_to_have_none(shop: Shop, outcome: str, title: str) -> None:
    rows = (f"HX-210;tot;C9 neu;{outcome}", f"HX-210;tot;F1 neu;{outcome}")
    sheet = read(shop, table("Platine;Fehler;getan;Ergebnis", *rows))
    (question,) = [one for one in sheets.ask(shop, sheet).questions if one.key == "cured where repaired"]
    assert question.title.startswith(f"{title} whether a try helped")


def test_what_somebody_decided_counts_before_what_is_read(shop: Shop) -> None:
    rows = ("A-1;hums;C9 replaced;runs", "A-1;hums;C9 replaced;sounds right")
    sheet = read(shop, table("Board;Complaint;What I did;Outcome", *rows))
    found = cases(shop, sheet, **{"word|verdict|runs": "n", "word|verdict|sounds right": "=declined"})
    assert [(one.verdict, one.attempts[0].result) for one in found] == [
        (None, "not known yet"), ("declined", "not known yet"),
    ]  # fmt: skip
    assert "Outcome: runs" in found[0].notes


def test_rows_whose_words_are_not_to_be_read_keep_the_words_alone(shop: Shop) -> None:
    rows = ("A-1;hums;C9;runs well", "A-1;hums;C9;runs well")
    sheet = read(shop, table("Board;Complaint;Part;Outcome", *rows))
    sheets.choose_rows(shop, sheet, {2, 3}, {2})
    first, second = cases(shop, sheet)
    assert (first.attempts[0].result, second.attempts[0].result) == ("cured", "not known yet")
    assert "Outcome: runs well" in second.notes
    sheets.choose_texts(shop, sheet, False, set())
    assert [one.attempts[0].result for one in cases(shop, sheet)] == ["not known yet", "not known yet"]


def test_a_closing_day_beside_what_changed_nothing_goes_into_the_notes(shop: Shop) -> None:
    rows = ("A-1;2021-04-05;hums;C9 replaced;no difference", "A-1;2021-04-06;hums;C9 replaced;hum gone")
    sheet = read(shop, table("Board;Closed;Complaint;What I did;Outcome", *rows))
    question = next(one for one in sheets.ask(shop, sheet).questions if one.key == "closed without verdict")
    assert (question.chosen, question.sure) == ("n", False)
    first, second = cases(shop, sheet)
    assert (first.verdict, first.closed) == (None, None)
    assert "closed 2021-04-05" in first.notes
    assert (second.verdict, str(second.closed)) == ("repaired", "2021-04-06")


def test_the_same_words_are_read_once_however_many_rows_have_them(shop: Shop) -> None:
    rows = [
        f"A-1;hums;C9 replaced;{words}"
        for words in ("hum gone", "no difference", "runs well")
        for _ in range(200)
    ]
    sheet = read(shop, table("Board;Complaint;What I did;Outcome", *rows))
    outcomes.outcome_of.cache_clear()
    assert len(cases(shop, sheet)) == 600
    assert outcomes.outcome_of.cache_info().misses <= 4  # three texts, and no text


def test_more_words_than_anybody_would_decide_are_pointed_elsewhere(shop: Shop) -> None:
    rows = [f"A-1;hums;C9 replaced;wibble{number}" for number in range(300)]
    sheet = read(shop, table("Board;Complaint;What I did;Outcome", *rows))
    (said,) = sheets.ask(shop, sheet).too_many
    assert "300 different words" in said
    assert "what was done" in said
