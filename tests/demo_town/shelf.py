"""The demo's parts shelf, what the bench noted of its boards, and what it quoted for repairs.

Nothing here is drawn: the boards and cases of the demo stay what they are. Ratings are the usual ones of such parts
(common practice, no published source); prices are invented.
"""

from __future__ import annotations

from datetime import date, timedelta
from typing import Any

Record = dict[str, Any]


def _elco(
    name: str,
    farads: float,
    volts: float,
    esr: float,
    count: int,
    least: int,
    price: float,
    place: str,
    **at: str,
) -> Record:
    given: Record = {
        "record": "shelf_part", "name": name, "part_class": "electrolytic capacitor", "kind": "low ESR",
        "value": farads, "unit": "F", "tolerance_pct": 20.0, "max_v": volts, "max_c": 105.0, "esr_ohm": esr,
        "package": "radial", "count": count, "least": least, "place": place, "price": price,
        "used_at": [{"family": family.replace("_", "-"), "part": part} for family, part in at.items()],
    }  # fmt: skip
    return {name: value for name, value in given.items() if value}


SHELF: tuple[Record, ...] = (
    _elco("470 µF 25 V low ESR", 0.00047, 25.0, 0.06, 7, 5, 0.28, "drawer 3", HX_210="C9", UW_815="C3"),
    _elco("470 µF 35 V low ESR", 0.00047, 35.0, 0.045, 4, 0, 0.34, "drawer 3"),
    _elco("1000 µF 16 V low ESR", 0.001, 16.0, 0.04, 1, 5, 0.31, "drawer 3", QK_118="C12", QK_340="C842"),
    _elco("1000 µF 35 V low ESR", 0.001, 35.0, 0.03, 3, 2, 0.55, "drawer 4", HX_210="C31"),
    _elco("47 µF 50 V low ESR", 0.000047, 50.0, 0.3, 12, 5, 0.12, "drawer 2", QK_118="C6"),
    {"record": "shelf_part", "name": "bulk 220 µF 450 V", "part_class": "bulk capacitor", "value": 0.00022, "unit": "F",
     "tolerance_pct": 20.0, "max_v": 450.0, "max_c": 105.0, "package": "snap-in 30 mm", "count": 2, "place": "shelf B",
     "price": 3.9, "used_at": [{"family": "QK-340", "part": "C810"}]},
    {"record": "shelf_part", "name": "X2 470 nF 305 V", "part_class": "film capacitor", "kind": "X2",
     "value": 4.7e-07, "unit": "F", "tolerance_pct": 10.0, "max_v": 305.0, "max_c": 105.0, "package": "box 22.5 mm",
     "count": 3, "least": 2, "place": "drawer 6", "price": 0.72, "used_at": [{"family": "VQ-517", "part": "C1"}]},
    {"record": "shelf_part", "name": "fuse T3.15A H", "part_class": "fuse", "kind": "T H", "value": 3.15, "unit": "A",
     "max_v": 250.0, "package": "5 x 20 mm", "count": 9, "least": 5, "place": "fuse box", "price": 0.4},
    {"record": "shelf_part", "name": "fuse T5A H", "part_class": "fuse", "kind": "T H", "value": 5.0, "unit": "A",
     "max_v": 250.0, "package": "5 x 20 mm", "count": 6, "place": "fuse box", "price": 0.4},
    {"record": "shelf_part", "name": "fusible 4.7 Ω 1 W", "part_class": "fusible resistor", "kind": "fusible",
     "value": 4.7, "unit": "ohm", "tolerance_pct": 5.0, "max_w": 1.0, "count": 4, "least": 3, "place": "drawer 1",
     "price": 0.18, "used_at": [{"family": "ZL-36W", "part": "RF1"}]},
    {"record": "shelf_part", "name": "MOSFET 600 V 20 A", "part_class": "power factor MOSFET", "max_v": 600.0,
     "max_a": 20.0, "package": "TO-247", "count": 2, "least": 2, "place": "drawer 9", "price": 2.6,
     "used_at": [{"family": "HX-210", "part": "Q1"}]},
    {"record": "shelf_part", "name": "Schottky 10 A 45 V", "part_class": "Schottky rectifier", "kind": "Schottky",
     "max_v": 45.0, "max_a": 10.0, "package": "TO-220", "count": 5, "place": "drawer 8", "price": 0.65,
     "used_at": [{"family": "QK-118", "part": "D7"}]},
)  # fmt: skip

# What the bench noted of its boards, by family.
NOTES: dict[str, Record] = {
    "HX-210": {
        "tips": [
            {"place": "board", "text": "The heat sink of the power factor stage sits at mains potential.",
             "who": "bench 1", "date": "2023-02-14"},
            {"place": "part", "name": "C9", "text": "Looks new and is dry: measure its ESR in place.",
             "who": "bench 2", "date": "2024-11-05"},
            {"place": "rail", "name": "12V", "text": "Absent until the relay has pulled in: listen for it first.",
             "who": "bench 1", "date": "2025-06-20"},
        ],
        "revisions": [
            {"name": "A", "differs": "C9 is 470 µF 16 V."},
            {"name": "B", "differs": "C9 is 470 µF 25 V, R14 in two halves."},
        ],
        "used_in": [{"device": "timetable display, quay 1"}, {"device": "timetable display, ticket hall"}],
        "pin_values": [
            {"connector": "CN2", "pin": 3, "ohm_red": 10200.0, "ohm_black": 10200.0, "diode_v_red": 0.58,
             "open": ["diode_v_black"]},
            {"connector": "CN2", "pin": 4, "ohm_red": 1850.0, "ohm_black": 1700.0, "diode_v_red": 0.62,
             "diode_v_black": 0.44},
            {"connector": "CN2", "pin": 6, "ohm_red": 4700.0, "ohm_black": 3900.0, "diode_v_red": 0.71,
             "diode_v_black": 0.39},
            {"connector": "CN3", "pin": 1, "ohm_red": 12600.0, "ohm_black": 9800.0, "open": ["diode_v_red"],
             "diode_v_black": 0.47},
        ],
    },
    "QK-118": {
        "tips": [
            {"place": "rail", "name": "5V", "text": "Sags without a load and means nothing: put a lamp on it.",
             "who": "bench 2", "date": "2024-03-01"},
        ],
    },
    "UW-815": {
        "tips": [
            {"place": "board", "text": "The outputs are at mains potential: isolation transformer first.",
             "who": "bench 1", "date": "2022-09-30"},
        ],
    },
}  # fmt: skip

_QUOTED_FROM = date(2026, 5, 1)
_COVERS = "Finding the fault, the parts that it needs, the work, and a test of the board under load."


class Quotes:
    """Puts a quote on some cases: on two of the newest open boards, and on every fourth board repaired lately."""

    def __init__(self) -> None:
        self._repaired = self._open = 0

    def on(self, case: Record) -> Record:
        """The case, with its quote before its notes where it has one."""
        quote = self._quote(case)
        if quote is None:
            return case
        notes = {"notes": case["notes"]} if "notes" in case else {}
        return {name: value for name, value in case.items() if name != "notes"} | {"quote": quote} | notes

    def _quote(self, case: Record) -> Record | None:
        received = date.fromisoformat(case["received"])
        if received < _QUOTED_FROM:
            return None
        offer: Record = {
            "date": case["received"],
            "ceiling": 95.0,
            "covers": _COVERS,
            "warranty": "12 months",
        }
        offer["valid_until"] = (received + timedelta(days=30)).isoformat()
        if "verdict" not in case:
            self._open += 1
            if self._open not in (2, 4):
                return None
            return offer | ({"accepted": case["received"]} if self._open == 4 else {})
        self._repaired += case["verdict"] == "repaired"
        if case["verdict"] != "repaired" or self._repaired % 4:
            return None
        answered = min(received + timedelta(days=1), date.fromisoformat(case["closed"]))
        return offer | {"accepted": answered.isoformat()}
