"""What a file is, by its first bytes alone: its name and the type it was sent under are not asked.

Signatures: JPEG, ITU-T T.81 annex B (SOI, then a marker); PNG, W3C PNG section 5.2; WebP, RFC 9649
section 2; HEIF brands, ISO/IEC 23008-12 (from memory); PDF, ISO 32000-1 section 7.5.2 (from memory).
"""

from __future__ import annotations

JPEG, PNG, WEBP, HEIC, PDF = "image/jpeg", "image/png", "image/webp", "image/heic", "application/pdf"
HEAD_BYTES = 512

_HEIC_BRANDS = frozenset({b"heic", b"heix", b"heim", b"heis"})
# What is not taken but can be called by its name, so that the refusal says more than "something else".
_OTHERS: tuple[tuple[bytes, str], ...] = (
    (b"GIF8", "a GIF picture"),
    (b"II*\x00", "a TIFF picture or a camera's raw file"),
    (b"MM\x00*", "a TIFF picture or a camera's raw file"),
    (b"BM", "a BMP picture"),
    (b"8BPS", "a Photoshop file"),
    (b"\x00\x00\x01\x00", "an icon"),
    (b"PK\x03\x04", "a ZIP file or an office document"),
    (b"\xd0\xcf\x11\xe0", "an old office document"),
    (b"Rar!", "a packed file"),
    (b"7z\xbc\xaf", "a packed file"),
    (b"\x1f\x8b", "a packed file"),
    (b"\x1aE\xdf\xa3", "a film"),
    (b"ID3", "a sound"),
    (b"OggS", "a sound or film"),
    (b"MZ", "a program"),
    (b"\x7fELF", "a program"),
    (b"%!PS", "a PostScript file"),
)


def kind_of(head: bytes) -> str | None:
    """The media type of one of the five kinds that are taken, None for anything else."""
    if head.startswith(b"\xff\xd8\xff"):
        return JPEG
    if head.startswith(b"\x89PNG\r\n\x1a\n"):
        return PNG
    if head[:4] == b"RIFF" and head[8:12] == b"WEBP":
        return WEBP
    if head[4:8] == b"ftyp" and _is_heic(head):
        return HEIC
    if head.startswith(b"%PDF-"):
        return PDF
    return None


def _brands(head: bytes) -> list[bytes]:
    size = min(int.from_bytes(head[:4], "big"), len(head))
    return [head[8:12], *(head[start : start + 4] for start in range(16, size - 3, 4))]


def _is_heic(head: bytes) -> bool:
    major, *compatible = _brands(head)
    return major in _HEIC_BRANDS or (major == b"mif1" and not _HEIC_BRANDS.isdisjoint(compatible))


def other_kind(head: bytes) -> str:
    """What something else than the five kinds is, in words."""
    for signature, words in _OTHERS:
        if head.startswith(signature):
            return words
    if head[4:8] == b"ftyp":
        return "an AVIF picture" if b"avif" in _brands(head) else "a film"
    text = head.lstrip(b"\xef\xbb\xbf \t\r\n").lower()
    if text.startswith(b"<") and b"<svg" in text:
        return "an SVG drawing, which may hold programs"
    if text.startswith((b"<!doctype html", b"<html", b"<script", b"<body", b"<head")):
        return "a web page"
    if text.startswith(b"<"):
        return "a file of markup"
    if head and all(one in b"\t\r\n" or one >= 32 for one in head):
        return "a text"
    return "something unknown"
