"""Photographs that a phone shared with the program, kept aside until somebody says where they belong.

They lie in a folder of their own beside the store, readable by its owner alone, and nothing of the store refers to
them. Each is made fit to keep at once, so that where it was taken lies nowhere. They go after an hour, or when the
same person shares once more than a few times.
"""

from __future__ import annotations

import contextlib
import json
import re
import secrets
import shutil
import time
from collections.abc import Iterable, Iterator
from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO

from kb import pictures as shown
from kb import system
from kb.errors import BadInput, KbError, NotFound, StoreTrouble
from kb.service.boards import pictures
from kb.service.cases import files
from kb.service.cases.files import Refused, Sent
from kb.service.shop import sent_files
from kb.service.shop.shop import Shop

KEPT_S = 3_600
MOST_OF_ONE = 4
_ID = re.compile(r"[0-9a-f]{32}")


@dataclass(frozen=True, slots=True)
class Share:
    """What was shared at once: the names of its pictures by their number, and what could not be used."""

    id: str
    names: tuple[str, ...]
    refused: tuple[Refused, ...] = ()


def take(shop: Shop, owner: int, sent: Iterable[tuple[str, BinaryIO]]) -> Share:
    """Keeps (name, file) pairs aside for an account, 0 where nobody signs in.

    Raises BadInput where none of them is a picture, and StoreTrouble.
    """
    _clean(shop, owner)
    share_id = secrets.token_hex(16)
    place = _folder(shop) / share_id
    names: list[str] = []
    refused: list[Refused] = []
    try:
        with _writing():
            place.mkdir(parents=True, mode=0o700)
        for name, file in sent:
            try:
                _take_one(place, len(names), name, file)
                names.append(shown.printable_name(name))
            except BadInput as error:
                refused.append(Refused(shown.printable_name(name), error.message, error.remedy or ""))
        if not names:
            first = (
                refused[0] if refused else Refused("", "No picture was shared.", f"Share {pictures.TAKEN}.")
            )
            raise BadInput(first.message, field="file", remedy=first.remedy)
        with (
            _writing(),
            system.open_private(place / "state.json", "w", encoding="utf-8", newline="\n") as target,
        ):
            json.dump({"owner": owner, "names": names}, target)
    except BaseException:
        shutil.rmtree(place, ignore_errors=True)
        raise
    return Share(share_id, tuple(names), tuple(refused))


def _take_one(place: Path, number: int, name: str, file: BinaryIO) -> None:
    if number >= files.MOST_AT_ONCE:
        raise BadInput(
            f"“{shown.printable_name(name)}” is one too many: {files.MOST_AT_ONCE} are taken at once.",
            field="file",
            remedy="Share the rest after these.",
        )
    with sent_files.on_the_disk(file) as path:
        made = sent_files.accepted(path, name)
    if made.content is None or made.small is None:
        raise BadInput(
            f"“{shown.printable_name(name)}” is no picture.",
            field="file",
            remedy="Documents are sent from the case's own page.",
        )
    with _writing():
        for kind, content in (("whole", made.content), ("small", made.small)):
            with system.open_private(place / f"{number}.{kind}", "wb") as target:
                target.write(content)


def get(shop: Shop, owner: int, share_id: str) -> Share:
    """What was shared. Raises NotFound where it has gone, or is somebody else's."""
    place = _folder(shop) / share_id
    if _ID.fullmatch(share_id):
        with contextlib.suppress(OSError, ValueError):
            state = json.loads((place / "state.json").read_text(encoding="utf-8"))
            is_here = time.time() - (place / "state.json").stat().st_mtime < KEPT_S
            if state["owner"] == owner and is_here:
                return Share(share_id, tuple(state["names"]))
    raise NotFound(
        "These pictures are no longer here: they are kept for an hour, until it is said where they belong.",
        remedy="Share them again from the phone.",
    )


def small_of(shop: Shop, owner: int, share_id: str, number: int) -> bytes:
    """A small picture as WebP. Raises NotFound."""
    share = get(shop, owner, share_id)
    if not 0 <= number < len(share.names):
        raise NotFound("There is no such picture.", remedy="Look at what was shared again.")
    try:
        return (_folder(shop) / share.id / f"{number}.small").read_bytes()
    except OSError as error:
        raise NotFound("This picture has gone.", remedy="Share it again from the phone.") from error


def put_on_case(shop: Shop, owner: int, share_id: str, case_uid: str) -> Sent:
    """Adds the pictures to a case and forgets them here. Raises NotFound, StoreTrouble."""
    with _opened(shop, get(shop, owner, share_id)) as sent:
        done = files.add(shop, case_uid, sent)
    if not done.refused:
        forget(shop, owner, share_id)
    return done


def put_on_family(shop: Shop, owner: int, share_id: str, code: str, side: str) -> pictures.PictureView:
    """Makes the one picture that was shared a picture of a family's board. Raises BadInput, NotFound, StoreTrouble."""
    share = get(shop, owner, share_id)
    if len(share.names) != 1:
        raise BadInput(
            "A picture of a board is taken one by one, since its corners are laid next.",
            field="family",
            remedy="Put these on a case, or share one picture.",
        )
    with _opened(shop, share) as [(name, file)]:
        seen = pictures.add(shop, code, name, file, side=side)
    forget(shop, owner, share_id)
    return seen


def forget(shop: Shop, owner: int, share_id: str) -> None:
    """Throws away what was shared; nothing happens where it has gone already."""
    with contextlib.suppress(KbError):
        shutil.rmtree(_folder(shop) / get(shop, owner, share_id).id, ignore_errors=True)


@contextlib.contextmanager
def _opened(shop: Shop, share: Share) -> Iterator[list[tuple[str, BinaryIO]]]:
    with ExitStack() as stack:
        try:
            yield [
                (name, stack.enter_context((_folder(shop) / share.id / f"{number}.whole").open("rb")))
                for number, name in enumerate(share.names)
            ]
        except FileNotFoundError as error:
            raise NotFound("These pictures have gone.", remedy="Share them again from the phone.") from error


def _folder(shop: Shop) -> Path:
    return shop.settings.data / "shared-pictures"


def _clean(shop: Shop, owner: int) -> None:
    """Throws away what is too old, and the oldest of an account that has too many."""
    place = _folder(shop)
    if not place.is_dir():
        return
    oldest, own = time.time() - KEPT_S, []
    for entry in place.iterdir():
        try:
            state = entry / "state.json"
            # One without a state is being written, or was left by a program that was killed.
            written = (state if state.exists() else entry).stat().st_mtime
            if written < oldest:
                shutil.rmtree(entry, ignore_errors=True)
            elif state.exists() and json.loads(state.read_text(encoding="utf-8"))["owner"] == owner:
                own.append((written, entry))
        except (OSError, ValueError, KeyError):
            continue
    for _, entry in sorted(own, reverse=True)[MOST_OF_ONE - 1 :]:
        shutil.rmtree(entry, ignore_errors=True)


@contextlib.contextmanager
def _writing() -> Iterator[None]:
    try:
        yield
    except OSError as error:
        raise StoreTrouble(
            f"The pictures cannot be kept for now: {error.strerror}.",
            remedy="Make room on the disk, or let this user write to the data folder.",
        ) from error
