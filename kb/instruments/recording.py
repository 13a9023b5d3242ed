"""What a reading is when it reaches a page: the text for the field, where it came from, lowest and highest."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from decimal import Decimal

from kb.errors import InstrumentTrouble
from kb.facts.quantities import UNITS, format_si_plain
from kb.facts.reading_lines import UNIT_OF_QUANTITY
from kb.instruments.responses import Measured

# What a meter shows as OL on these is an open circuit, and a reading; on volts it is a range that is too low.
OPEN_IS_A_READING = frozenset({"ohm", "diode_v"})
# What a line of the case form needs besides the value and its unit to say which quantity it is.
LINE_WORDS = {"ac_v": "ac", "diode_v": "diode"}


@dataclass(frozen=True, slots=True)
class Taken:
    """One reading for a field: `text` as a person would type it, `low` and `high` where they were recorded.

    `note` says what else there is to know of lowest and highest; `id` lets a form prove later where it came from.
    """

    id: str
    instrument: str
    quantity: str
    text: str
    at: datetime
    low: str = ""
    high: str = ""
    note: str = ""

    @property
    def origin(self) -> str:
        """The instrument and the time of day, for the page and the record."""
        return f"{self.instrument}, {self.at:%H:%M:%S} UTC"


def typed(measured: Measured, quantity: str) -> str:
    """What was measured as a person would type it. Raises InstrumentTrouble where there is no reading."""
    if measured.value is not None:
        return f"{format_si_plain(measured.value)} {UNITS[UNIT_OF_QUANTITY[quantity]].symbol}"
    if measured.state == "over" and quantity in OPEN_IS_A_READING:
        return "OL"
    if measured.state == "none":
        raise InstrumentTrouble(
            "It says that it has no valid value.", remedy="See what it shows, and take the reading again."
        )
    side = "above" if measured.state == "over" else "below"
    raise InstrumentTrouble(
        f"It shows an overload: what it measures is {side} its range.",
        remedy="Take the leads off, choose a higher range, and think of what could be there.",
    )


class Recording:
    """Lowest, highest and newest of what was sampled since somebody pressed the button."""

    def __init__(self, quantity: str) -> None:
        self.quantity = quantity
        self.low: Decimal | None = None
        self.high: Decimal | None = None
        self.last = Measured("none")
        self.count = 0
        self.missed = 0
        self.beyond = False
        self.trouble = ""

    def add(self, measured: Measured) -> None:
        """One more sample."""
        self.last, self.trouble = measured, ""
        if measured.value is None:
            self.beyond = self.beyond or measured.state != "none"
            self.missed += 1
            return
        self.count += 1
        self.low = measured.value if self.low is None else min(self.low, measured.value)
        self.high = measured.value if self.high is None else max(self.high, measured.value)

    def miss(self, trouble: str) -> None:
        """A sample that could not be had, and why."""
        self.missed += 1
        self.trouble = trouble

    def extremes(self) -> tuple[str, str, str]:
        """(lowest, highest, what else there is to know); both are empty where an overload hid one of them."""
        if self.low is None or self.high is None:
            return "", "", "No lowest and highest were recorded."
        if self.beyond:
            return "", "", "It went beyond its range meanwhile, so lowest and highest are not known."
        note = f"{self.missed} samples are missing in between." if self.missed else ""
        return (
            typed(Measured("value", self.low), self.quantity),
            typed(Measured("value", self.high), self.quantity),
            note,
        )
