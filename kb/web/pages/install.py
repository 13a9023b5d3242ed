"""What makes the program installable: its name, its pictures and where it begins (W3C, Web Application Manifest).

Those of the share target were read in MDN's documentation and in W3C's draft of Web Share Target; the other members
are from memory.
"""

from __future__ import annotations

import json
from typing import Any

from fastapi import APIRouter
from starlette.responses import Response

from kb import __version__
from kb.service import Shop
from kb.web.dependencies import ShopHere

router = APIRouter()
# Those of static/css/sheet.css in daylight; a page names both, the manifest only one of each.
THEME, BACKGROUND = "#f8faf5", "#e6ece3"
_SHORT = 12
ICONS = (
    ("icon.svg", "any", "image/svg+xml", "any"),
    ("icon-192.png", "192x192", "image/png", "any"),
    ("icon-512.png", "512x512", "image/png", "any"),
    ("icon-maskable-192.png", "192x192", "image/png", "maskable"),
    ("icon-maskable-512.png", "512x512", "image/png", "maskable"),
)
# What a gallery may hand over: the same kinds as the form of a case takes.
SHARED_KINDS = [
    "image/jpeg",
    "image/png",
    "image/webp",
    "image/heic",
    ".jpg",
    ".jpeg",
    ".png",
    ".webp",
    ".heic",
]


def manifest_of(shop: Shop) -> dict[str, Any]:
    """The manifest of this shop's program."""
    name = shop.settings.shop_name or "Board fault book"
    return {
        "id": "/",
        "name": name,
        "short_name": name if len(name) <= _SHORT else "Fault book",
        "description": "What was wrong with boards of this family, and what to measure next.",
        "lang": "en",
        "dir": "ltr",
        "start_url": "/",
        "scope": "/",
        "display": "standalone",
        "theme_color": THEME,
        "background_color": BACKGROUND,
        "categories": ["productivity", "utilities"],
        "icons": [
            {"src": _icon(file), "sizes": sizes, "type": kind, "purpose": purpose}
            for file, sizes, kind, purpose in ICONS
        ],
        "shortcuts": [
            _shortcut("Diagnose a board", "Diagnose", "/diagnose"),
            _shortcut("Add a case", "Add a case", "/cases/new"),
            _shortcut("Test a board", "Bench", "/bench"),
        ],
        "share_target": {
            "action": "/shared",
            "method": "POST",
            "enctype": "multipart/form-data",
            "params": {"text": "text", "files": [{"name": "file", "accept": SHARED_KINDS}]},
        },
    }


def _icon(file: str) -> str:
    return f"/static/img/{file}?v={__version__}"


def _shortcut(name: str, short: str, url: str) -> dict[str, Any]:
    icon = {"src": _icon("icon-192.png"), "sizes": "192x192", "type": "image/png"}
    return {"name": name, "short_name": short, "url": url, "icons": [icon]}


@router.get("/app.webmanifest")
def manifest(shop: ShopHere) -> Response:
    """The manifest; the browser asks for it without anybody's cookie."""
    return Response(json.dumps(manifest_of(shop)), media_type="application/manifest+json")
