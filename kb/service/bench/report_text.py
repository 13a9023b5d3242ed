"""What the trade calls it, said to somebody who knows nothing of electronics."""

from __future__ import annotations

PLAIN_ROLES = {
    "standby": "standby supply",
    "logic": "supply for the electronics",
    "intermediate": "inner supply",
    "backlight": "supply for the light of the screen",
    "audio": "supply for the sound",
    "other": "supply",
}
PLAIN_CONDITIONS = {
    "absent": "missing",
    "low": "too low",
    "pulsing": "coming and going",
    "in tolerance": "in order",
    "high": "too high",
}
PLAIN_STAGES = {
    "unpowered": "the checks with the plug out",
    "first power": "switching it on with the current limited",
    "standby": "the measurement in standby",
    "enable": "switching the board on",
    "unloaded": "the measurement with nothing connected",
    "loaded": "the measurement under load",
    "ripple": "how smooth the voltages are",
    "cold starts": "repeated starts from cold",
    "soak": "a long run under load",
}
PLAIN_FAILURES = {
    "high ESR": "worn out",
    "lost capacitance": "worn out",
    "leaking electrolyte": "leaking",
    "open": "broken inside",
    "shorted": "shorted inside",
    "leaky": "passing current where it should not",
    "drifted": "out of its value",
    "intermittent": "failing now and then",
    "no oscillation": "not running",
}
PLAIN_ACTIONS = {
    "replace": "was replaced",
    "resolder": "was resoldered",
    "clean": "was cleaned",
    "repair track": "and its track were repaired",
    "adjust": "was adjusted",
    "remove": "was removed",
    "recap section": "and the other capacitors around it were replaced",
    "reprogram": "was programmed again",
    "replace board": "was replaced together with its board",
}
NOT_A_SAFETY_TEST = (
    "This report says what was measured on the day named above. It is no electrical safety test, and "
    "it cannot promise how long a part will last."
)
