"""Bringing in a technician's own spreadsheet, step by step: read, columns, words, texts, check, run."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from itertools import groupby
from typing import Any

from kb.errors import BadInput
from kb.exchange.sheets import ENCODINGS, SEPARATORS
from kb.service.sheets import decisions as _decisions
from kb.service.sheets import known as _known
from kb.service.sheets import questions as _questions
from kb.service.sheets import state as _state
from kb.service.sheets import texts as _texts
from kb.service.sheets import upload as _upload
from kb.service.sheets.dry_run import check, refused_file
from kb.service.sheets.fields import FIELDS, Field
from kb.service.sheets.jobs import (
    first_cases,
    preview_undo,
    run,
    start_check,
    start_run,
    start_texts,
    start_undo,
)
from kb.service.sheets.mappings import all_saved as saved_mappings
from kb.service.sheets.mappings import apply as apply_mapping
from kb.service.sheets.mappings import named as mapping_named
from kb.service.sheets.mappings import remove as remove_mapping
from kb.service.sheets.questions import Asked
from kb.service.sheets.state import Sheet, clean, forget, load, take, under_way
from kb.service.sheets.text_facts import READ
from kb.service.sheets.upload import (
    begin,
    choose_columns,
    columns_of,
    first_rows,
    read,
    read_again,
    top_rows,
)
from kb.service.shop.shop import Shop

ROWS_SHOWN = 50

__all__ = [
    "ENCODINGS",
    "ROWS_SHOWN",
    "SEPARATORS",
    "Sheet",
    "apply_mapping",
    "ask",
    "begin",
    "check",
    "choose_columns",
    "choose_rows",
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
    "name_phrases",
    "preview_undo",
    "read",
    "read_again",
    "read_texts",
    "reads_texts",
    "refused_file",
    "remove_mapping",
    "rows_read",
    "run",
    "saved_mappings",
    "start_check",
    "start_run",
    "start_texts",
    "start_undo",
    "symptom_names",
    "take",
    "texts_read",
    "top_rows",
    "under_way",
]


def field_groups() -> list[tuple[str, list[Field]]]:
    """What a column can be, under its headings."""
    return [(group, list(fields)) for group, fields in groupby(FIELDS, lambda field: field.group)]


def ask(shop: Shop, sheet: Sheet) -> Asked:
    """What has to be decided about a sheet, with what is most likely meant."""
    sums = _upload.rows_of_sums(sheet)
    return _questions.ask(sheet, columns_of(shop, sheet), _known.look(shop), shop.today().year, sums)


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
    _upload.count_again(shop, sheet)
    sheet.checked = sheet.texts = None
    _state.save(shop, sheet)


def reads_texts(sheet: Sheet) -> bool:
    """Whether a sheet has a column whose words can be read, or an outcome column with such words."""
    return sheet.maps(*READ) or (
        sheet.maps("verdict")
        and any(
            answer == _decisions.READ and key.startswith(_decisions.word_key("verdict", ""))
            for key, answer in sheet.answers.items()
        )
    )


def read_texts(shop: Shop, sheet: Sheet, progress: Callable[[int], Any] | None = None) -> _texts.Texts:
    """Reads the words of all rows: symptoms, readings, what was tried."""
    return _texts.read(shop, sheet, _known.look(shop), progress)


def texts_read(sheet: Sheet) -> _texts.Texts | None:
    """What was read last, None where it has to be read again."""
    return _texts.kept(sheet)


def rows_read(shop: Shop, sheet: Sheet, start: int = 0, most: int = ROWS_SHOWN) -> list[_texts.RowRead]:
    """Rows with what was read in each."""
    return list(_texts.rows_read(shop, sheet, start, most))


def symptom_names(shop: Shop) -> list[str]:
    """The symptoms that a phrase can be named as."""
    return [name for name, _ in _known.look(shop).symptoms]


def choose_texts(shop: Shop, sheet: Sheet, read_them: bool, not_symptoms: set[str]) -> None:
    """Keeps whether words are read, and which symptoms are left out."""
    sheet.read_texts = read_them
    sheet.not_symptoms = sorted(not_symptoms)
    sheet.checked = None
    _state.save(shop, sheet)


def choose_rows(shop: Shop, sheet: Sheet, shown: set[int], wanted: set[int]) -> None:
    """Keeps of which of the `shown` rows the words are not to be read."""
    sheet.not_rows = sorted((set(sheet.not_rows) - shown) | (shown - wanted))
    sheet.checked = None
    _state.save(shop, sheet)


def name_phrases(shop: Shop, sheet: Sheet, named: dict[str, str]) -> bool:
    """Keeps which symptom a phrase means; True where that is new, and the rows are to be read again.

    "" takes a name back. Raises BadInput for what is no symptom of the list.
    """
    names = set(symptom_names(shop))
    changed = dict(sheet.named)
    for phrase, name in named.items():
        if name and name not in names:
            raise BadInput(
                f"{name[:80]} is no symptom of the list.", field="named", remedy="Choose one from the list."
            )
        if name:
            changed[phrase[:80]] = name
        else:
            changed.pop(phrase[:80], None)
    if changed == sheet.named:
        return False
    sheet.named, sheet.texts, sheet.checked = changed, None, None
    _state.save(shop, sheet)
    return True
