"""Words that are no names of symptoms and parts, however near to one they come."""

from __future__ import annotations

from kb.search.normalization import word_set

# Words that say nothing about the fault. Common practice.
NEUTRAL_WORDS = word_set(
    "all also always any anymore appliance back bad badly board box came comes completely customer day days "
    "device down eventually every everything fault faulty few found from gets go goes going got hello hour "
    "hours just keep keeps last left like little look looks machine make makes measured minute minutes month "
    "more much new now off old on once one only out over owner panel part please problem put reported right "
    "said says screen second seconds seem seems seen set several since some sometimes still take terminal "
    "thanks time times today too tried try two unit up used using week weeks well when while work worked "
    "working works year years yesterday"
)

# Everyday words a letter or two away from a word of the list; never "corrected" into a symptom.
EVERYDAY_WORDS = word_set(
    "about above again along around below board bring brown clean clear could cover every field first floor "
    "front glass great green house large later latest leads light lower might morning never night noise "
    "other paper parts place plain plate point press quick quiet quite reach ready right round sales shade "
    "shape share shelf shift shirt shore short should shown since small sound south space speed spoke staff "
    "stage stand start state still stock stone store story table taken thing think third those three title "
    "total touch trade train trial truck trust under until upper usual value watch water wheel where which "
    "white whole whose winter world worse would write wrong yellow young oven kettle toaster fridge freezer cooker "
    "grill stove iron mixer boiler lamp torch radio clock phone printer scanner camera router bell horn engine"
)
