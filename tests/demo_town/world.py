"""The demo's invented world: the board families and dummy loads of a small harbour-town bench.

The bench keeps ferry information displays, ticket machines and galley appliances running. Every code,
place and figure is made up; the circuits are the usual ones of the trade (common practice, no published
source). What breaks in each family stands in `weak_points`.
"""

from __future__ import annotations

from demo_town.families_aboard import ABOARD
from demo_town.families_ashore import ASHORE
from demo_town.family import Family

FAMILIES: tuple[Family, ...] = (*ASHORE, *ABOARD)

# Lamp currents: filament resistance rises with heat, about current ~ volts to the power of 0.55
# (common rule of lamp makers, from memory); rounded as a bench meter shows them.
LOADS: tuple[dict[str, object], ...] = (
    {"name": "lamp 21 W filament", "kind": "lamp", "points": [[3.0, 0.82], [6.0, 1.2], [12.0, 1.75], [13.5, 1.87]],
     "max_w": 25.0, "count": 4},
    {"name": "lamp 5 W filament", "kind": "lamp", "points": [[3.0, 0.2], [6.0, 0.29], [12.0, 0.42], [13.5, 0.45]],
     "max_w": 6.0, "count": 6},
    {"name": "lamp 55 W halogen", "kind": "lamp", "points": [[6.0, 3.1], [12.0, 4.55], [13.5, 4.85]],
     "max_w": 65.0, "count": 2},
    {"name": "resistor 10 Ω 50 W", "kind": "resistor", "ohm": 10.0, "tolerance_pct": 5.0, "max_w": 50.0, "count": 4},
    {"name": "resistor 47 Ω 25 W", "kind": "resistor", "ohm": 47.0, "tolerance_pct": 5.0, "max_w": 25.0, "count": 4},
    {"name": "electronic load 150 W", "kind": "electronic", "max_w": 150.0, "max_v": 120.0, "max_a": 20.0, "count": 1},
)  # fmt: skip
