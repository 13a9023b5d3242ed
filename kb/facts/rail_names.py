"""What a supply's name means where no board family says it: `5VSB`, `+24V`, `3V3`, `BULK`, `VCC`, `standby`.

Common practice, no published source: letters beside the volts name the use, and where there are none the
volts do, as on supplies of displays (24 V feeds the backlight, 12 V further converters). A family's own
rails always come first.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from functools import lru_cache

from kb.facts.designators import rail_key

LONGEST_NAME = 40


@dataclass(frozen=True, slots=True)
class ObviousRail:
    """`role` of `kb.facts.vocabulary.RAIL_ROLES`; `nominal_v` in volts, None where the name has none."""

    role: str
    nominal_v: float | None
    always_on: bool


_NAMES: dict[str, tuple[str, ...]] = {
    "standby": ("sb", "stb", "stby", "sby", "standby", "standbysupply", "s", "stdby", "stdb", "vsb", "vstb",
                "vstby", "vstandby", "alwayson", "ao", "perm", "permanent", "svb"),
    "logic": ("logic", "vlogic", "digital", "cpu", "core", "vcore", "io", "vio", "mcu", "usb"),
    "intermediate": ("intermediate", "main", "vmain"),
    "backlight": ("backlight", "led", "vled", "led+", "vled+", "bl", "vbl", "inverter", "inv", "lamp", "bklt",
                  "backlit"),
    "audio": ("audio", "aud", "vaud", "vaudio", "amp", "sound", "amplifier", "vamp", "spk"),
    "bulk": ("bulk", "vbulk", "b+", "hv", "hvdc", "hv+", "pfc", "vpfc", "hvbus", "dcbus", "dclink", "dcbulk", "vbus",
             "bulkcap", "bulkcapacitor", "bulkvoltage", "pfcout", "pfcoutput", "rectifiedmains", "primarydc",
             "ht", "netzelko", "siebelko", "ladeelko", "zwischenkreis"),
    "controller supply": ("vcc", "controllersupply", "vccpwm", "pwmvcc", "vccpfc", "pfcvcc", "icvcc", "vccsupply",
                          "vaux", "vccsb", "sbvcc"),
    "other": ("other",),
}  # fmt: skip
_ROLE = {name: role for role, names in _NAMES.items() for name in names}
# Alone these letters say too little: "S" may be a pin, "main" and "amp" words of a sentence.
_ONLY_BESIDE_VOLTS = frozenset(
    ("s", "ao", "io", "bl", "amp", "main", "usb", "core", "sound", "led", "inv", "spk", "perm", "lamp", "cpu", "mcu",
     "digital", "permanent", "other", "vbus", "svb", "hv")
)  # fmt: skip
_VOLTS = re.compile(
    r"(?<![0-9.])([0-9]{1,3}(?:\.[0-9]{1,2})?)v(?:dc)?(?![0-9])|^v([0-9]{1,3}(?:\.[0-9]{1,2})?)$"
)
_ENDINGS = ("rail", "voltage", "supply", "line", "output", "out")


@lru_cache(maxsize=4_096)
def obvious_rail(name: str) -> ObviousRail | None:
    """What `name` means as the name of a supply, or None where that is not obvious. Never raises.

    Case, spaces, hyphens, underscores, a leading plus and the decimal mark do not matter: `5VSB`,
    `+5V_STB`, `5 V standby` and `STB5V` are one. A bare number is no name. `-12V` has -12 volts.
    """
    if len(name) > LONGEST_NAME:
        return None
    key = rail_key(name.strip().rstrip(".:;,"))
    minus, key = key.startswith("-"), key.removeprefix("-")
    for ending in _ENDINGS:
        if len(key) > len(ending) and key not in _ROLE:
            key = key.removesuffix(ending)
    key = re.sub(r"(?<=[0-9])volts?", "v", key)
    if role := _ROLE.get(key):
        return None if minus or key in _ONLY_BESIDE_VOLTS else ObviousRail(role, None, role == "standby")
    found = _VOLTS.search(key)
    if found is None:
        return None
    volts = float(found[1] or found[2])
    letters = (key[: found.start()] + key[found.end() :]).strip("+")
    role = _ROLE.get(letters) if letters not in ("", "p", "main", "out") else _role_of_volts(volts)
    if role is None or not volts:
        return None
    return ObviousRail(role, -volts if minus else volts, role == "standby")


def _role_of_volts(volts: float) -> str:
    if volts <= 5.5:
        return "logic"
    if volts <= 20:
        return "intermediate"
    if volts <= 30:
        return "backlight"
    return "bulk" if 280 <= volts <= 420 else "other"
