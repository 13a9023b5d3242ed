"""What a browser may keep on its device, for whom, and with which key.

A phone in a workshop loses its connection. Its pages keep what was typed until the server has it
(`static/js/kept.js`), and its service worker (`static/js/sw.js`) shows the pages seen lately while the server is
away. Both keep only what stands in `PAGES`, each for one person, told apart by a name that says nothing.
"""

from __future__ import annotations

import base64
import hashlib
import hmac
from dataclasses import dataclass
from functools import cache

from kb import assets
from kb.service.accounts.audit import Visitor

# Addresses as the router has them. Their pages may be kept, and what is typed into their forms. Accounts, people,
# codes, tokens, signing in, backups, and whatever takes the store or a part of it out stay away from here.
_LISTED = """
    / /search /diagnose /help /waiting
    /cases /cases/new /cases/{uid} /cases/{uid}/edit /cases/{uid}/photos /cases/{uid}/photos/{file} /cases/{uid}/beside
    /cases/{uid}/evidence /cases/{uid}/follow-ups /cases/{uid}/in-hand /cases/{uid}/pins /cases/{uid}/quote
    /cases/{uid}/quote/answer /cases/{uid}/report /cases/{uid}/files/{file}/small
    /families /families/new /families/{code} /families/{code}/edit /families/{code}/notes /families/{code}/tips
    /families/{code}/documents /families/{code}/pins /families/{code}/good-boards /families/{code}/pictures
    /pictures/{uid} /pictures/{uid}/small /pictures/{uid}/piece/{of}/{column}/{row}
    /bench /bench/new /bench/sheet /bench/{uid} /bench/{uid}/sheet /bench/{uid}/loads /bench/{uid}/fix
    /bench/{uid}/close-case /bench/{uid}/steps/{number} /bench/{uid}/steps/{number}/go-on
    /loads /loads/plan /helpers/discharge /helpers/capacitor /helpers/divider
    /shelf /shelf/new /shelf/part /order-list /kit
"""
PAGES = frozenset(_LISTED.split())
FOR, FILES = "Kept-For", "Kept-Files"
NOBODY = "nobody"


@dataclass(frozen=True, slots=True)
class DeviceKeys:
    """The names and keys of people on their devices, all made from one secret of the shop's own.

    A name is the same on all devices of a person, as is the key; neither tells anything of the secret.
    """

    secret: str

    def name_of(self, visitor: Visitor) -> str:
        """16 hexadecimal digits; "" for who is not let in and for a program with a token."""
        if not visitor.level or visitor.by_token:
            return ""
        return self._made("name", visitor).hex()[:16]

    def key_of(self, visitor: Visitor) -> str:
        """256 bits in base 64, for AES-GCM in the browser."""
        return base64.b64encode(self._made("key", visitor)).decode("ascii")

    def _made(self, what: str, visitor: Visitor) -> bytes:
        # The number of an account that was removed may be given again; with its name beside it it is nobody else's.
        who = "" if visitor.person_id is None else f"{visitor.person_id}\0{visitor.name}"
        return hmac.digest(self.secret.encode(), f"device\0{what}\0{who}".encode(), hashlib.sha256)


@cache
def static_files() -> tuple[tuple[str, ...], str]:
    """The addresses of the files of the pages, and a short hash of all that is in them."""
    folder = assets.folder("static")
    files = sorted(
        file for file in folder.rglob("*") if file.suffix in (".css", ".js", ".svg", ".png", ".woff2")
    )
    digest = hashlib.sha256()
    for file in files:
        digest.update(file.relative_to(folder).as_posix().encode() + b"\0" + file.read_bytes())
    names = tuple("/static/" + file.relative_to(folder).as_posix() for file in files)
    return names, digest.hexdigest()[:16]
