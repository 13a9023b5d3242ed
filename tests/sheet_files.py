"""Sheets as technicians keep them, for tests: written by other programs' writers, never by ours."""

from __future__ import annotations

import io
import zipfile
from typing import Any

import openpyxl

from kb.model import CaseRecord
from kb.service import Shop, sheets
from kb.service.sheets import Sheet, state

# Semicolons, Windows-1252, a title above, two-digit years, decimal commas, German words, a quoted newline.
HARBOUR_BOOK = """Reparaturbuch Hafen;;;;;;;;;;
Auftragsnr;Eingang;Ausgang;Gerät;Schiff;Fehler;5VSB (V);Bauteil;Ergebnis;Kosten;Zeit
17;03.04.14;05.04.14;HX-210;Fähre Möwe;"no picture,
relay ticks";4,2;C9;i.O.;1,20 €;30
18;04.04.14;;HX 210;Fähre Möwe;"dead; fuse blown";0;F1, Sicherung;wartet;;
19;13.04.14;14.04.14;GL-31;Hafenamt;keine Anzeige;5,1;;k.F.;;15
20;x;14.04.14;GL-31;Hafenamt;brummt;-;Elko C12;Schrott;1.234,50;2h
21;17.04.14;18.04.14;;Hafenamt;dead;5;;i.O.;;10
"""


def harbour_book() -> bytes:
    return HARBOUR_BOOK.replace("\n", "\r\n").encode("cp1252")


def workbook(rows: list[list[Any]], **more: list[list[Any]]) -> bytes:
    """A workbook written by openpyxl: its first sheet, and further sheets by name."""
    book = openpyxl.Workbook()
    first = book.active
    assert first is not None
    for row in rows:
        first.append(row)
    for name, others in more.items():
        sheet = book.create_sheet(name)
        for row in others:
            sheet.append(row)
    file = io.BytesIO()
    book.save(file)
    return file.getvalue()


def repacked(book: bytes, changed: dict[str, bytes]) -> bytes:
    """A workbook with parts replaced or added, as somebody who means harm would."""
    file = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(book)) as old, zipfile.ZipFile(file, "w", zipfile.ZIP_DEFLATED) as new:
        for name in old.namelist():
            if name not in changed:
                new.writestr(name, old.read(name))
        for name, content in changed.items():
            new.writestr(name, content)
    return file.getvalue()


def table(*rows: str) -> bytes:
    """A sheet of lines."""
    return "\n".join(rows).encode()


def read(shop: Shop, content: bytes, name: str = "book.csv") -> Sheet:
    """A sheet that was sent and read."""
    sheet = sheets.take(shop, name, io.BytesIO(content))
    sheets.read(shop, sheet)
    return sheet


def decided(shop: Shop, sheet: Sheet, **answers: str) -> Sheet:
    """The sheet with every guess confirmed and the rest answered; `answers` by the question's key."""
    for question in sheets.ask(shop, sheet).questions:
        sheet.answers.setdefault(question.key, question.chosen)
    sheet.answers.update(answers)
    sheets.decide(shop, sheet, {})
    return sheet


def cases(shop: Shop, sheet: Sheet, **answers: str) -> list[CaseRecord]:
    """The cases of a sheet with every guess confirmed."""
    sheets.check(shop, decided(shop, sheet, **answers))
    file = state.folder(shop, sheet.id) / "cases.jsonl"
    return [CaseRecord.model_validate_json(line) for line in file.read_text(encoding="utf-8").splitlines()]
