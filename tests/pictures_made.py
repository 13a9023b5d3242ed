"""Pictures and files for tests, made on the spot: what phones send, and what should never be kept."""

from __future__ import annotations

import io
import struct
import zlib
from typing import Any

import pillow_heif
from PIL import Image, PngImagePlugin

# What must be gone after a picture was taken in. Invented; nobody's place and nobody's device.
MAKER, MODEL, NOTE, XMP_NOTE = (
    "Gullcam Works",
    "Gullcam 7 maxi",
    "behind the ferry office",
    "harbour shift log",
)
GPS_STAMP = "2026:03:02"
SECRETS = tuple(text.encode() for text in (MAKER, MODEL, NOTE, XMP_NOTE, GPS_STAMP))
CORNER, GROUND = (220, 30, 30), (40, 90, 160)


def marked(width: int = 64, height: int = 40, mode: str = "RGB") -> Image.Image:
    """A blue picture with a red upper left corner, a quarter of each side."""
    picture = Image.new("RGB", (width, height), GROUND)
    picture.paste(CORNER, (0, 0, width // 4, height // 4))
    return picture.convert(mode)


def exif(orientation: int = 1) -> Image.Exif:
    """EXIF with device, a description and a place."""
    made = Image.Exif()
    made[0x010E], made[0x010F], made[0x0110], made[0x0112] = NOTE, MAKER, MODEL, orientation
    made.get_ifd(0x8825).update({1: "N", 2: (54.0, 19.0, 30.0), 3: "E", 4: (10.0, 8.0, 12.0), 29: GPS_STAMP})
    return made


def xmp() -> bytes:
    """An XMP packet with a note."""
    return (
        '<?xpacket begin=""?><x:xmpmeta xmlns:x="adobe:ns:meta/"><rdf:RDF '
        'xmlns:rdf="http://www.w3.org/1999/02/22-rdf-syntax-ns#"><rdf:Description>'
        f"{XMP_NOTE}</rdf:Description></rdf:RDF></x:xmpmeta><?xpacket end='w'?>"
    ).encode()


def iptc() -> bytes:
    """An APP13 segment with an IPTC caption (IIM 4.2, dataset 2:120, in a Photoshop resource 0x0404)."""
    record = b"\x1c\x02\x78" + struct.pack(">H", len(NOTE)) + NOTE.encode()
    resource = b"8BIM\x04\x04\x00\x00" + struct.pack(">I", len(record)) + record + b"\x00" * (len(record) % 2)
    body = b"Photoshop 3.0\x00" + resource
    return b"\xff\xed" + struct.pack(">H", len(body) + 2) + body


def saved(picture: Image.Image, kind: str, **options: Any) -> bytes:
    """The bytes of a picture file."""
    written = io.BytesIO()
    picture.save(written, kind, **options)
    return written.getvalue()


def jpeg(picture: Image.Image | None = None, *, orientation: int = 1, bare: bool = False) -> bytes:
    """A JPEG as a phone makes it: EXIF with place and device, XMP, IPTC, a comment."""
    picture = marked() if picture is None else picture
    if bare:
        return saved(picture, "JPEG", quality=95)
    made = saved(
        picture, "JPEG", quality=95, exif=exif(orientation), xmp=xmp(), comment=NOTE.encode(), dpi=(300, 300)
    )
    return made[:2] + iptc() + made[2:]


def png(picture: Image.Image | None = None) -> bytes:
    """A PNG with text of three kinds, EXIF and a time."""
    notes = PngImagePlugin.PngInfo()
    notes.add_text("Comment", NOTE)
    notes.add_text("Author", MAKER, zip=True)
    notes.add_itxt("XML:com.adobe.xmp", xmp().decode())
    notes.add(b"tIME", struct.pack(">HBBBBB", 2026, 3, 2, 10, 11, 12))
    return saved(marked() if picture is None else picture, "PNG", pnginfo=notes, exif=exif(), dpi=(96, 96))


def webp(picture: Image.Image | None = None) -> bytes:
    """A WebP with EXIF and XMP."""
    return saved(marked() if picture is None else picture, "WEBP", exif=exif(), xmp=xmp(), quality=95)


def heic(picture: Image.Image | None = None, *, orientation: int = 1) -> bytes:
    """A HEIC as telephones make it."""
    written = io.BytesIO()
    made = pillow_heif.from_pillow(marked(128, 80) if picture is None else picture)
    made.save(written, quality=95, exif=exif(orientation).tobytes(), xmp=xmp())
    return written.getvalue()


def pdf(tail: bytes = b"") -> bytes:
    """A sound one-page PDF (ISO 32000-1, 7.5), and whatever is hung on behind it."""
    objects = (
        b"<</Type/Catalog/Pages 2 0 R>>",
        b"<</Type/Pages/Kids[3 0 R]/Count 1>>",
        b"<</Type/Page/Parent 2 0 R/MediaBox[0 0 200 200]>>",
    )
    body, places = b"%PDF-1.4\n%\xe2\xe3\xcf\xd3\n", []
    for number, text in enumerate(objects, start=1):
        places.append(len(body))
        body += b"%d 0 obj%sendobj\n" % (number, text)
    start = len(body)
    body += b"xref\n0 4\n0000000000 65535 f \n" + b"".join(b"%010d 00000 n \n" % place for place in places)
    return body + b"trailer<</Size 4/Root 1 0 R>>\nstartxref\n%d\n%%%%EOF\n" % start + tail


def png_chunk(kind: bytes, body: bytes) -> bytes:
    """One chunk of a PNG (W3C PNG, section 5.3)."""
    return struct.pack(">I", len(body)) + kind + body + struct.pack(">I", zlib.crc32(kind + body))


def claimed_png(width: int, height: int) -> bytes:
    """A PNG whose header claims a size that its few bytes never fill."""
    head = struct.pack(">IIBBBBB", width, height, 8, 2, 0, 0, 0)
    data = zlib.compress(b"\x00" * 4096)
    return (
        b"\x89PNG\r\n\x1a\n" + png_chunk(b"IHDR", head) + png_chunk(b"IDAT", data) + png_chunk(b"IEND", b"")
    )


def text_bomb_png() -> bytes:
    """A small PNG whose compressed text swells to 200 MB."""
    made = saved(marked(), "PNG")
    packer = zlib.compressobj(9)
    zeros = b"\x00" * 1_000_000
    text = b"".join(packer.compress(zeros) for _ in range(200)) + packer.flush()
    return made[:33] + png_chunk(b"zTXt", b"Comment\x00\x00" + text) + made[33:]


def jpeg_segments(content: bytes) -> list[tuple[int, bytes]]:
    """(marker, body) of every segment before the scan (ITU-T T.81, annex B), without any picture library."""
    assert content[:2] == b"\xff\xd8"
    found, place = [], 2
    while True:
        assert content[place] == 0xFF
        marker = content[place + 1]
        size = int.from_bytes(content[place + 2 : place + 4], "big")
        found.append((marker, content[place + 4 : place + 2 + size]))
        if marker == 0xDA:
            return found
        place += 2 + size


def png_chunks(content: bytes) -> list[bytes]:
    """The kinds of all chunks of a PNG; fails where anything follows the last of them."""
    assert content[:8] == b"\x89PNG\r\n\x1a\n"
    found, place = [], 8
    while place < len(content):
        size = int.from_bytes(content[place : place + 4], "big")
        found.append(content[place + 4 : place + 8])
        place += 12 + size
    assert place == len(content)
    return found


def webp_chunks(content: bytes) -> list[bytes]:
    """The kinds of all chunks of a WebP (RFC 9649, section 2.3)."""
    assert content[:4] == b"RIFF"
    assert content[8:12] == b"WEBP"
    assert int.from_bytes(content[4:8], "little") == len(content) - 8
    found, place = [], 12
    while place < len(content):
        size = int.from_bytes(content[place + 4 : place + 8], "little")
        found.append(content[place : place + 4])
        place += 8 + size + size % 2
    return found
