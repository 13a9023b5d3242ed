"""Files that people send: proved and made fit to keep in a process beside this one, then kept by their content."""

from __future__ import annotations

import contextlib
import logging
import os
import shutil
import tempfile
from collections.abc import Callable, Iterator
from typing import BinaryIO

from kb import pictures
from kb.apart import Limits, Pool
from kb.errors import BadInput, StoreTrouble
from kb.pictures import Accepted
from kb.service.shop.shop import Shop
from kb.store.records.files import Content

SMALL = "small"
# The ending of a name of ours, by the media type that was proved.
SUFFIX = {"image/jpeg": "jpg", "image/png": "png", "image/webp": "webp", "application/pdf": "pdf"}
log = logging.getLogger(__name__)
# A picture being decoded may take some 500 MB: a crowd of phones must not fill the memory.
DECODERS = Pool(
    "This file",
    "Save the picture again as JPEG, and send that.",
    Limits(cpu_s=20, wall_s=60, memory_bytes=1_500_000_000),
)


@contextlib.contextmanager
def on_the_disk(file: BinaryIO) -> Iterator[str]:
    """The path of a file with the same content, for the process that decodes it."""
    descriptor, path = tempfile.mkstemp(prefix="kb-sent-")
    try:
        with os.fdopen(descriptor, "wb") as copy:
            file.seek(0)
            shutil.copyfileobj(file, copy, 1 << 20)
        yield path
    finally:
        os.unlink(path)


def accepted(path: str, name: str) -> Accepted:
    """What was sent, made fit to keep. Raises BadInput, naming it, for what is no sound picture or PDF."""
    try:
        return DECODERS.run(pictures.accept_file, path, name)
    except BadInput as error:
        shown = pictures.printable_name(name)
        if shown in error.message:
            raise
        raise BadInput(f"“{shown}”: {error.message}", field="file", remedy=error.remedy) from error


def keep(shop: Shop, given: Accepted, file: BinaryIO) -> Content:
    """Puts the content into the folder of files, before any row refers to it."""
    if given.content is None:
        file.seek(0)
    content = shop.files.put(file if given.content is None else given.content)
    if given.small is not None:
        shop.files.put_derived(content, SMALL, given.small)
    size = shop.files.path(content).stat().st_size
    return Content(content, given.media_type, size, given.width_px, given.height_px)


def derived(shop: Shop, content: str, kind: str, make: Callable[[str], bytes]) -> bytes:
    """Something made from content, `make` being told the path of a copy of it where it is not there yet.

    Raises StoreTrouble where the content is missing.
    """
    try:
        return shop.files.derived_path(content, kind).read_bytes()
    except OSError:
        with shop.files.open(content) as source, on_the_disk(source) as path:
            made = make(path)
    try:
        shop.files.put_derived(content, kind, made)
    except StoreTrouble as error:
        log.warning("a %s picture cannot be kept: %s", kind, error.message)
    return made


def small_of(shop: Shop, content: str) -> bytes:
    """The small picture of a picture as WebP, made again where it is missing. Raises StoreTrouble."""
    return derived(shop, content, SMALL, lambda path: DECODERS.run(pictures.small_of_file, path))
