"""The bench's limits, each with its purpose and origin, in one place.

All are common practice of the trade with no published source unless a line says otherwise. None is a
limit of a standard: the standards were not read.
"""

from __future__ import annotations

# Stored charge, in volts. One limit is for fingers, one for the meter: resistance and junction checks are
# true, and meters safe, only near nothing.
TOUCH_V = 60.0
WET_TOUCH_V = 30.0  # from memory: half of it where hands, floor or board may be wet
METER_V = 5.0

# Fuse and junctions. The junction drops are those of hand-held meters' manuals (tests/published).
FUSE_OHM, FUSE_OPEN_OHM = 1.0, 10.0
JUNCTION_LOW_V, JUNCTION_HIGH_V, JUNCTION_SHORT_V = 0.4, 0.9, 0.1
SHORT_OHM = 1.0

# An output to ground is compared with its rated load (volts over amperes): a twentieth of it, or an ohm where
# the rated load is above two, is a short. What a preload takes lies far below the rating, so it is clear from five
# times the rated load's resistance. Where no rating is known, one and ten ohms.
GROUND_SHORT_SHARE = 20.0
GROUND_CLEAR_TIMES = 5.0
UNRATED_SHORT_OHM, UNRATED_CLEAR_OHM = 1.0, 10.0
# Beside good boards of the family: under a third of the lowest is a short, from six tenths on it is alike.
GOOD_SHORT_FRACTION, GOOD_ALIKE_FRACTION = 1 / 3, 0.6

# Rails.
NEAR_FRACTION = 0.1
FAR_HIGH_FRACTION = 0.2
RECTIFIED_FRACTION = 0.1  # how far the bulk may lie from the peak of the mains and still rest on it
USUAL_MAINS_V = 230.0

# A soak that ran at least this share of what was planned counts as done.
SOAK_SHARE = 0.95
# Ripple at the end of a soak over that at its start: beyond this it grew with heat, whatever its limit says.
RIPPLE_GREW = 1.5
