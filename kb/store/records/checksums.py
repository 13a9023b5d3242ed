"""Checksums of records: what was written is what is there, byte for byte in the exchange format.

The change that wrote a record carries the checksum of what it wrote, and each earlier version its own. What a case
or a picture calls its board, and a case its symptoms and part classes, is left to those records: their spelling is
theirs to change.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from hashlib import blake2b
from typing import Any

from kb.facts.designators import code_key

_BYTES = 16


def checksum(record: Mapping[str, Any]) -> str:
    """The checksum of a record as the exchange format writes it, 32 digits and letters a to f."""
    said = dict(record)
    if said.get("record") == "picture":
        said["family"] = code_key(str(said.get("family", "")))
    if said.get("record") == "case":
        said["family"] = code_key(str(said.get("family", "")))
        said["symptoms"] = [
            {**one, "name": str(one["name"]).casefold()} for one in said.get("symptoms") or ()
        ]
        said["attempts"] = [
            {**one, "part_class": str(one["part_class"]).casefold()} if "part_class" in one else one
            for one in said.get("attempts") or ()
        ]
    written = json.dumps(said, sort_keys=True, ensure_ascii=True, separators=(",", ":"))
    return blake2b(written.encode(), digest_size=_BYTES).hexdigest()
