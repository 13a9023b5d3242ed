"""What is shown of a picture of a board: straightened by its corners, whole or a piece of it, as WebP."""

from __future__ import annotations

import io
import math

from PIL import Image

from kb.errors import BadInput
from kb.facts import plane
from kb.facts.plane import Box, Map
from kb.pictures.kinds import HEAD_BYTES, JPEG, PNG, WEBP, kind_of
from kb.pictures.prepare import LARGEST_PIXELS

LONGEST_SHOWN_PX = 2400  # a board straightened is never larger: more than a screen and a crop can use
WHOLE_PX = 1600
PIECE_PX = 640
_QUALITY = 80
_FORMATS = ("JPEG", "PNG", "WEBP")
_ORIENTATION = 0x0112
# What a line of an exchange file has room for, before it is written in letters.
MOST_SHARED_BYTES = 2_600_000
_SHARED = ((3000, 80), (2400, 78), (1800, 72), (1200, 65))


def proved_of_file(path: str) -> tuple[str, int, int]:
    """(media type, width, height) of a picture that is fit to keep as it is. Raises BadInput for any other."""
    with open(path, "rb") as file:
        kind = kind_of(file.read(HEAD_BYTES))
    refused = BadInput(
        "This is no picture as this program keeps them.",
        field="file",
        remedy="Send it as a new picture instead.",
    )
    if kind not in (JPEG, PNG, WEBP):
        raise refused
    try:
        with Image.open(path, formats=_FORMATS) as opened:
            if opened.width * opened.height > LARGEST_PIXELS or opened.getexif().get(_ORIENTATION, 1) != 1:
                raise refused
            opened.load()
            return kind, opened.width, opened.height
    except BadInput:
        raise
    except Exception as error:  # decoders raise whatever they stumble over
        raise refused from error


def shared_of_file(path: str) -> tuple[bytes, int, int]:
    """(JPEG, width, height): the picture as large as a line of an exchange file has room for."""
    with Image.open(path, formats=_FORMATS) as opened:
        picture = opened.convert("RGB")
    for side, quality in _SHARED:
        smaller = picture.copy()
        smaller.thumbnail((side, side), Image.Resampling.LANCZOS)
        written = io.BytesIO()
        smaller.save(written, "JPEG", quality=quality, progressive=True)
        if written.tell() <= MOST_SHARED_BYTES:
            break
    return written.getvalue(), *smaller.size


def piece_of_file(path: str, back: Map, size: tuple[int, int], box: Box, most: int) -> bytes:
    """A piece of what is shown of a picture, at most `most` pixels wide and high.

    `back` maps fractions of what is shown, `size` pixels large, to fractions of the picture in the file; `box` is
    (left, upper, right, lower) in pixels of what is shown.
    """
    width, height = size
    left, upper, right, lower = box
    factor = min(1.0, most / max(right - left, lower - upper))
    out = (max(1, round((right - left) * factor)), max(1, round((lower - upper) * factor)))
    with Image.open(path, formats=_FORMATS) as opened:
        picture = _near(opened, back, factor * width)
        # Pixels of the piece to fractions of what is shown, to fractions of the picture, to its pixels.
        first: Map = (
            *((right - left) / out[0] / width, 0.0, left / width),
            *(0.0, (lower - upper) / out[1] / height, upper / height),
            *(0.0, 0.0, 1.0),
        )
        pixels: Map = (float(picture.width), 0.0, 0.0, 0.0, float(picture.height), 0.0, 0.0, 0.0, 1.0)
        by = plane.together(plane.together(first, back), pixels)
        made = picture.transform(out, Image.Transform.PERSPECTIVE, by[:8], Image.Resampling.BICUBIC)
    written = io.BytesIO()
    made.save(written, "WEBP", quality=_QUALITY, method=2)
    return written.getvalue()


def _near(opened: Image.Image, back: Map, wanted_px: float) -> Image.Image:
    """The picture in colour, made smaller by halves until the board in it is hardly wider than `wanted_px`: what
    bends it looks at few points around each, and would show their noise."""
    ends = [plane.mapped(back, (x, 0.5)) for x in (0.0, 1.0)]
    board_px = math.dist(*((x * opened.width, y * opened.height) for x, y in ends))
    scale = wanted_px / max(board_px, 1.0)
    whole = opened.width
    if opened.format == "JPEG" and scale <= 0.5:
        opened.draft(None, (max(1, int(opened.width * scale)), max(1, int(opened.height * scale))))
    picture = opened.convert("RGB")
    while scale * whole / picture.width <= 0.5 and min(picture.size) > 1:
        picture = picture.reduce(2)
    return picture
