"""Codes to scan, drawn into a page."""

from __future__ import annotations

import segno
from markupsafe import Markup

_LONGEST = 400


def code(address: str, title: str) -> Markup:
    """A QR code of an address as a picture in the page; nothing for one that is too long for a phone to read."""
    if len(address) > _LONGEST:
        return Markup()
    drawn = segno.make(address, error="m", micro=False).svg_inline(
        scale=5, border=4, dark="#000", light="#fff", svgclass="scan-code", lineclass=None, omitsize=True
    )
    label = Markup('<svg role="img" aria-label="{}"').format(title)
    return Markup(drawn.replace("<svg", str(label), 1))
