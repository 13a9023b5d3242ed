"""The one line that a handheld meter, or whatever stands between, may send over a serial port.

    +5.0312E+0,V,DC

is a number, its unit and its kind, divided by commas, ended by CR, LF or both. ASCII only, no spaces.

    number   digits with an optional sign, point and exponent, as IEEE 488.2 has them; or OL for beyond the range
    unit     V  A  OHM  F  HZ  CEL (degrees Celsius)
    kind     DC, AC or (a junction drop) DIOD with V, DC with A; left out, with its comma, for the others

Only what stands here is read: a line of any other form is no reading.
"""

from __future__ import annotations

import re
from types import MappingProxyType

from kb.errors import InstrumentTrouble
from kb.instruments.responses import Measured, measured

LONGEST = 60
EXAMPLE = "+5.0312E+0,V,DC"
DESCRIPTION = (
    "number, unit and kind divided by commas and ended by a line end, such as +5.0312E+0,V,DC or 470,OHM or OL,OHM; "
    "units V, A, OHM, F, HZ, CEL; kinds DC, AC and DIOD (junction drop) with V, DC with A"
)
QUANTITY_OF = MappingProxyType(
    {
        "V,DC": "dc_v",
        "V,AC": "ac_v",
        "V,DIOD": "diode_v",
        "A,DC": "amp",
        "OHM": "ohm",
        "F": "farad",
        "HZ": "hz",
        "CEL": "celsius",
    }
)
_LINE = re.compile(r"([^,]{1,40}),([A-Z]{1,3}(?:,[A-Z]{2,4})?)")


def read_line(raw: bytes) -> tuple[str, Measured]:
    """The quantity and what was measured. Raises InstrumentTrouble for a line of any other form."""
    body = raw.rstrip(b"\r\n")
    text = body.decode("ascii", "replace") if len(body) <= LONGEST else ""
    found = _LINE.fullmatch(text)
    if found is None or found[2] not in QUANTITY_OF:
        shown = "".join(one if " " <= one <= "~" else "·" for one in body[:40].decode("latin-1"))
        raise InstrumentTrouble(
            f"The line “{shown}” is no reading.", field="line", remedy=f"A line is {DESCRIPTION}."
        )
    quantity = QUANTITY_OF[found[2]]
    if found[1] in ("OL", "+OL"):
        return quantity, Measured("over")
    if found[1] == "-OL":
        return quantity, Measured("under")
    return quantity, measured(found[1])
