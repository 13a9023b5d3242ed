"""What people write is read: short phrases of the trade in six languages, each with what it says.

The phrases are our own; common practice, no published source.
"""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from kb.reading import Known, KnownPart, KnownRail, Read, read

FAMILY = Known(
    rails=(
        KnownRail("5VSB", "standby", 5.0, True),
        KnownRail("12V", "intermediate", 12.0),
        KnownRail("24V", "backlight", 24.0),
        KnownRail("3V3", "logic", 3.3),
    ),
    parts=(KnownPart("D12", "Schottky rectifier", "intermediate output"),),
)


def names(found: Read) -> set[str]:
    return {("" if one.present else "!") + one.name for one in found.symptoms}


@pytest.mark.parametrize(
    ("text", "wanted"),
    [
        ("dead, fuse blown", {"dead", "fuse blown"}),
        ("completely dead", {"dead"}),
        ("wont turn on", {"dead"}),
        ("relay clicks, no picture", {"relay clicks repeatedly", "no picture"}),
        ("Relais klickt, kein Bild", {"relay clicks repeatedly", "no picture"}),
        ("le relais claque, pas d'image", {"relay clicks repeatedly", "no picture"}),
        ("relais klikt, geen beeld", {"relay clicks repeatedly", "no picture"}),
        ("el relé hace clic, sin imagen", {"relay clicks repeatedly", "no picture"}),
        ("il relè scatta, nessuna immagine", {"relay clicks repeatedly", "no picture"}),
        ("does not work", {"does not work"}),
        ("Gerät geht nicht", {"does not work"}),
        ("ne marche pas", {"does not work"}),
        ("doet het niet", {"does not work"}),
        ("no funciona", {"does not work"}),
        ("non funziona", {"does not work"}),
        ("relay ticks", {"relay clicks repeatedly"}),
        ("no standby", {"no standby voltage"}),
        ("goes off when hot", {"fails when warm"}),
        ("wont boot", {"does not boot"}),
        ("trips the electrics", {"trips the mains breaker"}),
        ("FI fliegt raus", {"trips the residual-current device"}),
        ("smells burnt", {"burnt smell"}),
        ("squeals", {"high-pitched whine"}),
        ("picture for 2 s then dark", {"backlight goes off after seconds"}),
        ("relay clicks once", {"relay clicks once"}),
        ("no 12 V and no 24 V", {"more than one output missing"}),
        ("Sicherung ok", {"!fuse blown"}),
        ("fuse not blown", {"!fuse blown"}),
        ("no hum or smoke", {"!hum from speakers", "!smoke seen"}),
        ("kein Rauch", {"!smoke seen"}),
        ("Elko aufgebläht", {"bulging capacitor"}),
        ("condensateur gonflé", {"bulging capacitor"}),
        ("condensador hinchado", {"bulging capacitor"}),
        ("flackernde Anzeige", {"backlight flickers"}),
        ("flikkert", {"backlight flickers"}),
        ("Trommel dreht nicht", {"motor does not run"}),
        ("does not charge", {"does not charge"}),
        ("laadt niet", {"does not charge"}),
        ("ton da, kein bild", {"sound but no picture"}),
    ],
)
def test_a_symptom_is_read_whatever_the_language(text: str, wanted: set[str]) -> None:
    assert names(read(text)) == wanted


@pytest.mark.parametrize(
    "text",
    [
        "Kondensator C5",
        "condensator vervangen",
        "Pumpe bestellt",
        "pump ordered",
        "changed it, no change",
        "No spares",
        "Leiterbahn flicken",
        "clicked the plug back into place",
        "smoke test passed",
        "no charge for this one",
        "please ring before Friday",
        "bridge display collected by the customer",
        "tick all boxes on the form",
        "waterpomp",
    ],
)
def test_words_that_only_look_like_a_fault_are_no_symptom(text: str) -> None:
    assert names(read(text)) == set()


def test_a_message_of_an_error_is_an_error_and_not_its_absence() -> None:
    assert names(read("NOT WORKING - GETTING ERROR MESSAGE")) == {"error code shown"}


@pytest.mark.parametrize(
    ("text", "wanted"),
    [
        ("standby 0 V", ("5VSB", "dc_v", 0.0, None, None, "standby", False)),
        ("standby 4.2", ("5VSB", "dc_v", 4.2, None, None, "standby", False)),
        ("12 V = 9,4 V", ("12V", "dc_v", 9.4, None, None, None, False)),
        ("vcc cycling 9 to 16", ("vcc", "dc_v", None, 9.0, 16.0, None, False)),
        ("24V pulsiert zwischen 3 und 9 V", ("24V", "dc_v", None, 3.0, 9.0, None, False)),
        ("12V 9.4 - 11.5", ("12V", "dc_v", None, 9.4, 11.5, None, False)),
        ("12V 0-3V", ("12V", "dc_v", None, 0.0, 3.0, None, False)),
        ("5VSB back at 5.08", ("5VSB", "dc_v", 5.08, None, None, "standby", True)),
        ("5VSB wieder 5,08 V", ("5VSB", "dc_v", 5.08, None, None, "standby", True)),
        ("nur 9 V auf der 12V", ("12V", "dc_v", 9.0, None, None, None, False)),
        ("385 on bulk", ("bulk", "dc_v", 385.0, None, None, None, False)),
        ("24V ripple 120 mV", ("24V", "ripple_v", 0.12, None, None, None, False)),
    ],
)
def test_a_reading_has_its_supply_value_and_state(text: str, wanted: tuple[object, ...]) -> None:
    (one,) = read(text, FAMILY).readings
    got = (one.rail, one.quantity, one.value, one.min, one.max, one.supply, one.after_repair)
    assert got == pytest.approx(wanted)


@pytest.mark.parametrize(
    ("tolerance_pct", "text", "wanted"),
    [
        (None, "5VSB 4.7 V", {"standby voltage low"}),
        (5.0, "5VSB 4.7 V", {"standby voltage low"}),
        (5.0, "5VSB 4.75 V", set()),
        (10.0, "5VSB 4.7 V", set()),
        (3.0, "5VSB 4.8 V", {"standby voltage low"}),
        (None, "12V 11.2 V", set()),
        (5.0, "12V 11.2 V", {"output voltage low"}),
        (15.0, "12V 10.5 V", set()),
        (5.0, "12V 12.7 V", {"output voltage high"}),
    ],
)
def test_a_reading_is_low_or_high_by_what_the_family_states_as_on_the_bench(
    tolerance_pct: float | None, text: str, wanted: set[str]
) -> None:
    rails = tuple(replace(one, tolerance_pct=tolerance_pct) for one in FAMILY.rails)
    assert names(read(text, Known(rails=rails))) == wanted


@pytest.mark.parametrize(
    ("text", "result", "symptoms"),
    [
        ("Swapped C9 last year.", None, set()),
        ("dead. Swapped C9 last year", None, {"dead"}),
        ("replaced C9 in 2019, now dead", "no change", {"dead"}),
        ("C9 vor zwei Jahren getauscht, jetzt wieder tot", "no change", {"dead"}),
        ("replaced C9 in 2019, runs fine since", "cured", set()),
        ("changed C31 last week, all fine", "cured", set()),
    ],
)
def test_when_a_fix_was_made_is_not_what_came_of_it(
    text: str, result: str | None, symptoms: set[str]
) -> None:
    found = read(text)
    assert [one.result for one in found.attempts] == [result]
    assert names(found) == symptoms


@pytest.mark.parametrize(
    ("text", "wanted"),
    [
        ("replaced the 22u/50V start cap", [("electrolytic capacitor", "replace", None)]),
        ("fitted a new start relay", [("relay", "replace", None)]),
        ("replaced on/off switch", [("switch", "replace", None)]),
        ("replaced the switch, starts", [("switch", "replace", "cured")]),
        ("changed Q1, fuse still blows", [("MOSFET", "replace", "no change")]),
        ("new caps, display still dark", [("electrolytic capacitor", "replace", "no change")]),
        ("new fuse, bridge", [("fuse", "replace", None), ("bridge rectifier", "replace", None)]),
        ("relay pulled in, no output", []),
        ("pulled the relay, still dead", [("relay", "remove", "no change")]),
    ],
)
def test_what_was_done_is_told_from_what_a_part_is_called_and_does(
    text: str, wanted: list[tuple[str, str, str | None]]
) -> None:
    assert [(one.part_class, one.action, one.result) for one in read(text).attempts] == wanted


def test_a_screen_that_stays_black_is_no_burnt_part() -> None:
    found = read("Swapped the backlight transformer from a scrap board, still black.")
    assert "burnt part seen" not in names(found)
    assert [(one.part_class, one.failure, one.result) for one in found.attempts] == [
        ("transformer", None, "no change")
    ]
    assert "burnt part seen" in names(read("transformer black and smelly"))


@pytest.mark.parametrize(
    "text",
    [
        "came in dead from the harbour office",
        "Brought in dead by the café",
        "kam tot aus dem Hafenbüro zu uns",
    ],
)
def test_how_a_board_came_in_is_read_whoever_brought_it(text: str) -> None:
    assert names(read(text)) == {"dead"}
    assert "dead" not in names(read("he came to see the dead birds on the pier yesterday"))


@pytest.mark.parametrize(
    ("text", "wanted"),
    [
        ("Bulk only 298V at 230 in, PFC not boosting", [("Bulk", 298.0)]),
        ("bulk 325 with 230 mains", [("bulk", 325.0)]),
        ("12V 12.1 in the set, 24V 24.0 in.", [("12V", 12.1), ("24V", 24.0)]),
    ],
)
def test_what_a_board_is_fed_with_is_no_reading(text: str, wanted: list[tuple[str, float]]) -> None:
    assert [(one.rail, one.value) for one in read(text).readings] == wanted


def test_a_no_alone_and_a_pair_belong_to_what_was_done() -> None:
    tried = read("The FET Q1 got a bulge?? changed, no. Then found fuse F2 popped. changed now heats")
    assert [(one.part, one.result) for one in tried.attempts] == [("Q1", "no change"), ("F2", "cured")]
    pair = read("Output pair Q5 Q6: Q6 open. Pair replaced, 2.1A.")
    assert [(one.part, one.failure, one.result) for one in pair.attempts] == [
        ("Q5", None, "cured"),
        ("Q6", "open", "cured"),
    ]


@pytest.mark.parametrize(
    ("name", "text", "look_alike"),
    [
        ("smoke seen", "smoke machine, pump runs, no fog", "smoke from the machine"),
        ("smoke seen", "smoke alarm in the galley wont go quiet", "smoke and a bang"),
        ("failed after a spill or damp", "LED driver, flood light, strobing", "flood damaged light"),
        ("arcing or sparks", "spark plug tester does nothing", "spark at the plug"),
        ("does not charge", "nothing wrong, 2 h soak test. nothing charged", "phone on it: no charge"),
        ("works unloaded but not in the set", "Not tested in set yet", "fine on the bench, not in the set"),
    ],
)
def test_what_a_thing_is_called_and_what_a_job_costs_is_no_symptom(
    name: str, text: str, look_alike: str
) -> None:
    assert name not in names(read(text))
    assert name in names(read(look_alike))


def test_words_of_sheets_of_repair_days_mean_what_they_mean_there() -> None:
    cell = read("clock loses time in every power cut, new cr2032")
    assert [(one.part, one.part_class) for one in cell.attempts] == [(None, "battery")]
    assert names(read("kettle: knocks off RCD")) == {"trips the residual-current device"}
    assert names(read("display gone faint")) == {"display dim or fading"}
    assert "insects or dirt inside" not in names(read("dirty volume pot cleaned, both sides play"))
    assert "insects or dirt inside" in names(read("inside it was dirty, full of dust"))


def test_a_ripple_is_high_by_its_own_value() -> None:
    assert "high ripple" not in names(read("ripple 30 mV on 12V"))
    assert "high ripple" in names(read("12V ripple 400 mV"))


def test_a_series_resistance_belongs_to_the_part_named_before_it() -> None:
    (one,) = read("C9 ESR 4,2 Ohm").readings
    assert (one.point, one.quantity, one.value, one.supply) == ("C9", "esr_ohm", 4.2, "unpowered")


@pytest.mark.parametrize(
    "text",
    [
        "changed C9 1000uF 16V",
        "R12 0R22 replaced",
        "after 20 min",
        "2 to 3 times",
        "HX-210 rev 2",
        "fitted T3.15A",
        "5 boards",
    ],
)
def test_printed_values_times_and_counts_are_no_reading(text: str) -> None:
    assert read(text, FAMILY).readings == ()


def test_each_part_of_one_sentence_is_a_fix_and_the_cause_is_told_from_what_followed() -> None:
    found = read("fuse blown, bridge and Q1 shorted, all replaced", FAMILY).attempts
    assert [(one.part, one.part_class, one.section, one.failure, one.action, one.cause) for one in found] == [
        (None, "fuse", "mains input", "open", "replace", False),
        (None, "bridge rectifier", "inrush and rectifier", "shorted", "replace", False),
        ("Q1", "MOSFET", "main converter", "shorted", "replace", True),
    ]


def test_each_fix_has_its_own_result() -> None:
    found = read("changed C9 and C12, no good · changed C31, all fine").attempts
    assert [(one.part, one.result) for one in found] == [
        ("C9", "no change"),
        ("C12", "no change"),
        ("C31", "cured"),
    ]


def test_the_section_comes_from_the_supply_that_is_named_and_from_earlier_cases() -> None:
    found = read("5VSB low, C9 high ESR, replaced. D12 shorted", FAMILY).attempts
    assert [(one.part, one.part_class, one.section) for one in found] == [
        ("C9", "electrolytic capacitor", "standby output"),
        ("D12", "Schottky rectifier", "intermediate output"),
    ]


@pytest.mark.parametrize(
    ("text", "minutes"),
    [
        ("C9 replaced. 1h", 60),
        ("2h30", 150),
        ("45 min", 45),
        ("1 h 15", 75),
        ("1,5 h Arbeit", 90),
        ("1/2 hr", 30),
    ],
)
def test_time_spent_is_read(text: str, minutes: int) -> None:
    found = read(text).minutes
    assert found is not None
    assert found.value == minutes


@pytest.mark.parametrize(
    "text", ["goes off after 40 min", "about 40 mins in it stops", "soaked for 2 h", "every 5 minutes"]
)
def test_other_times_are_not_time_spent(text: str) -> None:
    assert read(text).minutes is None


@pytest.mark.parametrize(
    ("text", "cost"),
    [("2 quid", 2.0), ("14.50 in parts", 14.5), ("1,80 €", 1.8), ("€3", 3.0), ("40 mins, 0.50", 0.5)],
)
def test_the_cost_of_parts_is_read(text: str, cost: float) -> None:
    found = read(text).cost
    assert found is not None
    assert found.value == cost


@pytest.mark.parametrize(
    ("text", "verdict"),
    [
        ("nothing wrong found", "no fault found"),
        ("customer declined", "declined"),
        ("not worth repairing", "not economical"),
    ],
)
def test_how_the_job_ended_is_read(text: str, verdict: str) -> None:
    found = read(text).verdict
    assert found is not None
    assert found.value == verdict


def test_days_are_read_and_are_no_readings() -> None:
    found = read("12V dead since 12.03.2026, seen 2026-03-15", FAMILY)
    assert [day.value for day in found.dates] == ["2026-03-12", "2026-03-15"]
    assert found.readings == ()


def test_what_could_not_be_placed_comes_back() -> None:
    assert [one.words for one in read("dead, gurgling flonkometer").left] == ["gurgling flonkometer"]


def test_a_shops_own_names_are_read() -> None:
    known = Known(
        symptoms=(("telly gurgles", ("gurgling telly",)),), part_classes=(("flonk module", ("flonker",)),)
    )
    found = read("the gurgling telly again, replaced flonker", known)
    assert names(found) == {"telly gurgles"}
    assert [(one.part_class, one.action) for one in found.attempts] == [("flonk module", "replace")]


def test_a_slip_is_mended_towards_a_word_of_the_trade() -> None:
    assert names(read("intermitent")) == {"intermittent"}


PIECES = """
dead no not C9 Q1 12V 5VSB = 9,4 V replaced fuse blown kein Bild , . ; ( ) + and und relay clicks 2h30 2 quid
12.03.2026 esr 4,2 Ohm back at 5.08 - -> to bis nicht pas ne plus ripple 120 mV all fine changed
"""
SAMPLES = st.lists(st.sampled_from(PIECES.split()), max_size=60).map(" ".join)


@settings(max_examples=150, deadline=None)
@given(st.one_of(st.text(max_size=300), SAMPLES))
def test_nothing_that_is_written_raises_and_every_place_holds_its_words(text: str) -> None:
    found = read(text, FAMILY)
    for mark in (*found.marks(), *found.left):
        assert text[mark.start : mark.end] == mark.words
        assert 0 <= mark.start < mark.end <= len(text)


@pytest.mark.parametrize(
    ("text", "wanted"),
    [
        ("triac Q5 dead, pump not running", {"motor does not run"}),
        ("not working, no picture", {"no picture"}),
        ("12V dips to 9.1 on load, 12.6 off load", {"output voltage low"}),
        ("charge lamp off, not charging", {"does not charge"}),
        ("display shows E04", {"error code shown"}),
        ("main cap 68uF of 150", {"bulk capacitor low or open"}),
        ("output 13.1 should be 13.8", {"output voltage low"}),
    ],
)
def test_a_symptom_is_of_the_board_and_not_of_what_stands_beside_it(text: str, wanted: set[str]) -> None:
    assert names(read(text)) == wanted


@pytest.mark.parametrize(
    ("text", "wanted"),
    [
        ("rpl C9,C12 = ok", [("C9", "replace", "cured"), ("C12", "replace", "cured")]),
        ("new fuse and it works", [(None, "replace", "cured")]),
        ("D5 ok, Q3 shorted", [("Q3", None, None)]),
        ("NTC open. NTC replaced", [(None, "replace", None)]),
        ("relay welded. fitted new RY1", [("RY1", "replace", None)]),
        ("no 24V. D31 s/c. 24V ok 24.2", [("D31", "replace", "cured")]),
        ("replaced psu board, works", [(None, "replace board", "cured")]),
        # A customer gets back what works, unless the text says otherwise.
        ("K1 replaced. Back to the customer", [("K1", "replace", "cured")]),
        ("K1 replaced. Returned to the customer unrepaired", [("K1", "replace", None)]),
        ("replaced fuse. please send back", [(None, "replace", None)]),
        ("swapped the display, picture back", [(None, "replace", "cured")]),
        # "neu" belongs to the part and not to the first word of the next sentence.
        ("C9 neu. läuft", [("C9", "replace", "cured")]),
        ("C9 neu. keine Änderung", [("C9", "replace", "no change")]),
        ("K1 nieuw. werkt weer", [("K1", "replace", "cured")]),
    ],
)
def test_parts_are_read_once_with_what_came_of_them(
    text: str, wanted: list[tuple[str | None, str | None, str | None]]
) -> None:
    assert [(one.part, one.action, one.result) for one in read(text, FAMILY).attempts] == wanted


def test_a_value_that_changed_is_the_failure_and_a_reading_of_the_part() -> None:
    found = read("C9 470u down to 90u, R33 gone from 10k to 14k")
    assert [(one.part, one.failure) for one in found.attempts] == [
        ("C9", "lost capacitance"),
        ("R33", "drifted"),
    ]
    assert [(one.point, one.quantity, one.value) for one in found.readings] == [
        ("C9", "farad", pytest.approx(90e-6)),
        ("R33", "ohm", pytest.approx(14_000)),
    ]


def test_a_voltage_printed_on_a_capacitor_is_no_reading() -> None:
    assert [one.value for one in read("vcc 8.2 V, C8 22uF 50V replaced").readings] == [8.2]


def test_the_section_is_the_commonest_of_its_class_where_nothing_says_it() -> None:
    # The shares of kb/facts/data/fault_catalogue.toml.
    assert read("VR1 adjusted").attempts[0].section == "feedback"
