"""Fixes and what came of them, as different technicians say it in six languages.

The texts are our own; common practice, no published source.
"""

from __future__ import annotations

import pytest
from test_reader import FAMILY

from kb.reading import Read, read


def fixes(found: Read) -> list[tuple[str | None, str | None]]:
    """(designator, or else class or action; result) of every fix."""
    return [(one.part or one.part_class or one.action, one.result) for one in found.attempts]


@pytest.mark.parametrize(
    ("text", "wanted"),
    [
        # in English
        ("C22 ESR 6R8. new cap, 5VSB now 5.1 stdy", [("C22", "cured")]),
        ("C31 changed no diff. U1 changed - runs", [("C31", "no change"), ("U1", "cured")]),
        ("opto PC2 changed, same", [("PC2", "no change")]),
        ("chgd Q8 -> 392V on the bulk", [("Q8", "cured")]),
        ("C5 new: hum gone, still no sound. Q21 shorted, new: sound", [("C5", "improved"), ("Q21", "cured")]),
        (
            "2 caps bulged by the heatsink (C14 + C17), changed both, comes on first time now",
            [("C14", "cured"), ("C17", "cured")],
        ),
        ("MOV1 blown to bits and fuse. changed both, charges ok", [("MOV1", "cured"), ("fuse", "cured")]),
        (
            "went over it with the iron, dry joint at CN4 and on T1. no more dropouts",
            [("CN4", "cured"), ("T1", "cured")],
        ),
        ("swapped the adapter, stable overnight", [("replace", "cured")]),
        ("tried another PSU board, same", [("replace board", "no change")]),
        ("re-flashed firmware, seems better but still locked up once", [("reprogram", "improved")]),
        ("replaced R3, blew again instantly", [("R3", "no change")]),
        ("C1-C4 bulging, replaced, ok", [("C1", "cured"), ("C2", "cured"), ("C3", "cured"), ("C4", "cured")]),
        # in German
        ("Relais K2 klebt, ersetzt, schaltet wieder ab", [("K2", "cured")]),
        ("Kalte Lötstelle am LS-Relais K1 nachgelötet, spielt", [("K1", "cured")]),
        ("F1 durch, Brückengl. BD1 hat Schluss. Beides neu, F1 hält, lädt", [("F1", "cured"), ("BD1", "cured")]),
        ("Steckernetzteil getauscht, keine Änderung", [("replace", "no change")]),
        ("U3 getauscht, immer noch tot. Dann Opto, jetzt läuft er", [("U3", "no change"), ("optocoupler", "cured")]),
        ("VDR geplatzt, Sicherung F1 hin. Beides neu, hält", [("varistor", "cured"), ("F1", "cured")]),
        # in French
        ("sonde RT1 remplacée, plus d'erreur", [("RT1", "cured")]),
        ("chimiques C5 et C6 secs -> changés, stable même à froid", [("C5", "cured"), ("C6", "cured")]),
        ("soudure sèche sur le connecteur CN1, refaite, charge bien", [("CN1", "cured")]),
        ("C5 changé sans résultat, C7 changé: plus de ronflement", [("C5", "no change"), ("C7", "cured")]),
        ("bloc secteur changé, pas mieux", [("replace", "no change")]),
        ("varistance éclatée + fusible. Changé les deux, c'est reparti", [("varistor", "cured"), ("fuse", "cured")]),
        # in Dutch
        ("koude soldering bij relais RL1, nagesoldeerd en weer stereo", [("RL1", "cured")]),
        (
            "sensor vervangen, zelfde code. Besturingsprint vervangen: werkt",
            [("sensor", "no change"), ("replace board", "cured")],
        ),
        ("C3 droog, vervangen maar nog steeds. C4 ook, nu goed", [("C3", "no change"), ("C4", "cured")]),
        ("alles vervangen: Q1 en BD1 sluiting, 12,1 V en 24,0 V", [("Q1", "cured"), ("BD1", "cured")]),
        # in Spanish
        ("C8 y C9 cambiados, imagen limpia", [("C8", "cured"), ("C9", "cured")]),
        ("soldadura fría en J1, repasada, bien", [("J1", "cured")]),
        ("probado con otro adaptador y sigue igual", [("replace", "no change")]),
        (
            "varistor reventado y fusible fundido, los dos nuevos, sigue muerto",
            [("varistor", "no change"), ("fuse", "no change")],
        ),
        # in Italian
        ("saldatura fredda sul relè RL1, rifatta, suonano tutti e due", [("RL1", "cured")]),
        (
            "barre led cambiate, niente da fare. driver U4 cambiato, si vede",
            [("light-emitting diode", "no change"), ("U4", "cured")],
        ),
        ("C5 cambiato senza esito, C7 cambiato ronzio sparito", [("C5", "no change"), ("C7", "cured")]),
    ],
)  # fmt: skip
def test_each_fix_is_found_with_what_came_of_it(text: str, wanted: list[tuple[str, str]]) -> None:
    assert fixes(read(text, FAMILY)) == wanted


@pytest.mark.parametrize(
    ("text", "minutes"),
    [
        ("C9 replaced, ok. half an hour", 30),
        ("C9 getauscht, läuft. eine halbe Stunde", 30),
        ("C9 remplacé, ok. 3/4 d'heure", 45),
        ("C9 vervangen, ok. kwartiertje", 15),
        ("C9 cambiado, bien. hora y media", 90),
        ("C9 cambiato, ok. mezz'ora", 30),
    ],
)
def test_time_spent_is_read_where_it_is_said_in_words(text: str, minutes: int) -> None:
    found = read(text)
    assert found.minutes is not None
    assert found.minutes.value == minutes


@pytest.mark.parametrize(
    ("text", "cost"),
    [
        ("Neuer Lüfter 6,90", 6.9),
        ("HV diode shorted, replaced (4.50). Heats", 4.5),
        ("led strips vervangen, 22,50, beeld blijft", 22.5),
        ("pila nueva 1,20", 1.2),
    ],
)
def test_a_bare_number_written_like_a_price_behind_a_fix_is_the_cost(text: str, cost: float) -> None:
    found = read(text)
    assert found.cost is not None
    assert found.cost.value == cost


@pytest.mark.parametrize("text", ["replaced C9, 5.05", "replaced C9, 12V 12.05", "changed R33 10.50 ohm"])
def test_a_voltage_or_value_behind_a_fix_is_no_price(text: str) -> None:
    assert read(text, FAMILY).cost is None


def test_a_short_form_is_read_as_the_word_that_it_begins() -> None:
    found = read("Brückengl. BD1 kurz, getauscht, läuft")
    assert [(one.part, one.part_class) for one in found.attempts] == [("BD1", "bridge rectifier")]


def test_a_contact_that_is_measured_is_of_the_relay_named_before_it() -> None:
    found = read("K2 clicks but contact 18 ohm, replaced, heats")
    assert [(one.point, one.quantity, one.value) for one in found.readings] == [("K2", "ohm", 18)]
    assert [(one.part, one.failure, one.result) for one in found.attempts] == [
        ("K2", "worn contacts", "cured")
    ]
    assert found.symptoms == ()


def test_readings_behind_a_fix_are_taken_after_it() -> None:
    found = read("ripple on 12V 640 mVpp. C8 replaced, ripple down to 45 mV. bulk 388 V. VCC 13.2", FAMILY)
    assert [(one.rail, one.after_repair) for one in found.readings] == [
        ("12V", False), ("12V", True), ("bulk", True), ("VCC", True),
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("text", "wanted"),
    [
        ("nothing from the left speaker", {"one channel silent"}),
        ("sound only comes from the left", {"one channel silent"}),
        ("un seul côté fonctionne", {"one channel silent"}),
        ("geen geluid links", {"one channel silent"}),
        ("Ton nur auf einer Seite", {"one channel silent"}),
        ("se oye por un lado", {"one channel silent"}),
        ("a sinistra niente", {"one channel silent"}),
        ("hangs after a few minutes", {"freezes"}),
        ("picture stands still", {"freezes"}),
        ("bleibt im Menü stehen", {"freezes"}),
        ("music is harsh", {"sound distorted"}),
        ("klinkt blikkerig", {"sound distorted"}),
        ("gives you a jolt off the lid", {"tingle from the case"}),
        ("kast prikt", {"tingle from the case"}),
        ("12V and 24V rails dead", {"more than one output missing"}),
        ("two of the three rails missing", {"more than one output missing"}),
        ("nothing on any output", {"all outputs missing"}),
        ("needs coaxing to start", {"starts only after several tries"}),
        ("fires up eventually", {"starts only after several tries"}),
        ("works with the printer unplugged", {"works unloaded but not in the set"}),
        ("débranché ça marche", {"works unloaded but not in the set"}),
        ("clock goes back to 00:00", {"clock or settings lost"}),
        ("el reloj vuelve a cero", {"clock or settings lost"}),
        ("cuts out when the door slams", {"responds to tapping or flexing"}),
        ("Schlag aufs Gehäuse hilft", {"responds to tapping or flexing"}),
        ("zone 2 dead on the hob", {"heater does not heat"}),
        ("third digit dead", {"display shows garbage"}),
        ("12V max 9.4", {"output voltage low"}),
    ],
)
def test_everyday_wording_is_the_symptom_that_it_means(text: str, wanted: set[str]) -> None:
    assert {one.name for one in read(text, FAMILY).symptoms if one.present} == wanted


@pytest.mark.parametrize(
    ("text", "reading"),
    [
        ("12V sags from 12.1 to 8.4", ("12V", 12.1, 8.4, None)),
        ("12V dips from 12.0 V to 9.8 V when the relay pulls in", ("12V", 12.0, 9.8, None)),
        ("12V bricht von 12,1 auf 8,4 ein", ("12V", 12.1, 8.4, None)),
        ("12V max 9.4", ("12V", None, None, 9.4)),
        ("12V never more than 9 V", ("12V", None, None, 9.0)),
        ("12V nie mehr als 9 V", ("12V", None, None, 9.0)),
    ],
)
def test_a_supply_that_gives_way_and_one_that_is_never_reached_are_one_reading(
    text: str, reading: tuple[str, float | None, float | None, float | None]
) -> None:
    assert [(one.rail, one.value, one.min, one.max) for one in read(text, FAMILY).readings] == [reading]


@pytest.mark.parametrize(
    ("text", "wanted"),
    [
        ("C5 -> same, Q2 -> same, U3 -> works", [("C5", "no change"), ("Q2", "no change"), ("U3", "cured")]),
        ("C5 / no change / U1 / ok", [("C5", "no change"), ("U1", "cured")]),
        ("1) C5 no change 2) C7 picture back", [("C5", "no change"), ("C7", "cured")]),
        ("C5 sans effet / U2 ok", [("C5", "no change"), ("U2", "cured")]),
        ("new fuse, still fine after two days", [("fuse", "cured")]),
        ("fan replaced, stays cool now", [("fan", "cured")]),
        ("C4 renewed, runs all day now", [("C4", "cured")]),
    ],
)
def test_parts_tried_in_turn_and_healthy_behaviour_are_results(
    text: str, wanted: list[tuple[str, str]]
) -> None:
    assert fixes(read(text, FAMILY)) == wanted


@pytest.mark.parametrize(
    ("text", "minutes", "cost"),
    [
        ("C5 replaced. half an hour, 2.50", 30, 2.5),
        ("C5 replaced 35 min 2.40 eur", 35, 2.4),
        ("C5 replaced - forty minutes, three euros", 40, 3),
        ("C5 getauscht. zwanzig Minuten, zwei Euro", 20, 2),
        ("C5 changé. trente minutes, trois euros", 30, 3),
    ],
)
def test_time_and_price_are_read_side_by_side_and_in_words(text: str, minutes: int, cost: float) -> None:
    found = read(text)
    assert found.minutes is not None
    assert found.minutes.value == minutes
    assert found.cost is not None
    assert found.cost.value == cost


def test_the_rest_of_the_sentence_names_the_section() -> None:
    texts = {
        "FET for the backlight shorted, replaced": "backlight output",
        "resistor in the feedback divider open, replaced": "feedback",
        "transistor in the enable circuit open, replaced": "enable and relay",
    }
    assert {text: read(text).attempts[0].section for text in texts} == texts


def test_parts_joined_before_an_action_are_all_acted_on() -> None:
    found = read("heating element and thermal fuse replaced")
    assert {(one.part_class, one.action) for one in found.attempts} == {
        ("heating element", "replace"),
        ("thermal cut-out", "replace"),
    }
