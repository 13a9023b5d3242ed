"""Where something is on the pictures of a board: the piece that shows it, and the leads on the right pins."""

from __future__ import annotations

import random
from typing import Any

import pytest
from factories import a_family

from kb.bench import places
from kb.bench.connector import Probe
from kb.bench.places import Window, window_around
from kb.bench.sequence import bench_sequence
from kb.bench.sequence_types import BenchFamily
from kb.errors import BadInput
from kb.facts.parts import PART_CLASSES
from kb.facts.vocabulary import SECTIONS, values
from kb.model import PictureRecord, Rail

RAIL = Rail(name="5VSB", nominal_v=5.0, connector="CN2", pins=[6, 7], ground_pins=[8])
FAMILY = a_family(rails=[RAIL, Rail(name="BULK", nominal_v=385.0)])
PINS: list[dict[str, Any]] = [
    {"kind": "part", "label": "C9", "x": 0.5, "y": 0.5},
    {"kind": "test point", "label": "BULK", "x": 0.1, "y": 0.2},
    {
        "kind": "connector",
        "label": "CN2",
        "x": 0.8,
        "y": 0.2,
        "to_x": 0.84,
        "to_y": 0.4,
        "pins": 10,
        "rows": 2,
    },
    {"kind": "hot side", "outline": [[0.0, 0.0], [0.4, 0.0], [0.4, 1.0]]},
]


def picture(uid: str = "p1", pins: list[dict[str, Any]] = PINS, **more: Any) -> PictureRecord:
    given = {
        "uid": uid,
        "family": "GL-31",
        "sha256": "ab" * 32,
        "width_px": 1200,
        "height_px": 800,
        "pins": pins,
    }
    return PictureRecord.model_validate({**given, **more})


@pytest.mark.parametrize("size", [(1200, 800), (800, 1200), (1000, 1000), (2400, 300), (37, 1)])
def test_every_place_has_a_window_that_shows_it_well_inside_and_lies_on_the_grid(
    size: tuple[int, int],
) -> None:
    width, height = size
    dice = random.Random(9)
    for _ in range(300):
        x, y = dice.random() * width, dice.random() * height
        window = window_around([(x, y)], width, height)
        left, upper, right, lower = window.box(width, height)
        assert 0 <= left <= x <= right <= width + 1e-9
        assert 0 <= upper <= y <= lower <= height + 1e-9
        assert window.of == 4
        # Nearer to the edge of the window than a quarter of it only where the picture itself ends.
        wide, high = right - left, lower - upper
        assert x - left >= 0.25 * wide or left == 0
        assert right - x >= 0.25 * wide or right == pytest.approx(width)
        assert y - upper >= 0.25 * high or upper == 0
        assert lower - y >= 0.25 * high or lower == pytest.approx(height)


def test_two_places_far_apart_get_a_larger_window_and_the_farthest_the_whole() -> None:
    assert window_around([(500, 400), (600, 450)], 1200, 800).of == 4
    assert window_around([(400, 400), (700, 450)], 1200, 800).of == 2
    assert window_around([(10, 10), (1190, 790)], 1200, 800) == Window(1, 0, 0)
    assert Window(1, 0, 0).box(1200, 800) == (0, 0, 1200, 800)


@pytest.mark.parametrize("window", [Window(3, 0, 0), Window(4, -1, 0), Window(4, 0, 99), Window(1, 1, 0)])
def test_a_window_that_is_not_on_the_grid_is_refused(window: Window) -> None:
    with pytest.raises(BadInput):
        window.box(1200, 800)


def test_a_part_is_found_however_its_name_is_written_and_marked_where_it_is() -> None:
    found = places.part_place([picture("other", []), picture()], "c-9")
    assert found is not None
    assert (found.picture, found.title, found.side) == ("p1", "C9", "component side")
    left, upper, right, lower = found.window.box(1200, 800)
    (mark,) = found.marks
    assert left + mark.x * (right - left) == pytest.approx(600)
    assert upper + mark.y * (lower - upper) == pytest.approx(400)
    assert places.part_place([picture()], "C10") is None


def test_the_leads_go_on_the_pins_that_the_rail_names() -> None:
    found = places.reading_place([picture()], FAMILY, "5vsb", None)
    assert found is not None
    assert [(mark.lead, mark.label) for mark in found.marks] == [("red", "CN2 pin 6"), ("black", "CN2 pin 8")]
    left, upper, right, lower = found.window.box(1200, 800)
    spots = [(left + mark.x * (right - left), upper + mark.y * (lower - upper)) for mark in found.marks]
    # Pin 6 begins the second row, beside pin 1; pin 8 is the third of it.
    assert spots[0] == pytest.approx((0.84 * 1200, 0.2 * 800))
    assert spots[1] == pytest.approx((0.84 * 1200, 0.3 * 800))


def test_a_rail_without_a_connector_is_found_at_its_test_point_also_within_words() -> None:
    found = places.reading_place([picture()], FAMILY, "BULK", None)
    assert found is not None
    assert found.title == "BULK"
    step = places.probes_place(
        [picture()], [Probe("red", place="output of BULK"), Probe("black", place="ground")]
    )
    assert step is not None
    assert [(mark.lead, mark.label) for mark in step.marks] == [("red", "BULK")]


def test_no_pin_is_shown_where_the_connector_does_not_tell_where_it_is() -> None:
    bare = [{"kind": "connector", "label": "CN2", "x": 0.8, "y": 0.2}]
    probes = (Probe("red", "CN2", 6), Probe("black", "CN2", 1))
    found = places.probes_place([picture(pins=bare)], probes)
    assert found is not None
    assert [mark.lead for mark in found.marks] == ["black"]
    short = [{**bare[0], "to_x": 0.8, "to_y": 0.4, "pins": 5}]
    assert [mark.lead for mark in places.probes_place([picture(pins=short)], probes).marks] == ["black"]  # type: ignore[union-attr]


def test_the_picture_that_shows_both_leads_is_taken() -> None:
    one = picture("one", [{"kind": "test point", "label": "TP1", "x": 0.1, "y": 0.1}])
    both = picture(
        "both", [*one.model_dump()["pins"], {"kind": "test point", "label": "TP2", "x": 0.2, "y": 0.1}]
    )
    found = places.probes_place([one, both], [Probe("red", place="TP1"), Probe("black", place="TP2")])
    assert found is not None
    assert found.picture == "both"


def test_what_is_wanted_of_the_store_is_every_name_that_may_be_pinned() -> None:
    wanted = places.wanted_labels(
        FAMILY, ["C9", "5VSB"], [Probe("red", "CN3", 1), Probe("black", place="leg of Q1")]
    )
    assert {"C9", "5VSB", "CN2", "CN3", "Q1"} <= wanted


def test_pins_stay_where_they_are_on_the_board_when_its_corners_are_laid_otherwise() -> None:
    straight = picture(
        corners=[[0.1, 0.1], [0.9, 0.12], [0.92, 0.9], [0.08, 0.88]],
        straight_width_px=900,
        straight_height_px=600,
    )
    view = places.shown(straight)
    for pin in PINS[:3]:
        assert view.to_own(*view.of_own(pin["x"], pin["y"])) == pytest.approx((pin["x"], pin["y"]), abs=1e-6)
    assert places.outside(straight) == []
    cut = picture(
        corners=[[0.3, 0.1], [0.9, 0.12], [0.92, 0.9], [0.3, 0.88]],
        straight_width_px=900,
        straight_height_px=600,
    )
    assert places.outside(cut) == ["BULK"]
    assert places.shown(cut).tag != view.tag


def test_parts_at_one_point_are_told_in_pairs_and_connectors_are_not() -> None:
    pins = [
        {"kind": "part", "label": "C1", "x": 0.5, "y": 0.5},
        {"kind": "part", "label": "C2", "x": 0.501, "y": 0.5},
        {"kind": "connector", "label": "CN1", "x": 0.5, "y": 0.5},
        {"kind": "part", "label": "C3", "x": 0.52, "y": 0.5},
    ]
    assert places.same_place(picture(pins=pins)) == [("C1", "C2")]


def test_every_sort_is_what_a_step_means_and_names_part_classes_and_a_section_of_the_lists() -> None:
    """A word that no step says, or a class that no list has, would never show a place and nobody would notice."""
    known = {one.name for one in PART_CLASSES}
    steps = [
        step
        for switch in ("", "MOSFET", "IGBT", "bipolar transistor")
        for step in bench_sequence(
            BenchFamily("QX-1", mains_v=230.0, bulk_v=385.0, fuse="T3.15A", switch=switch),
            isolation_stated=True,
        ).steps
    ]
    said = {step.point for step in steps}
    for name, sort in places.SORTS.items():
        assert set(sort.classes) <= known, name
        assert sort.section in ("", *values(SECTIONS)), name
        assert name in said, name
