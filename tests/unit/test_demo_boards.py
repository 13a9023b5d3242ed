"""The drawn boards of the demo: what is committed is what the generator draws, and each pin lies on its part."""

from __future__ import annotations

import hashlib
import json
from pathlib import Path

import pytest
from demo_town import boards
from demo_town.family import Family
from demo_town.weak_points import WEAK_POINTS
from PIL import Image, ImageChops, ImageStat

from kb.bench import places
from kb.model import PictureRecord

FOLDER = Path(__file__).parents[2] / "seed_data" / "boards"
RECORDS = {
    line["family"]: line
    for line in map(json.loads, (FOLDER / "boards.jsonl").read_text("utf-8").splitlines())
}
FAMILIES = boards.families()


def test_every_board_has_its_picture_and_together_they_stay_small() -> None:
    assert {family.code for family in FAMILIES} == set(boards.CODES) == set(RECORDS)
    assert sum(file.stat().st_size for file in FOLDER.iterdir()) < 250_000


@pytest.mark.parametrize("family", FAMILIES, ids=lambda family: family.code)
def test_the_committed_picture_is_what_the_generator_draws(family: Family) -> None:
    file = FOLDER / f"{family.code}.webp"
    board = boards.drawn(family)
    assert RECORDS[family.code] == json.loads(json.dumps(boards.record_of(family, board, file.read_bytes())))
    assert RECORDS[family.code]["sha256"] == hashlib.sha256(file.read_bytes()).hexdigest()
    with Image.open(file) as kept:
        # Packed with loss, and letters differ a little between versions of the drawing library.
        apart = ImageChops.difference(kept.convert("RGB"), boards.photographed(board))
    assert max(ImageStat.Stat(apart).mean) < 6


@pytest.mark.parametrize("family", FAMILIES, ids=lambda family: family.code)
def test_every_part_that_cases_name_and_every_connector_is_pinned_within_the_board(family: Family) -> None:
    record = PictureRecord.model_validate(RECORDS[family.code])
    named = {pin.label for pin in record.pins}
    assert {point.part for point in WEAK_POINTS[family.code]} <= named
    assert {name for name, _, _ in family.connectors} <= named
    assert places.outside(record) == []
    assert places.same_place(record) == []
    for rail in family.rails:
        assert rail.name in named or rail.connector in named


def test_a_drawn_board_is_shown_as_large_as_it_was_drawn() -> None:
    record = PictureRecord.model_validate(RECORDS["HX-210"])
    view = places.shown(record)
    assert record.mm_per_px is not None
    width, height = view.width * record.mm_per_px, view.height * record.mm_per_px
    assert (width, height) == pytest.approx(boards._SIZE_MM, rel=0.02)
