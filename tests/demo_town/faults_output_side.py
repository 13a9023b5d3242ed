"""Kinds of fault behind the switching transformer, on the control side, and in the board itself."""

from __future__ import annotations

from demo_town.fault_kind import FaultKind

OUTPUT_SIDE: tuple[FaultKind, ...] = (
    FaultKind(
        "standby elco", "electrolytic capacitor", "standby output", "high ESR", returns=2, scrap=0.5,
        symptoms="relay clicks repeatedly 72/8, @missing 78, standby voltage low 64/4, high ESR found 58/2, "
        "bulging capacitor 36/30, starts only after several tries 32, standby light blinks 34, hiccup 28, "
        "high ripple 26, fuse blown 0/38, starts only when warm 16, restarts by itself 14",
        rails="standby@standby/none low 88-96, standby low 80-94, switched@running/none pulsing 5-85 ~70, "
        "switched@running pulsing 2-70 ~85, controller supply@running pulsing 30-90 ~50",
        checks="esr_ohm 1.8-14 62, ripple_v@$ 0.16-0.62 38, farad% 15-60 18",
        guesses="relay 12, standby switcher 7, relay driver 6, optocoupler 3",
        cost=(0.4, 1.4), minutes=(15, 32),
        notes=("{part} was {value}, fitted 1000 µF 16 V 105 °C low ESR. Tick gone.",
               "ESR of {part} way up, cap looks perfect from outside. Do the neighbour as well.",
               "Standby sags as soon as the relay pulls, relay lets go, round and round. {part}.",
               "{part} sits right beside the heat sink, no wonder."),
    ),
    FaultKind(
        "$ elco", "electrolytic capacitor", "$", "high ESR", returns=3, scrap=1,
        symptoms="@unsteady 56, high ESR found 62/2, bulging capacitor 58/22, high ripple 46/2, output "
        "voltage low 35, "
        "works unloaded but not in the set 38, starts then shuts down 30, restarts by itself 22, "
        "starts only after several tries 18, fuse blown 0/28, starts only when warm 15, leaking capacitor 10",
        rails="$/none ok, $/test load low 84-95 ~70, $ low 78-93 ~60, $ pulsing 55-98",
        checks="esr_ohm 0.6-7 58, ripple_v@$ 0.3-1.6 45, farad% 20-68 20",
        guesses="optocoupler 7, bulk dried 8",
        cost=(0.5, 2.2), minutes=(18, 38),
        notes=("{part} {value} dry. Changed both of the filter.",
               "Output filter: {part} high ESR, coil between is good.",
               "Low ESR 105 °C type fitted at {part}, ripple down to a tenth."),
    ),
    FaultKind(
        "$ schottky", "Schottky rectifier", "$", "shorted", down="main", returns=5,
        symptoms="output rectifier shorted 86/2, hiccup 66/2, output rail shorted to ground 62/2, @missing "
        "70, "
        "high-pitched whine 22, starts then shuts down 25, all outputs missing 40, fuse blown 3/40, burnt "
        "smell 10",
        rails="$ absent ~70, $ pulsing 0-25, outputs pulsing 0-35 ~80",
        checks="ohm@{part} A-K 0.3-6 40, diode_v@{part} A-K 0.001-0.02 35",
        guesses="$ elco 12, main controller 6",
        cost=(0.6, 1.9), minutes=(20, 40),
        notes=("{part} {value} shorted one half.", "Squeals and pulses; pulled {part}, comes up at once."),
    ),
    FaultKind(
        "fast rectifier", "fast rectifier", "$", "leaky", returns=4,
        symptoms="one output missing 45, output voltage low 60/2, @unsteady 60, part too hot to touch 30, "
        "display dim or fading 20, high-pitched whine 15",
        rails="$ low 40-80 ~75, $ absent",
        checks="diode_v@{part} 0.05-0.28 45, celsius@{part} 78-118 15",
        guesses="$ elco 16",
        cost=(0.15, 0.8), minutes=(18, 35),
        notes=("{part} leaky when warm, {value}.", "Reverse leakage in {part}; drop reads low against its "
               "twin."),
    ),
    FaultKind(
        "buck", "buck regulator", "logic output", "intermittent", returns=4,
        symptoms="restarts by itself 52, @missing 45, one output missing 42, part too hot to touch 45/3, "
        "output voltage low 35, error code shown 14, display shows garbage 6, fails when warm 35",
        rails="logic low 70-93 ~55, logic pulsing 20-98 ~60, logic absent",
        checks="celsius@{part} 76-112 30",
        guesses="$ elco 14, supervisor 6",
        cost=(0.8, 2.6), minutes=(25, 50),
        notes=("{part} gets too hot and lets the logic rail dip.", "Step-down {part}, eight legs, generic "
               "type fits."),
    ),
    FaultKind(
        "linear", "linear regulator", "logic output", "drifted", returns=3,
        symptoms="one output missing 40, buttons do not respond 35, @unsteady 45, output voltage low 40, "
        "part too hot to touch 40, restarts by itself 25, display dim or fading 12",
        rails="logic low 30-88 ~60, logic absent ~50, logic high 110-150",
        checks="celsius@{part} 70-105 22",
        guesses="$ elco 10, ceramic 4",
        cost=(0.3, 0.9), minutes=(15, 30),
        notes=("{part} (78-type) swapped.", "Three-legged regulator {part}, joint and part both tired."),
    ),
    FaultKind(
        "ceramic", "ceramic capacitor", "logic output", "shorted", returns=2,
        symptoms="output rail shorted to ground 82/2, @missing 62, one output missing 45, part too hot to "
        "touch 40, "
        "buttons do not respond 25, dropped or mechanical damage 12, fuse blown 10/25",
        rails="logic absent ~75, logic low 10-35",
        checks="ohm@{part} 0.2-4 55",
        guesses="buck 12, linear 12, zener 6",
        cost=(0.05, 0.4), minutes=(30, 70),
        notes=("Fed 1 V 2 A into the rail, {part} got warm first. {value}.", "Cracked ceramic {part} next "
               "to the screw."),
    ),
    FaultKind(
        "zener", "zener diode", "protection", "shorted", returns=5, season="storm",
        symptoms="output rail shorted to ground 70/2, @missing 60, one output missing 35, hiccup 30, "
        "failed after a power cut or storm 40, all outputs missing 30, fuse blown 20/25",
        rails="$ absent ~80, $ pulsing 0-20, outputs absent",
        checks="ohm@{part} 0.2-5 50",
        guesses="$ schottky 10, ceramic 8",
        cost=(0.1, 0.7), minutes=(18, 40),
        notes=("Clamp {part} {value} did its duty and died. Looked for the cause: none, likely surge.",),
    ),
    FaultKind(
        "led strip", "light-emitting diode", "backlight output", "open", returns=10, scrap=12,
        symptoms="backlight goes off after seconds 80/2, uneven backlight 34, backlight off 40, "
        "backlight flickers 22, dim picture 12, burnt part seen 10, standby voltage low 0/10",
        rails="backlight@running/in the set pulsing 0-122 ~70, backlight@running/in the set absent",
        guesses="backlight driver 14, backlight mosfet 5",
        cost=(6.0, 18.0), minutes=(50, 100),
        notes=("One LED of {part} open, found with the strip tester. All strips replaced together.",
               "Picture fine by torch. {part}, third LED black.",
               "Diffuser lens had dropped off too; glued."),
    ),
    FaultKind(
        "backlight driver", "backlight driver IC", "backlight output", "no oscillation", returns=5,
        symptoms="backlight off 88/2, sound but no picture 18, one output missing 30, cracked part seen 14, "
        "enable line missing 2/25, part too hot to touch 14, backlight goes off after seconds 15",
        rails="backlight@running absent ~50, backlight@running low 22-48",
        checks="celsius@{part} 58-92 12",
        guesses="backlight mosfet 10, led strip 12",
        cost=(1.4, 3.8), minutes=(40, 75),
        notes=("Enable and supply present, no gate drive from {part}. Hot air, new one.",),
    ),
    FaultKind(
        "backlight mosfet", "MOSFET", "backlight output", "shorted", down="main", returns=7,
        symptoms="backlight off 72, output rail shorted to ground 55/2, hiccup 35, burnt part seen 40, fuse "
        "blown 35/20, "
        "burnt smell 30, smoke seen 20, @missing 35",
        rails="backlight absent, intermediate pulsing 5-50 ~55",
        checks="diode_v@{part} D-S 0.001-0.02 55",
        guesses="backlight driver 8, led strip 6",
        cost=(0.9, 2.4), minutes=(30, 60),
        notes=("{part} shorted, boost diode with it, coil browned but good.",),
    ),
    FaultKind(
        "relay", "relay", "enable and relay", "worn contacts", returns=4,
        symptoms="intermittent 48, @missing 55, one output missing 25, buzzing from the board 20, "
        "responds to tapping or flexing 35, relay does not click 12/30, discoloured board 18, heats all the "
        "time 5",
        checks="ohm@{part} contact 0.8-60 58",
        guesses="relay driver 10, joints 12",
        cost=(1.6, 4.2), minutes=(18, 35),
        notes=("Contacts of {part} burnt, {value}.", "{part} switches but the contact is open "
               "every third time."),
    ),
    FaultKind(
        "relay driver", "bipolar transistor", "enable and relay", "open", down="main", returns=3,
        symptoms="relay does not click 84/2, standby light on but will not start 58, @missing 55, "
        "enable line missing 22/25, fuse blown 0/25, no standby voltage 0/25",
        checks="diode_v@{part} B-E 1.1-2.6 35",
        guesses="relay 20, main controller 5",
        cost=(0.05, 0.4), minutes=(18, 35),
        notes=("{part} {value}, base-emitter open. Coil diode checked.", "SMD transistor {part} swapped for "
               "a common NPN."),
    ),
    FaultKind(
        "triac shorted", "triac or thyristor", "other", "shorted", returns=6,
        symptoms="heats all the time 86/1, trips the mains breaker 12, burnt smell 18, error code shown 22, "
        "part too hot to touch 15",
        checks="ohm@{part} 1-2 0.2-8 62",
        guesses="sensor 12",
        cost=(0.9, 2.2), minutes=(20, 40),
        notes=("{part} shorted MT1-MT2; the heater insulation measured first, good.",),
    ),
    FaultKind(
        "triac open", "triac or thyristor", "other", "open", returns=5,
        symptoms="heater does not heat 85/2, motor does not run 18, error code shown 30, burnt part seen 14",
        checks="dc_v@{part} gate 0.0-0.3 22",
        guesses="relay 10, sensor 10",
        cost=(0.9, 2.2), minutes=(20, 40),
        notes=("{part} {value} dead, gate drive is there.",),
    ),
    FaultKind(
        "sensor", "sensor", "other", "drifted", returns=5,
        symptoms="error code shown 82, heater does not heat 35, heats all the time 16, starts then shuts "
        "down 25",
        checks="ohm% 130-420 62",
        guesses="memory 4, sense divider 8",
        cost=(1.5, 5.0), minutes=(15, 30),
        notes=("{part} {value} reads wrong cold. New one clipped to the same place.",),
    ),
    FaultKind(
        "memory", "memory", "other", "intermittent", action="reprogram", returns=7, scrap=8,
        symptoms="error code shown 55, clock or settings lost 62, display shows garbage 30, @missing 25, "
        "failed after a power cut or storm 25, restarts by itself 22",
        guesses="supervisor 12, battery 8",
        cost=(0.3, 1.2), minutes=(35, 70),
        notes=("{part} read out, checksum wrong; copied the contents from a sister board.",),
    ),
    FaultKind(
        "battery", "battery", "other", "leaking electrolyte", returns=2,
        symptoms="clock or settings lost 88/1, corrosion on the board 35, error code shown 22, buttons do "
        "not respond 10",
        checks="dc_v@{part} 0.05-1.9 70",
        cost=(1.0, 3.0), minutes=(15, 35),
        notes=("{part} empty and starting to leak, pads neutralised.",),
    ),
    FaultKind(
        "supervisor", "supervisor IC", "protection", "drifted", returns=4,
        symptoms="restarts by itself 70, starts then shuts down 45, intermittent 25, error code shown 15, "
        "hiccup 12",
        rails="logic ok, outputs ok",
        checks="dc_v@{part} reset 0.3-2.4 40",
        guesses="$ elco 12, buck 10",
        cost=(0.4, 1.3), minutes=(30, 65),
        notes=("{part} pulls reset although all rails are in order.",),
    ),
    FaultKind(
        "microcontroller", "microcontroller", "other", "no oscillation", returns=2, scrap=62,
        symptoms="buttons do not respond 55, @missing 60, display shows garbage 28, error code shown 22, "
        "failed after a power cut or storm 35, part too hot to touch 25",
        rails="logic low 78-95 ~40",
        guesses="crystal 20, memory 14, supervisor 10",
        cost=(4.0, 9.0), minutes=(60, 110),
        notes=("Processor {part} from a donor board, with its program.",),
    ),
    FaultKind(
        "crystal", "crystal", "other", "no oscillation", returns=3,
        symptoms="buttons do not respond 50, @missing 55, intermittent 30, responds to tapping or flexing "
        "32, "
        "dropped or mechanical damage 28, display shows garbage 20",
        checks="hz@{part} 0.0-0.0 30",
        guesses="supervisor 10, memory 6",
        cost=(0.3, 0.9), minutes=(20, 45),
        notes=("{part} {value} stopped, starts when touched.",),
    ),
    FaultKind(
        "op-amp", "op-amp or comparator", "protection", "drifted", returns=4,
        symptoms="@missing 45, output voltage low 40, @unsteady 45, starts then shuts down 30, part too hot "
        "to touch 12",
        rails="$ low 86-96 ~75, $ ok",
        checks="dc_v@{part} out 0.1-1.4 30",
        guesses="reference 14, current shunt 10, trimmer 8",
        cost=(0.3, 0.9), minutes=(30, 60),
        notes=("{part} (dual, common type) offset far out.",),
    ),
    FaultKind(
        "current shunt", "current sense resistor", "protection", "drifted", returns=4,
        symptoms="@missing 50, output voltage low 36, works unloaded but not in the set 62, burnt part seen "
        "25, "
        "current sense resistor open 30/6",
        rails="$/none ok, $/in the set low 78-93",
        checks="ohm% 130-420 50, amp@output 0.1-1.3 40",
        guesses="$ elco 12, op-amp 10",
        cost=(0.2, 0.9), minutes=(25, 45),
        notes=("{part} {value} drifted, limit came far too early.",),
    ),
    FaultKind(
        "trimmer", "potentiometer", "feedback", "worn contacts", action="adjust", returns=18,
        symptoms="output voltage high 35, output voltage low 40, intermittent 30, responds to tapping or "
        "flexing 34, "
        "@unsteady 35",
        rails="$ high 103-112 ~45, $ low 88-97",
        guesses="reference 10",
        cost=(0.0, 0.8), minutes=(10, 25),
        notes=("{part} turned ten times both ways, cleaned, set to 13.80 V and sealed.",),
    ),
    FaultKind(
        "audio transistor", "bipolar transistor", "audio output", "shorted", returns=8,
        symptoms="picture but no sound 70, output rail shorted to ground 45, hiccup 35, fuse blown 25/20, "
        "part too hot to touch 30, hum from speakers 25, burnt smell 15",
        rails="audio pulsing 5-60 ~60, audio low 60-88",
        checks="diode_v@{part} C-E 0.001-0.02 55",
        guesses="$ schottky 12",
        cost=(1.5, 4.5), minutes=(35, 70),
        notes=("{part} and its partner as a pair, bias set again.",),
    ),
    FaultKind(
        "fan", "fan", "other", "worn contacts", returns=3,
        symptoms="fan does not run 78/2, fails when warm 62, part too hot to touch 45, insects or dirt "
        "inside 42, "
        "buzzing from the board 20, error code shown 30",
        checks="celsius@heat sink 82-115 35",
        guesses="sensor 8",
        cost=(4.0, 9.5), minutes=(20, 40),
        notes=("{part} full of grease, bearing stiff. New one {value}.",),
    ),
    FaultKind(
        "buttons", "switch", "other", "worn contacts", returns=5,
        symptoms="buttons do not respond 90/1, intermittent 30, failed after a spill or damp 22",
        checks="ohm@{part} pressed 40-900 60",
        guesses="memory 4",
        cost=(0.4, 2.5), minutes=(20, 45),
        notes=("All push buttons of {part} changed, 6 mm standard type.",),
    ),
    FaultKind(
        "display module", "display module", "other", "burnt", returns=3, scrap=45, action="replace board",
        symptoms="display dim or fading 62, display shows garbage 45, no picture 35",
        checks="ac_v@filament 2.9-3.3 40",
        guesses="fast rectifier 16, $ elco 12",
        cost=(15.0, 35.0), minutes=(40, 80),
        notes=("Segments worn out, glass from a scrapped panel.",),
    ),
    FaultKind(
        "joints", "solder joint", "board and joints", "cracked joint", action="resolder", returns=5,
        scrap=0.5,
        symptoms="intermittent 68, responds to tapping or flexing 64/2, cracked solder joint seen 72/5, "
        "fails when warm 22, "
        "@missing 34, @unsteady 34, restarts by itself 18, dropped or mechanical damage 8, fuse blown 0/14",
        rails="$ pulsing 0-99 ~40, $ absent ~20, outputs pulsing 40-100 ~14",
        guesses="relay 7, $ elco 10, optocoupler 4",
        cost=(0.0, 0.15), minutes=(15, 35),
        notes=("Ring cracks at {part}, all heavy parts resoldered with leaded wire.",
               "Vibration from the engine room: {part} loose in its holes.",
               "Found with the wooden stick: {part}. Reflowed the whole row."),
    ),
    FaultKind(
        "corrosion", "circuit board", "board and joints", "corroded", action="clean", returns=13, scrap=24,
        symptoms="corrosion on the board 88/2, failed after a spill or damp 58, intermittent 38, damaged "
        "track or via 42, "
        "@missing 36, buttons do not respond 16, error code shown 12, trips the mains breaker 10",
        rails="logic low 60-93 ~30, outputs low 70-94 ~14, outputs absent ~14",
        guesses="joints 12, $ elco 7",
        cost=(0.1, 1.5), minutes=(40, 95),
        notes=("Salt crust round {part}, washed, brushed, dried overnight, tracks bridged with wire.",
               "Green under the lacquer at {part}. Seal of the housing is gone, told them.",
               "Verdigris everywhere. Cleaned and lacquered, no promise given."),
    ),
    FaultKind(
        "connector", "connector", "board and joints", "corroded", returns=7,
        symptoms="intermittent 56, responds to tapping or flexing 55, @unsteady 46, one output missing 26, "
        "corrosion on the board 34, burnt part seen 24, discoloured board 16, failed after a spill or damp "
        "22",
        rails="$/in the set low 80-94 ~55, $/in the set pulsing 30-99 ~50",
        checks="ohm@{part} 0.4-18 35",
        guesses="joints 14, $ elco 8",
        cost=(0.4, 2.2), minutes=(20, 40),
        notes=("Pins of {part} green, plug and socket both replaced.", "{part} browned by heat, one pin had "
               "no spring left."),
    ),
    FaultKind(
        "cable", "cable", "board and joints", "intermittent", returns=6,
        symptoms="intermittent 55, @unsteady 45, responds to tapping or flexing 60, lines or bars in the "
        "picture 5, "
        "@missing 30, dropped or mechanical damage 15",
        guesses="connector 14, joints 12",
        cost=(0.5, 3.0), minutes=(15, 35),
        notes=("Ribbon {part} broken at the fold.", "Wire in {part} broken inside the insulation."),
    ),
)  # fmt: skip
