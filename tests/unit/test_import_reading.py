"""Facts that the words of an exchange file state, read on request while it is brought in."""

from __future__ import annotations

import io
import json
from pathlib import Path

import pytest
from factories import exported, fresh_shop, shop_in

from kb.cli.main import main
from kb.service import Shop
from kb.service.diagnose.import_facts import ImportReading
from kb.service.transfer import json_lines
from kb.service.transfer.json_lines import ImportReport

FAMILY = {
    "record": "family",
    "code": "HX-210",
    "rails": [
        {"name": "5VSB", "role": "standby", "nominal_v": 5, "always_on": True},
        {"name": "12V", "role": "intermediate", "nominal_v": 12},
    ],
}


def case(number: int, **given: object) -> dict[str, object]:
    return {"record": "case", "uid": f"00000000-0000-4000-8000-{number:012}", "family": "HX-210", **given}


def bring(shop: Shop, *records: dict[str, object], create_missing: bool = False) -> ImportReport:
    lines = io.BytesIO("".join(f"{json.dumps(one)}\n" for one in records).encode())
    reader = ImportReading(shop, create_missing=create_missing)
    report = json_lines.bring_in(shop, lines, create_missing=create_missing, read_texts=reader)
    assert report.saved, report.problems
    return report


def held(shop: Shop) -> list[dict[str, object]]:
    return [one for one in map(json.loads, exported(shop).splitlines()) if one["record"] == "case"]


def test_complaints_and_notes_give_symptoms_readings_and_fixes_with_their_numbers() -> None:
    shop = fresh_shop()
    try:
        report = bring(
            shop,
            FAMILY,
            case(
                1,
                complaint="no picture, relay ticks",
                notes="standby 4.1 V. C9 shorted, replaced, all fine now",
            ),
        )
        assert dict(report.read) == {"symptoms": 3, "readings": 1, "attempts": 1}
        (one,) = held(shop)
        names = {entry["name"] for entry in one["symptoms"]}
        assert {"no picture", "relay clicks repeatedly"} <= names  # the low standby rail is a third
        assert one["readings"][0]["rail"] == "5VSB"
        assert one["readings"][0]["value"] == 4.1
        assert one["attempts"][0]["part"] == "C9"
        assert one["attempts"][0]["result"] == "cured"
        assert "verdict" not in one, "nobody closed it"
    finally:
        shop.close()


def test_the_same_file_twice_and_its_own_export_change_nothing() -> None:
    shop = fresh_shop()
    records = [
        FAMILY,
        {"record": "symptom", "name": "sings at night", "synonyms": ["nightly song"]},
        case(1, complaint="dead, nightly song", notes="12V 9.4 V. C9 no good, C12 replaced, works. 20 min"),
        case(
            2,
            complaint="no picture",
            symptoms=[{"name": "own word"}],
            notes="own word, fuse F1 blown, replaced",
        ),
        case(3, complaint="own word as well"),
    ]
    try:
        first = bring(shop, *records, create_missing=True)
        assert first.added == 5
        before = exported(shop)
        assert "sings at night" in {entry["name"] for entry in held(shop)[0]["symptoms"]}
        assert bring(shop, *records, create_missing=True).updated == 0
        assert exported(shop) == before
        report = bring(shop, *map(json.loads, before.splitlines()), create_missing=True)
        assert (report.updated, report.read) == (0, [])
        assert exported(shop) == before
    finally:
        shop.close()


def test_what_a_case_holds_comes_before_its_words() -> None:
    shop = fresh_shop()
    tried = {
        "part": "C9",
        "part_class": "electrolytic capacitor",
        "section": "standby output",
        "result": "cured",
    }
    noted = {"rail": "12V", "supply": "standby", "value": 9.4}
    try:
        report = bring(
            shop,
            FAMILY,
            case(
                1,
                complaint="dead",
                notes="12V 9.4 V, capacitor replaced, works",
                symptoms=[{"name": "dead", "present": False}],
                readings=[noted],
                attempts=[tried],
            ),
        )
        assert dict(report.read).keys() <= {"symptoms"}
        (one,) = held(shop)
        assert one["symptoms"][0] == {"name": "dead", "present": False}
        assert len(one["readings"]) == len(one["attempts"]) == 1
    finally:
        shop.close()


@pytest.mark.once("the command works on the store in a file")
def test_the_command_reads_texts_only_when_asked(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("KB_DATA", str(tmp_path / "data"))
    monkeypatch.setenv("KB_DATABASE_URL", "")
    shop_in(tmp_path / "data").close()
    file = tmp_path / "cases.jsonl"
    file.write_text(
        f"{json.dumps(FAMILY)}\n{json.dumps(case(1, complaint='no picture'))}\n", encoding="utf-8"
    )
    assert main(["import", str(file)]) == 0
    assert capsys.readouterr().out == "2 added, 0 updated, 0 unchanged, 0 refused\n"
    assert main(["import", str(file), "--read-texts"]) == 0
    said = capsys.readouterr().out.splitlines()
    assert said == [
        "0 added, 1 updated, 1 unchanged, 0 refused",
        "read from complaints and notes: 1 symptoms",
    ]
    assert main(["import", str(file), "--read-texts"]) == 0
    assert capsys.readouterr().out.startswith("0 added, 0 updated, 2 unchanged")
