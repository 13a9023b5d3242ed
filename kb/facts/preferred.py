"""Preferred values of IEC 60063, as data, and the nearest one to a wanted value.

E24 is older than the rounding rule: eight of its values differ from the rounded geometric series
(2.7 3.0 3.3 3.6 3.9 4.3 4.7 8.2), and E192 has 9.20 where the rule gives 9.19; so the tables are
written out.
"""

from __future__ import annotations

import math
from bisect import bisect_left

_E24 = (100, 110, 120, 130, 150, 160, 180, 200, 220, 240, 270, 300,
        330, 360, 390, 430, 470, 510, 560, 620, 680, 750, 820, 910)  # fmt: skip
_E192 = (
    100, 101, 102, 104, 105, 106, 107, 109, 110, 111, 113, 114, 115, 117, 118, 120,
    121, 123, 124, 126, 127, 129, 130, 132, 133, 135, 137, 138, 140, 142, 143, 145,
    147, 149, 150, 152, 154, 156, 158, 160, 162, 164, 165, 167, 169, 172, 174, 176,
    178, 180, 182, 184, 187, 189, 191, 193, 196, 198, 200, 203, 205, 208, 210, 213,
    215, 218, 221, 223, 226, 229, 232, 234, 237, 240, 243, 246, 249, 252, 255, 258,
    261, 264, 267, 271, 274, 277, 280, 284, 287, 291, 294, 298, 301, 305, 309, 312,
    316, 320, 324, 328, 332, 336, 340, 344, 348, 352, 357, 361, 365, 370, 374, 379,
    383, 388, 392, 397, 402, 407, 412, 417, 422, 427, 432, 437, 442, 448, 453, 459,
    464, 470, 475, 481, 487, 493, 499, 505, 511, 517, 523, 530, 536, 542, 549, 556,
    562, 569, 576, 583, 590, 597, 604, 612, 619, 626, 634, 642, 649, 657, 665, 673,
    681, 690, 698, 706, 715, 723, 732, 741, 750, 759, 768, 777, 787, 796, 806, 816,
    825, 835, 845, 856, 866, 876, 887, 898, 909, 920, 931, 942, 953, 965, 976, 988,
)  # fmt: skip

# Hundredths of a decade's first value: 270 stands for 2.70, 27.0, 270 and so on.
SERIES: dict[str, tuple[int, ...]] = {
    "E6": _E24[::4],
    "E12": _E24[::2],
    "E24": _E24,
    "E48": _E192[::4],
    "E96": _E192[::2],
    "E192": _E192,
}

# A computed value this close to a preferred one is that one.
_SAME = 1e-9


def nearest_preferred(value: float, series: str = "E24") -> float:
    """The preferred value with the smallest difference from `value` (> 0, any unit); the lower one on a tie.

    Raises ValueError when `value` is not within 1e-15 to 1e15 and KeyError for an unknown series.
    """
    below, above = _neighbours(value, series)
    return above if above - value < value - below else below


def next_preferred_up(value: float, series: str = "E24") -> float:
    """The smallest preferred value not below `value`; a preferred value is its own. Errors as above."""
    return _neighbours(value, series)[1]


def next_preferred_down(value: float, series: str = "E24") -> float:
    """The largest preferred value not above `value`; a preferred value is its own. Errors as above."""
    return _neighbours(value, series)[0]


def _neighbours(value: float, series: str) -> tuple[float, float]:
    if not 1e-15 <= value <= 1e15:
        raise ValueError("a preferred value is sought for 1e-15 to 1e15 only")
    table = SERIES[series]
    decade = math.floor(math.log10(value))
    # One decade to either side covers rounding of the logarithm and the step to the next decade.
    ladder = [float(f"{step}e{power - 2}") for power in (decade - 1, decade, decade + 1) for step in table]
    ladder.append(float(f"1e{decade + 2}"))
    place = bisect_left(ladder, value)
    for candidate in (ladder[place], ladder[place - 1]):
        if math.isclose(candidate, value, rel_tol=_SAME):
            return candidate, candidate
    return ladder[place - 1], ladder[place]
