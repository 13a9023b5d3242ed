"""Plane geometry against a reference library where it is there, exact inverses, and a worked example."""

from __future__ import annotations

import math
import random

import numpy
import pytest

from kb.errors import BadInput
from kb.facts import plane

CORNERS = ((120.0, 80.0), (1500.0, 40.0), (1620.0, 1130.0), (60.0, 1010.0))


def near(one: plane.Point, other: plane.Point, within: float = 1e-9) -> bool:
    return math.dist(one, other) <= within


def test_the_four_corners_become_the_corners_of_an_upright_rectangle() -> None:
    straight = plane.straightening(CORNERS, 1400, 1000)
    onto = ((0, 0), (1400, 0), (1400, 1000), (0, 1000))
    assert all(
        near(plane.mapped(straight, one), other, 1e-6) for one, other in zip(CORNERS, onto, strict=True)
    )


def test_what_is_on_one_line_stays_on_one_line_and_diagonals_keep_their_crossing() -> None:
    straight = plane.straightening(CORNERS, 1400, 1000)
    (ax, ay), (bx, by), (cx, cy), (dx, dy) = CORNERS
    # The crossing of the diagonals, by the formula for two lines through two points each.
    below = (ax - cx) * (by - dy) - (ay - cy) * (bx - dx)
    first, second = ax * cy - ay * cx, bx * dy - by * dx
    crossing = (
        (first * (bx - dx) - (ax - cx) * second) / below,
        (first * (by - dy) - (ay - cy) * second) / below,
    )
    assert near(plane.mapped(straight, crossing), (700, 500), 1e-6)


def test_a_map_and_its_inverse_give_every_point_back() -> None:
    straight = plane.straightening(CORNERS, 1400, 1000)
    back = plane.inverse(straight)
    dice = random.Random(15)
    for _ in range(200):
        point = (dice.uniform(0, 1400), dice.uniform(0, 1000))
        assert near(plane.mapped(straight, plane.mapped(back, point)), point, 1e-6)
    nothing = plane.together(straight, back)
    assert nothing == pytest.approx(plane.SAME, abs=1e-9)


def test_straightening_agrees_with_a_reference_library() -> None:
    from skimage import transform

    dice = random.Random(4)
    for _ in range(20):
        corners = [(x + dice.uniform(-90, 90), y + dice.uniform(-90, 90)) for x, y in CORNERS]
        ours = plane.straightening(corners, 1400, 1000)
        onto = numpy.array([(0, 0), (1400, 0), (1400, 1000), (0, 1000)], dtype=float)
        theirs = transform.ProjectiveTransform.from_estimate(numpy.array(corners), onto)
        assert ours == pytest.approx(tuple((theirs.params / theirs.params[2, 2]).ravel()), rel=1e-6, abs=1e-9)


def test_three_shared_points_agree_with_a_reference_library() -> None:
    from skimage import transform

    old, new = ((10.0, 20.0), (400.0, 35.0), (60.0, 300.0)), ((33.0, 11.0), (800.0, 90.0), (95.0, 610.0))
    theirs = transform.AffineTransform.from_estimate(numpy.array(old), numpy.array(new))
    assert plane.joining(old, new) == pytest.approx(tuple(theirs.params.ravel()), rel=1e-7, abs=1e-9)


def test_a_quarter_turn_and_a_doubling_are_found_from_three_points() -> None:
    # Worked by hand: (x, y) goes to (100 - 2y, 2x).
    by = plane.joining(((0, 0), (10, 0), (0, 10)), ((100, 0), (100, 20), (80, 0)))
    assert near(plane.mapped(by, (7, 3)), (94, 14))


@pytest.mark.parametrize(
    "corners",
    [
        ((0, 0), (0, 1), (1, 1), (1, 0)),  # anticlockwise
        ((0, 0), (1, 1), (1, 0), (0, 1)),  # crossing
        ((0, 0), (0.5, 0), (1, 0), (0, 1)),  # three on a line
        ((0, 0), (1, 0), (0.2, 0.2), (0, 1)),  # dented
        ((0, 0), (0, 0), (1, 1), (0, 1)),  # two at one place
        ((0, 0), (1, 0), (1, 1)),
    ],
)
def test_corners_that_go_round_no_board_are_refused(corners: tuple[plane.Point, ...]) -> None:
    with pytest.raises(BadInput) as caught:
        plane.straightening(corners, 100, 100)
    assert caught.value.field == "corners"


@pytest.mark.parametrize(
    "flat", [((0, 0), (1, 1), (2, 2)), ((5, 5), (5, 5), (9, 0)), ((1, 1), (1, 1), (1, 1))]
)
def test_three_places_on_one_line_join_nothing(flat: tuple[plane.Point, ...]) -> None:
    good = ((0, 0), (10, 0), (0, 10))
    for old, new in ((flat, good), (good, flat)):
        with pytest.raises(BadInput) as caught:
            plane.joining(old, new)
        assert caught.value.field == "shared"


def test_a_straightened_board_keeps_the_mean_lengths_of_its_sides() -> None:
    assert plane.straight_size(((0, 0), (300, 0), (300, 200), (0, 200)), 2400) == (300, 200)
    assert plane.straight_size(((0, 0), (3000, 0), (3000, 2000), (0, 2000)), 2400) == (2400, 1600)


def test_a_ruler_gives_the_scale_and_refuses_what_is_no_length() -> None:
    assert plane.mm_per_unit((0, 0), (300, 400), 100) == pytest.approx(0.2)
    for ends, length in ((((1, 1), (1, 1)), 100), (((0, 0), (1, 0)), 0), (((0, 0), (1, 0)), -3)):
        with pytest.raises(BadInput):
            plane.mm_per_unit(*ends, length)


@pytest.mark.parametrize(
    ("number", "of", "rows", "where"),
    [
        (1, 5, 1, (0, 0)),
        (3, 5, 1, (20, 0)),
        (5, 5, 1, (40, 0)),
        (1, 1, 1, (0, 0)),
        (2, 10, 2, (10, 0)),
        (5, 10, 2, (40, 0)),
        (6, 10, 2, (0, 8)),
        (10, 10, 2, (40, 8)),
        (5, 9, 2, (160 / 3, 0)),  # the second row is one shorter, so the last pin stands under the fourth
        (6, 9, 2, (0, 8)),
    ],
)
def test_a_connectors_pins_lie_evenly_between_its_first_and_last(
    number: int, of: int, rows: int, where: plane.Point
) -> None:
    last = (40.0, 8.0 if rows == 2 else 0.0)
    found = plane.between((0.0, 0.0), last, number, of, rows)
    assert found is not None
    assert near(found, where)


def test_a_connector_standing_upright_counts_its_rows_from_side_to_side() -> None:
    assert plane.between((5.0, 0.0), (13.0, 40.0), 6, 10, 2) == pytest.approx((13.0, 0.0))


@pytest.mark.parametrize(
    ("last", "of", "rows"),
    [((8.0, 8.0), 4, 2), ((0.0, 8.0), 4, 2), ((8.0, 16.0), 6, 3), ((20.0, 19.0), 10, 2)],
)
def test_where_it_cannot_be_told_how_the_rows_run_no_pin_is_shown(
    last: plane.Point, of: int, rows: int
) -> None:
    assert plane.between((0.0, 0.0), last, 2, of, rows) is None
    assert plane.between((0.0, 0.0), last, 1, of, rows) == (0.0, 0.0)
