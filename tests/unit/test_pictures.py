"""Pictures come in upright, whole and without a word about where, when and with what they were taken."""

from __future__ import annotations

import io
from collections.abc import Callable

import exifread
import pictures_made as made
import pytest
from PIL import Image, ImageCms

from kb.errors import BadInput
from kb.pictures import LONGEST_SIDE_PX, SMALL_SIDE_PX, Accepted, accept, printable_name, small


def taken(content: bytes, name: str = "IMG_1.jpg") -> Accepted:
    return accept(io.BytesIO(content), name)


def opened(accepted: Accepted) -> Image.Image:
    assert accepted.content is not None
    return Image.open(io.BytesIO(accepted.content))


def refused(content: bytes, name: str = "IMG_1.jpg") -> BadInput:
    with pytest.raises(BadInput) as error:
        taken(content, name)
    assert error.value.field == "file"
    assert error.value.remedy
    assert error.value.message.endswith(".")
    return error.value


KINDS: dict[str, tuple[Callable[[], bytes], str]] = {
    "jpeg": (made.jpeg, "image/jpeg"),
    "png": (made.png, "image/png"),
    "webp": (made.webp, "image/webp"),
    "heic": (made.heic, "image/jpeg"),
}


@pytest.mark.parametrize("kind", KINDS)
def test_nothing_of_place_device_and_comment_is_left(kind: str) -> None:
    make, media_type = KINDS[kind]
    sent = make()
    # What is to vanish must have been there, and a reader that shares no code with Pillow finds it too.
    assert Image.open(io.BytesIO(sent)).getexif().get_ifd(0x8825)[29] == made.GPS_STAMP
    if kind == "jpeg":
        assert str(exifread.process_file(io.BytesIO(sent))["GPS GPSDate"]) == made.GPS_STAMP
    accepted = taken(sent)
    assert accepted.media_type == media_type
    assert accepted.content is not None
    assert accepted.small is not None
    for kept in (accepted.content, accepted.small):
        for secret in made.SECRETS:
            assert secret not in kept
        assert b"Exif" not in kept
        assert b"xmp" not in kept.lower()
        picture = Image.open(io.BytesIO(kept))
        assert not dict(picture.getexif())
        assert not picture.getexif().get_ifd(0x8825)
        picture.load()
        left = set(picture.info) - {"jfif", "jfif_version", "jfif_unit", "jfif_density"}
        assert left <= {"loop", "background", "timestamp", "duration", "progressive", "progression"}, left
    assert not exifread.process_file(io.BytesIO(accepted.content))


def test_a_kept_jpeg_holds_only_the_segments_that_draw_it() -> None:
    """ITU-T T.81: JFIF header, quantisation, Huffman tables, frame, scan; no APP1, APP13 or comment."""
    sent = taken(made.jpeg())
    assert sent.content is not None
    assert {0xE1, 0xED, 0xFE} <= {marker for marker, _ in made.jpeg_segments(made.jpeg())}
    segments = made.jpeg_segments(sent.content)
    assert {marker for marker, _ in segments} <= {0xE0, 0xDB, 0xC0, 0xC2, 0xC4, 0xDA}
    assert [body[:5] for marker, body in segments if marker == 0xE0] == [b"JFIF\x00"]


def test_a_kept_png_holds_only_the_chunks_that_draw_it() -> None:
    assert {b"tEXt", b"zTXt", b"iTXt", b"eXIf", b"tIME", b"pHYs"} <= set(made.png_chunks(made.png()))
    accepted = taken(made.png())
    assert accepted.content is not None
    assert set(made.png_chunks(accepted.content)) == {b"IHDR", b"IDAT", b"IEND"}


def test_a_kept_webp_and_the_small_picture_hold_only_pixels() -> None:
    assert {b"EXIF", b"XMP "} <= set(made.webp_chunks(made.webp()))
    accepted = taken(made.webp())
    assert accepted.content is not None
    assert accepted.small is not None
    for kept in (accepted.content, accepted.small):
        assert set(made.webp_chunks(kept)) <= {b"VP8 ", b"VP8L", b"VP8X", b"ALPH"}


# EXIF 2.3 (CIPA DC-008), tag 274, as TIFF 6.0 words it; from memory. For each value: the side of the scene
# that the first row of the file shows, and the side that its first column shows.
ORIENTATIONS = {
    1: ("top", "left"),
    2: ("top", "right"),
    3: ("bottom", "right"),
    4: ("bottom", "left"),
    5: ("left", "top"),
    6: ("right", "top"),
    7: ("right", "bottom"),
    8: ("left", "bottom"),
}


def as_the_sensor_wrote(scene: Image.Image, orientation: int) -> Image.Image:
    """The scene as a file of that orientation holds it, point by point from the table alone."""
    row_side, column_side = ORIENTATIONS[orientation]
    across = row_side in ("left", "right")
    width, height = (scene.height, scene.width) if across else scene.size
    file = Image.new("RGB", (width, height))
    for row in range(height):
        for column in range(width):
            along, over = (row, column) if across else (column, row)
            # `along` runs over the scene's columns, `over` over its rows, from the sides the table names.
            side_x, side_y = (row_side, column_side) if across else (column_side, row_side)
            x = along if side_x == "left" else scene.width - 1 - along
            y = over if side_y == "top" else scene.height - 1 - over
            file.putpixel((column, row), scene.getpixel((x, y)))
    return file


@pytest.mark.parametrize("orientation", ORIENTATIONS)
@pytest.mark.parametrize("kind", ["jpeg", "png", "webp"])
def test_every_orientation_comes_out_upright(orientation: int, kind: str) -> None:
    scene = made.marked(64, 40)
    file = as_the_sensor_wrote(scene, orientation)
    options = {"quality": 95} if kind != "png" else {}
    accepted = taken(made.saved(file, kind, exif=made.exif(orientation), **options))
    picture = opened(accepted).convert("RGB")
    assert picture.size == scene.size == (accepted.width_px, accepted.height_px)
    for place in ((5, 4), (58, 4), (5, 35), (58, 35), (30, 20)):
        seen, wanted = picture.getpixel(place), scene.getpixel(place)
        assert all(abs(a - b) < 40 for a, b in zip(seen, wanted, strict=True)), (place, seen, wanted)
    assert accepted.small is not None
    assert Image.open(io.BytesIO(accepted.small)).size == scene.size


@pytest.mark.parametrize("orientation", [1, 3, 6, 8])
def test_a_turned_heic_comes_out_upright(orientation: int) -> None:
    scene = made.marked(128, 80)
    accepted = taken(made.heic(as_the_sensor_wrote(scene, orientation), orientation=orientation))
    assert (accepted.width_px, accepted.height_px) == scene.size
    red = opened(accepted).convert("RGB").getpixel((8, 6))
    assert red[0] > 150 > red[2]


@pytest.mark.parametrize("orientation", [0, 9, 65535])
def test_an_orientation_that_does_not_exist_turns_nothing(orientation: int) -> None:
    assert taken(made.saved(made.marked(), "JPEG", exif=made.exif(orientation))).width_px == 64


@pytest.mark.filterwarnings("ignore:Corrupt EXIF")
def test_broken_metadata_does_not_cost_the_picture() -> None:
    sent = made.saved(made.marked(), "JPEG", exif=b"Exif\x00\x00II*\x00\xff\xff\xff\xff" + b"\xff" * 40)
    assert taken(sent).width_px == 64


def test_a_screenshot_stays_the_same_point_by_point() -> None:
    screenshot = Image.effect_noise((300, 200), 60).convert("RGB")
    assert opened(taken(made.png(screenshot))).tobytes() == screenshot.tobytes()


@pytest.mark.parametrize("mode", ["1", "L", "LA", "P", "RGBA", "I;16"])
def test_every_kind_of_png_is_kept_as_it_looks(mode: str) -> None:
    picture = (
        made.marked(40, 40).convert("L").convert("I").point(lambda v: v * 257).convert("I;16")
        if (mode == "I;16")
        else made.marked(40, 40).convert(mode)
    )
    accepted = opened(taken(made.saved(picture, "PNG")))
    looks = (made.marked(40, 40).convert("L") if mode == "I;16" else picture).convert("RGB")
    for place in ((3, 3), (30, 30)):
        assert accepted.convert("RGB").getpixel(place) == looks.getpixel(place)


def test_what_is_seen_through_stays_so() -> None:
    picture = made.marked(40, 40, "RGBA")
    picture.putpixel((20, 20), (0, 0, 0, 0))
    for kind in ("PNG", "WEBP"):
        kept = opened(taken(made.saved(picture, kind)))
        assert kept.mode == "RGBA"
        assert kept.getpixel((20, 20))[3] < 60
        assert kept.getpixel((2, 2))[3] == 255


def test_colours_of_another_profile_come_out_in_srgb() -> None:
    """A profile with red and green exchanged cannot be made here; a CMYK file must end as RGB."""
    cmyk = made.saved(made.marked().convert("CMYK"), "JPEG", quality=95)
    assert opened(taken(cmyk)).mode == "RGB"
    profile = ImageCms.ImageCmsProfile(ImageCms.createProfile("LAB")).tobytes()
    assert taken(made.saved(made.marked(), "JPEG", icc_profile=profile)).width_px == 64
    srgb = ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes()
    kept = opened(taken(made.saved(made.marked(), "PNG", icc_profile=srgb)))
    assert kept.getpixel((0, 0)) == made.CORNER
    assert "icc_profile" not in kept.info


@pytest.mark.parametrize(("width", "height"), [(4000, 3000), (3000, 4000), (6001, 200)])
def test_a_large_photograph_is_scaled_to_a_bench_size(width: int, height: int) -> None:
    accepted = taken(made.jpeg(made.marked(width, height)))
    assert max(accepted.width_px or 0, accepted.height_px or 0) == LONGEST_SIDE_PX
    assert (accepted.width_px or 0) / (accepted.height_px or 1) == pytest.approx(width / height, rel=0.01)
    assert accepted.small is not None
    assert max(Image.open(io.BytesIO(accepted.small)).size) == SMALL_SIDE_PX


def test_the_small_picture_can_be_made_again_from_what_was_kept() -> None:
    accepted = taken(made.jpeg(made.marked(1200, 800)))
    assert accepted.content is not None
    again = Image.open(io.BytesIO(small(io.BytesIO(accepted.content))))
    assert again.size == (480, 320)


def test_the_same_picture_twice_is_the_same_bytes() -> None:
    assert taken(made.jpeg()).content == taken(made.jpeg()).content


@pytest.mark.parametrize("kind", ["PNG", "TIFF"])
def test_what_is_inside_decides_and_not_the_name(kind: str) -> None:
    sent = made.saved(made.marked(), kind)
    if kind == "PNG":
        assert taken(sent, "photo.jpg").media_type == "image/png"
    else:
        assert "a TIFF picture" in refused(sent, "photo.jpg").message


REFUSED = {
    "a GIF picture": made.saved(made.marked(), "GIF"),
    "a BMP picture": made.saved(made.marked(), "BMP"),
    "an SVG drawing, which may hold programs": b'<?xml version="1.0"?><svg onload="alert(1)"/>',
    "a web page": b"<!DOCTYPE html><script>alert(1)</script>",
    "a file of markup": b"<note/>",
    "a ZIP file or an office document": b"PK\x03\x04" + b"\x00" * 60,
    "a program": b"MZ" + b"\x00" * 60,
    "a film": b"\x00\x00\x00\x18ftypmp42\x00\x00\x00\x00mp42isom",
    "an AVIF picture": b"\x00\x00\x00\x1cftypavif\x00\x00\x00\x00avifmif1miaf",
    "a text": b"measured 5VSB, 4.7 V",
    "something unknown": b"\x01\x02\x03\x04" * 8,
}


@pytest.mark.parametrize("what", REFUSED)
def test_anything_else_is_refused_by_its_name_whatever_it_is_called(what: str) -> None:
    error = refused(REFUSED[what], "holiday.jpg")
    assert error.message == f"“holiday.jpg” is {what} inside."
    assert "JPEG, PNG, WebP, HEIC or PDF" in str(error.remedy)


@pytest.mark.parametrize(
    "sent",
    [
        made.claimed_png(30_000, 30_000),
        made.claimed_png(60_001, 1000),
        made.claimed_png(2**31 - 1, 2**31 - 1),
    ],
    ids=["square", "wide", "largest"],
)
def test_a_picture_of_more_points_than_the_memory_is_refused_before_it_is_decoded(sent: bytes) -> None:
    assert "points large, and 30 million is the limit" in refused(sent).message


def test_a_jpeg_that_claims_such_a_size_is_refused_too() -> None:
    sent = bytearray(made.jpeg(bare=True))
    place = sent.index(b"\xff\xc0") + 5
    sent[place : place + 4] = (30_000).to_bytes(2, "big") * 2
    assert "30,000 × 30,000 points large, and 60 million" in refused(bytes(sent)).message


def test_a_text_that_swells_does_not_fill_the_memory() -> None:
    assert "damaged" in refused(made.text_bomb_png()).message


@pytest.mark.parametrize("kind", ["jpeg", "png", "webp", "heic"])
def test_a_file_that_was_cut_off_is_refused(kind: str) -> None:
    noise = Image.effect_noise((200, 200), 80).convert("RGB")
    whole = {"jpeg": made.jpeg, "png": made.png, "webp": made.webp, "heic": made.heic}[kind](noise)
    for share in (0.4, 0.8):
        assert "damaged or cut off" in refused(whole[: int(len(whole) * share)]).message


@pytest.mark.parametrize("kind", ["jpeg", "png", "webp"])
def test_what_hangs_behind_a_picture_vanishes(kind: str) -> None:
    tail = b"<html><script>alert(document.domain)</script></html>PK\x03\x04"
    accepted = taken(KINDS[kind][0]() + tail)
    assert accepted.content is not None
    assert b"script" not in accepted.content
    assert b"PK\x03\x04" not in accepted.content


def test_an_empty_file_is_refused() -> None:
    assert "is empty" in refused(b"").message


def test_a_file_larger_than_the_limit_is_refused_unread() -> None:
    class Long(io.BytesIO):
        def seek(self, offset: int, whence: int = 0) -> int:
            return 40_000_001 if whence == 2 else super().seek(offset, whence)

    with pytest.raises(BadInput, match="larger than 40 MB"):
        accept(Long(made.jpeg()), "x.jpg")


def test_a_pdf_is_kept_as_it_was_sent() -> None:
    accepted = taken(made.pdf(), "datasheet.png")
    assert (accepted.media_type, accepted.content, accepted.small) == ("application/pdf", None, None)


@pytest.mark.parametrize(
    ("sent", "why"),
    [
        (made.pdf()[:-60], "cut off"),
        (made.pdf(b"PK\x03\x04 and more"), "something else behind its end"),
        (made.pdf(b"<script>alert(1)</script>"), "something else behind its end"),
        (b"%PDF-9.9x" + made.pdf()[8:], "no version"),
        (b"%PDF-1.4\n%%EOF", "cut off"),
    ],
    ids=["cut", "zip", "html", "version", "empty"],
)
def test_a_pdf_that_is_none_is_refused(sent: bytes, why: str) -> None:
    assert why in refused(sent, "datasheet.pdf").message


def test_a_pdf_behind_something_else_is_no_pdf() -> None:
    assert "a web page inside" in refused(b"<html>" + made.pdf(), "datasheet.pdf").message


@pytest.mark.parametrize(
    ("given", "shown"),
    [
        ("../../x.jpg", "x.jpg"),
        ("..\\..\\windows\\x.jpg", "x.jpg"),
        ("/etc/passwd", "passwd"),
        ("C9\x00\x1b[31m bulged\r\n.jpg", "C9[31m bulged .jpg"),
        ("photo\u202egpj.exe", "photogpj.exe"),
        ("\u2066a\u2069\u200b.png", "a.png"),
        ("⚡ capacitor 電解.png", "⚡ capacitor 電解.png"),
        ("", "without a name"),
        ("..", "without a name"),
        ("\ud800.jpg", ".jpg"),
        ("a" * 300 + ".jpeg", "a" * 114 + "….jpeg"),
        ("b" * 300, "b" * 119 + "…"),
    ],
)
def test_a_name_is_text_to_show_and_never_a_path(given: str, shown: str) -> None:
    assert printable_name(given) == shown
    assert len(printable_name(given)) <= 120
