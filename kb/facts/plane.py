"""Plane geometry for pictures of boards: straightening by four corners, joining two pictures, a ruler, a crop.

Points are (x, y) pairs of floats, x to the right and y down, in whatever unit the caller uses. A map is the nine
numbers of a 3 by 3 matrix, row by row, scaled so that the last is 1.

Projective maps from four points: Heckbert, Fundamentals of Texture Mapping and Image Warping (1989), section 2.2.3
(from memory); three pairs of points give an affine map.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TypeAlias

from kb.errors import BadInput

Point: TypeAlias = tuple[float, float]
Map: TypeAlias = tuple[float, float, float, float, float, float, float, float, float]
Box: TypeAlias = tuple[float, float, float, float]

SAME: Map = (1.0, 0.0, 0.0, 0.0, 1.0, 0.0, 0.0, 0.0, 1.0)
# Below this share of the square of their reach three points lie on a line, as far as a finger can place them.
_FLAT = 1e-3


def solve(rows: Sequence[Sequence[float]]) -> list[float] | None:
    """The solution of n linear equations given as n rows of n + 1 numbers; None where there is not one alone.

    Gaussian elimination with row exchange.
    """
    left = [list(row) for row in rows]
    size = len(left)
    for column in range(size):
        pivot = max(range(column, size), key=lambda row: abs(left[row][column]))
        if abs(left[pivot][column]) < 1e-12:
            return None
        left[column], left[pivot] = left[pivot], left[column]
        for row in range(size):
            if row != column:
                factor = left[row][column] / left[column][column]
                left[row] = [a - factor * b for a, b in zip(left[row], left[column], strict=True)]
    return [left[row][size] / left[row][row] for row in range(size)]


def turning(a: Point, b: Point, c: Point) -> float:
    """Twice the area of a triangle, above 0 where its corners run clockwise as seen on a screen."""
    return (b[0] - a[0]) * (c[1] - a[1]) - (b[1] - a[1]) * (c[0] - a[0])


def is_board_outline(corners: Sequence[Point]) -> bool:
    """Whether four points are the corners of a board as a camera sees it: upper left first, clockwise, convex,
    and none of them nearly on a line with its neighbours."""
    if len(corners) != 4:
        return False
    around = [turning(*(corners[(at + step) % 4] for step in range(3))) for at in range(4)]
    reach = max(math.dist(one, other) for one in corners for other in corners)
    return all(one > _FLAT * reach * reach for one in around)


def straightening(corners: Sequence[Point], width: float, height: float) -> Map:
    """The projective map that lays four corners (upper left, upper right, lower right, lower left) on the
    corners of an upright rectangle. Raises BadInput where they are no outline of a board."""
    if not is_board_outline(corners):
        raise BadInput(
            "The four corners do not go round the board.",
            field="corners",
            remedy="Drag them to the upper left, upper right, lower right and lower left corner of the board.",
        )
    onto = ((0.0, 0.0), (width, 0.0), (width, height), (0.0, height))
    rows = []
    for (x, y), (u, v) in zip(corners, onto, strict=True):
        rows.append([x, y, 1.0, 0.0, 0.0, 0.0, -u * x, -u * y, u])
        rows.append([0.0, 0.0, 0.0, x, y, 1.0, -v * x, -v * y, v])
    found = solve(rows)
    assert found is not None  # four corners of which no three lie on a line always have one
    return (*found, 1.0)  # type: ignore[return-value]


def joining(points: Sequence[Point], onto: Sequence[Point]) -> Map:
    """The affine map that lays three points of one picture on the same three places of another.

    Raises BadInput where three of them lie on a line, so that they say nothing of the other direction.
    """
    if len(points) != 3 or len(onto) != 3:
        raise BadInput("Three places are needed.", field="shared", remedy="Mark the same three on both.")
    for three in (points, onto):
        reach = max(math.dist(one, other) for one in three for other in three)
        if abs(turning(*three)) <= _FLAT * reach * reach or reach == 0:
            raise BadInput(
                "The three places lie on one line.",
                field="shared",
                remedy="Choose three that lie far apart and not in a row.",
            )
    rows = [[x, y, 1.0] for x, y in points]
    first = solve([[*row, target[0]] for row, target in zip(rows, onto, strict=True)])
    second = solve([[*row, target[1]] for row, target in zip(rows, onto, strict=True)])
    assert first is not None  # three points that lie on no line always have one
    assert second is not None
    return (*first, *second, 0.0, 0.0, 1.0)  # type: ignore[return-value]


def mapped(by: Map, point: Point) -> Point:
    """Where a map takes a point. Raises BadInput for a point at infinity."""
    x, y = point
    below = by[6] * x + by[7] * y + by[8]
    if abs(below) < 1e-12:
        raise BadInput("The place lies outside the picture.", field="x", remedy="Place it on the board.")
    return ((by[0] * x + by[1] * y + by[2]) / below, (by[3] * x + by[4] * y + by[5]) / below)


def inverse(of: Map) -> Map:
    """The map that goes back. Raises BadInput for one that folds the plane onto a line."""
    a, b, c, d, e, f, g, h, i = of
    whole = a * (e * i - f * h) - b * (d * i - f * g) + c * (d * h - e * g)
    last = a * e - b * d
    if abs(whole) < 1e-15 or abs(last) < 1e-15:
        raise BadInput("The corners lie on one line.", field="corners", remedy="Drag them apart.")
    cofactors = (
        *(e * i - f * h, c * h - b * i, b * f - c * e),
        *(f * g - d * i, a * i - c * g, c * d - a * f),
        *(d * h - e * g, b * g - a * h, last),
    )
    return tuple(one / last for one in cofactors)  # type: ignore[return-value]


def together(first: Map, then: Map) -> Map:
    """The map that does the one and then the other."""
    product = [
        sum(then[3 * row + at] * first[3 * at + column] for at in range(3))
        for row in range(3)
        for column in range(3)
    ]
    return tuple(one / product[8] for one in product)  # type: ignore[return-value]


def straight_size(corners: Sequence[Point], longest: float) -> tuple[int, int]:
    """Width and height that a straightened board gets: its opposite sides' mean lengths in the picture, and no
    side longer than `longest`. `corners` are in points of the picture, not in shares of it."""
    a, b, c, d = corners
    width = (math.dist(a, b) + math.dist(d, c)) / 2
    height = (math.dist(b, c) + math.dist(a, d)) / 2
    factor = min(1.0, longest / max(width, height, 1e-9))
    return max(1, round(width * factor)), max(1, round(height * factor))


def mm_per_unit(one: Point, other: Point, length_mm: float) -> float:
    """Millimetres for each unit of the picture, from two places a known length apart. Raises BadInput."""
    apart = math.dist(one, other)
    if apart <= 0:
        raise BadInput(
            "Both ends of the ruler lie at one place.", field="ruler", remedy="Set them apart on the picture."
        )
    if not (math.isfinite(length_mm) and length_mm > 0):
        raise BadInput("The length is not above 0.", field="length_mm", remedy="Type it, such as 100 mm.")
    return length_mm / apart


def between(first: Point, last: Point, number: int, of: int, rows: int = 1) -> Point | None:
    """Where pin `number` of a connector of `of` pins lies, from where pin 1 and the highest pin lie.

    A row is counted to its end before the next begins (1 2 3 beside 4 5 6), as connectors are drawn on the pages. With
    more than one row the connector must lie along an edge of the board; which way its rows run is told by the
    longer way. None where that cannot be told: the wrong pin is worse than none.
    """
    if number == 1:
        return first
    if number == of:
        return last
    (x, y), (to_x, to_y) = first, last
    if rows == 1:
        share = (number - 1) / (of - 1)
        return x + (to_x - x) * share, y + (to_y - y) * share
    columns = -(-of // rows)
    last_row, last_column = divmod(of - 1, columns)
    row, column = divmod(number - 1, columns)
    wide, high = abs(to_x - x), abs(to_y - y)
    if last_row < 1 or last_column <= last_row or max(wide, high) < 1.2 * min(wide, high):
        return None
    along, across = column / last_column, row / last_row
    if wide > high:
        return x + (to_x - x) * along, y + (to_y - y) * across
    return x + (to_x - x) * across, y + (to_y - y) * along
