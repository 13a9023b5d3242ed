"""What a text speaks of without saying that this device has it; texts are our own, common practice of the trade."""

from __future__ import annotations

import pytest

from kb.reading import Known, KnownRail, read
from kb.reading.readings import _Finder

STANDBY_AND_12V = Known(
    rails=(KnownRail("5VSB", "standby", 5.0, True), KnownRail("12V", "intermediate", 12.0))
)


def _present(text: str) -> set[str]:
    return {one.name for one in read(text).symptoms if one.present}


def _denied(text: str) -> set[str]:
    return {one.name for one in read(text).symptoms if not one.present}


@pytest.mark.parametrize(
    ("text", "name"),
    [
        ("If it should turn out that the fuse is blown, please call me.", "fuse blown"),
        ("Falls die Sicherung durch ist, bitte anrufen.", "fuse blown"),
        ("Please test whether it overheats.", "part too hot to touch"),
        ("Plugged it in expecting smoke but it runs", "smoke seen"),
        ("Theirs had bulging capacitors, ours just does not come on.", "bulging capacitor"),
        ("It was in last year with no picture, now it hums.", "no picture"),
        ("l'an dernier réparé pour pas d'image, maintenant il ronfle", "no picture"),
        ("dead short on 12V? no, meter lead.", "output rail shorted to ground"),
        ("The buzzing noise has gone since you repaired it.", "buzzing from the board"),
        ("cannot switch it on with the remote, the button is fine", "dead"),
        ("gate resistor of the main fet open", "main switch shorted"),
        ("the over-voltage zener is leaky", "output voltage high"),
    ],
)
def test_what_is_only_spoken_of_is_no_symptom(text: str, name: str) -> None:
    assert name not in _present(text)


@pytest.mark.parametrize(
    ("text", "name"),
    [
        ("If I bang on the side it comes on for a while", "responds to tapping or flexing"),
        ("Only when two hobs are on full does the breaker trip.", "trips the mains breaker"),
        ("Used to come on after a few tries, since yesterday it does not come on.", "dead"),
        ("it clicks and does not come on", "dead"),
        ("keys 4, 5 and 6 do not respond", "buttons do not respond"),
        ("Sound fine. Picture gone.", "no picture"),
        ("the 24 volt output is missing", "one output missing"),
    ],
)
def test_what_the_device_does_under_a_condition_or_by_now_is_one(text: str, name: str) -> None:
    assert name in _present(text)


def test_a_denial_right_before_or_behind_a_word_is_read() -> None:
    assert _denied("no liquid got in, it is dead") >= {"failed after a spill or damp"}
    assert "hum from speakers" in _denied("Verstärker rechts ohne Ton, brummt aber nicht")


def test_a_part_of_which_others_or_earlier_days_speak_is_no_fix() -> None:
    assert read("If the relay is welded again fit the bigger one.").attempts == ()
    assert read("My neighbour's: last year the relay was replaced. Mine clicks.").attempts == ()


@pytest.mark.parametrize(
    ("text", "section"),
    [
        ("startup resistor open", "main converter"),
        ("standby transformer open", "standby converter"),
        ("snubber across the 12V diode burnt", "intermediate output"),
        ("the transistor that drives the relay is shorted", "enable and relay"),
        ("gate resistor of the pfc fet open", "bulk and power factor stage"),
        ("condo de Vcc sec, changé", "main converter"),
        ("Anlaufwiderstand offen", "main converter"),
        ("optoacoplador de realimentación cambiado", "feedback"),
        ("interruttore di rete consumato", "mains input"),
    ],
)
def test_a_part_is_placed_by_its_name_or_by_what_it_is_beside(text: str, section: str) -> None:
    (one,) = read(text, STANDBY_AND_12V).attempts
    assert one.section == section


@pytest.mark.parametrize(
    ("text", "quantity", "value", "least"),
    [
        ("D9 0.45 drop one way", "diode_v", 0.45, None),
        ("12V sits at 11.8 cold, drops to 8 after ten minutes", "dc_v", 11.8, 8.0),
        ("ripple 1.2Vpp on the 12V", "ripple_v", 1.2, None),
        ("vcc hovering around 8 volts", "dc_v", 8.0, None),
    ],
)
def test_everyday_ways_to_say_a_reading(text: str, quantity: str, value: float, least: float | None) -> None:
    (one,) = read(text, STANDBY_AND_12V).readings
    assert (one.quantity, one.value, one.min) == (quantity, value, least)


def test_bare_volts_in_a_row_are_those_of_the_family_and_a_supply_that_is_fine_is_no_reading() -> None:
    found = read("tested only: 5.02 / 12.1", STANDBY_AND_12V).readings
    assert [(one.rail, one.value) for one in found] == [("5VSB", 5.02), ("12V", 12.1)]
    assert read("12V fine, fault elsewhere", STANDBY_AND_12V).readings == ()


def test_what_stands_before_a_number_is_looked_at_no_further_than_a_few_words(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Counted and not timed: twice the text takes about twice the looks, also within one piece."""
    looks = 0
    skips = _Finder._skips

    def counted(self: _Finder, place: int) -> bool:
        nonlocal looks
        looks += 1
        return skips(self, place)

    monkeypatch.setattr(_Finder, "_skips", counted)
    counts = []
    for length in (1_400, 2_800):
        looks = 0
        read(("12V-5V/" * 500)[:length])
        counts.append(looks)
    assert counts[1] <= 3 * counts[0] + 100
