"""What an instrument answers: IEEE 488.2 response data and the special values of SCPI-1999, read strictly.

The standards' own text was not read. The forms are those that published programming guides give with the clause they
go by (IEEE 488.2, 8.7.2 to 8.7.4 for NR1, NR2 and NR3); the guides and their examples stand in
`tests/published/data/instrument_answers.toml`. What no guide showed is marked "from memory" there.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from decimal import Decimal
from typing import Literal

from kb.errors import InstrumentTrouble

LONGEST = 255
# 9.9E37 stands for plus infinity, its negative for minus infinity, 9.91E37 for "not a number".
INFINITY, NOT_A_NUMBER = Decimal("9.9E37"), Decimal("9.91E37")
# No instrument of a bench measures more: what is larger and no special value was not understood.
_LARGEST = Decimal("1e15")

# NR1: digits; NR2: digits with a point; NR3: the same with E and an exponent. A small e is taken as well.
_NUMBER = re.compile(r"[+-]?(?:[0-9]{1,30}(?:\.[0-9]{0,30})?|\.[0-9]{1,30})(?:[eE][+-]?[0-9]{1,3})?")
_ERROR = re.compile(r"([+-]?[0-9]{1,6})(?:,(.*))?")
_SHOWN = 40

State = Literal["value", "over", "under", "none"]


@dataclass(frozen=True, slots=True)
class Measured:
    """A numeric answer: `value` exactly as sent (SI base unit), or why there is none.

    `over` and `under` are beyond the range on either side, `none` is the instrument's own "not a number".
    """

    state: State
    value: Decimal | None = None


@dataclass(frozen=True, slots=True)
class Identity:
    """The four fields of an answer to `*IDN?`; serial number and firmware are "0" where it does not tell them."""

    maker: str
    model: str
    serial: str
    firmware: str

    @property
    def shown(self) -> str:
        """Maker, model and serial number on one line."""
        return " ".join(part for part in (self.maker, self.model, self.serial) if part and part != "0")


@dataclass(frozen=True, slots=True)
class QueuedError:
    """An entry of the error queue; number 0 says that it is empty."""

    number: int
    text: str


def unreadable(text: str, wanted: str) -> InstrumentTrouble:
    """The trouble of an answer that is not what was asked for; what it said is shown in part."""
    shown = "".join(one if one.isprintable() else "·" for one in text[:_SHOWN])
    said = f"It answered “{shown}{'…' if len(text) > _SHOWN else ''}”" if text else "It answered nothing"
    return InstrumentTrouble(
        f"{said} where {wanted} was expected.",
        remedy="Take the reading again; if it stays, look at the instrument and whether another program uses it.",
    )


def plain(raw: bytes) -> str:
    """An answer as text without its line end. Raises InstrumentTrouble for what is no printable ASCII."""
    if len(raw) > LONGEST:
        raise InstrumentTrouble(
            "It talks on without an end of line.",
            remedy="Check the address and the speed of the serial line.",
        )
    body = raw.rstrip(b"\r\n")
    if any(not 0x20 <= byte <= 0x7E for byte in body):
        raise InstrumentTrouble(
            "It sends what is no text.", remedy="Check the speed of the serial line, and that it speaks SCPI."
        )
    return body.decode("ascii").strip()


def measured(text: str) -> Measured:
    """One number in the form NR1, NR2 or NR3, exactly; or one of the special values.

    Raises:
        InstrumentTrouble: for text, several numbers, a block of data, and what is out of all measure.
    """
    if text.startswith("#"):
        raise InstrumentTrouble(
            "It answered with a block of data where one number was expected.",
            remedy="Set it to answer in ASCII (its format setting).",
        )
    if not _NUMBER.fullmatch(text):
        raise unreadable(text, "one number")
    value = Decimal(text)
    if value == NOT_A_NUMBER:
        return Measured("none")
    if abs(value) == INFINITY:
        return Measured("over" if value > 0 else "under")
    if abs(value) > _LARGEST:
        raise unreadable(text, "a value that can be measured")
    return Measured("value", value)


def identity(text: str) -> Identity:
    """The four fields that `*IDN?` asks for. Raises InstrumentTrouble for anything else."""
    fields = [part.strip() for part in text.split(",")]
    if len(fields) != 4 or not fields[0] or not fields[1] or ";" in text:
        # What answers here may be no instrument at all, so nothing of it is shown.
        raise InstrumentTrouble(
            "What answers at this address does not say who it is as an SCPI instrument does: maker, model, serial "
            "number and firmware, divided by commas.",
            remedy="Check the address; on a serial line also the speed, and that the instrument is set to remote.",
        )
    return Identity(*fields)


def string(text: str) -> str:
    """What stands in quotation marks, single or double; a doubled mark inside is one. Raises InstrumentTrouble."""
    mark = text[:1]
    inside = text[1:-1]
    whole = len(text) >= 2 and mark in "'\"" and text.endswith(mark)
    if not whole or mark in inside.replace(mark * 2, ""):
        raise unreadable(text, "words between quotation marks")
    return inside.replace(mark * 2, mark)


def queued_error(text: str) -> QueuedError:
    """An answer to `SYST:ERR?`: a number and its words, in quotation marks or not. Raises InstrumentTrouble."""
    found = _ERROR.fullmatch(text)
    if found is None:
        raise unreadable(text, "an entry of its error queue")
    words = (found[2] or "").strip()
    return QueuedError(int(found[1]), string(words) if words[:1] in ("'", '"') and words else words)


def switched(text: str) -> bool | None:
    """Whether something is on, from 0, 1, OFF or ON; None for anything else."""
    return {"0": False, "OFF": False, "1": True, "ON": True}.get(text.upper())
