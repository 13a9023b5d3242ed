"""What a lamp in series with the mains lets through, from the lamp's own measured points.

The lamp and the board share the voltage so that both carry the same current; the lamp's current rises with its
voltage, so there is one such point, found by halving. The figures are effective values and take the board as a
resistance, which a rectifier with its capacitor is not: they bound what a shorted board draws.
"""

from __future__ import annotations

from dataclasses import dataclass

from kb.bench.checks import positive
from kb.bench.loads import Load, amps_at
from kb.errors import BadInput

_HALVINGS = 60


@dataclass(frozen=True, slots=True)
class LimitedFeed:
    """What flows (A), and how the mains divide: volts across the lamp and across the board."""

    amps: float
    lamp_v: float
    board_v: float


def through_lamp(lamp: Load, mains_v: float, board_ohm: float) -> LimitedFeed:
    """The working point of a lamp in series with a board of `board_ohm` ohms (0 for a dead short) on `mains_v` volts.

    Raises:
        BadInput: for a load that is no lamp, mains that are not above 0, or a resistance below 0.
    """
    if lamp.kind != "lamp":
        raise BadInput(
            f"{lamp.name} is no lamp.", field="lamp", remedy="Choose a lamp: it limits by getting hot."
        )
    positive(mains_v, "mains_v", "the mains voltage", "Type the mains voltage, such as 230 V.")
    if not board_ohm >= 0:
        raise BadInput("The board's resistance is below 0.", field="board_ohm", remedy="Type its ohms, or 0.")
    low, high = 0.0, mains_v
    for _ in range(_HALVINGS):
        middle = (low + high) / 2
        if amps_at(lamp, middle) * board_ohm + middle < mains_v:
            low = middle
        else:
            high = middle
    amps = amps_at(lamp, high)
    return LimitedFeed(amps, high, mains_v - high)
