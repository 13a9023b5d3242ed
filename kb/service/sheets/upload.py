"""The first step: from an uploaded file to plain rows, headings and guesses."""

from __future__ import annotations

import itertools
from collections.abc import Callable, Iterator
from typing import Any, BinaryIO

from kb import system
from kb.apart import Limits, Pool
from kb.errors import BadInput, NotFound
from kb.exchange import sheets as exchange
from kb.facts.sheet_words import folded, is_ditto, names_two_boards, numbers_a_job, referred_to
from kb.service.sheets import column_guesses, mappings, outcomes, state, survey, totals
from kb.service.sheets.fields import BY_VALUE
from kb.service.sheets.state import Sheet
from kb.service.sheets.survey import Column
from kb.service.shop.jobs import Job
from kb.service.shop.shop import Shop

Progress = Callable[[int], Any]
_WORKBOOKS = Pool(
    "This file",
    "Save it again as CSV, or take out what is not about repairs.",
    Limits(cpu_s=30, wall_s=90, memory_bytes=1_500_000_000),
)
_COPY_S, _COPY_S_PER_MB = 30.0, 15.0
"""What copying the rows of a file may take: several times of what a full sheet takes on a slow machine."""


def begin(shop: Shop, name: str, stream: BinaryIO) -> tuple[Sheet, Job]:
    """Keeps a file and starts to read it; its columns are guessed when the job is done."""
    sheet = state.take(shop, name, stream)
    return sheet, _start(shop, sheet)


def read_again(shop: Shop, sheet: Sheet, changed: dict[str, str]) -> Job:
    """Reads the file again with another encoding, separator, sheet or row of headings. Raises BadInput."""
    look = dict(sheet.look)
    for name, allowed in (
        ("encoding", exchange.ENCODINGS),
        ("separator", exchange.SEPARATORS),
        ("sheet", look.get("sheets", ())),
    ):
        if name in changed:
            if changed[name] not in allowed:
                raise BadInput("This is not in the list.", field=name, remedy="Choose one from the list.")
            look[name] = changed[name]
    typed = changed.get("heading_row", "").strip()
    if not (typed.isascii() and typed.isdigit() and len(typed) <= 6):
        raise BadInput(
            "The row of the headings is not a number.",
            field="heading_row",
            remedy="Write 0 where there are none.",
        )
    same = look == sheet.look
    sheet.look, sheet.checked, sheet.texts = look, None, None
    # A row that was chosen stays chosen; with another reading of the file it has to be found again.
    sheet.heading_row = int(typed) if same else -1
    return _start(shop, sheet)


def _start(shop: Shop, sheet: Sheet) -> Job:
    def work(job: Job) -> None:
        read(shop, sheet, job.advance)

    answer_at = f"/data/sheet/{sheet.id}/columns"
    return shop.jobs.start(
        "sheet", f"Read {sheet.name}", work, unit="rows", person=shop.person, answer_at=answer_at
    )


def read(shop: Shop, sheet: Sheet, progress: Progress | None = None) -> None:
    """Reads the file into plain rows and guesses its columns, where nobody has chosen yet. Raises BadInput."""
    fresh = not sheet.look
    how = _WORKBOOKS.run(exchange.look, state.source(shop, sheet.id)) if fresh else sheet.how
    plain = state.folder(shop, sheet.id) / "rows.csv"
    part = plain.with_suffix(".part")
    seconds = _COPY_S + _COPY_S_PER_MB * state.source(shop, sheet.id).stat().st_size / 1_000_000
    with state.writing():
        copied = _WORKBOOKS.run_reporting(
            exchange.copied, state.source(shop, sheet.id), how, part, progress=progress, cpu_s=seconds
        )
        system.replace(part, plain)
    sheet.look = {
        "kind": how.kind,
        "encoding": how.encoding,
        "separator": how.separator,
        "sheets": list(how.sheets),
        "sheet": how.sheet,
    }
    sheet.notes = copied.notes
    head = list(itertools.islice(exchange.plain_rows(plain), 30))
    numbers = [number for number, _ in exchange.plain_rows(plain)]
    if fresh or sheet.heading_row < 0 or (sheet.heading_row and sheet.heading_row not in numbers):
        sheet.heading_row = column_guesses.heading_row(head)
    row = next((row for number, row in exchange.plain_rows(plain) if number == sheet.heading_row), [])
    above = column_guesses.row_above(head, sheet.heading_row)
    sheet.headings = column_guesses.headings(row, copied.columns, above)
    sheet.rows_above = sum(number < sheet.heading_row for number in numbers)
    sheet.sums = []
    sums = totals.rows_of_sums(lambda: rows(shop, sheet))
    sheet.sums = [number for number, _ in sums]
    sheet.sum_cells = [[cell.strip() for cell in cells if cell.strip()] for _, cells in sums]
    columns = count(shop, sheet)
    _choose(shop, sheet, columns, column_guesses.groups(above, copied.columns))
    state.save(shop, sheet)


def _choose(shop: Shop, sheet: Sheet, columns: list[Column], groups: list[str]) -> None:
    sheet.guessed = column_guesses.targets(sheet.keys, sheet.headings, columns, groups)
    sheet.targets = dict(sheet.guessed)
    fits = mappings.fitting(shop, sheet)
    if fits is not None:
        mappings.apply(sheet, fits)
        count_again(shop, sheet)


def count(shop: Shop, sheet: Sheet) -> list[Column]:
    """Counts the rows and what their columns hold."""
    sheet.rows = 0

    def counted() -> Iterator[list[str]]:
        for _, cells in rows(shop, sheet):
            sheet.rows += 1
            yield cells

    columns = survey.survey(counted(), len(sheet.headings))
    survey.write(columns, state.folder(shop, sheet.id) / "survey.json")
    sheet.sums_not_counted = sums_left_out(sheet)
    return columns


def count_again(shop: Shop, sheet: Sheet) -> None:
    """Counts once more where it was decided otherwise whether rows of sums are cases."""
    if sheet.sums_not_counted != sums_left_out(sheet):
        count(shop, sheet)


def sums_left_out(sheet: Sheet) -> list[int]:
    """The rows of sums at the end that are no cases."""
    return [] if sheet.answers.get(totals.ANSWER) == totals.IS_CASE else sheet.sums


def rows(shop: Shop, sheet: Sheet) -> Iterator[tuple[int, list[str]]]:
    """(number, cells) of the rows below the headings without sums, as they were before they were refused."""
    ours = sheet.ours
    sums = sums_left_out(sheet)
    for number, cells in exchange.plain_rows(state.plain(shop, sheet.id)):
        if number > sheet.heading_row and number not in sums:
            yield number, [exchange.without_apostrophe(cell) for cell in cells] if ours else cells


def rows_of_sums(sheet: Sheet) -> list[tuple[int, list[str]]]:
    """(number, filled cells) of the rows at the end that were found to be sums."""
    return list(zip(sheet.sums, sheet.sum_cells, strict=True))


def columns_of(shop: Shop, sheet: Sheet) -> list[Column]:
    """What each column holds. Raises NotFound while the file is still being read."""
    file = state.folder(shop, sheet.id) / "survey.json"
    if not file.exists():
        raise NotFound("This sheet is still being read.", remedy="Wait a moment and load the page again.")
    return survey.read(file)


def top_rows(shop: Shop, sheet: Sheet, most: int = 8) -> list[tuple[int, list[str]]]:
    """The first rows of the file, the headings and what stands above them among these."""
    return list(itertools.islice(exchange.plain_rows(state.plain(shop, sheet.id)), most))


def boards_above(shop: Shop, sheet: Sheet) -> dict[int, str]:
    """The board of the row above, for each row that says so, and where that was chosen also for each that names none
    itself and has a number of its own.

    Without a column of numbers every row counts that says anything.
    """
    also_empty = sheet.answers.get("board left out") == "above"
    places = [place for place, _, to in sheet.columns_of("family") or sheet.columns_of("alias")]
    numbers = [place for place, _, _ in sheet.columns_of("uid")]
    found: dict[int, str] = {}
    of_job: dict[str, str] = {}
    last = ""
    for number, cells in rows(shop, sheet):
        own = next(
            (cells[place].strip() for place in places if place < len(cells) and cells[place].strip()), ""
        )
        if referred := referred_to(own):
            last = of_job.get(folded(referred), "")
            if last:
                found[number] = last
        elif is_ditto(own):
            if last:
                found[number] = last
        elif own:
            last = "" if names_two_boards(own) else own
        elif (
            also_empty
            and last
            and all(place < len(cells) and numbers_a_job(cells[place]) for place in numbers)
        ):
            found[number] = last
        if last and numbers and numbers[0] < len(cells):
            of_job.setdefault(folded(cells[numbers[0]]), last)
    return found


def cells_above(shop: Shop, sheet: Sheet) -> dict[int, dict[int, str]]:
    """For each column of complaints and outcomes the rows that refer to the cell above, with what it says.

    A remark that stands in a row of its own is no complaint. "Same" is an outcome of its own: it changed nothing.
    """
    ends = {place for place, _, _ in sheet.columns_of("verdict")}
    found: dict[int, dict[int, str]] = {place: {} for place, _, _ in sheet.columns_of("complaint", "verdict")}
    last: dict[int, str] = {}
    for number, cells in rows(shop, sheet) if found else ():
        for place, above in found.items():
            own = survey.cleaned(cells[place]) if place < len(cells) else ""
            if own and (outcomes.refers_above(own) if place in ends else is_ditto(own)):
                if place in last:
                    above[number] = last[place]
            elif own and sum(bool(cell.strip()) for cell in cells) > 1:
                last[place] = own
    return found


def first_rows(shop: Shop, sheet: Sheet, most: int = 6) -> list[tuple[int, list[str]]]:
    """The first rows below the headings, each as wide as the sheet."""
    wide = len(sheet.headings)
    found = itertools.islice(rows(shop, sheet), most)
    return [(number, [*cells, *[""] * (wide - len(cells))]) for number, cells in found]


def choose_columns(shop: Shop, sheet: Sheet, targets: dict[str, str], family_of_all: str) -> None:
    """Keeps what each column holds. Raises BadInput naming the column where that cannot be."""
    sheet.targets = {key: targets.get(key, "") for key in sheet.keys}
    sheet.answers["family of all"] = " ".join(family_of_all.split())[:80]
    sheet.checked = sheet.texts = None
    state.save(shop, sheet)
    for value, field in BY_VALUE.items():
        twice = [key for key, to in sheet.targets.items() if to == value]
        if field.once and len(twice) > 1:
            raise BadInput(
                f"Two columns are said to be “{field.label}”.",
                field=f"to.{sheet.keys.index(twice[1])}",
                remedy="Take one of them into the notes.",
            )
    if not (sheet.maps("family", "alias", "work") or sheet.answers["family of all"]):
        raise BadInput(
            "No column says which board it was.",
            field="family_of_all",
            remedy="Choose the column with the board number, or write the number that all boards have.",
        )
