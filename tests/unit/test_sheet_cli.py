"""Spreadsheets from the command line."""

from __future__ import annotations

from pathlib import Path

import pytest
from commands import STUCK_S
from factories import shop_in

from kb.cli.main import main
from kb.service import sheets


@pytest.mark.once("the command works on the store in a file")
def test_a_spreadsheet_comes_in_by_a_saved_mapping(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    data = tmp_path / "data"
    monkeypatch.setenv("KB_DATA", str(data))
    monkeypatch.setenv("KB_DATABASE_URL", "")
    first = tmp_path / "first.csv"
    first.write_text("Job,Board,Result\n1,HX-210,mended\n", encoding="utf-8")
    shop = shop_in(data)
    with first.open("rb") as source:
        sheet = sheets.take(shop, first.name, source)
    sheets.read(shop, sheet)
    for question in sheets.ask(shop, sheet).questions:
        sheet.answers[question.key] = question.chosen or "=repaired"
    sheets.decide(shop, sheet, {})
    sheets.check(shop, sheet)
    sheets.start_run(shop, sheet, keep_good=False, mapping_name="Job book").wait(STUCK_S)
    shop.close()

    second = tmp_path / "second.csv"
    second.write_text("Job;Result;Board\n1;mended;HX-210\n2;mended;GL-31\n3;odd;GL-31\n", encoding="utf-8")
    assert main(["import", str(second), "--mapping", "job BOOK", "--dry-run"]) == 0
    said = capsys.readouterr()
    assert said.out == "would be: 1 added, 0 updated, 1 unchanged, 1 refused\n"
    assert "row 4: Result: “…” was not given a meaning." in said.err
    assert main(["import", str(second), "--mapping", "Job book"]) == 1
    assert "nothing was imported" in capsys.readouterr().err
    left = tmp_path / "left.csv"
    assert main(["import", str(second), "--mapping", "Job book", "--skip-bad", "--refused", str(left)]) == 0
    assert capsys.readouterr().out == "1 added, 0 updated, 1 unchanged, 1 refused\n"
    assert left.read_text(encoding="utf-8-sig").splitlines()[1].startswith("3;odd;GL-31;")
    assert list((data / "incoming").iterdir()) != []  # the first one, of the browser
    assert main(["import", str(second), "--mapping", "No such"]) == 1
    assert "no saved mapping" in capsys.readouterr().err
    assert main(["import", str(second), "--dry-run"]) == 1
