"""What breaks in each family of the demo: part, how often, and the part's value.

One line per weak point: `kind of fault | part | weight | value | rail`. The kinds stand in
`faults_mains_side` and `faults_output_side`; a weight is a share of the family's faults in percent, and
every family has one weak point that stands out. Rail is given where the kind needs one (`$`).
"""

from __future__ import annotations

from dataclasses import dataclass

from demo_town.fault_kind import FaultKind
from demo_town.faults_mains_side import MAINS_SIDE
from demo_town.faults_output_side import OUTPUT_SIDE

KINDS: dict[str, FaultKind] = {kind.key: kind for kind in (*MAINS_SIDE, *OUTPUT_SIDE)}


@dataclass(frozen=True, slots=True)
class WeakPoint:
    """A kind of fault at a certain part of a certain family; `value` is the part's value as printed."""

    kind: FaultKind
    part: str
    weight: float
    value: str
    rail: str


_TABLE = """
HX-210
standby elco       | C9   | 40 | 470 µF 25 V 105 °C   | 5VSB
pfc mosfet         | Q1   | 13 | 600 V 20 A           |
$ elco             | C31  | 12 | 1000 µF 35 V 105 °C  | 24V
led strip          | LED3 |  9 | strip of 9           | 24V
standby start-up   | R14  |  7 | 330 kΩ               | 5VSB
joints             | T1   |  6 |                      | 24V
relay              | K1   |  5 | 5 V coil             | 12V
varistor           | RV1  |  5 | 275 V 14 mm          |
optocoupler        | PC2  |  3 | four-legged          | 12V

QK-340
led strip          | LED7 | 34 | strip of 12          | VLED
pfc mosfet         | Q801 | 17 | 650 V 15 A           |
standby elco       | C842 | 13 | 1000 µF 16 V 105 °C  | 5VS
backlight driver   | U840 | 10 | 24-pin               | VLED
pfc controller     | U801 |  8 | 8-pin                |
sense resistor     | R845 |  6 | 0.22 Ω 2 W           |
bulk dried         | C810 |  5 | 220 µF 450 V         |
audio transistor   | Q861 |  4 | 60 V 4 A             | AUD18
joints             | L801 |  3 |                      | VLED

QK-118
$ elco             | C12  | 42 | 1000 µF 16 V 105 °C  | 5V
vcc elco           | C6   | 18 | 47 µF 50 V 105 °C    |
main controller    | U1   | 12 | 3842 type            |
optocoupler        | U2   |  9 | four-legged          | 5V
joints             | J2   |  8 |                      | 5V
inrush limiter     | RT1  |  6 | 10 Ω 9 mm            |
$ schottky         | D7   |  5 | 10 A 45 V            | 5V

LBD-52
led strip          | LED1 | 44 | strip of 14          | LED+
backlight mosfet   | Q5   | 16 | 200 V 9 A            | LED+
$ elco             | C22  | 12 | 22 µF 160 V 105 °C   | LED+
corrosion          | CN1  | 10 |                      | 24VIN
backlight driver   | U3   | 10 | 16-pin               | LED+
ceramic            | C5   |  8 | 10 µF 16 V           | 5VREG

ZL-36W
corrosion          | X2   | 34 |                      | VOUT
$ elco             | C8   | 22 | 220 µF 63 V 105 °C   | VOUT
varistor           | RV1  | 15 | 300 V 10 mm          |
led strip          | LED2 | 12 | block of 11          | VOUT
vcc elco           | C4   |  9 | 22 µF 50 V 105 °C    |
fusible            | RF1  |  8 | 4.7 Ω 1 W            |

FK-604
pfc mosfet         | Q2   | 35 | 600 V 30 A           |
$ elco             | C61  | 18 | 2200 µF 35 V 105 °C  | 24V
bulk dried         | C15  | 12 | 330 µF 450 V 105 °C  |
standby elco       | C44  |  9 | 1000 µF 10 V 105 °C  | 5VSB
joints             | L3   |  7 |                      | 24V
varistor           | RV2  |  6 | 275 V 20 mm          |
reference          | U9   |  5 | 2.5 V reference      | 12V
relay driver       | Q14  |  4 | NPN                  |
fan                | FAN1 |  4 | 12 V 60 mm           | 12V

PQ-24N
cable              | W2   | 40 |                      | 24V
vcc elco           | C3   | 16 | 22 µF 50 V 105 °C    |
$ elco             | C9   | 12 | 680 µF 35 V 105 °C   | 24V
main mosfet        | Q1   | 12 | 650 V 7 A            |
start-up resistor  | R5   |  8 | 680 kΩ               |
reference          | U3   |  6 | 2.5 V reference      | 24V
mains fuse         | F1   |  3 | T2.5A                |
bulk dried         | C1   |  3 | 100 µF 400 V 105 °C  |

UW-815
relay              | K2   | 37 | 12 V coil 16 A       | 12V
mains fuse         | F1   | 16 | F12A                 |
$ elco             | C3   | 14 | 470 µF 25 V 105 °C   | 12V
integrated switcher| IC1  | 12 | 7-pin                | 12V
joints             | K1   | 10 |                      | 12V
buttons            | SW1  |  7 | 6 mm                 |
linear             | IC2  |  4 | 5 V 100 mA           | 5V

VQ-517
dropper            | C1   | 38 | 470 nF 305 V X2      | 12V
relay              | K3   | 17 | 12 V coil 10 A       | 12V
corrosion          | J7   | 13 |                      | 5V
fusible            | R1   | 10 | 47 Ω 2 W             |
buttons            | SW4  |  8 | 6 mm                 |
triac open         | Q6   |  8 | 600 V 1 A            |
memory             | U4   |  6 | 8-pin                |

ID-2203
igbt               | Q1   | 38 | 1200 V 25 A          |
fan                | FAN1 | 16 | 18 V 92 mm           | 18V
resonance capacitor| C14  | 13 | 330 nF 1200 V        |
sense divider      | R22  | 10 | 330 kΩ               |
integrated switcher| U5   | 10 | 8-pin                | 18V
sensor             | RT2  |  8 | 100 kΩ               |
$ elco             | C31  |  5 | 220 µF 35 V 105 °C   | 18V

KZ-93
integrated switcher| U1   | 36 | 8-pin                | 12V
triac shorted      | Q3   | 15 | 600 V 16 A           |
sensor             | RT1  | 14 | 47 kΩ                |
$ elco             | C5   | 12 | 330 µF 25 V 105 °C   | 12V
corrosion          | JP3  | 11 |                      | 5V
relay              | K2   |  8 | 12 V coil            | 12V
triac open         | Q4   |  4 | 600 V 4 A            |

RC-138Y
connector          | TB1  | 34 |                      | 13V8
main mosfet        | Q1   | 18 | 800 V 6 A            |
current shunt      | R30  | 14 | 0.047 Ω 3 W          | 13V8
trimmer            | P1   | 10 | 2.2 kΩ               | 13V8
vcc elco           | C7   |  9 | 47 µF 35 V 105 °C    |
op-amp             | U4   |  8 | 8-pin                | 13V8
$ schottky         | D5   |  7 | 20 A 60 V            | 13V8

BW-08K
corrosion          | TB2  | 38 |                      | 5V
relay              | K5   | 16 | 12 V coil            | 12V
zener              | D1   | 14 | 33 V 600 W           | 24VIN
linear             | U2   | 11 | 5 V 1 A              | 5V
buttons            | SW1  |  9 | 12 mm                |
battery            | BT1  |  7 | 3 V coin             |
supervisor         | U6   |  5 | 3-pin                | 5V

QH-70B
varistor           | RV1  | 40 | 320 V 14 mm          |
pfc controller     | U1   | 15 | 8-pin                |
main mosfet        | Q2   | 13 | 600 V 11 A           |
vcc elco           | C11  | 12 | 33 µF 50 V 105 °C    |
joints             | T2   |  9 |                      | LAMP
bulk dried         | C7   |  7 | 33 µF 450 V 105 °C   |
transformer        | T1   |  4 |                      |

MPA-62
bulk dried         | C5   | 33 | 150 µF 400 V 85 °C   |
audio transistor   | Q21  | 17 | 100 V 12 A           | +32V
$ schottky         | D12  | 13 | 16 A 150 V           | +32V
$ elco             | C18  | 12 | 1000 µF 50 V 105 °C  | -32V
connector          | J3   | 11 |                      | +32V
start-up resistor  | R8   |  8 | 220 kΩ               |
fast rectifier     | D13  |  6 | 4 A 200 V            | -32V

TJ-20V
fast rectifier     | D4   | 35 | 1 A 200 V            | -27V
$ elco             | C11  | 18 | 47 µF 63 V 105 °C    | -27V
display module     | DS1  | 13 | 4 digits             |
joints             | CN2  | 12 |                      | 5V
microcontroller    | U1   |  8 | 40-pin               | 5V
crystal            | Y1   |  7 | 8 MHz                |
buck               | U3   |  7 | 8-pin                | 5V

WK-31D
joints             | Q3   | 33 |                      | 15V
bulk leaky         | C1   | 17 | 680 µF 400 V 105 °C  |
igbt               | Q4   | 15 | 600 V 30 A           |
fan                | FAN1 | 12 | 24 V 60 mm           | 24VF
$ elco             | C27  | 10 | 220 µF 25 V 105 °C   | 15V
buck               | U7   |  8 | 8-pin                | 5V
relay              | K1   |  5 | 24 V coil            | 15V
"""


def _read_table(text: str) -> dict[str, tuple[WeakPoint, ...]]:
    table: dict[str, tuple[WeakPoint, ...]] = {}
    for block in text.strip().split("\n\n"):
        code, *lines = block.splitlines()
        rows = ([cell.strip() for cell in line.split("|")] for line in lines)
        table[code] = tuple(
            WeakPoint(KINDS[key], part, float(weight), value, rail) for key, part, weight, value, rail in rows
        )
    return table


WEAK_POINTS: dict[str, tuple[WeakPoint, ...]] = _read_table(_TABLE)
