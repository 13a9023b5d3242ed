"""The instruments that somebody has named: kept in a small file beside the store.

They hang on the machine that serves and not on the book: where several machines share a database each has its own, and
what is plugged in here is nothing that a backup brings to another machine. So they are no records.
"""

from __future__ import annotations

import json
import re
import threading
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

from kb import system
from kb.errors import BadInput, NotFound, StoreReadOnly, Taken
from kb.instruments import queries
from kb.instruments.addresses import read_address
from kb.instruments.queries import Kind, Way

MOST = 20
LONGEST_NAME = 40
BAUDS = (1200, 2400, 4800, 9600, 19200, 38400, 57600, 115200)
_NAME = re.compile(r"[^\W_](?:[\w .,()+\-]{0,38}[\w)])?")


@dataclass(frozen=True, slots=True)
class Instrument:
    """One instrument: the name the shop gave it, where it is, what it is and what it is asked for unless a page says.

    `baud` counts on serial lines only. `way` says whether a meter may set itself to the quantity that is asked for.
    """

    name: str
    address: str
    kind: Kind = "meter"
    quantity: str = "dc_v"
    way: Way = "measure"
    baud: int = 9600

    def measures(self, quantity: str) -> bool:
        """Whether it can be asked for that."""
        return queries.question(self.kind, quantity) is not None


def read_name(text: str) -> str:
    """The name of an instrument. Raises BadInput."""
    name = " ".join(text.split())
    if len(name) > LONGEST_NAME or not _NAME.fullmatch(name):
        raise BadInput(
            "This is no name for an instrument." if name else "The instrument has no name.",
            field="name",
            remedy=f"Give it up to {LONGEST_NAME} letters and digits, such as bench meter.",
        )
    return name


def checked(name: str, address: str, kind: str, quantity: str, way: str, baud: str) -> Instrument:
    """An instrument as somebody typed it. Raises BadInput naming the field."""
    found_kind = next((one for one in queries.KINDS if one == kind), None)
    if found_kind is None:
        raise BadInput("It is not said what it is.", field="kind", remedy="Choose meter, supply or load.")
    found_way = next((one for one in queries.WAYS if one == (way or "measure")), None)
    if found_way is None:
        raise BadInput("It is not said how it is asked.", field="way", remedy="Choose one of the two.")
    if queries.question(found_kind, quantity) is None:
        raise BadInput(
            f"A {queries.KINDS[found_kind]} does not measure that.",
            field="quantity",
            remedy="Choose another quantity.",
        )
    if not baud.isascii() or not baud.isdigit() or len(baud) > 6 or int(baud) not in BAUDS:
        raise BadInput(
            "This is no speed of a serial line.",
            field="baud",
            remedy=f"Choose one of {', '.join(str(one) for one in BAUDS)}.",
        )
    return Instrument(read_name(name), read_address(address).text, found_kind, quantity, found_way, int(baud))


class Registry:
    """The named instruments, in a file or, where `file` is None, in memory alone."""

    def __init__(self, file: Path | None) -> None:
        self._file = file
        self._lock = threading.Lock()
        self._kept = {one.name: one for one in self._read()}

    def all(self) -> list[Instrument]:
        """All of them in order of their names."""
        return sorted(self._kept.values(), key=lambda one: one.name.casefold())

    def find(self, name: str) -> Instrument | None:
        """The instrument of that name, None where there is none."""
        return self._kept.get(name)

    def get(self, name: str) -> Instrument:
        """Raises NotFound."""
        found = self.find(name)
        if found is None:
            raise NotFound(
                "There is no such instrument.",
                field="instrument",
                remedy="Choose one from the page Instruments.",
            )
        return found

    def save(self, instrument: Instrument, before: str = "") -> None:
        """Keeps an instrument, in the place of the one called `before`.

        Raises:
            Taken: for a name or address that another one has.
            BadInput: where there are too many.
            StoreReadOnly: on a disk that is write-protected.
        """
        with self._lock:
            others = {name: one for name, one in self._kept.items() if name != before}
            for other in others.values():
                if other.name.casefold() == instrument.name.casefold():
                    raise Taken(
                        f"There is an instrument called {other.name} already.",
                        field="name",
                        remedy="Choose another name.",
                    )
                if other.address.casefold() == instrument.address.casefold():
                    raise Taken(
                        f"This address is that of {other.name}.",
                        field="address",
                        remedy="Change that one instead.",
                    )
            if len(others) >= MOST:
                raise BadInput(
                    f"There are {MOST} instruments already.", field="name", remedy="Remove one first."
                )
            self._write({**others, instrument.name: instrument})

    def remove(self, name: str) -> None:
        """Forgets an instrument. Raises NotFound, StoreReadOnly."""
        self.get(name)
        with self._lock:
            self._write({other: one for other, one in self._kept.items() if other != name})

    def _read(self) -> list[Instrument]:
        if self._file is None or not self._file.exists():
            return []
        try:
            rows: Any = json.loads(self._file.read_text(encoding="utf-8"))
            return [
                checked(
                    **{
                        name: str(row[name])
                        for name in ("name", "address", "kind", "quantity", "way", "baud")
                    }
                )
                for row in rows[:MOST]
            ]
        except (OSError, ValueError, KeyError, TypeError, BadInput):
            return []  # a damaged list costs some typing, and must not keep the program from starting

    def _write(self, kept: dict[str, Instrument]) -> None:
        if self._file is not None:
            part = self._file.with_suffix(".part")
            try:
                with system.open_private(part, "w", encoding="utf-8", newline="\n") as out:
                    json.dump([asdict(one) for one in kept.values()], out, ensure_ascii=False, indent=1)
                system.put_in_place(part, self._file)
            except OSError as error:
                raise StoreReadOnly(
                    "The instrument cannot be kept: the data folder cannot be written.",
                    remedy="Give the account that runs the program the right to write there.",
                ) from error
        self._kept = kept
