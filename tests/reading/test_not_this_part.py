"""Words that name a part and mean another thing, and what was done before the device came in (common practice)."""

from __future__ import annotations

import pytest

from kb.reading import read


@pytest.mark.parametrize(
    ("text", "parts"),
    [
        # a fuse's rating is no transformer
        ("fuse T500mA blown, bridge diodes short, changed, lives", [None, None]),
        ("fuse F2 open, replaced by same T2A", ["F2"]),
        # a safety class is no crystal
        ("C3 470n X2 down to 90n, new", ["C3"]),
        ("Y cap CY1 leaky, changed (Y2)", ["CY1"]),
        ("quartz (Y2) dead, replaced", ["Y2"]),
        # asked about, and not so
        ("C14 bulged? no that is glue. R22 open, new one fitted", ["R22"]),
        # the parts of a class that was found bad right before
        ("first filter cap bulging, C1 & C2 both new. quiet", ["C1", "C2"]),
        # the track at a part is no such part
        ("Drossel L2 Leiterbahn hoch, Brücke gelegt", [None]),
        ("ribbon CN4 corroded, cleaned and reseated", ["CN4"]),
        # a device, and what trips in the house
        ("My e-bike battery charger makes a ticking noise", []),
        ("Dishwasher trips the earth leakage switch", []),
        ("our other tvs on the same circuit had new boards years ago", []),
        # before it came in, or for a while
        ("Door switch was changed 2 yrs ago by a shop", []),
        ("Aerial cable has been changed by the installer", []),
        ("pulled battery 1 min, works again", []),
        ("remote empty, new batteries", []),
    ],
)
def test_the_parts_are_those_that_were_worked_on(text: str, parts: list[str | None]) -> None:
    assert [one.part for one in read(text).attempts] == parts


@pytest.mark.parametrize(
    ("text", "wanted"),
    [
        ("lead pulled off, soldered", ("cable", "open", "resolder")),
        ("fuse in the plug gone. New one", ("fuse", "open", "replace")),
        ("Desk fan will not spin. Bearing dry. Oiled. Spins", (None, None, "clean")),
        ("RV1 cracked, removed and new fitted", ("varistor", None, "replace")),
        ("C4 leaking, cleaned and C4 new", ("electrolytic capacitor", "leaking electrolyte", "replace")),
    ],
)
def test_what_was_done_belongs_to_what_was_found(
    text: str, wanted: tuple[str | None, str | None, str | None]
) -> None:
    (one,) = read(text).attempts
    assert (one.part_class, one.failure, one.action) == wanted


@pytest.mark.parametrize(
    ("text", "taken"),
    [
        ("microwave makes a loud humming", {"buzzing from the board"}),
        ("Lamp, no light", {"dead"}),
        ("Drill charger, red led only", {"does not charge"}),
        ("bread machine, H12 on display & no start", {"error code shown"}),
        ("pfeift hoch im Stby", {"high-pitched whine"}),
        ("scratchy volume", {"sound distorted"}),
        ("12 V fehlt, Fett an Platine", {"one output missing"}),
    ],
)
def test_a_symptom_is_meant_by_the_kind_of_device(text: str, taken: set[str]) -> None:
    assert {one.name for one in read(text).symptoms} == taken


def test_volts_that_are_printed_or_chosen_are_no_reading() -> None:
    assert read("bench supply sets 12V gives 15").readings == ()
    assert [one.rail for one in read("18V on the label, no light. F1 new, 17.9V").readings] == []
