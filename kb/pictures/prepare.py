"""Makes a picture fit to keep: decoded whole, upright, in sRGB, no larger than useful, nothing but pixels.

Whatever else the file held (where and when it was taken, the device, a smaller picture made by it,
comments, a second file behind its end) is gone, because only the decoded pixels are written again.
"""

from __future__ import annotations

import contextlib
import io
import logging
from typing import BinaryIO

from PIL import Image, ImageCms

from kb.errors import BadInput
from kb.pictures.kinds import HEIC, JPEG, PNG, WEBP

try:
    import pi_heif
except ImportError:  # there is no wheel for every machine
    pi_heif = None
else:
    pi_heif.register_heif_opener(thumbnails=False)

log = logging.getLogger(__name__)

LARGEST_PIXELS = 60_000_000
# PNG and WebP are decoded whole, with transparency, where a JPEG is read at a part of its size.
LARGEST_LOSSLESS_PIXELS = 30_000_000
LONGEST_SIDE_PX = 3000
# A screenshot is worth its letters: it is kept point by point up to this size.
LONGEST_LOSSLESS_PX = 4096
SMALL_SIDE_PX = 480
_QUALITY, _SMALL_QUALITY = 88, 78
_LARGEST_PROFILE_BYTES = 4_000_000
_READERS = {JPEG: "JPEG", PNG: "PNG", WEBP: "WEBP", HEIC: "HEIF"}
# The check is ours, made before a pixel is decoded; the library's own limit lies higher and only warns.
Image.MAX_IMAGE_PIXELS = None


def can_read_heic() -> bool:
    """Whether this machine has the decoder for pictures of iPhones."""
    return pi_heif is not None


def prepare(file: BinaryIO, kind: str) -> tuple[bytes, str, int, int, bytes]:
    """(content, its media type, width, height, a small picture as WebP) of a picture file.

    JPEG and HEIC become JPEG, PNG stays lossless PNG, WebP stays WebP. Raises BadInput, without the
    file's name, for what cannot be decoded whole or has more than 60 million points (PNG, WebP: 30).
    """
    try:
        with Image.open(file, formats=(_READERS[kind],)) as opened:
            _refuse_size(*opened.size, LARGEST_LOSSLESS_PIXELS if kind in (PNG, WEBP) else LARGEST_PIXELS)
            lossless = kind == PNG or (kind == WEBP and _is_lossless_webp(file))
            most = LONGEST_LOSSLESS_PX if lossless else LONGEST_SIDE_PX
            if kind == JPEG and max(opened.size) > most:
                # Lets the decoder work at a half or a quarter of the size, never below what is wanted.
                opened.draft(None, (most, most))
            opened.load()
            picture = _bare(opened, most if max(opened.size) <= most else LONGEST_SIDE_PX)
    except BadInput:
        raise
    except MemoryError as error:
        raise BadInput("needs more memory than there is", remedy="Send it at a smaller size.") from error
    except Exception as error:
        # Decoders raise whatever they stumble over; to the sender it is one thing.
        log.info("a %s cannot be decoded: %s", kind, type(error).__name__)
        raise BadInput(
            "is damaged or cut off, and cannot be shown whole",
            remedy="Open it on the device it came from, and send it again, or take another picture.",
        ) from error
    stored = JPEG if kind == HEIC else kind
    return _written(picture, stored, lossless), stored, *picture.size, small(picture)


def _refuse_size(width: int, height: int, most: int) -> None:
    """Refuses what would fill the memory when decoded. Raises BadInput."""
    if width * height > most:
        raise BadInput(
            f"is {width:,} × {height:,} points large, and {most // 1_000_000} million is the limit",
            remedy="Send it at a smaller size.",
        )


def small(picture: Image.Image | BinaryIO) -> bytes:
    """A picture for lists, at most 480 points wide and high, as WebP without metadata."""
    if not isinstance(picture, Image.Image):
        with Image.open(picture, formats=("JPEG", "PNG", "WEBP")) as opened:
            return small(_bare(opened, SMALL_SIDE_PX))
    written = io.BytesIO()
    _scaled(picture, SMALL_SIDE_PX).save(written, "WEBP", quality=_SMALL_QUALITY, method=4)
    return written.getvalue()


def small_of_file(path: str) -> bytes:
    """The same of a file on the disk, so that it can be done in another process."""
    with open(path, "rb") as file:
        return small(file)


def _is_lossless_webp(file: BinaryIO) -> bool:
    file.seek(12)
    return file.read(4) == b"VP8L"


def _bare(opened: Image.Image, most: int) -> Image.Image:
    """Upright pixels in eight-bit grey or sRGB, at most `most` on the longer side, and nothing beside them."""
    profile = opened.info.get("icc_profile")
    picture = _scaled(_eight_bit(opened), most)
    if isinstance(profile, bytes) and 0 < len(profile) <= _LARGEST_PROFILE_BYTES:
        picture = _in_srgb(picture, profile)
    if picture.mode == "CMYK":
        picture = picture.convert("RGB")
    picture = _upright(picture, opened)
    bare = Image.new(picture.mode, picture.size)
    bare.paste(picture)
    return bare


def _eight_bit(opened: Image.Image) -> Image.Image:
    """The picture as L, RGB, RGBA or CMYK, whatever it was."""
    if opened.mode.startswith("I") or opened.mode == "F":
        # Sixteen bits to a point: the upper eight of them, where a plain conversion would cut off.
        return opened.convert("I").point(lambda value: value / 256).convert("L")
    if opened.has_transparency_data:
        return opened.convert("RGBA")
    if opened.mode in ("L", "RGB", "CMYK"):
        return opened
    return opened.convert("L" if opened.mode == "1" else "RGB")


def _in_srgb(picture: Image.Image, profile: bytes) -> Image.Image:
    """The colours as every screen shows them; a profile that cannot be used is passed over."""
    wanted = "RGB" if picture.mode == "CMYK" else picture.mode
    if wanted == "L":
        return picture
    with contextlib.suppress(ImageCms.PyCMSError, OSError, ValueError, TypeError):
        source = ImageCms.ImageCmsProfile(io.BytesIO(profile))
        target = ImageCms.createProfile("sRGB")
        changed = ImageCms.profileToProfile(picture, source, target, outputMode=wanted)
        return picture if changed is None else changed
    return picture


def _scaled(picture: Image.Image, most: int) -> Image.Image:
    if max(picture.size) <= most:
        return picture
    factor = most / max(picture.size)
    size = (max(1, round(picture.width * factor)), max(1, round(picture.height * factor)))
    return picture.resize(size, Image.Resampling.LANCZOS, reducing_gap=3.0)


def _upright(picture: Image.Image, opened: Image.Image) -> Image.Image:
    """Turned as the camera was held (EXIF orientation); HEIC is turned by its decoder already."""
    try:
        orientation = opened.getexif().get(0x0112, 1)
    except Exception as error:  # broken metadata says nothing, and must not cost the picture
        log.info("metadata cannot be read: %r", error)
        return picture
    turn = _TURNS.get(orientation)
    return picture if turn is None else picture.transpose(turn)


_TURNS = {
    2: Image.Transpose.FLIP_LEFT_RIGHT,
    3: Image.Transpose.ROTATE_180,
    4: Image.Transpose.FLIP_TOP_BOTTOM,
    5: Image.Transpose.TRANSPOSE,
    6: Image.Transpose.ROTATE_270,
    7: Image.Transpose.TRANSVERSE,
    8: Image.Transpose.ROTATE_90,
}


def _written(picture: Image.Image, kind: str, lossless: bool) -> bytes:
    written = io.BytesIO()
    if kind == JPEG:
        picture.convert("L" if picture.mode == "L" else "RGB").save(
            written, "JPEG", quality=_QUALITY, progressive=True
        )
    elif kind == PNG:
        picture.save(written, "PNG")
    elif lossless:
        picture.save(written, "WEBP", lossless=True, method=3)
    else:
        picture.save(written, "WEBP", quality=_QUALITY, method=4)
    return written.getvalue()
