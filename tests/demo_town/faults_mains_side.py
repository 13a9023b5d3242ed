"""Kinds of fault on the mains side: inlet to switching transformer, standby converter, feedback."""

from __future__ import annotations

from demo_town.fault_kind import FaultKind

MAINS_SIDE: tuple[FaultKind, ...] = (
    FaultKind(
        "varistor", "varistor", "mains input", "shorted", down="mains", season="storm", returns=1,
        symptoms="dead 95, fuse blown 93/2, failed after a power cut or storm 85, burnt part seen 65/5, "
        "burnt smell 50, bang heard 35, trips the mains breaker 25, cracked part seen 25, all outputs "
        "missing 30",
        checks="ohm@{part} 2-60 35",
        guesses="mains fuse 25, bridge 6",
        cost=(0.6, 1.8), minutes=(15, 30),
        notes=("{part} split in two, soot on the fuse clip cleaned. Fuse with it.",
               "Storm damage again. {part} {value} and fuse, rest of the primary measured good.",
               "Varistor blown off its legs, otherwise lucky."),
    ),
    FaultKind(
        "mains fuse", "fuse", "mains input", "open", down="mains", returns=16, scrap=1,
        symptoms="dead 96, fuse blown 97/0, main switch shorted 0/65, mains rectifier shorted 0/60, "
        "all outputs missing 30, no standby light 40, failed after a power cut or storm 20",
        cost=(0.4, 1.2), minutes=(8, 20),
        notes=("Nothing shorted behind it, fuse tired. Ran two hours, inrush looks normal.",
               "{part} {value}, wire just drooped. No short found.",),
    ),
    FaultKind(
        "fusible", "fusible resistor", "mains input", "open", down="mains", returns=7,
        symptoms="dead 95, fuse blown 3/70, bulk voltage missing 75/2, all outputs missing 60, "
        "burnt part seen 35/10, discoloured board 20, failed after a power cut or storm 25",
        checks="ohm@{part} 2e5-8e6 35",
        guesses="integrated switcher 12, mains fuse 8",
        cost=(0.2, 0.6), minutes=(15, 25),
        notes=("{part} {value} open, no visible mark on it.",
               "Fusible resistor open again after surge; X capacitor behind it measured, good."),
    ),
    FaultKind(
        "inrush limiter", "inrush limiter", "inrush and rectifier", "open", down="mains", returns=3,
        symptoms="dead 94, bulk voltage missing 80/2, inrush limiter open 78/4, fuse blown 2/75, "
        "cracked part seen 35, no standby light 50, all outputs missing 45, burnt part seen 20, bang heard "
        "12",
        checks="ohm@{part} 1e5-6e6 25",
        guesses="bridge 6, mains fuse 10",
        cost=(0.5, 1.6), minutes=(12, 25),
        notes=("{part} cracked through, {value}.", "NTC broke at the leg. New one stands 5 mm off the "
               "board."),
    ),
    FaultKind(
        "bridge", "bridge rectifier", "inrush and rectifier", "shorted", down="mains", returns=3,
        symptoms="dead 92, fuse blown 94/2, mains rectifier shorted 88/3, trips the mains breaker 40, "
        "failed after a power cut or storm 30, bang heard 25, burnt smell 15",
        checks="diode_v@{part} AC-plus 0.001-0.03 45",
        guesses="mains fuse 30, pfc mosfet 5, main mosfet 6",
        cost=(0.9, 2.4), minutes=(20, 35),
        notes=("One leg of {part} shorted, fuse replaced too.", "{part} {value}, both diodes on one side "
               "gone."),
    ),
    FaultKind(
        "bulk dried", "bulk capacitor", "bulk and power factor stage", "lost capacitance", returns=2,
        symptoms="works unloaded but not in the set 60/5, bulk capacitor low or open 68/2, restarts by "
        "itself 42, "
        "starts then shuts down 35, @unsteady 35, high ripple 40, bulging capacitor 45/25, high ESR found "
        "25, "
        "starts only after several tries 20, lines or bars in the picture 4, buzzing from the board 12",
        rails="bulk@running/in the set low 68-88, outputs/in the set pulsing 35-99 ~55, "
        "outputs/test load low 86-96 ~60",
        checks="farad% 12-58 65, esr_ohm 3-22 25, ac_v@BULK 12-45 18",
        guesses="$ elco 14, optocoupler 5",
        cost=(3.5, 8.5), minutes=(20, 35),
        notes=("{part} {value} measured far below its value. New one 105 °C, glued down again.",
               "{part} dry, capacitance gone. 100 Hz all over the output before, clean after."),
    ),
    FaultKind(
        "bulk leaky", "bulk capacitor", "bulk and power factor stage", "leaking electrolyte", returns=5,
        scrap=8,
        symptoms="burnt smell 45, leaking capacitor 70/3, intermittent 35, dead 40, trips the mains breaker "
        "15, "
        "@missing 40, buzzing from the board 25, damaged track or via 25, fuse blown 20/25",
        rails="bulk low 80-93 ~60, outputs pulsing 10-90 ~45",
        checks="farad% 45-80 40, esr_ohm 2-9 30",
        cost=(3.5, 9.0), minutes=(30, 60),
        notes=("{part} leaked under itself, tracks washed with alcohol and lacquered.",
               "Fishy smell, goo round {part}. Board cleaned, new {value}."),
    ),
    FaultKind(
        "pfc mosfet", "power factor MOSFET", "bulk and power factor stage", "shorted", down="mains",
        returns=7,
        scrap=6,
        symptoms="dead 95, fuse blown 95/1, power factor switch shorted 86/2, current sense resistor open "
        "52/5, "
        "bang heard 38, trips the mains breaker 22, failed after a power cut or storm 18, burnt part seen "
        "22, "
        "all outputs missing 35, no standby light 45",
        checks="diode_v@{part} D-S 0.001-0.02 60, ohm@{part} D-S 0.2-4 20",
        guesses="mains fuse 28, bridge 6, varistor 4",
        cost=(2.8, 7.5), minutes=(40, 80),
        notes=("{part} shorted D-S, sense resistor 0R1 open, gate diode too. All three and F1. First power "
               "through a "
               "60 W lamp.",
               "Power factor switch {part} dead short. Found cracked joint at the coil as the reason, "
               "resoldered.",
               "{part} and controller pin 3 resistor. Bulk comes up to the right voltage, no heat after one "
               "hour."),
    ),
    FaultKind(
        "pfc controller", "power factor controller IC", "bulk and power factor stage", "no oscillation",
        returns=3,
        symptoms="power factor stage does not boost 88/2, starts then shuts down 42, dim picture 3, "
        "@unsteady 25, high-pitched whine 14, works unloaded but not in the set 30, fuse blown 0/30",
        rails="bulk@running low 80-85, backlight/in the set low 86-95 ~40",
        checks="celsius@{part} 60-88 12",
        guesses="bulk dried 14, optocoupler 4",
        cost=(1.2, 3.4), minutes=(30, 60),
        notes=("Bulk stays at 322 V, gate of the boost switch flat. New {part}, boosts again.",
               "{part} had supply but no drive. 8-pin, common type."),
    ),
    FaultKind(
        "sense resistor", "current sense resistor", "main converter", "open", down="main", returns=8,
        symptoms="standby light on but will not start 75, current sense resistor open 80/3, hiccup 30, "
        "@missing 60, "
        "all outputs missing 45, main switch shorted 12/50, fuse blown 3/45, burnt part seen 20",
        checks="ohm@{part} 1.5-900 45",
        guesses="main mosfet 8, main controller 10",
        cost=(0.1, 0.6), minutes=(20, 40),
        notes=("{part} {value} reads far too high. Looks perfect from above.",
               "Sense resistor {part}; replaced with two in parallel for power."),
    ),
    FaultKind(
        "main mosfet", "MOSFET", "main converter", "shorted", down="mains", returns=7, scrap=6,
        symptoms="dead 94, fuse blown 92/2, main switch shorted 88/2, current sense resistor open 45/6, "
        "bang heard 40, "
        "burnt part seen 25, trips the mains breaker 15, failed after a power cut or storm 20, all outputs "
        "missing 40",
        checks="diode_v@{part} D-S 0.001-0.02 60, ohm@{part} D-S 0.2-5 20",
        guesses="mains fuse 30, bridge 5",
        cost=(1.6, 4.8), minutes=(35, 70),
        notes=("{part} short, took the sense resistor and the gate zener along. Complete set replaced.",
               "Switch {part} and controller. Through the lamp first, then 2 h on 80 % load.",
               "Snubber diode leaky as well, otherwise it would have gone again."),
    ),
    FaultKind(
        "main controller", "controller IC", "main converter", "no oscillation", down="main", returns=3,
        symptoms="@missing 75, standby light on but will not start 50, all outputs missing 55, dead 35, "
        "hiccup 20, "
        "controller supply missing 10/30, fuse blown 3/45, cracked part seen 12",
        rails="controller supply low 55-85 ~40",
        checks="dc_v@{part} Vref 0.0-2.9 30",
        guesses="start-up resistor 12, vcc elco 14, optocoupler 6",
        cost=(0.7, 2.2), minutes=(25, 50),
        notes=("{part}, {value}: no 5 V reference although supplied.", "Swapped {part} in a socket, runs."),
    ),
    FaultKind(
        "vcc elco", "electrolytic capacitor", "main converter", "lost capacitance", returns=2,
        symptoms="starts only after several tries 60, starts only when warm 42, hiccup 55/5, @missing 30, "
        "dead 30, "
        "high ESR found 52/2, standby light blinks 14, fuse blown 0/40, restarts by itself 18",
        rails="controller supply pulsing 45-85, outputs pulsing 3-70 ~60",
        checks="esr_ohm 4-38 50, farad% 8-50 40",
        guesses="main controller 14, start-up resistor 14",
        cost=(0.15, 0.6), minutes=(12, 28),
        notes=("{part} {value} beside the heat sink, dry. The classic small one.",
               "Starts after ten tries, freezer spray on {part} stopped it for good. Replaced."),
    ),
    FaultKind(
        "start-up resistor", "start-up resistor", "main converter", "open", down="main", returns=4,
        symptoms="dead 62, start-up resistor open 78/3, all outputs missing 50, controller supply missing "
        "55/2, "
        "bulk voltage stays after unplugging 52/8, @missing 40, fuse blown 1/60, starts only after several "
        "tries 12",
        rails="controller supply absent ~60, controller supply low 20-55",
        checks="ohm% 250-900 45",
        guesses="main controller 16, vcc elco 14",
        cost=(0.05, 0.4), minutes=(15, 30),
        notes=("{part} {value} open, replaced by two in series.",
               "Start-up chain high ohmic. Bulk was still at 310 V after an hour, careful."),
    ),
    FaultKind(
        "standby switcher", "integrated switcher", "standby converter", "shorted", down="standby",
        returns=5, scrap=4,
        symptoms="dead 90, no standby light 80, no standby voltage 84/1, fuse blown 32/40, bang heard 24, "
        "failed after a power cut or storm 28, cracked part seen 32, burnt part seen 18, all outputs "
        "missing 30",
        checks="ohm@{part} D-S 1-40 35",
        guesses="standby elco 14, mains fuse 10",
        cost=(1.4, 3.2), minutes=(25, 50),
        notes=("{part} with a hole in it, zener and series resistor too.", "Standby chip {part} shorted, "
               "clamp diode good."),
    ),
    FaultKind(
        "standby start-up", "start-up resistor", "standby converter", "open", down="standby", returns=4,
        symptoms="dead 88, no standby light 72, no standby voltage 85/2, start-up resistor open 76/3, fuse "
        "blown 1/66, "
        "bulk voltage stays after unplugging 55/6, controller supply missing 30",
        rails="controller supply absent ~60, controller supply low 15-50",
        checks="ohm% 250-900 45",
        guesses="standby switcher 20, standby elco 8",
        cost=(0.05, 0.4), minutes=(15, 30),
        notes=("{part} {value} open. Bulk stays charged, that gave it away.", "Start-up resistor {part}, "
               "blue body, no mark."),
    ),
    FaultKind(
        "integrated switcher", "integrated switcher", "main converter", "shorted", down="main", returns=5,
        scrap=4,
        symptoms="dead 92, all outputs missing 70, fuse blown 28/40, burnt part seen 25, cracked part seen "
        "34, "
        "bang heard 20, failed after a power cut or storm 30, @missing 30",
        checks="ohm@{part} D-S 1-40 35, dc_v@{part} BP 0.0-3.4 18",
        guesses="$ elco 10, fusible 12, vcc elco 6",
        cost=(1.1, 2.8), minutes=(20, 45),
        notes=("{part} blown apart, fusible resistor open with it.",
               "Off-line switcher {part}; snubber resistor was burnt, replaced as well."),
    ),
    FaultKind(
        "optocoupler", "optocoupler", "feedback", "drifted", returns=4,
        symptoms="output voltage low 55/3, starts then shuts down 40, @unsteady 38, output voltage high 12, "
        "fails when warm 30, works unloaded but not in the set 22, hiccup 18, fuse blown 0/25",
        rails="outputs/none low 90-97, outputs low 82-94 ~80, outputs pulsing 60-98",
        checks="dc_v@{part} 1-2 1.15-1.45 18",
        guesses="$ elco 14, reference 12, bulk dried 5",
        cost=(0.25, 0.8), minutes=(20, 45),
        notes=("{part} tired: current transfer a third of a new one.",
               "Voltage moved when {part} was warmed with the iron. New opto, steady."),
    ),
    FaultKind(
        "reference", "shunt reference", "feedback", "drifted", returns=3,
        symptoms="output voltage high 72/2, starts then shuts down 52, @unsteady 25, part too hot to touch "
        "15, "
        "output voltage low 14, restarts by itself 20",
        rails="outputs/none high 112-128 ~85, outputs high 108-124 ~85, outputs low 84-93",
        checks="dc_v@{part} ref 2.30-2.44 35",
        guesses="optocoupler 22",
        cost=(0.15, 0.5), minutes=(20, 40),
        notes=("{part} regulates 15 % high, divider good.", "Reference {part} three-legged, 2.5 V type."),
    ),
    FaultKind(
        "dropper", "film capacitor", "mains input", "lost capacitance", returns=2,
        symptoms="output voltage low 68/2, relay does not click 48, @missing 50, dead 35, buttons do not "
        "respond 30, "
        "display dim or fading 28, fuse blown 0/50, restarts by itself 22, relay clicks repeatedly 18",
        rails="intermediate/in the set low 55-85, intermediate low 78-93, logic/in the set low 80-97",
        checks="farad% 22-62 72",
        guesses="$ elco 14, relay 10",
        cost=(0.7, 1.9), minutes=(15, 30),
        notes=("{part} {value} measured a third. X2 type, grey body.",
               "Self-healing ate the capacitor away. New X2 with more space round it."),
    ),
    FaultKind(
        "igbt", "IGBT", "main converter", "shorted", down="mains", returns=9, scrap=14,
        symptoms="dead 75, fuse blown 92/1, bang heard 58, trips the mains breaker 35, mains rectifier "
        "shorted 50/20, "
        "main switch shorted 60/2, burnt part seen 35, @missing 40, insects or dirt inside 30",
        checks="diode_v@{part} C-E 0.001-0.02 55",
        guesses="bridge 18, mains fuse 14",
        cost=(6.0, 16.0), minutes=(60, 110),
        notes=("{part} and bridge. Resonance capacitor measured low, replaced too or it goes again.",
               "IGBT shorted, gate resistor open. Heat sink was felted with grease, cleaned, new paste."),
    ),
    FaultKind(
        "resonance capacitor", "film capacitor", "main converter", "lost capacitance", returns=4,
        symptoms="error code shown 70, @missing 60, high-pitched whine 25, fuse blown 2/40, part too hot to "
        "touch 20",
        checks="farad% 40-80 70",
        guesses="igbt 12, sensor 10",
        cost=(2.5, 6.0), minutes=(30, 50),
        notes=("{part} {value} low and warm. Both changed as a pair.",),
    ),
    FaultKind(
        "sense divider", "resistor", "protection", "drifted", returns=3,
        symptoms="error code shown 85, @missing 45, starts then shuts down 35, fuse blown 0/35, output "
        "voltage low 4",
        checks="ohm% 106-160 65",
        guesses="sensor 16, memory 4",
        cost=(0.05, 0.3), minutes=(30, 60),
        notes=("{part} in the mains sense chain drifted up. All three of the chain changed.",
               "Error for low mains though mains is fine: {part} {value}."),
    ),
    FaultKind(
        "transformer", "transformer", "main converter", "open", down="main", returns=2, scrap=55,
        symptoms="@missing 70, high-pitched whine 35, all outputs missing 60, dead 40, fuse blown 5/40",
        checks="ohm@{part} 1-2 2e5-5e6 40",
        guesses="main controller 16, integrated switcher 14, main mosfet 6",
        cost=(6.0, 14.0), minutes=(50, 100),
        notes=("Winding 1-2 of {part} open at the pin, salt crept in.",),
    ),
)  # fmt: skip
