"""Pictures of boards: kept, versioned, exported, shared, merged and deleted like every record."""

from __future__ import annotations

import base64
import io
import json
import zipfile
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pictures_made as made
import pytest
from factories import a_case, a_family, bring, exported, fresh_shop, shop_in
from PIL import Image

from kb.errors import BadInput, Conflict, NotFound
from kb.exchange import lines
from kb.model import PictureRecord, Pin
from kb.service import Shop
from kb.service.boards import families, pictures, places
from kb.service.cases import files
from kb.service.history import bin as binning
from kb.service.history import merges, undo_batch, versions
from kb.service.operate import integrity
from kb.service.transfer import exports, shares
from kb.store.records import consistency, stored_checksums

PINS = [
    {"kind": "part", "label": "C9", "x": 0.25, "y": 0.5, "section": "standby output"},
    {"kind": "test point", "label": "TP 3", "x": 0.75, "y": 0.25},
    {"kind": "connector", "label": "CN2", "x": 0.2, "y": 0.9, "to_x": 0.6, "to_y": 0.9, "pins": 5},
    {"kind": "hot side", "outline": [[0.5, 0.0], [1.0, 0.0], [1.0, 1.0]]},
]


def picture_bytes(width: int = 80, height: int = 60) -> io.BytesIO:
    return io.BytesIO(made.saved(made.marked(width, height), "JPEG"))


def pinned(shop: Shop, code: str = "GL-31", pins: list[dict[str, Any]] = PINS, width: int = 80) -> str:
    """A picture of a family with pins; its uid."""
    seen = pictures.add(shop, code, "board.jpg", picture_bytes(width))
    record = seen.record.model_copy(update={"pins": [Pin.model_validate(pin) for pin in pins]})
    assert pictures.save(shop, record, expected_version=1) == "updated"
    return seen.record.uid


def sound(shop: Shop) -> None:
    """Every check of the store is content."""
    with shop.read() as session:
        for faults in (
            consistency.feed_faults,
            consistency.history_faults,
            consistency.record_faults,
            stored_checksums.faults,
        ):
            assert list(faults(session)) == []


@pytest.fixture
def other() -> Iterator[Shop]:
    made = fresh_shop()
    yield made
    made.close()


def test_a_picture_is_kept_with_its_pins_and_every_version(stocked: Shop) -> None:
    uid = pinned(stocked)
    record = pictures.view(stocked, uid).record
    assert [pin.label for pin in record.pins] == ["C9", "TP 3", "CN2", ""]
    assert versions.history(stocked, "picture", uid).total == 2
    fewer = record.model_copy(update={"pins": record.pins[:1]})
    assert pictures.save(stocked, fewer, expected_version=2) == "updated"
    assert pictures.save(stocked, fewer, expected_version=3) == "unchanged"
    with pytest.raises(Conflict):
        pictures.save(stocked, record, expected_version=2)
    seen = versions.history(stocked, "picture", uid).versions[0]
    assert [one.sentence for one in seen.changed] == [
        "Pin removed: TP 3 (test point)",
        "Pin removed: CN2 (connector)",
        "Pin removed: Outline (hot side)",
    ]
    versions.restore(stocked, "picture", uid, 2)
    assert pictures.view(stocked, uid).record == record
    sound(stocked)


def test_an_export_brings_pictures_back_and_their_bytes_can_follow(stocked: Shop, other: Shop) -> None:
    uid = pinned(stocked)
    text = exported(stocked)
    assert bring(other, *map(json.loads, text.splitlines())).saved
    assert exported(other) == text
    assert not pictures.view(other, uid).is_here
    family = families.get(other, "GL-31")[0]
    assert places.around(other, family, ["C9"]).part("C9") is None
    with pytest.raises(NotFound):
        pictures.small_of(other, pictures.view(other, uid))
    with pytest.raises(BadInput, match="another file"):
        pictures.bring_bytes(other, uid, picture_bytes(81))
    kept = io.BytesIO(Path(pictures.path_of(stocked, pictures.view(stocked, uid).record)).read_bytes())
    pictures.bring_bytes(other, uid, kept)
    assert pictures.view(other, uid).is_here
    assert places.around(other, family, ["C9"]).part("c-9") is not None
    assert exported(other) == text
    again = bring(other, *map(json.loads, text.splitlines()))
    assert (again.added, again.updated, again.refused) == (0, 0, 0)
    sound(other)


def test_an_older_line_replaces_no_newer_pins_unless_the_file_is_to_win(stocked: Shop) -> None:
    uid = pinned(stocked)
    before = pictures.view(stocked, uid).record
    moved = before.model_copy(update={"pins": before.pins[:2]})
    pictures.save(stocked, moved, expected_version=2)
    report = bring(stocked, before)
    assert report.conflicts == [f"picture {uid}: the file holds an earlier version"]
    assert pictures.view(stocked, uid).record == moved
    binning.put(stocked, "picture", uid)
    assert bring(stocked, moved).conflicts == [f"picture {uid}: it is in the bin"]


@pytest.mark.same("made of the picture before it is kept")
@pytest.mark.parametrize(
    ("change", "field"),
    [
        ({"family": "XX-1"}, "family"),
        ({"sha256": "0" * 63}, "sha256"),
        ({"pins": [PINS[0], {"kind": "test point", "label": "c-9", "x": 0.1, "y": 0.1}]}, "pins.1.label"),
        ({"pins": [{"kind": "part", "label": "C9", "x": 1.2, "y": 0.1}]}, "pins.0.x"),
        ({"pins": [{"kind": "part", "label": "C9", "x": 0.2}]}, "pins.0.y"),
        ({"pins": [{"kind": "part", "label": "", "x": 0.2, "y": 0.1}]}, "pins.0.label"),
        ({"pins": [{"kind": "part", "label": "C9", "x": 0.2, "y": 0.1, "pins": 3}]}, "pins.0.pins"),
        ({"pins": [{"kind": "hot side", "outline": [[0, 0], [1, 1]]}]}, "pins.0.outline"),
        (
            {"corners": [[0, 0], [0, 1], [1, 1], [1, 0]], "straight_width_px": 9, "straight_height_px": 9},
            "corners",
        ),
        ({"corners": [[0, 0], [1, 0], [1, 1], [0, 1]]}, "straight_width_px"),
        ({"mm_per_px": 0}, "mm_per_px"),
        ({"image": base64.b64encode(b"not the picture").decode()}, "image"),
    ],
)
def test_lines_that_are_no_picture_of_a_board_are_refused_at_their_field(
    stocked: Shop, change: dict[str, Any], field: str
) -> None:
    good = {
        "record": "picture",
        "uid": "p1",
        "family": "GL-31",
        "sha256": "ab" * 32,
        "width_px": 8,
        "height_px": 6,
    }
    assert bring(stocked, good).saved
    report = bring(stocked, {**good, "uid": "p2", **change})
    assert [problem.field for problem in report.problems] == [field]


def test_shares_leave_pictures_out_unless_they_are_chosen_and_then_carry_their_bytes(
    stocked: Shop, other: Shop
) -> None:
    pinned(stocked)
    assert bring(stocked, a_case("one")).saved
    plain = list(shares.records(stocked, shares.Choice(name="Pier shop")))
    assert not [one for one in plain if isinstance(one, PictureRecord)]
    choice = shares.Choice(name="Pier shop", pictures=True)
    assert shares.preview(stocked, choice).pictures == 1
    given = list(shares.records(stocked, choice))
    assert bring(other, *(json.loads(lines.write(one)) for one in given)).saved
    (seen,) = pictures.of_family(other, "GL-31").used
    assert seen.is_here
    assert [pin.label for pin in seen.record.pins] == ["C9", "TP 3", "CN2", ""]
    assert pictures.whole_of(other, seen)[8:12] == b"WEBP"
    # Ours stays where we have one of that side.
    again = bring(other, *(json.loads(lines.write(one)) for one in given))
    assert again.added == 0
    assert len(pictures.of_family(other, "GL-31").used) == 1
    sound(other)


@pytest.mark.same("made of the picture before it is kept")
def test_a_picture_too_large_for_a_line_is_shared_smaller_with_its_pins_where_they_were(
    stocked: Shop, monkeypatch: pytest.MonkeyPatch
) -> None:
    uid = pinned(stocked)
    monkeypatch.setattr("kb.pictures.board.MOST_SHARED_BYTES", 100)
    record = pictures.view(stocked, uid).record
    given = pictures.for_sharing(stocked, record)
    assert given.pins == record.pins
    assert given.sha256 != record.sha256
    PictureRecord.model_validate(json.loads(lines.write(given)))


@pytest.mark.same("made of the picture before it is kept")
def test_a_data_package_holds_the_pictures_and_their_pins(stocked: Shop) -> None:
    uid = pinned(stocked)
    sha = pictures.view(stocked, uid).record.sha256
    made_of = b"".join(exports.taken(stocked, "package", exports.Choice(), with_photos=True))
    package = zipfile.ZipFile(io.BytesIO(made_of))
    assert f"files/{sha}.jpg" in package.namelist()
    assert package.read("data/pictures.csv").decode().splitlines()[1].startswith(uid)
    assert [row.split(",")[3] for row in package.read("data/pins.csv").decode().splitlines()[1:]] == [
        "C9",
        "TP 3",
        "CN2",
        "",
    ]


def test_pictures_follow_their_family_into_a_merge_and_back(stocked: Shop) -> None:
    assert bring(stocked, a_family("GL-310")).saved
    uid, sum_before = pinned(stocked, "GL-310"), exported(stocked)
    batch = merges.join(stocked, "family", "GL-310", "GL-31", {})
    assert pictures.view(stocked, uid).record.family == "GL-31"
    sound(stocked)
    undone = undo_batch.undo_batch(stocked, batch)
    assert undone.left == []
    assert exported(stocked) == sum_before
    sound(stocked)


def test_a_family_spelled_anew_keeps_its_pictures_proved(stocked: Shop) -> None:
    uid = pinned(stocked)
    record, version = families.get(stocked, "GL-31")
    families.save(stocked, record.model_copy(update={"code": "GL 31"}), expected_version=version)
    assert pictures.view(stocked, uid).record.family == "GL 31"
    sound(stocked)


def test_a_family_deleted_for_good_takes_its_pictures_and_their_bytes_with_it(stocked: Shop) -> None:
    uid = pinned(stocked)
    binning.put(stocked, "family", "GL-31")
    assert '"picture"' not in exported(stocked)
    binning.delete_for_good(stocked, "family", "GL-31")
    with pytest.raises(NotFound):
        pictures.view(stocked, uid)
    assert files.faults(stocked)[0] == 0
    sound(stocked)


def test_a_picture_in_the_bin_comes_back_with_its_pins_and_can_go_for_good(stocked: Shop) -> None:
    uid = pinned(stocked)
    binning.put(stocked, "picture", uid)
    assert pictures.of_family(stocked, "GL-31").used == ()
    total, found = binning.listed(stocked, limit=10, offset=0)
    assert (total, found[0].record.about) == (1, "GL-31, component side")
    binning.take_out(stocked, "picture", uid)
    assert len(pictures.view(stocked, uid).record.pins) == 4
    binning.put(stocked, "picture", uid)
    binning.delete_for_good(stocked, "picture", uid)
    assert files.faults(stocked)[0] == 0
    sound(stocked)


def test_a_better_picture_takes_the_pins_of_the_older_one_over(stocked: Shop) -> None:
    old = pinned(stocked)
    new = pictures.add(stocked, "GL-31", "better.jpg", picture_bytes(160, 120)).record.uid
    # The newer picture was taken a quarter turn further: what was (x, y) is (1 - y, x).
    three = ((0.1, 0.1), (0.9, 0.1), (0.1, 0.9))
    record, lost = pictures.mapped_from(stocked, new, old, three, [(1 - y, x) for x, y in three])
    assert lost == []
    assert (record.pins[0].x, record.pins[0].y) == pytest.approx((0.5, 0.25))
    pictures.save(stocked, record, expected_version=1, replaces=old, replaces_version=2)
    found = pictures.of_family(stocked, "GL-31")
    assert [one.record.uid for one in found.used] == [new]
    assert [one.record.replaced_by for one in found.replaced] == [new]
    pictures.use_again(stocked, old)
    assert len(pictures.of_family(stocked, "GL-31").used) == 2
    sound(stocked)


def test_pins_that_would_fall_outside_a_newer_picture_are_named(stocked: Shop) -> None:
    old = pinned(stocked)
    new = pictures.add(stocked, "GL-31", "other.jpg", picture_bytes(160, 120)).record.uid
    three = ((0.1, 0.1), (0.9, 0.1), (0.1, 0.9))
    _, lost = pictures.mapped_from(stocked, new, old, three, [(x / 2 + 0.5, y) for x, y in three])
    assert lost == []
    _, lost = pictures.mapped_from(stocked, new, old, [(0.5, 0.5), (0.6, 0.5), (0.5, 0.6)], three)
    assert "CN2" in lost


def test_the_same_bytes_twice_are_one_picture_and_what_is_none_is_refused(stocked: Shop) -> None:
    first = pictures.add(stocked, "GL-31", "board.jpg", picture_bytes())
    assert pictures.add(stocked, "GL-31", "board again.jpg", picture_bytes()).record.uid == first.record.uid
    with pytest.raises(BadInput, match="text inside"):
        pictures.add(stocked, "GL-31", "board.jpg", io.BytesIO(b"no picture at all"))


def test_a_backup_holds_the_pictures_and_check_finds_one_that_is_missing(tmp_path: Path) -> None:
    shop = shop_in(tmp_path / "data")
    assert bring(shop, a_family()).saved
    uid = pinned(shop)
    assert integrity.check(shop).faults == []
    Path(pictures.path_of(shop, pictures.view(shop, uid).record)).unlink()
    assert any("missing" in str(fault) for fault in integrity.check(shop).faults)
    shop.close()


@pytest.mark.same("made of the picture before it is kept")
def test_a_picture_turned_by_its_camera_is_upright_before_a_pin_is_set(stocked: Shop) -> None:
    turned = io.BytesIO(made.saved(made.marked(80, 60), "JPEG", exif=made.exif(6)))
    record = pictures.add(stocked, "GL-31", "phone.jpg", turned).record
    assert (record.width_px, record.height_px) == (60, 80)


@pytest.mark.same("made of the picture before it is kept")
def test_a_picture_of_twelve_million_points_is_taken_and_shown_small(stocked: Shop) -> None:
    large = io.BytesIO(made.saved(made.marked(4000, 3000), "JPEG", quality=60))
    seen = pictures.add(stocked, "GL-31", "phone.jpg", large)
    assert max(seen.record.width_px, seen.record.height_px) == 3000
    whole = Image.open(io.BytesIO(pictures.whole_of(stocked, seen)))
    assert whole.size == (1600, 1200)
