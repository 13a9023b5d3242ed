"""Words that look like a fact and are none, one test for each kind of them; the texts are our own."""

from __future__ import annotations

import pytest
from test_reader import FAMILY, names

from kb.reading import Known, KnownPart, read


@pytest.mark.parametrize(
    ("text", "wanted"),
    [
        # "does nothing" and "dead" of a thing of its own
        ("remote does nothing", set()),
        ("left channel dead", {"one channel silent"}),
        ("linker kanaal doet niks", {"one channel silent"}),
        ("pfc doet niks", {"power factor stage does not boost"}),
        ("red light stays on, wont come on", {"standby light on but will not start"}),
        # a lamp under repair
        ("LED desk lamp flickers then went out", {"backlight flickers"}),
        ("Lampe de chevet clignote", set()),
        ("lámpara led parpadea", set()),
        # parts of which a longer name is another part
        ("thermal fuse blown", set()),
        ("fusible térmico abierto", set()),
        ("K2 contacts burnt", set()),
        ("fusibile F1 bruciato", {"fuse blown"}),
        # an everyday word beside another
        ("starts to warm the water", set()),
        ("niks helpt, maakt niks uit", set()),
        ("ticks all the boxes", set()),
        ("can't ring as his phone is dead", set()),
        ("seit Gewitter dunkel", {"failed after a power cut or storm"}),
        ("Lüfter laut", set()),
        ("soak tested all day", set()),
        ("on ne lit plus rien", set()),
        ("nach einer halben Stunde dunkel", {"fails when warm"}),
        # a denial ends where a clause of its own begins
        ("does not get cold and something is clicking", {"relay clicks repeatedly"}),
        # how a part failed
        ("output transistor Q5 shorted", set()),
        ("heater element down to earth", set()),
        ("thanks for the quick repair last time", set()),
        ("D2 was short", set()),
        # two supplies are more than one
        ("no 12 no 24", {"more than one output missing"}),
        # board numbers are no supplies
        ("TJ-20V segments missing", {"display shows garbage"}),
    ],
)
def test_a_symptom_is_read_of_what_it_is_said_of(text: str, wanted: set[str]) -> None:
    assert names(read(text)) == wanted


@pytest.mark.parametrize(
    "text",
    [
        "E4 on the display",
        "foutcode E15",
        "brug en belt voor een nieuwe afspraak",
        "batt is fine (tried on other charger)",
        "LED-Lampe neu angeschlossen",
        "led apagado, huele a quemado",
        "no spares in stock",
    ],
)
def test_codes_lamps_and_appointments_are_no_parts(text: str) -> None:
    found = read(text)
    assert [one for one in found.attempts if one.action == "replace" or one.part] == []
    assert found.verdict is None


def test_what_cooled_down_for_a_while_is_not_cured() -> None:
    (fan,) = read("abgekühlt gehts wieder. Lüfter steht, Lager fest. Neuer Lüfter").attempts
    assert (fan.part_class, fan.action, fan.result) == ("fan", "replace", None)


def test_what_was_cooled_stays_where_only_the_paste_was_renewed() -> None:
    assert [one.part_class for one in read("U5 hot, heatsink paste renewed, stays on").attempts] == [
        "heat sink or pad"
    ]


def test_two_values_joined_in_dutch_are_each_of_a_supply_of_its_own() -> None:
    found = read("Q1 vervangen, 12,1 V en 24,0 V", FAMILY)
    assert [(one.rail, one.value) for one in found.readings] == [("12V", 12.1), ("24V", 24.0)]


def test_volts_printed_behind_a_capacitance_are_no_reading_behind_a_fix() -> None:
    assert read("swapped C8 for 1000uF/25V, whine gone", FAMILY).readings == ()


def test_a_word_of_one_language_is_not_read_by_its_stem_in_another() -> None:
    found = read("fuse blown, door switch S2 welded. replaced fuse & switch")
    assert {one.part_class for one in found.attempts} == {"fuse", "switch"}
    assert [one.failure for one in read("C9 ESR 5 ohms remplacé, démarre du premier coup").attempts] == [
        "high ESR"
    ]


def test_a_shorted_transistor_is_what_it_is_in_its_family() -> None:
    known = Known(parts=(KnownPart("Q2", "power factor MOSFET", "bulk and power factor stage"),))
    assert names(read("Q2 short", known)) == {"power factor switch shorted"}


@pytest.mark.parametrize(
    "text",
    [
        "warning on the lid: shock hazard",
        "told the customer it might smoke again",
        "advised customer it may blow fuses again",
        "please check it does not smell",
        "warning: bulk stays charged, discharge first",
        "opto in the feedback loop changed",
        "Q3 in the backlight section replaced",
        "picture hangs on the wall",
        "maybe dropped",
    ],
)
def test_warnings_advice_and_other_things_are_no_symptoms(text: str) -> None:
    assert names(read(text)) == set()


def test_a_supply_that_drops_fell_from_no_table() -> None:
    assert "dropped or mechanical damage" not in names(read("5VSB drops from 5.1 to 3.2", FAMILY))


def test_a_swinging_controller_supply_is_hiccup() -> None:
    assert "hiccup" in names(read("VCC swings 8 to 15 V", FAMILY))


@pytest.mark.parametrize(
    "text", ["Q3 next to the heatsink shorted, replaced", "Q3 beside the transformer shorted, replaced"]
)
def test_a_neighbour_does_not_take_the_failure_of_the_part(text: str) -> None:
    assert [(one.part, one.failure) for one in read(text).attempts] == [("Q3", "shorted")]


@pytest.mark.parametrize(
    "text",
    [
        "customer will pay up to 50 euros, C5 replaced",
        "limit 40 euros, C5 replaced",
        "he paid 300 euros for it new, fuse replaced",
        "deposit 20 euros paid, C5 replaced",
        "costs 45 euros new. C5 replaced",
    ],
)
def test_limits_and_buying_prices_are_no_cost(text: str) -> None:
    assert read(text).cost is None


def test_parts_found_good_in_turn_are_not_replaced() -> None:
    assert read("F1 ok, BR1 ok").attempts == ()


def test_a_value_that_comes_down_to_what_it_should_be_is_two_readings() -> None:
    found = read("C31 replaced. 12V from 14.6 to 12.0", FAMILY)
    assert [(one.value, one.min) for one in found.readings] == [(14.6, None), (12.0, None)]


# What stands in notes beside the fault: what was checked, how it is kept, who comes for it. Nothing is wrong by it.
BESIDE_THE_FAULT = """
checked the fuse and it was fine
tested under load for two hours without any trouble
used hot air to lift the chip
new heat sink paste applied, screws tightened
removed the cover, nothing obvious
all voltages correct at the output connector
replaced the mains lead as a precaution
customer wants to pick it up on friday morning
could not open the case, screws stuck
measured the coil, 200 ohm, fine
lubricated the fan bearing
the lamp itself was good
switch works, wiring ok
PAT tested and passed
the remote needed new batteries
it is an old model, no drawings to be found
ordered a new display from the dealer
the board had been lacquered
soldered a new plug on the lead
removed old glue from the capacitors
cut the track to isolate the stage
ran for three hours on the bench and stayed cool
turned the volume up, sounds clean
screen protector was left on
the display shows the right time now
light comes on when door opens
it starts at once now
explained to owner how to set the clock
showed him how to charge it properly
the battery was almost new
needs a new door seal, not electrical
fan runs quiet again
cleaned flux off the board with alcohol
reassembled and tested, heats to 180
put it on soak test overnight
returned to owner with instructions
adjusted the bias to 25 mA
checked insulation 500V, over 20 megohm
found a loose screw under the board
replaced thermal paste and pads
no need for a new motor
the smell was only dust burning off the first time
motor turns freely by hand
fuse is the right value
relay clicks in as it should
bulk cap holds 325 V steady
ripple only 20 mV, good
there is a spare board in the cupboard
part came from a scrap unit
wrote the values on the transformer
took a photo of the wiring before removing
the other channel is the same and works
cable was routed over a sharp edge
plug was wired wrong, live and neutral swapped
the owner had already bought a new fuse
made a new bracket for the switch
checked all solder joints under the microscope, all good
tested all buttons one by one, every one ok
picture and sound present on all inputs
standby 0.4 W, on 35 W
power switch lights up red when on
the red light shows that it is charging, green when full
earth continuity 0.08 ohm
noise was from a loose cable touching the fan
plastic gear glued
display glass cracked, cosmetic only
it had no fault code stored
boots in 20 seconds
updated the firmware to the latest version
reset to factory defaults by the menu
Sicherung geprüft, ist in Ordnung
zwei Stunden unter Last getestet, ohne Probleme
Kunde holt am Freitag ab
Lüfter geölt, läuft wieder leise
Lichtschalter am Gehäuse ersetzt
Gerät stand zehn Jahre im Keller
Stecker neu angeschlossen
Staubbeutel geleert
Kältespray benutzt
Heißluft zum Auslöten
geht nach zehn Minuten aus, Abschaltautomatik
Kindersicherung war aktiv
alle Elkos gemessen, alle gut
keine kalten Lötstellen zu sehen
Lötkolben war kalt
Netzteil liefert 12,1 V stabil
Uhr gestellt, läuft
Trommel lässt sich von Hand drehen
hat früher schon mal jemand geöffnet
Rechnung geht an die Werft
Kratzer am Gehäuse
Batterien waren falsch herum eingelegt
Steckdose hatte keinen Strom
E-Prüfung bestanden
le fusible est bon
testé deux heures en charge sans souci
client passe vendredi
bouton cassé, refait à l'imprimante
spray givrant utilisé
s'arrête après dix minutes, arrêt automatique
tous les condensateurs mesurés, tous bons
aucune soudure sèche visible
appareil resté dix ans à la cave
piles à l'envers
prise sans courant
rayures sur le capot
horloge remise à l'heure
notice expliquée au client
zekering gemeten, goed
twee uur getest onder belasting zonder problemen
klant haalt vrijdag op
ventilator gesmeerd, stil
koudespray gebruikt
gaat na tien minuten uit, automatisch uit
alle elco's gemeten, allemaal goed
geen koude lassen te zien
heeft tien jaar op zolder gestaan
batterijen zaten verkeerd om
geen stroom op het stopcontact
krassen op de kast
klok gelijk gezet
uitgelegd hoe het werkt
fusible medido, bien
probado dos horas con carga sin problemas
el cliente pasa el viernes
ventilador engrasado, silencioso
spray congelante usado
se apaga a los diez minutos, apagado automatico
todos los condensadores medidos, bien
""".strip().splitlines()


@pytest.mark.parametrize("text", BESIDE_THE_FAULT)
def test_what_stands_beside_the_fault_is_no_symptom(text: str) -> None:
    assert {name for name in names(read(text, FAMILY)) if not name.startswith("!")} == set()


@pytest.mark.parametrize(
    ("text", "wanted"),
    [
        # a denial belongs to what stands beside it
        ("no spares available for the burnt transformer", {"burnt part seen"}),
        (
            "please don't replace the fuse again, the last three blew at once",
            {"fuse blown"},
        ),
        ("the pot does nothing and the set hums", {"buttons do not respond", "hum from speakers"}),
        # parts, tests and messages beside the device
        ("24V line fine with the inverter fet gone", set()),
        ("ran overnight with 4 power cycles", set()),
        ("driver IC hot enough to burn a finger", {"part too hot to touch"}),
        ("element to earth 20k when hot", set()),
        ("everything else stayed on", set()),
        ("primary cap charged to 326", set()),
        ("TV on the blink again", set()),
        ("output collapses when the fourth segment driver is plugged in", {"output voltage low"}),
        ("heater in the wheelhouse keeps cutting out", {"starts then shuts down"}),
        ("tuner supply 3.3 missing", {"one output missing"}),
        ("real fault F3 open", {"fuse blown"}),
        # the narrower name says the wider one
        ("audio fine but screen stays black", {"sound but no picture"}),
        ("screen comes on for a moment then blank, red light stays", {"backlight goes off after seconds"}),
    ],
)
def test_each_symptom_is_what_its_own_words_say(text: str, wanted: set[str]) -> None:
    assert names(read(text)) == wanted


@pytest.mark.parametrize(
    "text",
    [
        "owner refused 60 for a new transformer",
        "for next week: try a new U2, if that fails Q4",
        "D14 looked cooked but measures fine",
    ],
)
def test_what_was_refused_planned_or_measured_away_is_no_fix(text: str) -> None:
    assert read(text).attempts == ()


@pytest.mark.parametrize(
    ("text", "wanted"),
    [
        ("No error on the display", {"!error code shown"}),
        ("letters don't type and the fan is running", {"buttons do not respond"}),
        ("I can switch it on but it will not go off again", {"does not turn off"}),
        ("relays click as they should", set()),
        ("We had no power for two hours", {"failed after a power cut or storm"}),
        ("tx no power out", set()),
        ("joint cracked near C5", {"cracked solder joint seen"}),
        ("Lötstelle Q3 gerissen", {"cracked solder joint seen"}),
        ("LED strip new, panel ok", set()),
        ("the picture turns black, it gets so warm", {"no picture"}),
        ("refuses to charge", {"does not charge"}),
        ("display shows H62", {"error code shown"}),
        ("it was repaired for no sound in 2022", {"failed after earlier repair"}),
    ],
)
def test_words_that_stand_near_each_other_and_belong_to_different_things_are_not_put_together(
    text: str, wanted: set[str]
) -> None:
    assert names(read(text)) == wanted


@pytest.mark.parametrize(
    "text",
    ["C61 replaced - no. C44 replaced - yes", "C61 new, no; C44 new, yes", "C61 neu, nein, C44 neu, läuft"],
)
def test_a_no_alone_behind_a_fix_says_that_it_changed_nothing(text: str) -> None:
    assert [(one.part, one.result) for one in read(text).attempts] == [("C61", "no change"), ("C44", "cured")]


def test_a_part_that_was_borrowed_is_no_fix() -> None:
    assert read("borrowed Q3 from it for the welder, put a new one back").attempts == ()


def test_a_joint_at_its_leg_is_one_of_the_part_named_before() -> None:
    (joint,) = read("D14 is fine, dry joint at its leg. resoldered").attempts
    assert (joint.part, joint.part_class, joint.action) == ("D14", "solder joint", "resolder")
