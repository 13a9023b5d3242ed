"""The check and the run of a sheet as long work, and what the pages show of them."""

from __future__ import annotations

import itertools
import json
from collections.abc import Callable
from typing import Any

from kb.errors import BadInput
from kb.model import CaseRecord
from kb.service.history import undo_batch
from kb.service.history.undo_batch import Undone
from kb.service.sheets import dry_run, known, mappings, state, texts
from kb.service.sheets.state import Sheet
from kb.service.shop.jobs import Job
from kb.service.shop.shop import Shop
from kb.service.transfer import json_lines
from kb.service.transfer.json_lines import ImportReport

_SHOWN_CASES = 3


def start_check(shop: Shop, sheet: Sheet) -> Job:
    """Starts the dry run; its page shows the counts when it is done."""

    def work(job: Job) -> None:
        dry_run.check(shop, sheet, job.advance)

    return shop.jobs.start(
        "sheet", f"Check {sheet.name}", work, unit="rows", total=sheet.rows, person=shop.person,
        answer_at=f"/data/sheet/{sheet.id}/check",
    )  # fmt: skip


def start_texts(shop: Shop, sheet: Sheet) -> Job:
    """Starts to read the words of all rows; its page shows what they say."""

    def work(job: Job) -> None:
        texts.read(shop, sheet, known.look(shop), job.advance)

    return shop.jobs.start(
        "sheet", f"Read the words of {sheet.name}", work, unit="rows", total=sheet.rows, person=shop.person,
        answer_at=f"/data/sheet/{sheet.id}/texts",
    )  # fmt: skip


def start_run(shop: Shop, sheet: Sheet, *, keep_good: bool, mapping_name: str = "") -> Job:
    """Starts to bring in what was checked. Raises BadInput where that is not possible yet."""
    checked = sheet.checked
    if checked is None:
        raise BadInput("The rows were not checked yet.", field="check", remedy="Check them first.")
    if sheet.done is not None and sheet.done["saved"]:
        raise BadInput(
            "This sheet was brought in already.",
            field="check",
            remedy="Check it again to bring it in a second time.",
        )
    if checked["refused"] and not keep_good:
        raise BadInput(
            f"{checked['refused']} cases are refused, so nothing is brought in.",
            field="keep_good",
            remedy="Choose to bring in the good ones, or mend the others first.",
        )
    if mapping_name.strip():
        mappings.save(shop, sheet, mapping_name)
        state.save(shop, sheet)

    def work(job: Job) -> None:
        # Pressed twice, the second piece of work finds that the first has done it.
        if state.load(shop, sheet.id).done is None:
            run(shop, sheet, job.advance, job.point_of_no_return)

    return shop.jobs.start(
        "sheet", f"Bring in {sheet.name}", work, unit="cases", person=shop.person,
        total=checked["added"] + checked["updated"] + checked["unchanged"] + checked["renamed"],
        answer_at=f"/data/sheet/{sheet.id}/result",
    )  # fmt: skip


def run(
    shop: Shop,
    sheet: Sheet,
    progress: Callable[[int], Any] | None = None,
    before_keeping: Callable[[], None] | None = None,
    *,
    refresh: bool = True,
) -> ImportReport:
    """Brings in what `checking.check` wrote down, in one transaction and as one batch that can be undone.

    `progress` may raise to stop it, which undoes everything; so may `before_keeping`, which is called once
    nothing but the commit is left.
    Without `refresh` the derived copies catch up when they are next asked.
    """
    place = state.folder(shop, sheet.id)
    with (place / dry_run.BOARDS).open("rb") as boards, (place / dry_run.CASES).open("rb") as cases:
        report = json_lines.bring_in(
            shop,
            itertools.chain(boards, cases),
            create_missing=True,
            progress=(lambda _: progress(1)) if progress else None,
            refresh=False,
            kind="sheet",
            title=sheet.name,
            before_keeping=before_keeping,
        )
    if report.saved and refresh:
        shop.refresh()
    changed = report.saved and bool(report.added or report.updated)
    sheet.done = {
        "saved": report.saved,
        "added": report.added,
        "updated": report.updated,
        "unchanged": report.unchanged,
        "created": len(report.created),
        "batch": report.batch if changed else "",
        "problems": [f"{line.message} {line.remedy or ''}".strip() for line in report.problems[:20]],
    }
    state.save(shop, sheet)
    return report


def preview_undo(shop: Shop, sheet: Sheet) -> Undone:
    """What undoing the import of a sheet would do. Raises BadInput where there is nothing to undo."""
    return undo_batch.preview_undo(shop, _batch_of(sheet))


def start_undo(shop: Shop, sheet: Sheet) -> Job:
    """Starts to take back what a sheet brought in; later work of anybody stays. Raises BadInput."""
    batch = _batch_of(sheet)

    def work(job: Job) -> None:
        undone = undo_batch.undo_batch(
            shop, batch, progress=job.advance, before_keeping=job.point_of_no_return, refresh=False
        )
        shop.refresh()
        assert sheet.done is not None  # `_batch_of` has looked
        sheet.done["undone"] = {"total": undone.total, "left_alone": undone.left_alone}
        state.save(shop, sheet)

    return shop.jobs.start(
        "sheet", f"Undo the import of {sheet.name}", work, unit="records", person=shop.person,
        total=undo_batch.size(shop, batch), answer_at=f"/data/sheet/{sheet.id}/result",
    )  # fmt: skip


def _batch_of(sheet: Sheet) -> str:
    batch = (sheet.done or {}).get("batch")
    if not batch:
        raise BadInput("This sheet changed nothing, so there is nothing to undo.", field="batch")
    return str(batch)


def first_cases(shop: Shop, sheet: Sheet) -> list[CaseRecord]:
    """The first cases as they will stand in the book."""
    place = state.folder(shop, sheet.id) / dry_run.CASES
    if not place.exists():
        return []
    with place.open("rb") as lines:
        return [
            CaseRecord.model_validate_json(json.dumps(json.loads(line)))
            for line in itertools.islice(lines, _SHOWN_CASES)
        ]
