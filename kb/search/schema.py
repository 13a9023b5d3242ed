"""The Whoosh schema. The classes here are pickled into the index: keep their import path.

Text arrives analysed (`kb.search.prepare`), so the field only hands its postings on. Each posting keeps
four positions in a fixed eight bytes, enough for phrases; a fifth is marked as "more" and such a case is
checked on its text.
"""

from __future__ import annotations

from collections.abc import Generator, Sequence
from typing import Any

from whoosh import fields, formats
from whoosh.codec.whoosh3 import W3Codec

from kb.search.prepare import PLACES, Posting

ALL, TAGS, UID, BODY = "all", "tags", "uid", "body"
META_UID = "\x00meta"
BLOCK = 1024


class Places(formats.Format):
    """Up to four positions of a term in a case as unsigned 16-bit numbers."""

    posting_size = 2 * PLACES


class _Ready(fields.FieldType):
    """A field that is indexed from what it is given and neither stores nor analyses anything itself."""

    def __init__(self, kept: formats.Format) -> None:
        self.format = kept
        self.analyzer = None
        self.column_type = None
        self.stored = False
        self.unique = False
        self.indexed = True
        self.vector = None
        self.spelling = False


class Analysed(_Ready):
    """A scorable field that is given its postings ready made."""

    scorable = True

    def __init__(self) -> None:
        super().__init__(Places())

    def index(
        self, value: Sequence[Posting], **kwargs: Any
    ) -> Generator[tuple[bytes, int, float, bytes], Any, None]:
        """The postings as they are. The count of 0 keeps Whoosh from storing lengths that nobody reads."""
        return ((term, 0, weight, places) for term, weight, places in value)


class Tags(_Ready):
    """Plain `facet=value` marks without weight or place."""

    scorable = False

    def __init__(self) -> None:
        super().__init__(formats.Existence())

    def index(
        self, value: Sequence[bytes], **kwargs: Any
    ) -> Generator[tuple[bytes, int, float, bytes], Any, None]:
        """Each distinct tag once."""
        return ((tag, 1, 1.0, b"") for tag in dict.fromkeys(value))


def make_schema() -> fields.Schema:
    """The schema of a fresh index."""
    return fields.Schema(uid=fields.ID(unique=True), body=fields.STORED(), all=Analysed(), tags=Tags())


class LongBlocks(W3Codec):
    """Whoosh's own format with longer blocks, which load several times faster, and without the lengths
    by block that only serve to skip documents, which the scorer here never does."""

    length_stats = False

    def __init__(self) -> None:
        super().__init__(blocklimit=BLOCK, compression=1)
