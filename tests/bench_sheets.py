"""How long a large sheet takes and how much memory: `python tests/bench_sheets.py 200000 [xlsx]`.

Rows as a bench keeps them: twelve columns, German days, amounts with a comma, some 300 boards. Its figures stand
in tests/FIGURES.md; no test runs this.
"""

from __future__ import annotations

import csv
import datetime
import random
import resource
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import openpyxl
from factories import shop_in

from kb.service import sheets

HEADINGS = ["Auftragsnr", "Gerät", "Eingang", "Ausgang", "Fehler", "Schiff", "Ergebnis", "Bauteil", "Kosten",
            "Minuten", "5VSB (V)", "Bemerkung"]  # fmt: skip
WORDS = ["no picture", "relay ticks", "dead", "standby light blinks", "no sound", "hums", "trips breaker"]


def rows(count: int) -> Any:
    dice = random.Random(2026)
    for number in range(count):
        came = datetime.date(2012, 1, 1) + datetime.timedelta(days=dice.randrange(5000))
        yield [
            str(number),
            f"HX-{dice.randrange(100, 400)}",
            came,
            came + datetime.timedelta(days=dice.randrange(9)),
            f"{dice.choice(WORDS)}, {dice.choice(WORDS)} after {dice.randrange(600)} minutes on deck",
            f"ferry {dice.randrange(50)}",
            dice.choice(["i.O.", "Schrott", "k.F."]),
            f"C{dice.randrange(40)}",
            round(dice.random() * 90, 2),
            dice.randrange(5, 90),
            round(dice.random() * 5, 2),
            "cleaned" if dice.random() < 0.3 else "",
        ]


def as_german(cell: Any) -> str:
    if isinstance(cell, datetime.date):
        return cell.strftime("%d.%m.%Y")
    return str(cell).replace(".", ",") if isinstance(cell, float) else str(cell)


def write(file: Path, count: int, kind: str) -> None:
    if kind == "xlsx":
        book = openpyxl.Workbook(write_only=True)
        sheet = book.create_sheet("Jobs")
        sheet.append(HEADINGS)
        for row in rows(count):
            sheet.append(row)
        book.save(file)
        return
    with file.open("w", encoding="cp1252", newline="") as target:
        writer = csv.writer(target, delimiter=";")
        writer.writerow(HEADINGS)
        writer.writerows([as_german(cell) for cell in row] for row in rows(count))


def timed(what: str, work: Callable[[], Any]) -> Any:
    begun, used = time.perf_counter(), time.process_time()
    answer = work()
    took, cpu = time.perf_counter() - begun, time.process_time() - used
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss // 1024
    print(f"{what:10} {took:7.1f} s, {cpu:6.1f} s of processor, peak {peak} MB", flush=True)
    return answer


def main() -> None:
    count, kind = int(sys.argv[1]), (sys.argv[2:] or ["csv"])[0]
    with tempfile.TemporaryDirectory() as folder:
        file = Path(folder) / f"book.{kind}"
        write(file, count, kind)
        print(f"{count} rows, {file.stat().st_size / 1e6:.1f} MB", flush=True)
        shop = shop_in(Path(folder) / "data")
        with file.open("rb") as source:
            sheet = timed("sent", lambda: sheets.take(shop, file.name, source))
        timed("analysed", lambda: sheets.read(shop, sheet))
        questions = timed("questions", lambda: sheets.ask(shop, sheet)).questions
        answers = {one.key: one.chosen or one.options[0][0] for one in questions}
        sheets.decide(shop, sheet, answers)
        timed("texts", lambda: sheets.read_texts(shop, sheet))
        counts = timed("checked", lambda: sheets.check(shop, sheet))
        print(counts.added, "new,", counts.refused, "refused", list(counts.reasons)[:3])
        timed("brought in", lambda: sheets.run(shop, sheet, refresh=False))
        shop.close()


if __name__ == "__main__":
    main()
