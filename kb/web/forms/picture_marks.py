"""Marks as shapes to draw over a picture: in a space 1000 wide and as high as the picture's shape asks."""

from __future__ import annotations

import math
from dataclasses import dataclass

from kb.model import Mark
from kb.service.cases.files import StoredCaseFile

WIDTH = 1000.0
_HEAD_LENGTH, _HEAD_ANGLE = 34.0, math.radians(27)


@dataclass(frozen=True, slots=True)
class Shape:
    """One mark ready to be drawn; `told` says it in words, with its place in per cent."""

    kind: str
    told: str
    x: float
    y: float
    radius: float = 0.0
    path: str = ""
    text: str = ""
    anchor: str = "start"


@dataclass(frozen=True, slots=True)
class Drawing:
    """All marks of a picture; `height` is that of the space they are drawn in."""

    height: float
    shapes: tuple[Shape, ...]

    @property
    def told(self) -> str:
        return "; ".join(shape.told for shape in self.shapes)


def drawing_of(file: StoredCaseFile) -> Drawing:
    """The marks of a picture as shapes; none for a document."""
    if not file.content.width_px or not file.content.height_px:
        return Drawing(WIDTH, ())
    height = round(WIDTH * file.content.height_px / file.content.width_px, 1)
    return Drawing(height, tuple(_shape(mark, height) for mark in file.marks))


def _shape(mark: Mark, height: float) -> Shape:
    x, y = round(mark.x * WIDTH, 1), round(mark.y * height, 1)
    place = f"{_percent(mark.x)} from the left, {_percent(mark.y)} from the top"
    if mark.kind == "circle":
        assert mark.size is not None
        return Shape("circle", f"Circle, {place}", x, y, radius=round(mark.size * WIDTH, 1))
    if mark.kind == "arrow":
        assert mark.to_x is not None
        assert mark.to_y is not None
        tip = (round(mark.to_x * WIDTH, 1), round(mark.to_y * height, 1))
        end = f"{_percent(mark.to_x)} from the left, {_percent(mark.to_y)} from the top"
        return Shape("arrow", f"Arrow to {end}", x, y, path=_arrow((x, y), tip))
    # Words near the right edge run towards the left, so that they stay on the picture.
    anchor = "end" if mark.x > 0.6 else "start"
    return Shape("text", f"“{mark.text}”, {place}", x, y, text=mark.text, anchor=anchor)


def _percent(share: float) -> str:
    return f"{share * 100:.0f} %"


def _arrow(tail: tuple[float, float], tip: tuple[float, float]) -> str:
    back = math.atan2(tail[1] - tip[1], tail[0] - tip[0])
    length = min(_HEAD_LENGTH, max(8.0, math.dist(tail, tip) / 2))
    ends = [
        (tip[0] + length * math.cos(back + turn), tip[1] + length * math.sin(back + turn))
        for turn in (_HEAD_ANGLE, -_HEAD_ANGLE)
    ]
    (ax, ay), (bx, by) = ends
    return (
        f"M{tail[0]:.1f} {tail[1]:.1f} {tip[0]:.1f} {tip[1]:.1f}"
        f"M{ax:.1f} {ay:.1f} {tip[0]:.1f} {tip[1]:.1f} {bx:.1f} {by:.1f}"
    )
