"""Draws boards of the demo as somebody would photograph them, and says what is where on them.

    PYTHONPATH=tests:. python -m demo_town.boards seed_data/boards

writes a picture for each board and `boards.jsonl`, the records that belong to them. Everything on them is invented:
the parts are those of `weak_points.py` and the connectors those of the family, set where such boards have them (mains
on the left, outputs on the right; common practice, no published source).
"""

from __future__ import annotations

import hashlib
import io
import json
import math
import sys
import uuid
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from PIL import Image, ImageDraw, ImageFilter, ImageFont

from demo_town.dice import Dice
from demo_town.family import Family
from demo_town.weak_points import WEAK_POINTS
from demo_town.world import FAMILIES
from kb.facts import plane
from kb.facts.vocabulary import SECTIONS, values

CODES = ("HX-210", "FK-604", "QK-340", "PQ-24N", "VQ-517")
_MM = 8  # points to a millimetre of the drawn board
_SIZE_MM = (170, 110)
_TAKEN = (1500, 1050)
# Where the board's corners lie in the photograph: nobody holds a camera quite straight.
_CORNERS = ((0.07, 0.11), (0.94, 0.075), (0.955, 0.895), (0.05, 0.93))
_SPACE = uuid.UUID("6d2f5c0e-3f6b-4b8e-9b57-2d0f7f1f9a11")
_LAMINATE = ((34, 84, 58), (118, 88, 48), (28, 66, 96))
_SILK = (236, 238, 226)
_QUALITY = 62
_SECTIONS = values(SECTIONS)


@dataclass
class Board:
    """A board being drawn: its picture, and the pins in millimetres from its upper left."""

    image: Image.Image
    dice: Dice
    pins: list[dict[str, Any]] = field(default_factory=list)
    taken: list[tuple[float, float, float, float]] = field(default_factory=list)

    @property
    def draw(self) -> ImageDraw.ImageDraw:
        return ImageDraw.Draw(self.image)

    def free(self, width: float, height: float, left: float, right: float) -> tuple[float, float]:
        """The middle of a place that nothing stands on yet, between two edges; in millimetres."""
        for _ in range(400):
            x = left + width / 2 + self.dice.unit() * max(right - left - width, 0.1)
            y = 8 + height / 2 + self.dice.unit() * (_SIZE_MM[1] - 16 - height)
            box = (x - width / 2 - 1.5, y - height / 2 - 1.5, x + width / 2 + 1.5, y + height / 2 + 1.5)
            if all(box[2] < o[0] or box[0] > o[2] or box[3] < o[1] or box[1] > o[3] for o in self.taken):
                break
        self.taken.append(box)
        return x, y


def _px(*values: float) -> tuple[float, ...]:
    return tuple(value * _MM for value in values)


def _box(x: float, y: float, width: float, height: float) -> tuple[float, ...]:
    return _px(x - width / 2, y - height / 2, x + width / 2, y + height / 2)


def _text(board: Board, x: float, y: float, text: str, size: float = 2.6) -> None:
    font = ImageFont.load_default(size=size * _MM)
    board.draw.text(_px(x, y), text, fill=_SILK, font=font, anchor="mm")


def _cylinder(board: Board, x: float, y: float, size: float) -> None:
    board.draw.ellipse(_box(x, y, size, size), fill=(24, 28, 40), outline=(70, 76, 92), width=4)
    board.draw.ellipse(_box(x, y, size * 0.8, size * 0.8), fill=(168, 174, 178))
    board.draw.line(_px(x - size * 0.3, y, x + size * 0.3, y), fill=(120, 126, 130), width=3)
    board.draw.line(_px(x, y - size * 0.3, x, y + size * 0.3), fill=(120, 126, 130), width=3)
    board.draw.chord(_box(x, y, size, size), 130, 230, fill=(196, 200, 204))


def _block(
    board: Board, x: float, y: float, width: float, height: float, colour: tuple[int, int, int]
) -> None:
    board.draw.rectangle(_box(x + 0.5, y + 0.6, width, height), fill=(14, 26, 20))
    edge = tuple(min(255, part + 40) for part in colour)
    board.draw.rectangle(_box(x, y, width, height), fill=colour, outline=edge, width=3)


def _legged(board: Board, x: float, y: float, width: float, height: float, legs: int) -> None:
    for number in range(legs):
        at = x - width / 2 + (number + 0.5) * width / legs
        for side in (-1, 1):
            board.draw.rectangle(_box(at, y + side * (height / 2 + 0.7), 0.9, 1.4), fill=(190, 190, 186))
    _block(board, x, y, width, height, (30, 30, 33))
    board.draw.ellipse(_box(x - width / 2 + 1.2, y, 1, 1), fill=(70, 70, 74))


# How a part looks from above, by its letters: (width, height) in millimetres.
_LOOKS = {
    "C": (10, 10),
    "Q": (11, 6),
    "U": (10, 6.5),
    "IC": (10, 6.5),
    "PC": (6, 6.5),
    "K": (19, 15),
    "T": (30, 28),
    "L": (19, 19),
    "R": (9, 3),
    "RT": (9, 4),
    "RV": (13, 4.5),
    "F": (20, 6),
    "D": (7, 3.4),
    "LED": (6, 6),
    "FAN": (16, 7),
    "SW": (8, 8),
    "W": (10, 4),
}


def _part(
    board: Board, name: str, left: float, right: float, size: tuple[float, float] | None = None
) -> None:
    letters = name.rstrip("0123456789")
    width, height = size or _LOOKS.get(letters, (7, 5))
    x, y = board.free(width, height + 5, left, right)
    y -= 1.5
    if letters == "C":
        _cylinder(board, x, y, width)
    elif letters in ("U", "IC", "PC"):
        _legged(board, x, y, width, height, 2 if letters == "PC" else 4)
    elif letters in ("T", "L"):
        _block(board, x, y, width, height, (58, 52, 44))
        _block(board, x, y, width * 0.62, height, (196, 158, 46))
    elif letters == "K":
        _block(board, x, y, width, height, (36, 74, 128))
    elif letters in ("R", "RT", "RV"):
        board.draw.line(_px(x - width * 0.75, y, x + width * 0.75, y), fill=(186, 186, 182), width=6)
        _block(
            board,
            x,
            y,
            width,
            height,
            {"R": (176, 150, 110), "RT": (58, 70, 52), "RV": (36, 82, 150)}[letters],
        )
        if letters == "R":
            for number, colour in enumerate(((160, 40, 30), (60, 40, 30), (210, 160, 40))):
                board.draw.rectangle(_box(x - 2 + 1.6 * number, y, 0.7, height), fill=colour)
    elif letters == "F":
        _block(board, x, y, width, height, (206, 214, 214))
        for side in (-1, 1):
            _block(board, x + side * width * 0.42, y, width * 0.18, height, (170, 172, 166))
    elif letters == "Q":
        _block(board, x, y - 2, width + 7, 4, (150, 154, 158))
        _block(board, x, y + 1.5, width, height - 1, (32, 32, 35))
    elif letters == "LED":
        board.draw.ellipse(_box(x, y, width, height), fill=(214, 222, 200), outline=(240, 244, 232), width=4)
    else:
        _block(board, x, y, width, height, (64, 66, 70))
    _text(board, x, y + height / 2 + 2.6, name)
    board.pins.append({"kind": "part", "label": name, "x": x, "y": y})


def _connector(board: Board, name: str, pins: int, rows: int, x: float, y: float) -> None:
    """Standing upright, pin 1 at the top left; a row is counted to its end before the next begins."""
    pitch = 2.5 if pins > 4 else 3.9
    columns = -(-pins // rows)
    width, height = rows * pitch + 2, columns * pitch + 2
    _block(board, x, y, width, height, (222, 216, 198))
    top, left = y - (columns - 1) * pitch / 2, x - (rows - 1) * pitch / 2
    for number in range(pins):
        row, column = divmod(number, columns)
        at = (left + row * pitch, top + column * pitch)
        board.draw.rectangle(_box(*at, 1.2, 1.2), fill=(150, 130, 60), outline=(90, 76, 30), width=2)
    _text(board, x, y - height / 2 - 2.2, name)
    _text(board, left - pitch * 0.9, top, "1", 2.0)
    board.taken.append((x - width / 2 - 4, y - height / 2 - 5, x + width / 2 + 2, y + height / 2 + 2))
    row, column = divmod(pins - 1, columns)
    board.pins.append(
        {
            "kind": "connector",
            "label": name,
            "x": left,
            "y": top,
            "to_x": left + row * pitch,
            "to_y": top + column * pitch,
            "pins": pins,
            **({"rows": rows} if rows > 1 else {}),
        }
    )


def _tracks(board: Board, colour: tuple[int, int, int]) -> None:
    lighter = tuple(min(255, part + 16) for part in colour)
    for _ in range(60):
        x, y = board.dice.unit() * _SIZE_MM[0], board.dice.unit() * _SIZE_MM[1]
        for _ in range(3):
            across = board.dice.chance(0.5)
            reach = (board.dice.unit() - 0.5) * 50
            to = (x + reach, y) if across else (x, y + reach * 0.6)
            board.draw.line(_px(x, y, *to), fill=lighter, width=10)
            x, y = to


def drawn(family: Family) -> Board:
    """The board of a family, straight from above, with its pins in millimetres."""
    width, height = _SIZE_MM
    dice = Dice(sum(map(ord, family.code)))
    colour = _LAMINATE[sum(map(ord, family.code)) % len(_LAMINATE)]
    board = Board(Image.new("RGB", (width * _MM, height * _MM), colour), dice)
    _tracks(board, colour)
    for x, y in ((5, 5), (width - 5, 5), (width - 5, height - 5), (5, height - 5)):
        board.draw.ellipse(_box(x, y, 6, 6), fill=(150, 140, 90))
        board.draw.ellipse(_box(x, y, 3.4, 3.4), fill=(40, 38, 34))
        board.taken.append((x - 4, y - 4, x + 4, y + 4))
    middle = 74.0
    board.draw.line(_px(middle, 3, middle, height - 3), fill=_SILK, width=3)
    board.taken.append((middle - 1, 0, middle + 1, height))
    names = [point.part for point in WEAK_POINTS[family.code]]
    in_connectors = {name for name, _, _ in family.connectors}
    inputs = family.connectors[:1] if len(family.connectors) > 1 else ()
    for name, pins, rows in inputs:
        _connector(board, name, pins, rows, 12, height / 2)
    outputs = family.connectors[len(inputs) :]
    for number, (name, pins, rows) in enumerate(outputs):
        _connector(board, name, pins, rows, width - 14, height * (number + 0.5) / len(outputs))
    mains = {point.part for point in WEAK_POINTS[family.code] if not point.rail}
    if "T1" not in names:
        names.append("T1")
        mains.add("T1")
    for name in sorted(
        dict.fromkeys(names), key=lambda one: -math.prod(_LOOKS.get(one.rstrip("0123456789"), (7, 5)))
    ):
        if name in in_connectors:
            continue
        size = (22, 22) if name in mains and name.startswith("C") and name != "C9" else None
        _part(board, name, *((8, middle) if name in mains else (middle, width - 22)), size)
    for rail in family.rails:
        if not rail.connector:
            x, y = board.free(4, 6, 20, middle)
            board.draw.ellipse(_box(x, y, 2.4, 2.4), fill=(196, 176, 96))
            _text(board, x, y + 3, rail.name, 2.2)
            board.pins.append({"kind": "test point", "label": rail.name, "x": x, "y": y})
    for number in range(26):
        _filler(board, number)
    _text(board, width - 34, height - 5, family.code, 4)
    board.pins.append(
        {"kind": "hot side", "outline": [(2, 2), (middle, 2), (middle, height - 2), (2, height - 2)]}
    )
    return board


def _filler(board: Board, number: int) -> None:
    """A small part that nobody has named yet."""
    x, y = board.free(4, 3, 8, _SIZE_MM[0] - 22)
    if number % 3:
        _block(board, x, y, 3.2, 1.6, (48, 44, 42))
        for side in (-1, 1):
            _block(board, x + side * 1.3, y, 0.7, 1.6, (196, 196, 190))
    else:
        _cylinder(board, x, y, 3.6)


def photographed(board: Board) -> Image.Image:
    """The board on a bench, a little askew, as a camera sees it."""
    width, height = _TAKEN
    bench = Image.new("RGB", (width, height), (172, 160, 140))
    grain = ImageDraw.Draw(bench)
    for y in range(0, height, 6):
        shade = board.dice.whole(-9, 9)
        grain.rectangle((0, y, width, y + 5), fill=(172 + shade, 160 + shade, 140 + shade))
    straight = plane.straightening(
        [(x * width, y * height) for x, y in _CORNERS], *map(float, board.image.size)
    )
    laid = board.image.transform(
        (width, height), Image.Transform.PERSPECTIVE, straight[:8], Image.Resampling.BICUBIC
    )
    outline = [(x * width, y * height) for x, y in _CORNERS]
    mask = Image.new("L", (width, height), 0)
    ImageDraw.Draw(mask).polygon(outline, fill=255)
    shadow = Image.new("L", (width, height), 0)
    ImageDraw.Draw(shadow).polygon([(x + 10, y + 14) for x, y in outline], fill=120)
    bench.paste((60, 52, 42), (0, 0), shadow.filter(ImageFilter.GaussianBlur(9)))
    bench.paste(laid, (0, 0), mask)
    return bench


def record_of(family: Family, board: Board, content: bytes) -> dict[str, Any]:
    """The record that goes with a picture of the board."""
    width, height = _TAKEN
    corners = [(x * width, y * height) for x, y in _CORNERS]
    straight = plane.straight_size(corners, 2400.0)
    back = plane.inverse(plane.straightening(corners, *map(float, _SIZE_MM)))

    def share(x: float, y: float) -> list[float]:
        x, y = plane.mapped(back, (x, y))
        return [round(x / width, 6), round(y / height, 6)]

    sections = {point.part: point.kind for point in WEAK_POINTS[family.code]}
    pins = []
    for pin in board.pins:
        said = {name: value for name, value in pin.items() if name in ("kind", "label", "pins", "rows")}
        if "outline" in pin:
            said["outline"] = [share(*one) for one in pin["outline"]]
        else:
            said["x"], said["y"] = share(pin["x"], pin["y"])
        if "to_x" in pin:
            said["to_x"], said["to_y"] = share(pin["to_x"], pin["to_y"])
        kind = sections.get(str(pin.get("label")))
        if kind is not None and pin["kind"] == "part":
            said["part_class"] = kind.part_class
            if kind.section in _SECTIONS:
                said["section"] = kind.section
        pins.append(said)
    return {
        "record": "picture",
        "uid": str(uuid.uuid5(_SPACE, family.code)),
        "family": family.code,
        "side": "component side",
        "taken": "2025-05-14",
        "sha256": hashlib.sha256(content).hexdigest(),
        "media_type": "image/webp",
        "width_px": width,
        "height_px": height,
        "corners": [list(one) for one in _CORNERS],
        "straight_width_px": straight[0],
        "straight_height_px": straight[1],
        "mm_per_px": round(_SIZE_MM[0] / straight[0], 6),
        "pins": pins,
    }


def families() -> list[Family]:
    """The families that have a picture."""
    return [family for family in FAMILIES if family.code in CODES]


def main() -> int:
    """Draws all boards into the folder named on the command line."""
    folder = Path(sys.argv[1])
    folder.mkdir(exist_ok=True)
    lines = []
    for family in families():
        board = drawn(family)
        written = io.BytesIO()
        photographed(board).save(written, "WEBP", quality=_QUALITY, method=6)
        (folder / f"{family.code}.webp").write_bytes(written.getvalue())
        lines.append(json.dumps(record_of(family, board, written.getvalue()), separators=(",", ":")))
    (folder / "boards.jsonl").write_text("\n".join(lines) + "\n", encoding="utf-8")
    return 0


if __name__ == "__main__":
    sys.exit(main())
