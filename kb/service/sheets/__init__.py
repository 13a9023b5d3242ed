"""Bringing in a technician's own spreadsheet, step by step: read, columns, words, texts, check, run."""

from __future__ import annotations

from dataclasses import replace
from itertools import groupby

from kb.exchange.sheets import ENCODINGS, SEPARATORS
from kb.service.sheets import known as _known
from kb.service.sheets import questions as _questions
from kb.service.sheets import state as _state
from kb.service.sheets import texts as _texts
from kb.service.sheets.checking import check, refused_file
from kb.service.sheets.fields import FIELDS, Field
from kb.service.sheets.questions import Asked
from kb.service.sheets.reading import begin, choose_columns, columns_of, first_rows, read, read_anew
from kb.service.sheets.running import first_cases, preview_undo, run, start_check, start_run, start_undo
from kb.service.sheets.saved import all_saved as saved_mappings
from kb.service.sheets.saved import apply as apply_mapping
from kb.service.sheets.saved import named as mapping_named
from kb.service.sheets.saved import remove as remove_mapping
from kb.service.sheets.state import Sheet, clean, forget, load, take, under_way
from kb.service.shop.shop import Shop

__all__ = [
    "ENCODINGS",
    "SEPARATORS",
    "Sheet",
    "apply_mapping",
    "ask",
    "begin",
    "check",
    "choose_columns",
    "choose_texts",
    "clean",
    "columns_of",
    "decide",
    "field_groups",
    "first_cases",
    "first_rows",
    "forget",
    "left_open",
    "load",
    "mapping_named",
    "preview_undo",
    "read",
    "read_anew",
    "read_texts",
    "refused_file",
    "remove_mapping",
    "run",
    "saved_mappings",
    "start_check",
    "start_run",
    "start_undo",
    "take",
    "under_way",
]


def field_groups() -> list[tuple[str, list[Field]]]:
    """What a column can be, under its headings."""
    return [(group, list(fields)) for group, fields in groupby(FIELDS, lambda field: field.group)]


def ask(shop: Shop, sheet: Sheet) -> Asked:
    """What has to be decided about a sheet, with what is most likely meant."""
    return _questions.ask(sheet, columns_of(shop, sheet), _known.look(shop), shop.today().year)


def left_open(asked: Asked, keys: set[str]) -> Asked:
    """The same with some questions unanswered, as a person left them."""
    return replace(
        asked,
        questions=tuple(replace(one, chosen="") if one.key in keys else one for one in asked.questions),
    )


def decide(shop: Shop, sheet: Sheet, answers: dict[str, str]) -> None:
    """Keeps decisions; "" takes one back."""
    for key, answer in answers.items():
        if answer:
            sheet.answers[key] = answer
        else:
            sheet.answers.pop(key, None)
    sheet.checked = None
    _state.save(shop, sheet)


def read_texts(shop: Shop, sheet: Sheet) -> _texts.Texts:
    """The symptoms that the complaints of a sheet name, with a sample."""
    return _texts.read(sheet, columns_of(shop, sheet), _known.look(shop))


def choose_texts(shop: Shop, sheet: Sheet, read_them: bool, not_symptoms: set[str]) -> None:
    """Keeps whether complaints are read for symptoms, and which of these are left out."""
    sheet.read_texts = read_them
    sheet.not_symptoms = sorted(not_symptoms)
    sheet.checked = None
    _state.save(shop, sheet)
