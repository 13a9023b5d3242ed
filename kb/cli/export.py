"""`kb export`: records out of the store to a file or a pipe, and what is shared with other shops."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager
from pathlib import Path
from typing import Any

from kb.errors import BadInput
from kb.service import Shop
from kb.service.boards import families
from kb.service.transfer import exports, shares

OpenShop = Callable[[], AbstractContextManager[Shop]]


def add_to(commands: Any, open_shop: OpenShop) -> None:
    """Adds the command to the parser's commands."""
    export = commands.add_parser("export", help="write all records as JSON Lines, or in another format")
    export.add_argument(
        "file", metavar="FILE", nargs="?", help="the file; standard output where none is named"
    )
    export.add_argument(
        "--format",
        choices=tuple(exports.FORMATS),
        default="jsonl",
        help="exchange format, a spreadsheet of cases or of fixes tried, or a data package",
    )
    export.add_argument("--family", metavar="CODE", default="", help="only the cases of one board family")
    export.add_argument("--query", metavar="WORDS", default="", help="only the cases that a search finds")
    export.add_argument(
        "--with-photos", action="store_true", help="with --format package: photographs and files as well"
    )
    export.add_argument(
        "--share", action="store_true", help="own closed cases without customers, prices and names"
    )
    export.add_argument(
        "--with-pictures", action="store_true", help="with --share: the pictures of the boards as well"
    )

    def run(parsed: argparse.Namespace) -> int:
        _refuse_what_does_not_go_together(parsed)
        with open_shop() as shop:
            _export(shop, parsed)
        return 0

    export.set_defaults(run=run)


def _refuse_what_does_not_go_together(parsed: argparse.Namespace) -> None:
    if parsed.share and (parsed.query or parsed.format != "jsonl"):
        raise BadInput(
            "What is shared is chosen by board family and written in the exchange format.",
            field="--share",
            remedy="Leave --query and --format out.",
        )
    if parsed.share and parsed.with_photos:
        raise BadInput(
            "Photographs are never shared with other shops.",
            field="--with-photos",
            remedy="Leave --with-photos out.",
        )
    if parsed.with_pictures and not parsed.share:
        raise BadInput(
            "Pictures of boards are chosen for what is shared only.",
            field="--with-pictures",
            remedy="Take --with-photos with --format package, which holds them with the photographs.",
        )
    if parsed.with_photos:
        exports.refuse_photographs(parsed.format)


def _export(shop: Shop, parsed: argparse.Namespace) -> None:
    family = families.get(shop, parsed.family)[0].code if parsed.family else ""
    if parsed.share:
        pieces = _shared(shop, family, parsed.with_pictures)
    else:
        choice = exports.Choice(parsed.query, exports.Filters(family=family))
        pieces = exports.taken(shop, parsed.format, choice, with_photos=parsed.with_photos, told=_tell)
    if parsed.file is not None:
        exports.write_file(Path(parsed.file), pieces)
        return
    for piece in pieces:
        sys.stdout.buffer.write(piece)
    sys.stdout.flush()


def _tell(sentence: str) -> None:
    print(f"kb: {sentence}", file=sys.stderr)


def _number(count: int, one: str, many: str = "") -> str:
    return f"{count:,} {one if count == 1 else many or one + 's'}"


def _shared(shop: Shop, family: str, with_pictures: bool) -> Iterator[bytes]:
    """What is shared, told on standard error before a byte of it is written."""
    only = frozenset(filter(None, [family]))
    choice = shares.Choice(name=shares.sharing_name(shop), families=only, pictures=with_pictures)
    if not choice.name:
        raise BadInput(
            "There is no name yet to share under.",
            field="--share",
            remedy="Set KB_SHOP_NAME to the name that other shops shall see, or share once from the page.",
        )
    shares.own_origin(shop, choice.name)
    seen = shares.preview(shop, choice)
    print(
        f"sharing {_number(seen.cases, 'case')} of {_number(seen.families, 'board family', 'board families')} "
        f"as {choice.name}; {_number(seen.pictures, 'picture') + ' of boards; ' if with_pictures else ''}"
        f"masked: {shares.masked_words(seen.masked)}. "
        "Look through the texts before you pass the file on.",
        file=sys.stderr,
    )
    return exports.chunks("jsonl", shares.records(shop, choice))
